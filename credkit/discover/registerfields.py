"""Where registered numbers stand in frames, when nobody knows which card gave which frame.

Every stretch of bits that `credkit.discover.knownfields` tries is tried here: one fits if its values are registered
numbers beyond chance. Then each frame has a known number, and the search for a layout can place it.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from math import log2

from credkit.discover.evidence import log2_choose
from credkit.discover.knownfields import Stretch, decode_stretch, stretches

SAMPLED_FRAMES = 48  # that every stretch is tried on
FEWEST_VALUES = 5  # different ones in a stretch
SAMPLE_SHARE = 0.5  # of the sampled frames whose stretch must be registered


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisteredField:
    """A stretch whose values are registered numbers: ``numbers`` has one for each frame, None where it is none.

    ``evidence`` counts the bits beyond chance, less what the search has tried.
    """

    numbers: tuple[int | None, ...]
    evidence: float


def find_registered(
    frames: Sequence[int], length: int, columns: Sequence[frozenset[int]], tried: int = 1
) -> dict[int, RegisteredField]:
    """The stretch of ``frames`` that has the numbers of each of ``columns`` best, by place of the column.

    ``tried`` is how many such searches are made. A column that no stretch has beyond chance is absent.

    >>> frames = [9 << 24 | n * n * 7919 % 65536 << 8 | n % 256 for n in range(1000, 1060)]
    >>> register = frozenset(n * n * 7919 % 65536 for n in range(1000, 1300))
    >>> found = find_registered(frames, 32, [register, frozenset(range(70000, 70300))])
    >>> [*found], found[0].numbers == tuple(frame >> 8 & 65535 for frame in frames)
    ([0], True)
    """  # fmt: skip
    sample = frames[:: max(1, -(-len(frames) // SAMPLED_FRAMES))]
    still = _always_zero(sample, length)
    best: dict[int, tuple[int, int, Stretch]] = {}
    count = 0
    for stretch in stretches(length):
        count += 1
        if stretch.coding == "binary" and stretch.places[0] in still:
            continue  # a narrower stretch has the same values
        values = [decode_stretch(stretch, frame, length) for frame in sample]
        if len(set(values)) < FEWEST_VALUES:
            continue
        for place, column in enumerate(columns):
            hits = sum(value in column for value in values)
            if hits >= max(FEWEST_VALUES, SAMPLE_SHARE * len(sample)):
                rank = (hits, -len(stretch.places))
                if place not in best or rank > best[place][:2]:
                    best[place] = (*rank, stretch)
    cost = log2(count * len(columns) * tried) if best else 0.0
    found = {}
    for place, (_, _, stretch) in best.items():
        values = [decode_stretch(stretch, frame, length) for frame in frames]
        numbers = tuple(value if value in columns[place] else None for value in values)
        size = 10 ** (len(stretch.places) // 4) if stretch.coding == "bcd" else 1 << len(stretch.places)
        bits = registered_evidence({value for value in values if value is not None}, columns[place], size) - cost
        if bits > 0:
            found[place] = RegisteredField(numbers=numbers, evidence=bits)
    return found


def registered_evidence(values: set[int], registered: frozenset[int], size: int) -> float:
    """How many bits it is worth that so many of ``values``, of ``size`` possible ones, are registered.

    The first is worth the share of registered ones among the possible ones; each other one their share as far around
    it as the one before is away: nothing in a box that is registered whole. Which of the values are registered
    and which are not must be described, too.

    >>> box = frozenset(range(5000, 6000))
    >>> round(registered_evidence({*range(5100, 5200)}, box, 1 << 16), 1)
    6.0
    >>> registered_evidence({*range(0, 65536, 655)}, box, 1 << 16) < 0
    True
    """
    ordered = sorted(number for number in registered if 0 <= number < size)
    hits = sorted(values & registered)
    total, before = 0.0, None
    for hit in hits:
        if before is None:
            total += log2(size / len(ordered))
        else:
            low, high = max(0, before), min(size - 1, 2 * hit - before)
            near = bisect_right(ordered, high) - bisect_left(ordered, low)
            total += log2((high - low + 1) / near)
        before = hit
    return total - log2_choose(len(values), len(hits))


def _always_zero(frames: Sequence[int], length: int) -> set[int]:
    """The bits that are zero in every frame."""
    seen = 0
    for frame in frames:
        seen |= frame
    return {place for place in range(length) if not seen >> (length - 1 - place) & 1}
