"""The rows of a site's files as columns, and back: what is empty, and need not be there, is null.

The columns are those of `credkit.site.rows.Assignment`, `ReadingRow` and `ExportRow`; ``moment`` is the time of a
reading in microseconds since 1970 (UTC), by the clock of its reader.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from credkit.bulk.words import Array
from credkit.files.times import EPOCH, MICROSECOND, to_datetime
from credkit.site.model import Rows
from credkit.site.rows import Assignment, ExportRow, ReadingRow

CREDENTIAL_TYPES: Mapping[str, Any] = {
    "line": pl.UInt32, "person": pl.String, "credential": pl.String, "kind": pl.String, "value": pl.String,
    "printed": pl.String, "issue": pl.UInt64, "status": pl.String, "valid_from": pl.Date, "valid_until": pl.Date,
    "replaces": pl.String, "source": pl.String,
}  # fmt: skip
READING_TYPES: Mapping[str, Any] = {
    "line": pl.UInt32, "moment": pl.Int64, "reader": pl.String, "text": pl.String, "presentation": pl.String,
    "expected": pl.String,
}  # fmt: skip
EXPORT_TYPES: Mapping[str, Any] = {"line": pl.UInt32, "person": pl.String, "text": pl.String}


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteFrames:
    """The rows of a site's files as columns; ``existing`` has the export of each target that names one."""

    credentials: pl.DataFrame
    readings: pl.DataFrame
    existing: Mapping[str, pl.DataFrame]


def tabulate_rows(rows: Rows) -> SiteFrames:
    """``rows`` as columns."""
    return SiteFrames(
        credentials=tabulate_credentials(rows.credentials), readings=tabulate_readings(rows.readings),
        existing={name: tabulate_export(them) for name, them in rows.existing.items()},
    )  # fmt: skip


def tabulate_credentials(rows: Sequence[Assignment]) -> pl.DataFrame:
    """The table of assignments.

    >>> row = Assignment(line=2, person="P-1", credential="C-1", kind="card", value="01200345", status="active")
    >>> tabulate_credentials([row]).row(0)
    (2, 'P-1', 'C-1', 'card', '01200345', '', None, 'active', None, None, '', '')
    >>> assignment_rows(tabulate_credentials([row])) == [row]
    True
    """
    return pl.DataFrame({name: [getattr(row, name) for row in rows] for name in CREDENTIAL_TYPES}, CREDENTIAL_TYPES)


def assignment_rows(table: pl.DataFrame, places: Array | None = None) -> list[Assignment]:
    """The assignments of a table, or those at ``places``, one by one."""
    some = table.select(*CREDENTIAL_TYPES)
    some = some if places is None else some[places]
    return [Assignment(**row) for row in some.iter_rows(named=True)]


def tabulate_readings(rows: Sequence[ReadingRow]) -> pl.DataFrame:
    """The table of readings.

    >>> row = ReadingRow(line=2, time=to_datetime(1_000_000), reader="gate", text="02F764DD")
    >>> tabulate_readings([row]).row(0)
    (2, 1000000, 'gate', '02F764DD', '', '')
    >>> reading_rows(tabulate_readings([row])) == [row]
    True
    """
    moments = [(row.time - EPOCH) // MICROSECOND for row in rows]
    columns = {name: moments if name == "moment" else [getattr(row, name) for row in rows] for name in READING_TYPES}
    return pl.DataFrame(columns, READING_TYPES)


def reading_rows(table: pl.DataFrame, places: Array | None = None) -> list[ReadingRow]:
    """The readings of a table, or those at ``places``, one by one."""
    some = table.select(*READING_TYPES)
    some = some if places is None else some[places]
    return [
        ReadingRow(
            line=line, time=to_datetime(moment), reader=reader, text=text, presentation=presentation, expected=expected
        )
        for line, moment, reader, text, presentation, expected in some.iter_rows()
    ]


def tabulate_export(rows: Sequence[ExportRow]) -> pl.DataFrame:
    """The table of what a target holds.

    >>> tabulate_export([ExportRow(line=2, person="P-1", text="786777")]).row(0)
    (2, 'P-1', '786777')
    """
    return pl.DataFrame({name: [getattr(row, name) for row in rows] for name in EXPORT_TYPES}, EXPORT_TYPES)
