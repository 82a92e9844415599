"""Evidence: what the readings say about each credentials row.

A card that was read somewhere is seen; one that no reading shows is on paper only; and where
readings contradict the register, cannot tell two cards apart, or show a number only in texts that
are not resolved, it is in conflict. Not being seen proves nothing: people are away, and readers
lose logs.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator
from itertools import pairwise, starmap
from typing import Any

import numpy as np
import polars as pl

from credkit.bulk.words import Array
from credkit.crosswalk.cards import Card
from credkit.crosswalk.linetable import CONFLICT, PAPER, SEEN
from credkit.crosswalk.readers import ReaderFindings
from credkit.crosswalk.register import Register
from credkit.crosswalk.verdicts import Verdict, Verdicts
from credkit.facts.judged_texts import count_codes, in_slices
from credkit.facts.numbers import Number

PROOFS = (SEEN, PAPER, CONFLICT)
NO_LIMIT = 1 << 62
READINGS_AT_ONCE = 1 << 16  # that are counted, and those of their last card: it bounds the memory that counting takes
SIGHTS = {
    "card": pl.Int32, "count": pl.Int64, "first": pl.Int64, "last": pl.Int64, "certain": pl.Boolean,
    "doubtful": pl.Boolean,
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
        readers = pl.Enum(sorted({at.reader.name for at in verdicts.seen.periods}))
        clear = _ClearReadings(register, verdicts, readers, reader_findings.doubtful)
        others = self._count_others(verdicts, readers, reader_findings.doubtful)
        self.sights = _sum_up(clear, others)
        self._credentials = register.rows["credential"]
        self._place = np.full(len(register), -1)
        self._place[self.sights["card"].to_numpy()] = np.arange(self.sights.height)

    def _count_others(
        self, verdicts: Verdicts, readers: pl.Enum, doubtful_numbers: Collection[tuple[str, Number]]
    ) -> pl.DataFrame:
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
            sight = len(group), first, last, alone and not doubtful, doubtful, reader
            rows += [(card.place, *sight) for card in group[0].cards]
        return pl.DataFrame(rows, {**SIGHTS, "reader": readers}, orient="row")

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

    def sights_by_card(self) -> pl.DataFrame:
        """A row of ``sights`` for every card; no readers and no times for those that no reading shows."""
        cards = pl.DataFrame({"card": np.arange(len(self._place), dtype=np.int32)})
        return cards.join(self.sights, on="card", how="left", maintain_order="left").with_columns(
            pl.col("readers").fill_null(""), pl.col("certain", "shared").fill_null(0)
        )

    def proofs(self) -> pl.Series:
        """Of every card: whether it is seen, on paper only, or in conflict."""
        shown = self._place >= 0
        in_conflict = self._credentials.is_in(list(self.disputes)).to_numpy(writable=True)
        in_conflict[self.uncertain_places()] = True
        in_doubt = [card.place for card in (*self.unresolved_codes, *self.possible)]
        in_conflict[[place for place in in_doubt if not shown[place]]] = True
        return pl.Series(PROOFS, dtype=pl.Enum(PROOFS)).gather(np.where(in_conflict, 2, np.where(shown, 0, 1)))

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


class _ClearReadings:
    """The readings against which nothing speaks, in groups of cards."""

    def __init__(
        self, register: Register, verdicts: Verdicts, readers: pl.Enum, doubtful: Collection[tuple[str, Number]]
    ) -> None:
        self._verdicts, self._seen = verdicts, verdicts.seen
        counts = count_codes(in_slices(verdicts.cards), max(1, len(register)))
        group = (np.cumsum(counts) - counts) // READINGS_AT_ONCE  # by card
        self._first_cards = np.flatnonzero(np.diff(group, prepend=-1))
        self._starts, self._order = _order_groups(verdicts.cards, np.unique(group, return_inverse=True)[1])
        self._readers = pl.Series([at.reader.name for at in self._seen.periods], dtype=readers)
        only = register.owners.only_places
        strange = {
            (name, int(only[register.numbers.find(number)])) for name, number in doubtful if number in register.owners
        }
        self._strange = pl.DataFrame(sorted(strange), {"reader": readers, "card": pl.Int32}, orient="row").with_columns(
            doubtful=pl.lit(value=True)
        )

    def groups(self) -> Iterator[tuple[int, pl.DataFrame]]:
        """The counts by card and reader, for some cards at a time, with the first of the cards that come after them."""
        behind = [*self._first_cards[1:].tolist(), NO_LIMIT]
        yield from zip(behind, starmap(self._count, pairwise(self._starts.tolist())), strict=True)

    def _count(self, start: int, stop: int) -> pl.DataFrame:
        which = self._order[start:stop]
        places = self._verdicts.clear[which]
        moment = pl.when("dated").then("moment")
        frame = pl.DataFrame(
            {
                "card": self._verdicts.cards[which], "reader": self._readers.gather(self._seen.period[places]),
                "moment": self._seen.moment[places], "dated": self._seen.dated[places],
            }
        )  # fmt: skip
        groups = frame.group_by("card", "reader").agg(
            pl.len().cast(pl.Int64).alias("count"), moment.min().alias("first"), moment.max().alias("last")
        )
        found = groups.join(self._strange, on=["reader", "card"], how="left")
        doubtful = pl.col("doubtful").fill_null(value=False)
        return found.with_columns((~doubtful).alias("certain"), doubtful).select(*SIGHTS, "reader")


def _order_groups(cards: Array, group: Array) -> tuple[Array, Array]:
    """Where the readings of each group of cards start in an order, and this order; ``group`` is by card."""
    sizes = count_codes((group[each] for each in in_slices(cards)), int(group.max()) + 1)
    starts = np.append(0, np.cumsum(sizes))
    order, free, done = np.empty(len(cards), np.int32), starts[:-1].copy(), 0
    for each in in_slices(cards):
        mine = group[each]
        within = np.argsort(mine, kind="stable")
        counts = np.bincount(mine, minlength=len(free))
        order[np.repeat(free - (np.cumsum(counts) - counts), counts) + np.arange(len(each))] = within + done
        free += counts
        done += len(each)
    return starts, order


def _sum_up(clear: _ClearReadings, others: pl.DataFrame) -> pl.DataFrame:
    """The sights of each card, whatever the reader; some cards at a time."""
    others, done, found = others.sort("card"), 0, []
    cards = others["card"].to_numpy()
    for behind, counts in clear.groups():
        end = int(np.searchsorted(cards, behind))
        found.append(_sum_up_some(pl.concat([counts, others[done:end]])))
        done = end
    return pl.concat(found)


def _sum_up_some(sights: pl.DataFrame) -> pl.DataFrame:
    certain = pl.col("count").filter("certain").sum()
    totals = sights.group_by("card").agg(
        certain.alias("certain"), (pl.col("count").sum() - certain).alias("shared"), pl.col("first").min(),
        pl.col("last").max(), pl.col("doubtful").any(),
    )  # fmt: skip
    by_reader = sights.group_by("card", "reader").agg(pl.col("count").sum()).sort("card", "reader")
    readers = by_reader.group_by("card").agg(pl.format("{} {}", "reader", "count").str.join("; ").alias("readers"))
    return totals.join(readers, on="card").sort("card")
