"""Evidence: what the readings say about each credentials row.

A card that was read somewhere is seen; one that no reading shows is on paper only; and where
readings contradict the register, cannot tell two cards apart, or show a number only in texts that
are not resolved, it is in conflict. Not being seen proves nothing: people are away, and readers
lose logs.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

import polars as pl

from credkit.crosswalk.readers import ReaderFindings
from credkit.crosswalk.register import Card, Register
from credkit.crosswalk.result import Proof
from credkit.crosswalk.verdicts import Verdict, Verdicts
from credkit.facts.numbers import Number
from credkit.files.times import to_datetime
from credkit.site.model import Site

SEEN: Final = "seen"
PAPER: Final = "on paper only"
CONFLICT: Final = "in conflict"


@dataclass(slots=True)
class SightingSummary:
    """The readings that show a credentials row: ``certain`` ones can be of no other card, ``shared`` ones might.

    ``first`` and ``last`` are None where no time of them proves anything; ``doubtful`` says that one was at a
    reader that may have given another card's number.
    """

    readers: Counter[str] = field(default_factory=Counter)
    first: datetime | None = None
    last: datetime | None = None
    certain: int = 0
    shared: int = 0
    doubtful: bool = False

    def add(self, reader: str, count: int, span: Sequence[datetime], *, certain: bool, doubtful: bool) -> None:
        """Add readings of one reader; ``span`` are the times of the first and last, where they prove something."""
        self.readers[reader] += count
        self.certain += count if certain else 0
        self.shared += 0 if certain else count
        self.doubtful = self.doubtful or doubtful
        if span:
            self.first = min(span[0], self.first or span[0])
            self.last = max(span[-1], self.last or span[-1])


NEVER_SEEN = SightingSummary()


class Evidence:
    """The sights of every card, and the credentials that readings contradict, with why.

    ``disputes`` has them with the reasons and the rows of the readings; ``unresolved_codes`` the cards whose number
    was read, though never resolved to them, with the codes of those readings; ``possible`` those that readings of
    another card may be of.
    """

    def __init__(self, site: Site, register: Register, verdicts: Verdicts, reader_findings: ReaderFindings) -> None:
        self.zone = site.zone
        self.explained = reader_findings.explained
        self.summaries: dict[Card, SightingSummary] = defaultdict(SightingSummary)
        self.unresolved_codes: dict[Card, dict[str, None]] = defaultdict(dict)
        self.possible: set[Card] = set()
        self.disputes: dict[str, dict[str, None]] = defaultdict(dict)
        groups: dict[tuple[int, str, str, bool, bool], list[Verdict]] = defaultdict(list)
        for verdict in verdicts.others:
            for credential in self.contradicted_by(verdict, verdict.disputed):
                self.disputes[credential][verdict.dispute] = None
            reader = verdict.sighting.reader.name
            doubtful = verdict.number is not None and (reader, verdict.number) in reader_findings.doubtful
            cards = verdict.cards or verdict.owners  # one tuple for many readings of a number
            groups[id(cards), verdict.code, reader, verdict.unambiguous, doubtful].append(verdict)
        for (_, code, reader, alone, doubtful), group in groups.items():
            self.possible.update(group[0].possible)
            if not group[0].cards:
                for card in group[0].owners:
                    self.unresolved_codes[card][code] = None
            moments = [verdict.sighting.moment for verdict in group if verdict.sighting.is_dated]
            span: tuple[datetime, ...] = (min(moments), max(moments)) if moments else ()
            for card in group[0].cards:
                self.summaries[card].add(reader, len(group), span, certain=alone and not doubtful, doubtful=doubtful)
        for number, reader, count, span in _count_clear(verdicts):
            doubtful = (reader, number) in reader_findings.doubtful
            (card,) = register.owners[number]
            self.summaries[card].add(reader, count, span, certain=not doubtful, doubtful=doubtful)

    def contradicted_by(self, verdict: Verdict, credentials: Iterable[str]) -> tuple[str, ...]:
        """Those of ``credentials`` that its reader, set otherwise, would not show in the reading."""
        explained = self.explained.get(verdict.sighting, frozenset())
        return tuple(credential for credential in credentials if credential not in explained)

    def reported_under(self, verdict: Verdict) -> tuple[str, ...]:
        """The credentials under which what the reading contradicts is reported; every `conflict` is reported."""
        reported = self.contradicted_by(verdict, verdict.reported_under)
        if reported or verdict.code != "conflict":
            return reported
        return self.contradicted_by(verdict, verdict.disputed) or verdict.reported_under

    def proof(self, card: Card) -> Proof:
        """Seen, on paper only, or in conflict."""
        sights = self.summaries.get(card)
        if card.credential in self.disputes or (sights and not sights.certain):
            return CONFLICT
        if sights:
            return SEEN
        return CONFLICT if card in self.unresolved_codes or card in self.possible else PAPER

    def describe_doubt(self, card: Card) -> str:
        """Why the readings that show the card prove nothing of it; empty where they do, or where there are none."""
        sights = self.summaries.get(card)
        if sights and sights.doubtful and not sights.certain:
            return "it was read only where a reader may give this number for another card"
        if sights or card not in self.unresolved_codes:
            return ""
        return f"its number was read, but no reading of it is resolved ({', '.join(self.unresolved_codes[card])})"

    def is_read(self, card: Card) -> bool:
        """Whether any reading shows the card's number, sure or not."""
        return card in self.summaries or card in self.unresolved_codes

    def sights(self, card: Card) -> SightingSummary:
        """The readings that show the card."""
        return self.summaries.get(card, NEVER_SEEN)

    def format_readers(self, card: Card) -> str:
        """The readers that saw the card, with how many readings each has."""
        return "; ".join(f"{name} {count}" for name, count in sorted(self.sights(card).readers.items()))

    def by_site_clock(self, moment: datetime | None) -> datetime | None:
        """``moment`` by the site's clocks."""
        return moment.astimezone(self.zone) if moment else None


def _count_clear(verdicts: Verdicts) -> Iterator[tuple[Number, str, int, tuple[datetime, ...]]]:
    """The clear readings of each number at each reader: how many, and the times of the first and last that prove it."""
    seen = verdicts.seen
    names = [at.reader.name for at in seen.periods]
    dated = seen.dated[verdicts.clear]
    frame = pl.DataFrame({
        "number": verdicts.numbers, "period": seen.period[verdicts.clear],
        "moment": pl.Series(seen.moment[verdicts.clear]).set(pl.Series(~dated), None),
    })  # fmt: skip
    moments = pl.col("moment")
    groups = frame.group_by("number", "period").agg(pl.len(), moments.min().alias("first"), moments.max().alias("last"))
    for number, period, count, first, last in groups.iter_rows():
        span = () if first is None else (to_datetime(first), to_datetime(last))
        yield seen.texts.numbers[number], names[period], count, span
