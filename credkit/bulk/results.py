"""What many rows decode and encode to: columns of fields, texts or words, as numpy arrays and as tables.

Inside, a column is a plain array, 0 or None where a row has no value. The doors put the nulls in: numbers become
masked arrays over the same memory, other columns have None, tables have nulls.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import polars as pl

from credkit.bulk import tables
from credkit.bulk.rowblock import NoteKind, RowBlock, Rule
from credkit.bulk.words import LIMB_BITS, Array, Wide
from credkit.core.errors import DefinitionError
from credkit.core.forms import Form, from_raw

WIDEST_REPR = 190  # characters
FILL_VALUE = (1 << LIMB_BITS) - 1  # of masked arrays: numpy's own, 999999, may be somebody's number


@dataclass(kw_only=True, repr=False, eq=False)
class RowResults:
    """The rows of one call: a plain array for each field in ``columns``, or ``data``, texts or bits.

    ``data`` is a list, or an array of words of ``length`` bits: with two dimensions beyond 64 bits, the most
    significant word first. ``readable`` has the rows that have a value, or is None where all have. ``index`` is that
    of a pandas input, which `to_pandas` keeps.
    """

    count: int
    form: Form
    index: Any = None
    columns: dict[str, Array] = field(default_factory=dict)
    data: Any = None
    length: int | None = None
    readable: Array | None = None

    def null_rows(self) -> Array | None:
        """The rows without a value, None where all have one."""
        return None if self.readable is None else ~self.readable

    @cached_property
    def fields(self) -> Mapping[str, Array]:
        """A column for each field: unsigned numbers of 64 bits where they fit, else Python objects.

        Numbers of a result that may have nulls are masked arrays over the memory of ``columns``.
        """
        return self._fields(self.null_rows())

    @cached_property
    def values(self) -> Any:
        """What a chain gives that gives no fields: a list of texts or ``Bits``, or an array of words."""
        return self._values(self.null_rows())

    def _fields(self, nulls: Array | None) -> dict[str, Array]:
        return {name: with_nulls(column, nulls) for name, column in self.columns.items()}

    def _values(self, nulls: Array | None) -> Any:
        if self.data is None:
            return None
        if isinstance(self.data, np.ndarray):
            return with_nulls(self.data, nulls)
        gone = [False] * self.count if nulls is None else nulls.tolist()
        return [
            None if null or value is None else from_raw(self.form, value)
            for value, null in zip(self.data, gone, strict=True)
        ]

    def take(self, rows: slice, block: RowBlock) -> None:
        """Put a block that went through all steps in its place."""
        self.form, self.length = block.form, block.length
        if isinstance(block.data, dict):
            put(self.columns, self.count, rows, block.data)
        else:
            self.data = _placed(self.data, self.count, rows, block)
        if block.validity is not None:
            if self.readable is None:
                self.readable = np.ones(self.count, bool)
            self.readable[rows] = block.validity

    def to_polars(self) -> pl.DataFrame:
        """A Polars data frame: a column for each field, or one called ``text`` or ``bits``; nulls are null.

        Numbers of up to 64 bits are unsigned numbers; longer numbers are texts of decimal digits. Bits are numbers
        where all rows have the same length of up to 64, else texts of binary digits.
        """
        return tables.frame(self._series())

    def to_arrow(self) -> Any:
        """The table of `to_polars` as a ``pyarrow.Table``; needs pyarrow."""
        return tables.to_arrow(self.to_polars())

    def to_pandas(self) -> Any:
        """The table of `to_polars` as a pandas data frame, with its nullable types and the index of a pandas input.

        Needs pandas.
        """
        return tables.to_pandas(self.to_polars(), self.index)

    def __arrow_c_stream__(self, requested_schema: object = None) -> object:
        """The table of `to_polars` for any library that takes Arrow data."""
        return self.to_polars().__arrow_c_stream__(requested_schema)

    def _series(self) -> dict[str, Any]:
        nulls = self.null_rows()
        if self.data is None:
            return {name: tables.number_or_text(name, column, nulls) for name, column in self.columns.items()}
        if self.form == "fields":
            return tables.of_records(self._values(nulls))
        if self.form == "bits":
            return {"bits": tables.of_bits(self._values(nulls), self.length)}
        return {"text": tables.text_series("text", self._values(nulls))}

    def __len__(self) -> int:
        return self.count

    def __repr__(self) -> str:
        text = f"{type(self).__name__}({', '.join(self._summary())})"
        return text if len(text) <= WIDEST_REPR else f"{text[: WIDEST_REPR - 2]}…)"

    def _summary(self) -> Iterator[str]:
        yield f"{self.count} row{'s' if self.count != 1 else ''}"
        null_count = 0 if (nulls := self.null_rows()) is None else int(nulls.sum())
        if null_count:
            yield f"{null_count} null"
        yield f"fields: {' '.join(self.columns)}" if self.columns else self.form


class Decoded(RowResults):
    """What many rows decode to; a row that does not decode is null."""

    @cached_property
    def ok(self) -> Array:
        """The rows that decode."""
        return np.ones(self.count, bool) if self.readable is None else self.readable


@dataclass(kw_only=True, repr=False, eq=False)
class Encoded(RowResults):
    """What many rows encode to: texts, words or fields. With ``has_nulls`` some may not be encoded, and are null."""

    has_nulls: bool = False

    @cached_property
    def ok(self) -> Array:
        """The rows that could be encoded."""
        return np.ones(self.count, bool) if self.readable is None else self.readable

    def null_rows(self) -> Array | None:
        """The rows that cannot be encoded; None where all must be."""
        return ~self.ok if self.has_nulls else None


@dataclass(kw_only=True, repr=False, eq=False)
class Inspected(RowResults):
    """Everything a chain finds in many rows; a row that fails a check is null in ``fields``, ``values`` and tables.

    ``failures`` has the rows that fail each check, ``notes`` the rows that have each kind of note. What was read of a
    row in spite of a failed check is in ``unchecked_fields`` and ``unchecked_values``.
    """

    failures: dict[Rule, Array] = field(default_factory=dict)
    first_failures: dict[Rule, Array] = field(default_factory=dict)
    notes: dict[NoteKind, Array] = field(default_factory=dict)

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
    def first_failed_rule(self) -> Array:
        """For each row the place in ``rules`` of the first check that it fails, -1 where none does."""
        return self.first_failed_rule_of(slice(None))

    def first_failed_rule_of(self, some: Array | slice) -> Array:
        """`first_failed_rule` for ``some`` of the rows, by their places or as a slice."""
        found = np.full(len(self.ok[some]), -1, np.int32)
        for index, rule in enumerate(self.rules):
            rows = self.first_failures.get(rule, self.failures[rule])[some]
            found[rows & (found < 0)] = index
        return found

    def null_rows(self) -> Array:
        """The rows that do not decode."""
        return ~self.ok

    @cached_property
    def unchecked_fields(self) -> Mapping[str, Array]:
        """``fields`` with what was read of rows that fail a check; null only where nothing could be read."""
        return self._fields(self._unreadable())

    @cached_property
    def unchecked_values(self) -> Any:
        """``values`` with what was read of rows that fail a check; null only where nothing could be read."""
        return self._values(self._unreadable())

    def _unreadable(self) -> Array:
        return np.zeros(self.count, bool) if self.readable is None else ~self.readable

    def take(self, rows: slice, block: RowBlock) -> None:
        """Put a block that went through all steps in its place."""
        super().take(rows, block)
        for kept, masks in (
            (self.failures, block.rules),
            (self.first_failures, block.first_failures),
            (self.notes, block.notes),
        ):
            put(kept, self.count, rows, {key: found.astype(bool, copy=False) for key, found in masks.items()})

    def to_polars(self, *, checks: bool = False) -> pl.DataFrame:
        """A Polars data frame as that of `Decoded`, null in rows that fail.

        With ``checks`` it also has ``ok``, the ``first_failed_rule``, and a column for each check. Checks are named
        ``STEP.CODEC.RULE``, the steps counted from 0. Raises `DefinitionError` if a field has one of these names, too.
        """
        if not checks:
            return super().to_polars()
        names = [f"{rule.step}.{rule.codec}.{rule.rule}" for rule in self.rules]
        found = {"ok": self.ok, "first_failed_rule": tables.labels(names, self.first_failed_rule)}
        found |= {name: self.failures[rule] for name, rule in zip(names, self.rules, strict=True)}
        columns = self._series()
        if taken := next((name for name in columns if name in found), None):
            raise DefinitionError(f"a field is called {taken}, as a column for the checks: select: renames it")
        return tables.frame({**columns, **found})

    def to_arrow(self, *, checks: bool = False) -> Any:
        """The table of `to_polars` as a ``pyarrow.Table``; needs pyarrow."""
        return tables.to_arrow(self.to_polars(checks=checks))

    def to_pandas(self, *, checks: bool = False) -> Any:
        """The table of `to_polars` as a pandas data frame, as `Decoded.to_pandas` gives it; needs pandas."""
        return tables.to_pandas(self.to_polars(checks=checks), self.index)

    def _summary(self) -> Iterator[str]:
        yield f"{self.count} row{'s' if self.count != 1 else ''}"
        yield f"{int(self.ok.sum())} ok"
        yield f"fields: {' '.join(self.columns)}" if self.columns else self.form
        counts = ((rule, int(self.failures[rule].sum())) for rule in self.rules)
        if failed := [f"{rule.codec} {rule.rule} {count}" for rule, count in counts if count]:
            yield f"failures: {', '.join(failed)}"


def with_nulls(column: Array, nulls: Array | None) -> Array:
    """A column with its null rows: masked over the same memory if it has numbers, else with None in them."""
    if nulls is None:
        return column
    if column.dtype == object:
        found = column.copy()
        found[nulls] = None
        return found
    mask = np.zeros(column.shape, bool)  # memory that is not touched where there are no nulls
    if nulls.any():
        mask |= nulls if column.ndim == 1 else nulls[:, None]
    masked: Array = np.ma.MaskedArray(column, mask=mask, fill_value=FILL_VALUE)
    return masked


def put(kept: dict[Any, Array], count: int, rows: slice, columns: Mapping[Any, Array]) -> None:
    """Put the columns of a block in their place; a whole column that is no view of another is kept as it is."""
    for key, found in columns.items():
        if len(found) == count and found.base is None:
            kept[key] = found
            continue
        if key not in kept:
            kept[key] = np.zeros(count, found.dtype)
        elif found.dtype != kept[key].dtype:  # numbers in one block, in another a cell that is none
            kept[key] = kept[key].astype(object)
        kept[key][rows] = found


def _placed(values: Any, count: int, rows: slice, block: RowBlock) -> Any:
    """``values`` with those of the block put in: words as an array, anything else in a list."""
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
