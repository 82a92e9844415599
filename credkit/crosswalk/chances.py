"""Chances: how many duplicates numbers have that are drawn uniformly at random.

The cards of a box are not drawn at random: consecutive numbers are never duplicates, and numbers that are
truncated or made up anew are so more often. The arithmetic says what chance alone would do, to hold beside what
was found.

Source: the birthday problem, general arithmetic.
"""

from __future__ import annotations

from math import expm1, log1p

MOST_NUMBERS_SUMMED = 100_000  # numbers whose chance is summed term by term


def expected_pairs(count: int, bits: float) -> float:
    """The expected number of duplicate pairs among ``count`` random numbers of ``bits`` bits.

    >>> round(expected_pairs(1_000_000, 32), 1)
    116.4
    """
    return count * (count - 1) / 2 * float(2.0**-bits)


def duplicate_probability(count: int, bits: float) -> float:
    """The probability that any two of ``count`` random numbers of ``bits`` bits are alike.

    >>> f"{duplicate_probability(10_000, 32):.3%}"
    '1.157%'
    """
    room = 2.0 ** min(bits, 1000)
    if count > room:
        return 1.0
    if count > MOST_NUMBERS_SUMMED:
        return -expm1(-expected_pairs(count, bits))
    return 0.0 - expm1(sum(log1p(-place / room) for place in range(count)))
