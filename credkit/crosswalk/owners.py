"""Owners: the numbers in the credentials of a site, by column, and whose they are."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl

from credkit.bulk.decoded_columns import decode_columns
from credkit.bulk.words import Array
from credkit.core.fields import Item
from credkit.crosswalk.account_suspects import find_account_numbers, may_hold_account
from credkit.crosswalk.number_columns import are_rounded, key_columns, narrow_to_64_bits, unify_key_types
from credkit.files.csvcolumns import NeedsStrictReader
from credkit.site.model import CredentialKind, Site

ROW_COLUMN = "row"


class OwnerColumns:
    """The decoded values of the credentials: ``fields`` by kind, and the ``rows`` of each kind that decode.

    ``good`` are the rows whose value raises no question by itself: it is read, nothing is noted, and
    its number is that of no other row. ``spaces`` has the numbers of each namespace, each with its first row.
    """

    def __init__(self, site: Site, cards: pl.DataFrame) -> None:
        self.good = np.zeros(cards.height, bool)
        self.rows: dict[str, Array] = {}
        self.fields: dict[str, Mapping[str, Array]] = {}
        frames: dict[str, list[pl.DataFrame]] = {}
        for kind in site.kinds.values():
            rows = cards["kind"].eq(kind.name).arg_true().to_numpy()
            if not len(rows):
                continue
            read, ok = self._read(kind, rows, cards["value"].gather(rows), cards["issue"].gather(rows))
            self.rows[kind.name] = rows[ok]
            fields = self.fields[kind.name] = {name: narrow_to_64_bits(column[ok]) for name, column in read.items()}
            frame = pl.DataFrame([*key_columns(kind, fields), pl.Series(ROW_COLUMN, rows[ok], dtype=pl.Int32)])
            frames.setdefault(kind.namespace, []).append(frame)
        self.spaces: dict[str, pl.DataFrame] = {}
        self.index: dict[str, HashIndex] = {}
        for namespace, them in frames.items():
            space = pl.concat(unify_key_types(them)).sort(ROW_COLUMN)
            names = [name for name in space.columns if name != ROW_COLUMN]
            again = space.select(names).is_duplicated()
            self.good[space[ROW_COLUMN].filter(again).to_numpy()] = False
            space = self.spaces[namespace] = space.unique(names, keep="first", maintain_order=True)
            if space.height:
                self.index[namespace] = HashIndex(space)

    def _read(
        self, kind: CredentialKind, rows: Array, values: pl.Series, issues: pl.Series
    ) -> tuple[Mapping[str, Array], Array]:
        """The fields of a kind's values, and which of them give a number."""
        fields, ok, noted = decode_columns(kind.value, values)
        doubtful = noted | are_rounded(values)
        if not kind.not_payment:
            held, tracks = find_account_numbers(kind.value, values, ok & may_hold_account(kind.value, values, fields))
            if tracks:
                raise NeedsStrictReader
            doubtful |= held
        if kind.issue:
            fields = {**fields, kind.issue: issues.fill_null(0).to_numpy()}
            ok = ok & issues.is_not_null().to_numpy()
        self.good[rows] = ok & ~doubtful & (kind.not_payment is None)
        return fields, ok

    def rows_of(self, namespace: str, numbers: Sequence[Sequence[Item]]) -> Array:
        """The first row that has each of ``numbers``, or -1."""
        space = self.spaces.get(namespace)
        if space is None or not numbers:
            return np.full(len(numbers), -1, np.int32)
        names = [name for name in space.columns if name != ROW_COLUMN]
        columns = [_field_column(name, items) for name, items in zip(names, zip(*numbers, strict=True), strict=True)]
        return self.find_rows(namespace, pl.DataFrame(columns))

    def find_rows(self, namespace: str, numbers: pl.DataFrame) -> Array:
        """The first row that has each of ``numbers`` (columns from `key_columns`), or -1."""
        index = self.index.get(namespace)
        return np.full(numbers.height, -1, np.int32) if index is None else index.find_rows(numbers)


class HashIndex:
    """The different numbers of a namespace, found by their hashes."""

    def __init__(self, space: pl.DataFrame) -> None:
        self.numbers = space.drop(ROW_COLUMN)
        self.row_numbers = space[ROW_COLUMN].to_numpy()
        hashes = self.numbers.hash_rows().to_numpy()
        self.order = np.argsort(hashes)
        self.hashes = hashes[self.order]
        self.has_collisions = bool((np.diff(self.hashes) == 0).any())

    def find_rows(self, numbers: pl.DataFrame) -> Array:
        """The row that has each of ``numbers``, or -1."""
        names = self.numbers.columns
        mixed = any(numbers[name].dtype != self.numbers[name].dtype for name in names)
        if mixed or self.has_collisions:  # a number beyond 64 bits is a text; or two numbers have one hash
            mine, theirs = unify_key_types([self.numbers, numbers])
            mine = mine.with_columns(pl.Series(ROW_COLUMN, self.row_numbers))
            return theirs.join(mine, on=names, how="left", maintain_order="left")[ROW_COLUMN].fill_null(-1).to_numpy()
        wanted = numbers.select(names).hash_rows().to_numpy()
        places = self.order[np.minimum(np.searchsorted(self.hashes, wanted), len(self.order) - 1)]
        same = np.ones(numbers.height, bool)
        for name in names:
            same &= (self.numbers[name].gather(places) == numbers[name]).fill_null(value=False).to_numpy()
        return np.where(same, self.row_numbers[places], np.int32(-1))


def _field_column(name: str, items: Sequence[Item]) -> pl.Series:
    """One field of many numbers, as `credkit.crosswalk.number_columns.key_columns` gives it."""
    if all(isinstance(item, int) and 0 <= item < 1 << 64 for item in items):
        return pl.Series(name, items, dtype=pl.UInt64)
    return pl.Series(name, list(map(str, items)), dtype=pl.String)
