"""Workbooks among exports: the sheets that hold a table, and what their cells do not show."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

from credkit.core.errors import DefinitionError
from credkit.core.sentences import format_count
from credkit.files.declaredfiles import CsvFile
from credkit.files.sheetrows import load_declared_sheet
from credkit.files.workbooks import list_sheets
from credkit.proposal.headerlines import SEARCHED_LINES, find_header_line


class SheetTable(NamedTuple):
    """A sheet with a table: how it is declared, and the sheets beside it."""

    file: CsvFile
    sheets: tuple[str, ...]


def read_sheets(path: Path) -> Iterator[SheetTable]:
    """The sheets of a workbook that hold a table and are not hidden.

    Raises `DefinitionError` where there is none.
    """
    sheets = list_sheets(path, path.name)
    names, found = tuple(each.name for each in sheets), False
    for each in sheets:
        file = CsvFile(path=path, name=path.name, sheet=each.name)
        sheet = None if each.hidden else load_declared_sheet(file)
        if sheet is None or sheet.width < 2 or sheet.frame.height < 2:
            continue
        found = True
        first = sheet.frame.head(SEARCHED_LINES)
        place = find_header_line([row[1:] for row in first.iter_rows()])
        line = first["line"][place]
        yield SheetTable(replace(file, header_line=line), names)
    if not found:
        raise DefinitionError(f"{path.name}: no sheet has rows, expected a table with a header")


def describe_stored(file: CsvFile) -> dict[int, str]:
    """What the texts of columns do not show between the header and the footer, by their places."""
    sheet, header_line, told = load_declared_sheet(file), file.header_line, {}
    for place in range(sheet.width):
        unsure = sum(at == place and line > header_line for line, at in sheet.unsure)
        bare = sum(line > header_line for line in sheet.bare.get(place, ()))
        parts = [
            f"of {format_count(unsure, 'cell')} stored as numbers of more than 15 digits or with a fraction, digits "
            "may be lost",
            f"of {format_count(bare, 'cell')} stored as numbers, leading zeros may be lost",
        ]
        told[place] = "; ".join(part for part, count in zip(parts, (unsure, bare), strict=True) if count)
    return {place: text for place, text in told.items() if text}
