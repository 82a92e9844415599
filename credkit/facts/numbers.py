"""Credential numbers: what a reading resolves to, and what makes one number another's duplicate."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import repeat
from typing import Any, NamedTuple

import numpy as np

from credkit.bulk.words import Array
from credkit.core.fields import Item

NO_NUMBER = -1  # in a column of places among numbers


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

    >>> numbers = Numbers()
    >>> numbers.places("harbour", [(12, 345), (12, 346), (12, 345)]).tolist()
    [0, 1, 0]
    >>> numbers[1], numbers.find(Number("harbour", (12, 346))), numbers.find(Number("harbour", (12, 347)))
    (Number(namespace='harbour', values=(12, 346)), 1, -1)
    """

    def __init__(self) -> None:
        self._numbers: list[Number] = []
        self._places: dict[Number, int] = {}

    def __len__(self) -> int:
        return len(self._numbers)

    def __getitem__(self, place: int) -> Number:
        return self._numbers[place]

    def places(self, namespace: str, values: Iterable[tuple[Item, ...]]) -> Array:
        """The places of the numbers of ``namespace`` with these values; those that have none get one."""
        found = [self._place(Number(namespace, each)) for each in values]
        return np.array(found, np.int64)

    def _place(self, number: Number) -> int:
        place = self._places.setdefault(number, len(self._numbers))
        if place == len(self._numbers):
            self._numbers.append(number)
        return place

    def find_all(self, namespace: str, values: Iterable[tuple[Item, ...]]) -> Array:
        """The places of the numbers of ``namespace`` with these values, `NO_NUMBER` for those that have none.

        >>> numbers = Numbers()
        >>> numbers.places("harbour", [(12, 345), (12, 346)]).tolist()
        [0, 1]
        >>> numbers.find_all("harbour", [(12, 346), (12, 347)]).tolist()
        [1, -1]
        """
        keys: Iterator[Any] = zip(repeat(namespace), values)
        return np.fromiter(map(self._places.get, keys, repeat(NO_NUMBER)), np.int64)

    def find(self, number: Number) -> int:
        """The place of a number, or `NO_NUMBER`."""
        return self._places.get(number, NO_NUMBER)
