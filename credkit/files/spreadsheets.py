"""Tables for spreadsheets: cells that a spreadsheet would convert are guarded, or the table is an XLSX file of texts.

What is a text in the table stays one: a number of a card, with its leading zeros and all of its digits. A cell of a CSV
file that a spreadsheet would take for a number, a date or a time gets an apostrophe before it, as a formula does
(`credkit.files.formulas`); a cell of an XLSX file has the type text. Counts and days are numbers and days.

Source: ECMA-376 part 1 (XLSX); its limits of rows and characters and what spreadsheets convert: common practice, no
source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date, datetime
from functools import partial
from pathlib import Path
from typing import Any, Literal, Protocol

import polars as pl

from credkit.core.extras import needs_site_extra
from credkit.core.sentences import format_count
from credkit.files.csvtables import Column, CsvTable, FilledTable, encode_cells
from credkit.files.dialects import BYTE_ORDER_MARK, Dialect, names_in
from credkit.files.outputs import Content

CellType = Literal["text", "count", "day"]

MOST_DIGITS = 15  # of a number that a spreadsheet keeps
MOST_ROWS = 1 << 20  # of a sheet, with its header
MOST_WIDTH = 60  # characters of a column, as it is opened
BUTTON_WIDTH = 2  # characters that a button of the header takes
MOST_CHARACTERS = 32_767  # of a cell of an XLSX file, in UTF-16
CHUNK_BYTES = 1 << 20  # of a finished file, read at once
MADE = datetime(1980, 1, 1)  # the time in every XLSX file: the same table is the same bytes

_BEFORE = r"\s*[+\-−.,(#$€£¥\s]*"
_MONTHS = "jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec"
# A word that begins with a digit; or digits and signs with one word among them at most, such as 12 Mar 2026; or a
# month's name and digits; or a truth value. What begins with an apostrophe is a text already.
CONVERTED_PATTERN = (
    rf"^(?:{_BEFORE}\d\S*\s*|{_BEFORE}\d[\d\s.,:/'+\-%()]*(?:[A-Za-z]{{1,9}}[\d\s.,:/'+\-]*)?"
    rf"|\s*(?i:{_MONTHS})[A-Za-z]{{0,6}}[\s.\-/]*\d[\d\s.,:/\-]*|\s*(?i:true|false)\s*)$"
)
# A time with its offset from UTC: no spreadsheet converts it.
_TIME_PATTERN = r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+\-]\d\d:\d\d(?::\d\d)?$"


class TableEncoder(Protocol):
    """A table that becomes bytes as its rows come."""

    def start(self) -> bytes:
        """What stands before the rows."""

    def add(self, columns: Sequence[Column]) -> bytes:
        """Rows, given as a column for each name; no byte yet where the file is made at the end."""

    def finish(self) -> Iterator[bytes]:
        """All that is left."""


def open_encoder(table: CsvTable, dialect: Dialect, scratch: Callable[[], Path]) -> TableEncoder:
    """What encodes ``table`` in a ``dialect`` for spreadsheets; an XLSX file is built in the folder ``scratch``."""
    if dialect.delimiter is None:
        return XlsxEncoder(table, scratch())
    return GuardedEncoder(table, dialect.delimiter)


def encode_table(filled: FilledTable, dialect: Dialect, scratch: Callable[[], Path]) -> Iterator[bytes]:
    """A whole table in pieces, in a ``dialect`` for spreadsheets.

    >>> from credkit.files.dialects import DIALECTS
    >>> cards = CsvTable(columns=("line", "number", "text"))
    >>> filled = FilledTable(table=cards, blocks=lambda: [[[2, 3], ["0012", "88-00999"], ["02F764DD", "C-1"]]])
    >>> data = b"".join(encode_table(filled, DIALECTS["spreadsheet-semicolon"], Path))
    >>> print(data.decode("utf-8-sig"), end="")
    line;number;text
    2;'0012;'02F764DD
    3;'88-00999;C-1
    """
    encoder = open_encoder(filled.table, dialect, scratch)
    yield encoder.start()
    yield from map(encoder.add, filled.blocks())
    yield from encoder.finish()


def spreadsheet_files(tables: Mapping[str, FilledTable], dialect: Dialect) -> dict[str, Content]:
    """The files of ``tables`` in ``dialect``, by name; ``tables`` are by those of the plain files. None is in plain.

    >>> from credkit.files.dialects import DIALECTS
    >>> filled = FilledTable(table=CsvTable(columns=("line",)), blocks=list)
    >>> list(spreadsheet_files({"findings.csv": filled}, DIALECTS["xlsx"]))
    ['findings.xlsx']
    """
    return {
        name: partial(encode_table, filled, dialect)
        for name, filled in zip(names_in(tables, dialect), tables.values(), strict=False)
    }


class GuardedEncoder:
    """A CSV file with a byte order mark, in which an apostrophe stands before each cell that would be converted."""

    def __init__(self, table: CsvTable, delimiter: str) -> None:
        self._table, self._delimiter = table, delimiter

    def start(self) -> bytes:
        """The byte order mark and the header."""
        header = [guard_texts(cells) for cells in self._table.make_header()]
        return BYTE_ORDER_MARK + encode_cells(header, self._delimiter)

    def add(self, columns: Sequence[Column]) -> bytes:
        """Rows, given as a column for each name."""
        cells = self._table.make_cells(columns)
        guarded = [_guard(each, find_type(values)) for each, values in zip(cells, columns, strict=True)]
        return encode_cells(guarded, self._delimiter)

    def finish(self) -> Iterator[bytes]:
        """Nothing is left."""
        return iter(())


class XlsxEncoder:
    """An XLSX file of texts, built in the folder ``scratch``; counts are numbers. Behind a full sheet comes another.

    A text that is longer than a cell is truncated, and says how many characters of it are in the plain table only.
    """

    def __init__(self, table: CsvTable, scratch: Path) -> None:
        with needs_site_extra("an XLSX file"):
            from xlsxwriter import Workbook  # only for a run that writes one
        self._table, self._path = table, scratch / "table.xlsx"
        self._book = Workbook(str(self._path), {"constant_memory": True, "tmpdir": str(scratch)})
        self._book.set_properties({"created": MADE})
        self._book.use_zip64()  # needed for no other file than one that is larger than 4 GiB
        self._text, self._head = self._book.add_format({"num_format": "@"}), self._book.add_format({"bold": True})
        self._sheets, self._row = 0, 0
        self._sheet: Any = None
        self._header = [cells.item() or "" for cells in table.make_header()]
        self._widths = [len(name) + BUTTON_WIDTH for name in self._header]

    def start(self) -> bytes:
        """The header is written; no byte is ready."""
        self._begin_sheet()
        return b""

    def _begin_sheet(self) -> None:
        self._end_sheet()
        self._sheets += 1
        self._sheet, self._row = self._book.add_worksheet(f"rows {self._sheets}"), 1
        self._sheet.freeze_panes(1, 0)
        self._sheet.ignore_errors({"number_stored_as_text": f"A1:XFD{MOST_ROWS}"})
        self._sheet.set_landscape()
        self._sheet.fit_to_pages(1, 0)  # in print, all columns on one page
        self._sheet.repeat_rows(0)
        for place, name in enumerate(self._header):
            self._sheet.write_string(0, place, name, self._head)

    def _end_sheet(self) -> None:
        """Make the columns as wide as what they hold, and give their header the buttons that choose rows."""
        if self._sheet:
            self._sheet.autofilter(0, 0, self._row - 1, len(self._widths) - 1)
            for place, width in enumerate(self._widths):
                self._sheet.set_column(place, place, min(width + 1, MOST_WIDTH))

    def add(self, columns: Sequence[Column]) -> bytes:
        """Rows, given as a column for each name; they are written, and no byte is ready."""
        made = self._table.make_cells(columns)
        cells = [
            _shorten(each) if find_type(values) == "text" else _to_numbers(each, find_type(values))
            for each, values in zip(made, columns, strict=True)
        ]
        for place, texts in enumerate(made):
            self._widths[place] = max([self._widths[place], *texts.str.len_chars().drop_nulls().top_k(1)])
        for row in zip(*cells, strict=True):
            if self._row == MOST_ROWS:
                self._begin_sheet()
            for place, cell in enumerate(row):
                if isinstance(cell, str):
                    self._sheet.write_string(self._row, place, cell, self._text)
                elif cell is None:  # a row of empty cells is a row: its first cell is written
                    if place == 0:
                        self._sheet.write_blank(self._row, place, None, self._text)
                else:
                    self._sheet.write_number(self._row, place, cell)
            self._row += 1
        return b""

    def finish(self) -> Iterator[bytes]:
        """The file."""
        from xlsxwriter.exceptions import FileCreateError

        self._end_sheet()
        try:
            self._book.close()
        except FileCreateError as error:  # about an error of the system
            raise error.args[0] from None
        with self._path.open("rb") as file:
            while piece := file.read(CHUNK_BYTES):
                yield piece
        self._path.unlink()


def find_type(values: Column) -> CellType:
    """What a column holds: counts, days, or texts; a card's number is a text, whatever it looks like.

    >>> find_type([1, None]), find_type([date(2026, 3, 14)]), find_type(["1"]), find_type(pl.Series([1]))
    ('count', 'day', 'text', 'count')
    """
    if isinstance(values, pl.Series):
        return "count" if values.dtype.is_integer() else "day" if values.dtype == pl.Date else "text"
    types = set(map(type, values)) - {type(None)}
    return "count" if types == {int} else "day" if types == {date} else "text"


def guard_texts(cells: pl.Series) -> pl.Series:
    """Texts as cells of a CSV file: an apostrophe stands before those that a spreadsheet would convert.

    >>> guard_texts(pl.Series(["0012", "1E5", "2-11", "12 Mar", "P-1", "3 rows are held"])).to_list()
    ["'0012", "'1E5", "'2-11", "'12 Mar", 'P-1', '3 rows are held']
    """
    is_converted = cells.str.contains(CONVERTED_PATTERN) & ~cells.str.contains(_TIME_PATTERN)
    return _prefix(cells, is_converted)


def _guard(cells: pl.Series, kind: CellType) -> pl.Series:
    if kind == "text":
        return guard_texts(cells)
    return _prefix(cells, cells.str.len_bytes() > MOST_DIGITS) if kind == "count" else cells


def _prefix(cells: pl.Series, chosen: pl.Series) -> pl.Series:
    """``cells`` with an apostrophe before those that are ``chosen``."""
    places = chosen.fill_null(False).arg_true()
    return cells.scatter(places, ("'" + cells.gather(places)).to_list()) if len(places) else cells


def _to_numbers(cells: pl.Series, kind: CellType) -> list[int | str | None]:
    """Counts as numbers, as far as a spreadsheet keeps their digits."""
    return [
        int(text) if text and kind == "count" and len(text.lstrip("-")) <= MOST_DIGITS else text
        for text in cells.to_list()
    ]


def _shorten(cells: pl.Series) -> list[str | None]:
    """Texts as cells of an XLSX file, which hold so many characters."""
    texts: list[str | None] = cells.to_list()
    if (cells.str.len_chars() > MOST_CHARACTERS // 2).any():
        return [text and _shorten_text(text) for text in texts]
    return texts


def _shorten_text(text: str) -> str:
    """A text that fits into a cell of an XLSX file.

    >>> _shorten_text("x" * 40_000)[-63:]
    'xxx… (7,333 more characters are in the plain table, a CSV file)'
    """
    if len(text.encode("utf-16-le")) // 2 <= MOST_CHARACTERS:
        return text
    kept = text.encode("utf-16-le")[: 2 * (MOST_CHARACTERS - 100)].decode("utf-16-le", "ignore")
    return f"{kept}… ({format_count(len(text) - len(kept), 'more character')} are in the plain table, a CSV file)"
