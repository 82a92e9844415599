"""Counts over time that stay small: sorted arrays that new entries are merged into now and then.

What would grow too large is counted more coarsely, and says so.
"""

from __future__ import annotations

import numpy as np

from credkit.audit.piece_verdicts import BIN_SECONDS
from credkit.bulk.words import Array

MOST_BINS = 1 << 21
BIN_WIDTHS = (BIN_SECONDS, 3600, 86400, 7 * 86400, 522 * 7 * 86400)  # seconds, each a multiple of the one before
MOST_PENDING = 1 << 18
_TIME_MASK = (1 << 40) - 1


class TimeBins:
    """Rows and failing rows by reader and time."""

    def __init__(self) -> None:
        self.width = BIN_SECONDS
        self._new: list[tuple[Array, Array, Array]] = []
        self._waiting = 0
        self._kept = (np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0, np.int64))

    def add(self, keys: Array, rows: Array, failing: Array) -> None:
        """Count what a piece holds: ``keys`` are reader and time, in steps of `BIN_SECONDS`."""
        self._new.append((_widen(keys, self.width // BIN_SECONDS), rows, failing))
        self._waiting += len(keys)
        if self._waiting > MOST_PENDING:
            self._merge()

    def _merge(self) -> None:
        columns = [np.concatenate(parts) for parts in zip(self._kept, *self._new, strict=True)]
        self._kept = _sum_by_key(*columns)
        while len(self._kept[0]) > MOST_BINS:
            wider = BIN_WIDTHS[BIN_WIDTHS.index(self.width) + 1]
            self._kept = _sum_by_key(_widen(self._kept[0], wider // self.width), *self._kept[1:])
            self.width = wider
        self._new, self._waiting = [], 0

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
