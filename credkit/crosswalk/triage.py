"""Triage: which cards and readings of a site are settled, and which are ambiguous.

A card is ambiguous for anything that could decide its lines by itself: a number, a credential or a text
in a target that it shares with another row, a person with several active cards, an odd reading, a desk
that expected it. Ambiguous cards are evaluated individually with all their readings, and so is one card
of each class of settled cards: its lines are those of the whole class.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Any

import numpy as np
import polars as pl

from credkit.bulk.decoded_columns import decode_columns
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
from credkit.files.csvcolumns import NeedsStrictReader
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
    except NeedsStrictReader:
        return None


class Triage:
    """The rows of a site as columns, and which cards are settled (``settled``)."""

    def __init__(self, site: Site, cards: pl.DataFrame, exports: dict[str, pl.DataFrame]) -> None:
        self.site = site
        self.cards = cards.with_columns(status_expression(site).alias("state"))
        self.exports = exports
        self.owners = OwnerColumns(site, cards)
        self.reads = read_reading_columns(site, self.owners, _active_days(site, cards))
        self.settled = self.owners.good & self._alone()
        kinds = [kind for name, kind in site.kinds.items() if kind.printed and name in self.owners.rows]
        self.printed_rows = {kind.name: self._match_printed(kind) for kind in kinds}
        self.fitted: dict[str, TargetFit] = {}
        for target in site.targets.values():
            if target.kind.name in self.owners.rows:
                done = self.fitted[target.name] = fit_target(target, self.owners, self.cards, exports.get(target.name))
                self.settled[done.rows] &= done.good
        self._exclude_read_oddly()

    def _alone(self) -> Array:
        """The cards that share neither their credential nor, if active, their person and kind with another."""
        frame, pools = self.cards, self.site.rules.pools
        active = frame["state"] == ACTIVE
        several = frame.select("person", "kind").filter(active).is_duplicated()
        alone = ~frame["credential"].is_duplicated() & ~frame["person"].is_in(list(pools))
        found = alone.to_numpy().copy()
        found[active.arg_true().to_numpy()[several.to_numpy()]] = False
        return found

    def _match_printed(self, kind: CredentialKind) -> Array:
        """The cards of a kind with a printed number that is the encoded one; cards with another are ambiguous."""
        rows = self.owners.rows[kind.name]
        texts = self.cards["printed"].gather(rows)
        there = texts.ne("").to_numpy()
        assert kind.printed is not None  # a bug here, never the input
        fields, same, _ = decode_columns(kind.printed, texts)
        for name, column in fields.items():
            if name in self.owners.fields[kind.name]:
                same = same & (column == self.owners.fields[kind.name][name])
        self.settled[rows[there & ~same]] = False
        return rows[there & same]

    def _exclude_read_oddly(self) -> None:
        """Make the cards ambiguous that odd readings, or the desk, bear on."""
        reads = self.reads
        theirs = reads.owner[reads.odd]
        self.settled[theirs[theirs >= 0]] = False
        expected = {expected for _, expected in reads.extra_cells.values() if expected}
        if expected:
            self.settled[self.cards["credential"].is_in(list(expected)).to_numpy()] = False
        typed = np.flatnonzero(np.isin(reads.where, self._stream_periods()))
        if len(typed):
            seen = collect_sightings(self.site, list(reads.rows(typed)), TextResults())
            numbers = [(one.reader.kind, one.result.number) for one in seen if one.result and one.result.number]
            self.exclude({Number(kind.namespace, number) for kind, number in numbers})
        for kind in self.site.kinds.values():
            if kind.issue:
                self._exclude_other_issues(kind)

    def _stream_periods(self) -> Array:
        """The places of the readers whose readings are typed key by key."""
        places = [
            at for at, (name, _) in enumerate(reader_periods(self.site)) if self.site.readers[name].stream is not None
        ]
        return np.array(places, np.uint16)

    def _exclude_other_issues(self, kind: CredentialKind) -> None:
        """Make the cards ambiguous of which another issue was read."""
        strays = [
            frame
            for name, frames in self.reads.unknown_numbers.items()
            if self.site.kinds[name].namespace == kind.namespace
            for frame in frames
        ]
        space = self.owners.spaces.get(kind.namespace)
        if space is not None:
            for frame in strays:
                self.settled[_rows_with_numbers(drop_issue(kind, space), drop_issue(kind, frame))] = False

    def exclude(self, numbers: Iterable[Number]) -> None:
        """Make the cards with these numbers ambiguous."""
        spaces: dict[str, list[NumberValues]] = {}
        for namespace, number in numbers:
            spaces.setdefault(namespace, []).append(number)
        for namespace, them in spaces.items():
            rows = self.owners.rows_of(namespace, them)
            self.settled[rows[rows >= 0]] = False

    def split(self) -> tuple[SettledColumns, Rows]:
        """The settled rows, and the others, which are ambiguous."""
        reads = self.reads
        read = ~reads.odd
        read[read] = self.settled[reads.owner[read]]
        seen = np.zeros(self.cards.height, bool)
        seen[reads.owner[read]] = True
        classes = CardClasses(self.cards, self.settled, seen, self.fitted)
        plain = self.settled.copy()
        plain[classes.representatives] = False
        read[read] = plain[reads.owner[read]]
        settled = SettledColumns(
            site=self.site, cards=self.cards, settled=plain, owners=self.owners, reads=reads,
            settled_reads=read, classes=classes, seen=seen, fitted=self.fitted,
            printed_counts={name: int(plain[rows].sum()) for name, rows in self.printed_rows.items()},
            export_heights={name: frame.height for name, frame in self.exports.items()},
        )  # fmt: skip
        return settled, self._ambiguous_rows(plain, read)

    def _ambiguous_rows(self, plain: Array, read: Array) -> Rows:
        exports = {}
        for name, frame in self.exports.items():
            done = self.fitted.get(name)
            kept = frame if done is None else frame.filter(pl.Series(~done.explained_rows(plain, frame.height)))
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
