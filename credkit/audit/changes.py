"""Changes: since when a reader fails with another share of its rows.

The simplest statement that is honest. Rows and failing rows are counted over time; of two shares,
one before a moment and one from then on, against a single share throughout, the gain in binomial
likelihood is taken at every moment, and the best one is a change if the gain is too large for
chance. It looks both ways: a reader can begin to fail, or stop. Failures come in bursts, so the gain is divided by
how much the counts scatter beyond what the binomial law allows. Then both sides are searched again.
The last change is the one that says since when.

Source: McCullagh and Nelder, Generalized Linear Models, section 4.5, on overdispersion (from memory).
"""

from __future__ import annotations

from itertools import pairwise
from math import log

import numpy as np

from credkit.audit.summary import Change, Counts
from credkit.bulk.words import Array

CHANCE = 1e-4  # of a change where there is none, for one reader, if rows fail independently
LEAST_ROWS = 20  # on either side of a change
LEAST_DIFFERENCE = 0.01  # between the two shares, and the larger at least twice the smaller or 10 points more
MOST = 8  # changes of one reader; one that changes more often has no one time since when


def changes(counts: Counts) -> tuple[Change, ...]:
    """The changes in a reader's counts, in the order of time; none where it changes again and again."""
    rows, failing = np.array(counts.rows, float), np.array(counts.failing, float)
    size = len(rows)
    found: dict[int, float] = {}
    waiting = [(0, size)]
    while waiting and len(found) <= MOST:
        start, stop = waiting.pop()
        split = _split(rows[start:stop], failing[start:stop], size)
        if split is not None:
            place, evidence = start + split[0], split[1]
            found[place] = evidence
            waiting += [(start, place), (place, stop)]
    if len(found) > MOST:
        return ()
    ends = [0, *sorted(found), size]
    shares = [failing[a:b].sum() / rows[a:b].sum() for a, b in pairwise(ends)] if size else []
    return tuple(
        Change(
            since=counts.start(place), before=float(shares[number]), after=float(shares[number + 1]),
            evidence=found[place],
        )
        for number, place in enumerate(sorted(found))
    )  # fmt: skip


def _split(rows: Array, failing: Array, bins: int) -> tuple[int, float] | None:
    """The best place to cut, and what it gains; None if no cut is beyond chance."""
    if len(rows) < 2:
        return None
    n, f = np.cumsum(rows), np.cumsum(failing)
    before, after = n[:-1], n[-1] - n[:-1]
    gains = _fit(f[:-1], before) + _fit(f[-1] - f[:-1], after) - _fit(f[-1:], n[-1:])
    gains[(before < LEAST_ROWS) | (after < LEAST_ROWS)] = 0.0
    place = int(gains.argmax()) + 1
    one, other = f[place - 1] / before[place - 1], (f[-1] - f[place - 1]) / after[place - 1]
    low, high = sorted((one, other))
    if high - low < LEAST_DIFFERENCE or (high < 2 * low and high - low < 0.1):
        return None
    gain = float(gains[place - 1]) / _scatter(rows, failing, place)
    return (place, gain) if gain > log(max(bins, 2) / CHANCE) else None


def _fit(failing: Array, rows: Array) -> Array:
    """The binomial log likelihood of a share, at its best."""
    share = np.divide(failing, rows, out=np.zeros_like(failing), where=rows > 0)
    good = 1.0 - share
    wrong: Array = failing * np.log(np.where(share > 0, share, 1.0))
    right: Array = (rows - failing) * np.log(np.where(good > 0, good, 1.0))
    total: Array = wrong + right
    return total


def _scatter(rows: Array, failing: Array, place: int) -> float:
    """How much the counts on both sides of a cut scatter, in units of the binomial law; at least 1."""
    total = 0.0
    for side in (slice(0, place), slice(place, None)):
        share = failing[side].sum() / rows[side].sum()
        if 0 < share < 1:
            expected = rows[side] * share
            total += float(((failing[side] - expected) ** 2 / (expected * (1 - share))).sum())
    return max(1.0, total / max(1, len(rows) - 2))
