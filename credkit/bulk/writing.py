"""Writing many rows: from columns back to what a chain takes, by the same tables.

A row that cannot be written (a field out of range, a number with too many digits) is dropped from
the living; encoding that row with the chain itself says why.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from credkit.bulk import texts
from credkit.bulk.block import Block, mask, settle
from credkit.bulk.reading import narrow
from credkit.bulk.words import LIMB, Wide, fitted, parity_bit
from credkit.core.codec import AnyCodec
from credkit.core.errors import CredkitError
from credkit.core.reading import Field, Schema
from credkit.tables.layout import Layout, LayoutCodec
from credkit.tables.notation import NotationCodec
from credkit.tables.select import SelectCodec
from credkit.tables.wiring import WiredCodec, wiring


def write(block: Block, step: AnyCodec) -> None:
    """Take the block back through a step of a chain."""
    words = block.form == "bits" and block.length is not None
    if words and isinstance(step, WiredCodec) and block.length in _written(step):
        _wired(block, step)
    elif words and isinstance(step, NotationCodec) and block.length == step.notation.bits and texts.fast(step.notation):
        _printed(block, step)
    elif isinstance(step, LayoutCodec) and _simple(step.layout) and _plain(block, step.schema):
        _laid_out(block, step, step.layout)
    elif isinstance(step, SelectCodec) and step.output.schema and _plain(block, step.schema):
        _selected(block, step)
    else:
        by_value(block, step)


def _written(step: WiredCodec) -> range:
    return step.input.lengths if step.is_projection else step.output.lengths


def _simple(layout: Layout) -> bool:
    """Whether columns of 64-bit numbers make the frame: decimal digits of a longer one would overflow."""
    return narrow(layout) and (layout.length <= LIMB or not any(field.bcd for field in layout.fields))


def _plain(block: Block, schema: Schema) -> bool:
    """Whether the columns are those of the schema, and numbers."""
    return block.plain and set(block.data) == set(schema) and all(isinstance(row, Field) for row in schema.values())


def _admit(block: Block, schema: Schema) -> None:
    """Drop the rows with a value out of range."""
    for name, found in block.data.items():
        row = schema[name]
        assert isinstance(row, Field)
        if row.most < (1 << LIMB) - 1:
            block.drop_rows(found > max(row.most, 0))
        if row.least > 0:
            block.drop_rows(found < row.least)


def _laid_out(block: Block, step: AnyCodec, layout: Layout) -> None:
    _admit(block, step.schema)
    columns: dict[str, Any] = block.data
    if block.alive is not None:  # what is out of range must not reach the bits of its neighbours
        columns = {name: found * block.alive for name, found in columns.items()}
    if layout.length > LIMB:
        columns = {name: Wide([found]) for name, found in columns.items()}
    word = fitted(layout.encode(columns, parity_bit), layout.length)
    block.form, block.data, block.length = "bits", word, layout.length


def _selected(block: Block, step: SelectCodec) -> None:
    _admit(block, step.schema)
    found = {inner: block.data[outer] for outer, inner in step.select.kept.items()}
    for name, value in step.select.demanded.items():
        found[name] = np.full(block.count, value, np.uint64)
    block.data = found


def _wired(block: Block, step: WiredCodec) -> None:
    assert block.length is not None
    if step.is_projection:
        table = wiring(step.rule, block.length, step.flip)
        block.data, block.length = fitted(table.forward(block.data), table.gives), table.gives
        return
    takes = step.padded(block.length)
    table = wiring(step.rule, takes, step.flip)
    block.data, block.length = fitted(table.back(fitted(block.data, max(takes, block.length))), takes), takes


def _printed(block: Block, step: NotationCodec) -> None:
    series, good = texts.write(step.notation, block.data)
    block.drop_rows(~good)
    block.form, block.data, block.length = "text", series, None


def by_value(block: Block, step: AnyCodec) -> None:
    """Run the codec itself over the distinct values of the block."""
    told: dict[Any, Any] = {}
    values = []
    for value in block.objects():
        key = tuple(value.items()) if block.form == "fields" and value is not None else value
        if key not in told:
            told[key] = None if value is None else _told(step, value)
        values.append(told[key])
    block.drop_rows(mask(block.count, [row for row, value in enumerate(values) if value is None]))
    settle(block, values, step.input)


def _told(step: AnyCodec, value: Any) -> Any:
    try:
        return step._encode_raw(value)
    except CredkitError:
        return None
