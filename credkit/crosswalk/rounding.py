"""Rounding: which values of a site's files a spreadsheet rounded, judged column by column.

A column is the values of one kind in the credentials, or the texts of a reader in one period: what a
spreadsheet does, it does to a column. The judge of a column is `credkit.facts.damage`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cached_property
from typing import NamedTuple

import polars as pl

from credkit.crosswalk.sightings import Sighting, Sightings
from credkit.facts.damage import ColumnDamage
from credkit.facts.damaged_columns import judge_distinct
from credkit.facts.numbers import NO_NUMBER, Number
from credkit.facts.register_columns import KindColumns
from credkit.site.model import Site


class ColumnName(NamedTuple):
    """A column of a file: the values of a kind, or the texts of a reader and one of its periods."""

    file: str
    name: str
    period: int = 0


class Rounding(NamedTuple):
    """Why a value may be rounded; ``certain`` if chance explains nothing of it."""

    certain: bool
    text: str


class ColumnVerdicts:
    """The verdicts on the columns of a site."""

    def __init__(self, columns: Mapping[ColumnName, ColumnDamage]) -> None:
        self._columns = columns

    def rounding(self, column: ColumnName, text: str) -> Rounding | None:
        """How sure it is that ``text`` of ``column`` is rounded; None where chance explains it."""
        found = self._columns.get(column)
        if found is None or not found.suspects(text):
            return None
        return Rounding(certain=found.judge(text) == "damaged", text=found.describe(text))


def column_of(site: Site, sighting: Sighting) -> ColumnName:
    """The column that the text of a sighting is in."""
    reader = sighting.reader
    return ColumnName(site.readings.name, reader.name, reader.periods.index(sighting.period))


def judge_columns(
    site: Site, kinds: Iterable[KindColumns], seen: Sightings, unsure: frozenset[str] = frozenset()
) -> ColumnVerdicts:  # fmt: skip
    """The verdicts on all columns; what was typed key by key was never a cell, short texts are never rounded.

    ``unsure`` are texts of readings that a sheet holds as numbers of more digits than it keeps.
    """
    columns = {ColumnName(site.credentials.name, each.kind.name): each.damage for each in kinds}
    for number in seen.periods_of(seen.texts.long):
        reader, _, place = seen.periods[number]
        if reader.stream is None:
            values = seen.texts.texts.gather(seen.texts_in(number))
            name = ColumnName(site.readings.name, reader.name, place)
            found = judge_distinct(values, pl.repeat(False, len(values), eager=True))
            columns[name] = found.doubt_stored(unsure & set(values) if unsure else unsure)
    return ColumnVerdicts(columns)


class ConfirmedNumbers:
    """The numbers that readers gave in texts which no spreadsheet rounded, as far as their columns tell."""

    def __init__(self, columns: ColumnVerdicts, seen: Sightings) -> None:
        self.columns, self.seen = columns, seen

    def __contains__(self, number: object) -> bool:
        return number in self._numbers

    @cached_property
    def _numbers(self) -> set[Number]:
        found = set()
        texts = self.seen.texts
        for period, (reader, _, place) in enumerate(self.seen.periods):
            them = self.seen.texts_in(period)
            column = ColumnName(self.seen.site.readings.name, reader.name, place)
            for text in them[texts.number[them] != NO_NUMBER].tolist():
                if not self.columns.rounding(column, texts.texts[text]):
                    found.add(texts.numbers[texts.number[text]])
        return found
