"""Repeats: rows within a second behind a row of the same reader with the same text, by their times.

Rows are compared with those at most `MOST_ROWS_BETWEEN` places before or behind them in the file, whatever the
order of their times (readers have clocks of their own). So what stands at both ends of a run of rows is all
that a neighbouring run needs, and the count does not depend on where a file is cut.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from credkit.bulk.words import Array
from credkit.files.times import SECOND_MICROS

MOST_PLACES_COMPARED = 32  # places that rows are compared over, before sorting is quicker
MOST_ROWS_BETWEEN = 1 << 14  # places in the file that a row and its repeat may be apart
_SPREAD = np.uint64(0x9E3779B97F4A7C15)  # an odd number that spreads readers over all bits


class EdgeRows(NamedTuple):
    """Rows of a file: reader and text as one number, time, reader, and whether they are known to be repeats."""

    keys: Array
    moments: Array
    codes: Array
    marked: Array

    def cut(self, start: int, stop: int) -> EdgeRows:
        """The rows in these places."""
        return EdgeRows(*(column[start:stop] for column in self))

    def joined(self, other: EdgeRows) -> EdgeRows:
        """These rows, and others behind them."""
        return EdgeRows(*(np.concatenate(pair) for pair in zip(self, other, strict=True)))


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatEdges:
    """What a run of ``count`` rows leaves to its neighbours: its first and last `MOST_ROWS_BETWEEN`, or all of them."""

    count: int
    rows: EdgeRows

    def joined(self, other: RepeatEdges) -> tuple[RepeatEdges, Array]:
        """The edges of this run and the one behind it, and the readers of the rows that are repeats only together."""
        if not (self.count and other.count):
            return (self if self.count else other), self.rows.codes[:0]
        before, behind = self.rows, other.rows
        rows, seam = before.joined(behind), len(before.keys)
        start, stop = max(seam - MOST_ROWS_BETWEEN, 0), seam + MOST_ROWS_BETWEEN
        fresh = start + _repeats_across(rows.cut(start, stop), seam - start)
        fresh = fresh[~rows.marked[fresh]]
        rows.marked[fresh] = True  # a copy of its own
        return _keep_edges(rows, self.count + other.count), rows.codes[fresh]

    def renumbered(self, codes: Array) -> RepeatEdges:
        """The same rows, where each reader has the number ``codes`` gives for it."""
        rows = self.rows
        targets = codes[rows.codes]
        keys = rows.keys ^ rows.codes.astype(np.uint64) * _SPREAD ^ targets.astype(np.uint64) * _SPREAD
        return RepeatEdges(count=self.count, rows=EdgeRows(keys, rows.moments, targets, rows.marked))


NO_EDGES = RepeatEdges(
    count=0, rows=EdgeRows(np.zeros(0, np.uint64), np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0, bool))
)


def find_repeats(hashes: Array, codes: Array, moments: Array) -> tuple[RepeatEdges, Array]:
    """The edges of a run of rows, and the readers of those that are repeats; ``hashes`` are those of the texts."""
    keys = codes.astype(np.uint64)
    keys *= _SPREAD
    keys ^= hashes
    marked = np.zeros(len(keys), bool)
    marked[_repeated_rows(keys, moments)] = True
    return _keep_edges(EdgeRows(keys, moments, codes, marked), len(keys)), codes[marked]


def _keep_edges(rows: EdgeRows, count: int) -> RepeatEdges:
    """The edges of a run that has ``count`` rows; ``rows`` are all of them, or those at its ends."""
    if len(rows.keys) > 2 * MOST_ROWS_BETWEEN:
        rows = rows.cut(0, MOST_ROWS_BETWEEN).joined(rows.cut(len(rows.keys) - MOST_ROWS_BETWEEN, len(rows.keys)))
    return RepeatEdges(count=count, rows=rows)


def _repeated_rows(keys: Array, moments: Array) -> Array:
    """The rows that repeat another one."""
    most = min(MOST_PLACES_COMPARED, MOST_ROWS_BETWEEN)
    far = _places_within_a_second(moments, most)
    if far <= most:
        marked = np.zeros(len(keys), bool)
        for apart in range(1, min(far, len(keys))):
            same = np.flatnonzero(keys[apart:] == keys[:-apart]) + apart
            marked[same[moments[same] - moments[same - apart] <= SECOND_MICROS]] = True
        return np.flatnonzero(marked)
    order = np.argsort(keys, kind="stable")
    same = np.flatnonzero(keys[order[1:]] == keys[order[:-1]])
    if (moments[order[same + 1]] < moments[order[same]]).any():
        order = np.lexsort((moments, keys))
    return _repeats_in_order(keys, moments, order)


def _repeats_in_order(keys: Array, moments: Array, places: Array) -> Array:
    """The rows that repeat another one among those at ``places``, which are in the order of keys and times."""
    keys, moments = keys[places], moments[places]
    found = np.zeros(len(places), bool)
    at, back = np.arange(1, len(places)), 1
    while len(at):  # mostly once: a row whose neighbour in time is too far away in the file looks further back
        at = at[(keys[at] == keys[at - back]) & (moments[at] - moments[at - back] <= SECOND_MICROS)]
        near = np.abs(places[at] - places[at - back]) <= MOST_ROWS_BETWEEN
        found[at[near]] = True
        back += 1
        at = at[~near & (at >= back)]
    return places[found]


def _repeats_across(rows: EdgeRows, seam: int) -> Array:
    """The rows that repeat another one, as far as a row before and one behind ``seam`` are concerned."""
    moments = rows.moments
    low = max(moments[:seam].min(), moments[seam:].min()) - SECOND_MICROS
    high = min(moments[:seam].max(), moments[seam:].max()) + SECOND_MICROS
    near = np.flatnonzero((moments >= low) & (moments <= high))  # none of the others is near to one behind the seam
    if not len(near) or near[0] >= seam or near[-1] < seam:
        return near[:0]
    return _repeats_in_order(rows.keys, moments, near[np.lexsort((moments[near], rows.keys[near]))])


def _places_within_a_second(moments: Array, most: int) -> int:
    """The distance in places from which on no two rows are within a second of each other.

    It is more than ``most`` where times go back.
    """
    if not (moments[1:] >= moments[:-1]).all():
        return most + 1
    far = 1
    while far <= most and far < len(moments) and (moments[far:] - moments[:-far]).min() <= SECOND_MICROS:
        far *= 2
    return far
