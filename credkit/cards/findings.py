"""Findings of a read-back: differences from the plan, notes, and the values that were read.

A `Findings` collects them while one card is checked, and `CheckedCard` is what comes of it. No finding
holds a key or a MAC, neither what was found nor what was expected: that would be a forgery made
easy. Bytes that may be an account number are shown only where that is asked for.

Source: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from bitstring import Bits

from credkit.core.reading import Level, Note
from credkit.core.sentences import redacted_repr
from credkit.core.spans import format_span
from credkit.privacy.accounts import holds_account, holds_track

PUBLISHED_KEY = "published-key"  # of a difference or note: a default key that anybody can look up


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One thing that is not as planned. ``kind`` is a stable key, ``record`` the record it is about, if it is.

    ``blocks`` and ``detail`` say ``place`` in parts, where the same can be said of other blocks too;
    ``shared`` is what is then said of all of them, if it is not ``text``.
    """

    kind: str
    text: str
    place: str = ""
    record: str = ""
    blocks: tuple[int, ...] = ()
    detail: str = ""
    shared: str = ""

    @property
    def sentence(self) -> str:
        """Place and text.

        >>> Difference(kind="not-locked", place="page 5", text="it is not locked, and the plan locks it").sentence
        'page 5: it is not locked, and the plan locks it'
        """
        return f"{self.place}: {self.text}" if self.place else self.text


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedCard:
    """What one read-back showed. ``values`` are the records that could be read, as they may be shown.

    ``macs`` has for each MAC that was verified whether it matched.
    """

    name: str
    credential: str = ""
    differences: tuple[Difference, ...] = ()
    notes: tuple[Note, ...] = ()
    values: Mapping[str, str] = field(default_factory=dict)
    macs: tuple[bool, ...] = ()

    @property
    def is_as_planned(self) -> bool:
        """Whether nothing differs."""
        return not self.differences

    @property
    def is_confidential(self) -> bool:
        """Whether a published default key was found: whoever reads this knows which card it opens."""
        kinds = [each.kind for each in self.differences] + [each.kind for each in self.notes]
        return PUBLISHED_KEY in kinds


@dataclass(slots=True)
class Findings:
    """What was found so far."""

    differences: list[Difference] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    values: dict[str, str] = field(default_factory=dict)
    macs: list[bool] = field(default_factory=list)

    def add_difference(
        self, kind: str, place: str, text: str, record: str = "", *, blocks: Iterable[int] = (), detail: str = "",
        shared: str = "",
    ) -> None:  # fmt: skip
        """Add a difference."""
        self.differences.append(
            Difference(
                kind=kind, text=text, place=place, record=record, blocks=tuple(blocks), detail=detail, shared=shared
            )
        )

    def add_note(self, kind: str, level: Level, text: str) -> None:
        """Add a note."""
        self.notes.append(Note(kind=kind, level=level, text=text))


def format_value(value: Any, *, reveal: bool = False) -> str:
    """What a record says, shortened and with account numbers masked; all of it with ``reveal``.

    >>> format_value({"number": 4114360123456785}), format_value("4114360123456785", reveal=True)
    ('number=411436******6785', "'4114360123456785'")
    """
    if not reveal:
        return redacted_repr(value)
    if isinstance(value, Mapping):
        return " ".join(f"{name}={item}" for name, item in value.items())
    if isinstance(value, Bits):
        return str(value.bin)
    return repr(value)


def format_bytes(data: bytes, whole: bytes = b"", *, reveal: bool = False) -> str:
    """Bytes as they may stand in a sentence, where they are a part of ``whole``; with ``reveal`` whatever they are.

    >>> format_bytes(bytes.fromhex("0001E240")), format_bytes(b"4114360123456785")
    ("'0001E240'", '16 bytes that may be an account number')
    >>> format_bytes(b"4114", b"4114360123456785", reveal=True)
    "'34313134'"
    """
    if reveal:
        return repr(data.hex().upper())
    text = (whole or data).replace(b"\0", b"").decode("latin-1")
    if holds_account(text) or holds_track(text):
        return f"{len(data)} bytes that may be an account number"
    return redacted_repr(data.hex().upper())


def format_numbers(what: str, numbers: Iterable[int]) -> str:
    """Things with their numbers.

    >>> format_numbers("sector", [1, 2, 3]), format_numbers("page", [5])
    ('sectors 1-3', 'page 5')
    """
    found = sorted(numbers)
    return f"{what}{'s' * (len(found) > 1)} {format_span(found)}"
