"""Sightings: the rows of the readings as columns, each at its true time and through the chain of that time.

One row is one sighting, except where a reader sends keys: there the rows of one entry are one sighting. Whatever
happens to a sighting happens to all of its rows. An entry with a long pause in it is none: what was typed after the
pause may be the rest of it, or a number of its own.

A `Sighting` is made of an element of the columns only where one is looked at by itself.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from itertools import pairwise
from types import MappingProxyType
from typing import Final, NamedTuple

import numpy as np
import polars as pl

from credkit.bulk.words import Array
from credkit.core.progress import SILENT, Progress
from credkit.core.sentences import redacted_repr
from credkit.crosswalk.periods import NO_PERIOD, PlacedRows, ReaderPeriod
from credkit.facts.judged_texts import (
    DecodedTexts,
    JudgedTexts,
    TextSource,
    count_codes,
    decode_texts,
    distinct_places,
    in_slices,
    intern,
)
from credkit.facts.numbers import Numbers
from credkit.facts.texts import TextResult, TextResults
from credkit.files.times import MICROSECOND, to_datetime
from credkit.site.model import Period, Reader, Site
from credkit.streams import LONGEST_KEY_PAUSE, Frame

LONGEST_PRESENTATION_PAUSE = timedelta(
    minutes=2
)  # between two reads: an id of a presentation that comes again later is another's
MAY_BE_REST = "it may be the rest of the entry before it, which was not entered"
NO_TEXT = -1  # in the column of texts
NOTHING_DECODED: Final[Mapping[int, DecodedTexts]] = MappingProxyType({})


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sighting:
    """A text seen at a reader at the true time ``moment`` (in UTC); ``place`` is where it stands in the columns.

    ``line`` is that of its first row in the file, ``more_lines`` are those of the others.
    ``result`` is None where a stream could make no text of the rows; ``problem`` then says why.
    ``presentation`` numbers the times that a card was held once; it is 0 where nothing says so. One that is not
    ``is_dated`` comes from a clock that is wrong: its moment proves nothing.
    """

    place: int
    line: int
    more_lines: tuple[int, ...] = ()
    reader: Reader
    period: Period
    moment: datetime
    text: str
    result: TextResult | None
    problem: str = ""
    presentation: int = 0
    expected: str = ""
    is_dated: bool = True

    @property
    def lines(self) -> tuple[int, ...]:
        """The lines of its rows in the file."""
        return (self.line, *self.more_lines)


class Entry(NamedTuple):
    """The places of the rows that are one sighting, its true time, and the text that a stream made of them, or why not.

    >>> Entry((3, 4), 1_773_129_600_000_000, None, "cleared after 1 digit").places
    (3, 4)
    """

    places: tuple[int, ...]
    moment: int
    text: str | None
    problem: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sightings:
    """All sightings in the order of the file; in each column an element is one of them.

    ``first`` is the place of its first row among ``rows``, ``entries`` has all places of those that streams made.
    ``period`` is a place among ``periods``, ``moment`` its true time in microseconds since 1970 (UTC), ``text`` a place
    among ``texts``, or `NO_TEXT`. ``presentation`` numbers the times that a card was held once, ``expected`` has what
    the desk expected, ``dated`` says whether the time proves anything.
    """

    site: Site
    rows: pl.DataFrame
    periods: tuple[ReaderPeriod, ...]
    texts: JudgedTexts
    first: Array
    period: Array
    moment: Array
    text: Array
    presentation: Array
    dated: Array
    expected: Mapping[int, str]
    entries: Mapping[int, Entry]
    _made: dict[int, Sighting] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.first)

    def at(self, place: int) -> Sighting:
        """The sighting at a place; the same object each time."""
        if place not in self._made:
            self.make(np.array([place]))
        return self._made[place]

    def make(self, places: Array) -> list[Sighting]:
        """The sightings at ``places``, one by one."""
        missing = np.array([place for place in places.tolist() if place not in self._made], np.int64)
        text, lines = self.text[missing], self.rows["line"].to_numpy()
        different, which = np.unique(text, return_inverse=True)
        words = np.full(len(different), "", object)  # each text once, however many sightings have it
        words[different != NO_TEXT] = self.texts.texts.gather(different[different != NO_TEXT]).to_list()
        columns = (
            lines[self.first[missing]],
            *(column[missing] for column in (self.period, self.moment, self.text, self.presentation, self.dated)),
        )
        for place, word, line, period, moment, number, presentation, is_dated in zip(
            missing.tolist(), words[which].tolist(), *(column.tolist() for column in columns), strict=True
        ):
            entry, at = self.entries.get(place), self.periods[period]
            self._made[place] = Sighting(
                place=place, line=line, more_lines=tuple(lines[list(entry.places[1:])].tolist()) if entry else (),
                reader=at.reader, period=at.period, moment=to_datetime(moment), text=word,
                result=None if number == NO_TEXT else self.texts.result(number), problem=entry.problem if entry else "",
                presentation=presentation, expected=self.expected.get(place, ""), is_dated=is_dated,
            )  # fmt: skip
        return [self._made[place] for place in places.tolist()]

    def row_places(self, place: int) -> tuple[int, ...]:
        """The places of the rows of one sighting."""
        return self.entries[place].places if place in self.entries else (int(self.first[place]),)

    def rows_at(self, places: Array) -> Array:
        """The places of all rows of the sightings at ``places``."""
        more = [row for at in self._entries_among(places) for row in self.entries[int(places[at])].places[1:]]
        return np.append(self.first[places], np.array(more, np.int32))

    def _entries_among(self, places: Array) -> list[int]:
        """Which of the sightings at ``places`` are entries, by where they stand there."""
        marks = np.zeros(len(self), bool)
        marks[list(self.entries)] = True
        found: list[int] = np.flatnonzero(marks[places]).tolist()
        return found

    def count_rows(self, places: Array) -> Array:
        """How many rows each of the sightings at ``places`` has."""
        counts = np.ones(len(places), np.int32)
        for at in self._entries_among(places):
            counts[at] = len(self.entries[int(places[at])].places)
        return counts

    def count_rows_by_period(self, places: Array) -> Array:
        """How many rows the sightings at ``places`` have, period by period."""
        counts = count_codes((self.period[each] for each in in_slices(places)), len(self.periods))
        for at in self._entries_among(places):
            place = int(places[at])
            counts[self.period[place]] += len(self.entries[place].places) - 1
        return counts

    def last_rows(self) -> Array:
        """The place of the last row of each sighting."""
        last = self.first.copy()
        for place, entry in self.entries.items():
            last[place] = entry.places[-1]
        return last

    def in_period(self, period: int) -> Array:
        """The places of the sightings of one reader in one period, in the order of the file."""
        return np.flatnonzero(self.period == period)

    def texts_in(self, period: int) -> Array:
        """The places of the different texts of one reader in one period."""
        text = self.text[self.in_period(period)]
        return distinct_places(text[text != NO_TEXT], len(self.texts.texts))

    def periods_of(self, texts: Array) -> list[int]:
        """The periods that have one of some ``texts``, which are marked among all of them."""
        chosen = np.append(texts, False)[self.text]  # the last is for no text at all
        return distinct_places(self.period[chosen], len(self.periods)).tolist() if chosen.any() else []

    def undate(self, places: Array) -> Sightings:
        """The sightings, those at ``places`` without a date that proves anything."""
        dated = self.dated.copy()
        dated[places] = False
        return replace(self, dated=dated, _made={})


def format_moment(site: Site, moment: datetime) -> str:
    """``moment`` by the site's clocks, with the offset from UTC."""
    return moment.astimezone(site.zone).isoformat(timespec="seconds")


def collect_sightings(
    site: Site, rows: pl.DataFrame, results: TextResults, numbers: Numbers, progress: Progress = SILENT,
    decoded: Mapping[int, DecodedTexts] = NOTHING_DECODED,
) -> Sightings:  # fmt: skip
    """The sightings in ``rows`` (`credkit.site.frames.code_readings`), in file order.

    Texts that are ``decoded`` (`decode_rows`) are not decoded again. Raises `DefinitionError` for a time outside every
    period, and for a payment track.
    """
    return _Collection(PlacedRows(site, rows), JudgedTexts(results, numbers), progress, decoded).run()


def decode_rows(site: Site, rows: pl.DataFrame) -> dict[int, DecodedTexts]:
    """What the texts of ``rows``, which may be some of all, decode to, by the number of what decodes them.

    Those of streams are left out: their rows are no texts yet.
    """
    placed, judged = PlacedRows(site, rows), JudgedTexts(TextResults(), Numbers())
    found: dict[int, DecodedTexts] = {}
    for number, source, _, texts in placed.group_by_source(placed.find_alone()):
        decoded = decode_texts(source, intern(texts)[1])
        places = judged.add(source, decoded.texts, decoded)
        others = np.flatnonzero(~decoded.plain)
        results = map(judged.result, places[others].tolist())
        found[number] = replace(
            decoded, results=dict(zip(decoded.texts.gather(others).to_list(), results, strict=True))
        )
    return found


class _Collection:
    """The sightings of a table while they are collected."""

    def __init__(
        self, placed: PlacedRows, texts: JudgedTexts, progress: Progress, decoded: Mapping[int, DecodedTexts]
    ) -> None:
        self.site, self.rows, self.periods, self.placed = placed.site, placed.rows, placed.periods, placed
        self.moment, self.period = placed.moment, placed.period
        self.texts, self.progress, self.decoded = texts, progress, decoded

    def run(self) -> Sightings:
        typed, alone = self.placed.streams, self.placed.find_alone()
        self.progress.phase("decoding readings", total=len(self.period))
        text = self._judge(alone)
        self._refuse_faults(alone, text)
        first_rows = {place: np.flatnonzero(self.period == place)[:1].tolist() for place in typed}
        typed = sorted((place for place in typed if first_rows[place]), key=first_rows.__getitem__)
        entries = [entry for place in typed for entry in self._read_stream(place)]
        first, moment, period = alone.astype(np.int32), self.moment, self.period
        made: dict[int, Entry] = {}
        if entries:  # else each row is a sighting, in the same order
            first = np.append(first, np.array([entry.places[0] for entry in entries], np.int32))
            order = np.argsort(first, kind="stable")
            moved = np.empty(len(order), np.int64)
            moved[order] = np.arange(len(order))
            made = dict(zip(moved[len(alone) :].tolist(), entries, strict=True))
            first, text = first[order], np.append(text, self._judge_entries(entries))[order]
            moment, period = moment[first], period[first]
            for place, entry in made.items():
                moment[place] = entry.moment
        found = Sightings(
            site=self.site, rows=self.rows, periods=self.periods, texts=self.texts, first=first,
            period=period, moment=moment, text=text, presentation=np.zeros(len(first), np.int32),
            dated=np.ones(len(first), bool), expected=_first_cells(self.rows["expected"], first, made), entries=made,
        )  # fmt: skip
        for number, group in enumerate(_presentations(found), 1):
            found.presentation[group] = number
        return found

    def _judge(self, rows: Array) -> Array:
        """The places of the texts of ``rows``, each of which is a sighting; those in no period have none."""
        found, done = np.full(len(rows), NO_TEXT, np.int32), 0
        for number, source, here, texts in self.placed.group_by_source(rows):
            found[here] = self.texts.add(source, texts, self.decoded.get(number))
            done += len(here)
            self.progress.done(done)
        return found

    def _refuse_faults(self, rows: Array, text: Array) -> None:
        """Refuse the first row that is in no period, or holds a payment track."""
        faulty = np.flatnonzero(self.period == NO_PERIOD)[:1].tolist()
        texts = distinct_places(text[text != NO_TEXT], len(self.texts.texts))
        secret = [
            each for each in texts[~self.texts.plain[texts]].tolist() if self.texts.result(each).payment.has_valid_track
        ]
        faulty += rows[np.isin(text, secret)][:1].tolist()
        if not faulty:
            return
        line, _, name, *_ = self.rows.row(min(faulty))
        if self.period[min(faulty)] != NO_PERIOD:
            self.site.readings.refuse_track(line)
        moment = to_datetime(int(self.moment[min(faulty)]))
        self.site.readings.refuse(
            line, f"{format_moment(self.site, moment)} is in no period of the reader {redacted_repr(name)}"
        )

    def _read_stream(self, place: int) -> Iterator[Entry]:
        """The entries of one period of a reader whose rows are parts, taken by time.

        One in which nobody pressed a key for a while is in parts.
        """
        reader, period, _ = self.periods[place]
        assert reader.stream is not None  # a bug here, never the input
        rows = np.flatnonzero(self.period == place)
        rows = rows[np.argsort(self.moment[rows], kind="stable")]
        texts, moments = self.rows["text"].gather(rows).cast(pl.String).to_list(), self.moment[rows].tolist()
        places = rows.tolist()
        frames = list(reader.stream.frames(texts))
        for frame in frames:
            if frame.value is None:
                continue
            if self.texts.results.read(period.codec, reader.kind, frame.value, typed=True).payment.has_valid_track:
                self.site.readings.refuse_track(self.rows["line"][places[frame.covers[0]]])
        for frame in _merge_overlapping(frames):
            parts = _split_at_pauses(frame.covers, moments)
            if len(parts) == 1:
                yield _entry(places, moments, parts[0], frame.value, frame.problem)
                continue
            for part in parts:
                for piece in _merge_overlapping(reader.stream.frames(texts[each] for each in part)):
                    pressed = [part[each] for each in piece.covers]
                    yield _entry(places, moments, pressed, None, piece.problem or MAY_BE_REST)

    def _judge_entries(self, entries: Sequence[Entry]) -> Array:
        """The places of the texts of entries."""
        found = np.full(len(entries), NO_TEXT, np.int32)
        groups: dict[TextSource, list[int]] = defaultdict(list)
        for number, entry in enumerate(entries):
            if entry.text is not None:
                at = self.periods[self.period[entry.places[0]]]
                groups[TextSource(at.period.codec, at.reader.kind, True)].append(number)
        for source, numbers in groups.items():
            found[numbers] = self.texts.add(source, pl.Series([entries[number].text for number in numbers]))
        return found


def _first_cells(cells: pl.Series, first: Array, entries: Mapping[int, Entry]) -> dict[int, str]:
    """By sighting: the cell of its row, or the first that its rows have; nothing where there is none."""
    filled = np.flatnonzero(cells.is_not_null().to_numpy())
    if not len(filled):
        return {}
    texts = dict(zip(filled.tolist(), cells.gather(filled).to_list(), strict=True))
    alone = np.flatnonzero(np.isin(first, filled))
    found = {place: texts[row] for place, row in zip(alone.tolist(), first[alone].tolist(), strict=True)}
    for place, entry in entries.items():
        row = next((row for row in entry.places if row in texts), None)
        if row is not None:
            found[place] = texts[row]
    return dict(sorted(found.items()))


def _presentations(seen: Sightings) -> Iterator[list[int]]:
    """The sightings of each presentation: one id, read without a break of two minutes."""
    groups: dict[str, list[int]] = defaultdict(list)
    for place, text in _first_cells(seen.rows["presentation"], seen.first, seen.entries).items():
        groups[text].append(place)
    longest = LONGEST_PRESENTATION_PAUSE // MICROSECOND
    for group in groups.values():
        moments = seen.moment[group].tolist()
        found: list[int] = []
        before = 0
        for moment, place in sorted(zip(moments, group, strict=True)):
            if found and moment - before > longest:
                yield found
                found = []
            found.append(place)
            before = moment
        yield found


def _merge_overlapping(frames: Iterable[Frame]) -> Iterator[Frame]:
    """The frames, those that share a row made one: a row has one time, so several swipes in it are for a person."""
    groups: list[list[Frame]] = []
    of_row: dict[int, list[Frame]] = {}
    for frame in frames:
        group = next((of_row[place] for place in frame.covers if place in of_row), None)
        if group is None:
            group = []
            groups.append(group)
        group.append(frame)
        of_row.update(dict.fromkeys(frame.covers, group))
    yield from map(_merge_frames, groups)


def _merge_frames(group: Sequence[Frame]) -> Frame:
    if len(group) == 1:
        return group[0]
    covers = tuple(dict.fromkeys(place for frame in group for place in frame.covers))
    return Frame(value=None, covers=covers, problem=f"{len(group)} swipes share a row: write one swipe to a row")


def _split_at_pauses(covers: Sequence[int], moments: Sequence[int]) -> list[list[int]]:
    """``covers`` cut at the pauses between the ``moments`` of rows."""
    longest = LONGEST_KEY_PAUSE // MICROSECOND
    parts = [[covers[0]]]
    for before, place in pairwise(covers):
        if moments[place] - moments[before] > longest:
            parts.append([])
        parts[-1].append(place)
    return parts


def _entry(
    places: Sequence[int], moments: Sequence[int], covers: Sequence[int], text: str | None, problem: str | None
) -> Entry:  # fmt: skip
    return Entry(tuple(places[each] for each in covers), moments[covers[-1]], text, problem or "")
