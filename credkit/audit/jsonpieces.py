"""JSON lines and Parquet in pieces.

A line of JSON is an object that has the wanted keys, each of them a text. A Parquet file has the
wanted columns, of texts (or categories of them), and of texts or times for the time, with a zone if
no other is declared; anything else is refused before a row is read.

Source: JSON Lines; RFC 8259 (JSON); Apache Parquet.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from credkit.audit.sources import (
    BROKEN_ROW,
    CaptureFile,
    ColumnNames,
    FilePiece,
    RowFault,
    RowTable,
    find_columns,
    line_numbers,
)
from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.files.bytestreams import BOM, ROWS_BEFORE_DAMAGE, ByteStream, LineBlock, cut_at_lines, line_cuts
from credkit.files.times import Clock

ROWS_OF_A_PIECE = 1 << 18  # of a piece of a Parquet file


@dataclass(slots=True, kw_only=True)
class JsonSource(CaptureFile):
    """A file of JSON lines."""

    kind: str
    columns: ColumnNames

    def pieces(self) -> Iterator[FilePiece]:
        """The parts of the file; one without a line is refused."""
        with ByteStream(self.path, compressed=self.kind.endswith(".gz")) as stream:
            there = self.start > 0
            stream.go_to(self.start, self.stop)
            for each in cut_at_lines(self.name, stream):
                if not there:
                    each = each._replace(data=self._first(each.data))
                there = True
                yield JsonPiece(cut=each, columns=self.columns)
            self.ended = stream.broken
            if not there:
                raise DefinitionError(
                    f"{self.name} line 1: {stream.broken or 'the file is empty'}, expected an object with the keys "
                    f"{', '.join(self.columns.wanted)}"
                )

    def cuts(self, size: int) -> list[int]:
        """Ends of lines, if they show before anything is decompressed."""
        return [] if self.kind.endswith(".gz") else line_cuts(self.path, size)

    def _first(self, data: bytes) -> bytes:
        """The first piece without a byte order mark, if it begins as JSON lines do."""
        data = data.removeprefix(BOM)
        line = data.lstrip().partition(b"\n")[0].strip()
        if line == b"{" or line.startswith(b"["):
            what = "an object" if line == b"{" else "an array"
            raise DefinitionError(f"{self.name} line 1: {what} begins here, expected a whole object on each line")
        return data


class _DuplicateKey(Exception):
    """A key stands twice in an object."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JsonPiece:
    """Whole lines of JSON."""

    cut: LineBlock
    columns: ColumnNames

    @property
    def size(self) -> int:
        """How far the file is read behind them."""
        return self.cut.size

    def table(self, readers: Any) -> RowTable:
        """The rows, one by one."""
        kept: dict[str, list[str]] = {name: [] for name in self.columns.wanted}
        at: list[int] = []
        faults: list[RowFault] = []
        lines = self.cut.data.removesuffix(b"\n").split(b"\n")
        for place, line in enumerate(lines):
            if not line:
                continue
            found = self._cells(line)
            if self.cut.broken and place == len(lines) - 1:
                found = BROKEN_ROW
            if isinstance(found, str):
                faults.append(RowFault(place, found, line.decode("utf-8", "replace")))
            elif found:
                at.append(place)
                for name, text in found.items():
                    kept[name].append(text)
        series = {name: pl.Series(values, dtype=pl.String) for name, values in kept.items()}
        columns = self.columns
        return RowTable(
            lines=np.array(at, np.int64), text=series[columns.text], reader=series.get(columns.reader),
            time=series.get(columns.time), faults=faults, height=len(lines),
        )  # fmt: skip

    def _cells(self, line: bytes) -> dict[str, str] | str:
        """The texts of a line, none if it is empty, or what is wrong with it."""
        try:
            text = line.decode("utf-8")
        except UnicodeDecodeError as error:
            return f"byte {line[error.start]:02X}h at byte {error.start} of the line is not utf-8"
        if not text.strip():
            return {}
        if "\0" in text:
            return f"there is a NUL character, number {text.index(chr(0))} of the line"
        try:
            record = json.loads(text, object_pairs_hook=_make_object)
        except _DuplicateKey as twice:
            return f"the key {redacted_repr(twice.args[0])} appears twice"
        except RecursionError:
            return "the line is not JSON: it is nested too deeply"
        except ValueError as error:
            why = f"{error.msg} at character {error.pos}" if isinstance(error, json.JSONDecodeError) else error
            return f"the line is not JSON: {why}"
        if not isinstance(record, dict):
            return f"the line is {_describe_value(record)}, expected an object"
        for name in self.columns.wanted:
            if name not in record:
                return f"the key {redacted_repr(name)} is missing"
            if not isinstance(record[name], str):
                return f"{name} is {_describe_value(record[name])}, not a text in quotation marks"
            if not record[name].isascii() and any("\ud800" <= char <= "\udfff" for char in record[name]):
                return f"{name} has half of a surrogate pair in it, which is no character"
        return {name: record[name] for name in self.columns.wanted}


def _make_object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """An object of these pairs; the last of two values would hide the other."""
    found = dict(pairs)
    if len(found) < len(pairs):
        names = [name for name, _ in pairs]
        raise _DuplicateKey(next(name for name in names if names.count(name) > 1))
    return found


def _describe_value(value: Any) -> str:
    """A value as a sentence about a line may name it."""
    if isinstance(value, dict | list):
        return "an object" if isinstance(value, dict) else "a list"
    return json.dumps(value) if value is None or isinstance(value, bool) else redacted_repr(value)


@dataclass(slots=True, kw_only=True)
class ParquetSource(CaptureFile):
    """A Parquet file."""

    columns: ColumnNames
    clock: Clock

    def cuts(self, size: int) -> list[int]:
        """Rows that begin a piece."""
        count = int(pl.scan_parquet(self.path, glob=False).select(pl.len()).collect().item())
        rows = max(size * count // self.size // ROWS_OF_A_PIECE, 1) * ROWS_OF_A_PIECE
        return list(range(rows, count, rows))

    def pieces(self) -> Iterator[FilePiece]:
        """The parts of the file, once its columns are what they should be."""
        try:
            scan = pl.scan_parquet(self.path, glob=False)
            schema = scan.collect_schema()
            count = int(scan.select(pl.len()).collect().item())
        except (pl.exceptions.PolarsError, OSError) as error:
            why = str(error).splitlines()[0][:120]
            raise DefinitionError(f"{self.name}: it cannot be read as Parquet ({why})") from None
        find_columns(self.name, list(schema), self.columns, "schema")
        for name in self.columns.wanted:
            kind = schema[name]
            if name == self.columns.time and isinstance(kind, pl.Datetime):
                if kind.time_zone is None and not (self.clock.local or self.clock.either):
                    raise DefinitionError(
                        f"{self.name}: column {redacted_repr(name)} has times without a zone, expected with one "
                        f"({self.clock.hint})"
                    )
            elif kind != pl.String and not isinstance(kind, pl.Categorical | pl.Enum):
                or_times = " or times with a zone" if name == self.columns.time else ""
                raise DefinitionError(
                    f"{self.name}: column {redacted_repr(name)} is of {kind}, expected texts{or_times}"
                )
        for start in range(self.start, count if self.stop is None else self.stop, ROWS_OF_A_PIECE):
            yield ParquetPiece(
                scan=scan, start=start, columns=self.columns, size=self.size * (start + ROWS_OF_A_PIECE) // count
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class ParquetPiece:
    """Some rows of a Parquet file."""

    scan: Any
    start: int
    size: int
    columns: ColumnNames

    def table(self, readers: Any) -> RowTable:
        """The rows; one with a null is a fault. Where the data is damaged, those before the damage."""
        frame, ended = self._frame(ROWS_OF_A_PIECE), ""
        if frame is None:
            ended = f"its data is damaged{ROWS_BEFORE_DAMAGE}"
            least, most = 0, ROWS_OF_A_PIECE  # so many rows can be read, and so many cannot
            while most - least > 1:
                middle = (least + most) // 2
                least, most = (least, middle) if self._frame(middle) is None else (middle, most)
            frame = self._frame(least)
            if frame is None:
                frame = pl.DataFrame(schema=dict.fromkeys(self.columns.wanted, pl.String))
        height = frame.height
        lines, faults = line_numbers(height), []
        nulls = frame.select(pl.any_horizontal(pl.all().is_null())).to_series()
        if nulls.any():
            for row in np.flatnonzero(nulls.to_numpy()).tolist():
                name = next(name for name in frame.columns if frame[name][row] is None)
                faults.append(RowFault(row, f"{name} is null, expected a value"))
            frame, lines = frame.filter(~nulls), lines[~nulls.to_numpy()]
        found = {name: frame[name] for name in self.columns.wanted}
        columns = self.columns
        return RowTable(
            lines=lines, text=found[columns.text], reader=found.get(columns.reader), time=found.get(columns.time),
            faults=faults, height=height, ended=ended,
        )  # fmt: skip

    def _frame(self, count: int) -> Any:
        """The first ``count`` rows, categories as texts; None where they cannot be read."""
        try:
            frame = self.scan.select(self.columns.wanted).slice(self.start, count).collect()
        except pl.exceptions.PolarsError:
            return None
        return frame.with_columns(pl.col(pl.Categorical, pl.Enum).cast(pl.String))
