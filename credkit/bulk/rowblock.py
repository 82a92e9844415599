"""Rows on their way through a chain: what they hold, and what was found out about them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np

from credkit.bulk.words import LIMB_BITS, Array, Wide, pack, unpack
from credkit.core.fields import Fields
from credkit.core.forms import Form
from credkit.core.reading import Field, SchemaRow
from credkit.core.shapes import Shape, single_length


class Rule(NamedTuple):
    """A check of one step of a chain, counted from 0."""

    step: int
    codec: str
    rule: str


class NoteKind(NamedTuple):
    """A kind of note of one step of a chain, counted from 0."""

    step: int
    codec: str
    kind: str
    level: str


_ABSENT = object()  # the cell of a field that a value of a failing row lacks: never a number


@dataclass(slots=True)
class RowBlock:
    """Some rows on their way: a list of values as they travel, or words of one length, or columns.

    ``validity`` has the rows that have a value, or is None where all have. ``rules`` has the rows that
    fail each check, in the order of the checks; ``first_failures`` those for which it is the first one of
    a step whose order of checks is its own. Without ``has_reasons`` a step that has no table only drops what it
    cannot decode.
    """

    count: int
    form: Form
    data: Any
    validity: Array | None = None
    rules: dict[Rule, Array] = field(default_factory=dict)
    first_failures: dict[Rule, Array] = field(default_factory=dict)
    notes: dict[NoteKind, Array] = field(default_factory=dict)
    length: int | None = None  # of words, where all have the same
    has_reasons: bool = True

    def valid(self, rows: Array) -> Array:
        """Those of ``rows`` that have a value."""
        return rows if self.validity is None else rows & self.validity

    def drop_rows(self, dead: Array) -> None:
        """From here on the rows ``dead`` have no value."""
        if dead.any():
            self.validity = ~dead if self.validity is None else self.validity & ~dead

    def failing(self) -> Array | None:
        """The rows that fail a check, None where none does."""
        failed = None
        for rows in self.rules.values():
            failed = rows if failed is None else failed | rows
        return failed if failed is not None and failed.any() else None

    def value_at(self, row: int) -> Any:
        """The value of one row as it travels in a chain; None if it has none."""
        one = slice(row, row + 1)
        if isinstance(self.data, dict):
            data: Any = {name: cells[one] for name, cells in self.data.items()}
        else:
            data = Wide([limb[one] for limb in self.data.limbs]) if isinstance(self.data, Wide) else self.data[one]
        validity = None if self.validity is None else self.validity[one]
        return RowBlock(count=1, form=self.form, data=data, validity=validity, length=self.length).objects()[0]

    @property
    def has_numbers(self) -> bool:
        """Whether it has columns of 64-bit numbers."""
        return isinstance(self.data, dict) and all(found.dtype == np.uint64 for found in self.data.values())

    def objects(self) -> list[Any]:
        """The values as they travel in a chain; None for dead rows."""
        if self.form == "bits" and self.length is not None:
            values: Sequence[Any] = [(number, self.length) for number in unpack(self.data)]
        elif self.form == "fields" and isinstance(self.data, dict):
            names = tuple(self.data)
            columns = [column.tolist() for column in self.data.values()]
            values = [Fields(dict(zip(names, row, strict=True))) for row in zip(*columns, strict=True)]
        else:
            values = self.data
        if self.validity is None:
            return list(values)
        return [value if here else None for value, here in zip(values, self.validity.tolist(), strict=True)]


def is_small(row: SchemaRow) -> bool:
    """Whether a column of 64-bit numbers holds all that the schema row allows."""
    return isinstance(row, Field) and row.most < 1 << LIMB_BITS and row.least >= 0


def store_values(block: RowBlock, values: list[Any], shape: Shape) -> None:
    """Put values as they travel into the block, as words or columns where their shape allows that."""
    block.form = shape.form
    block.data, block.length = values, None
    if shape.form == "bits" and (length := single_length(shape.lengths)) is not None:
        block.data, block.length = pack([value and value[0] for value in values], length), length
    elif shape.form == "fields" and shape.schema:
        block.data = {
            name: column([None if v is None else v.get(name, _ABSENT) for v in values], row)
            for name, row in shape.schema.items()
        }


def column(values: Sequence[Any], row: SchemaRow) -> Array:
    """One column: 64-bit numbers where they fit, else Python objects; 0 or None for rows without a value.

    On the way back a value may be out of range, or no number at all: a later step refuses it.
    """
    if is_small(row) and all(value is None or (type(value) is int and 0 <= value < 1 << LIMB_BITS) for value in values):
        return np.fromiter((value or 0 for value in values), np.uint64, len(values))
    found = np.empty(len(values), object)
    found[:] = [None if value is _ABSENT else value for value in values]
    return found


def mask(count: int, rows: Sequence[int] | Array) -> Array:
    """``count`` rows of which these are marked."""
    found = np.zeros(count, bool)
    found[rows] = True
    return found


def distinct_key(form: Form, value: Any) -> Any:
    """What only the same values have in common: 1, 1.0 and True differ; a value without a hash has its own."""
    key = (tuple(value.items()), tuple(map(type, value.values()))) if form == "fields" and value is not None else value
    try:
        hash(key)
    except TypeError:
        return object()
    return key
