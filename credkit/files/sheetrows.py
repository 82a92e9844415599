"""The rows of a sheet as a file of rows has them: the header, the rows below it, and the cells that have no text."""

from __future__ import annotations

from array import array
from collections.abc import Iterator, Sequence
from dataclasses import replace

from credkit.core.errors import DefinitionError
from credkit.core.extras import site_extra_missing
from credkit.core.sentences import redacted_repr
from credkit.files.declaredfiles import CsvFile, WrongCell
from credkit.files.tablefoot import MOST_FOOT_LINES, Footer, find_footer_start

try:
    import polars as pl

    from credkit.files.sheetcells import CURES, CellFault, CellProblem, describe_column
    from credkit.files.workbooks import Sheet, load_sheet
except ModuleNotFoundError as missing:
    if str(missing.name).partition(".")[0] not in ("openpyxl", "polars", "numpy"):
        raise
    raise DefinitionError(site_extra_missing("reading a workbook (.xlsx)")) from None


def load_declared_sheet(file: CsvFile) -> Sheet:
    """The sheet that ``file`` declares, down to its footer; raises `DefinitionError` where there is none."""
    sheet = load_sheet(file.path, file.name, file.sheet, file.site_key)
    footer = find_sheet_footer(file)
    return sheet if footer is None else _cut_sheet(sheet, footer.first)


def find_sheet_footer(file: CsvFile) -> Footer | None:
    """The footer that ``file`` declares, among the last rows of its sheet; None where it declares none.

    Raises `DefinitionError` where there is none although it is declared.
    """
    if not file.footer:
        return None
    rows = load_sheet(file.path, file.name, file.sheet, file.site_key).rows_below(file.header_line)
    ending = [(line, cells) for line, *cells in rows.tail(MOST_FOOT_LINES).iter_rows()]
    first = find_footer_start(ending, file.footer)
    return file.refuse_missing_footer() if first is None else Footer(first, ending[-1][0])


def _cut_sheet(sheet: Sheet, line: int) -> Sheet:
    """The rows of a sheet above a line."""
    return replace(
        sheet, frame=sheet.frame.filter(pl.col("line") < line),
        faults=tuple(fault for fault in sheet.faults if fault.line < line),
        unsure=tuple(each for each in sheet.unsure if each[0] < line),
        bare={place: array(lines.typecode, (each for each in lines if each < line))
              for place, lines in sheet.bare.items()},
        moments={place: array(lines.typecode, (each for each in lines if each < line))
                 for place, lines in sheet.moments.items()},
        hidden_rows=tuple(each for each in sheet.hidden_rows if each < line),
    )  # fmt: skip


def read_sheet_rows(file: CsvFile) -> Iterator[tuple[int, list[str], list[WrongCell]]]:
    """The header and the rows below it: their lines, as many cells as the header has, and the cells without a text.

    A row with texts behind the last column of the header has more cells.
    """
    sheet = load_declared_sheet(file)
    header = sheet.read_header(file.header_line)
    yield file.header_line, header, []
    faults = sheet.faults_below(file.header_line)
    width = len(header)
    for line, *cells in sheet.rows_below(file.header_line).iter_rows():
        while len(cells) > width and not cells[-1]:
            cells.pop()
        yield line, cells, [describe_cell_fault(sheet, header, fault) for fault in faults.get(line, ())]


def describe_cell_fault(sheet: Sheet, header: Sequence[str], fault: CellFault) -> WrongCell:
    """What is wrong with a cell of a sheet that has this header."""
    name = header[fault.place] if fault.place < len(header) else ""
    where = f"column {describe_column(fault.place)}{f' ({redacted_repr(name)})' if name else ''}"
    problem = f"the cell in {where} of the sheet {redacted_repr(sheet.name)} is {fault.problem}"
    word = "" if fault.problem is CellProblem.MERGED else fault.word
    return WrongCell(fault.place, problem, word, CURES[fault.problem])
