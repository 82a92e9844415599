"""Target columns: the texts that a target's chain writes, and what its column gives back, for many numbers at once."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from credkit import bulk
from credkit.bulk.words import Array
from credkit.site.model import Target

TEXT_COLUMN = "text"
_INTEGER = r"\A-?[0-9]{1,40}\z"


def encode_texts(target: Target, fields: Mapping[str, Array]) -> pl.Series:
    """The texts that ``target`` writes; null where its chain cannot."""
    codec = target.conversion.target
    done = bulk.compile(codec).encode_or_null({name: fields[name] for name in codec.schema})
    return pl.Series(TEXT_COLUMN, done.values, dtype=pl.String)


def as_stored(target: Target, texts: pl.Series) -> pl.Series:
    """``texts`` as the target's column gives them back (`credkit.site.model.Column.as_stored`)."""
    if target.column.declaration.startswith("text"):
        return texts
    is_number = texts.str.contains(_INTEGER)
    return pl.select(
        pl.when(is_number).then(drop_leading_zeros(texts)).otherwise(texts).alias(TEXT_COLUMN)
    ).to_series()  # fmt: skip


def drop_leading_zeros(numbers: pl.Series) -> pl.Series:
    """Whole ``numbers`` as they are written without leading zeros.

    >>> drop_leading_zeros(pl.Series(["0012", "-007", "000", "-0", "12"])).to_list()
    ['12', '-7', '0', '0', '12']
    """
    return numbers.str.replace(r"\A(-?)0+([0-9])", "${1}${2}").str.replace(r"\A-0\z", "0")
