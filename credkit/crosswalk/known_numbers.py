"""The known numbers of a namespace: which texts give one, and whose it is.

Numbers are looked up in the register itself; what needs a pass over all of them is made once, when it is needed.
"""

from __future__ import annotations

from collections import defaultdict
from functools import cached_property
from itertools import count, repeat

import numpy as np
from numpy.typing import NDArray

from credkit.bulk.decoded_columns import DecodedColumns
from credkit.core.fields import Item
from credkit.crosswalk.register import Owners
from credkit.facts.numbers import Number
from credkit.site.model import CredentialKind

Values = tuple[Item, ...]  # the fields that make a number
NOT_KNOWN = -1  # in place of the index of a number


class KnownNumbers:
    """The numbers in ``owners`` that are of one ``namespace``; each that is found has an index of its own.

    >>> from types import SimpleNamespace
    >>> from credkit import chain
    >>> from credkit.bulk.decoded_columns import decode_columns
    >>> known = KnownNumbers({Number("harbour", (12, 345)): (SimpleNamespace(credential="C-1"),)}, "harbour")
    >>> decoded = decode_columns(chain("decimal:24,8/fields:facility:8,number:16"), ["00786777", "00000001"])
    >>> known.find(SimpleNamespace(key=("facility", "number")), decoded).tolist(), known.credentials_of(0)
    ([0, -1], ('C-1',))
    """

    def __init__(self, owners: Owners, namespace: str) -> None:
        self._owners, self._namespace = owners, namespace
        self._index: defaultdict[Values, int] = defaultdict(count().__next__)
        self._found: list[Values] = []
        self._credentials: dict[Values, tuple[str, ...]] = {}

    def __contains__(self, values: object) -> bool:
        return (self._namespace, values) in self._owners

    def find(self, kind: CredentialKind, decoded: DecodedColumns) -> NDArray[np.int32]:
        """By row: the index of the known number of ``kind`` that it decodes to, or `NOT_KNOWN`."""
        found = np.full(len(decoded.ok), NOT_KNOWN, np.int32)
        if not decoded.fields.keys() >= {*kind.key}:
            return found
        rows = np.flatnonzero(decoded.ok)
        numbers = zip(*(decoded.fields[name][rows].tolist() for name in kind.key), strict=True)
        known = map(self._owners.__contains__, zip(repeat(self._namespace), numbers))
        rows = rows[np.fromiter(known, bool, len(rows))]
        numbers = zip(*(decoded.fields[name][rows].tolist() for name in kind.key), strict=True)
        found[rows] = np.fromiter(map(self._index.__getitem__, numbers), np.int32, len(rows))
        if len(self._found) < len(self._index):
            self._found = list(self._index)
        return found

    def credentials_of(self, index: int) -> tuple[str, ...]:
        """The credentials of the known number with this index."""
        values = self._found[index]
        if values not in self._credentials:
            self._credentials[values] = self._owners.credentials_of(Number(self._namespace, values))
        return self._credentials[values]

    @cached_property
    def all_credentials(self) -> frozenset[str]:
        """The credentials that have a number."""
        return self._owners.credentials_in(self._namespace)

    @cached_property
    def all_numbers(self) -> list[Values]:
        """The numbers, in an order that does not depend on that of the files."""
        return sorted((number.values for number in self._owners.numbers_in(self._namespace)), key=repr)
