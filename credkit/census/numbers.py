"""Numbers: what the values of a population say, kind by kind, in columns.

`credkit.bulk` reads all values of a kind at once. A row that does not read goes through the reading of
the crosswalk, which says why; it is listed, and no count of numbers has it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import polars as pl
from numpy.typing import NDArray

from credkit import bulk
from credkit.chains import Choice
from credkit.codec import Codec
from credkit.crosswalk.result import Exceptional, excepted
from credkit.crosswalk.texts import Texts, rounding
from credkit.errors import shown
from credkit.payment import passing
from credkit.reading import TextField
from credkit.sitemodel import Kind, Site

Array: TypeAlias = NDArray[Any]
ROUNDED = r"\A[1-9][0-9]{14}0+\z"  # texts for which `credkit.crosswalk.texts.rounded` is true
MOST_TOLD = 20_000  # different texts of a kind that are explained in full
KEY = "key "  # before the name of a field that makes the number


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbers:
    """The rows of a kind that read: their place in the population, their values, a column for each field."""

    kind: Kind
    rows: Array
    values: pl.Series
    fields: Mapping[str, Array]


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbered:
    """What the values of a population say: ``kinds`` by name, and the rows that say nothing.

    ``spaces`` has a table for each namespace: the place in the population (``row``) and the fields
    that make the number, each named ``key FIELD``.
    """

    kinds: Mapping[str, Numbers]
    spaces: Mapping[str, pl.DataFrame]
    unreadable: tuple[Exceptional, ...]


def read_numbers(site: Site, population: pl.DataFrame) -> Numbered:
    """The numbers in ``population``; rows that a more trusted source supersedes are read too."""
    kinds: dict[str, Numbers] = {}
    bad: list[Exceptional] = []
    for kind in site.kinds.values():
        rows = population["kind"].eq(kind.name).arg_true().to_numpy()
        part = population.select("line", "credential", "value", "issue", "late")[rows]
        if part.height:
            fields, ok = decoded(kind.value, part["value"])
            if kind.issue:
                fields = {**fields, kind.issue: part["issue"].fill_null(0).to_numpy()}
                ok = ok & part["issue"].is_not_null().to_numpy()
            ok = ok & ~part["value"].str.contains(ROUNDED).to_numpy()
            _guard(site, kind, part.filter(ok))
            bad.extend(_unread(site, kind, part.filter(~ok)))
            if ok.any():
                kinds[kind.name] = Numbers(
                    kind=kind, rows=rows[ok], values=part["value"].filter(ok),
                    fields={name: _narrowed(column[ok]) for name, column in fields.items()},
                )  # fmt: skip
    bad.sort(key=lambda each: each.line)
    return Numbered(kinds=kinds, spaces=_spaces(site, kinds), unreadable=tuple(bad))


def decoded(codec: Codec, values: pl.Series | Mapping[str, Array] | Array, length: int | None = None) -> Any:
    """The columns that ``codec`` gives, and the rows that read."""
    if not isinstance(codec, Choice):
        found = bulk.compile(codec).decode(values, length=length)
        return found.fields, found.ok
    options = [decoded(option, values, length) for option in codec.options]
    fit = np.sum([ok for _, ok in options], axis=0)
    fields, first = dict(options[0][0]), options[0][1]
    for columns, ok in options[1:]:
        fields = {name: np.where(first, column, columns[name]) for name, column in fields.items()}
        first = first | ok
    return fields, fit == 1  # exactly one option may fit


def _narrowed(column: Array) -> Array:
    """``column`` in 64 bits if its values allow that, whatever its field might hold."""
    if column.dtype == np.uint64:
        return column
    fits = all(isinstance(item, int) and 0 <= item < 1 << 64 for item in column.tolist())
    return column.astype(np.uint64) if fits else column


def keys(kind: Kind, fields: Mapping[str, Array]) -> list[pl.Series]:
    """The columns that make the number; what is longer than 64 bits is compared as text."""
    return [as_series(f"{KEY}{name}", fields[name]) for name in kind.key]


def as_series(name: str, column: Array) -> pl.Series:
    """A column of numbers of 64 bits, or of texts."""
    if column.dtype == np.uint64:
        return pl.Series(name, column)
    return pl.Series(name, [None if item is None else str(item) for item in column.tolist()], dtype=pl.String)


def _spaces(site: Site, kinds: Mapping[str, Numbers]) -> dict[str, pl.DataFrame]:
    found: dict[str, list[pl.DataFrame]] = {}
    for name, numbers in kinds.items():
        frame = pl.DataFrame([pl.Series("row", numbers.rows, dtype=pl.UInt32), *keys(numbers.kind, numbers.fields)])
        found.setdefault(site.kinds[name].namespace, []).append(frame)
    joined = {}
    for namespace, frames in found.items():
        if any(frame.schema != frames[0].schema for frame in frames):
            frames = [frame.cast(dict.fromkeys(frame.columns[1:], pl.String)) for frame in frames]
        joined[namespace] = pl.concat(frames).sort("row")
    return joined


def _guard(site: Site, kind: Kind, part: pl.DataFrame) -> None:
    """Refuse a payment track that a value holds in another notation; the cells are looked at when they are read."""
    steps = kind.value.options if isinstance(kind.value, Choice) else kind.value.steps
    texts = any(
        step.gives == "text" or any(isinstance(row, TextField) for row in step.schema.values())
        for option in steps
        for step in option.steps
    )
    if kind.not_payment or not texts:
        return
    for line, value in part.select("line", "value").iter_rows():
        if passing(kind.value, value).tracks:
            site.credentials.refuse_track(line)


def _unread(site: Site, kind: Kind, part: pl.DataFrame) -> Iterator[Exceptional]:
    """The rows of a kind that give no number, and why; superseded ones are only looked at for payment tracks."""
    texts, told = Texts(), set[str]()
    for line, credential, value, issue, late in part.iter_rows():
        if len(told) == MOST_TOLD and value not in told:
            code, reason, secret = "unreadable-value", f"the value cannot be read as {kind.value.name}", True
        else:
            told.add(value)
            found = texts.read(kind.value, kind, value)
            secret = found.payment.account
            if found.payment.tracks:
                site.credentials.refuse_track(line)
            if found.suspect:
                code, reason = "spreadsheet-damage", rounding(value)
            elif found.fields is not None and kind.issue and issue is None:
                code, reason = (
                    "unreadable-value",
                    f"its issue is empty, but the number of a {shown(kind.name)} needs one",
                )
            else:
                code = found.code if found.code == "spreadsheet-damage" else "unreadable-value"
                reason = found.reason
        if late:
            continue
        yield excepted(
            file=site.credentials.name, line=line, code=code, text=value, reason=reason, candidates=(credential,),
            plain=kind.not_payment is not None, secret=secret,
        )  # fmt: skip
