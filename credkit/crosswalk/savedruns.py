"""Saved runs: a folder that a crosswalk wrote, read back as tables, as long as it is as it was written."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from io import BytesIO
from pathlib import Path

import polars as pl

from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.crosswalk.outputs import MAKER
from credkit.crosswalk.result import InputFile
from credkit.files.outputs.reading import read_folder

FINDING_COLUMNS = ("code", "subject", "count", "people", "text", "lines")
LINE_COLUMNS = ("person", "target", "credential", "kind", "action", "text", "code")
EXCEPTION_COLUMNS = ("file", "reader", "time", "input", "code", "person", "credential")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SavedRun:
    """What a crosswalk wrote, as tables of texts; counts of ``findings`` are whole numbers.

    ``lines`` has `LINE_COLUMNS`, ``exceptions`` has `EXCEPTION_COLUMNS`, ``findings`` has `FINDING_COLUMNS`.
    """

    path: str
    site: str
    as_of: date
    inputs: tuple[InputFile, ...]
    findings: pl.DataFrame
    lines: pl.DataFrame
    exceptions: pl.DataFrame


def read_run(path: str | Path) -> SavedRun:
    """The run in the folder ``path``.

    Raises `DefinitionError` for a folder that no crosswalk wrote, or one of whose files was changed since.
    """
    names = ("run.json", "findings.csv", "crosswalk.csv", "exceptions.csv")
    files = read_folder(Path(path), MAKER, names)
    try:
        return _make_run(str(path), files)
    except (ValueError, KeyError, TypeError, pl.exceptions.PolarsError):
        raise DefinitionError(
            f"{redacted_repr(str(path))} has files of another form than this version of credkit writes: "
            "run the crosswalk again"
        ) from None


def _make_run(path: str, files: Mapping[str, bytes]) -> SavedRun:
    run = json.loads(files["run.json"])
    findings = _read_table(files["findings.csv"], FINDING_COLUMNS)
    return SavedRun(
        path=path, site=run["site"], as_of=date.fromisoformat(run["as_of"]),
        inputs=tuple(
            InputFile(name=each["name"], sha256=each["sha256"], role=each.get("role", "")) for each in run["inputs"]
        ),
        findings=findings.with_columns(pl.col("count", "people").cast(pl.Int64)),
        lines=_read_table(files["crosswalk.csv"], LINE_COLUMNS),
        exceptions=_read_table(files["exceptions.csv"], EXCEPTION_COLUMNS),
    )  # fmt: skip


def _read_table(data: bytes, columns: tuple[str, ...]) -> pl.DataFrame:
    read = pl.read_csv(BytesIO(data), columns=list(columns), infer_schema=False)
    return read.select(pl.col(columns).fill_null(""))
