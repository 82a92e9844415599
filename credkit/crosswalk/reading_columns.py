"""Reads: the readings of a site as columns: when, where, which text, and whose number it is.

A row is *odd* if anything in it has to be looked at: what does not read, or is nobody's, or was
read on a day on which the card was not active; whatever is typed key by key; and rows on which
somebody wrote more than a text, such as whom the desk expected.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from credkit.bulk.decoded_columns import decode_columns
from credkit.bulk.words import Array
from credkit.core.codec import AnyCodec
from credkit.core.fields import Item
from credkit.crosswalk.account_suspects import find_account_numbers, may_hold_account
from credkit.crosswalk.number_columns import KEY_PREFIX, are_rounded, key_columns
from credkit.crosswalk.owners import OwnerColumns
from credkit.crosswalk.settled import ReaderPeriod
from credkit.files.csvcolumns import FIRST_ROW_LINE, NeedsStrictReader
from credkit.files.times import EPOCH, MICROSECOND, SECOND_MICROS, to_datetime, utc_offsets
from credkit.site.columns import load_readings
from credkit.site.model import CredentialKind, Reader, Site
from credkit.site.rows import ReadingRow

DAY = 86_400 * SECOND_MICROS
ReadingsPiece = tuple[pl.DataFrame, Array]  # rows and their times
DAY_LIMITS = (-(1 << 30), 1 << 30)  # days before all others, and after


@dataclass(slots=True, kw_only=True)
class ReadingColumns:
    """All rows in the order of the file. ``clock_times`` is the time by the reader's clock, in µs since 1970.

    ``owner`` is the first row of the credentials with the number, -1 where there is none. ``extra_cells`` has
    what else stands in a row: presentation and expected. ``unknown_numbers`` are numbers, by kind, that no
    credential has, of kinds that have an issue in them.
    """

    site: Site
    where: Array  # places of readers and periods in `places`
    clock_times: Array
    text: pl.Series
    owner: Array
    odd: Array
    extra_cells: Mapping[int, tuple[str, str]] = field(default_factory=dict)
    unknown_numbers: Mapping[str, list[pl.DataFrame]] = field(default_factory=dict)

    def rows(self, places: Array) -> Iterator[ReadingRow]:
        """Some rows as the strict reader gives them."""
        names = [name for name, _ in reader_periods(self.site)]
        written, where = self.clock_times[places].tolist(), self.where[places].tolist()
        texts = self.text.gather(places).to_list()
        for place, micros, at, text in zip(places.tolist(), written, where, texts, strict=True):
            presentation, expected = self.extra_cells.get(place, ("", ""))
            yield ReadingRow(
                line=place + FIRST_ROW_LINE, time=to_datetime(micros), reader=names[at], text=text,
                presentation=presentation,
                expected=expected,
            )  # fmt: skip

    def true_times(self) -> Array:
        """The true times."""
        return self.clock_times + _clock_offsets(self.site)[self.where]

    def readers_by_card(self, read: Array, cards: int) -> tuple[pl.Series, Array]:
        """By card, of the rows ``read``: the readers with how many rows each, and the last time (-1 for never)."""
        names = sorted(self.site.readers)
        rank = np.array([names.index(name) for name, _ in reader_periods(self.site)])
        rows = np.flatnonzero(read)
        owner = self.owner[rows].astype(np.int64)
        each = np.sort(owner * len(names) + rank[self.where[rows]])
        starts = np.flatnonzero(np.diff(each, prepend=-1))
        name = pl.Series(names, dtype=pl.String).gather(each[starts] % len(names))
        count = pl.Series(np.diff(starts, append=len(each))).cast(pl.String)
        seen = pl.DataFrame({"card": each[starts] // len(names), "text": name + " " + count})
        joined = seen.group_by("card", maintain_order=True).agg(pl.col("text").str.join("; "))
        readers = pl.Series("readers", [""]).new_from_index(0, cards).scatter(joined["card"], joined["text"])
        last = np.full(cards, -1, np.int64)
        np.maximum.at(last, owner, self.true_times()[rows])
        return readers, last


def reader_periods(site: Site) -> list[ReaderPeriod]:
    """The readers of a site, each with the places of its periods."""
    return [
        ReaderPeriod(reader.name, place) for reader in site.readers.values() for place in range(len(reader.periods))
    ]


def _clock_offsets(site: Site) -> Array:
    """By reader and period: what its clock lacks, in µs."""
    return np.array([site.readers[name].clock_offset // MICROSECOND for name, _ in reader_periods(site)], np.int64)


def _prefetch(pieces: Iterator[ReadingsPiece]) -> Iterator[ReadingsPiece]:
    """``pieces``, the next of which is read while one is worked on."""
    with ThreadPoolExecutor(1) as pool:
        waiting = pool.submit(next, pieces, None)
        while (piece := waiting.result()) is not None:
            waiting = pool.submit(next, pieces, None)
            yield piece


class _SharedChain:
    """Readers and periods that read the same kind through the same chain."""

    def __init__(self, kind: CredentialKind, codec: AnyCodec) -> None:
        self.kind = kind
        self.codec = codec
        self.places: list[int] = []


def read_reading_columns(site: Site, owners: OwnerColumns, active: tuple[Array, Array]) -> ReadingColumns:
    """The readings of a site; ``active`` has the first and last day on which each card is active.

    Raises `NotPlain`.
    """
    return _ColumnReader(site, owners, active).read()


class _ColumnReader:
    """Reads a site's readings, piece by piece, into columns."""

    def __init__(self, site: Site, owners: OwnerColumns, active: tuple[Array, Array]) -> None:
        self.site = site
        self.owners = owners
        self.first, self.last = active
        self.places = reader_periods(site)
        self.ahead = _clock_offsets(site)
        lanes: dict[tuple[str, AnyCodec], _SharedChain] = {}
        for at, (name, place) in enumerate(self.places):
            reader = site.readers[name]
            if reader.stream is None:
                codec = reader.periods[place].codec
                lanes.setdefault((reader.kind.name, codec), _SharedChain(reader.kind, codec)).places.append(at)
        self.lanes = list(lanes.values())
        self.strays: dict[str, list[pl.DataFrame]] = {}

    def read(self) -> ReadingColumns:
        """All rows."""
        desk: dict[int, tuple[str, str]] = {}
        parts: list[tuple[Array, ...]] = []
        texts: list[pl.Series] = [pl.Series("text", [], dtype=pl.String)]
        start = 0
        for frame, written in _prefetch(load_readings(self.site)):
            where = self._where(frame["reader"], written)
            owner, odd = self._judge(frame["text"], where, written)
            more = (frame["presentation"].ne("") | frame["expected"].ne("")).arg_true().to_numpy()
            odd[more] = True
            some = frame.select("presentation", "expected")[more]
            desk.update(zip((more + start).tolist(), some.iter_rows(), strict=True))
            parts.append((where, written, owner, odd))
            texts.append(frame["text"])
            start += frame.height
        joined = [np.concatenate(columns) for columns in zip(*parts, strict=True)] or [np.zeros(0, np.int64)] * 4
        where, written, owner, odd = joined
        return ReadingColumns(
            site=self.site, where=where, clock_times=written, owner=owner, odd=odd.astype(bool),
            text=pl.concat(texts), extra_cells=desk, unknown_numbers=self.strays,
        )  # fmt: skip

    def _where(self, readers: pl.Series, written: Array) -> Array:
        """The place of the reader and period of each row; raises `NotPlain` where a time is in no period."""
        first: dict[str, int] = {}
        for at, (name, _) in enumerate(self.places):
            first.setdefault(name, at)
        where = readers.replace_strict(first, return_dtype=pl.UInt16).to_numpy().copy()
        for name, at in first.items():
            reader = self.site.readers[name]
            if len(reader.periods) > 1 or reader.periods[0].start or reader.periods[0].end:
                rows = np.flatnonzero(where == at)
                where[rows] += _find_periods(reader, written[rows] + self.ahead[at])
        return where

    def _judge(self, texts: pl.Series, where: Array, written: Array) -> tuple[Array, Array]:
        """The owner of each row's number, and which rows are odd."""
        owner, odd = np.full(len(texts), -1, np.int32), np.ones(len(texts), bool)
        for lane in self.lanes:
            rows = np.flatnonzero(np.isin(where, np.array(lane.places, np.uint16)))
            if len(rows):
                some = texts if len(rows) == len(texts) else texts.gather(rows)
                owner[rows], odd[rows] = self._read(lane, some)
        good = np.flatnonzero(~odd)
        moments = written[good] + self.ahead[where[good]]
        days = (moments + utc_offsets(moments, self.site.zone)) // DAY
        theirs = owner[good]
        odd[good] = (days < self.first[theirs]) | (days > self.last[theirs])
        return owner, odd

    def _read(self, lane: _SharedChain, texts: pl.Series) -> tuple[Array, Array]:
        """The same for the texts of a lane, the days aside."""
        kind = lane.kind
        fields, ok, noted = decode_columns(lane.codec, texts)
        if (
            not kind.not_payment
            and find_account_numbers(lane.codec, texts, ok & may_hold_account(lane.codec, texts, fields))[1]
        ):
            raise NeedsStrictReader
        numbers = pl.DataFrame(key_columns(kind, fields))
        owner = np.where(ok, self.owners.find_rows(kind.namespace, numbers), np.int32(-1))
        if kind.issue and (stray := ok & (owner < 0)).any():
            self.strays.setdefault(kind.name, []).append(numbers.filter(pl.Series(stray)))
        odd = ~ok | noted | (owner < 0) | are_rounded(texts)
        for name, allowed in kind.expect.items():
            if name in fields:
                odd |= ~is_allowed(fields[name], allowed)
        return owner, odd


def _find_periods(reader: Reader, moments: Array) -> Array:
    """The place of the period of each of ``moments``; the first that covers it counts."""
    found = np.full(len(moments), -1, np.int32)
    for place, period in reversed([*enumerate(reader.periods)]):
        start = None if period.start is None else (period.start - EPOCH) // MICROSECOND
        end = None if period.end is None else (period.end - EPOCH) // MICROSECOND
        covered = np.ones(len(moments), bool)
        if start is not None:
            covered &= moments >= start
        if end is not None:
            covered &= moments < end
        found[covered] = place
    if (found < 0).any():
        raise NeedsStrictReader
    return found.astype(np.uint16)


def is_allowed(column: Array, allowed: frozenset[Item]) -> Array:
    """The rows of a column whose value is one of ``allowed``."""
    if column.dtype == np.uint64:
        numbers = [item for item in allowed if isinstance(item, int) and 0 <= item < 1 << 64]
        return np.isin(column, np.array(numbers, np.uint64))
    return np.fromiter((item in allowed for item in column.tolist()), bool, len(column))


def drop_issue(kind: CredentialKind, numbers: pl.DataFrame) -> pl.DataFrame:
    """The columns of numbers without their issue."""
    return numbers.drop(f"{KEY_PREFIX}{kind.issue}")
