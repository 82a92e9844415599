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
from codecs import BOM_UTF16_BE, BOM_UTF16_LE, getincrementaldecoder, lookup
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from json import dumps
from pathlib import Path
from typing import NoReturn

from credkit.core.errors import DefinitionError
from credkit.core.sentences import nearest, redacted_repr
from credkit.core.whitespace import describe_ends, strip_white_space
from credkit.files.regularfiles import LONGEST_LINE_BYTES, open_regular

PIECE_BYTES = 1 << 16  # bytes that are read at once
BYTE_ORDER_MARK = "\ufeff"  # a byte order mark
MISSING_MARK = "does not start with BOM"  # how every Python ends the error about a mark that is missing
FORMULA_SIGNS = r"[=+\-@＝＋－＠]"  # what a spreadsheet begins a formula with; the full-width ones, too
_SURROGATE = re.compile("[\ud800-\udfff]")  # what some decoders let through
# What every text has that `guard_formula` changes, for those who look at many texts by a kernel.
FORMULA_PATTERN = rf"^[\t\r\n]|(?:^|[;\t\r\n]) *{FORMULA_SIGNS}"
# A cell begins with the text, and behind what some spreadsheet may part cells at; a number is no formula.
_FORMULA = re.compile(
    rf"^(?=[\t\r\n])|(?:^|(?<=[;\t\r\n]))(?! *[+-]?[0-9]+(?:\.[0-9]+)? *(?:[;\t\r\n]|\Z))(?= *{FORMULA_SIGNS})"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvFile:
    """A CSV file as it is declared; ``name`` is how its path is written there.

    ``has_local_times`` says that its times have no offset and are by the site's clocks. ``option`` is how the
    command line declares encoding and delimiter, if it does, with braces for the word; ``site_key`` is where a site
    file declares them, with braces for the key and its value. ``strip`` has the columns whose cells are read
    without the white space around them.
    """

    path: Path
    name: str
    encoding: str = "utf-8"
    delimiter: str = ","
    has_local_times: bool = False
    option: str = ""
    strip: frozenset[str] = frozenset()
    site_key: str = ""

    def describe_declaring(self, what: str, example: str) -> str:
        """That another ``what`` can be declared, and by which option, or how in the site file.

        >>> file = CsvFile(path=Path(), name="", site_key="{} under [files.credentials]")
        >>> file.describe_declaring("delimiter", ";")
        'can be declared: delimiter = ";" under [files.credentials]'
        """
        if self.site_key:
            return f"can be declared: {self._write_key(what, dumps(example, ensure_ascii=False))}"
        return f"can be declared{self.option and ': '}{self.option.format(what)}"

    def describe_stripping(self, *columns: str) -> str:
        """What takes off the white space around cells of these columns, or of all: a key of the site file, if any.

        >>> CsvFile(path=Path(), name="", site_key="{} under [files.credentials]").describe_stripping("value")
        'strip = ["value"] under [files.credentials] takes it off'
        """
        if not self.site_key:
            return "remove it"
        return f"{self._write_key('strip', dumps(sorted({*self.strip, *columns})) if columns else 'true')} takes it off"

    def _write_key(self, key: str, value: str) -> str:
        return self.site_key.replace("{}", f"{key} = {value}", 1)

    def refuse(self, line: int, problem: str) -> NoReturn:
        """Raise the one sentence about a line of this file."""
        raise DefinitionError(f"{self.name} line {line}: {problem}")

    def refuse_track(self, line: int) -> NoReturn:
        """Refuse a line that holds a payment track."""
        self.refuse(
            line,
            "payment track data must not be kept after authorisation: delete it (--reveal is about screens, and lets "
            'no such file pass; if it is none, a site file says so: not_payment = "what these numbers are" under its '
            "[kinds.NAME])",
        )


def read_rows(
    file: CsvFile, columns: Sequence[str], spare: str = "", *,
    on_wrong_width: Callable[[int, int], None] | None = None,
) -> Iterator[tuple[int, list[str]]]:  # fmt: skip
    """The rows of ``file``: the line each begins on, its cells in the order of ``columns``.

    The header must name exactly these columns, in any order; ``spare`` says what to do about others
    beside them. Empty lines are no rows. No cell may hold a line break: a quotation mark that opens
    by accident would take in the rows that follow. If the file strips columns, names in the header are stripped, too.

    A row that has more or fewer cells than the header is refused; or it is left out, and ``on_wrong_width`` is called
    with its line and how many cells it has.
    """
    rows = csv.reader(_read_lines(file), delimiter=file.delimiter, strict=True)
    header: list[str] | None = None
    order: list[int] = []
    stripped = [place for place, name in enumerate(columns) if name in file.strip]
    while True:
        line = rows.line_num + 1
        try:
            cells = next(rows)
        except StopIteration:
            break
        except csv.Error as error:
            file.refuse(line, _describe_csv_fault(error, rows.line_num - line + 1))
        if rows.line_num > line:
            file.refuse(line, "a cell holds a line break: is a quotation mark in it not doubled?")
        if header is None:
            header = list(map(strip_white_space, cells)) if file.strip else cells
            order = _column_order(file, line, header, columns, spare)
        elif len(cells) == len(header):
            ordered = [cells[place] for place in order]
            for place in stripped:
                ordered[place] = strip_white_space(ordered[place])
            yield line, ordered
        elif cells and on_wrong_width is not None:
            on_wrong_width(line, len(cells))
        elif cells:
            more = len(cells) > len(header)
            hint = f" (a cell that holds {redacted_repr(file.delimiter)} needs quotes around it)" if more else ""
            file.refuse(line, f"the row has {len(cells)} cell{'s' * (len(cells) > 1)}, expected {len(header)}{hint}")
    if header is None:
        file.refuse(1, f"the file is empty, expected the columns {', '.join(columns)}")


def count_lines(file: CsvFile) -> int | None:
    """How many lines ``file`` has below its header, for who shows how far its reading is: empty ones count, too.

    None where the file cannot be read, or its encoding does not have line ends as single bytes.
    """
    try:
        if "\n".encode(file.encoding) != b"\n":
            return None
        with open_regular(file.path) as binary:
            pieces = iter(lambda: binary.read(PIECE_BYTES), b"")
            ends, last = 0, b""
            for last in pieces:
                ends += last.count(b"\n")
    except (OSError, LookupError, UnicodeError):
        return None
    return max(ends - last.endswith(b"\n"), 0)


def _describe_csv_fault(error: csv.Error, lines: int) -> str:
    """What is wrong with a row of so many lines: a quotation mark that is never closed takes in those that follow."""
    if str(error) == "unexpected end of data":
        return "a quotation mark that opens in the row that begins here is never closed"
    what = f"is not CSV: {error}"
    if str(error).startswith("field larger than field limit"):
        what = f"has a cell of more than {csv.field_size_limit():,} characters"
    return f"the row that begins here {what}{'; is a quotation mark in it never closed?' if lines > 1 else ''}"


def _column_order(file: CsvFile, line: int, header: list[str], columns: Sequence[str], spare: str) -> list[int]:
    """Where in ``header`` each of ``columns`` stands."""
    other = next((sign for sign in ";\t|," if sign != file.delimiter and sign in header[0]), None) if header else None
    if len(header) == 1 and len(columns) > 1 and other:
        another = f"Another {file.describe_declaring('delimiter', other)}"
        file.refuse(line, f"there is one column only: is the delimiter {redacted_repr(other)}? {another}")
    for column in header:
        if column not in columns:
            hint = f"; {spare}" if spare and set(columns) <= set(header) else nearest(column, columns)
            if (ends := describe_ends(column)) and strip_white_space(column) in columns:
                hint = f"; it has {ends}: {file.describe_stripping()}"
            file.refuse(line, f"the column {redacted_repr(column)} is not one of {', '.join(columns)}{hint}")
        if header.count(column) > 1:
            file.refuse(line, f"the column {column} appears twice")
    for column in columns:
        if column not in header:
            file.refuse(line, f"the column {column} is missing")
    return [header.index(column) for column in columns]


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
        done, ends = done + len(piece), ends + piece.count(b"\n")
        try:
            text = decoder.decode(piece, final=not piece)
        except UnicodeError as error:
            if str(error).endswith(MISSING_MARK):
                name = lookup(file.encoding).name
                raise DefinitionError(
                    f"{file.name}: no byte order mark at its start, expected one of {name} "
                    f"(another encoding, such as {name}-le, {file.describe_declaring('encoding', f'{name}-le')})"
                ) from None
            if not isinstance(error, UnicodeDecodeError):
                raise DefinitionError(f"{file.name}: the file is not {file.encoding} ({error})") from None
            offset = done - len(error.object) + error.start  # it speaks of this piece, and what was left before it
            file.refuse(
                ends - error.object.count(b"\n", error.start) + 1,
                f"byte {error.object[error.start]:02X}h at offset {offset} is not {file.encoding} "
                f"(another encoding {file.describe_declaring('encoding', _likely_encoding(file, error))})",
            )
        if not characters:
            text = text.removeprefix(BYTE_ORDER_MARK)
        if "\0" in text:
            at = text.index("\0")
            line = lines + text.count("\n", 0, at) + 1
            file.refuse(
                line,
                f"there is a NUL character, number {characters + at} of the file: is this a CSV, in {file.encoding}? "
                f"Another encoding {file.describe_declaring('encoding', _likely_wide_encoding(characters + at))}",
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


def guard_formula(text: str) -> str:
    """``text`` as a cell to write: where a spreadsheet would begin a formula, an apostrophe stands before it.

    A spreadsheet whose delimiter is a semicolon begins a cell behind each.

    >>> guard_formula("=1+1"), guard_formula("C-1; =C"), guard_formula("-2147483648")
    ("'=1+1", "C-1;' =C", '-2147483648')
    """
    return _FORMULA.sub("'", text)
