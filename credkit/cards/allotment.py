"""Allotment: where each record of a plan lives.

A record takes neighbouring free bytes, so it jumps over trailers and other reserved ones. Those
with a fixed first byte come first, then those with the narrowest range. A record begins with a
block where it can, and shares one otherwise, but only with records that the same access
condition (or lock) suits.

Source: common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from credkit.cards.geometry import Geometry
from credkit.cards.plan import CardRecord
from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr

_PLACE = re.compile(r"(?P<what>[a-z]+) (?P<first>[0-9]{1,4})(?:-(?P<last>[0-9]{1,4})| byte (?P<byte>[0-9]{1,2}))?")
ANYWHERE_WORD = "anywhere"


@dataclass(frozen=True, slots=True)
class WantedPlace:
    """A range of bytes of the memory; ``is_exact`` where the first byte is said, not only the range."""

    text: str
    bytes: range
    is_exact: bool = False


def parse_place(geometry: Geometry, text: str) -> WantedPlace:
    """The range that ``text`` names; raises `DefinitionError` for what is not there or holds no data.

    >>> from credkit.cards.geometry import build_geometry
    >>> memory = build_geometry("sectors-16x4")
    >>> parse_place(memory, "sectors 1-2").bytes, parse_place(memory, "block 4 byte 8").bytes
    (range(64, 192), range(72, 1024))
    >>> parse_place(build_geometry("sectors-16x4"), "block 7")
    Traceback (most recent call last):
    credkit.DefinitionError: 'block 7' holds no data: it is the trailer of sector 1
    """
    if text == ANYWHERE_WORD:
        return WantedPlace(text, range(geometry.size))
    match = _PLACE.fullmatch(text)
    words = ("sector", "sectors", "block", "blocks") if geometry.keys else (geometry.unit, f"{geometry.unit}s")
    if not match or match["what"] not in words:
        example = "sectors 1-4, block 4, block 4 byte 8" if geometry.keys else f"{words[1]} 4-9, {words[0]} 4 byte 2"
        raise DefinitionError(f"{redacted_repr(text)} is no place: they are written as {example} or {ANYWHERE_WORD}")
    first, last = int(match["first"]), int(match["last"] or match["first"])
    sectors = match["what"].startswith("sector")
    count = len(geometry.sectors) if sectors else geometry.blocks
    if last >= count or last < first:
        what = words[0 if sectors else -1]
        raise DefinitionError(f"{redacted_repr(text)} is not there: {what.rstrip('s')}s are numbered 0 to {count - 1}")
    if sectors and match["byte"]:
        raise DefinitionError(f"{redacted_repr(text)}: a byte is counted in a {geometry.unit}, not in a sector")
    blocks = range(geometry.sectors[first].start, geometry.sectors[last].stop) if sectors else range(first, last + 1)
    found = WantedPlace(text, geometry.bytes_of(blocks))
    if match["byte"]:
        byte = int(match["byte"])
        if byte >= geometry.block_size:
            raise DefinitionError(f"{redacted_repr(text)}: a {geometry.unit} has {geometry.block_size} bytes, 0 to "
                                  f"{geometry.block_size - 1}")  # fmt: skip
        found = WantedPlace(text, range(found.bytes.start + byte, geometry.size), is_exact=True)
    _refuse_reserved(geometry, found)
    return found


def _refuse_reserved(geometry: Geometry, found: WantedPlace) -> None:
    spots = found.bytes[:1] if found.is_exact else found.bytes
    if any(not geometry.duty_of_bytes[at] for at in spots):
        return
    duty = geometry.duty_of_bytes[found.bytes.start]
    of = f" of sector {geometry.sector_of(found.bytes.start // geometry.block_size)}" if duty == "trailer" else ""
    said = {"manufacturer": "the manufacturer's", "container": "the capability container", "locks": "lock bytes"}
    raise DefinitionError(f"{redacted_repr(found.text)} holds no data: it is {said.get(duty, f'the {duty}')}{of}")


def allot(
    geometry: Geometry, records: Sequence[CardRecord], wanted: Mapping[str, WantedPlace]
) -> dict[str, tuple[int, ...]]:
    """The bytes of each record, by name; raises `DefinitionError` naming the first that does not fit."""
    order = sorted(records, key=lambda record: (not wanted[record.name].is_exact, len(wanted[record.name].bytes)))
    memory = _FreeMemory(geometry)
    return {record.name: memory.take(record, wanted[record.name]) for record in order}


class _FreeMemory:
    """The free bytes, and what suits the units of protection that are in use."""

    def __init__(self, geometry: Geometry) -> None:
        self.geometry = geometry
        self.owner: dict[int, str] = {}
        self.suits: dict[tuple[int, int], tuple[Any, str]] = {}

    def take(self, record: CardRecord, place: WantedPlace) -> tuple[int, ...]:
        room = [at for at in self.geometry.free_places if at in place.bytes]
        whole: list[int] = []
        rest: list[int] = []
        for index, at in enumerate(room[:1] if place.is_exact else room):
            (rest if at % self.geometry.block_size and not place.is_exact else whole).append(index)
        clash = ""
        problems = [self.problem(record, at) for at in room]
        good = _count_free_runs(problems)
        for index in (*whole, *rest):
            if good[index] >= record.total_size:
                spots = tuple(room[index : index + record.total_size])
                for at in spots:
                    self.owner[at] = record.name
                    self.suits[self.geometry.unit_of(at)] = self.protection_of(record), record.name
                return spots
            if index + record.total_size <= len(room):
                clash = clash or problems[index + good[index]]
        free = sum(at not in self.owner for at in room)
        if clash and (place.is_exact or free >= record.total_size):
            raise DefinitionError(f"record {record.name} does not fit at {redacted_repr(place.text)}: {clash}")
        mac = f" with its MAC of {record.mac}" if record.mac else ""
        raise DefinitionError(
            f"record {record.name} needs {record.total_size} bytes{mac}, "
            f"but {place.text} has {len(room)} bytes for data" + (f", {free} of them free" if free != len(room) else "")
        )

    def protection_of(self, record: CardRecord) -> Any:
        return record.condition if self.geometry.keys else record.lock

    def problem(self, record: CardRecord, at: int) -> str:
        """Why the record cannot have this byte, or nothing."""
        asked, other = self.suits.get(self.geometry.unit_of(at), (self.protection_of(record), ""))
        if asked != self.protection_of(record):
            why = "asks for another access condition" if self.geometry.keys else "is locked otherwise"
            return f"record {other} in the same group of blocks {why}"
        return f"{self.geometry.describe_byte(at)} belongs to record {self.owner[at]}" if at in self.owner else ""


def _count_free_runs(problems: Sequence[str]) -> list[int]:
    """From each byte on, how many have no problem."""
    found = [0] * (len(problems) + 1)
    for index in reversed(range(len(problems))):
        found[index] = 0 if problems[index] else found[index + 1] + 1
    return found[:-1]
