"""Repeats: rows within a second behind a row of the same reader with the same text, by their times.

Where few rows stand within a second of each other, each is compared with those some places before it;
where many do, or times go back (readers have clocks of their own), rows are sorted by reader and text.
Of each reader, what stands within a second of its last row in a piece is kept for the next one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from credkit.bulk.words import Array
from credkit.files.times import SECOND_MICROS

MOST_PLACES_COMPARED = 32  # places that rows are compared over, before sorting is quicker
MOST_ROWS_REMEMBERED = 1 << 16  # rows at the end of a piece that are remembered
_SPREAD = np.uint64(0x9E3779B97F4A7C15)  # an odd number that spreads readers over all bits


class EdgeRows(NamedTuple):
    """Rows at an edge of a piece: reader and text as one number, time, and reader."""

    keys: Array
    moments: Array
    codes: Array


@dataclass(slots=True, kw_only=True)
class Repeats:
    """The repeats of a piece: how many of each reader, and what stands at its ends.

    ``head`` are rows that may repeat one of the piece before, ``tail`` those that the next may repeat.
    """

    counts: Array
    head: EdgeRows
    tail: EdgeRows


def find_repeats(hashes: Array, codes: Array, moments: Array, first: Array, last: Array) -> Repeats:
    """The repeats among rows; ``hashes`` are those of the texts, ``first`` and ``last`` the ends of each reader."""
    keys = codes.astype(np.uint64)
    keys *= _SPREAD
    keys ^= hashes
    again = _repeated_rows(keys, moments)
    counts = np.bincount(codes[again]) if len(again) else np.zeros(1, np.int64)
    there = np.flatnonzero(first <= last)  # readers that have rows
    near = np.flatnonzero(moments <= first[there].max() + SECOND_MICROS)  # none of the others is near
    near = near[moments[near] <= first[codes[near]] + SECOND_MICROS][:MOST_ROWS_REMEMBERED]
    near = near[~np.isin(near, again)] if len(again) else near
    late = np.flatnonzero(moments >= last[there].min() - SECOND_MICROS)
    late = late[moments[late] >= last[codes[late]] - SECOND_MICROS][-MOST_ROWS_REMEMBERED:]
    return Repeats(
        counts=counts, head=EdgeRows(keys[near], moments[near], codes[near]),
        tail=EdgeRows(keys[late], moments[late], codes[late]),
    )  # fmt: skip


def _repeated_rows(keys: Array, moments: Array) -> Array:
    """The rows that repeat an earlier one."""
    marked = np.zeros(len(keys), bool)
    far = _places_within_a_second(moments)
    if far <= MOST_PLACES_COMPARED:
        for apart in range(1, min(far, len(keys))):
            same = np.flatnonzero(keys[apart:] == keys[:-apart]) + apart
            marked[same[moments[same] - moments[same - apart] <= SECOND_MICROS]] = True
        return np.flatnonzero(marked)
    order = np.argsort(keys, kind="stable")
    before, behind = _equal_neighbours(keys, order)
    if (moments[behind] < moments[before]).any():
        before, behind = _equal_neighbours(keys, np.lexsort((moments, keys)))
    marked[behind[moments[behind] - moments[before] <= SECOND_MICROS]] = True
    return np.flatnonzero(marked)


def _places_within_a_second(moments: Array) -> int:
    """The distance in places from which on no two rows are within a second of each other.

    It is more than `MOST_PLACES_COMPARED` where times go back.
    """
    if not (moments[1:] >= moments[:-1]).all():
        return MOST_PLACES_COMPARED + 1
    far = 1
    while (
        far <= MOST_PLACES_COMPARED and far < len(moments) and (moments[far:] - moments[:-far]).min() <= SECOND_MICROS
    ):
        far *= 2
    return far


def _equal_neighbours(keys: Array, order: Array) -> tuple[Array, Array]:
    """The rows that follow each other in ``order`` and have the same key."""
    same = np.flatnonzero(keys[order[1:]] == keys[order[:-1]])
    return order[same], order[same + 1]


class PieceJoin:
    """Joins pieces of a file: keeps the rows that those of the next piece may repeat."""

    def __init__(self) -> None:
        self._keys = np.zeros(0, np.uint64)
        self._moments = np.zeros(0, np.int64)
        self._codes = np.zeros(0, np.int64)

    def join(self, piece: Repeats) -> Array:
        """The readers of rows at the head of ``piece`` that repeat one before it."""
        keys, moments, codes = piece.head
        found = codes[:0]
        if len(self._keys):
            at = np.minimum(np.searchsorted(self._keys, keys), len(self._keys) - 1)
            found = codes[(self._keys[at] == keys) & (np.abs(moments - self._moments[at]) <= SECOND_MICROS)]
        keys, moments, codes = (
            np.concatenate(pair) for pair in zip((self._keys, self._moments, self._codes), piece.tail, strict=True)
        )
        if len(keys):
            latest = np.full(int(codes.max()) + 1, np.iinfo(np.int64).min)
            np.maximum.at(latest, codes, moments)
            order = np.lexsort((moments, keys))
            order = order[moments[order] >= (latest - SECOND_MICROS)[codes[order]]]
            order = order[np.append(keys[order[1:]] != keys[order[:-1]], True)][-MOST_ROWS_REMEMBERED:]
            self._keys, self._moments, self._codes = keys[order], moments[order], codes[order]
        return found
