"""The file of pairs that ``credkit discover chain`` reads: what two readers made of the same cards."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import NamedTuple

from credkit.cli.discover.exporttexts import read_export_text
from credkit.core.errors import DefinitionError
from credkit.core.sentences import nearest, redacted_repr
from credkit.core.whitespace import strip_white_space
from credkit.files.declaredfiles import CsvFile
from credkit.privacy.payment import payment_in_texts
from credkit.proposal.exporttable import find_delimiter
from credkit.proposal.headerlines import SEARCHED_LINES

DELIMITERS = ";\t|, "  # comma and space are the last that are tried: numbers of two parts have one
LARGEST_FILE_BYTES = 1 << 26


class PairFile(NamedTuple):
    """Pairs of texts with the lines on which they stand, and what their columns are called.

    ``columns`` are their numbers from 1, as the command line takes them. ``left_out`` are the lines of rows that lack
    a text.
    """

    pairs: tuple[tuple[str, str], ...]
    lines: tuple[int, ...]
    names: tuple[str, str]
    columns: tuple[str, str]
    left_out: tuple[int, ...] = ()


def read_pair_file(path: Path, columns: tuple[str, str] | None) -> PairFile:
    """The pairs in a CSV file: its two columns, or the two of ``columns``, by name or by number from 1.

    The delimiter is the one that parts every row alike. A first row without any digit is a header. With ``columns``
    by name, lines of a title above the header are not read, and rows that lack one of the two texts are left out.
    Raises `DefinitionError` with the line of the first fault, and for a file that holds a payment track.
    """
    delimiter, rows = _read_rows(path, read_export_text(path, LARGEST_FILE_BYTES).text)
    if columns is not None:
        rows = _below_title(rows, columns)
    if not rows:
        raise DefinitionError(f"{path}: the file is empty, expected two columns of texts")
    file = CsvFile(path=path, name=str(path), delimiter=delimiter)
    first = rows[0][1]
    has_header = not any(char.isdigit() for cell in first for char in cell) or bool(
        columns and set(columns) <= set(first)
    )
    places = _column_places(file, first if has_header else [], len(first), columns)
    pairs, lines, left_out = [], [], []
    for line, cells in rows[has_header:]:
        if len(cells) != len(first):
            file.refuse(line, f"the row has {len(cells)} cells, expected {len(first)}")
        one, other = (cells[place].strip() for place in places)
        if payment_in_texts((one, other)).has_valid_track:
            file.refuse_track(line)
        if columns is not None and not (one and other):
            left_out.append(line)
            continue
        if not one or not other:
            empty = next(place for place, cell in zip(places, (one, other), strict=True) if not cell)
            file.refuse(line, f"column {empty + 1} is empty, expected what each of two readers made of the card")
        pairs.append((one, other))
        lines.append(line)
    if not pairs:
        raise DefinitionError(f"{path}: there is no pair{' below the header' if has_header else ''}")
    names = [first[place].strip() if has_header else f"column {place + 1}" for place in places]
    numbers = str(places[0] + 1), str(places[1] + 1)
    return PairFile(tuple(pairs), tuple(lines), (names[0], names[1]), numbers, tuple(left_out))


def _below_title(rows: list[tuple[int, list[str]]], columns: tuple[str, str]) -> list[tuple[int, list[str]]]:
    """The rows from the header on, which is the first that has both names of ``columns``; all rows, if none has."""
    for place, (_, cells) in enumerate(rows[:SEARCHED_LINES]):
        if {*columns} <= {*map(strip_white_space, cells)}:
            return [(line, [*map(strip_white_space, row)]) for line, row in rows[place:]]
    return rows


def _read_rows(path: Path, text: str) -> tuple[str, list[tuple[int, list[str]]]]:
    """The delimiter that gives every row the same number of cells, two at least, and the rows with their lines.

    Where none does, it is the one that fits most lines: rows of other widths are refused, lines of a title are not.
    """
    found: dict[str, list[tuple[int, list[str]]]] = {}
    for delimiter in DELIMITERS:
        reader = csv.reader(text.splitlines(), delimiter=delimiter, strict=True)
        rows: list[tuple[int, list[str]]] = []
        try:
            rows.extend((reader.line_num, cells) for cells in reader if any(cell.strip() for cell in cells))
        except csv.Error as error:
            raise DefinitionError(f"{path} line {reader.line_num}: the row is not CSV: {error}") from None
        widths = {len(cells) for _, cells in rows}
        if len(widths) == 1 and min(widths) > 1:
            return delimiter, rows
        found[delimiter] = rows
    most = find_delimiter(text.splitlines())[0] if text.strip() else ","
    return most, found[most]


def _column_places(file: CsvFile, header: list[str], width: int, columns: tuple[str, str] | None) -> tuple[int, int]:
    """Where the two columns stand."""
    if columns is None:
        if width != 2:
            file.refuse(1, f"there are {width} columns, expected 2: --columns A,B says which ones (by name or number)")
        return (0, 1)
    places = []
    for column in columns:
        if column in header:
            places.append(header.index(column))
        elif column.isascii() and column.isdecimal() and 1 <= int(column[:6]) <= width:
            places.append(int(column) - 1)
        else:
            known = nearest(column, header) or f", only {', '.join(header) if header else f'columns 1 to {width}'}"
            file.refuse(1, f"there is no column {redacted_repr(column)}{known}")
    if places[0] == places[1]:
        file.refuse(1, "--columns names one column twice, expected two different ones")
    return places[0], places[1]
