"""Owners: which numbers were read by one reader alone.

For each number its only reader is kept, or that there are several. Numbers of few bits have a place
each in a table; others are kept as they are, or as a hash, in sorted arrays, until there are too many
of them to tell. Readings can be added in any order, and by several threads.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from threading import Lock

import numpy as np
import polars as pl

from credkit.bulk.words import LIMB_BITS, Array
from credkit.core.reading import Field, SchemaRow

READER_BITS = 16  # bits of a reader behind a number
NUMBER_BITS = LIMB_BITS - READER_BITS
TEXT_BITS = LIMB_BITS + 1  # what a text counts as: more than a word has
MOST_TABLE_BITS = 25  # bits of a number that has a place in a table
SEVERAL_READERS = (1 << READER_BITS) - 1  # in the place of a reader: several of them
MOST_NUMBERS = 1 << 22  # numbers that are told apart
MOST_PENDING = 1 << 20
PLACES_AT_ONCE = 1 << 20  # places of a table that are looked at together


class NumberSpace:
    """The numbers of one namespace, made of the fields ``key``; ``schemas`` say what these may be."""

    def __init__(self, key: Sequence[str], schemas: Sequence[Mapping[str, SchemaRow]]) -> None:
        self.key = tuple(key)
        self.full = False
        rows = [[schema[name] for schema in schemas if name in schema] for name in key]
        self._sizes = [
            max((row.most.bit_length() if isinstance(row, Field) else TEXT_BITS for row in same), default=TEXT_BITS)
            for same in rows
        ]
        self._bits = sum(self._sizes)
        self._lock = Lock()
        self._table = np.zeros(1 << self._bits, np.uint16) if self._bits <= MOST_TABLE_BITS else None
        self._end = 0  # of what is used of the table
        self._kept = np.zeros(0, np.uint64)
        self._new: list[Array] = []
        self._waiting = 0

    def add(self, fields: Mapping[str, Array], codes: Array, good: Array) -> None:
        """Note who read which numbers: a column for each field, the reader of each row, and which rows count."""
        if self.full or not good.any():
            return
        columns = [fields[name] for name in self.key]
        if self._table is not None:
            numbers = (self._numbers(columns) * good).view(np.int64)
            end = int(numbers.max()) + 1
            with self._lock:
                self._end = max(self._end, end)
                _note_owners(self._table, numbers, (codes + 1).astype(np.uint16), good)
            return
        if not good.all():
            columns, codes = [column[good] for column in columns], codes[good]
        numbers = self._numbers(columns)
        owned = pl.Series(numbers << np.uint64(READER_BITS) | codes.astype(np.uint64)).unique().to_numpy()
        with self._lock:
            self._new.append(owned)
            self._waiting += len(owned)
            if self._waiting > MOST_PENDING:
                self._merge()

    def _numbers(self, columns: list[Array]) -> Array:
        """Each row's number where it fits, else a hash of it."""
        if self._bits <= NUMBER_BITS:
            total: Array = columns[0]
            for column, size in zip(columns[1:], self._sizes[1:], strict=True):
                total = total << np.uint64(size) | column
            return total
        frame = pl.DataFrame({
            str(place): column if size <= LIMB_BITS else pl.Series(list(map(str, column.tolist())), dtype=pl.String)
            for place, (column, size) in enumerate(zip(columns, self._sizes, strict=True))
        })  # fmt: skip
        hashed: Array = frame.hash_rows().to_numpy() >> np.uint64(READER_BITS)
        return hashed

    def _merge(self) -> None:
        every = pl.Series(np.concatenate([self._kept, *self._new])).unique().sort().to_numpy()
        numbers = every >> np.uint64(READER_BITS)
        starts = np.ones(len(every), bool)
        starts[1:] = numbers[1:] != numbers[:-1]
        shared = np.zeros(len(every), bool)
        shared[:-1] = ~starts[1:]
        self._kept = np.where(shared[starts], every[starts] | np.uint64(SEVERAL_READERS), every[starts])
        self._new, self._waiting = [], 0
        if len(self._kept) > MOST_NUMBERS:
            self.full, self._kept = True, np.zeros(0, np.uint64)

    def count_exclusive(self) -> Array | None:
        """For each reader, how many numbers nobody else read; None if there were too many numbers to tell."""
        if self._table is not None:
            counts = np.zeros(SEVERAL_READERS + 1, np.int64)
            for start in range(0, self._end, PLACES_AT_ONCE):
                part = self._table[start : min(start + PLACES_AT_ONCE, self._end)]
                counts += np.bincount(part[part != 0], minlength=SEVERAL_READERS + 1)
            return counts[1:]
        self._merge()
        if self.full:
            return None
        return np.bincount((self._kept & np.uint64(SEVERAL_READERS)).astype(np.int64), minlength=SEVERAL_READERS + 1)


def _note_owners(table: Array, numbers: Array, owners: Array, good: Array) -> None:
    """Put the owners of numbers in the table: the only one, or that there are several."""
    found = table[numbers]
    news = np.flatnonzero((found != owners) & (found != SEVERAL_READERS) & good)
    if len(news):
        numbers, owners, fresh = numbers[news], owners[news], found[news] == 0
        table[numbers[fresh]] = owners[fresh]
        table[numbers[table[numbers] != owners]] = SEVERAL_READERS
