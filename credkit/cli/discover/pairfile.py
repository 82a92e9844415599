"""The file of pairs that ``credkit discover chain`` reads: what two readers made of the same cards."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import NamedTuple

from credkit.core.errors import DefinitionError
from credkit.core.sentences import nearest, redacted_repr
from credkit.files.declaredfiles import CsvFile
from credkit.files.regularfiles import read_regular
from credkit.privacy.payment import payment_in_texts

DELIMITERS = ";\t|,"  # a comma is the last one that is tried: numbers of two parts have one
LARGEST_FILE_BYTES = 1 << 26


class PairFile(NamedTuple):
    """Pairs of texts with the lines on which they stand, and what their columns are called.

    ``columns`` are their numbers from 1, as the command line takes them.
    """

    pairs: tuple[tuple[str, str], ...]
    lines: tuple[int, ...]
    names: tuple[str, str]
    columns: tuple[str, str]


def read_pair_file(path: Path, columns: tuple[str, str] | None) -> PairFile:
    """The pairs in a CSV file: its two columns, or the two of ``columns``, by name or by number from 1.

    The delimiter is the one that parts every row alike. A first row without any digit is a header. Raises
    `DefinitionError` with the line of the first fault, and for a file that holds a payment track.
    """
    try:
        text = read_regular(path, LARGEST_FILE_BYTES).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise DefinitionError(f"{path}: byte {error.start} is not UTF-8") from None
    delimiter, rows = _read_rows(path, text)
    if not rows:
        raise DefinitionError(f"{path}: the file is empty, expected two columns of texts")
    file = CsvFile(path=path, name=str(path), delimiter=delimiter)
    first = rows[0][1]
    has_header = not any(char.isdigit() for cell in first for char in cell) or bool(
        columns and set(columns) <= set(first)
    )
    places = _column_places(file, first if has_header else [], len(first), columns)
    pairs, lines = [], []
    for line, cells in rows[has_header:]:
        if len(cells) != len(first):
            file.refuse(line, f"the row has {len(cells)} cells, expected {len(first)}")
        one, other = (cells[place].strip() for place in places)
        if payment_in_texts((one, other)).has_valid_track:
            file.refuse_track(line)
        if not one or not other:
            empty = next(place for place, cell in zip(places, (one, other), strict=True) if not cell)
            file.refuse(line, f"column {empty + 1} is empty, expected what each of two readers made of the card")
        pairs.append((one, other))
        lines.append(line)
    if not pairs:
        raise DefinitionError(f"{path}: there is no pair below the header")
    names = [first[place].strip() if has_header else f"column {place + 1}" for place in places]
    numbers = str(places[0] + 1), str(places[1] + 1)
    return PairFile(tuple(pairs), tuple(lines), (names[0], names[1]), numbers)


def _read_rows(path: Path, text: str) -> tuple[str, list[tuple[int, list[str]]]]:
    """The delimiter that gives every row the same number of cells, two at least, and the rows with their lines."""
    best: tuple[str, list[tuple[int, list[str]]]] = (",", [])
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
        if not best[1]:
            best = delimiter, rows
    return ",", rows


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
