"""Notes: what good rows earn, at which readers, and what the note means."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from credkit.audit.plan import AuditPlan
from credkit.audit.summary import Audit
from credkit.core.chains import Choice
from credkit.core.codec import AnyCodec
from credkit.facts.expected_values import UNEXPECTED

LEVELS = {"refuse": "must not serve as a credential number", "care": "care is needed", "info": "for information"}
UNEXPECTED_TEXT = "a field has a value that the site file does not expect of this kind of number"


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteTotal:
    """A kind of note: how many rows earn it, and at which readers, those with most rows first."""

    codec: str
    kind: str
    level: str
    text: str
    rows: int
    readers: tuple[tuple[str, int], ...]


def total_notes(audit: Audit) -> list[NoteTotal]:
    """The notes of an audit, those first that matter most."""
    found: dict[tuple[str, str, str], list[tuple[str, int]]] = {}
    texts: dict[tuple[str, str, str], str] = {}
    for reader in audit.readers:
        for note in reader.notes:
            key = note.codec, note.kind, note.level
            found.setdefault(key, []).append((reader.name, note.rows))
            texts[key] = note.text
    kinds = [
        NoteTotal(
            codec=key[0], kind=key[1], level=key[2], text=texts[key], rows=sum(rows for _, rows in readers),
            readers=tuple(sorted(readers, key=lambda each: -each[1])),
        )
        for key, readers in found.items()
    ]  # fmt: skip
    return sorted(kinds, key=lambda each: ([*LEVELS].index(each.level), -each.rows, each.kind))


def note_texts(plan: AuditPlan) -> dict[tuple[str, str], str]:
    """The texts of notes by codec and kind, as far as tables have them."""
    found = {(use.kind.name, UNEXPECTED): UNEXPECTED_TEXT for use in plan.uses if use.kind}
    for use in plan.uses:
        for step in _steps(use.codec):
            for remark in getattr(step.table, "remarks", ()):
                found[step.name, remark.kind] = remark.text
    return found


def _steps(codec: AnyCodec) -> Iterator[AnyCodec]:
    for step in codec.steps:
        if isinstance(step, Choice):
            for option in step.options:
                yield from _steps(option)
        else:
            yield step
