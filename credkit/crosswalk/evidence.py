"""Evidence: what the readings say about each credentials row.

A card that was read somewhere is seen; one that no reading shows is on paper only; and where
readings contradict the register, cannot tell two cards apart, or show a number only in texts that
are not resolved, it is in conflict. Not being seen proves nothing: people are away, and readers
lose logs.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable
from itertools import pairwise
from typing import Any, Final

import numpy as np
import polars as pl

from credkit.bulk.words import Array
from credkit.crosswalk.cards import Card
from credkit.crosswalk.readers import ReaderFindings
from credkit.crosswalk.register import Register
from credkit.crosswalk.verdicts import Verdict, Verdicts
from credkit.facts.numbers import Number

SEEN: Final = "seen"
PAPER: Final = "on paper only"
CONFLICT: Final = "in conflict"
READINGS_AT_ONCE = 1 << 19  # that are counted at once: it bounds the memory that counting takes
CARDS_AT_ONCE = 1 << 14  # that are summed up at once
SIGHTS = {
    "card": pl.Int64, "reader": pl.String, "count": pl.Int64, "first": pl.Int64, "last": pl.Int64,
    "certain": pl.Boolean, "doubtful": pl.Boolean,
}  # fmt: skip


class Evidence:
    """What the readings show of every card, and the credentials that readings contradict, with why.

    ``sights`` is a table with a row for each card that is shown, by its place: the ``readers`` with how many readings
    each has, how many readings are ``certain`` to be of no other card and how many ``shared`` ones might be, the
    ``first`` and ``last`` time (microseconds since 1970, UTC) that proves anything, and whether one was at a reader
    that may have given another card's number (``doubtful``).
    ``disputes`` has credentials with the reasons and the rows of the readings; ``unresolved_codes`` the cards whose
    number was read, though never resolved to them, with the codes of those readings; ``possible`` those that readings
    of another card may be of.
    """

    def __init__(self, register: Register, verdicts: Verdicts, reader_findings: ReaderFindings) -> None:
        self.explained = reader_findings.explained
        self.unresolved_codes: dict[Card, dict[str, None]] = defaultdict(dict)
        self.possible: set[Card] = set()
        self.disputes: dict[str, dict[str, None]] = defaultdict(dict)
        for verdict in verdicts.others:
            for credential in self.contradicted_by(verdict, verdict.disputed):
                self.disputes[credential][verdict.dispute] = None
        others = self._count_others(verdicts, reader_findings.doubtful)
        self.sights = _sum_up(pl.concat([_count_clear(register, verdicts, reader_findings.doubtful), others]))
        self._credentials = register.rows["credential"]
        self._place = np.full(len(register), -1)
        self._place[self.sights["card"].to_numpy()] = np.arange(self.sights.height)

    def _count_others(self, verdicts: Verdicts, doubtful_numbers: Collection[tuple[str, Number]]) -> pl.DataFrame:
        """The readings that were judged one by one, by card and reader."""
        groups: dict[tuple[int, str, str, bool, bool], list[Verdict]] = defaultdict(list)
        for verdict in verdicts.others:
            reader = verdict.sighting.reader.name
            doubtful = verdict.number is not None and (reader, verdict.number) in doubtful_numbers
            cards = verdict.cards or verdict.owners  # one tuple for many readings of a number
            groups[id(cards), verdict.code, reader, verdict.unambiguous, doubtful].append(verdict)
        rows = []
        moments, dated = verdicts.seen.moment, verdicts.seen.dated
        for (_, code, reader, alone, doubtful), group in groups.items():
            self.possible.update(group[0].possible)
            if not group[0].cards:
                for card in group[0].owners:
                    self.unresolved_codes[card][code] = None
                continue
            places = [verdict.sighting.place for verdict in group]
            proving = [int(moments[place]) for place in places if dated[place]]
            first, last = (min(proving), max(proving)) if proving else (None, None)
            sight = reader, len(group), first, last, alone and not doubtful, doubtful
            rows += [(card.place, *sight) for card in group[0].cards]
        return pl.DataFrame(rows, SIGHTS, orient="row")

    def contradicted_by(self, verdict: Verdict, credentials: Iterable[str]) -> tuple[str, ...]:
        """Those of ``credentials`` that its reader, set otherwise, would not show in the reading."""
        if verdict.sighting not in self.explained:
            return tuple(credentials)
        explained = self.explained[verdict.sighting]
        return tuple(credential for credential in credentials if credential not in explained)

    def reported_under(self, verdict: Verdict) -> tuple[str, ...]:
        """The credentials under which what the reading contradicts is reported; every `conflict` is reported."""
        reported = self.contradicted_by(verdict, verdict.reported_under)
        if reported or verdict.code != "conflict":
            return reported
        return self.contradicted_by(verdict, verdict.disputed) or verdict.reported_under

    def of(self, card: Card) -> dict[str, Any]:
        """The row of a card in ``sights``; an empty one where no reading shows it."""
        place = int(self._place[card.place])
        return self.sights.row(place, named=True) if place >= 0 else {}

    def proofs(self) -> pl.Series:
        """Of every card: whether it is seen, on paper only, or in conflict."""
        shown = self._place >= 0
        in_conflict = self._credentials.is_in(list(self.disputes)).to_numpy(writable=True)
        in_conflict[self.uncertain_places()] = True
        in_doubt = [card.place for card in (*self.unresolved_codes, *self.possible)]
        in_conflict[[place for place in in_doubt if not shown[place]]] = True
        return pl.Series(np.where(in_conflict, CONFLICT, np.where(shown, SEEN, PAPER)), dtype=pl.String)

    def uncertain_places(self) -> Array:
        """The cards that readings show, each of which may be of another card."""
        found: Array = self.sights.filter(pl.col("certain") == 0)["card"].to_numpy()
        return found

    def describe_doubt(self, card: Card) -> str:
        """Why the readings that show the card prove nothing of it; empty where they do, or where there are none."""
        sights = self.of(card)
        if sights and sights["doubtful"] and not sights["certain"]:
            return "it was read only where a reader may give this number for another card"
        if sights or card not in self.unresolved_codes:
            return ""
        return f"its number was read, but no reading of it is resolved ({', '.join(self.unresolved_codes[card])})"

    def read_places(self) -> Array:
        """The cards of which any reading shows the number, sure or not."""
        found = self._place >= 0
        found[[card.place for card in self.unresolved_codes]] = True
        return found


def _count_clear(register: Register, verdicts: Verdicts, doubtful: Collection[tuple[str, Number]]) -> pl.DataFrame:
    """The readings against which nothing speaks, by card and reader."""
    seen, clear = verdicts.seen, verdicts.clear
    names = [at.reader.name for at in seen.periods]
    readers = pl.DataFrame({"period": range(len(names)), "reader": names}, {"period": pl.Int64, "reader": pl.String})
    parts = [
        _count_some(verdicts.cards[some], seen.period[clear[some]], seen.moment[clear[some]], seen.dated[clear[some]])
        for some in (slice(start, start + READINGS_AT_ONCE) for start in range(0, max(len(clear), 1), READINGS_AT_ONCE))
    ]
    groups = (
        pl.concat(parts)
        .group_by("card", "period")
        .agg(pl.col("count").sum(), pl.col("first").min(), pl.col("last").max())
    )
    only = register.owners.only_places
    strange = {
        (name, int(only[register.numbers.find(number)])) for name, number in doubtful if number in register.owners
    }
    marked = pl.DataFrame(sorted(strange), {"reader": pl.String, "card": pl.Int64}, orient="row")
    marked = marked.with_columns(doubtful=pl.lit(value=True))
    found = groups.join(readers, on="period").join(marked, on=["reader", "card"], how="left")
    found = found.with_columns(pl.col("doubtful").fill_null(value=False))
    return found.select("card", "reader", "count", "first", "last", (~pl.col("doubtful")).alias("certain"), "doubtful")


def _count_some(cards: Array, periods: Array, moments: Array, dated: Array) -> pl.DataFrame:
    """Some of these readings by card and period; the counts of parts can be added."""
    moment = pl.when("dated").then("moment")
    frame = pl.DataFrame({"card": cards, "period": periods, "moment": moments, "dated": dated})
    return frame.group_by("card", "period").agg(
        pl.len().cast(pl.Int64).alias("count"), moment.min().alias("first"), moment.max().alias("last")
    )


def _sum_up(sights: pl.DataFrame) -> pl.DataFrame:
    """The sights of each card, whatever the reader; some cards at a time."""
    sights = sights.sort("card")
    starts = [0, *np.flatnonzero(np.diff(sights["card"].to_numpy() // CARDS_AT_ONCE)) + 1, sights.height]
    return pl.concat([_sum_up_some(sights[start:stop]) for start, stop in pairwise(starts)])


def _sum_up_some(sights: pl.DataFrame) -> pl.DataFrame:
    certain = pl.col("count").filter("certain").sum()
    totals = sights.group_by("card").agg(
        certain.alias("certain"), (pl.col("count").sum() - certain).alias("shared"), pl.col("first").min(),
        pl.col("last").max(), pl.col("doubtful").any(),
    )  # fmt: skip
    by_reader = sights.group_by("card", "reader").agg(pl.col("count").sum()).sort("card", "reader")
    readers = by_reader.group_by("card").agg(pl.format("{} {}", "reader", "count").str.join("; ").alias("readers"))
    return totals.join(readers, on="card").sort("card")
