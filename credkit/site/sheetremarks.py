"""What a table of texts does not show of a sheet: numbers that may have lost digits or zeros, what is hidden.

A CSV file has nothing of that.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import polars as pl

from credkit.core.sentences import describe_rows, format_count, join_values, redacted_repr
from credkit.core.whitespace import strip_white_space
from credkit.files.csvfiles import find_footer
from credkit.files.declaredfiles import CsvFile
from credkit.files.tablefoot import Footer
from credkit.site.model import Site
from credkit.site.rows import EXISTING

CREDENTIAL_NUMBERS, READING_NUMBERS, EXPORT_NUMBERS = (
    ("value", "printed"),
    ("text",),
    EXISTING[1:],
)  # columns of numbers
DAYS = ("valid_from", "valid_until")

if TYPE_CHECKING:
    from credkit.files.workbooks import Sheet  # it needs the library that reads workbooks


def find_unsure_texts(file: CsvFile, column: str) -> frozenset[str]:
    """The texts of a column that are stored as numbers of more digits than a spreadsheet keeps, or with a fraction."""
    if not file.is_workbook:
        return frozenset()
    from credkit.files.sheetrows import load_declared_sheet  # a site of CSV files needs no library for it

    sheet = load_declared_sheet(file)
    places = set(_places(file, sheet, column))
    wanted = {place: [line for line, at in sheet.unsure if at == place] for place in places}
    texts = set[str]()
    for place, lines in wanted.items():
        rows = sheet.rows_below(file.header_line).filter(pl.col("line").is_in(lines))
        texts.update(rows[str(place)].to_list())
    return frozenset(texts)


def describe_sheets(site: Site) -> list[str]:
    """The sentences about the sheets of a site's files."""
    found = [*describe_credentials(site), *_describe_sheet(site, site.readings, READING_NUMBERS, ["time"])]
    exports = [target.existing for target in site.targets.values() if target.existing]
    return [*found, *(text for file in exports for text in _describe_sheet(site, file, EXPORT_NUMBERS, []))]


def describe_credentials(site: Site) -> Iterator[str]:
    """The sentences about the sheet of the credentials; none about a CSV file."""
    yield from _describe_sheet(site, site.credentials, CREDENTIAL_NUMBERS, DAYS)


def describe_footer(file: CsvFile, footer: Footer) -> str:
    """The sentence about the lines below a table, which are not read."""
    count = footer.last - footer.first + 1
    return (
        f"{file.name}: {footer.describe()} {'is' if count == 1 else 'are'} not read: {format_count(count, 'line')} of "
        f"footer, which begins with {redacted_repr(file.footer)}"
    )


def _describe_sheet(site: Site, file: CsvFile, numbers: Sequence[str], moments: Sequence[str]) -> Iterator[str]:
    """The sentences about a sheet with these columns of numbers, and of days or times; none about a CSV file."""
    if (footer := find_footer(file)) is not None:
        yield describe_footer(file, footer)
    if not file.is_workbook:
        return
    from credkit.files.sheetrows import load_declared_sheet

    sheet = load_declared_sheet(file)
    where = f"{file.name}, sheet {redacted_repr(sheet.name)}"
    for column in numbers:
        for place in _places(file, sheet, column):
            named = _name_column(file, sheet, column, place)
            if unsure := [line for line, at in sheet.unsure if at == place and line > file.header_line]:
                yield (
                    f"{where}: {_count_cells(len(unsure))} of {named} {_stored(unsure, 'number')} with more than "
                    f"15 digits or a fraction ({describe_rows(unsure)}): a spreadsheet keeps 15, so digits may be "
                    "lost; re-export the column as text"
                )
            if bare := [line for line in sheet.bare.get(place, ()) if line > file.header_line]:
                yield (
                    f"{where}: {_count_cells(len(bare))} of {named} {_stored(bare, 'number')} "
                    f"({describe_rows(bare)}): leading zeros may be lost"
                )
    for column in moments:
        yield from _describe_mixture(file, sheet, column, where)
    hidden = [line for line in sheet.hidden_rows if line > file.header_line]
    if hidden:
        rows = f"{format_count(len(hidden), 'row')} {_are(hidden)}"
        yield f"{where}: {rows} hidden ({describe_rows(hidden)}), and read as all others"
    header = sheet.read_header(file.header_line)
    names = [header[place] for place in sheet.hidden_places if place < len(header)]
    if columns := [redacted_repr(name) for name in names if name]:
        named = f"{format_count(len(columns), 'column')} {_are(columns)} hidden"
        yield f"{where}: {named}, and read as all others: {join_values(columns, quote=str)}"
    if others := _unread_sheets(site, file, sheet):
        yield f"{where}: other sheets are not read: {join_values(others, quote=str)}"


def _describe_mixture(file: CsvFile, sheet: Sheet, column: str, where: str) -> Iterator[str]:
    """The sentence about a column in which some cells are dates and others texts, as a spreadsheet may leave it.

    Texts that the site file gives a meaning of their own are none of dates.
    """
    words = ["", *file.mapping.words.get(column, ())]
    for place in _places(file, sheet, column):
        dates = [line for line in sheet.moments.get(place, ()) if line > file.header_line]
        filled = sheet.rows_below(file.header_line).filter(~pl.col(str(place)).is_in(words))["line"]
        texts = filled.filter(~filled.is_in(dates)).to_list() if dates else []
        if texts:
            counts = f"{_count_cells(len(dates))} {_stored(dates, 'date')}, {len(texts):,} as "
            yield (
                f"{where}: of {_name_column(file, sheet, column, place)}, {counts}"
                f"{'a text' if len(texts) == 1 else 'texts'} ({describe_rows(texts)}): a spreadsheet that takes the "
                "month to stand first leaves such a mixture, and turns days and months round; compare the dates with "
                "their source"
            )


def _unread_sheets(site: Site, file: CsvFile, sheet: Sheet) -> list[str]:
    """The sheets of a workbook that no file of the site reads, each with whether it is hidden."""
    exports = [target.existing for target in site.targets.values() if target.existing]
    declared = [each.sheet for each in (site.credentials, site.readings, *exports) if each.path == file.path]
    first = next((name for name, hidden in sheet.sheets if not hidden), sheet.name)
    read = {name or first for name in declared}
    return [
        f"{redacted_repr(name)}{' (hidden)' * hidden}"
        for name, hidden in sheet.sheets
        if name not in {*read, sheet.name}
    ]


def _places(file: CsvFile, sheet: Sheet, column: str) -> list[int]:
    """The places of the headers that hold a column."""
    header = [strip_white_space(name) if file.strip else name for name in sheet.read_header(file.header_line)]
    return [header.index(name) for name in file.mapping.all_headers_of(column) if name in header]


def _name_column(file: CsvFile, sheet: Sheet, column: str, place: int) -> str:
    """A column of ours, and the header that holds it, if that has another name."""
    header = sheet.read_header(file.header_line)[place]
    return column if header == column else f"{column} (column {redacted_repr(header)})"


def _count_cells(count: int) -> str:
    return format_count(count, "cell")


def _stored(lines: Sequence[int], noun: str) -> str:
    """How cells on these lines are stored."""
    return f"is stored as a {noun}" if len(lines) == 1 else f"are stored as {noun}s"


def _are(things: Sequence[object]) -> str:
    return "is" if len(things) == 1 else "are"
