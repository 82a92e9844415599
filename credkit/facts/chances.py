"""Chances: how many duplicates numbers have that are drawn uniformly at random.

The cards of a box are not drawn at random: consecutive numbers are never duplicates, and numbers that are
truncated or made up anew are so more often. The arithmetic says what chance alone would do, to hold beside what
was found.

Source: the birthday problem, general arithmetic.
"""

from __future__ import annotations

from math import exp, expm1, lgamma, log, log1p

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


def binomial_tail(hits: int, tries: int, chance: float) -> float:
    """The probability of at least ``hits`` in so many independent ``tries`` that hit by ``chance``.

    >>> round(binomial_tail(9, 10, 0.5), 6)  # 11 of 1,024
    0.010742
    """
    if hits <= 0 or chance >= 1:
        return 1.0
    if chance <= 0 or hits > tries:
        return 0.0
    most = log(chance), log1p(-chance), lgamma(tries + 1)
    terms = (
        most[2] - lgamma(count + 1) - lgamma(tries - count + 1) + count * most[0] + (tries - count) * most[1]
        for count in range(hits, tries + 1)
    )
    return min(1.0, sum(map(exp, terms)))
