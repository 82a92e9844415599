"""Captures in Parquet files, in pieces.

A file has the wanted columns, of texts (or categories of them), and of texts or times for the time, with a zone if
no other is declared; anything else is refused before a row is read.

Source: Apache Parquet.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.files.bytestreams import ROWS_BEFORE_DAMAGE
from credkit.files.captures import CaptureFile, ColumnNames, FilePiece, RowTable, find_columns, line_numbers
from credkit.files.linerows import RowFault
from credkit.files.times import Clock

ROWS_OF_A_PIECE = 1 << 18  # of a piece of a Parquet file


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
            if name == self.columns.time and isinstance(kind, pl.Datetime) and not self.columns.clock:
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
            lines=lines, text=found[columns.text], reader=found.get(columns.reader), time=columns.join_times(found),
            faults=faults, height=height, ended=ended,
        )  # fmt: skip

    def _frame(self, count: int) -> Any:
        """The first ``count`` rows, categories as texts; None where they cannot be read."""
        try:
            frame = self.scan.select(self.columns.wanted).slice(self.start, count).collect()
        except pl.exceptions.PolarsError:
            return None
        return frame.with_columns(pl.col(pl.Categorical, pl.Enum).cast(pl.String))
