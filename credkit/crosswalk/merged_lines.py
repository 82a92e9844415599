"""The lines of a crosswalk: those of evaluated rows and those of settled cards, merged in the order of the file."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import tzinfo
from functools import cached_property
from typing import overload

import numpy as np
import polars as pl

from credkit.bulk.words import Array
from credkit.crosswalk.outputs import ALREADY_MASKED, LINE_COLUMNS, CsvLines, csv_text, format_cell
from credkit.crosswalk.result import CrosswalkLine
from credkit.files.csvfiles import FORMULA_SIGNS
from credkit.files.times import SECOND_MICROS, to_datetime, utc_offsets
from credkit.privacy.accountroom import ACCOUNT_ROOM_PATTERN
from credkit.privacy.accounts import mask_accounts

OWN_COLUMNS = ("person", "credential", "number", "text", "readers")  # of each card; the rest is of its class
NEEDS_QUOTING = rf'(?:\A|;) *{FORMULA_SIGNS}|[",\t\r\n]'  # without it a cell stands in a file as it is
NEEDS_QUOTING_OR_MASKING = (
    rf"{NEEDS_QUOTING}|{ACCOUNT_ROOM_PATTERN}"  # the same for a cell in which there may be an account number
)
LINES_AT_ONCE = 1 << 16  # settled lines that are made at once


class MergedLines(CsvLines):
    """Settled lines as rows of ``settled`` and ``patterns`` by class and target, the others in ``evaluated``.

    The columns of ``settled`` are ``line`` (of the credentials), ``at`` (the place of the target), ``class``,
    `OWN_COLUMNS`, and ``last``, in µs since 1970 (-1 for never); the rows are in the order of the file.
    """

    def __init__(
        self, settled: pl.DataFrame, patterns: Sequence[Sequence[CrosswalkLine]],
        evaluated: Mapping[int, Sequence[CrosswalkLine]], zone: tzinfo,
    ) -> None:  # fmt: skip
        self.settled = settled
        self.patterns = patterns
        self.evaluated = [(number, line) for number, them in evaluated.items() for line in them]
        self.zone = zone

    def __len__(self) -> int:
        return self.settled.height + len(self.evaluated)

    @cached_property
    def order(self) -> Array:
        """For each place the line that stands there: a settled one, or (from their number on) an evaluated one."""
        lines = np.array([number for number, _ in self.evaluated], np.int64)
        mine = self.settled["line"].to_numpy().astype(np.int64) if self.settled.height else np.zeros(0, np.int64)
        return np.argsort(np.concatenate((mine, lines)), kind="stable")

    @overload
    def __getitem__(self, index: int) -> CrosswalkLine: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[CrosswalkLine]: ...
    def __getitem__(self, index: int | slice) -> CrosswalkLine | Sequence[CrosswalkLine]:
        if isinstance(index, slice):
            return tuple(self._lines(self.order[index]))
        return next(self._lines(self.order[[index]]))

    def __iter__(self) -> Iterator[CrosswalkLine]:
        for start in range(0, len(self), LINES_AT_ONCE):
            yield from self._lines(self.order[start : start + LINES_AT_ONCE])

    def _lines(self, places: Array) -> Iterator[CrosswalkLine]:
        rows = (
            self.settled[places[places < self.settled.height]].iter_rows(named=True)
            if self.settled.height
            else iter(())
        )
        for place in places.tolist():
            if place >= self.settled.height:
                yield self.evaluated[place - self.settled.height][1]
                continue
            row = next(rows)
            last = None if row["last"] < 0 else to_datetime(row["last"]).astimezone(self.zone)
            pattern = self.patterns[row["class"]][row["at"]]
            yield replace(pattern, last_seen=last, **{name: row[name] for name in OWN_COLUMNS})

    def to_csv(self) -> str:
        """The lines as the text of a CSV file, header included."""
        head = csv_text(LINE_COLUMNS, ())
        own = csv_text(LINE_COLUMNS, (line for _, line in self.evaluated), head=False).split("\n")[
            :-1
        ]  # no cell holds an end
        rows = pl.concat([self._rows(), pl.Series("row", own, dtype=pl.String)])
        return head + "".join(f"{rows.gather(self.order).str.join(chr(10)).item()}\n" if len(rows) else "")

    def _rows(self) -> pl.Series:
        """The settled lines as rows of CSV, without line ends."""
        if not self.settled.height:
            return pl.Series("row", [], dtype=pl.String)
        cells = {name: _format_cells(self.settled[name], safe=name in ALREADY_MASKED) for name in OWN_COLUMNS}
        cells["last_seen"] = format_times(self.settled["last"].to_numpy(), self.zone)
        widest = max(map(len, self.patterns))
        which = self.settled["class"] * widest + self.settled["at"].cast(pl.Int64)
        for name in LINE_COLUMNS:
            if name not in cells:
                texts = [
                    _format_csv_cell(str(getattr(pattern[at], name)), safe=name in ALREADY_MASKED)
                    if at < len(pattern)
                    else ""
                    for pattern in self.patterns
                    for at in range(widest)
                ]
                cells[name] = pl.Series(name, texts, dtype=pl.String).gather(which)
        frame = pl.DataFrame([cells[name].alias(name) for name in LINE_COLUMNS])
        return frame.select(pl.concat_str(pl.all(), separator=",").alias("row")).to_series()


def _format_cells(texts: pl.Series, *, safe: bool) -> pl.Series:
    """Texts as cells of a file; in ``safe`` ones there is nothing to mask."""
    some = texts.str.contains(NEEDS_QUOTING if safe else NEEDS_QUOTING_OR_MASKING)
    if not some.any():
        return texts
    return texts.scatter(some.arg_true(), [_format_csv_cell(text, safe=safe) for text in texts.filter(some).to_list()])


def _format_csv_cell(text: str, *, safe: bool) -> str:
    """One cell as `credkit.crosswalk.outputs.csv_text` writes it."""
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="\n").writerow(
        ("", format_cell(text) if safe else mask_accounts(format_cell(text)))
    )
    return buffer.getvalue()[1:-1]


def format_times(moments: Array, zone: tzinfo) -> pl.Series:
    """Times by the clocks of ``zone`` with their offset from UTC (ISO 8601); empty for what is negative."""
    there = np.flatnonzero(moments >= 0)
    ahead = utc_offsets(moments[there], zone)
    local = np.datetime_as_string(((moments[there] + ahead) // SECOND_MICROS).astype("datetime64[s]"))
    kinds, which = np.unique(ahead, return_inverse=True)
    rows = [int(np.flatnonzero(which == place)[0]) for place in range(len(kinds))]
    ends = [to_datetime(int(moments[there[row]])).astimezone(zone).isoformat(timespec="seconds")[19:] for row in rows]
    found = pl.Series("stamp", local.tolist(), dtype=pl.String) + pl.Series(ends, dtype=pl.String).gather(which)
    return pl.Series("stamp", [""]).new_from_index(0, len(moments)).scatter(there, found)
