"""Output files: lines, exceptions and findings as tables, the run as JSON, the summary as text; all or none of them.

What a later run is compared with (`credkit.crosswalk.savedruns`) is read from the tables and the JSON, never from a
sentence.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from operator import attrgetter
from pathlib import Path

import polars as pl

from credkit.core.version import __version__
from credkit.crosswalk.linetable import LineTable
from credkit.crosswalk.readiness import Readiness
from credkit.crosswalk.result import Crosswalk
from credkit.crosswalk.summary import summary_text
from credkit.files.csvtables import ROWS_AT_ONCE, CsvTable
from credkit.files.outputs import write_folder
from credkit.privacy.accounts import mask_accounts

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
FINDINGS = CsvTable(
    columns=("code", "subject", "count", "people", "text", "lines"),
    unmasked=("subject",),  # masked before, but for those that a file may show
)
READINESS = CsvTable(columns=("person", "area", "target", "state", "locked", "code"))
MAKER = "crosswalk"
FILE_NAMES = ("crosswalk.csv", "exceptions.csv", "findings.csv", "readiness.csv", "run.json", "summary.txt")


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
        "findings.csv": FINDINGS.encode(_list_findings(result)),
        "readiness.csv": _encode_readiness(result.readiness),
        "run.json": iter((_encode_run(result),)),
        "summary.txt": iter((summary_text(result).encode("utf-8", "backslashreplace"),)),
    }


def _encode_lines(lines: LineTable) -> Iterator[bytes]:
    yield LINES.encode_header()
    for start in range(0, len(lines), ROWS_AT_ONCE):
        yield LINES.encode_columns(lines.columns(LINES.columns, slice(start, start + ROWS_AT_ONCE)))


def _encode_readiness(readiness: Readiness) -> Iterator[bytes]:
    yield READINESS.encode_header()
    locked = pl.when("locked").then(pl.lit("yes")).otherwise(pl.lit("no")).alias("locked")
    for rows in readiness.unproven.with_columns(locked).iter_slices(ROWS_AT_ONCE):
        yield READINESS.encode_columns(rows.get_columns())


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
        "inputs": [{"name": mask_accounts(file.name), "sha256": file.sha256} for file in result.inputs],
    }
    return (json.dumps(run, indent=2) + "\n").encode()
