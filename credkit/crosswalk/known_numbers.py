"""The known numbers of a namespace: which texts give one, and whose it is.

Numbers are looked up in the register itself; what needs a pass over all of them is made once, when it is needed.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from random import Random

import numpy as np
from numpy.typing import NDArray

from credkit.bulk.decoded_columns import DecodedColumns
from credkit.bulk.words import Array
from credkit.core.codec import AnyCodec
from credkit.core.fields import Item
from credkit.crosswalk.cards import first_by_form, hide_secret
from credkit.crosswalk.register import Owners
from credkit.facts.judged_texts import number_columns
from credkit.facts.numbers import NO_NUMBER, Number
from credkit.site.model import CredentialKind

Values = tuple[Item, ...]  # the fields that make a number


class KnownNumbers:
    """The numbers of one ``namespace`` that somebody owns, by their places among all numbers."""

    def __init__(self, owners: Owners, namespace: str) -> None:
        self._owners, self._namespace = owners, namespace
        self._texts_of_nobody: dict[tuple[AnyCodec, str], list[str]] = {}

    def __contains__(self, values: object) -> bool:
        return (self._namespace, values) in self._owners

    def find(self, kind: CredentialKind, decoded: DecodedColumns) -> NDArray[np.int32]:
        """By row: the place of the known number of ``kind`` that it decodes to, or `NO_NUMBER`."""
        found = np.full(len(decoded.ok), NO_NUMBER, np.int32)
        if decoded.fields.keys() >= {*kind.key}:
            rows = np.flatnonzero(decoded.ok)
            found[rows] = self._owners.find_all(self._namespace, number_columns(kind, decoded.fields, rows))
        return found

    def texts_of_nobody(self, source: tuple[AnyCodec, str], draw: Callable[[], list[str]]) -> list[str]:
        """The texts of a chain and a kind that ``draw`` makes of numbers of nobody, drawn once."""
        if source not in self._texts_of_nobody:
            self._texts_of_nobody[source] = draw()
        return self._texts_of_nobody[source]

    def credentials(self, numbers: Array) -> list[tuple[str, ...]]:
        """The credentials of each of known ``numbers``, given by their places."""
        return self._owners.credentials(numbers)

    def form(self, values: Values) -> str:
        """A known number as the register writes it; account numbers are hidden."""
        card = first_by_form(self._owners[Number(self._namespace, values)])
        return hide_secret(card, card.form)

    @cached_property
    def all_credentials(self) -> frozenset[str]:
        """The credentials that have a number."""
        return self._owners.credentials_in(self._namespace)

    def __len__(self) -> int:
        return len(self._in_order)

    def draw(self, dice: Random) -> Values:
        """One of the numbers by chance, whatever the order of the files."""
        return self._owners.number(int(dice.choice(self._in_order))).values

    @cached_property
    def _in_order(self) -> Array:
        return self._owners.in_order(self._namespace)
