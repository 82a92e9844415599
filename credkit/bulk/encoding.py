"""Encode blocks of rows: from columns back to what a chain takes, by the same tables.

A row that cannot be encoded (a field out of range, a number with too many digits) is dropped: it has no
value from there on. Encoding that row with the chain itself gives the reason.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from credkit.bulk import texts
from credkit.bulk.decoding import fits_in_a_limb
from credkit.bulk.rowblock import RowBlock, distinct_key, mask, store_values
from credkit.bulk.words import LIMB_BITS, Wide, parity_bit, resized
from credkit.core.codec import AnyCodec
from credkit.core.contract import slip_error
from credkit.core.errors import CredkitError, DefinitionError
from credkit.core.reading import Field, Schema
from credkit.tables.layout import Layout, LayoutCodec, Sum
from credkit.tables.notation import Notation, NotationCodec
from credkit.tables.select import SelectCodec
from credkit.tables.wiring import WiredCodec, wiring_for


def encode_step(block: RowBlock, step: AnyCodec) -> None:
    """Take the block back through a step of a chain."""
    words = block.form == "bits" and block.length is not None
    table = step.notation if isinstance(step, NotationCodec) else None
    if words and isinstance(step, WiredCodec) and block.length in _encoded_lengths(step):
        _encode_wiring(block, step)
    elif words and table and block.length == table.bits and texts.has_kernel(table):
        _encode_notation(block, table)
    elif isinstance(step, LayoutCodec) and _is_array_layout(step.layout) and _has_number_columns(block, step.schema):
        _encode_layout(block, step, step.layout)
    elif isinstance(step, SelectCodec) and step.output.schema and _has_number_columns(block, step.schema):
        _encode_select(block, step)
    else:
        by_value(block, step)


def _encoded_lengths(step: WiredCodec) -> range:
    return step.input.lengths if step.is_projection else step.output.lengths


def _is_array_layout(layout: Layout) -> bool:
    """Whether columns of 64-bit numbers make the frame: decimal digits of a longer one would overflow."""
    is_simple = not any(field.bcd for field in layout.fields) and not any(isinstance(c, Sum) for c in layout.checks)
    return fits_in_a_limb(layout) and (layout.length <= LIMB_BITS or is_simple)


def _has_number_columns(block: RowBlock, schema: Schema) -> bool:
    """Whether the columns are those of the schema, and numbers."""
    return (
        block.has_numbers and set(block.data) == set(schema) and all(isinstance(row, Field) for row in schema.values())
    )


def _drop_out_of_range(block: RowBlock, schema: Schema) -> None:
    """Drop the rows with a value out of range."""
    for name, found in block.data.items():
        row = schema[name]
        assert isinstance(row, Field)
        if row.most < (1 << LIMB_BITS) - 1:
            block.drop_rows(found > max(row.most, 0))
        if row.least > 0:
            block.drop_rows(found < row.least)


def _encode_layout(block: RowBlock, step: AnyCodec, layout: Layout) -> None:
    _drop_out_of_range(block, step.schema)
    columns: dict[str, Any] = block.data
    if block.validity is not None:  # a value out of range would reach the bits of the next field
        columns = {name: found * block.validity for name, found in columns.items()}
    if layout.length > LIMB_BITS:
        columns = {name: Wide([found]) for name, found in columns.items()}
    word = resized(layout.encode(columns, parity_bit), layout.length)
    block.form, block.data, block.length = "bits", word, layout.length


def _encode_select(block: RowBlock, step: SelectCodec) -> None:
    _drop_out_of_range(block, step.schema)
    found = {inner: block.data[outer] for outer, inner in step.select.kept.items()}
    for name, value in step.select.demanded.items():
        found[name] = np.full(block.count, value, np.uint64)
    block.data = found


def _encode_wiring(block: RowBlock, step: WiredCodec) -> None:
    assert block.length is not None
    if step.is_projection:
        table = wiring_for(step.rule, block.length, step.flip)
        block.data, block.length = resized(table.decode(block.data), table.gives), table.gives
        return
    takes = step.padded(block.length)
    table = wiring_for(step.rule, takes, step.flip)
    block.data, block.length = resized(table.encode(resized(block.data, max(takes, block.length))), takes), takes


def _encode_notation(block: RowBlock, notation: Notation) -> None:
    series, good = texts.format_words(notation, block.data)
    block.drop_rows(~good)
    block.form, block.data, block.length = "text", series, None


def by_value(block: RowBlock, step: AnyCodec) -> None:
    """Run the codec itself over the distinct values of the block."""
    encoded: dict[Any, Any] = {}
    values = []
    for value in block.objects():
        key = distinct_key(block.form, value)
        if key not in encoded:
            encoded[key] = None if value is None else _encoded_or_none(step, value)
        values.append(encoded[key])
    block.drop_rows(mask(block.count, [row for row, value in enumerate(values) if value is None]))
    store_values(block, values, step.input)


def _encoded_or_none(step: AnyCodec, value: Any) -> Any:
    try:
        return step._encode_raw(value)  # of a codec without a table: held to the contract
    except DefinitionError:  # a slip of the codec's author, not of this row
        raise
    except CredkitError:
        return None
    except Exception as error:
        raise slip_error(step, "encode", error) from error
