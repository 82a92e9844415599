"""Output files: crosswalk.csv, exceptions.csv, summary.txt, written as a whole or not at all (`credkit.files.outputs`).

Source: RFC 4180 (common form of CSV).
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import datetime
from pathlib import Path

from credkit.crosswalk.result import Crosswalk, CrosswalkLine, ExceptionRow
from credkit.crosswalk.summary import summary_text
from credkit.files.csvfiles import guard_formula
from credkit.files.outputs import write_folder
from credkit.privacy.accounts import mask_accounts

LINE_COLUMNS = (
    "line", "person", "credential", "kind", "number", "printed", "status", "valid_from", "valid_until", "replaces",
    "source", "target", "held", "text", "action", "code", "proof", "readers", "certain", "shared", "first_seen",
    "last_seen", "reason",
)  # fmt: skip
EXCEPTION_COLUMNS = (
    "file", "line", "code", "reader", "time", "person", "credential", "input", "reason", "candidates",
)  # fmt: skip
ALREADY_MASKED = (
    "number",
    "text",
    "input",
    "reason",
)  # cells from which account numbers were taken where they were made
MAKER = "crosswalk"
FILE_NAMES = ("crosswalk.csv", "exceptions.csv", "summary.txt")


def write_outputs(result: Crosswalk, out: str | Path) -> None:
    """Write ``result`` as the folder ``out``, in place of a former crosswalk.

    Raises `DefinitionError` where ``out`` cannot be written, `ForeignOutput` where it holds what no crosswalk wrote.
    """
    texts = {
        "crosswalk.csv": csv_text(LINE_COLUMNS, result.lines),
        "exceptions.csv": csv_text(EXCEPTION_COLUMNS, result.exceptions),
        "summary.txt": summary_text(result),
    }
    write_folder({name: text.encode("utf-8", "backslashreplace") for name, text in texts.items()}, out, MAKER)


def csv_text(columns: Sequence[str], rows: Iterable[CrosswalkLine | ExceptionRow], *, head: bool = True) -> str:
    """Rows as they stand in a file, account numbers masked."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    if head:
        writer.writerow(columns)
    for row in rows:
        cells = ((column, format_cell(getattr(row, column))) for column in columns)
        writer.writerow([text if column in ALREADY_MASKED else mask_accounts(text) for column, text in cells])
    return buffer.getvalue()


def format_cell(value: object) -> str:
    """A value as a cell; what a spreadsheet would take for a formula gets an apostrophe before it.

    >>> format_cell("=1+1"), format_cell("-2147483648"), format_cell(("-A", "@C-2")), format_cell(None)
    ("'=1+1", '-2147483648', "'-A;' @C-2", '')
    """
    if isinstance(value, datetime):
        return value.isoformat(timespec="seconds")
    if isinstance(value, tuple):
        value = "; ".join(map(str, value))
    text = "" if value is None else str(value)
    return guard_formula(text)
