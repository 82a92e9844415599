"""Exports as tables: the encoding and delimiter that a file seems to have, its header, and the cells of each column.

What is proposed is what the strict reader (`credkit.files.csvfiles`) is given afterwards, so a table has exactly the
rows that a site file gets.

Source: RFC 4180 (common form of CSV).
"""

from __future__ import annotations

import codecs
import csv
import os
from collections import Counter, deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import islice
from pathlib import Path

from credkit.core.errors import DefinitionError
from credkit.core.frozen import FrozenMapping
from credkit.core.sentences import format_count, redacted_repr
from credkit.core.whitespace import strip_white_space
from credkit.files.columnmaps import ColumnMap
from credkit.files.csvfiles import BYTE_ORDER_MARK, read_cells, read_rows
from credkit.files.declaredfiles import CsvFile, refuse_workbook
from credkit.files.regularfiles import read_regular
from credkit.files.tablefoot import MOST_FOOT_LINES
from credkit.privacy.accounts import holds_track
from credkit.proposal.footerlines import FoundFooter, find_footer
from credkit.proposal.headerlines import SEARCHED_LINES, describe_header_line, find_header_line

LARGEST_EXPORT_BYTES = 1 << 30
DELIMITERS = ";,\t|"
SAMPLED_LINES = 200  # that delimiters are counted in
MARKS = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))
OLD_ENCODINGS = ("cp1252", "cp850", "mac-roman", "cp1250")  # of one byte a character; the first of equals is taken
USUAL_LETTERS = frozenset(  # of western European texts, and of central European ones
    "äöüÄÖÜßéèêëÉÈÊàâÀÂçÇîïôûùœæÆñÑáíóúÁÍÓÚåøÅØãõÃÕìòº€°’–ąćęłńśźżĄĆĘŁŃŚŹŻčďěňřšťůžýČŘŠŽőű"
)
OTHER_WIDTHS_SHOWN = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class ExportTable:
    """An export: how it is written, with the evidence and the doubts of that, and its columns by their headers.

    ``header`` has the names without white space around them; ``strips_header`` says that there was some. A name that
    stands twice is no column. ``file`` is how it is declared, ``sheets`` are all of a workbook; ``stored`` says of
    columns of a workbook what their cells do not show; ``title`` has the lines above the header of a file of text.
    """

    file: CsvFile
    header: tuple[str, ...]
    columns: Mapping[str, Sequence[str]]
    rows: int
    strips_header: bool = False
    evidence: Mapping[str, str] = field(default_factory=dict)  # by key of the site file
    doubts: Mapping[str, str] = field(default_factory=dict)
    sheets: tuple[str, ...] = ()
    stored: Mapping[str, str] = field(default_factory=dict)  # by header
    title: tuple[str, ...] = ()

    @property
    def path(self) -> Path:
        """Where the export is."""
        return self.file.path

    @property
    def name(self) -> str:
        """How the export is called in sentences."""
        return f"{self.file.name}, sheet {redacted_repr(self.file.sheet)}" if self.file.sheet else self.file.name


def read_exports(path: Path) -> list[ExportTable]:
    """The export at ``path``, or the tables on the sheets of a workbook that are not hidden.

    Raises `DefinitionError` where there is no table, or a payment track in one.
    """
    if not CsvFile(path=path, name=path.name).is_workbook:
        return [_read_text(path)]
    from credkit.proposal.sheettables import describe_stored, read_sheets  # exports as CSV need no library for it

    return [
        _read_table(
            file, {"sheet": f"the workbook has {format_count(len(sheets), 'sheet')}"}, {}, sheets, describe_stored
        )
        for file, sheets in read_sheets(path)
    ]


def _read_text(path: Path) -> ExportTable:
    try:
        data = read_regular(path, LARGEST_EXPORT_BYTES)
    except OSError as error:
        raise DefinitionError(f"{path}: the file cannot be read ({error.strerror})") from None
    refuse_workbook(path.name, data[:8])
    encoding, evidence, doubts = find_encoding(data)
    try:
        text = data.decode(encoding).removeprefix(BYTE_ORDER_MARK)
    except UnicodeError:
        raise DefinitionError(
            f"{path.name}: the file is not text in {encoding}, and in no other known encoding"
        ) from None
    lines = text.splitlines()
    if not any(map(strip_white_space, lines)) or "\0" in text:
        raise DefinitionError(f"{path.name}: the file has no rows, expected a CSV export with a header")
    delimiter, evidence["delimiter"] = find_delimiter(lines)
    first = [next(csv.reader([line], delimiter=delimiter), []) for line in lines[:SEARCHED_LINES]]
    line = find_header_line(first) + 1
    file = CsvFile(path=path, name=path.name, encoding=encoding, delimiter=delimiter, header_line=line)
    return replace(_read_table(file, evidence, doubts), title=tuple(lines[: line - 1]))


def _read_table(
    file: CsvFile, evidence: dict[str, str], doubts: dict[str, str], sheets: tuple[str, ...] = (),
    stored: Callable[[CsvFile], Mapping[int, str]] | None = None,
) -> ExportTable:  # fmt: skip
    """The table in ``file``, as the strict reader reads it; ``stored`` finds of places what cells do not show."""
    raw = next((cells for _, cells, _ in read_cells(file)), [])
    header = [strip_white_space(name) for name in raw]
    once = [name for name in header if name and header.count(name) == 1]
    file = replace(
        file, strip=frozenset(["header"]),
        mapping=ColumnMap(headers=FrozenMapping({}), ignores_other_columns=True),
    )  # fmt: skip
    others: list[int] = []
    wrong: list[int] = []
    cells: list[list[str]] = [[] for _ in once]
    lines: list[int] = []
    for line, row in read_rows(
        file, once, on_wrong_width=lambda line, has, wanted: others.append(line),
        on_wrong_cells=lambda line, cells: wrong.append(line),
    ):  # fmt: skip
        lines.append(line)
        for column, cell in zip(cells, row, strict=False):
            column.append(cell)
    footer = _find_footer(file, header, dict(zip(once, cells, strict=True)), lines)
    if footer is not None:
        file = replace(file, footer=footer.word)
        doubts["footer"] = footer.describe()
        lines, others, wrong = ([line for line in some if line < footer.lines.first] for some in (lines, others, wrong))
        cells = [column[: len(lines)] for column in cells]
    refused = [
        f"{format_count(len(some), 'row')} {'has' if len(some) == 1 else 'have'} {what} (lines {_list_lines(some)})"
        for some, what in ((others, "another number of cells than the header"), (wrong, "cells without a text")) if some
    ]  # fmt: skip
    if refused:
        doubts["path"] = f"{' and '.join(refused)}: credkit refuses the file until they are corrected"
    if file.header_line > 1:
        evidence["header_line"] = describe_header_line(file.header_line, len(header))
    table = ExportTable(
        file=file, header=tuple(header), rows=len(lines), columns=dict(zip(once, cells, strict=True)),
        strips_header=raw != header, evidence=evidence, doubts=doubts, sheets=sheets,
        stored={header[place]: text for place, text in (stored(file) if stored else {}).items() if place < len(header)},
    )  # fmt: skip
    _refuse_tracks(table, lines)
    return table


def _find_footer(
    file: CsvFile, header: Sequence[str], columns: Mapping[str, Sequence[str]], lines: Sequence[int]
) -> FoundFooter | None:  # fmt: skip
    last, ending = 0, deque[tuple[int, list[str]]](maxlen=MOST_FOOT_LINES)
    for line, cells, _ in islice(read_cells(file), 1, None):
        last = line if cells else last
        if any(map(strip_white_space, cells)):
            ending.append((line, cells))
    return find_footer([*ending], header, columns, lines, last)


def _list_lines(lines: Sequence[int]) -> str:
    more = "…" if len(lines) > OTHER_WIDTHS_SHOWN else ""
    return ", ".join(map(str, lines[:OTHER_WIDTHS_SHOWN])) + more


def _refuse_tracks(table: ExportTable, lines: Sequence[int]) -> None:
    """Refuse a file in which a cell holds a payment track, before anything of it is shown."""
    for cells in table.columns.values():
        for cell in dict.fromkeys(cells):
            if holds_track(cell):
                table.file.refuse_track(lines[cells.index(cell)])


def find_encoding(data: bytes) -> tuple[str, dict[str, str], dict[str, str]]:
    """The encoding that ``data`` seems to be in, and by the key of the site file its evidence and doubt.

    >>> find_encoding("gültig".encode("cp1252"))[0], find_encoding("gültig".encode("cp850"))[0]
    ('cp1252', 'cp850')
    >>> find_encoding("ważna, zgłoszona".encode("cp1250"))[0]
    'cp1250'
    >>> find_encoding("gültig".encode())[0], find_encoding("gültig".encode("utf-16"))[0]
    ('utf-8', 'utf-16')
    """
    for mark, name in MARKS:
        if data.startswith(mark):
            return name, {"encoding": f"the file begins with the byte order mark of {name}"}, {}
    if b"\0" in data[:2]:
        name = "utf-16-be" if data[:1] == b"\0" else "utf-16-le"
        return name, {"encoding": "every other byte at the start is 0"}, {}
    try:
        data.decode()
        return "utf-8", {"encoding": "the file is ASCII" if data.isascii() else "every byte sequence is UTF-8"}, {}
    except UnicodeDecodeError:
        pass
    found = [(name, *_count_letters(data, name)) for name in OLD_ENCODINGS]
    name, usual, total, sample = max(found, key=lambda each: each[1])  # the first of equals
    evidence = f"not UTF-8; in {name} {usual:,} of {total:,} characters beyond ASCII are usual letters"
    doubt = f"an encoding of one byte a character cannot be proven: is {redacted_repr(sample)} spelt right?"
    return name, {"encoding": evidence}, {"encoding": doubt}


def _count_letters(data: bytes, encoding: str) -> tuple[int, int, str]:
    """How many characters beyond ASCII are usual letters, how many there are, and a word with the first of them."""
    text = data.decode(encoding, "replace")
    beyond = Counter(char for char in text if ord(char) > 127)
    first = next((place for place, char in enumerate(text) if ord(char) > 127), 0)
    start, stop = first, first
    while start and text[start - 1].isalpha():
        start -= 1
    while stop < len(text) and text[stop].isalpha():
        stop += 1
    usual = sum(count for char, count in beyond.items() if char in USUAL_LETTERS)
    return usual, beyond.total(), text[start : max(stop, first + 1)]


def find_delimiter(lines: Sequence[str]) -> tuple[str, str]:
    """The delimiter by which most lines have the same number of cells, more than one; and the evidence.

    >>> find_delimiter(["Nr;Saldo", "1;12,50"])
    (';', '2 of 2 lines looked at have 2 cells')
    """
    some = [line for line in lines[:SAMPLED_LINES] if line]
    best, score, evidence = ",", (0, 0), "there is one column only"
    for delimiter in DELIMITERS:
        try:
            widths = Counter(len(row) for row in csv.reader(some, delimiter=delimiter))
        except csv.Error:
            continue
        width, same = max(widths.items(), key=lambda each: (each[0] > 1, each[1], each[0]))
        if width > 1 and (same, width) > score:
            best, score = delimiter, (same, width)
            evidence = f"{same:,} of {widths.total():,} lines looked at have {width} cells"
    return best, evidence


def relative_path(path: Path, folder: Path) -> str:
    """The path of an export as the site file in ``folder`` names it."""
    try:
        return Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix()
    except ValueError:  # another drive
        return path.resolve().as_posix()
