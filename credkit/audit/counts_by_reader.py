"""Counts by reader: for each thing that is counted an array, with a place for every reader."""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from typing import Generic, TypeVar

import numpy as np

from credkit.bulk.words import Array

Key = TypeVar("Key", bound=Hashable)


class CountsByReader(Generic[Key]):
    """Counts of each ``Key`` by reader.

    >>> found = CountsByReader[str]()
    >>> found.add("parity", np.array([0, 3]))
    >>> found.add_one("length", 2, 5)
    >>> found.add("parity", np.array([1, 0, 4]))
    >>> found.counts_of(2), found.readers("parity"), list(found)
    ({'parity': 4, 'length': 5}, {0: 1, 1: 3, 2: 4}, ['parity', 'length'])
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

    def add_one(self, key: Key, code: int, count: int) -> None:
        """Add what was counted of a key and one reader."""
        kept = self._counts.get(key)
        if kept is None or code >= len(kept):
            self.add(key, np.zeros(code + 1, np.int64))
        self._counts[key][code] += count

    def update(self, other: CountsByReader[Key]) -> None:
        """Add all that another one has."""
        for key, counts in other._counts.items():
            self.add(key, counts)

    def renumbered(self, codes: Array) -> CountsByReader[Key]:
        """The same counts, where each reader has the number ``codes`` gives for it.

        >>> found = CountsByReader[str]()
        >>> found.add("parity", np.array([4, 3]))
        >>> found.renumbered(np.array([2, 0])).readers("parity")
        {0: 3, 2: 4}
        """
        found = CountsByReader[Key]()
        for key, counts in self._counts.items():
            targets = codes[: len(counts)]
            moved = np.zeros(int(targets.max(initial=0)) + 1, counts.dtype)
            moved[targets] = counts
            found._counts[key] = moved
        return found

    def counts_of(self, code: int) -> dict[Key, int]:
        """The counts of a reader by key."""
        found = {key: int(counts[code]) for key, counts in self._counts.items() if code < len(counts)}
        return {key: count for key, count in found.items() if count}

    def readers(self, key: Key) -> dict[int, int]:
        """The readers that have any of a key, and how many."""
        counts = self._counts.get(key, np.zeros(0, np.int64))
        return {code: int(counts[code]) for code in np.flatnonzero(counts).tolist()}

    def __iter__(self) -> Iterator[Key]:
        """The keys."""
        return iter(self._counts)
