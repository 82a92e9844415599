"""Counts by reader: for each thing that is counted an array, with a place for every reader."""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from typing import Generic, TypeVar

import numpy as np

from credkit.bulk.words import Array

Key = TypeVar("Key", bound=Hashable)


class PerReader(Generic[Key]):
    """How many of each ``Key`` there are of every reader.

    >>> found = PerReader[str]()
    >>> found.add("parity", np.array([0, 3]))
    >>> found.one("length", 2, 5)
    >>> found.add("parity", np.array([1, 0, 4]))
    >>> found.of(2), list(found)
    ({'parity': 4, 'length': 5}, [(0, 'parity', 1), (1, 'parity', 3), (2, 'parity', 4), (2, 'length', 5)])
    """

    def __init__(self) -> None:
        self._counts: dict[Key, Array] = {}

    def add(self, key: Key, counts: Array) -> None:
        """Add what was counted of a key: a number for each reader, as far as there are any."""
        kept = self._counts.get(key)
        if kept is None:
            self._counts[key] = counts.copy()
        elif len(kept) >= len(counts):
            kept[: len(counts)] += counts
        else:
            grown = counts.copy()
            grown[: len(kept)] += kept
            self._counts[key] = grown

    def one(self, key: Key, code: int, count: int) -> None:
        """Add what was counted of a key and one reader."""
        counts = np.zeros(code + 1, np.int64)
        counts[code] = count
        self.add(key, counts)

    def update(self, other: PerReader[Key]) -> None:
        """Add all that another one has."""
        for key, counts in other._counts.items():
            self.add(key, counts)

    def of(self, code: int) -> dict[Key, int]:
        """What there is of a reader."""
        found = {key: int(counts[code]) for key, counts in self._counts.items() if code < len(counts)}
        return {key: count for key, count in found.items() if count}

    def __iter__(self) -> Iterator[tuple[int, Key, int]]:
        """Reader, key and count of all that there is, by reader."""
        for code in range(max(map(len, self._counts.values()), default=0)):
            for key, count in self.of(code).items():
                yield code, key, count
