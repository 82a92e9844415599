"""Owners: which numbers were read by one reader alone.

For each number its only reader is kept, or that there are several. Many numbers of few bits have a place
each in a table; others are kept as they are, or as a hash, in sorted arrays, until there are too many
of them to tell. Owners of numbers can be joined in any order and grouping.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

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
MOST_PENDING_ARRAYS = 1 << 12
PLACES_AT_ONCE = 1 << 20  # places of a table that are looked at together


class NumberSpace:
    """One namespace of numbers, made of the fields ``key``; ``schemas`` say what these may be.

    ``place`` counts the namespaces, and ``bits`` those of a number.
    """

    def __init__(self, place: int, key: Sequence[str], schemas: Sequence[Mapping[str, SchemaRow]]) -> None:
        self.place = place
        self.key = tuple(key)
        rows = [[schema[name] for schema in schemas if name in schema] for name in key]
        self._sizes = [
            max((row.most.bit_length() if isinstance(row, Field) else TEXT_BITS for row in same), default=TEXT_BITS)
            for same in rows
        ]
        self.bits = sum(self._sizes)

    def numbers(self, fields: Mapping[str, Array]) -> Array:
        """The numbers in rows of ``fields``, with room for a reader behind each; of rows without values, anything."""
        shifted: Array = self._numbers([fields[name] for name in self.key]) << np.uint64(READER_BITS)
        return shifted

    @property
    def has_fields(self) -> bool:
        """Whether a number has its fields, and is no hash of them."""
        return self.bits <= NUMBER_BITS

    def field_values(self, numbers: Array, place: int) -> Array:
        """The values of the field at ``place`` of the key in ``numbers``, which are not hashes."""
        below = READER_BITS + sum(self._sizes[place + 1 :])
        found: Array = (numbers >> np.uint64(below)) & np.uint64((1 << self._sizes[place]) - 1)
        return found

    def has_room(self, fields: Mapping[str, Array]) -> Array:
        """Which rows of ``fields`` have a number that readings of this namespace could have."""
        columns = [fields[name] for name in self.key]
        found = np.ones(len(columns[0]), bool)
        for column, size in zip(columns, self._sizes, strict=True):
            if size < LIMB_BITS:
                found &= _words(column) >> np.uint64(size) == 0
        return found

    def owned_numbers(self, numbers: Array, codes: Array) -> Array:
        """The numbers with the reader of each behind it, long ones of many rows once."""
        owned: Array = numbers | codes.view(np.uint64)
        return owned if self.bits <= MOST_TABLE_BITS or len(owned) < 2 else pl.Series(owned).unique().to_numpy()

    def _numbers(self, columns: list[Array]) -> Array:
        """Each row's number where it fits, else a hash of it."""
        if self.has_fields:
            total: Array = _words(columns[0])
            for column, size in zip(columns[1:], self._sizes[1:], strict=True):
                total = total << np.uint64(size) | _words(column)
            return total
        frame = pl.DataFrame({
            str(place): column if size <= LIMB_BITS else pl.Series(list(map(str, column.tolist())), dtype=pl.String)
            for place, (column, size) in enumerate(zip(columns, self._sizes, strict=True))
        })  # fmt: skip
        hashed: Array = frame.hash_rows().to_numpy() >> np.uint64(READER_BITS)
        return hashed


def _words(column: Array) -> Array:
    """The numbers of a column in a word each, 0 for what has no room in one."""
    if column.dtype != object:
        return column
    items = (item if isinstance(item, int) and 0 <= item < 1 << LIMB_BITS else 0 for item in column.tolist())
    return np.fromiter(items, np.uint64, len(column))


class NumberOwners:
    """Who read the numbers of a namespace with ``bits`` each: one reader, or several.

    >>> one, other = NumberOwners(24), NumberOwners(24)
    >>> one.add(np.array([7 << READER_BITS | 1, 9 << READER_BITS | 1], np.uint64))
    >>> other.add(np.array([7 << READER_BITS | 0], np.uint64))
    >>> one.absorb(other)
    >>> one.count_exclusive()[:3].tolist()
    [0, 1, 0]
    """

    __slots__ = ("_bits", "_end", "_full", "_kept", "_new", "_table", "_waiting")

    def __init__(self, bits: int) -> None:
        self._bits = bits
        self._full = False  # there are too many numbers to tell
        self._table: Array | None = None
        self._end = 0  # of what is used of the table
        self._kept = np.zeros(0, np.uint64)
        self._new: list[Array] = []
        self._waiting = 0

    def add(self, owned: Array) -> None:
        """Note numbers with a reader behind each, as `NumberSpace.owned_numbers` gives them."""
        if self._full or not len(owned):
            return
        self._new.append(owned)
        self._waiting += len(owned)
        if self._waiting > MOST_PENDING:
            self._merge()
        elif len(self._new) > MOST_PENDING_ARRAYS:
            self._new = [np.concatenate(self._new)]

    def absorb(self, other: NumberOwners) -> None:
        """Note all that another one has."""
        if other._full:
            self._give_up()
        for owned in (other._kept, other._in_table(), *other._new):
            self.add(owned)

    def renumbered(self, codes: Array) -> NumberOwners:
        """The same numbers, where each reader has the number ``codes`` gives for it."""
        self.compact()
        found = NumberOwners(self._bits)
        found._full = self._full
        targets = np.append(codes, np.full(SEVERAL_READERS + 1 - len(codes), SEVERAL_READERS)).astype(np.uint64)
        readers = self._kept & np.uint64(SEVERAL_READERS)
        found._kept = self._kept ^ readers ^ targets[readers.view(np.int64)]  # still in order: a number stands once
        return found

    def compact(self) -> None:
        """Keep nothing but a sorted array, which is small where the numbers are few."""
        self._merge()
        if self._table is not None:
            self._kept, self._table, self._end = self._in_table(), None, 0

    def count_exclusive(self) -> Array | None:
        """For each reader, how many numbers nobody else read; None if there were too many numbers to tell."""
        self._merge()
        if self._full:
            return None
        counts = np.zeros(SEVERAL_READERS + 1, np.int64)
        if self._table is None:
            counts += np.bincount((self._kept & np.uint64(SEVERAL_READERS)).astype(np.int64), minlength=len(counts))
            return counts
        for start in range(0, self._end, PLACES_AT_ONCE):
            part = self._table[start : min(start + PLACES_AT_ONCE, self._end)]
            counts += np.bincount(part[part != 0], minlength=SEVERAL_READERS + 1)
        return counts[1:]

    def _merge(self) -> None:
        if not self._new or self._full:
            return
        waiting, self._new, self._waiting = self._new, [], 0
        has_places = self._bits <= MOST_TABLE_BITS
        if has_places and (self._table is not None or sum(map(len, waiting)) + len(self._kept) > MOST_PENDING):
            for owned in (self._kept, *waiting):
                self._enter(owned)
            self._kept = self._kept[:0]
            return
        self._kept = _join_owners([self._kept, *waiting])
        if len(self._kept) > MOST_NUMBERS and not has_places:
            self._give_up()

    def _give_up(self) -> None:
        self._full, self._kept, self._new, self._waiting = True, np.zeros(0, np.uint64), [], 0

    def _enter(self, owned: Array) -> None:
        """Put the owners of numbers in the table: the only one, or that there are several."""
        if not len(owned):
            return
        if self._table is None:
            self._table = np.zeros(1 << self._bits, np.uint16)  # its memory is taken as it is written to
        table, numbers = self._table, (owned >> np.uint64(READER_BITS)).view(np.int64)
        self._end = max(self._end, int(numbers.max()) + 1)
        owners = owned.astype(np.uint16)  # the bits behind the number; 0 is for numbers that nobody read
        owners += owners != SEVERAL_READERS
        found = table[numbers]
        news = np.flatnonzero((found != owners) & (found != SEVERAL_READERS))
        if len(news):
            numbers, owners, fresh = numbers[news], owners[news], found[news] == 0
            table[numbers[fresh]] = owners[fresh]
            table[numbers[table[numbers] != owners]] = SEVERAL_READERS

    def _in_table(self) -> Array:
        """What the table holds, as a sorted array."""
        if self._table is None:
            return np.zeros(0, np.uint64)
        numbers = np.flatnonzero(self._table[: self._end])
        owners = self._table[numbers]
        owners -= owners != SEVERAL_READERS
        found: Array = numbers.astype(np.uint64) << np.uint64(READER_BITS) | owners
        return found


def _join_owners(arrays: Sequence[Array]) -> Array:
    """The numbers of all ``arrays`` in order, each once: with its only reader behind it, or that there are several."""
    every = pl.Series(np.concatenate(arrays)).unique().sort().to_numpy()
    numbers = every >> np.uint64(READER_BITS)
    starts = np.ones(len(every), bool)
    starts[1:] = numbers[1:] != numbers[:-1]
    shared = np.zeros(len(every), bool)
    shared[:-1] = ~starts[1:]
    found: Array = np.where(shared[starts], every[starts] | np.uint64(SEVERAL_READERS), every[starts])
    return found
