"""The values of credentials in columns: kind by kind, the fields that each row has."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from credkit.bulk.decoded_columns import decode_columns
from credkit.bulk.words import Array
from credkit.core.fields import Item
from credkit.facts.account_suspects import may_hold_account
from credkit.facts.judged_texts import number_values
from credkit.facts.numbers import NO_NUMBER, Numbers
from credkit.site.model import CredentialKind, Site


@dataclass(frozen=True, slots=True, kw_only=True)
class KindColumns:
    """The rows of one kind: their ``places`` in the table, their values, and a column for each field.

    Rows that are ``readable`` have a number; ``plain`` ones are nothing but that: no note, no room for an account
    number.
    """

    kind: CredentialKind
    places: Array
    values: pl.Series
    fields: Mapping[str, Array]
    readable: Array
    plain: Array

    def find_numbers(self, numbers: Numbers) -> Array:
        """The place of each row's number, or `NO_NUMBER`."""
        found = np.full(len(self.places), NO_NUMBER)
        rows = np.flatnonzero(self.readable)
        if len(rows):
            found[rows] = numbers.places(self.kind.namespace, number_values(self.kind, self.fields, rows))
        return found

    def format_numbers(self) -> pl.Series:
        """The number of each row as files write it; null where it is not readable."""
        columns = ((name, self.fields[name][self.readable]) for name in self.kind.key)
        parts = [
            pl.Series(name, column).cast(pl.String)
            if column.dtype != object
            else pl.Series(name, list(map(str, column.tolist())), dtype=pl.String)
            for name, column in columns
        ]
        texts = pl.DataFrame(parts).select(pl.concat_str(pl.all(), separator="-")).to_series()
        places = np.full(len(self.places), len(texts))
        places[self.readable] = np.arange(len(texts))
        return texts.extend(pl.Series([None], dtype=pl.String)).gather(places)

    def fields_at(self, places: Array) -> dict[int, dict[str, Item]]:
        """The fields of those rows at ``places`` that are readable."""
        at = np.searchsorted(self.places, places)
        at[at == len(self.places)] = 0
        mine = (self.places[at] == places) & self.readable[at]
        names, at = list(self.fields), at[mine]
        cells = zip(*(self.fields[name][at].tolist() for name in names), strict=True)
        return {
            place: dict(zip(names, row, strict=True)) for place, row in zip(places[mine].tolist(), cells, strict=True)
        }


def read_kinds(site: Site, rows: pl.DataFrame) -> list[KindColumns]:
    """The columns of every kind that has rows in the table of credentials."""
    found = []
    for kind in site.kinds.values():
        places = rows["kind"].eq(kind.name).arg_true().to_numpy().astype(np.int64)
        if len(places):
            found.append(_read_kind(kind, places, rows.select("value", "issue")[places]))
    return found


def _read_kind(kind: CredentialKind, places: Array, rows: pl.DataFrame) -> KindColumns:
    values = rows["value"]
    decoded = decode_columns(kind.value, values)
    fields, readable = decoded.fields, decoded.ok
    if kind.issue:
        fields = {**fields, kind.issue: rows["issue"].fill_null(0).to_numpy()}
        readable = readable & rows["issue"].is_not_null().to_numpy()
    plain = readable & ~decoded.noted
    if not kind.not_payment:
        plain &= ~may_hold_account(kind.value, values, decoded.fields)
    return KindColumns(kind=kind, places=places, values=values, fields=fields, readable=readable, plain=plain)
