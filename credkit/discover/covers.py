"""Regular covers: the sets of bits that a parity bit usually covers, and what a description of one costs in bits.

A parity bit covers a stretch of bits, or every second, third … bit of one. The fewer bits it takes to describe a
relation, the fewer other relations are as simple, and the fewer frames rule out chance: `description_bits` counts what
the search has tried.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import comb, log2
from typing import Literal, TypeAlias

from credkit.discover.gf2 import positions_of

LONGEST_PERIOD = 8  # bits of a pattern that repeats
MIXED_PATTERNS = ((3, (0, 1)), (4, (0, 1)))  # two neighbours of each three, of each four
PATTERNS = 1 + (LONGEST_PERIOD - 1) + len(MIXED_PATTERNS)
FEWEST_COVERED = 2  # bits; a parity over one bit is a copy of it

Kind: TypeAlias = Literal["contiguous", "interleaved", "irregular"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cover:
    """One way to state a relation: the ``bit`` that is the parity of the bits it ``covers``."""

    bit: int
    covers: tuple[int, ...]
    kind: Kind
    cost: float  # bits that describe it

    @property
    def places(self) -> tuple[int, ...]:
        """Every bit of the relation."""
        return tuple(sorted((self.bit, *self.covers)))


def regular_sets(values: Sequence[int], longest_period: int = LONGEST_PERIOD) -> Iterator[tuple[int, int, Kind]]:
    """Every regular set of positions: the set as a mask, the sum of the ``values`` at its positions, its kind.

    Patterns of more than ``longest_period`` bits are left out.

    >>> [(f"{mask:b}", kind) for mask, _, kind in regular_sets([1, 2, 4])]
    [('11', 'contiguous'), ('111', 'contiguous'), ('110', 'contiguous'), ('101', 'interleaved')]
    """
    length = len(values)
    for first in range(length):
        mask = total = 0
        for place in range(first, length):
            mask |= 1 << place
            total ^= values[place]
            if place - first + 1 >= FEWEST_COVERED:
                yield mask, total, "contiguous"
    for period, phases in (*((period, (0,)) for period in range(2, LONGEST_PERIOD + 1)), *MIXED_PATTERNS):
        if period > longest_period:
            continue
        for start in range(length):
            mask = total = count = 0
            for place in range(start, length):
                if (place - start) % period in phases:
                    mask |= 1 << place
                    total ^= values[place]
                    count += 1
                    if count >= FEWEST_COVERED and (mask + (mask & -mask)) & mask:  # with a gap
                        yield mask, total, "interleaved"


def description_bits(length: int, bit: int, mask: int, kind: Kind, varying: int) -> float:
    """How many bits describe that the parity at ``bit`` covers ``mask``, a set of that ``kind``.

    ``varying`` is how many bits of the frames vary: only so many places can be told apart.
    """
    places = log2(max(2, varying))
    own = 2.0 if bit in (0, length - 1) else 1 + places
    if kind == "contiguous":
        first, last = (mask & -mask).bit_length() - 1, mask.bit_length() - 1
        if distance_from_half(length, bit, positions_of(mask)) == 0:
            return own + 2
        if first - 1 <= bit <= last + 1:
            return own + 1 + places
        return own + 2 + 2 * places - 1
    if kind == "interleaved":
        return own + 2 + log2(PATTERNS) + 2 * places
    return own + 2 + places + log2(comb(max(varying, 1), min(mask.bit_count(), varying)))


def covers_of(length: int, mask: int, kind: Kind, varying_mask: int, *, extra: int | None = None) -> list[Cover]:
    """The ways to read a relation over the regular set ``mask``, and over the bit ``extra`` beside it if there is one.

    Without one, the parity bit is at an end of the set; it varies in any case.
    """
    varying = varying_mask.bit_count()
    if extra is not None:
        bits = [extra]
    else:
        places = positions_of(mask)
        bits = [place for place in dict.fromkeys((places[0], places[-1])) if varying_mask >> place & 1]
    return [
        Cover(
            bit=bit, covers=positions_of(mask & ~(1 << bit)), kind=kind,
            cost=description_bits(length, bit, mask & ~(1 << bit), kind, varying),
        )
        for bit in bits
        if (mask & ~(1 << bit)).bit_count() >= FEWEST_COVERED
    ]  # fmt: skip


def distance_from_half(length: int, bit: int, covers: Sequence[int]) -> int:
    """How far a contiguous cover is from the half of the frame beside its parity bit, which is at an end.

    >>> [distance_from_half(*each) for each in ((26, 0, range(1, 13)), (37, 36, range(18, 36)), (26, 0, range(1, 9)))]
    [0, 0, 4]
    """
    if bit == 0:
        return abs(covers[-1] - (length - 1) // 2) + abs(covers[0] - 1)
    if bit == length - 1:
        return abs(covers[0] - length // 2) + abs(covers[-1] - (length - 2))
    return length
