"""Columns as tables of other libraries: Polars first, Arrow and pandas made from it.

pyarrow and pandas are only imported when a table of theirs is asked for.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from importlib import import_module
from typing import Any

import numpy as np
import polars as pl

from credkit.bulk.words import LIMB_BITS, Array
from credkit.core.errors import DefinitionError
from credkit.core.spans import MAX_NUMBER_BITS

MAX_NUMBER_DIGITS = len(str((1 << MAX_NUMBER_BITS) - 1))
_DECIMAL = re.compile("0|[1-9][0-9]*")


def frame(columns: Mapping[str, Any]) -> pl.DataFrame:
    """A data frame of columns by name."""
    return pl.DataFrame(dict(columns))


def number_or_text(name: str, column: Array, nulls: Array | None) -> pl.Series:
    """A column as numbers where it has numbers of 64 bits, else as texts.

    >>> number_or_text("number", np.array([5, 0], np.uint64), np.array([False, True])).to_list()
    [5, None]
    """
    if column.dtype == object:
        cells = column.tolist()
        gone = [False] * len(cells) if nulls is None else nulls.tolist()
        texts = [None if null or cell is None else str(cell) for cell, null in zip(cells, gone, strict=True)]
        return text_series(name, texts)
    return null_where(pl.Series(name, column), nulls)


def number_of_text(cell: Any) -> Any:
    """The number of which `number_or_text` made the text ``cell``; any other cell as it is.

    >>> number_of_text("1208925819614629174706175"), number_of_text("0123"), number_of_text(5)
    (1208925819614629174706175, '0123', 5)
    """
    if not isinstance(cell, str) or len(cell) > MAX_NUMBER_DIGITS or not _DECIMAL.fullmatch(cell):
        return cell
    return int(cell)


def null_where(series: pl.Series, nulls: Array | None) -> pl.Series:
    """A series with null rows put in."""
    if nulls is None or not nulls.any():
        return series
    return pl.select(pl.when(pl.Series(~nulls)).then(series).alias(series.name)).to_series()


def text_series(name: str, texts: Sequence[str | None]) -> pl.Series:
    """A column of texts; raises `DefinitionError` for a text that no table can hold."""
    try:
        return pl.Series(name, texts, dtype=pl.String)
    except UnicodeEncodeError:
        row = next(row for row, text in enumerate(texts) if text and not text.isascii() and _has_surrogate(text))
        raise DefinitionError(
            f"row {row} (counted from 0) has half of a surrogate pair, which a table cannot hold; the arrays can"
        ) from None


def _has_surrogate(text: str) -> bool:
    return any(0xD800 <= ord(char) < 0xE000 for char in text)


def of_bits(values: Any, length: int | None) -> pl.Series:
    """Words of up to 64 bits as numbers, all others as texts of binary digits."""
    if isinstance(values, np.ndarray) and length is not None:
        nulls = np.ma.getmaskarray(values) if isinstance(values, np.ma.MaskedArray) else None
        if values.ndim == 1:
            return null_where(pl.Series("bits", np.asarray(values)), nulls)
        numbers = [
            sum(limb << LIMB_BITS * place for place, limb in enumerate(reversed(row)))
            for row in np.asarray(values).tolist()
        ]
        gone = [False] * len(numbers) if nulls is None else nulls[:, 0].tolist()
        texts = [None if null else f"{number:0{length}b}" for number, null in zip(numbers, gone, strict=True)]
        return text_series("bits", texts)
    return text_series("bits", [None if value is None else value.bin for value in values])


def of_records(values: Sequence[Mapping[str, Any] | None]) -> dict[str, pl.Series]:
    """Fields of which only the rows know the names: a column for each, null where a row does not have it."""
    names = dict.fromkeys(name for value in values if value is not None for name in value)
    columns = {}
    for name in names:
        cells = [None if value is None else value.get(name) for value in values]
        small = all(cell is None or (isinstance(cell, int) and cell < 1 << LIMB_BITS) for cell in cells)
        texts = [None if cell is None else str(cell) for cell in cells]
        columns[name] = pl.Series(name, cells, dtype=pl.UInt64) if small else text_series(name, texts)
    return columns


def labels(names: Sequence[str], places: Array) -> pl.Series:
    """The names at these places, null at -1."""
    return text_series("", [*names, None]).gather(pl.Series(places % (len(names) + 1)))


def to_arrow(table: pl.DataFrame) -> Any:
    """A data frame as a ``pyarrow.Table``."""
    return _library("pyarrow", "to_arrow").table(table)


def to_pandas(table: pl.DataFrame, index: Any = None) -> Any:
    """A data frame as one of pandas with this index, and with nullable types: a number stays a number beside a null."""
    pandas = _library("pandas", "to_pandas")
    columns = {}
    for series in table:
        if series.dtype == pl.UInt64:
            numbers = series.fill_null(0).to_numpy()
            columns[series.name] = pandas.arrays.IntegerArray(numbers.copy(), series.is_null().to_numpy().copy())
        elif series.dtype == pl.Boolean:
            columns[series.name] = series.to_numpy()
        else:
            columns[series.name] = pandas.array(series.to_list(), dtype="string")
    return pandas.DataFrame(columns, index=index)


def _library(name: str, method: str) -> Any:
    try:
        return import_module(name)
    except ModuleNotFoundError:
        raise ModuleNotFoundError(f"{method}() needs {name}: pip install {name}", name=name) from None
