"""Fitting: what a target would hold for the cards of its kind, and whether that raises a question."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from credkit.bulk.words import Array
from credkit.crosswalk.number_columns import as_stored, encode_texts
from credkit.crosswalk.owners import OwnerColumns
from credkit.crosswalk.register import ACTIVE
from credkit.site.model import COLUMN, Target

_DIGITS = r"\A-?[0-9]{1,20}\z"


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetFit:
    """For ``rows`` of the credentials: the text that is written, and what the column gives back.

    ``good`` says that it can be written, and is that of no other card; and, where the target holds
    something today, that it holds just this (``export_row`` is the place of that row), or nothing for the
    person (``export_row`` is -1).
    """

    rows: Array
    texts: pl.Series
    stored: pl.Series
    good: Array
    export_row: Array

    def explained_rows(self, plain: Array, height: int) -> Array:
        """The rows of the export that ``plain`` cards explain."""
        found = np.zeros(height, bool)
        found[self.export_row[plain[self.rows] & (self.export_row >= 0)]] = True
        return found


def fit_target(target: Target, owners: OwnerColumns, cards: pl.DataFrame, export: pl.DataFrame | None) -> TargetFit:
    """The texts of ``target`` for all cards of its kind, compared with its ``export``."""
    kind = target.kind
    rows, fields = owners.rows[kind.name], owners.fields[kind.name]
    texts = encode_texts(target, fields)
    held = as_stored(target, texts)
    good = (_fits(target, texts) & ~held.is_duplicated()).fill_null(value=False).to_numpy().copy()
    place = np.full(len(rows), -1, np.int64)
    if export is not None:
        place, known = _match_export(target, held, cards[rows], export)
        good &= known
    return TargetFit(rows=rows, texts=texts, stored=held, good=good, export_row=place)


def _fits(target: Target, texts: pl.Series) -> pl.Series:
    """The texts that the column can hold (see `credkit.site.model.Column`); 64 bits and more are left for others."""
    written = target.column.declaration
    if written.startswith("text"):
        size = COLUMN.fullmatch(written)
        most = int(size[1]) if size and size[1] else None
        return texts.is_not_null() if most is None else texts.str.len_chars() <= most
    bits, signed = int(written[-2:]), written[0] != "u"
    least, most = (-(1 << bits - 1), (1 << bits - 1) - 1) if signed else (0, (1 << bits) - 1)
    numbers = texts.cast(pl.Int64 if signed or bits < 64 else pl.UInt64, strict=False)
    return texts.str.contains(_DIGITS) & numbers.is_between(least, most)


def _match_export(target: Target, held: pl.Series, cards: pl.DataFrame, export: pl.DataFrame) -> tuple[Array, Array]:
    """The place of the row of an export that is just the card's, or -1, and whether that is beyond question."""
    there = pl.DataFrame({
        "held": as_stored(target, export["text"]), "holder": export["person"],
        "place": np.arange(export.height), "again": as_stored(target, export["text"]).is_duplicated(),
    }).unique("held", keep="first")  # fmt: skip
    found = pl.DataFrame({"held": held, "person": cards["person"]}).join(
        there, on="held", how="left", maintain_order="left"
    )
    active = cards["state"] == ACTIVE
    inside = found["place"].is_not_null()
    own = inside & (found["holder"] == found["person"]) & ~found["again"] & active
    outside = ~inside & ~(active & found["person"].is_in(export["person"].unique().implode()))
    place = found["place"].fill_null(-1).to_numpy()
    return np.where(own.fill_null(value=False).to_numpy(), place, -1), (own | outside).fill_null(value=False).to_numpy()
