"""Captures in workbooks (XLSX): the rows of a sheet, in one piece.

A workbook is read whole, as the crosswalk reads it: its form has no place from which rows can be read alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from credkit.core.errors import DefinitionError
from credkit.core.whitespace import strip_white_space
from credkit.files.captures import CaptureFile, ColumnNames, FilePiece, RowTable, find_columns
from credkit.files.declaredfiles import CsvFile
from credkit.files.linerows import RowFault

if TYPE_CHECKING:
    from credkit.files.workbooks import Sheet  # it needs the library that reads workbooks


@dataclass(slots=True, kw_only=True)
class SheetSource(CaptureFile):
    """A sheet of a workbook, as ``file`` declares it; its rows are those of the sheet."""

    columns: ColumnNames
    file: CsvFile

    def pieces(self) -> Iterator[FilePiece]:
        """All rows below the header."""
        from credkit.files.sheetrows import load_declared_sheet

        sheet = load_declared_sheet(self.file)
        line = self.file.header_line
        header = sheet.read_header(line)
        if not header:
            raise DefinitionError(
                f"{self.name} row {line}: the row is empty, expected the columns {', '.join(self.columns.wanted)}"
            )
        header = list(map(strip_white_space, header)) if self.file.strip else header
        places = find_columns(self.name, header, self.columns, f"row {line}")
        self.first = line + 1
        yield SheetPiece(
            sheet=sheet, header=header, places=places, columns=self.columns, first=line + 1, size=self.size
        )

    def cuts(self, size: int) -> list[int]:
        """Nowhere."""
        return []


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetPiece:
    """The rows of a sheet from ``first`` on; ``size`` is that of the whole workbook."""

    sheet: Sheet
    header: list[str]
    places: dict[str, int]
    columns: ColumnNames
    first: int
    size: int

    def table(self, readers: pl.Enum) -> RowTable:
        """The rows; one with a cell that has no text, or with texts behind the header, is a fault."""
        from credkit.files.sheetrows import describe_cell_fault

        rows = self.sheet.rows_below(self.first - 1)
        problems: dict[int, str] = {}
        behind = rows.select(pl.any_horizontal(pl.lit(value=False), *self._behind())).to_series().arg_true()
        for line, *cells in rows[behind].iter_rows():
            count = max(place for place, cell in enumerate(cells, 1) if cell)
            problems[line] = f"the row has {count} cells, expected {len(self.header)}"
        for line, wrong_cells in self.sheet.faults_below(self.first - 1).items():
            for fault in wrong_cells:
                if fault.place in self.places.values():
                    problems.setdefault(line, describe_cell_fault(self.sheet, self.header, fault).describe())
        wrong = rows["line"].is_in(pl.Series(list(problems), dtype=pl.UInt32).implode())
        faults = [
            RowFault(line - self.first, problems[line], " ".join(cells))
            for line, *cells in rows.filter(wrong).iter_rows()
        ]
        rows = rows.filter(~wrong)
        series = {name: self._take(rows, place) for name, place in self.places.items()}
        return RowTable(
            lines=rows["line"].to_numpy().astype(np.int64) - self.first, text=series[self.columns.text],
            reader=series.get(self.columns.reader), time=self.columns.join_times(series), faults=faults,
            height=max(self.sheet.end - self.first, 0),
        )  # fmt: skip

    def _behind(self) -> Iterator[pl.Expr]:
        """Whether a row has a text in each column behind the header."""
        return (pl.col(str(place)).ne("") for place in range(len(self.header), self.sheet.width))

    def _take(self, rows: pl.DataFrame, place: int) -> pl.Series:
        """The cells of a column."""
        return rows[str(place)].rechunk() if place < self.sheet.width else pl.repeat("", rows.height, eager=True)
