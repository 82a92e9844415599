"""Blocks of bits that repeat another block of the frame, or are its complement.

Two bits that change together prove nothing: they may be the high bits of one number. A block of neighbours that repeats
another bit by bit, in many patterns, is a check.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from math import log2

from credkit.discover.checkrecords import BlockCheck
from credkit.discover.evidence import LIKELY_BITS, count_patterns, log2_choose
from credkit.discover.gf2 import columns

FEWEST_BITS = 3  # of a block
MOST_EXACT_BITS = 12  # of a block, whose patterns are counted out of all that there are


def find_copies(frames: Sequence[int], length: int, data_bits: Collection[int] = ()) -> tuple[BlockCheck, ...]:
    """The blocks that repeat or complement an earlier one; ``data_bits`` are not taken for a check.

    A block may repeat one that is itself a repetition.

    >>> found = find_copies([(key ^ 15) << 4 | key for key in range(12)], 8)
    >>> [(check.at, check.covers, check.constant) for check in found]
    [((4, 5, 6, 7), (0, 1, 2, 3), 15)]
    """
    values = columns(frames, length)
    one = (1 << len(frames)) - 1
    found: list[BlockCheck] = []
    taken: set[int] = set()
    for first, size, shift, other in sorted(_repeats(values, one), key=lambda each: -each[1]):
        early, late = tuple(range(first, first + size)), tuple(range(first + shift, first + shift + size))
        at, covers = (early, late) if set(data_bits) & set(late) else (late, early)
        if taken & {*at} or set(data_bits) & set(at):
            continue
        word = sum(1 << (length - 1 - place) for place in (*at, *covers))
        evidence = _tested(size, count_patterns(frames, word)) - 3 * log2(length) - 1
        if evidence >= LIKELY_BITS:
            taken |= {*at}
            constant = (1 << size) - 1 if other else 0
            found.append(
                BlockCheck(
                    kind="xor", length=length, at=at, covers=covers, evidence=evidence, block=size, constant=constant
                )
            )
    return tuple(found)


def _repeats(values: Sequence[int], one: int) -> Iterator[tuple[int, int, int, bool]]:
    """Where a block begins, its size, how far behind it is repeated, and whether as its complement."""
    length = len(values)
    for shift in range(FEWEST_BITS, length):
        for sign in (0, one):
            size = 0
            for place in range(length - shift + 1):
                same = (
                    place < length - shift
                    and values[place] not in (0, one)
                    and values[place] ^ values[place + shift] == sign
                )
                if same and size < shift:
                    size += 1
                    continue
                if size >= FEWEST_BITS:
                    yield place - size, size, shift, bool(sign)
                size = int(same)


def _tested(size: int, patterns: int) -> float:
    """How surprising it is that ``patterns`` different patterns of two blocks are all of equal blocks, in bits."""
    if size > MOST_EXACT_BITS:
        return size * (patterns - 1.0)
    most = 1 << size
    return log2_choose(most * most, patterns) - log2_choose(most, min(patterns, most)) - size
