"""Changes: since when a reader fails with another share of its rows, and until when.

The simplest statement that is honest. Rows and failing rows are counted over time; of two shares,
one before a moment and one from then on, against a single share throughout, the gain in binomial
likelihood is taken at every moment, and the best one is a change if the gain is too large for
chance. It looks both ways: a reader can begin to fail, or stop. Failures come in bursts, so the gain is divided by
how much the counts scatter beyond what the binomial law allows. Then both sides are searched again.

An outage that ends moves neither side's share far. So a stretch is looked for as well: the counts in
a row that gain most if they fail with odds so many times those of all. For each of these odds that is
the largest sum of neighbours, found in one pass. If it gains more than a moment does, its two ends are
changes. From any start on, such a likelihood ratio ever reaches c with a chance of 1 / c at most, so having
looked at all stretches costs a factor of all starts and all odds. No count alone says more than
`MOST_GAIN_OF_ONE_COUNT`: somebody who tries a bad card again and again is no outage. At last, what is no change
between its neighbours is taken out.

Source: Kish, Survey Sampling, on the design effect of clusters; Ville's inequality for likelihood
ratios (both from memory).
"""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise
from math import log
from typing import Any

import numpy as np

from credkit.audit.summary import RateChange
from credkit.bulk.words import Array

FALSE_CHANGE_PROBABILITY = 1e-4  # of a change where there is none, for one reader, if rows fail independently
LEAST_ROWS = 20  # on either side of a change
LEAST_DIFFERENCE = 0.01  # between the two shares, and the larger at least twice the smaller or 10 points more
MOST_CHANGES = 16  # changes of one reader; one that changes more often has no one time since when
ODDS = (4, 16, 64, 256, 4096)  # times those of all rows, in a stretch that is looked for
MOST_GAIN_OF_ONE_COUNT = 6.0  # nats that one count can say at most: one in 400 is as bad for reasons of its own


def find_changes(starts: Array, rows: Array, failing: Array) -> tuple[RateChange, ...] | None:
    """The changes in a reader's counts, in the order of time; None where it changes again and again.

    ``starts`` are the seconds since 1970 at which what is counted begins.
    """
    rows, failing = rows.astype(float), failing.astype(float)
    size = len(rows)
    found: dict[int, float] = {}
    waiting = [(0, size)]
    while waiting and len(found) <= MOST_CHANGES:
        start, stop = waiting.pop()
        places, evidence = _find_cuts(rows[start:stop], failing[start:stop], size)
        places = [start + place for place in places]
        found |= dict.fromkeys(places, evidence)
        waiting += pairwise([start, *places, stop]) if places else []
    if len(found) > MOST_CHANGES:
        return None
    _drop_weak_changes(found, rows, failing)
    ends = [0, *sorted(found), size]
    shares = [failing[a:b].sum() / rows[a:b].sum() for a, b in pairwise(ends)] if size else []
    return tuple(
        RateChange(
            since=datetime.fromtimestamp(int(starts[place]), UTC), evidence=found[place],
            before=float(shares[number]), after=float(shares[number + 1]),
        )
        for number, place in enumerate(sorted(found))
    )  # fmt: skip


def _find_cuts(rows: Array, failing: Array, bins: int) -> tuple[list[int], float]:
    """The places that split counts into parts of different rates, and the gain; none within chance."""
    if _gain_bound(float(rows.sum()), float(failing.sum())) <= log(max(bins, 2) / FALSE_CHANGE_PROBABILITY):
        return [], 0.0
    split, stretch = _best_split(rows, failing, bins), _best_interval(rows, failing, bins)
    if stretch is not None and (split is None or stretch[2] > split[1]):
        return [place for place in stretch[:2] if 0 < place < len(rows)], stretch[2]
    return ([], 0.0) if split is None else ([split[0]], split[1])


def _gain_bound(rows: float, failing: float) -> float:
    """An upper bound of every gain: as if it were known of every row whether it fails."""
    share = (failing + 0.5) / (rows + 1)
    return -failing * log(share) - (rows - failing) * log(1 - share)


def _best_split(rows: Array, failing: Array, bins: int) -> tuple[int, float] | None:
    """The best place to cut, and what it gains; None if no cut is beyond chance."""
    if len(rows) < 2:
        return None
    n, f = np.cumsum(rows), np.cumsum(failing)
    before, after = n[:-1], n[-1] - n[:-1]
    gains = (
        _best_likelihood(f[:-1], before) + _best_likelihood(f[-1] - f[:-1], after) - _best_likelihood(f[-1:], n[-1:])
    )
    gains[(before < LEAST_ROWS) | (after < LEAST_ROWS)] = 0.0
    place, least = int(gains.argmax()) + 1, log(max(bins, 2) / FALSE_CHANGE_PROBABILITY)
    gain = _split_gain(rows, failing, place) if gains[place - 1] > least else 0.0  # it is no more than that
    return (place, gain) if gain > least else None


def _split_gain(rows: Array, failing: Array, place: int) -> float:
    """The gain of a split, corrected for bursts; 0 where the rates hardly differ."""
    first = np.arange(len(rows)) < place
    one, other = (failing[side].sum() / rows[side].sum() for side in (first, ~first))
    if not _is_worth_stating(one, other):
        return 0.0
    gains = _gains(rows, failing, np.where(first, one, other), failing.sum() / rows.sum())
    return float(np.minimum(gains / _scatter(rows, failing, first), MOST_GAIN_OF_ONE_COUNT).sum())


def _drop_weak_changes(found: dict[int, float], rows: Array, failing: Array) -> None:
    """Take out what is no change any more between those found beside it, the weakest first."""
    while found:
        ends = [0, *sorted(found), len(rows)]
        gains = {
            place: _split_gain(rows[start:stop], failing[start:stop], place - start)
            for start, place, stop in zip(ends, ends[1:], ends[2:], strict=False)
        }
        weakest = min(gains, key=gains.__getitem__)
        if gains[weakest] > log(len(rows) / FALSE_CHANGE_PROBABILITY):
            return
        del found[weakest]


def _best_interval(rows: Array, failing: Array, bins: int) -> tuple[int, int, float] | None:
    """The first and last end of the best stretch, and what it gains; None if none is beyond chance."""
    if len(rows) < 2:
        return None
    least = log(max(bins, 2) * len(ODDS) / FALSE_CHANGE_PROBABILITY)
    start, stop, _, gains, most = _best_rise(rows, failing, 1.0, MOST_GAIN_OF_ONE_COUNT)
    if most <= least:
        return None
    apart = np.zeros(len(rows), bool)
    apart[start:stop] = True
    scatter = _scatter(rows, failing, apart)
    strange = int((gains[~apart] / scatter > MOST_GAIN_OF_ONE_COUNT / 2).sum())  # elsewhere: with reasons of their own
    start, stop, gain, *_ = _best_rise(
        rows, failing, scatter, min(MOST_GAIN_OF_ONE_COUNT, log(len(rows) / (strange + 1)))
    )
    inside = slice(start, stop)
    others = rows.sum() - rows[inside].sum()
    if others < LEAST_ROWS or gain <= least:
        return None
    share, rest = failing[inside].sum() / rows[inside].sum(), (failing.sum() - failing[inside].sum() + 0.5) / others
    first, last, _ = _largest_sum(
        _gains(rows[inside], failing[inside], share, rest)
    )  # without what only stands beside it
    return (start + first, start + last, gain) if _is_worth_stating(share, rest) else None


def _best_rise(rows: Array, failing: Array, scatter: float, alone: float) -> tuple[int, int, float, Array, float]:
    """The stretch that gains most, with any of the `ODDS`: from where to where, how much, and each count's gain.

    The last value is what none gains more than where counts scatter as much or more, whatever one alone may say.
    """
    share = (failing.sum() + 0.5) / (rows.sum() + 1)
    found = 0, len(rows), 0.0, np.zeros(len(rows))
    most = 0.0
    for odds in ODDS:
        gains = _gains(rows, failing, odds * share / (1 - share + odds * share), share)
        start, stop, rise = _largest_sum(np.minimum(gains / scatter, alone))
        most = max(most, rise if gains.max() <= alone * scatter else _largest_sum(gains)[2])
        if rise > found[2]:
            found = start, stop, rise, gains
    return *found, most


def _largest_sum(gains: Array) -> tuple[int, int, float]:
    """The neighbours with the largest sum: from where to where, and their sum."""
    sums = np.concatenate([[0.0], np.cumsum(gains)])
    rises = sums - np.minimum.accumulate(sums)
    stop = int(rises.argmax())
    return int(sums[: stop + 1].argmin()), stop, float(rises[stop])


def _gains(rows: Array, failing: Array, share: Any, other: Any) -> Array:
    """For each count, the logarithm of how much likelier it is with one share than with an ``other``."""
    gains: Array = failing * (_log(share) - _log(other)) + (rows - failing) * (_log(1.0 - share) - _log(1.0 - other))
    return gains


def _is_worth_stating(one: float, other: float) -> bool:
    """Whether two shares are so far apart that it is worth saying."""
    low, high = sorted((one, other))
    return high - low >= LEAST_DIFFERENCE and (high >= 2 * low or high - low >= 0.1)


def _best_likelihood(failing: Array, rows: Array) -> Array:
    """The binomial log likelihood of a share, at its best."""
    return _likelihood(failing, rows, np.divide(failing, rows, out=np.zeros_like(failing), where=rows > 0))


def _likelihood(failing: Array, rows: Array, share: Any) -> Array:
    """The binomial log likelihood of counts; a share of none or all is that of counts without or with nothing else."""
    total: Array = failing * _log(share) + (rows - failing) * _log(1.0 - share)
    return total


def _log(share: Any) -> Any:
    """The logarithm; 0 for a share of none."""
    if isinstance(share, np.ndarray):
        return np.log(np.where(share > 0, share, 1.0))
    return log(share) if share > 0 else 0.0


def _scatter(rows: Array, failing: Array, apart: Array) -> float:
    """How much the counts that are ``apart``, and the others, scatter, in units of the binomial law; at least 1."""
    found = expected = 0.0
    for side in (apart, ~apart):
        share = failing[side].sum() / rows[side].sum() if side.any() else 0.0
        found += float(((failing[side] - rows[side] * share) ** 2).sum())
        expected += float(rows[side].sum() * share * (1 - share))
    return max(1.0, found / expected * len(rows) / max(1, len(rows) - 2)) if expected else 1.0
