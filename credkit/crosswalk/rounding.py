"""Rounding: which values of a site's files a spreadsheet rounded, judged column by column.

A column is the values of one kind in the credentials, or the texts of a reader in one period: what a
spreadsheet does, it does to a column. The judge of a column is `credkit.facts.damage`.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from credkit.crosswalk.sightings import Sighting
from credkit.facts.damage import ColumnDamage, judge_column
from credkit.site.model import Site
from credkit.site.rows import Assignment


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


def judge_columns(site: Site, credentials: Sequence[Assignment], seen: Iterable[Sighting]) -> ColumnVerdicts:
    """The verdicts on all columns; what was typed key by key was never a cell."""
    texts: dict[ColumnName, list[str]] = defaultdict(list)
    holders: dict[ColumnName, dict[str, set[str]]] = defaultdict(lambda: defaultdict(set))
    for row in credentials:
        column = ColumnName(site.credentials.name, row.kind)
        texts[column].append(row.value)
        holders[column][row.value].add(row.credential)
    for sighting in seen:
        if sighting.reader.stream is None:
            texts[column_of(site, sighting)].append(sighting.text)
    shared = {column: [text for text, ids in of_text.items() if len(ids) > 1] for column, of_text in holders.items()}
    return ColumnVerdicts({column: judge_column(them, shared.get(column, ())) for column, them in texts.items()})
