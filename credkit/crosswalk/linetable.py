"""The lines of a crosswalk as a table, in the order of the credentials: columns for the files, objects one by one."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from datetime import UTC, date, datetime, timezone
from typing import Any, Literal, overload
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from credkit.files.times import MICROSECOND, to_datetime, utc_offsets

Action = Literal["add", "keep", "change", "hold", "none"]
Proof = Literal["seen", "on paper only", "in conflict"]
ACTIONS: tuple[Action, ...] = ("add", "keep", "change", "hold", "none")
TIMES = ("first_seen", "last_seen")


@dataclass(frozen=True, slots=True, kw_only=True)
class CrosswalkLine:
    """A row of crosswalk.csv: one credentials row and one target of its kind (``target`` empty if it has none).

    ``line`` is that of the credentials row, ``code`` why the line is held or nothing is done (`DECISIONS`), ``held``
    what the target holds for the person today. ``certain`` readings show no other card, ``shared`` ones might.
    """

    line: int
    person: str
    credential: str
    kind: str
    number: str
    printed: str
    status: str
    valid_from: date | None
    valid_until: date | None
    replaces: str
    source: str
    target: str
    held: str
    text: str
    action: Action
    code: str
    proof: Proof
    readers: str
    certain: int
    shared: int
    first_seen: datetime | None
    last_seen: datetime | None
    reason: str


LINE_COLUMNS = tuple(field.name for field in fields(CrosswalkLine))


class LineTable(Sequence[CrosswalkLine]):
    """The lines as a ``frame`` with the columns of `CrosswalkLine`; times are in microseconds since 1970 (UTC)."""

    def __init__(self, frame: pl.DataFrame, zone: ZoneInfo) -> None:
        self.frame, self.zone = frame, zone

    def __len__(self) -> int:
        return self.frame.height

    def __eq__(self, other: object) -> bool:
        return isinstance(other, LineTable) and self.zone == other.zone and self.frame.equals(other.frame)

    __hash__ = None  # type: ignore[assignment]  # a table is compared, not looked up

    def __iter__(self) -> Iterator[CrosswalkLine]:
        return map(self._make, self.frame.iter_rows(named=True))

    @overload
    def __getitem__(self, place: int) -> CrosswalkLine: ...
    @overload
    def __getitem__(self, place: slice) -> list[CrosswalkLine]: ...
    def __getitem__(self, place: int | slice) -> CrosswalkLine | list[CrosswalkLine]:
        if isinstance(place, slice):
            return list(map(self._make, self.frame[place].iter_rows(named=True)))
        return self._make(self.frame.row(range(len(self))[place], named=True))

    def where(self, condition: pl.Expr) -> Iterator[CrosswalkLine]:
        """The lines that fulfil a condition."""
        return map(self._make, self.frame.filter(condition).iter_rows(named=True))

    def _make(self, row: dict[str, Any]) -> CrosswalkLine:
        for name in TIMES:
            if row[name] is not None:
                row[name] = to_datetime(row[name]).astimezone(self.zone)
        return CrosswalkLine(**row)

    def columns(self, names: Sequence[str], rows: slice) -> list[pl.Series]:
        """Some rows as columns for a file, times by the site's clocks."""
        part = self.frame[rows]
        return [write_times(part[name], self.zone) if name in TIMES else part[name] for name in names]


def write_times(micros: pl.Series, zone: ZoneInfo) -> pl.Series:
    """Times as a file has them, to the second, with the offset from UTC; null where there is none.

    >>> write_times(pl.Series([0, None, 1_790_000_000_000_000]), ZoneInfo("Europe/Amsterdam")).to_list()
    ['1970-01-01T01:00:00+01:00', None, '2026-09-21T16:13:20+02:00']
    """
    known = micros.drop_nulls()
    ahead = utc_offsets(known.to_numpy(), zone)
    places, which = np.unique(ahead, return_inverse=True)
    offsets = pl.Series([_format_offset(offset) for offset in places.tolist()], dtype=pl.String).gather(which)
    local = pl.Series(known.to_numpy() + ahead).cast(pl.Datetime("us")).dt.strftime("%Y-%m-%dT%H:%M:%S")
    written = (local + offsets).extend(pl.Series([None], dtype=pl.String))
    at = np.full(len(micros), len(known))
    at[micros.is_not_null().to_numpy()] = np.arange(len(known))
    return written.gather(at)


def _format_offset(micros: int) -> str:
    zone = timezone(micros * MICROSECOND) if micros else UTC
    return datetime(2000, 1, 1, tzinfo=zone).isoformat()[len("2000-01-01T00:00:00") :]
