"""The lines of a crosswalk as a table, in the order of the credentials: columns for the files, objects one by one."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields
from datetime import UTC, date, datetime, timezone
from typing import Any, Final, Literal, overload
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from credkit.files.times import MICROSECOND, to_datetime, utc_offsets

Action = Literal["add", "keep", "change", "hold", "none"]
Proof = Literal["seen", "on paper only", "in conflict"]
ACTIONS: tuple[Action, ...] = ("add", "keep", "change", "hold", "none")
WRITTEN_ACTIONS = ("add", "keep", "change")  # with these the target is to hold the text
SEEN: Final = "seen"
PAPER: Final = "on paper only"
CONFLICT: Final = "in conflict"
TIMES = ("first_seen", "last_seen")
ROWS_AT_ONCE = 1 << 16  # of which objects are made, or which are compared


@dataclass(frozen=True, slots=True, kw_only=True)
class CrosswalkLine:
    """A row of crosswalk.csv: one credentials row and one target of its kind (``target`` empty if it has none).

    ``line`` is that of the credentials row, ``code`` why the line is held or nothing is done (`DECISIONS`), ``held``
    what the target holds for the person today; ``value`` is the number as the register writes it. ``certain`` readings
    show no other card, ``shared`` ones might.
    """

    line: int
    person: str
    credential: str
    kind: str
    number: str
    value: str
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
    """The lines in columns, those of `CrosswalkLine`; times are in microseconds since 1970 (UTC).

    What several lines of a card have in common stands once: ``decided`` has the ``place`` of each line's card among
    ``cards``, and the columns that are the line's own.
    """

    def __init__(self, decided: pl.DataFrame, cards: pl.DataFrame, zone: ZoneInfo) -> None:
        self._decided, self.cards, self.zone = decided, cards, zone

    def __len__(self) -> int:
        return self._decided.height

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, LineTable)
            and (self.zone, len(self)) == (other.zone, len(other))
            and all(self._rows(rows).equals(other._rows(rows)) for rows in self._slices())
        )

    __hash__ = None  # type: ignore[assignment]  # a table is compared, not looked up

    def __iter__(self) -> Iterator[CrosswalkLine]:
        return (self._make(row) for rows in self._slices() for row in self._rows(rows).iter_rows(named=True))

    @property
    def frame(self) -> pl.DataFrame:
        """The whole table, made anew each time: `select` makes some columns of it."""
        return self.select(*LINE_COLUMNS)

    def select(self, *names: str, where: pl.Expr | None = None) -> pl.DataFrame:
        """Some columns of the lines, or of those that fulfil a condition."""
        decided = self._decided
        if where is not None:
            decided = decided.filter(self.select(*where.meta.root_names()).select(where).to_series())
        return self._join(decided, names)

    def _join(self, decided: pl.DataFrame, names: Sequence[str]) -> pl.DataFrame:
        place = decided["place"]
        return pl.DataFrame(
            [decided[name] if name in decided.columns else self.cards[name].gather(place) for name in names]
        )

    def _rows(self, rows: slice, names: Sequence[str] = LINE_COLUMNS) -> pl.DataFrame:
        return self._join(self._decided[rows], names)

    def _slices(self) -> Iterator[slice]:
        return (slice(start, start + ROWS_AT_ONCE) for start in range(0, len(self), ROWS_AT_ONCE))

    @overload
    def __getitem__(self, place: int) -> CrosswalkLine: ...
    @overload
    def __getitem__(self, place: slice) -> list[CrosswalkLine]: ...
    def __getitem__(self, place: int | slice) -> CrosswalkLine | list[CrosswalkLine]:
        if isinstance(place, slice):
            return list(map(self._make, self._rows(place).iter_rows(named=True)))
        start = range(len(self))[place]
        return self._make(self._rows(slice(start, start + 1)).row(0, named=True))

    def convert_lines(self, convert: Callable[[pl.Expr], pl.Expr]) -> LineTable:
        """The table with other numbers in its column ``line``."""
        decided, cards = (
            part.with_columns(convert(pl.col("line"))) if "line" in part.columns else part
            for part in (self._decided, self.cards)
        )
        return LineTable(decided, cards, self.zone)

    def where(self, condition: pl.Expr) -> Iterator[CrosswalkLine]:
        """The lines that fulfil a condition."""
        return map(self._make, self.select(*LINE_COLUMNS, where=condition).iter_rows(named=True))

    def _make(self, row: dict[str, Any]) -> CrosswalkLine:
        for name in TIMES:
            if row[name] is not None:
                row[name] = to_datetime(row[name]).astimezone(self.zone)
        return CrosswalkLine(**row)

    def columns(self, names: Sequence[str], rows: slice) -> list[pl.Series]:
        """Some rows as columns for a file, times by the site's clocks."""
        part = self._rows(rows, names)
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
