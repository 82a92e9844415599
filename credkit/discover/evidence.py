"""How sure a claim is: what the frames test, less what the search has tried.

A relation among bits is tested by the different patterns that its bits show, not by the number of frames: the high bits
of a hundred consecutive numbers show two or three. Each pattern would break an accidental relation with a probability
of about one half. `tested_bits` counts that exactly; taken off is what it costs to describe the relation. Few bits show
few patterns however many cards there are. Their patterns count again when they return in another box, and boxes are
counted with care: by how often the bits change in the order in which they change least (`count_runs`).
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import ceil, lgamma, log
from typing import Literal, NamedTuple, TypeAlias

ESTABLISHED_BITS = 20.0  # chance makes one such claim in a million searches
LIKELY_BITS = 10.0  # one in a thousand
POSSIBLE_BITS = 3.0
Confidence: TypeAlias = Literal["established", "likely", "possible"]


def confidence_of(bits: float) -> Confidence | None:
    """The word for so many bits of evidence, or None where there is none worth a word.

    >>> confidence_of(25), confidence_of(12), confidence_of(4), confidence_of(0)
    ('established', 'likely', 'possible', None)
    """
    if bits >= ESTABLISHED_BITS:
        return "established"
    if bits >= LIKELY_BITS:
        return "likely"
    return "possible" if bits >= POSSIBLE_BITS else None


def samples_missing(bits: float, wanted: float = ESTABLISHED_BITS) -> int:
    """How many more frames of unlike cards a claim with so many bits of evidence needs: one bit each.

    >>> samples_missing(11.5), samples_missing(30)
    (9, 0)
    """
    return max(0, ceil(wanted - bits))


def log2_choose(of: int, chosen: int) -> float:
    """The binary logarithm of the number of ways to choose.

    >>> round(log2_choose(16, 8), 2)
    13.65
    """
    return (lgamma(of + 1) - lgamma(chosen + 1) - lgamma(of - chosen + 1)) / log(2)


EXACT_WIDTH = 24  # bits; of a wider relation each pattern is one test, to any precision that matters


def tested_bits(width: int, patterns: int) -> float:
    """How surprising it is that ``patterns`` different patterns of ``width`` bits all have one parity, odd or even.

    >>> round(tested_bits(2, 2), 1), round(tested_bits(4, 8), 1), round(tested_bits(17, 20), 1)
    (1.6, 12.7, 19.0)
    """
    if patterns < 1 or width < 1:
        return 0.0
    if width > EXACT_WIDTH:
        return patterns - 1.0
    one = 1 << (width - 1)
    return max(0.0, log2_choose(2 * one, patterns) - log2_choose(one, min(patterns, one)) - 1)


RUNS_PER_BOX = 2  # at most: a bit in front that changes often parts the cards of one box
MOST_SEPARATED = 8  # bits of a relation of which every pattern may be seen again and again
FEWEST_SEPARATED = 5  # bits of a relation whose runs count: four facility codes often have a relation of three bits


def count_runs(frames: Sequence[int], length: int, word_mask: int) -> int:
    """How often the bits of ``word_mask`` change from frame to frame, in the order in which they change least.

    The orders are that of the frames, and those by the other bits, from the first one and from the last one: where the
    cards are from a few boxes, one of them keeps the boxes together.

    >>> count_runs([0b000, 0b001, 0b110, 0b111], 3, 0b100)
    2
    """
    other = ((1 << length) - 1) & ~word_mask
    forwards = sorted(frames, key=lambda frame: frame & other)
    backwards = sorted(frames, key=lambda frame: f"{frame & other:0{length}b}"[::-1])
    return min(1 + sum((a ^ b) & word_mask != 0 for a, b in pairwise(order)) for order in (frames, forwards, backwards))


def count_patterns(frames: Sequence[int], word_mask: int) -> int:
    """How many different patterns the frames show in the bits of ``word_mask``."""
    return len({frame & word_mask for frame in frames})


class Tested(NamedTuple):
    """How many patterns the bits of a relation show, and how many bits of evidence that is."""

    patterns: int
    bits: float


def weigh_patterns(frames: Sequence[int], length: int, word_mask: int, fewest: int = FEWEST_SEPARATED) -> Tested:
    """How much ``frames`` test a relation over the bits of ``word_mask``; runs count from ``fewest`` bits on.

    >>> frames = [n << 1 | n.bit_count() & 1 for n in range(8)]
    >>> weigh_patterns(frames, 4, 15).patterns
    8
    """
    width, patterns = word_mask.bit_count(), count_patterns(frames, word_mask)
    bits = tested_bits(width, patterns)
    if fewest <= width <= MOST_SEPARATED and patterns == 1 << (width - 1):
        bits = max(bits, count_runs(frames, length, word_mask) / RUNS_PER_BOX - 1)
    return Tested(patterns, bits)
