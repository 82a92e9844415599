"""Columns of other libraries as plain lists, arrays or Polars series, each with a mask of its nulls.

A null is None, a masked or missing cell, NaN, NaT or ``pandas.NA``. Pandas and Arrow are recognised by
their methods and protocols; neither is imported here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from operator import index
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from credkit.bulk.words import LIMB_BITS, Array
from credkit.core.errors import DefinitionError
from credkit.core.fields import is_index
from credkit.core.sentences import redacted_repr


class NullableColumn(NamedTuple):
    """A column as a list, an array or a Polars series, and its null rows; None where it has none."""

    values: Any
    nulls: Array | None


def is_null(value: object) -> bool:
    """Whether a cell stands for no value.

    >>> is_null(None), is_null(float("nan")), is_null(0), is_null("")
    (True, True, False, False)
    """
    if value is None or value is np.ma.masked:
        return True
    if isinstance(value, (str, int)):
        return False
    try:
        return bool(value != value)
    except (TypeError, ValueError):  # pandas.NA has no truth value; neither has a comparison of arrays
        return type(value).__name__ == "NAType"


def require_sized(what: str, items: str, values: Any) -> None:
    """Raise `DefinitionError` unless ``values`` have a length and an order; a single text is no column."""
    sized = hasattr(values, "__len__") and not isinstance(values, (str, bytes, bytearray, Mapping, Set))
    if not sized or getattr(values, "ndim", 1) == 0:
        raise DefinitionError(f"{what}: takes a list or {items}, not {redacted_repr(type(values).__name__)}")


def as_columns(name: str, values: Any) -> Mapping[str, Any]:
    """The columns of a mapping, a data frame, an Arrow table, a structured array or a series of structs."""
    found: Any = None
    if isinstance(values, Mapping):
        found = values
    elif isinstance(values, pl.Series) and isinstance(values.dtype, pl.Struct):
        found = {column.name: column for column in values.struct.unnest()}
    elif isinstance(values, np.ndarray) and values.dtype.names:
        found = {column: values[column] for column in values.dtype.names}
    elif hasattr(values, "column_names"):
        found = {column: values.column(column) for column in values.column_names}
    elif hasattr(values, "columns") and hasattr(values, "__getitem__"):
        found = {column: values[column] for column in values.columns}
    if found is None:
        raise DefinitionError(f"{name}: takes a mapping of columns, not {redacted_repr(type(values).__name__)}")
    if not found:
        raise DefinitionError(f"{name}: takes a mapping of columns, and this one has none")
    return {str(key): column for key, column in found.items()}


def index_of(values: Any) -> Any:
    """The index of a pandas series or data frame; None for anything else."""
    return getattr(values, "index", None) if _is_pandas(values) else None


def shared_index(name: str, columns: Mapping[str, Any]) -> Any:
    """The index of the pandas series among ``columns``, None without any; raises `DefinitionError` if they differ."""
    indexes = {key: index for key, column in columns.items() if (index := index_of(column)) is not None}
    if not indexes:
        return None
    first, *others = indexes
    for key in others:
        one, other = indexes[first], indexes[key]
        if len(one) == len(other) and not one.equals(other):
            raise DefinitionError(
                f"{name}: the columns {first} and {key} have different indexes: "
                f"align them, or drop the indexes with reset_index(drop=True)"
            )
    return indexes[first]


def _is_pandas(values: Any) -> bool:
    return hasattr(values, "isna") and hasattr(values, "to_numpy")


def unwrapped(values: Any) -> NullableColumn | None:
    """``values`` as a list, an array or a Polars series; None for what is not a column.

    >>> unwrapped(np.ma.MaskedArray([1, 2], mask=[True, False])).nulls.tolist()
    [True, False]
    """
    if isinstance(values, np.ma.MaskedArray):
        masked: Array = np.ma.getmaskarray(values)
        return NullableColumn(values.data, np.logical_or.reduce(masked, axis=1) if masked.ndim == 2 else masked)
    if isinstance(values, (list, tuple, np.ndarray)):
        return NullableColumn(values, None)
    if isinstance(values, pl.Series):
        return _of_polars(values)
    if _is_pandas(values):  # before Arrow: pandas has its protocol, too
        nulls = np.asarray(values.isna(), bool)
        kind = _numpy_type(values)
        if kind is None or kind.kind not in "iuf":
            return NullableColumn(values.to_numpy(dtype=object), nulls)
        if kind.kind == "f":
            return NullableColumn(values.to_numpy(dtype=kind, na_value=np.nan), nulls)
        if nulls.any():
            return NullableColumn(values.to_numpy(dtype=kind, na_value=0), nulls)
        return NullableColumn(values.to_numpy(dtype=kind), None)
    if hasattr(values, "__arrow_c_stream__") or hasattr(values, "__arrow_c_array__"):
        try:
            return _of_polars(pl.Series(values))
        except (TypeError, ValueError, pl.exceptions.PolarsError):
            return None
    if hasattr(values, "__array__"):
        return NullableColumn(np.asarray(values), None)
    return NullableColumn(list(values), None) if isinstance(values, Sequence) else None


def _of_polars(series: pl.Series) -> NullableColumn:
    """Whole numbers as an array, other types as a series or a list."""
    nulls = series.is_null().to_numpy() if series.null_count() else None
    if isinstance(series.dtype, (pl.Categorical, pl.Enum)) or series.dtype == pl.Null:
        series = series.cast(pl.String)
    if series.dtype == pl.Object:
        return NullableColumn(series.to_list(), nulls)
    if series.dtype.is_integer() and series.dtype not in (pl.Int128, pl.UInt128):
        return NullableColumn((series if nulls is None else series.fill_null(0)).to_numpy(), nulls)
    return NullableColumn(series, nulls)


def _numpy_type(values: Any) -> np.dtype[Any] | None:
    """The numpy type of the cells of a pandas column, beside its nulls; None where there is none."""
    dtype = getattr(values, "dtype", object)
    try:
        return np.dtype(getattr(dtype, "numpy_dtype", dtype))
    except TypeError:
        return None


def as_list(values: Any) -> list[Any]:
    """The cells of an unwrapped column as Python objects."""
    if isinstance(values, pl.Series):
        return values.to_list()
    return values.tolist() if isinstance(values, np.ndarray) else list(values)


def nulls_in(cells: Sequence[Any]) -> Array | None:
    """The null cells, None where there are none."""
    found = np.fromiter(map(is_null, cells), bool, len(cells))
    return found if found.any() else None


def either_mask(first: Array | None, second: Array | None) -> Array | None:
    """The rows that are in one of two masks."""
    if first is None or second is None:
        return second if first is None else first
    return first | second


def text_column(name: str, values: Any) -> NullableColumn:
    """A column of texts as a Polars series, or a list where Polars cannot hold them; nulls are empty there."""
    require_sized(name, "a column of texts", values)
    column = unwrapped(values)
    if column is None:
        raise DefinitionError(f"{name}: takes a list or a column of texts, not {redacted_repr(type(values).__name__)}")
    found, nulls = column
    if isinstance(found, np.ndarray) and found.ndim != 1:
        raise DefinitionError(f"{name}: takes one dimension, not an array of shape {found.shape}")
    if isinstance(found, pl.Series):
        if found.dtype != pl.String:
            raise DefinitionError(f"{name}: takes a column of texts, not of {found.dtype}")
        return NullableColumn(found if nulls is None else found.fill_null(""), nulls)
    if isinstance(found, np.ndarray):
        all_nan = found.dtype.kind == "f" and np.isnan(found).all()  # a column of texts without any, in pandas
        if found.dtype.kind not in "OUT" and not all_nan:
            raise DefinitionError(f"{name}: takes a column of texts, not of {_type_name(found, values)}")
        found = found.tolist()
    texts: list[str] = []
    more = np.zeros(len(found), bool)
    for row, cell in enumerate(found):
        if isinstance(cell, str) and (nulls is None or not nulls[row]):
            texts.append(cell)
        elif (nulls is not None and nulls[row]) or is_null(cell):
            more[row] = True
            texts.append("")
        else:
            raise DefinitionError(f"{name}: row {row} is {redacted_repr(cell)}, not text")
    nulls = more if more.any() else None
    try:
        return NullableColumn(pl.Series(texts, dtype=pl.String), nulls)
    except (UnicodeEncodeError, pl.exceptions.PolarsError):  # half of a surrogate pair
        return NullableColumn(texts, nulls)


def is_float(found: Any) -> bool:
    """Whether an unwrapped column is one of floats.

    >>> is_float(np.array([1.0, np.nan])), is_float(np.array([1])), is_float([1.0])
    (True, False, False)
    """
    if isinstance(found, pl.Series):
        return found.dtype.is_float()
    return isinstance(found, np.ndarray) and found.dtype.kind == "f" and found.ndim == 1


def refuse_floats(what: str, items: str, found: Any, values: Any) -> None:
    """Raise `DefinitionError` if ``found``, unwrapped from ``values``, has floats: only a guess makes them whole.

    Pandas makes a column of floats where a whole number is missing; one in which all are missing has nulls only.
    """
    if is_float(found) and not all(map(is_null, found)):
        kind = _type_name(found, values)
        raise DefinitionError(f"{what}: takes {items}, not a column of {kind}: convert it to Int64 first")


def _type_name(found: Any, values: Any) -> str:
    return str(values.dtype if hasattr(values, "dtype") else found.dtype)


def field_column(what: str, values: Any) -> NullableColumn:
    """A column of fields as an array: unsigned numbers of 64 bits, or Python objects; nulls are 0 or None there."""
    require_sized(what, "a column of values", values)
    column = unwrapped(values)
    if column is None:
        raise DefinitionError(f"{what}: takes a list or a column of values, not {redacted_repr(type(values).__name__)}")
    found, nulls = column
    if isinstance(found, np.ndarray) and found.ndim != 1:
        raise DefinitionError(f"{what}: takes one dimension, not an array of shape {found.shape}")
    refuse_floats(what, "whole numbers or texts", found, values)
    if isinstance(found, np.ndarray) and found.dtype.kind in "iu":
        if nulls is not None:
            found = np.where(nulls, found.dtype.type(0), found)
        if found.dtype == np.uint64 or not len(found) or found.min() >= 0:
            return NullableColumn(found.astype(np.uint64, copy=False), nulls)
    cells = as_list(found)
    if not all(type(cell) is int for cell in cells):
        cells = [_plain_cell(cell) for cell in cells]
    if nulls is not None:
        cells = [None if null else cell for cell, null in zip(cells, nulls.tolist(), strict=True)]
    nulls = nulls_in(cells)
    numbers = [0 if cell is None else cell for cell in cells]
    if all(type(number) is int and 0 <= number < 1 << LIMB_BITS for number in numbers):
        return NullableColumn(np.array(numbers, np.uint64), nulls)
    array = np.empty(len(cells), object)
    for row, cell in enumerate(cells):  # a list in a cell stays a list
        array[row] = cell
    return NullableColumn(array, nulls)


def _plain_cell(cell: Any) -> Any:
    """A cell as a Python number, None if it is null, else as it is."""
    if is_null(cell):
        return None
    return int(index(cell)) if is_index(cell) else cell
