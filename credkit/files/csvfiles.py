"""CSV files, read strictly: rows of exactly the columns that are asked for.

The declared encoding and delimiter hold, and every row is as wide as the header. A fault in the
file itself is a `DefinitionError` of one sentence with file and line. What a cell says is for those
who ask for it. A file is read piece by piece: a long one takes no more memory than a short one, and
rows before a fault may have been given out when it is met.

Source: RFC 4180 (common form of CSV).
"""

from __future__ import annotations

import csv
import io
import re
from codecs import BOM_UTF8, BOM_UTF16_BE, BOM_UTF16_LE, getincrementaldecoder, lookup
from collections import deque
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import suppress
from dataclasses import replace
from itertools import islice
from json import dumps

from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.core.whitespace import WHITE_SPACE, strip_white_space
from credkit.files.columnmaps import plan_rows
from credkit.files.declaredfiles import CsvFile, FormFault, WrongCell, refuse_workbook
from credkit.files.headers import HeaderFaults, find_header_faults
from credkit.files.regularfiles import LONGEST_LINE_BYTES, open_regular
from credkit.files.tablefoot import MOST_FOOT_LINES, Footer, find_footer_start

LIKELY_DELIMITERS = ";\t|,"
UNUSABLE_DELIMITERS = '"\r\n\0'  # characters that cannot stand between cells
PIECE_BYTES = 1 << 16  # bytes that are read at once
BYTE_ORDER_MARK = "\ufeff"  # a byte order mark
FIRST_PAIR = 2  # characters of which one is a NUL in a wide encoding
SEARCHED_LINES = 50  # in which a header is looked for that is not where it is declared
MISSING_MARK = "does not start with BOM"  # how every Python ends the error about a mark that is missing
_SURROGATE = re.compile("[\ud800-\udfff]")  # what some decoders let through


def read_rows(
    file: CsvFile, columns: Sequence[str], spare: str = "", *, optional: Collection[str] = (),
    on_wrong_header: Callable[[HeaderFaults], None] | None = None,
    on_wrong_width: Callable[[int, int, int], None] | None = None,
    on_wrong_cells: Callable[[int, Sequence[WrongCell]], None] | None = None,
) -> Iterator[tuple[int, list[str]]]:  # fmt: skip
    """The rows of ``file``: the line each begins on, its cells in the order of ``columns``.

    The header must name exactly these columns (or what the file's map names for them), in any order; ``spare`` says
    what to do about others beside them. Those that are ``optional`` may be absent: their cells are empty. The cells of
    columns that the map ignores stand behind all others. Empty lines are no rows. No cell may hold a line break: a
    quotation mark that opens by accident would take in the rows that follow. If the file strips columns, names in the
    header are stripped, too.

    A wrong header is refused; or ``on_wrong_header`` is called with its faults, and the rows are given with empty
    cells for the columns that are missing. A row that has more or fewer cells than the header is refused; or it is
    left out, and ``on_wrong_width`` is called with its line, how many cells it has, and how many the header. So is a
    row of a sheet with cells that have no text, and ``on_wrong_cells`` is called with its line and these cells.

    Where a line has several rows of ours, they come one after the other, and instead of the line each has the number
    that the map gives it (`ColumnMap.number_row`).
    """
    number = file.mapping.number_row
    header: list[str] | None = None
    for line, cells, wrong in read_cells(file):
        if header is None:
            header = list(map(strip_white_space, cells)) if file.strip else cells
            plan = plan_rows(header, columns, file.mapping, file.strip)
            _refuse_other_header_line(file, header, columns, optional)
            faults = find_header_faults(file, line, header, columns, optional, spare)
            if faults.sentences:
                if on_wrong_header is None:
                    faults.refuse(file)
                on_wrong_header(faults)
            take = plan.taker()
            used = plan.used
        elif wrong and (unread := [cell for cell in wrong if cell.place in used]):
            if on_wrong_cells is None:
                file.refuse(line, unread[0].describe())
            on_wrong_cells(line, unread)
        elif len(cells) == len(header):
            yield from ((number(line, place), row) for place, row in enumerate(take(cells)))
        elif cells and on_wrong_width is not None:
            on_wrong_width(line, len(cells), len(header))
        elif cells:
            more = len(cells) > len(header) and not file.is_workbook
            hint = f" (a cell that holds {redacted_repr(file.delimiter)} needs quotes around it)" if more else ""
            file.refuse(line, f"the row has {len(cells)} cell{'s' * (len(cells) > 1)}, expected {len(header)}{hint}")
    if header is None:
        wanted = [name for column in columns for name in file.mapping.all_headers_of(column)]
        _refuse_other_header_line(file, [], columns, optional)
        state = "is empty" if file.header_line == 1 else "ends above this line"
        file.refuse(file.header_line, f"the file {state}, expected the columns {', '.join(wanted)}")


def read_cells(file: CsvFile) -> Iterator[tuple[int, list[str], Sequence[WrongCell]]]:
    """The header of ``file`` and the rows below it: the line each begins on, its cells, those that have no text.

    A sheet has such cells; its rows have as many cells as the header, or more.
    """
    if file.is_workbook:
        from credkit.files.sheetrows import read_sheet_rows  # a file of texts needs no extra for it

        yield from read_sheet_rows(file)
        return
    above, footer = file.header_line - 1, find_footer(file)
    lines = islice(_read_lines(file), above, footer.first - 1 if footer else None)
    rows = csv.reader(lines, delimiter=file.delimiter, strict=True)
    while True:
        line = rows.line_num + above + 1
        try:
            cells = next(rows)
        except StopIteration:
            return
        except csv.Error as error:
            file.refuse(line, _describe_csv_fault(error, rows.line_num + above - line + 1))
        if rows.line_num + above > line:
            file.refuse(line, "a cell holds a line break: is a quotation mark in it not doubled?")
        yield line, cells, ()


def find_footer(file: CsvFile) -> Footer | None:
    """The footer that ``file`` declares, among its last lines; None where it declares none.

    Raises `DefinitionError` where there is none although it is declared: a footer that is missing is a sign of an
    export that is cut off.
    """
    if not file.footer:
        return None
    if file.is_workbook:
        from credkit.files.sheetrows import find_sheet_footer  # a file of texts needs no extra for it

        return find_sheet_footer(file)
    blank = f'{WHITE_SPACE}{file.delimiter}"'
    last, ending = 0, deque[tuple[int, str]](maxlen=MOST_FOOT_LINES)
    for line, text in enumerate(_read_lines(file), 1):
        if line > file.header_line and text.strip("\r\n"):
            last = line
            if text.strip(blank):
                ending.append((line, text))
    rows = [(line, _split_line(text, file.delimiter)) for line, text in ending]
    first = find_footer_start(rows, file.footer)
    return file.refuse_missing_footer() if first is None else Footer(first, last)


def _split_line(text: str, delimiter: str) -> list[str]:
    """The cells of a line; none where it is not CSV."""
    with suppress(csv.Error):
        return next(csv.reader([text], delimiter=delimiter), [])
    return []


def _refuse_other_header_line(
    file: CsvFile, header: Sequence[str], columns: Sequence[str], optional: Collection[str]
) -> None:
    """Refuse a header that lacks columns which another line, or another sheet, has."""
    wanted = {name for column in columns if column not in optional for name in file.mapping.all_headers_of(column)}
    if wanted <= set(header):
        return
    fewest = max(len(wanted & set(header)) + 1, min(2, len(wanted)))
    for other in _other_forms(file):
        for line, cells in _first_lines(other):
            is_declared = (line, other.sheet) == (file.header_line, file.sheet)
            if not is_declared and len(wanted.intersection(map(strip_white_space, cells))) >= fewest:
                found = replace(other, header_line=line)
                raise FormFault(f"{file.name} line {file.header_line}: {_describe_other_form(file, found)}", found)


def _other_forms(file: CsvFile) -> Iterator[CsvFile]:
    """The forms in which a header is looked for that is not where it is declared: first the declared one."""
    yield file
    if file.is_workbook:
        from credkit.files.workbooks import list_sheets

        for each in list_sheets(file.path, file.name):
            yield replace(file, sheet=each.name)
    else:
        yield from (replace(file, delimiter=sign) for sign in LIKELY_DELIMITERS if sign != file.delimiter)


def _first_lines(file: CsvFile) -> Iterator[tuple[int, list[str]]]:
    """The first lines of ``file`` with their cells, whatever they are."""
    if file.is_workbook:
        from credkit.files.sheetrows import load_declared_sheet

        yield from ((line, cells) for line, *cells in load_declared_sheet(file).frame.head(SEARCHED_LINES).iter_rows())
    else:
        for line, text in enumerate(islice(_read_lines(file), SEARCHED_LINES), 1):
            with suppress(csv.Error, StopIteration):
                yield line, next(csv.reader([text], delimiter=file.delimiter))


def _describe_other_form(file: CsvFile, other: CsvFile) -> str:
    """Where the header is, and which keys of the site file say so."""
    keys = {
        "header_line": str(other.header_line) if other.header_line != file.header_line else "",
        "sheet": dumps(other.sheet, ensure_ascii=False) if other.sheet != file.sheet else "",
        "delimiter": dumps(other.delimiter) if other.delimiter != file.delimiter else "",
    }
    told = [f"{key} = {value}" for key, value in keys.items() if value]
    sheet = f" of the sheet {redacted_repr(other.sheet)}" if keys["sheet"] else ""
    delimiter = f", with the delimiter {redacted_repr(other.delimiter)}" if keys["delimiter"] else ""
    where = f"the header is line {other.header_line}{sheet}{delimiter}"
    if not file.site_key:
        return f"{where}: take out the lines above it" if other.header_line > 1 else where
    return f"{where}: {file.site_key.replace('{}', ' and '.join(told), 1)}"


def count_lines(file: CsvFile) -> int | None:
    """How many lines ``file`` has below its header, for who shows how far its reading is: empty ones count, too.

    None where the file cannot be read, is a workbook, or its encoding does not have line ends as single bytes.
    """
    try:
        if file.is_workbook or "\n".encode(file.encoding) != b"\n":
            return None
        with open_regular(file.path) as binary:
            pieces = iter(lambda: binary.read(PIECE_BYTES), b"")
            ends, last = 0, b""
            for last in pieces:
                ends += last.count(b"\n")
    except (OSError, LookupError, UnicodeError):
        return None
    return max(ends - last.endswith(b"\n") - file.header_line + 1, 0)


def _describe_csv_fault(error: csv.Error, lines: int) -> str:
    """What is wrong with a row of so many lines: a quotation mark that is never closed takes in those that follow."""
    if str(error) == "unexpected end of data":
        return "a quotation mark that opens in the row that begins here is never closed"
    what = f"is not CSV: {error}"
    if str(error).startswith("field larger than field limit"):
        what = f"has a cell of more than {csv.field_size_limit():,} characters"
    return f"the row that begins here {what}{'; is a quotation mark in it never closed?' if lines > 1 else ''}"


def _read_lines(file: CsvFile) -> Iterator[str]:
    """The lines of ``file`` with their ends; what ends them is for the CSV reader to say."""
    begun: list[str] = []  # of the line that is not complete yet
    line, size = 1, 0  # where it is, and how many characters of it there are
    for text in _read_texts(file):
        if "\n" not in text and "\r" not in text:
            begun.append(text)
            size += len(text)
        else:
            *whole, last = io.StringIO("".join((*begun, text)), newline="")
            yield from whole
            begun, line, size = [last], line + len(whole), len(last)
        if size > LONGEST_LINE_BYTES:
            file.refuse(line, f"the line has more than {LONGEST_LINE_BYTES:,} characters: is this a file of rows?")
    yield from io.StringIO("".join(begun), newline="")


def _read_texts(file: CsvFile) -> Iterator[str]:
    """The characters of ``file``, piece by piece; a byte that is not of its encoding is named with its offset."""
    decoder = getincrementaldecoder(file.encoding)()
    done = ends = characters = lines = 0  # bytes and line ends that were read, characters and lines that came of them
    for piece in _read_pieces(file):
        if not done:
            refuse_workbook(file.name, piece)
        if not done and piece.startswith(BOM_UTF8) and lookup(file.encoding).name not in ("utf-8", "utf-8-sig"):
            raise FormFault(
                f"{file.name}: the byte order mark at its start is that of utf-8, not {file.encoding} "
                f"(another encoding {file.describe_declaring('encoding', 'utf-8')})",
                replace(file, encoding="utf-8"),
            )
        done, ends = done + len(piece), ends + piece.count(b"\n")
        try:
            text = decoder.decode(piece, final=not piece)
        except UnicodeError as error:
            if str(error).endswith(MISSING_MARK):
                name = lookup(file.encoding).name
                raise FormFault(
                    f"{file.name}: no byte order mark at its start, expected one of {name} "
                    f"(another encoding, such as {name}-le, {file.describe_declaring('encoding', f'{name}-le')})",
                    replace(file, encoding=f"{name}-le"),
                ) from None
            if not isinstance(error, UnicodeDecodeError):
                raise DefinitionError(f"{file.name}: the file is not {file.encoding} ({error})") from None
            offset = done - len(error.object) + error.start  # it speaks of this piece, and what was left before it
            line, likely = ends - error.object.count(b"\n", error.start) + 1, _likely_encoding(file, error)
            raise FormFault(
                f"{file.name} line {line}: byte {error.object[error.start]:02X}h at offset {offset} is not "
                f"{file.encoding} (another encoding {file.describe_declaring('encoding', likely)})",
                None if error.object.startswith(BOM_UTF8) else replace(file, encoding=likely),
            ) from None
        if not characters:
            text = text.removeprefix(BYTE_ORDER_MARK)
        if "\0" in text:
            at = text.index("\0")
            line, likely = lines + text.count("\n", 0, at) + 1, _likely_wide_encoding(characters + at)
            raise FormFault(
                f"{file.name} line {line}: there is a NUL character, number {characters + at} of the file: "
                f"is this a CSV, in {file.encoding}? Another encoding {file.describe_declaring('encoding', likely)}",
                replace(file, encoding=likely) if characters + at < FIRST_PAIR else None,
            )
        if not text.isascii() and (half := _SURROGATE.search(text)):
            file.refuse(
                lines + text.count("\n", 0, half.start()) + 1,
                f"there is half of a surrogate pair, character number {characters + half.start()} of the file, "
                "which is no character",
            )
        characters, lines = characters + len(text), lines + text.count("\n")
        yield text


def _likely_encoding(file: CsvFile, error: UnicodeDecodeError) -> str:
    """An encoding that may be meant where the bytes of ``error`` are not of the declared one."""
    if error.object[error.start : error.start + 2] in (BOM_UTF16_LE, BOM_UTF16_BE):
        return "utf-16"
    if b"\0" in error.object:
        return _likely_wide_encoding(error.object.index(0))
    return "utf-8" if lookup(file.encoding).name != "utf-8" else "cp1252"


def _likely_wide_encoding(place: int) -> str:
    """The encoding without a byte order mark that may be meant where the first NUL is the byte at ``place``."""
    return "utf-16-le" if place % 2 else "utf-16-be"


def _read_pieces(file: CsvFile) -> Iterator[bytes]:
    """The bytes of ``file``, and at last none."""
    try:
        with open_regular(file.path) as stream:
            while piece := stream.read(PIECE_BYTES):
                yield piece
    except OSError as error:
        raise DefinitionError(f"{file.name}: the file cannot be read ({error.strerror})") from None
    yield b""
