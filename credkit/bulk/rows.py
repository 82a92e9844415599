"""Rows on their way in: columns of any library, divided into blocks.

A row that is null, or a number that has more bits than a frame, is dropped before the first step, under a rule of
that step: `MISSING` or `OUT_OF_RANGE`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

import numpy as np

from credkit.bulk.containers import (
    NullableColumn,
    as_columns,
    as_list,
    either_mask,
    field_column,
    index_of,
    is_float,
    is_null,
    refuse_floats,
    require_sized,
    shared_index,
    text_column,
    unwrapped,
)
from credkit.bulk.rowblock import RowBlock, Rule
from credkit.bulk.tables import number_of_text
from credkit.bulk.words import LIMB_BITS, Array, Wide, pack
from credkit.core.errors import DefinitionError
from credkit.core.fields import is_index
from credkit.core.forms import Form, raw_of
from credkit.core.reading import Field, Schema, SchemaRow
from credkit.core.sentences import nearest, redacted_repr
from credkit.core.shapes import Shape, describe_lengths, single_length
from credkit.core.spans import MAX_BITS

BLOCK_ROWS = 1 << 16  # of a block: its columns stay in a processor's cache, and calls cost little
TEXT_BLOCK_ROWS = 1 << 18  # of a block of texts: calls for them cost more than a cache saves
MISSING = "missing"  # the rule that a null row fails
OUT_OF_RANGE = "out-of-range"  # the rule that a number fails which is negative or has more bits than the frame


def blocks(
    name: str, step: str, shape: Shape, values: Any, length: int | None = None
) -> Iterator[tuple[slice, RowBlock]]:
    """``values``, which should be of ``shape``, in blocks; raises `DefinitionError` if they are not.

    ``name`` is the chain's, for sentences; ``step`` is the name of the first step, for rules. Without rows there is
    one empty block, so that the result has its columns.
    """
    if length is not None and (type(length) is not int or not 0 <= length <= MAX_BITS):
        raise DefinitionError(f"{name}: length= is a number of bits from 0 to {MAX_BITS}, not {redacted_repr(length)}")
    if shape.form == "text":
        yield from _texts(name, step, values)
    elif shape.form == "fields":
        yield from _columns(name, step, shape.schema, values)
    else:
        yield from _bits(name, step, shape, values, length)


class RowExtent(NamedTuple):
    """How many rows an input has, and their index where it came from pandas."""

    row_count: int
    row_index: Any


def extent_of(name: str, shape: Shape, values: Any) -> RowExtent:
    """The rows of ``values``, which should be of ``shape``; raises `DefinitionError` for what has none."""
    if shape.form == "fields":
        columns = as_columns(name, values)
        key, column = next(iter(columns.items()))
        require_sized(f"{name}: the column {key}", "a column of values", column)
        return RowExtent(len(column), shared_index(name, columns))
    require_sized(name, "a column of texts" if shape.form == "text" else "an array of bits", values)
    return RowExtent(len(values), index_of(values))


def _slices(count: int, size: int = BLOCK_ROWS) -> Iterator[slice]:
    for start in range(0, max(count, 1), size):
        yield slice(start, min(start + size, count))


def _block(rows: slice, form: Form, data: Any, length: int | None = None) -> RowBlock:
    return RowBlock(count=rows.stop - rows.start, form=form, data=data, length=length)


def _drop(block: RowBlock, step: str, rule: str, rows: Array | None) -> None:
    """Drop ``rows`` of the block, if there are any, as rows that fail ``rule``."""
    if rows is not None and rows.any():
        block.rules[Rule(0, step, rule)] = rows
        block.drop_rows(rows)


def _texts(name: str, step: str, values: Any) -> Iterator[tuple[slice, RowBlock]]:
    texts, nulls = text_column(name, values)
    for rows in _slices(len(texts), TEXT_BLOCK_ROWS):
        block = _block(rows, "text", texts[rows])
        _drop(block, step, MISSING, None if nulls is None else nulls[rows])
        yield rows, block


def _bits(name: str, step: str, shape: Shape, values: Any, length: int | None) -> Iterator[tuple[slice, RowBlock]]:
    require_sized(name, "an array of bits", values)
    column = unwrapped(values)
    if column is None:
        raise DefinitionError(f"{name}: takes a list or an array of bits, not {redacted_repr(type(values).__name__)}")
    found, nulls = column
    size = single_length(shape.lengths) if length is None else length
    refuse_floats(name, "whole numbers or bits", found, values)
    if isinstance(found, np.ndarray) and found.dtype != object and not is_float(found):
        yield from _words(name, step, NullableColumn(found, nulls), _known(name, shape, size))
        return
    cells = as_list(found)
    missing = np.array([is_null(cell) for cell in cells], bool)
    nulls = either_mask(nulls, missing if missing.any() else None)
    if any(map(is_index, cells)):
        words, strange = _whole_numbers(name, cells, nulls, _known(name, shape, size))
        yield from _words(name, step, NullableColumn(words, nulls), _known(name, shape, size), strange)
        return
    raw, strange = _raw_bits(name, cells, nulls)
    for rows in _slices(len(raw)):
        block = _block(rows, "bits", raw[rows])
        _drop(block, step, MISSING, None if nulls is None else nulls[rows])
        _drop(block, step, OUT_OF_RANGE, strange[rows])
        yield rows, block


def _known(name: str, shape: Shape, size: int | None) -> int:
    if size is None:
        raise DefinitionError(
            f"{name}: takes {describe_lengths(shape.lengths)}: length= says how many bits each row has"
        )
    return size


def _raw_bits(name: str, cells: Sequence[Any], nulls: Array | None) -> tuple[list[Any], Array]:
    """Bits of any accepted type as they travel, and the rows whose pair has a number with no place in its length."""
    raw: list[Any] = []
    strange = np.zeros(len(cells), bool)
    for row, cell in enumerate(cells):
        if nulls is not None and nulls[row]:
            raw.append(None)
            continue
        try:
            raw.append(raw_of("bits", cell))
        except ValueError:
            if not _is_pair(cell):
                raise DefinitionError(f"{name}: row {row} is {redacted_repr(cell)}, not bits") from None
            raw.append(None)
            strange[row] = True
    return raw, strange


def _is_pair(cell: object) -> bool:
    """Whether a cell is a number and a possible length."""
    return isinstance(cell, tuple) and len(cell) == 2 and all(map(is_index, cell)) and 0 <= cell[1] <= MAX_BITS


def _whole_numbers(name: str, cells: Sequence[Any], nulls: Array | None, size: int) -> tuple[Array, Array]:
    """Whole numbers of any library as words of ``size`` bits, and the rows whose number has no place in them."""
    strange = np.zeros(len(cells), bool)
    numbers: list[int] = []
    for row, cell in enumerate(cells):
        if nulls is not None and nulls[row]:
            numbers.append(0)
        elif is_index(cell):
            number = int(cell)
            strange[row] = number < 0 or number.bit_length() > size
            numbers.append(0 if strange[row] else number)
        else:
            raise DefinitionError(f"{name}: row {row} is {redacted_repr(cell)}, not a whole number")
    words = pack(numbers, size)
    return np.stack(words.limbs[::-1], axis=1) if isinstance(words, Wide) else words, strange


def _words(
    name: str, step: str, column: NullableColumn, size: int, strange: Array | None = None
) -> Iterator[tuple[slice, RowBlock]]:
    """Blocks of words of ``size`` bits; ``strange`` has rows that are already known to be out of range."""
    words, nulls = column
    count = words.shape[1] if words.ndim == 2 else 1
    whole = words.dtype == np.uint64 or (words.dtype.kind in "iu" and words.ndim == 1)
    if not whole or words.ndim not in (1, 2) or count != max(1, -(-size // LIMB_BITS)):
        wanted = f"{-(-size // LIMB_BITS)} columns of uint64" if size > LIMB_BITS else "one column of whole numbers"
        raise DefinitionError(f"{name}: {size} bits need {wanted}, not {words.dtype} of shape {words.shape}")
    top = size % LIMB_BITS or (LIMB_BITS if size else 0)
    for rows in _slices(len(words)):
        piece: Any = words[rows]
        outside: Array | None = None if strange is None else strange[rows]
        if piece.dtype.kind == "i" and piece.min(initial=0) < 0:
            outside = either_mask(outside, piece < 0)
        piece = piece.astype(np.uint64, copy=False)
        first = piece if words.ndim == 1 else piece[:, 0]
        if top < LIMB_BITS and int(first.max(initial=0)) >> top:
            outside = either_mask(outside, first >> np.uint64(top) != 0)
        missing = None if nulls is None else nulls[rows]
        if missing is not None and outside is not None:
            outside = outside & ~missing
        if (gaps := either_mask(missing, outside)) is not None:
            piece = np.where(gaps if piece.ndim == 1 else gaps[:, None], np.uint64(0), piece)
        if piece.ndim == 2:
            limbs = [np.ascontiguousarray(piece[:, i]) for i in reversed(range(count))]
            piece = limbs[0] if count == 1 else Wide(limbs)
        block = _block(rows, "bits", piece, size)
        _drop(block, step, MISSING, missing)
        _drop(block, step, OUT_OF_RANGE, outside)
        yield rows, block


def _wide_numbers(row: SchemaRow | None, column: NullableColumn) -> NullableColumn:
    """The column of a field of more than 64 bits, whose numbers are texts in tables, as numbers."""
    if not isinstance(row, Field) or row.most < 1 << LIMB_BITS or column.values.dtype != object:
        return column
    numbers = np.empty(len(column.values), object)
    for place, cell in enumerate(column.values):  # a list in a cell stays a list
        numbers[place] = number_of_text(cell)
    return NullableColumn(numbers, column.nulls)


def _columns(name: str, step: str, schema: Schema | None, values: Any) -> Iterator[tuple[slice, RowBlock]]:
    """Columns of fields; a value that no field can hold goes on as it is, for the codec to refuse.

    Where the schema is known each field is needed, and a null drops its row; else the codec decides.
    """
    found = {key: field_column(f"{name}: the column {key}", cells) for key, cells in as_columns(name, values).items()}
    if schema:
        found = {key: _wide_numbers(schema.get(key), column) for key, column in found.items()}
        for missing in (key for key in schema if key not in found):
            raise DefinitionError(f"{name}: the column {missing} is missing{nearest(missing, found)}")
        for extra in (key for key in found if key not in schema):
            raise DefinitionError(f"{name}: there is no field {redacted_repr(extra)}, only {', '.join(schema)}")
    lengths = {len(column.values) for column in found.values()}
    if len(lengths) > 1:
        raise DefinitionError(f"{name}: the columns have {', '.join(map(str, sorted(lengths)))} rows")
    nulls: Array | None = None
    columns = {key: column.values for key, column in found.items()}
    for key, column in found.items():
        if schema:
            nulls = either_mask(nulls, column.nulls)
        elif column.nulls is not None:
            columns[key] = columns[key].astype(object)
            columns[key][column.nulls] = None
    for rows in _slices(lengths.pop()):
        block = _block(rows, "fields", {key: cells[rows] for key, cells in columns.items()})
        _drop(block, step, MISSING, None if nulls is None else nulls[rows])
        yield rows, block
