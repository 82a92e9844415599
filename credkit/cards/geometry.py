"""Geometries: how the memory of a card is divided, which bytes are free, and which have a duty of their own.

A geometry is named by its structure, and the name says all of it:

    sectors-16x4          16 sectors of 4 blocks of 16 bytes; the last block of each is its trailer
    sectors-32x4+8x16     32 sectors of 4 blocks, then 8 of 16
    type2-144             pages of 4 bytes; 144 bytes of data area behind the capability container
    type5-64x4            64 blocks of 4 bytes; the capability container opens block 0

Bytes and blocks count from 0 over the whole memory. What is not reserved is free for data.

Source: NFC Forum Type 2 Tag and Type 5 Tag (secondary text and from memory); for sectors common
practice, no source.

>>> [geometry(name).free for name in ("sectors-16x4", "sectors-32x4+8x16", "type2-144", "type5-64x4")]
[752, 3440, 144, 252]
>>> geometry("sectors-5x5")
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
from credkit.core.sentences import nearest, redacted_repr

COMMON = (
    "sectors-5x4", "sectors-16x4", "sectors-32x4+8x16", "type2-48", "type2-144", "type2-496", "type2-872",
    "type5-28x4", "type5-64x4", "type5-256x4", "type5-1024x8",
)  # fmt: skip
SECTOR_BYTES = 16  # of a block
MOST_BLOCKS = 256  # of a card with sectors: one byte addresses them
PAGE = 4  # bytes of a page
STATIC = 48  # bytes of a type 2 data area that the static lock bytes serve
USUAL = 144  # bytes of a type 2 data area up to which dynamic lock bytes are where the standard has them by default
LOCKED_BY_ONE = 8  # bytes that one dynamic lock bit serves
MOST_LONG = 2048  # blocks of a type 5 memory; from 256 on the address has two bytes

_SECTORS = re.compile(r"sectors-([1-9][0-9]{0,2}x[1-9][0-9]?(?:\+[1-9][0-9]{0,2}x[1-9][0-9]?)*)")
_TYPE2 = re.compile(r"type2-([1-9][0-9]{1,3})")
_TYPE5 = re.compile(r"type5-([1-9][0-9]{0,4})x(4|8)")


@dataclass(frozen=True, kw_only=True)
class Reserved:
    """Bytes that hold no data: ``duty`` is manufacturer, trailer, container or locks."""

    duty: str
    at: range


@dataclass(frozen=True, kw_only=True)
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
    reserved: tuple[Reserved, ...]
    keys: bool = False
    serial: int = 4
    unit: str = "block"

    @property
    def blocks(self) -> int:
        """How many blocks there are."""
        return self.sectors[-1].stop

    @property
    def size(self) -> int:
        """Bytes of the whole memory."""
        return self.blocks * self.block_size

    @cached_property
    def duties(self) -> tuple[str, ...]:
        """The duty of each byte; empty for a free one."""
        found = [""] * self.size
        for each in self.reserved:
            found[each.at.start : each.at.stop] = [each.duty] * len(each.at)
        return tuple(found)

    @cached_property
    def data(self) -> tuple[int, ...]:
        """The free bytes, in order."""
        return tuple(at for at, duty in enumerate(self.duties) if not duty)

    @property
    def free(self) -> int:
        """How many bytes are free for data."""
        return len(self.data)

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

        >>> [list(group) for group in geometry("sectors-16x4").groups(1)]
        [[4], [5], [6], [7]]
        >>> geometry("sectors-32x4+8x16").groups(32)
        (range(128, 133), range(133, 138), range(138, 143), range(143, 144))
        """
        blocks = self.sectors[sector]
        step = (len(blocks) - 1) // 3
        starts = [blocks.start + step * i for i in range(3)]
        return (*(range(start, start + step) for start in starts), range(blocks.stop - 1, blocks.stop))

    def unit_of(self, at: int) -> tuple[int, int]:
        """What byte ``at`` shares its protection with: sector and group, or what one lock bit or command locks.

        >>> geometry("sectors-16x4").unit_of(70), geometry("type2-144").unit_of(72), geometry("type5-64x4").unit_of(9)
        ((1, 0), (1, 1), (0, 2))
        """
        block = at // self.block_size
        if self.keys:
            sector = self.sector_of(block)
            return sector, next(i for i, group in enumerate(self.groups(sector)) if block in group)
        if self.unit == "page" and at >= 4 * PAGE + STATIC:
            return 1, (at - 4 * PAGE - STATIC) // LOCKED_BY_ONE
        return 0, block

    def place(self, at: int) -> str:
        """A byte in words.

        >>> geometry("sectors-16x4").place(70), geometry("type2-144").place(17)
        ('sector 1 block 4 byte 6', 'page 4 byte 1')
        """
        block, byte = divmod(at, self.block_size)
        return f"{self.named(block)} byte {byte}"

    def named(self, block: int) -> str:
        """A block in words.

        >>> geometry("sectors-16x4").named(7)
        'sector 1 block 7'
        """
        return f"sector {self.sector_of(block)} block {block}" if self.keys else f"{self.unit} {block}"


def geometries() -> Iterator[Geometry]:
    """The common geometries; `geometry` builds any other of the same families."""
    return map(geometry, COMMON)


@lru_cache(maxsize=64)
def geometry(name: str) -> Geometry:
    """The geometry called ``name``; raises `DefinitionError` for a structure that cannot be."""
    if match := _SECTORS.fullmatch(name):
        return _sectors(name, [part.split("x") for part in match[1].split("+")])
    if match := _TYPE2.fullmatch(name):
        return _type2(name, int(match[1]))
    if match := _TYPE5.fullmatch(name):
        return _type5(name, int(match[1]), int(match[2]))
    raise DefinitionError(
        f"no geometry is called {redacted_repr(name)}; they are written as {', '.join(COMMON[1:4])} or {COMMON[-3]}"
        f"{nearest(name, COMMON)}"
    )


def _refuse(name: str, problem: str) -> DefinitionError:
    return DefinitionError(f"geometry {redacted_repr(name)}: {problem}")


def _sectors(name: str, parts: list[list[str]]) -> Geometry:
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
            Reserved(duty="manufacturer", at=range(SECTOR_BYTES)),
            *(Reserved(duty="trailer", at=range(b * SECTOR_BYTES, (b + 1) * SECTOR_BYTES)) for b in trailers),
        ),
    )  # fmt: skip


def _type2(name: str, free: int) -> Geometry:
    if free % LOCKED_BY_ONE or not STATIC <= free <= 255 * LOCKED_BY_ONE:
        raise _refuse(name, f"a data area has {STATIC} to {255 * LOCKED_BY_ONE} bytes, in steps of {LOCKED_BY_ONE}")
    end = 4 * PAGE + free
    locks = -(-(free - STATIC) // (LOCKED_BY_ONE * 8 * PAGE)) * PAGE  # bytes of dynamic locks, in whole pages
    pages = (end + locks) // PAGE
    reserved = [
        Reserved(duty="manufacturer", at=range(10)),
        Reserved(duty="locks", at=range(10, 12)),
        Reserved(duty="container", at=range(12, 16)),
    ]
    if locks:
        reserved.append(Reserved(duty="locks", at=range(end, end + locks)))
    return Geometry(
        name=name, title=f"pages of {PAGE} bytes, {free} bytes of data area, lock bytes, capability container",
        source="NFC Forum Type 2 Tag (secondary text and from memory)", block_size=PAGE, sectors=(range(pages),),
        reserved=tuple(reserved), serial=7, unit="page",
    )  # fmt: skip


def _type5(name: str, blocks: int, size: int) -> Geometry:
    if not 2 <= blocks <= MOST_LONG:
        raise _refuse(name, f"{blocks} blocks, expected 2 to {MOST_LONG}")
    container = 8 if (blocks * size - 8) // 8 > 255 else 4  # one of 4 bytes counts its area in one byte
    return Geometry(
        name=name, title=f"{blocks} blocks of {size} bytes, locked one by one; the capability container opens block 0",
        source="NFC Forum Type 5 Tag (secondary text and from memory)", block_size=size, sectors=(range(blocks),),
        reserved=(Reserved(duty="container", at=range(container)),), serial=8,
    )  # fmt: skip
