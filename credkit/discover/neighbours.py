"""Neighbours: whether two texts look like two cards of one box instead of one card.

Cards of one box have numbers that follow each other, so one of them agrees with bits of the next wherever no carry
goes: nearly everywhere. From one pair that cannot be told from one card whose reader leaves out the last bits.

Source: common practice, no source.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from math import log2
from typing import NamedTuple

from credkit.discover.agreements import NEIGHBOUR_BITS
from credkit.discover.wordseries import WordSeries

FEWEST_BITS = 12  # of a number that may have neighbours


def neighbour_evidence(first: Sequence[WordSeries], second: Sequence[WordSeries]) -> float:
    """The evidence, in bits, that the first texts of two readers are of neighbours; 0.0 if none are near each other.

    >>> from credkit.discover.pairsides import PairSide
    >>> near, far = ([PairSide([text]).series for text in texts] for texts in (("81065", "81066"), ("81065", "7")))
    >>> round(neighbour_evidence(*near)), neighbour_evidence(*far)
    (14, 0.0)
    """
    lengths = sorted({each.length for each in (*first, *second) if each.length >= FEWEST_BITS})
    home: dict[tuple[int, int], list[_Number]] = defaultdict(list)
    for each in _numbers(first, lengths):
        home[each.length, each.value >> NEIGHBOUR_BITS].append(each)
    best = 0.0
    for each in _numbers(second, lengths):
        for place in (-1, 0, 1):
            for other in home.get((each.length, (each.value >> NEIGHBOUR_BITS) + place), ()):
                apart = abs(each.value - other.value)
                if apart >> max(each.padding, other.padding) and apart < 1 << NEIGHBOUR_BITS:
                    ones = (1 << each.length) - 1  # zeros before a number, inverted or not, say nothing
                    sizes = (max(each.value, other.value), ones - min(each.value, other.value))
                    same = min(sizes).bit_length() - log2(apart + 1)
                    best = max(best, same - each.cost - other.cost)
    return best


class _Number(NamedTuple):
    """Bits of a text as a number: what its chain costs, and how many zeros behind it no number has."""

    value: int
    length: int
    cost: float
    padding: int


def _numbers(series: Iterable[WordSeries], lengths: Sequence[int]) -> Iterator[_Number]:
    """The first word of every series, and its first and last bits."""
    for each in series:
        if each.is_template:
            continue
        word, padding = each.words[0], 0
        if "decimal:" in each.chain and "/reverse-" in each.chain:  # zeros before the number are the last bits now
            bare = word ^ ((1 << each.length) - 1) if "/invert" in each.chain else word
            padding = (bare & -bare).bit_length() - 1
            if "/reverse-bits" not in each.chain or "/reverse-bits-in-bytes" in each.chain:
                padding -= padding % 8
        is_counted = "decimal:" in each.chain and "/reverse-" not in each.chain
        for length in lengths:
            is_usual = length % 8 == 0 or length == each.length or is_counted  # else parity bits pass for a last digit
            if length <= each.length and is_usual:
                for start in {0, each.length - length}:
                    value = word >> start & ((1 << length) - 1)
                    yield _Number(value, length, each.cost, max(0, padding - start))
