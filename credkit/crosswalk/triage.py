"""Gathering a crowd: which cards and readings of a site nobody has to look at.

A card is left out of the crowd for anything that could make it a case of its own: a number, a
credential or a text in a target that it shares with another row, a person with several active
cards, a reading that is odd, a desk that named it. What is left out is looked at row by row, with
every reading of it, and so is one card of each sort in the crowd: what becomes of that one becomes
of all of its sort.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Any

import numpy as np
import polars as pl

from credkit.bulk.either import read_columns
from credkit.bulk.words import Array
from credkit.crosswalk.number_columns import KEY_PREFIX, status_expression, unify_key_types
from credkit.crosswalk.owners import ROW_COLUMN, OwnerColumns
from credkit.crosswalk.reading_columns import DAY_LIMITS, drop_issue, read_reading_columns, reader_periods
from credkit.crosswalk.register import ACTIVE, Number
from credkit.crosswalk.settled import NumberValues
from credkit.crosswalk.settled_columns import CardClasses, SettledColumns
from credkit.crosswalk.sightings import collect_sightings
from credkit.crosswalk.target_fit import TargetFit, fit_target
from credkit.crosswalk.texts import TextResults
from credkit.files.csvcolumns import NotPlain
from credkit.site.columns import load_credentials, load_existing
from credkit.site.model import CredentialKind, Rows, Site
from credkit.site.rows import Assignment, ExportRow

_FIRST = date(1970, 1, 1).toordinal()


def triage_files(site: Site) -> Triage | None:
    """The rows of the site's files as columns; None where a file has to be read strictly."""
    cards = load_credentials(site)
    exports = {target.name: load_existing(site, target) for target in site.targets.values() if target.existing}
    if cards is None or any(rows is None for rows in exports.values()):
        return None
    try:
        return Triage(site, cards, {name: rows for name, rows in exports.items() if rows is not None})
    except NotPlain:
        return None


class Triage:
    """The rows of a site as columns, and which cards nobody has to look at (``plain``)."""

    def __init__(self, site: Site, cards: pl.DataFrame, exports: dict[str, pl.DataFrame]) -> None:
        self.site = site
        self.cards = cards.with_columns(status_expression(site).alias("state"))
        self.exports = exports
        self.owners = OwnerColumns(site, cards)
        self.reads = read_reading_columns(site, self.owners, _active_days(site, cards))
        self.plain = self.owners.good & self._alone()
        kinds = [kind for name, kind in site.kinds.items() if kind.printed and name in self.owners.rows]
        self.compared = {kind.name: self._printed(kind) for kind in kinds}
        self.fitted: dict[str, TargetFit] = {}
        for target in site.targets.values():
            if target.kind.name in self.owners.rows:
                done = self.fitted[target.name] = fit_target(target, self.owners, self.cards, exports.get(target.name))
                self.plain[done.rows] &= done.good
        self._met()

    def _alone(self) -> Array:
        """The cards that share neither their credential nor, if active, their person and kind with another."""
        frame, pools = self.cards, self.site.rules.pools
        active = frame["state"] == ACTIVE
        several = frame.select("person", "kind").filter(active).is_duplicated()
        alone = ~frame["credential"].is_duplicated() & ~frame["person"].is_in(list(pools))
        found = alone.to_numpy().copy()
        found[active.arg_true().to_numpy()[several.to_numpy()]] = False
        return found

    def _printed(self, kind: CredentialKind) -> Array:
        """The cards of a kind with a printed number that is the encoded one; those with another are looked at."""
        rows = self.owners.rows[kind.name]
        texts = self.cards["printed"].gather(rows)
        there = texts.ne("").to_numpy()
        assert kind.printed is not None  # a bug here, never the input
        fields, same, _ = read_columns(kind.printed, texts)
        for name, column in fields.items():
            if name in self.owners.fields[kind.name]:
                same = same & (column == self.owners.fields[kind.name][name])
        self.plain[rows[there & ~same]] = False
        return rows[there & same]

    def _met(self) -> None:
        """Look at the cards that odd readings, or the desk, bear on."""
        reads = self.reads
        theirs = reads.owner[reads.odd]
        self.plain[theirs[theirs >= 0]] = False
        expected = {expected for _, expected in reads.desk.values() if expected}
        if expected:
            self.plain[self.cards["credential"].is_in(list(expected)).to_numpy()] = False
        typed = np.flatnonzero(np.isin(reads.where, self._streams()))
        if len(typed):
            seen = collect_sightings(self.site, list(reads.rows(typed)), TextResults())
            numbers = [(one.reader.kind, one.told.number) for one in seen if one.told and one.told.number]
            self.look_at({(kind.namespace, number) for kind, number in numbers})
        for kind in self.site.kinds.values():
            if kind.issue:
                self._issues(kind)

    def _streams(self) -> Array:
        """The places of the readers whose readings are typed key by key."""
        places = [
            at for at, (name, _) in enumerate(reader_periods(self.site)) if self.site.readers[name].stream is not None
        ]
        return np.array(places, np.uint16)

    def _issues(self, kind: CredentialKind) -> None:
        """Look at the cards of which another issue was read."""
        strays = [
            frame
            for name, frames in self.reads.strays.items()
            if self.site.kinds[name].namespace == kind.namespace
            for frame in frames
        ]
        space = self.owners.spaces.get(kind.namespace)
        if space is not None:
            for frame in strays:
                self.plain[_rows_with_numbers(drop_issue(kind, space), drop_issue(kind, frame))] = False

    def look_at(self, numbers: Iterable[Number]) -> None:
        """Take the cards with these numbers out of the crowd."""
        spaces: dict[str, list[NumberValues]] = {}
        for namespace, number in numbers:
            spaces.setdefault(namespace, []).append(number)
        for namespace, them in spaces.items():
            rows = self.owners.rows_of(namespace, them)
            self.plain[rows[rows >= 0]] = False

    def parted(self) -> tuple[SettledColumns, Rows]:
        """The crowd, and the rows of all who are not of it."""
        reads = self.reads
        read = ~reads.odd
        read[read] = self.plain[reads.owner[read]]
        seen = np.zeros(self.cards.height, bool)
        seen[reads.owner[read]] = True
        sorts = CardClasses(self.cards, self.plain, seen, self.fitted)
        plain = self.plain.copy()
        plain[sorts.first] = False
        read[read] = plain[reads.owner[read]]
        crowd = SettledColumns(
            site=self.site, cards=self.cards, plain=plain, owners=self.owners, reads=reads, read=read, sorts=sorts,
            seen=seen, fitted=self.fitted,
            counts={name: int(plain[rows].sum()) for name, rows in self.compared.items()},
            heights={name: frame.height for name, frame in self.exports.items()},
        )  # fmt: skip
        return crowd, self._looked_at(plain, read)

    def _looked_at(self, plain: Array, read: Array) -> Rows:
        exports = {}
        for name, frame in self.exports.items():
            done = self.fitted.get(name)
            kept = frame if done is None else frame.filter(pl.Series(~done.explained(plain, frame.height)))
            exports[name] = tuple(
                ExportRow(line=line, person=person, text=text)
                for line, person, text in kept.select("line", "person", "text").iter_rows()
            )
        return Rows(
            credentials=tuple(map(_make_assignment, self.cards.filter(pl.Series(~plain)).iter_rows(named=True))),
            readings=tuple(self.reads.rows(np.flatnonzero(~read))), existing=exports,
        )  # fmt: skip


def _make_assignment(row: dict[str, Any]) -> Assignment:
    values = {name: row[name] for name in ("line", "person", "credential", "kind", "value", "printed", "issue")}
    values |= {name: row[name] for name in ("status", "replaces", "source")}
    for name in ("valid_from", "valid_until"):
        values[name] = date.fromisoformat(str(row[name])) if row[name] else None
    return Assignment(**values)


def _active_days(site: Site, cards: pl.DataFrame) -> tuple[Array, Array]:
    """By card, the first and the last day on which it was active (`credkit.crosswalk.register.status_when_read`)."""
    first = _day_numbers(cards["valid_from"], DAY_LIMITS[0])
    last = _day_numbers(cards["valid_until"], DAY_LIMITS[1])
    today = site.as_of.toordinal() - _FIRST
    ended = last <= today
    never = ~(ended | cards["status"].is_in(list(site.rules.active)).to_numpy())
    return first, np.where(never, DAY_LIMITS[0] - 1, last)


def _day_numbers(texts: pl.Series, empty: int) -> Array:
    """Days as numbers since 1970."""
    days: Array = texts.str.to_date("%Y-%m-%d", strict=False).cast(pl.Int32).fill_null(empty).to_numpy()
    return days.astype(np.int64)


def _rows_with_numbers(space: pl.DataFrame, numbers: pl.DataFrame) -> Array:
    """The rows of ``space`` that have one of ``numbers``."""
    names = [name for name in numbers.columns if name.startswith(KEY_PREFIX)]
    space, numbers = unify_key_types([space, numbers])
    return space.join(numbers, on=names, how="semi")[ROW_COLUMN].to_numpy()
