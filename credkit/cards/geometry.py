"""Geometries: how the memory of a card is divided, which bytes are free, and which have a duty of their own.

A geometry is named by its structure, and the name says all of it:

    sectors-16x4          16 sectors of 4 blocks of 16 bytes; the last block of each is its trailer
    sectors-32x4+8x16     32 sectors of 4 blocks, then 8 of 16
    type2-144             pages of 4 bytes; 144 bytes of data area behind the capability container
    type5-64x4            64 blocks of 4 bytes; the capability container opens block 0

Bytes and blocks count from 0 over the whole memory. What is not reserved is free for data.

Source: NFC Forum Type 2 Tag and Type 5 Tag (secondary text and from memory); for sectors common
practice, no source.

>>> [build_geometry(name).free_bytes for name in ("sectors-16x4", "sectors-32x4+8x16", "type2-144", "type5-64x4")]
[752, 3440, 144, 252]
>>> build_geometry("sectors-5x5")
Traceback (most recent call last):
credkit.DefinitionError: geometry 'sectors-5x5': a sector has 4 or 16 blocks, not 5
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property, lru_cache

from credkit.core.codec import PRACTICE
from credkit.core.errors import DefinitionError
from credkit.core.sentences import format_count, nearest, redacted_repr

COMMON_NAMES = (
    "sectors-5x4", "sectors-16x4", "sectors-32x4+8x16", "type2-48", "type2-144", "type2-496", "type2-872",
    "type5-28x4", "type5-64x4", "type5-256x4", "type5-1024x8",
)  # fmt: skip
SECTOR_BYTES = 16  # of a block
MOST_BLOCKS = 256  # of a card with sectors: one byte addresses them
PAGE_BYTES = 4  # bytes of a page
STATIC_LOCK_BYTES = 48  # bytes of a type 2 data area that the static lock bytes serve
LARGEST_USUAL_TYPE2_BYTES = (
    144  # bytes of a type 2 data area up to which dynamic lock bytes are where the standard has them by default
)
BYTES_PER_LOCK_BIT = 8  # bytes that one dynamic lock bit serves
MOST_TYPE5_BLOCKS = 2048  # blocks of a type 5 memory; from 256 on the address has two bytes

_SECTORS_NAME = re.compile(r"sectors-([1-9][0-9]{0,2}x[1-9][0-9]?(?:\+[1-9][0-9]{0,2}x[1-9][0-9]?)*)")
_TYPE2_NAME = re.compile(r"type2-([1-9][0-9]{1,3})")
_TYPE5_NAME = re.compile(r"type5-([1-9][0-9]{0,4})x(4|8)")


@dataclass(frozen=True, kw_only=True)
class ReservedBytes:
    """Bytes that hold no data: ``duty`` is manufacturer, trailer, container or locks."""

    duty: str
    at: range


@dataclass(frozen=True, kw_only=True, repr=False)
class Geometry:
    """The structure of a memory. ``sectors`` are ranges of blocks, one for all where there are none.

    ``keys`` says that sector trailers with two keys protect the blocks; otherwise blocks are locked,
    by bits in memory (type 2) or by a command of the reader (type 5). ``serial`` is the usual size
    of the serial number in bytes.
    """

    name: str
    title: str
    source: str
    block_size: int
    sectors: tuple[range, ...]
    reserved: tuple[ReservedBytes, ...]
    keys: bool = False
    serial: int = 4
    unit: str = "block"

    def __repr__(self) -> str:
        return f"<Geometry {self.name}: {format_count(self.size, 'byte')}>"

    @property
    def blocks(self) -> int:
        """How many blocks there are."""
        return self.sectors[-1].stop

    @property
    def size(self) -> int:
        """Bytes of the whole memory."""
        return self.blocks * self.block_size

    @cached_property
    def duty_of_bytes(self) -> tuple[str, ...]:
        """The duty of each byte; empty for a free one."""
        found = [""] * self.size
        for each in self.reserved:
            found[each.at.start : each.at.stop] = [each.duty] * len(each.at)
        return tuple(found)

    @cached_property
    def free_places(self) -> tuple[int, ...]:
        """The free bytes, in order."""
        return tuple(at for at, duty in enumerate(self.duty_of_bytes) if not duty)

    @property
    def free_bytes(self) -> int:
        """How many bytes are free for data."""
        return len(self.free_places)

    def bytes_of(self, blocks: range) -> range:
        """The bytes of neighbouring blocks."""
        return range(blocks.start * self.block_size, blocks.stop * self.block_size)

    def sector_of(self, block: int) -> int:
        """The sector that a block is in."""
        return next(number for number, blocks in enumerate(self.sectors) if block in blocks)

    def trailer(self, sector: int) -> int:
        """The block that is the trailer of a sector."""
        return self.sectors[sector].stop - 1

    def groups(self, sector: int) -> tuple[range, ...]:
        """The blocks that share an access condition, data groups first, the trailer last.

        >>> [list(group) for group in build_geometry("sectors-16x4").groups(1)]
        [[4], [5], [6], [7]]
        >>> build_geometry("sectors-32x4+8x16").groups(32)
        (range(128, 133), range(133, 138), range(138, 143), range(143, 144))
        """
        blocks = self.sectors[sector]
        step = (len(blocks) - 1) // 3
        starts = [blocks.start + step * i for i in range(3)]
        return (*(range(start, start + step) for start in starts), range(blocks.stop - 1, blocks.stop))

    def unit_of(self, at: int) -> tuple[int, int]:
        """What byte ``at`` shares its protection with: sector and group, or what one lock bit or command locks.

        >>> places = ("sectors-16x4", 70), ("type2-144", 72), ("type5-64x4", 9)
        >>> [build_geometry(name).unit_of(at) for name, at in places]
        [(1, 0), (1, 1), (0, 2)]
        """
        return self._units[at]

    @cached_property
    def _units(self) -> tuple[tuple[int, int], ...]:
        """The unit of protection of each byte."""
        if not self.keys:
            return tuple(map(self._lock_of, range(self.size)))
        sectors = range(len(self.sectors))
        groups = ((sector, place, group) for sector in sectors for place, group in enumerate(self.groups(sector)))
        return tuple((sector, place) for sector, place, group in groups for _ in self.bytes_of(group))

    def _lock_of(self, at: int) -> tuple[int, int]:
        block = at // self.block_size
        if self.unit == "page" and at >= 4 * PAGE_BYTES + STATIC_LOCK_BYTES:
            return 1, (at - 4 * PAGE_BYTES - STATIC_LOCK_BYTES) // BYTES_PER_LOCK_BIT
        return 0, block

    def describe_byte(self, at: int) -> str:
        """A byte in words.

        >>> build_geometry("sectors-16x4").describe_byte(70), build_geometry("type2-144").describe_byte(17)
        ('sector 1 block 4 byte 6', 'page 4 byte 1')
        """
        block, byte = divmod(at, self.block_size)
        return f"{self.describe_block(block)} byte {byte}"

    def describe_block(self, block: int) -> str:
        """A block in words.

        >>> build_geometry("sectors-16x4").describe_block(7)
        'sector 1 block 7'
        """
        return f"sector {self.sector_of(block)} block {block}" if self.keys else f"{self.unit} {block}"


def common_geometries() -> Iterator[Geometry]:
    """The common geometries; `build_geometry` builds any other of the same families."""
    return map(build_geometry, COMMON_NAMES)


@lru_cache(maxsize=64)
def build_geometry(name: str) -> Geometry:
    """The geometry called ``name``; raises `DefinitionError` for a structure that cannot be."""
    if match := _SECTORS_NAME.fullmatch(name):
        return _build_sectors(name, [part.split("x") for part in match[1].split("+")])
    if match := _TYPE2_NAME.fullmatch(name):
        return _build_type2(name, int(match[1]))
    if match := _TYPE5_NAME.fullmatch(name):
        return _build_type5(name, int(match[1]), int(match[2]))
    raise DefinitionError(
        f"no geometry is called {redacted_repr(name)}; "
        f"they are written as {', '.join(COMMON_NAMES[1:4])} or {COMMON_NAMES[-3]}"
        f"{nearest(name, COMMON_NAMES)}"
    )


def _refuse(name: str, problem: str) -> DefinitionError:
    return DefinitionError(f"geometry {redacted_repr(name)}: {problem}")


def _build_sectors(name: str, parts: list[list[str]]) -> Geometry:
    sectors: list[range] = []
    for count, blocks in parts:
        if blocks not in ("4", "16"):
            raise _refuse(name, f"a sector has 4 or 16 blocks, not {blocks}")
        for _ in range(int(count)):
            start = sectors[-1].stop if sectors else 0
            sectors.append(range(start, start + int(blocks)))
    if sectors[-1].stop > MOST_BLOCKS:
        raise _refuse(name, f"{sectors[-1].stop} blocks, at most {MOST_BLOCKS} can be addressed")
    trailers = [blocks.stop - 1 for blocks in sectors]
    said = " and ".join(f"{count} sectors of {blocks}" for count, blocks in parts)
    return Geometry(
        name=name, title=f"{said} blocks of {SECTOR_BYTES} bytes, the last of each its trailer", source=PRACTICE,
        block_size=SECTOR_BYTES, sectors=tuple(sectors), keys=True,
        reserved=(
            ReservedBytes(duty="manufacturer", at=range(SECTOR_BYTES)),
            *(ReservedBytes(duty="trailer", at=range(b * SECTOR_BYTES, (b + 1) * SECTOR_BYTES)) for b in trailers),
        ),
    )  # fmt: skip


def _build_type2(name: str, free: int) -> Geometry:
    if free % BYTES_PER_LOCK_BIT or not STATIC_LOCK_BYTES <= free <= 255 * BYTES_PER_LOCK_BIT:
        raise _refuse(
            name,
            f"a data area has {STATIC_LOCK_BYTES} to {255 * BYTES_PER_LOCK_BIT} bytes, "
            f"in steps of {BYTES_PER_LOCK_BIT}",
        )
    end = 4 * PAGE_BYTES + free
    locks = (
        -(-(free - STATIC_LOCK_BYTES) // (BYTES_PER_LOCK_BIT * 8 * PAGE_BYTES)) * PAGE_BYTES
    )  # bytes of dynamic locks, in whole pages
    pages = (end + locks) // PAGE_BYTES
    reserved = [
        ReservedBytes(duty="manufacturer", at=range(10)),
        ReservedBytes(duty="locks", at=range(10, 12)),
        ReservedBytes(duty="container", at=range(12, 16)),
    ]
    if locks:
        reserved.append(ReservedBytes(duty="locks", at=range(end, end + locks)))
    return Geometry(
        name=name, title=f"pages of {PAGE_BYTES} bytes, {free} bytes of data area, lock bytes, capability container",
        source="NFC Forum Type 2 Tag (secondary text and from memory)", block_size=PAGE_BYTES, sectors=(range(pages),),
        reserved=tuple(reserved), serial=7, unit="page",
    )  # fmt: skip


def _build_type5(name: str, blocks: int, size: int) -> Geometry:
    if not 2 <= blocks <= MOST_TYPE5_BLOCKS:
        raise _refuse(name, f"{blocks} blocks, expected 2 to {MOST_TYPE5_BLOCKS}")
    container = 8 if (blocks * size - 8) // 8 > 255 else 4  # one of 4 bytes counts its area in one byte
    return Geometry(
        name=name, title=f"{blocks} blocks of {size} bytes, locked one by one; the capability container opens block 0",
        source="NFC Forum Type 5 Tag (secondary text and from memory)", block_size=size, sectors=(range(blocks),),
        reserved=(ReservedBytes(duty="container", at=range(container)),), serial=8,
    )  # fmt: skip
