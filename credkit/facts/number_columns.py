"""Numbers in columns: a column for each of the fields that make a number, by which rows are compared.

Each column is called ``key FIELD`` and has 64-bit numbers, or texts where a field may be longer.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
import polars as pl

from credkit.bulk.words import Array
from credkit.site.model import CredentialKind

KEY_PREFIX = "key "  # before the name of a field that makes the number


def narrow_to_64_bits(column: Array) -> Array:
    """``column`` in 64 bits if its values allow that, whatever its field might hold."""
    if column.dtype == np.uint64:
        return column
    fits = all(isinstance(item, int) and 0 <= item < 1 << 64 for item in column.tolist())
    return column.astype(np.uint64) if fits else column


def key_columns(kind: CredentialKind, fields: Mapping[str, Array]) -> list[pl.Series]:
    """The columns that make the number; what is longer than 64 bits is compared as text."""
    return [_as_series(f"{KEY_PREFIX}{name}", fields[name]) for name in kind.key]


def _as_series(name: str, column: Array) -> pl.Series:
    if column.dtype == np.uint64:
        return pl.Series(name, column)
    return pl.Series(name, [None if item is None else str(item) for item in column.tolist()], dtype=pl.String)


def unify_key_types(frames: list[pl.DataFrame]) -> list[pl.DataFrame]:
    """``frames`` with key columns of the same types: texts where they differ."""
    names = [name for name in frames[0].columns if name.startswith(KEY_PREFIX)] if frames else []
    mixed = [name for name in names if len({frame[name].dtype for frame in frames}) > 1]
    return [frame.with_columns(pl.col(name).cast(pl.String) for name in mixed) for frame in frames]


def number_text(columns: Iterable[str]) -> pl.Expr:
    """The number as files write it, made of these columns (`credkit.facts.numbers.format_number`).

    >>> frame = pl.DataFrame({"key facility": [12], "key number": [345]})
    >>> frame.select(number_text(frame.columns)).item()
    '12-345'
    """
    return pl.concat_str([pl.col(name).cast(pl.String) for name in columns], separator="-")
