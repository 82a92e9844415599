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
NEVER = 1 << 62  # in place of a first time; of a last one with the other sign
CARDS_AT_ONCE = 1 << 16  # whose readers are written: it bounds the memory that this takes


class Evidence:
    """What the readings show of every card, and the credentials that readings contradict, with why.

    ``reads`` is a table of each card, by its place, with each reader that shows it. By card, ``certain`` counts the
    readings that are of no other one and ``shared`` those that might be, ``doubtful`` are the cards that were shown
    where a reader may have given another one's number.
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
        self._credentials = register.rows["credential"]
        size = len(register)
        self.certain = count_codes(in_slices(verdicts.cards), size)
        self.shared, self.doubtful = np.zeros(size, np.int64), np.zeros(size, bool)
        self._first, self._last = np.full(size, NEVER), np.full(size, -NEVER)
        names = sorted(register.site.readers)
        self._readers = {name: place for place, name in enumerate(names)}
        self._width = max(1, len(names))  # of the pairs of a card
        clear = self._count_clear(register, verdicts, reader_findings.doubtful)
        pairs, counts = _join_pairs(clear, self._count_others(verdicts, reader_findings.doubtful))
        del clear
        readers = pl.Series(names, dtype=pl.Enum(names))
        self.reads = pl.DataFrame(schema={"card": pl.Int32, "reader": readers.dtype})
        for some in in_slices(pairs):
            card, reader = np.divmod(some, self._width)
            self.reads.vstack(
                pl.DataFrame({"card": card.astype(np.int32), "reader": readers.gather(reader)}), in_place=True
            )
        self.reads = self.reads.rechunk()
        del pairs
        self._counts = counts  # of the readings of each pair

    def _count_clear(
        self, register: Register, verdicts: Verdicts, doubtful: Collection[tuple[str, Number]]
    ) -> tuple[Array, Array]:
        """The pairs of a card and a reader, in order, in the readings against which nothing speaks, and their counts.

        A pair is a number: the place of the card, times that of all readers, and the place of the reader by its name.
        """
        seen, done = verdicts.seen, 0
        reader = np.array([self._readers[at.reader.name] for at in seen.periods], np.int64)
        is_narrow = len(self.certain) * self._width < 1 << 32
        pairs = np.empty(len(verdicts.clear), np.uint32 if is_narrow else np.int64)
        for cards, places in zip(in_slices(verdicts.cards), in_slices(verdicts.clear), strict=True):
            pairs[done : done + len(cards)] = cards * np.int64(self._width) + reader[seen.period[places]]
            done += len(cards)
            dated = seen.dated[places]
            self._add_times(cards[dated], seen.moment[places[dated]], seen.moment[places[dated]])
        pairs.sort()
        is_first = np.ones(len(pairs), bool)
        np.not_equal(pairs[1:], pairs[:-1], out=is_first[1:])
        starts = np.flatnonzero(is_first).astype(np.int32)
        counts, pairs = np.diff(starts, append=np.int32(len(pairs))), pairs[is_first]
        only, numbers = register.owners.only_places, register.numbers
        strange = [
            card * self._width + self._readers[name]
            for name, number in doubtful
            if number in register.owners and (card := int(only[numbers.find(number)])) >= 0
        ]
        at = np.flatnonzero(np.isin(pairs, np.array(strange, pairs.dtype))) if strange else np.zeros(0, np.int64)
        cards = (pairs[at] // self._width).astype(np.int64)
        self.doubtful[cards] = True
        np.add.at(self.certain, cards, -counts[at])
        np.add.at(self.shared, cards, counts[at])
        return pairs, counts

    def _add_times(self, cards: Array, first: Array, last: Array) -> None:
        np.minimum.at(self._first, cards, first)
        np.maximum.at(self._last, cards, last)

    def _count_others(
        self, verdicts: Verdicts, doubtful_numbers: Collection[tuple[str, Number]]
    ) -> tuple[Array, Array]:
        """The same for the readings that were judged one by one; a pair may come several times, in any order."""
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
            sight = (
                self._readers[reader], len(group), min(proving, default=NEVER), max(proving, default=-NEVER),
                alone and not doubtful, doubtful,
            )  # fmt: skip
            rows += [(card.place, *sight) for card in group[0].cards]
        place, reader_of, count, first, last, certain, strange = np.array(rows, np.int64).reshape(-1, 7).T
        self._add_times(place, first, last)
        np.add.at(self.certain, place, count * certain)
        np.add.at(self.shared, place, count * (1 - certain))
        self.doubtful[place[strange > 0]] = True
        return place * self._width + reader_of, count

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

    def sights_by_card(self) -> pl.DataFrame:
        """The columns of `LineTable` that the readings have of each card: readers, counts and times, null for none."""
        readers = _write_readers(self.reads, self._counts, len(self.certain))
        never = pl.col("first_seen") == NEVER
        times = pl.when(~never).then(pl.col("first_seen", "last_seen"))
        return pl.DataFrame(
            {
                "readers": readers, "certain": self.certain, "shared": self.shared, "first_seen": self._first,
                "last_seen": self._last,
            }
        ).with_columns(times)  # fmt: skip

    def proofs(self) -> pl.Series:
        """Of every card: whether it is seen, on paper only, or in conflict."""
        shown = self._are_shown()
        in_conflict = self._credentials.is_in(list(self.disputes)).to_numpy(writable=True)
        in_conflict[self.uncertain_places()] = True
        in_doubt = [card.place for card in (*self.unresolved_codes, *self.possible)]
        in_conflict[[place for place in in_doubt if not shown[place]]] = True
        return pl.Series(PROOFS, dtype=pl.Enum(PROOFS)).gather(np.where(in_conflict, 2, np.where(shown, 0, 1)))

    def _are_shown(self) -> Array:
        found: Array = self.certain + self.shared > 0
        return found

    def uncertain_places(self) -> Array:
        """The cards that readings show, each of which may be of another card."""
        found: Array = np.flatnonzero((self.certain == 0) & (self.shared > 0))
        return found

    def describe_doubt(self, card: Card) -> str:
        """Why the readings that show the card prove nothing of it; empty where they do, or where there are none."""
        if self.doubtful[card.place] and not self.certain[card.place]:
            return "it was read only where a reader may give this number for another card"
        if self.certain[card.place] or self.shared[card.place] or card not in self.unresolved_codes:
            return ""
        return f"its number was read, but no reading of it is resolved ({', '.join(self.unresolved_codes[card])})"

    def read_places(self) -> Array:
        """The cards of which any reading shows the number, sure or not."""
        found = self._are_shown()
        found[[card.place for card in self.unresolved_codes]] = True
        return found


def _join_pairs(clear: tuple[Array, Array], others: tuple[Array, Array]) -> tuple[Array, Array]:
    """All pairs in their order, each once, and how many readings each has."""
    (pairs, counts), (more, number) = clear, others
    if not len(more):
        return clear
    more, which = np.unique(more.astype(pairs.dtype), return_inverse=True)
    number = np.bincount(which, number).astype(counts.dtype)
    at = np.searchsorted(pairs, more)
    is_new = np.append(pairs, np.array([np.iinfo(pairs.dtype).max], pairs.dtype))[at] != more  # which no pair is
    counts[at[~is_new]] += number[~is_new]
    return np.insert(pairs, at[is_new], more[is_new]), np.insert(counts, at[is_new], number[is_new])


def _write_readers(reads: pl.DataFrame, counts: Array, size: int) -> pl.Series:
    """The readers of each of ``size`` cards, with how many readings each has; empty where there is none."""
    place, texts, done = np.zeros(size, np.int64), [pl.Series([""])], 1
    bounds = np.searchsorted(reads["card"].to_numpy(), np.arange(0, size + CARDS_AT_ONCE, CARDS_AT_ONCE))
    for start, stop in pairwise(bounds.tolist()):
        some = reads[start:stop].with_columns(count=pl.Series(counts[start:stop])).set_sorted("card")
        each = some.select("card", pl.format("{} {}", "reader", "count").alias("readers"))
        written = each.group_by("card", maintain_order=True).agg("readers")
        place[written["card"].to_numpy()] = np.arange(done, done + len(written))
        texts.append(written["readers"].list.join("; "))
        done += len(written)
    return pl.concat(texts).gather(place)
