"""Rows on their way in: arrays, columns and lists, cut into blocks."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Set
from typing import Any

import numpy as np

from credkit.bulk.block import Block
from credkit.bulk.words import LIMB, Array, Wide
from credkit.core.errors import DefinitionError
from credkit.core.forms import Form, is_form, to_raw
from credkit.core.reading import Schema
from credkit.core.sentences import nearest, redacted_repr
from credkit.core.shapes import Shape, describe_lengths, only
from credkit.core.spans import LIMIT

ROWS = 1 << 16  # of a block: they and what is made of them stay in a processor's cache, and calls cost little
TEXTS = 1 << 18  # of a block of texts: calls for them cost more than what a cache saves


def blocks(name: str, shape: Shape, values: Any, length: int | None) -> Iterator[tuple[slice, Block]]:
    """``values``, which should be of ``shape``, in blocks; raises `DefinitionError` for what is not.

    Where there are no rows there is one block without any, so that what comes out has its columns.
    """
    if length is not None and (type(length) is not int or not 0 <= length <= LIMIT):
        raise DefinitionError(f"{name}: length= is a number of bits from 0 to {LIMIT}, not {redacted_repr(length)}")
    if shape.form == "text":
        yield from _texts(name, values)
    elif shape.form == "bits" and isinstance(values, np.ndarray):
        yield from _words(name, shape, values, length)
    elif shape.form == "fields":
        yield from _columns(name, shape.schema, values)
    else:
        yield from _objects(name, "bits", values)


def rows_in(name: str, shape: Shape, values: Any) -> int:
    """How many rows ``values``, which should be of ``shape``, have; raises `DefinitionError` for what has none."""
    if shape.form == "fields":
        columns = _mapping(name, values)
        key = next(iter(columns))
        return _size(f"{name}: the column {key}", "a column of values", columns[key])
    return _size(name, "a column of texts" if shape.form == "text" else "an array of bits", values)


def _mapping(name: str, values: Any) -> Mapping[Any, Any]:
    if not isinstance(values, Mapping):
        raise DefinitionError(f"{name}: takes a mapping of columns, not {redacted_repr(type(values).__name__)}")
    if not values:
        raise DefinitionError(f"{name}: takes a mapping of columns, and this one has none")
    return values


def _size(what: str, items: str, values: Any) -> int:
    """The length of a list, an array or a column; what has none or no order, and a single text, is no such thing."""
    sized = hasattr(values, "__len__") and not isinstance(values, (str, bytes, bytearray, Mapping, Set))
    if not sized or (isinstance(values, np.ndarray) and not values.ndim):
        raise DefinitionError(f"{what}: takes a list or {items}, not {redacted_repr(type(values).__name__)}")
    return len(values)


def _slices(count: int, size: int = ROWS) -> Iterator[slice]:
    for start in range(0, max(count, 1), size):
        yield slice(start, min(start + size, count))


def _texts(name: str, values: Any) -> Iterator[tuple[slice, Block]]:
    """Texts: a series where they came as one, or the extra is there."""
    if isinstance(values, (list, tuple, np.ndarray)):
        yield from _objects(name, "text", list(values))
        return
    import polars as pl

    try:
        series = values if isinstance(values, pl.Series) else pl.Series(values)
    except (TypeError, ValueError, pl.exceptions.PolarsError):
        raise DefinitionError(
            f"{name}: takes a list or a column of texts, not {redacted_repr(type(values).__name__)}"
        ) from None
    if series.dtype != pl.String:
        raise DefinitionError(f"{name}: takes a column of texts, not of {series.dtype}")
    if series.null_count():
        series = series.fill_null("")
    for rows in _slices(len(series), TEXTS):
        yield rows, Block(count=rows.stop - rows.start, form="text", data=series[rows])


def _objects(name: str, form: Form, values: Any) -> Iterator[tuple[slice, Block]]:
    if not isinstance(values, (list, tuple)):
        raise DefinitionError(f"{name}: takes a list or an array of {form}, not {redacted_repr(type(values).__name__)}")
    for row, value in enumerate(values):
        if not is_form(form, value):
            raise DefinitionError(f"{name}: row {row} is {redacted_repr(value)}, not {form}")
    for rows in _slices(len(values)):
        yield rows, Block(count=rows.stop - rows.start, form=form, data=[to_raw(form, value) for value in values[rows]])


def _words(name: str, shape: Shape, values: Array, length: int | None) -> Iterator[tuple[slice, Block]]:
    size = only(shape.lengths) if length is None else length
    if size is None:
        raise DefinitionError(
            f"{name}: takes {describe_lengths(shape.lengths)}: length= says how many bits each row has"
        )
    count = values.shape[1] if values.ndim == 2 else 1
    if values.dtype != np.uint64 or values.ndim not in (1, 2) or count != max(1, -(-size // LIMB)):
        wanted = f"{-(-size // LIMB)} columns of uint64" if size > LIMB else "one row of uint64"
        raise DefinitionError(f"{name}: {size} bits need {wanted}, not {values.dtype} of shape {values.shape}")
    for rows in _slices(len(values)):
        piece: Any = values[rows]
        over = piece if values.ndim == 1 else piece[:, 0]
        if size % LIMB and over.max() >> size % LIMB:
            row = rows.start + int((over >> size % LIMB != 0).argmax())
            raise DefinitionError(f"{name}: row {row} has more than {size} bits")
        if values.ndim == 2:
            limbs = [np.ascontiguousarray(piece[:, i]) for i in reversed(range(count))]
            piece = limbs[0] if count == 1 else Wide(limbs)
        yield rows, Block(count=rows.stop - rows.start, form="bits", data=piece, length=size)


def _columns(name: str, schema: Schema | None, values: Any) -> Iterator[tuple[slice, Block]]:
    """Columns of fields; a value that no field can hold goes on as it is, for the codec to refuse."""
    columns = {str(key): _column(f"{name}: the column {key}", found) for key, found in _mapping(name, values).items()}
    if schema:
        for missing in (key for key in schema if key not in columns):
            raise DefinitionError(f"{name}: the column {missing} is missing{nearest(missing, columns)}")
        for extra in (key for key in columns if key not in schema):
            raise DefinitionError(f"{name}: there is no field {redacted_repr(extra)}, only {', '.join(schema)}")
    lengths = {len(found) for found in columns.values()}
    if len(lengths) > 1:
        raise DefinitionError(f"{name}: the columns have {', '.join(map(str, sorted(lengths)))} rows")
    for rows in _slices(lengths.pop()):
        data: Any = {key: found[rows] for key, found in columns.items()}
        yield rows, Block(count=rows.stop - rows.start, form="fields", data=data)


def _column(what: str, found: Any) -> Array:
    """A column of any kind as an array: unsigned numbers of 64 bits, or Python objects.

    What has no hash, such as a list, is None there: no field holds either of them.
    """
    _size(what, "a column of values", found)
    if isinstance(found, np.ndarray) and found.ndim != 1:
        raise DefinitionError(f"{what}: takes one dimension, not an array of shape {found.shape}")
    if isinstance(found, np.ndarray) and found.dtype == np.uint64:
        return found
    values = (
        found.to_pylist()
        if hasattr(found, "to_pylist")
        else list(found.tolist() if isinstance(found, np.ndarray) else found)
    )
    if all(type(value) is int and 0 <= value < 1 << LIMB for value in values):
        return np.array(values, np.uint64)
    array = np.empty(len(values), object)
    array[:] = [_hashed(value) for value in values]
    return array


def _hashed(value: Any) -> Any:
    try:
        hash(value)
    except TypeError:
        return None
    return value
