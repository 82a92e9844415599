"""Output files: lines, exceptions and findings as tables, the run as JSON, the summary as text; all or none of them.

What a later run is compared with (`credkit.crosswalk.savedruns`) is read from the tables and the JSON, never from a
sentence.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from functools import partial
from operator import attrgetter
from pathlib import Path

import polars as pl

from credkit.core.version import __version__
from credkit.crosswalk.readiness import Readiness
from credkit.crosswalk.result import Crosswalk
from credkit.crosswalk.summary import summary_text
from credkit.files.csvtables import ROWS_AT_ONCE, Column, CsvTable, FilledTable, split_rows
from credkit.files.dialects import PLAIN, Dialect
from credkit.files.outputs import write_folder
from credkit.files.spreadsheets import spreadsheet_files
from credkit.privacy.accounts import mask_accounts

LINES = CsvTable(
    columns=(
        "line", "person", "credential", "kind", "number", "value", "printed", "status", "valid_from", "valid_until",
        "replaces", "source", "target", "held", "text", "action", "code", "proof", "readers", "certain", "shared",
        "first_seen", "last_seen", "reason",
    ),
    unmasked=("number", "value", "text", "reason"),  # account numbers were taken from these where they were made
)  # fmt: skip
EXCEPTIONS = CsvTable(
    columns=("file", "line", "code", "reader", "time", "person", "credential", "input", "reason", "candidates"),
    unmasked=("input", "reason"),
)
FINDINGS = CsvTable(
    columns=("code", "subject", "count", "people", "text", "lines"),
    unmasked=("subject",),  # masked before, but for those that a file may show
)
READINESS = CsvTable(columns=("person", "area", "target", "state", "locked", "code"))
LINES_AT_ONCE = 1 << 15  # of crosswalk.csv: it bounds the memory that writing takes
MAKER = "crosswalk"
FILE_NAMES = ("crosswalk.csv", "exceptions.csv", "findings.csv", "readiness.csv", "run.json", "summary.txt")


def write_outputs(result: Crosswalk, out: str | Path, dialect: Dialect = PLAIN) -> None:
    """Write ``result`` as the folder ``out``, in place of a former crosswalk; its tables in ``dialect``, too.

    Raises `DefinitionError` where ``out`` cannot be written, `ForeignOutput` where it holds what no crosswalk wrote.
    """
    write_folder({**encode_outputs(result), **spreadsheet_files(_fill_tables(result), dialect)}, out, MAKER)


def encode_outputs(result: Crosswalk) -> dict[str, Iterator[bytes]]:
    """The pieces of each file but those for spreadsheets, made when they are asked for."""
    return {
        **{name: filled.encode() for name, filled in _fill_tables(result).items()},
        "run.json": iter((_encode_run(result),)),
        "summary.txt": iter((summary_text(result).encode("utf-8", "backslashreplace"),)),
    }


def _fill_tables(result: Crosswalk) -> dict[str, FilledTable]:
    return {
        "crosswalk.csv": FilledTable(table=LINES, blocks=partial(_list_lines, result)),
        "exceptions.csv": FilledTable(
            table=EXCEPTIONS,
            blocks=lambda: split_rows(map(attrgetter(*EXCEPTIONS.columns), result.exceptions)),
        ),
        "findings.csv": FilledTable(table=FINDINGS, blocks=lambda: split_rows(_list_findings(result))),
        "readiness.csv": FilledTable(table=READINESS, blocks=partial(_list_readiness, result.readiness)),
    }


def _list_lines(result: Crosswalk) -> Iterator[Sequence[Column]]:
    for start in range(0, len(result.lines), LINES_AT_ONCE):
        yield result.lines.columns(LINES.columns, slice(start, start + LINES_AT_ONCE))


def _list_readiness(readiness: Readiness) -> Iterator[Sequence[Column]]:
    locked = pl.when("locked").then(pl.lit("yes")).otherwise(pl.lit("no")).alias("locked")
    for rows in readiness.unproven.with_columns(locked).iter_slices(ROWS_AT_ONCE):
        yield rows.get_columns()


def _list_findings(result: Crosswalk) -> Iterator[tuple[object, ...]]:
    for finding in result.findings:
        subject = finding.subject if finding.subject in result.unmasked else mask_accounts(finding.subject)
        yield finding.code, subject, finding.count, finding.people, finding.text, "\n".join(finding.lines)


def _encode_run(result: Crosswalk) -> bytes:
    """What was matched, and from which bytes: the same for the same files."""
    run = {
        "site": mask_accounts(result.site),
        "as_of": result.as_of.isoformat(),
        "credkit": __version__,
        "inputs": [
            {"name": mask_accounts(file.name), "role": file.role, "sha256": file.sha256} for file in result.inputs
        ],
    }
    return (json.dumps(run, indent=2) + "\n").encode()
