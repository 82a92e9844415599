"""Rows of readings in time: the true time of each, the period of its reader, and what decodes its text."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import polars as pl

from credkit.bulk.words import Array
from credkit.facts.judged_texts import TextSource
from credkit.files.times import MICROSECOND, to_micros
from credkit.site.model import Period, Reader, Site

NO_PERIOD = -1  # in the column of periods


class ReaderPeriod(NamedTuple):
    """A reader and one of its periods, which is the one at ``place``, counted from 0."""

    reader: Reader
    period: Period
    place: int


class SourceRows(NamedTuple):
    """The texts that one source decodes, and where their rows stand among those that were asked for.

    ``number`` is that of the source among those of the site.
    """

    number: int
    source: TextSource
    places: Array
    texts: pl.Series


class PlacedRows:
    """The rows of readings with the true ``moment`` of each, in microseconds since 1970 (UTC), and its ``period``.

    That is a place among ``periods``, or `NO_PERIOD`.
    """

    def __init__(self, site: Site, rows: pl.DataFrame) -> None:
        self.site, self.rows = site, rows
        self.periods = tuple(
            ReaderPeriod(reader, period, place)
            for reader in site.readers.values()
            for place, period in enumerate(reader.periods)
        )
        self.streams = [place for place, at in enumerate(self.periods) if at.reader.stream]
        self.moment, self.period = self._place_in_time()

    def _place_in_time(self) -> tuple[Array, Array]:
        offset = any(reader.clock_offset for reader in self.site.readers.values())
        moment = self.rows["moment"].to_numpy(writable=offset)
        code = self.rows["reader"].cast(pl.Enum(list(self.site.readers))).to_physical().to_numpy()
        for number, reader in enumerate(self.site.readers.values()):
            if reader.clock_offset:
                moment[code == number] += reader.clock_offset // MICROSECOND
        kind = np.int16 if len(self.periods) < 1 << 15 else np.int32
        starts = np.cumsum([0, *(len(reader.periods) for reader in self.site.readers.values())], dtype=kind)
        period = starts[code]
        for number, reader in enumerate(self.site.readers.values()):
            if len(reader.periods) == 1 and reader.periods[0].start is reader.periods[0].end is None:
                continue
            here = np.flatnonzero(code == number)
            period[here] = NO_PERIOD
            for place, each in reversed(list(enumerate(reader.periods))):  # the first that covers a time counts
                period[here[_are_covered(each, moment[here])]] = starts[number] + place
        return moment, period

    def find_alone(self) -> Array:
        """The places of the rows of readers without a stream, each of which is a sighting."""
        rows = np.arange(len(self.period), dtype=np.int32)
        return rows[~np.isin(self.period, self.streams)] if self.streams else rows

    def group_by_source(self, rows: Array) -> Iterator[SourceRows]:
        """The texts of some ``rows``, each of which is a sighting, by what decodes them; those in no period by none."""
        of_periods = [TextSource(at.period.codec, at.reader.kind, False) for at in self.periods]
        sources = list(dict.fromkeys(of_periods))
        numbers = np.array([sources.index(each) for each in of_periods], np.int32)
        period = self.period[rows]
        number_of_row = np.where(period == NO_PERIOD, -1, numbers[period])
        texts = self.rows["text"]
        for number, source in enumerate(sources):
            here = np.flatnonzero(number_of_row == number)
            if len(here):
                yield SourceRows(number, source, here, texts if len(here) == len(texts) else texts.gather(rows[here]))


def _are_covered(period: Period, moments: Array) -> Array:
    """Which of ``moments`` are in ``period``."""
    inside = np.ones(len(moments), bool)
    if period.start is not None:
        inside &= moments >= to_micros(period.start)
    if period.end is not None:
        inside &= moments < to_micros(period.end)
    return inside
