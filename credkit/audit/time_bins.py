"""Counts over time that stay small: sorted arrays that new entries are merged into now and then.

What would grow too large is counted more coarsely, and says so.
"""

from __future__ import annotations

import numpy as np

from credkit.bulk.words import Array

MOST_BINS = 1 << 21
BIN_SECONDS = 600  # seconds: how finely rows are counted over time
BIN_WIDTHS = (BIN_SECONDS, 3600, 86400, 7 * 86400, 522 * 7 * 86400)  # seconds, each a multiple of the one before
MOST_PENDING = 1 << 18
MOST_PENDING_ARRAYS = 1 << 12
_TIME_MASK = (1 << 40) - 1


class TimeBins:
    """Rows and failing rows by reader and time."""

    def __init__(self) -> None:
        self.width = BIN_SECONDS
        self._new: list[tuple[Array, Array, Array]] = []
        self._waiting = 0
        self._kept = (np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0, np.int64))

    def add(self, keys: Array, rows: Array, failing: Array, *, width: int = BIN_SECONDS) -> None:
        """Count what a piece holds: ``keys`` are reader and time, in steps of ``width`` seconds."""
        self._new.append((_widen(keys, self.width // width), rows, failing))
        self._waiting += len(keys)
        if self._waiting > MOST_PENDING or len(self._new) > MOST_PENDING_ARRAYS:
            self._merge()

    def absorb(self, other: TimeBins) -> None:
        """Count all that another one has."""
        if other.width > self.width:
            self._merge()
            self._widen_to(other.width)
        for keys, rows, failing in (other._kept, *other._new):
            if len(keys):
                self.add(keys, rows, failing, width=other.width)

    def renumbered(self, codes: Array) -> TimeBins:
        """The same counts, where each reader has the number ``codes`` gives for it."""
        self._merge()
        keys, rows, failing = self._kept
        found = TimeBins()
        found.width = self.width
        found.add(codes[keys >> 40] << 40 | keys & _TIME_MASK, rows, failing, width=self.width)
        return found

    def compact(self) -> None:
        """Keep each time of a reader once."""
        self._merge()

    def _merge(self) -> None:
        if self._new:
            columns = [np.concatenate(parts) for parts in zip(self._kept, *self._new, strict=True)]
            self._kept = _sum_by_key(*columns)
            self._new, self._waiting = [], 0
        while len(self._kept[0]) > MOST_BINS:
            self._widen_to(BIN_WIDTHS[BIN_WIDTHS.index(self.width) + 1])

    def _widen_to(self, width: int) -> None:
        if len(self._kept[0]):
            self._kept = _sum_by_key(_widen(self._kept[0], width // self.width), *self._kept[1:])
        self.width = width

    def columns(self) -> dict[int, tuple[Array, Array, Array]]:
        """For each reader its counts, in the order of time: from which second since 1970 on, rows, failing rows."""
        self._merge()
        keys, rows, failing = self._kept
        if not len(keys):
            return {}
        codes, starts = np.unique(keys >> 40, return_index=True)
        found = {}
        for code, start, stop in zip(codes.tolist(), starts.tolist(), [*starts.tolist()[1:], len(keys)], strict=True):
            found[code] = (keys[start:stop] & _TIME_MASK) * self.width, rows[start:stop], failing[start:stop]
        return found


def _widen(keys: Array, times: int) -> Array:
    return keys if times == 1 else keys >> 40 << 40 | (keys & _TIME_MASK) // times


def _sum_by_key(keys: Array, rows: Array, failing: Array) -> tuple[Array, Array, Array]:
    order = np.argsort(keys)
    keys = keys[order]
    starts = np.flatnonzero(np.diff(keys, prepend=keys[:1] - 1))
    return keys[starts], np.add.reduceat(rows[order], starts), np.add.reduceat(failing[order], starts)
