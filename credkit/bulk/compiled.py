"""A chain for many rows: from arrays or columns to columns of fields and a mask for every check.

The rows go through the steps of the chain in blocks, small enough for a processor's cache where that pays.
What comes out says of each row what the chain says of one value: a law that the tests hold for every codec.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from credkit.bulk import reading, writing
from credkit.bulk.block import Block, Earned, Rule
from credkit.bulk.rows import blocks, rows_in
from credkit.bulk.words import Array, Wide
from credkit.core.codec import AnyCodec
from credkit.core.errors import DefinitionError


@dataclass(kw_only=True)
class Decoded:
    """What a chain reads in many rows.

    ``fields`` has a column for each field (unsigned numbers of 64 bits where they fit, else Python
    objects), or ``values`` what a chain gives that gives no fields: a list, or words of ``length``
    bits. A row that fails has in them what could be read all the same. ``failures`` has the rows that
    fail each check, ``notes`` those that earn each kind of note.
    """

    count: int
    fields: dict[str, Array] = field(default_factory=dict)
    values: Any = None
    length: int | None = None
    failures: dict[Rule, Array] = field(default_factory=dict)
    first_failures: dict[Rule, Array] = field(default_factory=dict)
    notes: dict[Earned, Array] = field(default_factory=dict)

    @cached_property
    def ok(self) -> Array:
        """The rows that decode: no check fails."""
        failed = np.zeros(self.count, bool)
        for rows in self.failures.values():
            failed |= rows
        return ~failed

    @cached_property
    def rules(self) -> tuple[Rule, ...]:
        """The checks that some row fails or could fail, in the order of the steps."""
        return tuple(sorted(self.failures, key=lambda rule: rule.step))

    @cached_property
    def first(self) -> Array:
        """For each row the place in ``rules`` of the first check that it fails, -1 where none does."""
        return self.first_of(slice(None))

    def first_of(self, some: Array | slice) -> Array:
        """The same for ``some`` of the rows, by their places or as a slice."""
        found = np.full(len(self.ok[some]), -1, np.int32)
        for index, rule in enumerate(self.rules):
            rows = self.first_failures.get(rule, self.failures[rule])[some]
            found[rows & (found < 0)] = index
        return found

    def take(self, rows: slice, block: Block) -> None:
        """Put a block that went through all steps in its place."""
        if isinstance(block.data, dict):
            _put(self.fields, self.count, rows, block.data)
        else:
            self.values, self.length = _placed(self.values, self.count, rows, block), block.length
        for kept, masks in (
            (self.failures, block.rules),
            (self.first_failures, block.first_failures),
            (self.notes, block.notes),
        ):
            _put(kept, self.count, rows, {key: found.astype(bool, copy=False) for key, found in masks.items()})

    def table(self) -> Any:
        """A polars data frame: a column for each field, ``ok``, and one for each check, named ``STEP.CODEC.RULE``.

        Fields that may hold more than 64 bits are columns of texts. Raises `DefinitionError` if a field is
        called ``ok``, too.
        """
        import polars as pl

        if "ok" in self.fields:
            raise DefinitionError("a field is called ok, as the column for the rows that decode: select: renames it")
        columns = {
            name: pl.Series(name, found) if found.dtype != object
            else pl.Series(name, [None if item is None else str(item) for item in found.tolist()], dtype=pl.String)
            for name, found in self.fields.items()
        }  # fmt: skip
        checks = {f"{rule.step}.{rule.codec}.{rule.rule}": self.failures[rule] for rule in self.rules}
        return pl.DataFrame({**columns, "ok": self.ok, **checks})


@dataclass(kw_only=True)
class Encoded:
    """What a chain writes for many rows.

    ``values`` are texts (a list), words of ``length`` bits (an array, with two dimensions beyond 64 bits),
    a list of numbers with their lengths where those differ, or a mapping of columns; ``ok`` has the rows
    that could be written.
    """

    count: int
    values: Any = None
    length: int | None = None
    ok: Array = field(default_factory=lambda: np.zeros(0, bool))

    def take(self, rows: slice, block: Block) -> None:
        """Put a block that went back through all steps in its place."""
        if not len(self.ok):
            self.ok = np.zeros(self.count, bool)
        self.ok[rows] = True if block.alive is None else block.alive
        if isinstance(block.data, dict):
            self.values = self.values or {name: np.zeros(self.count, data.dtype) for name, data in block.data.items()}
            for name, data in block.data.items():
                self.values[name][rows] = data
        else:
            self.values, self.length = _placed(self.values, self.count, rows, block), block.length


def _put(kept: dict[Any, Array], count: int, rows: slice, columns: Mapping[Any, Array]) -> None:
    """Put the columns of a block in their place; one that has all rows, and is no part of another, is that column."""
    for key, found in columns.items():
        if len(found) == count and found.base is None:
            kept[key] = found
            continue
        if key not in kept:
            kept[key] = np.zeros(count, found.dtype)
        kept[key][rows] = found


def _placed(values: Any, count: int, rows: slice, block: Block) -> Any:
    """``values`` with what the block holds put in: words as an array, anything else in a list."""
    data = block.data
    if block.form == "bits" and block.length is not None:
        limbs = data.limbs[::-1] if isinstance(data, Wide) else (data,)
        if values is None:
            values = np.zeros((count, len(limbs)) if len(limbs) > 1 else count, np.uint64)
        values[rows] = np.stack(limbs, axis=1) if len(limbs) > 1 else data
        return values
    values = [] if values is None else values
    values.extend(block.objects())
    return values


class Bulk:
    """A chain that reads and writes many rows; made by `credkit.bulk.compile`."""

    def __init__(self, codec: AnyCodec) -> None:
        self.codec = codec

    def decode(self, values: Any, *, length: int | None = None) -> Decoded:
        """What the chain reads in each row of ``values``.

        They are, for a chain from text, a list, or a polars or Arrow column, of strings; for one from
        bits a list of ``Bits``, or an array of unsigned 64-bit numbers of ``length`` bits each (with two
        dimensions for longer frames, the most significant word first); for one from fields a mapping of
        columns. A null reads as an empty text. Raises `DefinitionError` for anything else.
        """
        if self.codec.decode_obstacle:
            raise DefinitionError(f"chain {self.codec.name} cannot read: {self.codec.decode_obstacle}")
        found = Decoded(count=rows_in(self.codec.name, self.codec.input, values))
        for rows, block in blocks(self.codec.name, self.codec.input, values, length):
            for place, step in enumerate(self.codec.steps):
                reading.read(block, place, step)
            found.take(rows, block)
        return found

    def encode(self, values: Any, *, length: int | None = None) -> Encoded:
        """What the chain writes for each row of ``values``: a mapping of columns, or what `decode` gives as values.

        Rows that cannot be written are not ``ok``; encoding one of them with the chain itself says why.
        """
        if self.codec.encode_obstacle:
            raise DefinitionError(f"chain {self.codec.name} cannot write: {self.codec.encode_obstacle}")
        found = Encoded(count=rows_in(self.codec.name, self.codec.output, values))
        for rows, block in blocks(self.codec.name, self.codec.output, values, length):
            for step in reversed(getattr(self.codec, "writers", (self.codec,))):
                writing.write(block, step)
            found.take(rows, block)
        return found
