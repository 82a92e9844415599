"""Constant fields: which fields of a number are the same in every good row of a reader on a use.

A reader that sends one facility code for all cards is known by it. Where numbers are hashes, nothing is known of
their fields, and they count as such that vary.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from credkit.audit.owners import NumberSpace
from credkit.bulk.words import Array

VARIES = -1  # in the place of a value: there are several
FIRST_ROWS = 1 << 12  # rows that are looked at before the others: they show most fields that vary
ReaderUse = tuple[int, int]  # the number of a reader, and the place of a use


class ConstantFields:
    """For each reader and use the value of each field of its numbers, or that it varies.

    >>> one, other = ConstantFields(), ConstantFields()
    >>> one.add((0, 0), (12, 345))
    >>> other.add((0, 0), (12, 346))
    >>> one.absorb(other)
    >>> one.values_of(0, 0)
    (12, -1)
    """

    def __init__(self) -> None:
        self._values: dict[ReaderUse, tuple[int, ...]] = {}

    def add(self, key: ReaderUse, values: tuple[int, ...]) -> None:
        """Add what some rows of a reader and a use have."""
        kept = self._values.get(key, values)
        self._values[key] = tuple(
            one if one == other else VARIES for one, other in zip(kept, values, strict=True)
        )  # fmt: skip

    def absorb(self, other: ConstantFields) -> None:
        """Add all that another one has."""
        for key, values in other._values.items():
            self.add(key, values)

    def renumbered(self, codes: Array) -> ConstantFields:
        """The same values, where each reader has the number ``codes`` gives for it."""
        found = ConstantFields()
        found._values = {(int(codes[code]), use): values for (code, use), values in self._values.items()}
        return found

    def values_of(self, code: int, use: int) -> tuple[int, ...]:
        """The value of each field, or `VARIES`; none where no row was good."""
        return self._values.get((code, use), ())


def find_constants(
    space: NumberSpace, numbers: Array, codes: Array
) -> Iterator[tuple[int, tuple[int, ...]]]:  # fmt: skip
    """For each reader the value of each field in its rows, or `VARIES`.

    ``numbers`` are those of good rows, as `NumberSpace` writes them, ``codes`` their readers.
    """
    size = int(codes.max()) + 1
    first = _find_constants(space, numbers[:FIRST_ROWS], codes[:FIRST_ROWS], size)
    open_codes = (first != VARIES).any(axis=0)  # those that are not there yet, too
    rest = np.flatnonzero(open_codes[codes])
    found = _find_constants(space, numbers[rest], codes[rest], size) if len(rest) else first
    present = np.zeros(size, bool)
    present[codes] = True
    for code in np.flatnonzero(present).tolist():
        yield code, tuple((found if open_codes[code] else first)[:, code].tolist())


def _find_constants(space: NumberSpace, numbers: Array, codes: Array, size: int) -> Array:
    """By field and reader the value, or `VARIES`; of a reader that is not there, neither."""
    found = np.zeros((len(space.key), size), np.int64)
    for place in range(len(space.key)):
        values = space.field_values(numbers, place).view(np.int64)
        least, most = np.full(size, np.iinfo(np.int64).max), np.zeros(size, np.int64)
        np.minimum.at(least, codes, values)
        np.maximum.at(most, codes, values)
        found[place] = np.where(least < most, VARIES, most)
    return found
