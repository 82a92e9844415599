"""Times of many rows: texts to whole microseconds since 1970, in UTC.

Rows follow each other in time, so neighbours often have the same one: each run of equal texts is
read once. The common form is read by a kernel; every other text goes to the reader of a site's
files, which is the one judge of what is wrong with a time.

Source: ISO 8601 (dates and times).
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, tzinfo
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from credkit.bulk.texts import byte_matrix
from credkit.bulk.words import Array
from credkit.files.momentpatterns import HOURS, ISO_FORM, NO_HOUR, MomentPattern
from credkit.files.moments import ACCEPTED_YEARS, LOCAL_TIME_HINT, parse_moment
from credkit.files.monthnames import MONTHS

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MICROSECOND = timedelta(microseconds=1)
SECOND_MICROS = 1_000_000
TIME_CHARACTERS = len("2026-03-31T08:15:00")
LONGEST_TIME_CHARACTERS = TIME_CHARACTERS + len(".123456+02:00")
DIGIT_COLUMNS = [0, 1, 2, 3, 5, 6, 8, 9, 11, 12, 14, 15, 17, 18]
MARK_COLUMNS = ((4, "-"), (7, "-"), (13, ":"), (16, ":"))
MOST_TEXT_LENGTHS = 8  # different ones in a piece; more of them are no times
_YEAR = (datetime(ACCEPTED_YEARS.start + 1, 1, 1, tzinfo=UTC) - EPOCH) // MICROSECOND
_LEAST, _MOST = (
    (datetime(year, 1, 2, tzinfo=UTC) - EPOCH) // MICROSECOND
    for year in (ACCEPTED_YEARS.start, ACCEPTED_YEARS.stop - 1)
)

_END = (datetime(ACCEPTED_YEARS.stop, 1, 1, tzinfo=UTC) - EPOCH) // MICROSECOND
_POLARS_ZONES_END = (datetime(2100, 1, 1, tzinfo=UTC) - EPOCH) // MICROSECOND  # Polars has no summer time from here


class Times(NamedTuple):
    """Microseconds since 1970 for each row, and what is wrong with those rows that have none."""

    moments: Array
    problems: dict[int, str]


class Clock:
    """How a file's times are written: with offsets, or by the clocks of a ``zone``.

    Where ``local`` is set, no time has an offset; where ``either``, a time without one is by the zone.
    ``hint`` says what to do about times without one, where there may be none. ``pattern`` is how times are written,
    if not as ISO 8601 does.
    """

    def __init__(
        self, zone: tzinfo, *, local: bool = False, either: bool = False, hint: str = LOCAL_TIME_HINT,
        pattern: MomentPattern | None = None,
    ) -> None:  # fmt: skip
        self.zone = zone
        self.local = local
        self.either = either
        self.hint = hint
        self.pattern = pattern

    def parse_time(self, text: str) -> int | str:
        """One time, or what is wrong with it."""
        found = parse_moment(
            text, self.zone, local=self.local, either=self.either, hint=self.hint, pattern=self.pattern
        )
        return found if isinstance(found, str) else (found - EPOCH) // MICROSECOND

    def parse_times(self, texts: Any) -> Times:
        """The times that a series of ``texts`` writes."""
        if not len(texts):
            return Times(np.zeros(0, np.int64), {})
        fresh = texts[1:] != texts[:-1]
        runs = texts[:1].append(texts[1:].filter(fresh))
        lengths = np.diff(np.flatnonzero(fresh.to_numpy()), prepend=-1, append=len(texts) - 1)
        found, rest = self._parse_common_form(rewrite_times(runs, self.pattern) if self.pattern else runs)
        wrong: dict[int, str] = {}
        if rest.any():
            few = runs.filter(pl.Series(rest))
            told = {text: self.parse_time(text) for text in few.unique().to_list()}
            for place, text in zip(np.flatnonzero(rest).tolist(), few.to_list(), strict=True):
                each = told[text]
                if isinstance(each, str):
                    wrong[place] = each
                else:
                    found[place] = each
        problems = {}
        if wrong:
            of_run = np.repeat(np.arange(len(runs)), lengths)
            for row in np.flatnonzero(np.isin(of_run, list(wrong))).tolist():
                problems[row] = wrong[int(of_run[row])]
        return Times(np.repeat(found, lengths), problems)

    def convert_times(self, times: Any) -> Times:
        """The times of a series that has them as such; those without a zone are by the clocks of the zone."""
        plain = times.dt.epoch("us").to_numpy()
        outside = (plain < 0) | (plain >= _END)
        moments, problems = plain, {}
        if times.dtype.time_zone is None:
            inside = pl.select(pl.when(pl.Series(~outside & (plain < _POLARS_ZONES_END))).then(times)).to_series()
            placed = inside.dt.replace_time_zone(str(self.zone), ambiguous="null", non_existent="null")
            moments = placed.dt.epoch("us").fill_null(0).to_numpy(writable=True)
            for row in np.flatnonzero(placed.is_null().to_numpy() & ~outside).tolist():
                found = parse_moment(times[row].isoformat(), self.zone, local=True)
                if isinstance(found, str):
                    problems[row] = found
                else:
                    moments[row] = (found - EPOCH) // MICROSECOND
            outside |= (moments < 0) | (moments >= _END)
        for row in np.flatnonzero(outside).tolist():
            written = np.datetime_as_string(np.datetime64(int(plain[row]), "us"), "s")
            problems[row] = (
                f"time is {written}, which is not in the years {ACCEPTED_YEARS.start} to {ACCEPTED_YEARS.stop - 1}"
            )
        return Times(moments, problems)

    def _parse_common_form(self, runs: Any) -> tuple[Array, Array]:
        """The times of the common form, and which texts have another one."""
        found, rest = np.zeros(len(runs), np.int64), np.ones(len(runs), bool)
        rows = byte_matrix(runs)
        if rows is not None:
            return (
                self._parse_bytes(rows)
                if TIME_CHARACTERS <= rows.shape[1] <= LONGEST_TIME_CHARACTERS
                else (found, rest)
            )
        lengths = runs.str.len_bytes().to_numpy()
        kinds = np.unique(lengths).tolist()
        for length in kinds if len(kinds) <= MOST_TEXT_LENGTHS else ():
            if TIME_CHARACTERS <= length <= LONGEST_TIME_CHARACTERS:
                here = np.flatnonzero(lengths == length)
                found[here], rest[here] = self._parse_common_form(runs.gather(here))
        return found, rest

    def _parse_bytes(self, raw: Array) -> tuple[Array, Array]:
        """The times in rows of bytes, as many in each, and which rows are of another form."""
        signs = np.ascontiguousarray(raw.T)
        digits = signs[DIGIT_COLUMNS] - np.uint8(ord("0"))
        good = (digits <= 9).all(axis=0) & ((signs[10] == ord("T")) | (signs[10] == ord(" ")))
        for place, sign in MARK_COLUMNS:
            good &= signs[place] == ord(sign)
        pairs = digits[0::2] * np.uint8(10) + digits[1::2]  # of what is no digit, anything
        hour, minute, second = pairs[4:]
        good &= (hour < 24) & (minute < 60) & (second < 60)
        total = (hour * np.int64(3600) + minute * np.int64(60) + second) * SECOND_MICROS
        midnight, known = self._day_starts(pairs[:4], good)
        total += midnight
        good &= known
        place = TIME_CHARACTERS
        if len(signs) > TIME_CHARACTERS and bytes(raw[0, TIME_CHARACTERS : TIME_CHARACTERS + 1]) in (b".", b","):
            ends = signs[TIME_CHARACTERS + 1 :, 0] - np.uint8(ord("0")) > 9
            place = TIME_CHARACTERS + 1 + (int(ends.argmax()) if ends.any() else len(ends))
            parts = signs[TIME_CHARACTERS + 1 : place] - np.uint8(ord("0"))
            good &= ((signs[TIME_CHARACTERS] == ord(".")) | (signs[TIME_CHARACTERS] == ord(","))) & (parts <= 9).all(
                axis=0
            )
            if not TIME_CHARACTERS + 1 < place <= TIME_CHARACTERS + 7:
                return total, np.ones(len(raw), bool)
            for power, part in enumerate(parts):
                total += part * np.int64(10 ** (5 - power))
        return self._subtract_offsets(total, good, signs[place:])

    def _day_starts(self, dates: Array, good: Array) -> tuple[Any, Any]:
        """When the days of dates begin that are ``good`` so far, and which are there; one for all of the same day.

        A date is a column of its century, year, month and day.
        """
        if (dates == dates[:, :1]).all():
            start = self._day_start(dates[:, 0])
            return start or 0, start is not None
        days = np.ascontiguousarray(dates.T).view(np.uint32).ravel()
        found, known = np.zeros(len(days), np.int64), np.zeros(len(days), bool)
        some = days[good]
        turns = some[1:][some[1:] != some[:-1]]
        for day in {*some[:1].tolist(), *turns.tolist()}:
            start = self._day_start(np.array([day], np.uint32).view(np.uint8))
            if start is not None:
                found[days == day], known[days == day] = start, True
        return found, known

    def _day_start(self, date: Array) -> int | None:
        """The microsecond at which a day begins, without regard to zones; None if there is no such day."""
        century, year, month, day = date.tolist()
        try:
            found = datetime(century * 100 + year, month, day, tzinfo=UTC)
        except ValueError:
            return None
        return (found - EPOCH) // MICROSECOND if found.year in ACCEPTED_YEARS else None

    def _subtract_offsets(self, total: Array, good: Array, tails: Array) -> tuple[Array, Array]:
        """``total`` less the offsets that ``tails`` write, or by the clocks of the zone where there is none."""
        if not len(tails):
            if not (self.local or self.either):
                return total, np.ones(len(total), bool)
            good &= total < _POLARS_ZONES_END
            placed = pl.Series(total).cast(pl.Datetime("us")).dt.replace_time_zone(
                str(self.zone), ambiguous="null", non_existent="null"
            )  # fmt: skip
            total = placed.dt.epoch("us").fill_null(0).to_numpy(writable=True)
            return total, ~(good & (total > _LEAST) & (total < _MOST))
        if self.local:
            return total, np.ones(len(total), bool)
        kinds, which = tails[:, :1], np.zeros(1, np.int64)  # one for all, if it is the same
        if (tails != kinds).any():
            kinds, which = _different_columns(tails)
        offsets = np.zeros(kinds.shape[1], np.int64)
        known = np.ones(kinds.shape[1], bool)
        for place in range(kinds.shape[1]):
            offset = bytes(kinds[:, place]).decode("utf-8", "replace")
            moment_there = Clock(self.zone, local=self.local, either=self.either).parse_time(
                f"{ACCEPTED_YEARS.start + 1}-01-01T00:00:00{offset}"
            )
            known[place] = not isinstance(moment_there, str) and bytes(kinds[:1, place]) in (b"Z", b"+", b"-")
            offsets[place] = 0 if isinstance(moment_there, str) else moment_there - _YEAR
        total += offsets[which]
        good &= known[which] & (total > _LEAST) & (total < _MOST)
        return total, ~good


def _different_columns(signs: Array) -> tuple[Array, Array]:
    """The different columns of a matrix of bytes, and which of them each column is."""
    if len(signs) > np.dtype(np.uint64).itemsize:
        found: tuple[Array, Array] = np.unique(signs, axis=1, return_inverse=True)
        return found
    padded = np.zeros((signs.shape[1], np.dtype(np.uint64).itemsize), np.uint8)
    padded[:, : len(signs)] = signs.T
    numbers = padded.view(np.uint64).ravel()
    kinds = pl.Series(numbers).unique().sort().to_numpy()
    columns = kinds.view(np.uint8).reshape(len(kinds), -1)[:, : len(signs)].T
    return columns, np.searchsorted(kinds, numbers)


def rewrite_times(texts: Any, pattern: MomentPattern) -> Any:
    """A series of texts as `MomentPattern.to_iso` rewrites them, empty where they have another form.

    >>> rewrite_times(pl.Series(["3/14/2026 1:05 PM", "14.3.2026"]), MomentPattern("M/D/YYYY h:mm AM")).to_list()
    ['2026-03-14T13:05:00', '']
    >>> texts = pl.Series(["14. März 2026 13:05", "14. Marx 2026 13:05"])
    >>> rewrite_times(texts, MomentPattern("D. MMM YYYY hh:mm")).to_list()
    ['2026-03-14T13:05:00', '']
    """
    found = texts.str.extract_groups(rf"\A(?:{pattern.regex})\z").struct.unnest()
    two = {name: pl.col(name).str.zfill(2) for name in ("month", "day", "hour") if name in found.columns}
    if pattern.has_month_name:
        names = pl.col("month").str.to_lowercase()
        two["month"] = names.replace_strict(dict(MONTHS), default=None, return_dtype=pl.String)
    if "half" in found.columns:
        key = pl.concat_str(two["hour"], pl.col("half").str.to_uppercase())
        two["hour"] = key.replace_strict(dict(HOURS), default=NO_HOUR, return_dtype=pl.String)
    form = f"{pattern.century}{{}}-{{}}-{{}}T{{}}:{{}}:{{}}{{}}{{}}"
    second = pl.col("second") if "second" in found.columns else pl.lit("00")
    fraction = "." + pl.col("fraction") if "fraction" in found.columns else pl.lit("")
    offset = pl.col("offset") if "offset" in found.columns else pl.lit("")
    written = pl.format(
        form, pl.col("year"), two["month"], two["day"], two["hour"], pl.col("minute"), second, fraction, offset
    )  # fmt: skip
    rewritten = found.select(written).to_series()
    if not pattern.or_iso:
        return rewritten.fill_null("")
    as_stored = texts.set(~texts.str.contains(rf"\A{ISO_FORM}\z"), "")
    return rewritten.zip_with(rewritten.is_not_null(), as_stored)


def to_micros(moment: datetime) -> int:
    """The whole microseconds from 1970 (UTC) to a time.

    >>> to_micros(datetime(1970, 1, 1, 0, 0, 1, tzinfo=UTC))
    1000000
    """
    return (moment - EPOCH) // MICROSECOND


def to_datetime(micros: int) -> datetime:
    """The time in UTC.

    >>> to_datetime(0).isoformat()
    '1970-01-01T00:00:00+00:00'
    """
    return EPOCH + timedelta(microseconds=micros)


QUARTER_HOUR_MICROS = 900 * SECOND_MICROS


def utc_offsets(moments: Array, zone: tzinfo) -> Array:
    """How many microseconds the clocks of ``zone`` are ahead of UTC at each of ``moments``.

    Clocks are set at quarters of an hour; where they were once set between two, each moment is looked at.

    >>> from zoneinfo import ZoneInfo
    >>> moments = np.array([0, 1_790_000_000 * SECOND_MICROS])
    >>> (utc_offsets(moments, ZoneInfo("Europe/Amsterdam")) // SECOND_MICROS).tolist()
    [3600, 7200]
    """
    quarters, which = _different(moments // QUARTER_HOUR_MICROS)
    found = np.zeros(len(quarters), np.int64)
    uneven = np.zeros(len(quarters), bool)
    for place, quarter in enumerate(quarters.tolist()):
        found[place] = _utc_offset(quarter * QUARTER_HOUR_MICROS, zone)
        uneven[place] = found[place] != _utc_offset((quarter + 1) * QUARTER_HOUR_MICROS - 1, zone)
    each = found[which]
    for row in np.flatnonzero(uneven[which]).tolist():
        each[row] = _utc_offset(int(moments[row]), zone)
    return each


def _different(numbers: Array) -> tuple[Array, Array]:
    """The different ``numbers`` in order, and which of them each is."""
    least = int(numbers.min()) if len(numbers) else 0
    span = int(numbers.max()) - least + 1 if len(numbers) else 0
    if span > 4 * len(numbers) + 4096:
        found, which = np.unique(numbers, return_inverse=True)
        return found, which
    places = numbers - least
    present = np.zeros(span, bool)
    present[places] = True
    found = np.flatnonzero(present)
    return found + least, (np.cumsum(present) - 1)[places]


@lru_cache(maxsize=1 << 16)  # two years of quarters of an hour
def _utc_offset(micros: int, zone: tzinfo) -> int:
    ahead = to_datetime(micros).astimezone(zone).utcoffset()
    return ahead // MICROSECOND if ahead is not None else 0


_EPOCH_DAY = EPOCH.toordinal()
DAY_MICROS = 86_400 * SECOND_MICROS


def local_days(moments: Array, zone: tzinfo) -> Array:
    """The day of each of ``moments`` by the clocks of ``zone``, as `date.toordinal` counts days.

    >>> from datetime import date
    >>> from zoneinfo import ZoneInfo
    >>> late = (datetime(2026, 3, 31, 23, tzinfo=UTC) - EPOCH) // MICROSECOND
    >>> date.fromordinal(int(local_days(np.array([late]), ZoneInfo("Europe/Amsterdam"))[0])).isoformat()
    '2026-04-01'
    """
    days: Array = (moments + utc_offsets(moments, zone)) // DAY_MICROS + _EPOCH_DAY
    return days
