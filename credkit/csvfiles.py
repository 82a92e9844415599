"""CSV files, read strictly: rows of exactly the columns that are asked for.

The declared encoding and delimiter hold, and every row is as wide as the header. A fault in the
file itself is a `DefinitionError` of one sentence with file and line, and nothing is read. What a
cell says is for those who ask for it.

Source: RFC 4180 (common form of CSV).
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

from credkit.errors import DefinitionError, nearest, shown


@dataclass(frozen=True, slots=True, kw_only=True)
class File:
    """A CSV file as it is declared; ``name`` is how its path is written there.

    ``local`` says that its times have no offset and are by the site's clocks.
    """

    path: Path
    name: str
    encoding: str = "utf-8"
    delimiter: str = ","
    local: bool = False

    def refuse(self, line: int, problem: str) -> NoReturn:
        """Raise the one sentence about a line of this file."""
        raise DefinitionError(f"{self.name} line {line}: {problem}")

    def refuse_track(self, line: int) -> NoReturn:
        """Refuse a line that holds a payment track."""
        self.refuse(
            line,
            "payment track data must not be kept after authorisation: delete it (--reveal is about screens, and lets "
            "no such file pass; if it is none, the kind can declare not_payment with a reason)",
        )


def records(file: File, columns: Sequence[str]) -> Iterator[tuple[int, list[str]]]:
    """The rows of ``file``: the line each begins on, its cells in the order of ``columns``.

    The header must name exactly these columns, in any order. Empty lines are no rows. No cell may
    hold a line break: a quotation mark that opens by accident would take in the rows that follow.
    """
    rows = csv.reader(io.StringIO(_text(file), newline=""), delimiter=file.delimiter, strict=True)
    header: list[str] | None = None
    order: list[int] = []
    while True:
        line = rows.line_num + 1
        try:
            cells = next(rows)
        except StopIteration:
            break
        except csv.Error as error:
            file.refuse(line, _not_csv(error, rows.line_num - line + 1))
        if rows.line_num > line:
            file.refuse(line, "a cell holds a line break: is a quotation mark in it not doubled?")
        if header is None:
            header = cells
            order = _order(file, line, header, columns)
        elif len(cells) == len(header):
            yield line, [cells[place] for place in order]
        elif cells:
            more = len(cells) > len(header)
            hint = f" (a cell that holds {shown(file.delimiter)} needs quotes around it)" if more else ""
            file.refuse(line, f"the row has {len(cells)} cell{'s' * (len(cells) > 1)}, expected {len(header)}{hint}")
    if header is None:
        file.refuse(1, f"the file is empty, expected the columns {', '.join(columns)}")


def _not_csv(error: csv.Error, lines: int) -> str:
    """What is wrong with a row of so many lines: a quotation mark that is never closed takes in those that follow."""
    if str(error) == "unexpected end of data":
        return "a quotation mark that opens in the row that begins here is never closed"
    what = f"is not CSV: {error}"
    if str(error).startswith("field larger than field limit"):
        what = f"has a cell of more than {csv.field_size_limit():,} characters"
    return f"the row that begins here {what}{'; is a quotation mark in it never closed?' if lines > 1 else ''}"


def _order(file: File, line: int, header: list[str], columns: Sequence[str]) -> list[int]:
    """Where in ``header`` each of ``columns`` stands."""
    other = next((sign for sign in ";\t|," if sign != file.delimiter and sign in header[0]), None) if header else None
    if len(header) == 1 and len(columns) > 1 and other:
        file.refuse(line, f"there is one column only: is the delimiter {shown(other)}? Another can be declared")
    for column in header:
        if column not in columns:
            file.refuse(
                line, f"the column {shown(column)} is not one of {', '.join(columns)}{nearest(column, columns)}"
            )
        if header.count(column) > 1:
            file.refuse(line, f"the column {column} appears twice")
    for column in columns:
        if column not in header:
            file.refuse(line, f"the column {column} is missing")
    return [header.index(column) for column in columns]


def _text(file: File) -> str:
    """The characters of ``file``; a byte that is not of its encoding is named with its offset."""
    try:
        data = file.path.read_bytes()
    except OSError as error:
        raise DefinitionError(f"{file.name}: the file cannot be read ({error.strerror})") from None
    try:
        text = data.decode(file.encoding).removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        file.refuse(
            data.count(b"\n", 0, error.start) + 1,
            f"byte {data[error.start]:02X}h at offset {error.start} is not {file.encoding} "
            "(another encoding can be declared)",
        )
    except UnicodeError as error:
        raise DefinitionError(f"{file.name}: the file is not {file.encoding} ({error})") from None
    if "\0" in text:
        at = text.index("\0")
        file.refuse(text.count("\n", 0, at) + 1, f"there is a NUL character, number {at} of the file: is this a CSV?")
    return text
