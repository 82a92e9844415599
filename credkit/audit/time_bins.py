"""Counts over time that stay small: sorted arrays that new entries are merged into now and then.

What would grow too large is counted more coarsely, and says so.
"""

from __future__ import annotations

import numpy as np

from credkit.audit.judging import BIN
from credkit.bulk.words import Array

MOST_BINS = 1 << 21
COARSER = (BIN, 3600, 86400, 7 * 86400, 522 * 7 * 86400)  # seconds, each a multiple of the one before
PENDING = 1 << 18
_WHEN = (1 << 40) - 1


class Bins:
    """Rows and failing rows by reader and time."""

    def __init__(self) -> None:
        self.width = BIN
        self._new: list[tuple[Array, Array, Array]] = []
        self._waiting = 0
        self._kept = (np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0, np.int64))

    def add(self, keys: Array, rows: Array, failing: Array) -> None:
        """Count what a piece holds: ``keys`` are reader and time, in steps of `BIN`."""
        self._new.append((_wider(keys, self.width // BIN), rows, failing))
        self._waiting += len(keys)
        if self._waiting > PENDING:
            self._merge()

    def _merge(self) -> None:
        columns = [np.concatenate(parts) for parts in zip(self._kept, *self._new, strict=True)]
        self._kept = _summed(*columns)
        while len(self._kept[0]) > MOST_BINS:
            wider = COARSER[COARSER.index(self.width) + 1]
            self._kept = _summed(_wider(self._kept[0], wider // self.width), *self._kept[1:])
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
            found[code] = (keys[start:stop] & _WHEN) * self.width, rows[start:stop], failing[start:stop]
        return found


def _wider(keys: Array, times: int) -> Array:
    return keys if times == 1 else keys >> 40 << 40 | (keys & _WHEN) // times


def _summed(keys: Array, rows: Array, failing: Array) -> tuple[Array, Array, Array]:
    order = np.argsort(keys)
    keys = keys[order]
    starts = np.flatnonzero(np.diff(keys, prepend=keys[:1] - 1))
    return keys[starts], np.add.reduceat(rows[order], starts), np.add.reduceat(failing[order], starts)
