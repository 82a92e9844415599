"""Workbooks (XLSX): a sheet as columns of texts, with the row of the sheet as the line of each.

The library opens the package and knows its sheets, shared texts and number formats; the cells of a sheet are read
here, since whether a row is hidden, cells are merged or a formula lacks its result is not shown by the library
without loading a sheet as objects. What a cell is as a text is for `credkit.files.sheetcells` to say.

Source: ECMA-376 (Office Open XML), part 1, 18.3 (worksheets). Of an encrypted workbook: MS-CFB 2.6.1, an entry of the
directory has a name of 64 bytes, and how many of them it takes with its end; MS-OFFCRYPTO 1.3.3 names that part.
"""

from __future__ import annotations

import warnings
from array import array
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import islice
from json import dumps
from pathlib import Path
from typing import Any, BinaryIO, NamedTuple
from xml.etree.ElementTree import Element, ParseError, iterparse
from zipfile import BadZipFile, ZipFile
from zlib import error as ZlibError

import polars as pl
from openpyxl import load_workbook
from openpyxl.styles.numbers import BUILTIN_FORMATS, FORMAT_GENERAL
from openpyxl.utils.cell import column_index_from_string, range_boundaries

from credkit.core.errors import DefinitionError
from credkit.core.sentences import nearest, redacted_repr
from credkit.files.declaredfiles import COMPOUND_FILE
from credkit.files.digests import file_stamp
from credkit.files.regularfiles import open_regular
from credkit.files.sheetcells import CellFault, CellProblem, CellText, CellWriter

MOST_COLUMNS = 500  # of a sheet that hold texts
MOST_ROWS = 1 << 20  # rows of a sheet
LARGEST_UNPACKED_BYTES = 1 << 30  # bytes of all parts of a workbook
MOST_TIMES, UNSUSPECTED_BYTES = 200, 1 << 26  # how much larger parts may become, if they are large then
BATCH_ROWS = 1 << 13  # rows that become columns at once
KEPT_SHEETS = 4  # read sheets that are kept for who asks for them again
PIECE_BYTES = 1 << 20
ENCRYPTED_ENTRY = "EncryptedPackage".encode("utf-16-le").ljust(64, b"\0") + bytes([34, 0])  # name and its bytes
DAMAGES: dict[type[Exception], str] = {  # by the error at which reading a workbook ends, the narrower ones first
    ParseError: "a part of it is not well-formed XML",
    UnicodeError: "a part of it has bytes that are no text",
    BadZipFile: "a part of it is not as it was packed",
    ZlibError: "a part of it is not as it was packed",
    EOFError: "a part of it is broken off",
    OSError: "a part of it cannot be read",
    KeyError: "a part of it is missing",
    IndexError: "a reference in it has no target",
    RecursionError: "its parts are nested too deeply",
    Exception: "a part of it has an invalid value",
}
_MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
_STRICT = b"http://purl.oclc.org/ooxml/spreadsheetml/main"


class SheetName(NamedTuple):
    """The name of a sheet of a workbook, and whether it is hidden."""

    name: str
    hidden: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A sheet as texts: ``frame`` has the ``line`` of each row that holds any, and columns called by their places.

    ``unsure`` has the rows and places of numbers that may have lost digits; ``bare`` the rows, by place, of those that
    would have no leading zeros, and ``moments`` those of dates and times. ``merged`` has ranges as first and last row,
    first and last place.
    """

    name: str
    sheets: tuple[SheetName, ...] = ()
    frame: pl.DataFrame
    faults: tuple[CellFault, ...] = ()
    unsure: tuple[tuple[int, int], ...] = ()
    bare: Mapping[int, array[int]] = field(default_factory=dict)
    moments: Mapping[int, array[int]] = field(default_factory=dict)
    merged: tuple[tuple[int, int, int, int], ...] = ()
    hidden_rows: tuple[int, ...] = ()
    hidden_places: tuple[int, ...] = ()

    @property
    def width(self) -> int:
        """The number of columns that hold texts."""
        return self.frame.width - 1

    @property
    def end(self) -> int:
        """The row behind the last one that holds a text."""
        return int(self.frame["line"][-1]) + 1 if self.frame.height else 1

    def read_header(self, line: int) -> list[str]:
        """The texts of a row up to the last one; none where the row is empty."""
        found = self.frame.filter(pl.col("line") == line)
        cells = list(found.row(0)[1:]) if found.height else []
        while cells and not cells[-1]:
            cells.pop()
        return cells

    def rows_below(self, line: int) -> pl.DataFrame:
        """The rows below a line."""
        return self.frame.filter(pl.col("line") > line)

    def faults_below(self, line: int) -> dict[int, list[CellFault]]:
        """The faults of cells below a line by their rows; merged cells are one in each of their rows."""
        found: dict[int, list[CellFault]] = defaultdict(list)
        for fault in self.faults:
            if fault.line > line:
                found[fault.line].append(fault)
        lines = self.frame["line"].to_list() if self.merged else []
        done = [line] * self.width  # the last row of each column that was looked at: ranges may overlap
        for first, last, left, right in sorted(self.merged):
            for place in range(left, min(right + 1, self.width)):
                start = bisect_right(lines, max(first - 1, done[place]))
                for merged in lines[start : bisect_right(lines, last)]:
                    found[merged].append(CellFault(merged, place, CellProblem.MERGED, ""))
                done[place] = max(done[place], last)
        return found


def load_sheet(path: Path, name: str, sheet: str = "", site_key: str = "") -> Sheet:
    """The sheet of the workbook at ``path`` that is called ``sheet``, or its first visible one.

    ``name`` is how the file is called in sentences; ``site_key`` where a site file declares it, with braces for the
    key. Raises `DefinitionError` for what is no workbook, is encrypted or damaged, or would be too large unpacked.
    """
    return _load_sheet(path, name, sheet, site_key, file_stamp(path))


@lru_cache(maxsize=KEPT_SHEETS)
def _load_sheet(path: Path, name: str, sheet: str, site_key: str, stamp: tuple[int, ...]) -> Sheet:
    with _open_workbook(path, name) as book:
        chosen = _choose_sheet(book, name, sheet, site_key)
        writer = CellWriter(_list_formats(book), book.epoch)
        reader = _SheetReader(name, writer, chosen._shared_strings)
        with chosen._get_source() as part:
            return reader.read(part, chosen.title, _name_sheets(book))


def list_sheets(path: Path, name: str) -> tuple[SheetName, ...]:
    """The sheets of a workbook in their order."""
    with _open_workbook(path, name) as book:
        return _name_sheets(book)


def _name_sheets(book: Any) -> tuple[SheetName, ...]:
    return tuple(SheetName(each.title, each.sheet_state != "visible") for each in book.worksheets)


@contextmanager
def _open_workbook(path: Path, name: str) -> Iterator[Any]:
    """The workbook at ``path``, as the library opens it to be read; whatever it raises is said in one sentence."""
    try:
        with open_regular(path) as file:
            _refuse_other_files(file, name)
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # about parts that are not read: print settings, styles
                book = load_workbook(file, read_only=True, data_only=True, keep_links=False)
                try:
                    yield book
                finally:
                    book.close()
    except DefinitionError:
        raise
    except Exception as error:  # the library raises whatever a damaged part leads to
        if isinstance(error, OSError) and error.strerror:
            raise DefinitionError(f"{name}: the file cannot be read ({error.strerror})") from None
        raise DefinitionError(
            f"{name}: the workbook is damaged ({_describe_damage(error)}): open it in a spreadsheet and save it again"
        ) from None


def _describe_damage(error: Exception) -> str:
    """What is wrong with a part of a workbook at which reading it ended.

    >>> _describe_damage(KeyError("xl/workbook.xml")), _describe_damage(ValueError("Value must be a sequence"))
    ('a part of it is missing', 'a part of it has an invalid value')
    """
    return next(words for sort, words in DAMAGES.items() if isinstance(error, sort))


def _refuse_other_files(file: BinaryIO, name: str) -> None:
    """Refuse what is no workbook of this form, or becomes too large unpacked."""
    start = file.read(len(COMPOUND_FILE))
    if start == COMPOUND_FILE:
        if _holds(file, ENCRYPTED_ENTRY):
            raise DefinitionError(f"{name}: the workbook is encrypted: save it without a password")
        raise DefinitionError(f"{name}: the workbook has the old form (.xls): save it as .xlsx")
    file.seek(0)
    try:
        package = ZipFile(file)
    except BadZipFile:
        raise DefinitionError(
            f"{name}: the file is no workbook (.xlsx): is it a CSV file, or was it not copied to its end?"
        ) from None
    parts = package.infolist()
    unpacked, packed = sum(each.file_size for each in parts), sum(each.compress_size for each in parts)
    if unpacked > LARGEST_UNPACKED_BYTES:
        raise DefinitionError(
            f"{name}: the workbook has {unpacked:,} bytes unpacked, more than {LARGEST_UNPACKED_BYTES:,}: "
            "export it as CSV, or in parts"
        )
    if unpacked > UNSUSPECTED_BYTES and unpacked > packed * MOST_TIMES:
        raise DefinitionError(
            f"{name}: the workbook becomes {unpacked // max(packed, 1):,} times as large unpacked, "
            f"{unpacked:,} bytes, more than {MOST_TIMES} times: it is not opened; export it as CSV"
        )
    names = {each.filename for each in parts}
    if "xl/workbook.xml" in names and _STRICT in package.read("xl/workbook.xml")[:4096]:
        raise DefinitionError(f"{name}: the workbook has the strict form of Open XML: save it as an ordinary .xlsx")
    if "[Content_Types].xml" not in names or "xl/workbook.bin" in names:
        raise DefinitionError(f"{name}: the file is a package, but no workbook of the form .xlsx: save it as .xlsx")
    file.seek(0)


def _holds(file: BinaryIO, mark: bytes) -> bool:
    """Whether the rest of ``file`` has ``mark``, wherever it is read in pieces."""
    before = b""
    while piece := file.read(PIECE_BYTES):
        if mark in before + piece:
            return True
        before = (before + piece)[-len(mark) :]
    return False


def _choose_sheet(book: Any, name: str, wanted: str, site_key: str) -> Any:
    """The sheet that is declared, or the first visible one."""
    sheets = book.worksheets
    if wanted:
        for each in sheets:
            if each.title == wanted:
                return each
        names = [each.title for each in sheets]
        raise DefinitionError(
            f"{name}: no sheet is called {redacted_repr(wanted)}, there is "
            f"{', '.join(map(redacted_repr, names[:12]))}{nearest(wanted, names)}"
            f"{_declare(site_key, names[0]) if names else ''}"
        )
    visible = [each for each in sheets if each.sheet_state == "visible"]
    if not sheets:
        raise DefinitionError(f"{name}: the workbook has no sheet with cells")
    return (visible or sheets)[0]


def _declare(site_key: str, sheet: str) -> str:
    return f" ({site_key.replace('{}', f'sheet = {dumps(sheet, ensure_ascii=False)}', 1)})" if site_key else ""


def _list_formats(book: Any) -> list[str]:
    """The number format of each style of cells."""
    own = book._number_formats
    found = [
        BUILTIN_FORMATS.get(style.numFmtId) or (own[style.numFmtId - 164] if style.numFmtId >= 164 else FORMAT_GENERAL)
        for style in book._cell_styles
    ]
    return found or [FORMAT_GENERAL]


class _SheetReader:
    """Reads the part of one sheet."""

    def __init__(self, name: str, writer: CellWriter, strings: Sequence[str]) -> None:
        self._name, self._writer, self._strings = name, writer, strings
        self._faults: list[CellFault] = []
        self._unsure: list[tuple[int, int]] = []
        self._bare: dict[int, array[int]] = defaultdict(lambda: array("I"))
        self._moments: dict[int, array[int]] = defaultdict(lambda: array("I"))
        self._merged: list[tuple[int, int, int, int]] = []
        self._hidden_rows: list[int] = []
        self._hidden_places: list[int] = []
        self._line = 0
        self._places: dict[str, int] = {}

    def read(self, part: Any, sheet: str, sheets: tuple[SheetName, ...]) -> Sheet:
        rows = self._read_rows(part)
        frames = []
        while batch := list(islice(rows, BATCH_ROWS)):
            frames.append(_tabulate(batch))
        width = max((frame.width for frame in frames), default=1)
        whole = [_widen(frame, width) for frame in frames]
        return Sheet(
            name=sheet, sheets=sheets,
            frame=pl.concat(whole) if whole else pl.DataFrame(schema={"line": pl.UInt32}),
            faults=tuple(self._faults), unsure=tuple(self._unsure), bare=dict(self._bare), moments=dict(self._moments),
            merged=tuple(self._merged), hidden_rows=tuple(self._hidden_rows), hidden_places=tuple(self._hidden_places),
        )  # fmt: skip

    def _read_rows(self, part: Any) -> Iterator[tuple[int, list[str]]]:
        """The rows that hold a text, or a cell that is at fault, and all else that is noted of the sheet."""
        rows: Element | None = None
        for event, element in iterparse(part, ("start", "end")):
            tag = element.tag
            if event == "start":
                rows = element if tag == f"{_MAIN}sheetData" else rows
            elif tag == f"{_MAIN}row":
                faults = len(self._faults)
                cells = self._read_row(element)
                has_any = any(cells) or len(self._faults) > faults
                if element.get("hidden") in ("1", "true") and has_any:
                    self._hidden_rows.append(self._line)
                if has_any:
                    yield self._line, cells
                if rows is not None:
                    rows.clear()
            elif tag == f"{_MAIN}mergeCell":
                left, first, right, last = map(_to_number, range_boundaries(element.get("ref", "")))
                self._merged.append((first, last, left - 1, right - 1))
            elif tag == f"{_MAIN}col" and element.get("hidden") in ("1", "true"):
                first, last = _to_whole(element.get("min", "1")), _to_whole(element.get("max", "1"))
                self._hidden_places.extend(range(first - 1, min(last, MOST_COLUMNS)))

    def _read_row(self, row: Element) -> list[str]:
        line = _to_whole(row.get("r") or str(self._line + 1))
        if not self._line < line <= MOST_ROWS:
            raise DefinitionError(
                f"{self._name}: the workbook is damaged (row {line} behind row {self._line}): open it in a spreadsheet "
                "and save it again"
            )
        self._line = line
        cells: list[str] = []
        place = -1
        for cell in row:
            if cell.tag != f"{_MAIN}c":
                continue
            at = cell.get("r")
            place = self._find_place(at) if at else place + 1
            found = self._read_cell(cell)
            if found is None:
                continue
            if place < len(cells) and cells[place]:
                raise ValueError  # a cell that is there twice
            if place >= MOST_COLUMNS:
                raise DefinitionError(
                    f"{self._name} line {line}: the sheet has a text in column {place + 1}, expected at most "
                    f"{MOST_COLUMNS} columns"
                )
            cells.extend([""] * (place + 1 - len(cells)))
            if isinstance(found, CellText):
                cells[place] = found.text
                if found.stored == "unsure":
                    self._unsure.append((line, place))
                elif found.stored == "number":
                    self._bare[place].append(line)
                elif found.stored == "moment":
                    self._moments[place].append(line)
            else:
                problem, word = found
                cells[place] = word if problem is CellProblem.LINE_BREAK else ""
                self._faults.append(CellFault(line, place, problem, word))
        return cells

    def _find_place(self, at: str) -> int:
        """The place of the column of a cell such as D5."""
        letters = at.rstrip("0123456789")
        place = self._places.get(letters)
        if place is None:
            place = self._places[letters] = column_index_from_string(letters) - 1
        return place

    def _read_cell(self, cell: Element) -> CellText | tuple[CellProblem, str] | None:
        """The text of a cell, or what is wrong with it and what it has; None where it is empty."""
        kind, raw = cell.get("t", "n"), cell.findtext(f"{_MAIN}v")
        if kind == "inlineStr":
            raw = _join_texts(cell.find(f"{_MAIN}is"))
        if not raw:
            formula = cell.find(f"{_MAIN}f")
            if formula is None or kind == "str":
                return None
            return CellProblem.NO_VALUE, f"={formula.text or ''}"
        if kind == "n":
            found = self._writer.write_number(raw, _to_whole(cell.get("s", "0")))
            return (found, raw) if isinstance(found, CellProblem) else found
        if kind == "e":
            return CellProblem.ERROR, raw
        if kind == "b":
            return CellProblem.BOOLEAN, "TRUE" if raw == "1" else "FALSE"
        text = self._strings[_to_whole(raw)] if kind == "s" else raw
        if "\n" in text or "\r" in text:
            return CellProblem.LINE_BREAK, text
        return CellText(text, "text") if text else None


def _to_whole(raw: str) -> int:
    """A number of an attribute or a shared text: decimal digits, which `int` takes with signs and underscores too."""
    if not (raw.isascii() and raw.isdecimal()):
        raise ValueError
    return int(raw)


def _to_number(bound: int | None) -> int:
    """A bound of a range, which merged cells have on every side."""
    if bound is None:
        raise ValueError
    return bound


def _join_texts(inline: Element | None) -> str:
    """The text of an inline string: its runs, without how they are pronounced."""
    if inline is None:
        return ""
    runs = [each for each in inline if each.tag in (f"{_MAIN}t", f"{_MAIN}r")]
    texts = [each.text if each.tag == f"{_MAIN}t" else each.findtext(f"{_MAIN}t") for each in runs]
    return "".join(text or "" for text in texts)


def _tabulate(rows: Sequence[tuple[int, list[str]]]) -> pl.DataFrame:
    """Rows as columns of texts."""
    width = max(len(cells) for _, cells in rows)
    for _, cells in rows:
        cells.extend([""] * (width - len(cells)))
    columns = zip(*(cells for _, cells in rows), strict=True)
    lines = pl.Series("line", [line for line, _ in rows], pl.UInt32)
    return pl.DataFrame([lines, *(pl.Series(str(place), cells, pl.String) for place, cells in enumerate(columns))])


def _widen(frame: pl.DataFrame, width: int) -> pl.DataFrame:
    """A frame with empty columns behind its own."""
    return frame.with_columns(pl.lit("").alias(str(place)) for place in range(frame.width - 1, width - 1))
