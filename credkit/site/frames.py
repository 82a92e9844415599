"""The rows of a site's files as columns, and back: what is empty, and need not be there, is null.

The columns are those of `credkit.site.rows.Assignment`, `ReadingRow` and `ExportRow`; ``moment`` is the time of a
reading in microseconds since 1970 (UTC), by the clock of its reader.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from operator import attrgetter
from typing import Any, TypeVar

import numpy as np
import polars as pl

from credkit.bulk.words import Array
from credkit.core.sentences import redacted_repr
from credkit.files.declaredfiles import CsvFile
from credkit.files.times import to_datetime, to_micros
from credkit.site.model import Rows, Site
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
OFTEN_EMPTY = ("presentation", "expected")
CODED = ("text", *OFTEN_EMPTY)  # the columns of readings in which the same texts come again
EXPORT_TYPES: Mapping[str, Any] = {"line": pl.UInt32, "person": pl.String, "text": pl.String}


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteFrames:
    """The rows of a site's files as columns; ``existing`` has the export of each target that names one.

    ``empty_lines`` are the lines of the credentials that may have several numbers, and have none.
    Of workbooks, ``unsure`` has the texts, by column, that are stored as numbers of more digits than a sheet keeps, and
    ``remarks`` has sentences on what the columns do not show.
    """

    credentials: pl.DataFrame
    readings: pl.DataFrame
    existing: Mapping[str, pl.DataFrame]
    empty_lines: tuple[int, ...] = ()
    unsure: Mapping[str, frozenset[str]] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()


def tabulate_rows(rows: Rows, site: Site) -> SiteFrames:
    """``rows`` of ``site`` as columns, in the order of their lines.

    Raises `DefinitionError` for a value that no row of a file can have, and for a reader or a kind that the site lacks.
    """
    for row in rows.credentials:
        if row.kind not in site.kinds:
            site.credentials.refuse(row.line, f"no kind is called {redacted_repr(row.kind)} in the site file")
    for reading in rows.readings:
        if reading.reader not in site.readers:
            site.readings.refuse(reading.line, f"no reader is called {redacted_repr(reading.reader)} in the site file")
    exports = {target.name: target.existing for target in site.targets.values() if target.existing}
    return SiteFrames(
        credentials=_in_order(site.credentials, rows.credentials, tabulate_credentials),
        readings=code_readings(site, [_in_order(site.readings, rows.readings, tabulate_readings)]),
        existing={
            name: _in_order(file, rows.existing.get(name, ()), tabulate_export) for name, file in exports.items()
        },
    )


T = TypeVar("T", Assignment, ReadingRow, ExportRow)


def _in_order(file: CsvFile, rows: Sequence[T], tabulate: Callable[[Sequence[T]], pl.DataFrame]) -> pl.DataFrame:
    try:
        return tabulate(sorted(rows, key=attrgetter("line")))
    except (UnicodeEncodeError, OverflowError, TypeError):
        for row in rows:
            try:
                tabulate([row])
            except (UnicodeEncodeError, OverflowError, TypeError):
                file.refuse(row.line, "a value of the row is none that a cell can have: half a character, or a number "
                            "out of range")  # fmt: skip
        raise


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
    moments = [to_micros(row.time) for row in rows]
    columns = {name: moments if name == "moment" else [getattr(row, name) for row in rows] for name in READING_TYPES}
    return pl.DataFrame(columns, READING_TYPES)


def code_readings(site: Site, frames: Iterable[pl.DataFrame]) -> pl.DataFrame:
    """The readings of ``frames`` in one: each different text is stored once, and a cell that is empty is null."""
    return join_readings(site, (frame.with_columns(map(_empty_to_null, frame[[*OFTEN_EMPTY]])) for frame in frames))


def _empty_to_null(cells: pl.Series) -> pl.Series:
    """``cells``, null where they are empty; a column in which all are takes no memory."""
    if (cells != "").any():
        return cells.replace("", None)
    return pl.repeat(None, len(cells), dtype=pl.Null, eager=True).alias(cells.name)


def join_readings(site: Site, frames: Iterable[pl.DataFrame]) -> pl.DataFrame:
    """The readings of ``frames`` in one, coded together; a cell that is empty is null in them, coded or not.

    A column in which all are empty has the type of nothing but nulls.
    """
    types = {name: pl.Categorical(pl.Categories.random()) for name in CODED}
    coded = pl.Schema({**READING_TYPES, **types, "reader": pl.Enum(list(site.readers))})
    parts = [pl.DataFrame(schema={**coded, **dict.fromkeys(OFTEN_EMPTY, pl.Null)})]
    for frame in frames:
        filled = [name for name in coded if frame[name].dtype != pl.Null]
        parts.append(_recode_texts(frame, types["text"]).cast(pl.Schema({name: coded[name] for name in filled})))
    joined = pl.concat(parts, how="vertical_relaxed", rechunk=False)
    parts.clear()
    for name in joined.columns:  # one after the other: at no time all of them are there twice
        joined = joined.with_columns(joined[name].rechunk())
    return joined


def _recode_texts(frame: pl.DataFrame, coding: Any) -> pl.DataFrame:
    """``frame`` with its texts in another ``coding``; of texts that are coded, each different one is looked up once."""
    texts = frame["text"]
    if not isinstance(texts.dtype, pl.Categorical) or not len(texts):
        return frame
    different, codes = texts.unique(), texts.to_physical().to_numpy()
    place = np.empty(int(codes.max()) + 1, np.uint32)
    place[different.to_physical().to_numpy()] = np.arange(len(different))
    return frame.with_columns(different.cast(pl.String).cast(coding).gather(place[codes]).alias("text"))


def reading_rows(table: pl.DataFrame) -> list[ReadingRow]:
    """The readings of a table, coded or not, one by one."""
    some = table.select(*READING_TYPES).with_columns(pl.col("reader", *CODED).cast(pl.String).fill_null(""))
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
