"""Output files: crosswalk.csv, exceptions.csv and summary.txt, written as a whole or not at all."""

from __future__ import annotations

from collections.abc import Iterator
from operator import attrgetter
from pathlib import Path

from credkit.crosswalk.linetable import LineTable
from credkit.crosswalk.result import Crosswalk
from credkit.crosswalk.summary import summary_text
from credkit.files.csvtables import ROWS_AT_ONCE, CsvTable
from credkit.files.outputs import write_folder

LINES = CsvTable(
    columns=(
        "line", "person", "credential", "kind", "number", "printed", "status", "valid_from", "valid_until", "replaces",
        "source", "target", "held", "text", "action", "code", "proof", "readers", "certain", "shared", "first_seen",
        "last_seen", "reason",
    ),
    unmasked=("number", "text", "reason"),  # account numbers were taken from these where they were made
)  # fmt: skip
EXCEPTIONS = CsvTable(
    columns=("file", "line", "code", "reader", "time", "person", "credential", "input", "reason", "candidates"),
    unmasked=("input", "reason"),
)
MAKER = "crosswalk"
FILE_NAMES = ("crosswalk.csv", "exceptions.csv", "summary.txt")


def write_outputs(result: Crosswalk, out: str | Path) -> None:
    """Write ``result`` as the folder ``out``, in place of a former crosswalk.

    Raises `DefinitionError` where ``out`` cannot be written, `ForeignOutput` where it holds what no crosswalk wrote.
    """
    write_folder(encode_outputs(result), out, MAKER)


def encode_outputs(result: Crosswalk) -> dict[str, Iterator[bytes]]:
    """The pieces of each file, made when they are asked for."""
    return {
        "crosswalk.csv": _encode_lines(result.lines),
        "exceptions.csv": EXCEPTIONS.encode(map(attrgetter(*EXCEPTIONS.columns), result.exceptions)),
        "summary.txt": iter((summary_text(result).encode("utf-8", "backslashreplace"),)),
    }


def _encode_lines(lines: LineTable) -> Iterator[bytes]:
    yield LINES.encode_header()
    for start in range(0, len(lines), ROWS_AT_ONCE):
        yield LINES.encode_columns(lines.columns(LINES.columns, slice(start, start + ROWS_AT_ONCE)))
