"""Workbooks made for tests by a library of its own, which credkit does not read with, or by hand."""

from __future__ import annotations

import csv
import io
import re
import shutil
import tomllib
import zipfile
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

import xlsxwriter

TITLES = ("Brackwater Terminal", "Export vom 31.03.2026")


def write_workbook(path: Path, sheets: Mapping[str, Sequence[Sequence[Any]]], hidden: Sequence[str] = ()) -> Path:
    """A workbook with these rows in its sheets: texts as texts, and what is no text as the cell that it is.

    A number may be a pair of number and format.
    """
    with xlsxwriter.Workbook(path, {"strings_to_numbers": False, "strings_to_formulas": False}) as book:
        for name, rows in sheets.items():
            sheet = book.add_worksheet(name)
            sheet.hide() if name in hidden else sheet.activate()
            for row, cells in enumerate(rows):
                for column, cell in enumerate(cells):
                    _write(book, sheet, (row, column), cell)
    return path


def _write(book: Any, sheet: Any, at: tuple[int, int], cell: Any) -> None:
    if isinstance(cell, str):
        sheet.write_string(*at, cell)
    elif isinstance(cell, bool):
        sheet.write_boolean(*at, cell)
    elif isinstance(cell, tuple):
        sheet.write_number(*at, cell[0], book.add_format({"num_format": cell[1]}))
    elif isinstance(cell, datetime | date | time):
        form = "hh:mm:ss" if isinstance(cell, time) else "dd.mm.yyyy hh:mm:ss"
        form = form if isinstance(cell, datetime | time) else "dd.mm.yyyy"
        sheet.write_datetime(*at, cell, book.add_format({"num_format": form}))
    elif cell is not None:
        sheet.write_number(*at, cell)


def edit_sheet(path: Path, edit: Callable[[str], str], part: str = "xl/worksheets/sheet1.xml") -> Path:
    """Change the text of a part of a workbook, as no library would write it."""
    with zipfile.ZipFile(path) as package:
        parts = {name: package.read(name) for name in package.namelist()}
    changed = edit(parts[part].decode())
    assert changed.encode() != parts[part]
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as package:
        for name, data in parts.items():
            package.writestr(name, changed if name == part else data)
    return path


def read_csv(path: Path, encoding: str, delimiter: str) -> list[list[str]]:
    """All rows of a CSV file."""
    text = path.read_bytes().decode(encoding).removeprefix("\ufeff")
    return list(csv.reader(io.StringIO(text), delimiter=delimiter))


def as_workbooks(
    export: Path, folder: Path, *, titles: Sequence[str] = (),
    convert: Callable[[str, str], Any] = lambda name, cell: cell,
) -> Path:  # fmt: skip
    """A site of CSV files copied to ``folder`` with workbooks in their place; the site file that reads them.

    ``titles`` stand above each header; ``convert`` makes the cell of a header and a text.
    """
    shutil.copytree(export, folder)
    path = folder / "site.toml"
    text = path.read_text(encoding="utf-8")
    site = tomllib.loads(text)
    declared = [*site["files"].values(), *(target["existing"] for target in site["targets"].values())]
    for each in declared:
        each = {"path": each} if isinstance(each, str) else each
        rows = read_csv(folder / each["path"], each.get("encoding", "utf-8"), each.get("delimiter", ","))
        header, *body = [row for row in rows if row]
        cells = [[convert(name, cell) for name, cell in zip(header, row, strict=True)] for row in body]
        name = each["path"].replace(".csv", ".xlsx")
        write_workbook(folder / name, {"Liste": [*([title] for title in titles), header, *cells]})
        (folder / each["path"]).unlink()
    text = re.sub(r"^(encoding|delimiter) = .*\n", "", text, flags=re.MULTILINE)
    lines = f"header_line = {len(titles) + 1}\n" if titles else ""
    text = re.sub(r'^path = "(.*)\.csv"$\n', rf'path = "\1.xlsx"\n{lines}', text, flags=re.MULTILINE)
    export_of = rf'existing = {{ path = "\1.xlsx", header_line = {len(titles) + 1} }}'
    text = re.sub(r'^existing = "(.*)\.csv"$', export_of, text, flags=re.MULTILINE)
    path.write_text(text, encoding="utf-8")
    return path
