"""Shares: which readers fail most, when some have few rows."""

from __future__ import annotations

from collections.abc import Iterable
from math import sqrt

from credkit.audit.summary import ReaderCount

CONFIDENCE_DEVIATIONS = 1.96  # standard deviations: a chance of 1 in 40 that the share is lower


def lower_bound(failing: int, rows: int) -> float:
    """The share that fails at least, if ``failing`` of ``rows`` did: few rows say little.

    Source: Wilson (1927), the lower end of the interval, at 95 % (from memory).

    >>> [round(lower_bound(*each), 3) for each in [(8, 91), (136, 1939), (5, 5), (0, 9)]]
    [0.045, 0.06, 0.566, 0.0]
    """
    if not failing:
        return 0.0
    share, square = failing / rows, CONFIDENCE_DEVIATIONS * CONFIDENCE_DEVIATIONS / rows
    return (share + square / 2 - CONFIDENCE_DEVIATIONS * sqrt(share * (1 - share) / rows + square / (4 * rows))) / (
        1 + square
    )


def rank_failing(readers: Iterable[ReaderCount]) -> list[ReaderCount]:
    """The readers that fail, those first that fail most often, as far as their rows can tell."""
    return sorted((each for each in readers if each.failing), key=lambda each: -lower_bound(each.failing, each.rows))
