"""The rows of the readings as columns, those of `ReadingRow`.

``moment`` is the time in microseconds since 1970 (UTC), by the clock of the reader.
"""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from credkit.bulk.words import Array
from credkit.files.times import EPOCH, MICROSECOND, to_datetime
from credkit.site.rows import ReadingRow

READING_TYPES = {
    "line": pl.Int64, "moment": pl.Int64, "reader": pl.String, "text": pl.String, "presentation": pl.String,
    "expected": pl.String,
}  # fmt: skip


def tabulate_readings(rows: Sequence[ReadingRow]) -> pl.DataFrame:
    """The table of ``rows``.

    >>> row = ReadingRow(line=2, time=to_datetime(1_000_000), reader="gate", text="02F764DD")
    >>> tabulate_readings([row]).row(0)
    (2, 1000000, 'gate', '02F764DD', '', '')
    >>> reading_rows(tabulate_readings([row])) == [row]
    True
    """
    columns = {
        "line": [row.line for row in rows],
        "moment": [(row.time - EPOCH) // MICROSECOND for row in rows],
        **{name: [getattr(row, name) for row in rows] for name in ("reader", "text", "presentation", "expected")},
    }
    return pl.DataFrame(columns, schema=READING_TYPES)


def reading_rows(table: pl.DataFrame, places: Array | None = None) -> list[ReadingRow]:
    """The rows of a table, or those at ``places``, one by one."""
    some = table if places is None else table[places]
    return [
        ReadingRow(
            line=line, time=to_datetime(moment), reader=reader, text=text, presentation=presentation, expected=expected
        )
        for line, moment, reader, text, presentation, expected in some.select(*READING_TYPES).iter_rows()
    ]
