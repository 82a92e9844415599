"""Credential numbers: what a reading resolves to, and what makes one number another's duplicate."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import polars as pl

from credkit.bulk.words import Array
from credkit.core.fields import Item

NO_NUMBER = -1  # in a column of places among numbers
KEY_BITS = 62  # of a key that holds the values themselves
LISTED = 1 << 63  # the bit of a key that is a place in a list instead
NO_KEY = (1 << 64) - 1  # of a number that is in no list


class Number(NamedTuple):
    """A credential number: its namespace, and the values of the fields that make it."""

    namespace: str
    values: tuple[Item, ...]


def format_number(number: Number) -> str:
    """The fields of a number, joined.

    >>> format_number(Number("harbour", (12, 345)))
    '12-345'
    """
    return "-".join(map(str, number.values))


class Numbers:
    """Different numbers, each of which has a place.

    Values are given in columns: of unsigned 64-bit numbers, or of objects.

    >>> numbers = Numbers()
    >>> site, card = np.array([12, 12, 12], np.uint64), np.array([345, 346, 345], np.uint64)
    >>> numbers.places("harbour", [site, card]).tolist()
    [0, 1, 0]
    >>> numbers[1], numbers.find(Number("harbour", (12, 346))), numbers.find(Number("harbour", (12, 347)))
    (Number(namespace='harbour', values=(12, 346)), 1, -1)
    """

    def __init__(self) -> None:
        self._spaces: list[_Space] = []
        self._space_of: dict[tuple[str, int], int] = {}  # by namespace, and by how many values a number has
        self._keys: Array = np.zeros(0, np.uint64)  # by place
        self._space: Array = np.zeros(0, np.uint16)  # by place: which of the spaces it is in

    def __len__(self) -> int:
        return len(self._keys)

    def __getitem__(self, place: int) -> Number:
        (found,) = self._spaces[int(self._space[place])].numbers(self._keys[place : place + 1])
        return found

    def at(self, places: Array) -> list[Number]:
        """The numbers at ``places``."""
        found: dict[int, Number] = {}
        spaces = self._space[places]
        for which, space in enumerate(self._spaces):
            here = np.flatnonzero(spaces == which)
            found |= zip(here.tolist(), space.numbers(self._keys[places[here]]), strict=True)
        return [found[at] for at in range(len(places))]

    def in_namespace(self, places: Array, namespace: str) -> Array:
        """Which of the numbers at ``places`` are of ``namespace``."""
        return np.array([space.namespace == namespace for space in self._spaces], bool)[self._space[places]]

    def in_order(self, places: Array) -> Array:
        """``places`` in the order of the values of their numbers as they are printed, whatever that of the places."""
        printed = pl.Series([""], dtype=pl.String).new_from_index(0, len(places))
        for which, space in enumerate(self._spaces):
            here = np.flatnonzero(self._space[places] == which)
            if len(here):
                printed = printed.scatter(here, space.print_values(self._keys[places[here]]))
        found: Array = places[printed.arg_sort().to_numpy()]
        return found

    def places(self, namespace: str, columns: Sequence[Array]) -> Array:
        """The places of the numbers of ``namespace`` with these values; those that have none get one."""
        which_space = self._space_of.setdefault((namespace, len(columns)), len(self._spaces))
        if which_space == len(self._spaces):
            self._spaces.append(_Space(namespace, len(columns)))
        space = self._spaces[which_space]
        keys, first, which = np.unique(space.pack(columns, adds=True), return_index=True, return_inverse=True)
        found = space.find(keys)
        fresh = np.flatnonzero(found == NO_NUMBER)
        order = np.argsort(first[fresh])  # new places are in the order of the rows
        found[fresh[order]] = np.arange(len(self), len(self) + len(fresh))
        space.add(keys[fresh], found[fresh])
        self._keys = np.append(self._keys, keys[fresh[order]])
        self._space = np.append(self._space, np.full(len(fresh), which_space, np.uint16))
        return found[which]

    def find_all(self, namespace: str, columns: Sequence[Array]) -> Array:
        """The places of the numbers of ``namespace`` with these values, `NO_NUMBER` for those that have none.

        >>> numbers = Numbers()
        >>> numbers.places("harbour", [np.array([345, 346], np.uint64)]).tolist()
        [0, 1]
        >>> numbers.find_all("harbour", [np.array([346, 347], np.uint64)]).tolist()
        [1, -1]
        """
        which = self._space_of.get((namespace, len(columns)))
        if which is None:
            return np.full(len(columns[0]), NO_NUMBER, np.int32)
        return self._spaces[which].find(self._spaces[which].pack(columns))

    def find(self, number: Number) -> int:
        """The place of a number, or `NO_NUMBER`."""
        columns = [np.array([item], object) for item in number.values]
        return int(self.find_all(number.namespace, columns)[0]) if columns else NO_NUMBER


class _Space:
    """The numbers of a namespace that have as many values, in the order of their keys.

    The key of a number holds its values where they are small, side by side; else it is a place in a list.
    """

    def __init__(self, namespace: str, width: int) -> None:
        self.namespace, self.width = namespace, width
        self._bits = KEY_BITS // width
        self._keys: Array = np.zeros(0, np.uint64)
        self._places: Array = np.zeros(0, np.int32)
        self._listed: dict[tuple[Item, ...], int] = {}

    def pack(self, columns: Sequence[Array], *, adds: bool = False) -> Array:
        """The keys of numbers; those that are in no list are added to it, or have `NO_KEY`."""
        keys = np.zeros(len(columns[0]), np.uint64)
        fits = np.ones(len(keys), bool)
        for column in columns:
            small = column
            if column.dtype != np.uint64:
                is_small = np.array([type(item) is int and not item >> self._bits for item in column.tolist()], bool)
                small = np.where(is_small, column, 0).astype(np.uint64)
                fits &= is_small
            fits &= small >> np.uint64(self._bits) == 0
            keys = keys << np.uint64(self._bits) | small
        rest = np.flatnonzero(~fits)
        if len(rest):
            values = zip(*(column[rest].tolist() for column in columns), strict=True)
            listed, unknown = self._listed, NO_KEY - LISTED
            places = [listed.setdefault(each, len(listed)) if adds else listed.get(each, unknown) for each in values]
            keys[rest] = np.array(places, np.uint64) | np.uint64(LISTED)
        return keys

    def _unpack(self, keys: Array) -> list[Array]:
        """The columns of the values that keys hold themselves."""
        mask = np.uint64((1 << self._bits) - 1)
        return [keys >> np.uint64(self._bits * place) & mask for place in reversed(range(self.width))]

    def _list_values(self, keys: Array) -> dict[int, tuple[Item, ...]]:
        """By place among ``keys``: the values of those that stand for a place in the list."""
        listed = np.flatnonzero(keys >= np.uint64(LISTED)).tolist()
        known = list(self._listed) if listed else []
        return {at: known[int(keys[at]) - LISTED] for at in listed}

    def numbers(self, keys: Array) -> list[Number]:
        """The numbers that have these keys."""
        values = list(zip(*(column.tolist() for column in self._unpack(keys)), strict=True))
        for at, each in self._list_values(keys).items():
            values[at] = each
        return [Number(self.namespace, each) for each in values]

    def print_values(self, keys: Array) -> pl.Series:
        """The values that have these keys, as tuples are printed."""
        columns = [pl.Series(str(place), column) for place, column in enumerate(self._unpack(keys))]
        form = f"({', '.join('{}' for _ in columns)}{',' * (len(columns) == 1)})"
        printed = pl.DataFrame(columns).select(pl.format(form, *(column.name for column in columns))).to_series()
        listed = self._list_values(keys)
        return printed.scatter(list(listed), list(map(repr, listed.values()))) if listed else printed

    def find(self, keys: Array) -> Array:
        """The places of the numbers that have these keys, or `NO_NUMBER`."""
        if not len(self._keys):
            return np.full(len(keys), NO_NUMBER, np.int32)
        at = np.minimum(np.searchsorted(self._keys, keys), len(self._keys) - 1)
        return np.where(self._keys[at] == keys, self._places[at], NO_NUMBER)

    def add(self, keys: Array, places: Array) -> None:
        """Add numbers that are not there, in the order of their keys."""
        at = np.searchsorted(self._keys, keys)
        self._keys, self._places = np.insert(self._keys, at, keys), np.insert(self._places, at, places)
