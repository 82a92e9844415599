"""Findings of a read-back: differences from the plan, notes, and the values that were read.

A `Findings` collects them while one card is checked, and `Checked` is what comes of it. No finding
holds a key or a MAC, neither what was found nor what was expected: that would be a forgery made
easy. Bytes that may be an account number are not shown either.

Source: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from credkit.accounts import holds_account, holds_track
from credkit.errors import shown
from credkit.reading import Level, Note
from credkit.spans import written

PUBLISHED = "published-key"  # of a difference or note: a default key that anybody can look up


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One thing that is not as planned. ``kind`` is a stable key, ``record`` the record it is about, if it is."""

    kind: str
    text: str
    place: str = ""
    record: str = ""

    @property
    def sentence(self) -> str:
        """Place and text.

        >>> Difference(kind="not-locked", place="page 5", text="it is not locked, and the plan locks it").sentence
        'page 5: it is not locked, and the plan locks it'
        """
        return f"{self.place}: {self.text}" if self.place else self.text


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """What one read-back showed. ``values`` are the records that could be read, as they may be shown."""

    name: str
    credential: str = ""
    differences: tuple[Difference, ...] = ()
    notes: tuple[Note, ...] = ()
    values: Mapping[str, str] = field(default_factory=dict)

    @property
    def ok(self) -> bool:
        """Whether nothing differs."""
        return not self.differences

    @property
    def confidential(self) -> bool:
        """Whether a published default key was found: whoever reads this knows which card it opens."""
        kinds = [each.kind for each in self.differences] + [each.kind for each in self.notes]
        return PUBLISHED in kinds


@dataclass(slots=True)
class Findings:
    """What was found so far."""

    differences: list[Difference] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    values: dict[str, str] = field(default_factory=dict)

    def differ(self, kind: str, place: str, text: str, record: str = "") -> None:
        """Add a difference."""
        self.differences.append(Difference(kind=kind, place=place, text=text, record=record))

    def note(self, kind: str, level: Level, text: str) -> None:
        """Add a note."""
        self.notes.append(Note(kind=kind, level=level, text=text))


def hexed(data: bytes, whole: bytes = b"") -> str:
    """Bytes as they may stand in a sentence, where they are a part of ``whole``.

    >>> hexed(bytes.fromhex("0001E240")), hexed(b"4114360123456785")
    ("'0001E240'", '16 bytes that may be an account number')
    """
    text = (whole or data).replace(b"\0", b"").decode("latin-1")
    if holds_account(text) or holds_track(text):
        return f"{len(data)} bytes that may be an account number"
    return shown(data.hex().upper())


def numbered(what: str, numbers: Iterable[int]) -> str:
    """Things with their numbers.

    >>> numbered("sector", [1, 2, 3]), numbered("page", [5])
    ('sectors 1-3', 'page 5')
    """
    found = sorted(numbers)
    return f"{what}{'s' * (len(found) > 1)} {written(found)}"
