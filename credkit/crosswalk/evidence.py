"""Evidence: what the readings say about each credentials row.

A card that was read somewhere is seen; one that no reading shows is on paper only; and where
readings contradict the register, cannot tell two cards apart, or show a number only in texts that
are not resolved, it is in conflict. Not being seen proves nothing: people are away, and readers
lose logs.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from credkit.crosswalk.readers import ReaderFindings
from credkit.crosswalk.register import Card, Number
from credkit.crosswalk.result import Proof
from credkit.crosswalk.verdicts import Verdict, count_rows
from credkit.site.model import Site

SEEN: Final = "seen"
PAPER: Final = "on paper only"
CONFLICT: Final = "in conflict"


@dataclass(slots=True)
class SightingSummary:
    """The readings that show a credentials row; ``sure`` if one of them can be of no other card."""

    readers: Counter[str] = field(default_factory=Counter)
    last: datetime | None = None
    sure: bool = False
    doubtful: bool = False  # at a reader that may have given another card's number


class Evidence:
    """The sights of every card, and the credentials that are in conflict, with why.

    ``unresolved_codes`` has the cards whose number was read, though never resolved to them, with the codes of
    those readings.
    """

    def __init__(self, site: Site, verdicts: Sequence[Verdict], reader_findings: ReaderFindings) -> None:
        self.zone = site.zone
        self.summaries: dict[Card, SightingSummary] = defaultdict(SightingSummary)
        self.unresolved_codes: dict[Card, dict[str, None]] = defaultdict(dict)
        self.disputes: dict[str, dict[str, None]] = defaultdict(dict)
        groups: dict[tuple[int, str, str, bool, bool], list[Verdict]] = defaultdict(list)
        recorded: set[tuple[Number | None, tuple[str, ...], str]] = set()
        for verdict in verdicts:
            where = verdict.sighting.reader.name
            dispute = verdict.number, verdict.disputed[:1], verdict.reason
            for credential in verdict.disputed if dispute not in recorded else ():
                self.disputes[credential][verdict.reason] = None
            recorded.add(dispute)
            doubtful = verdict.number is not None and (where, verdict.number) in reader_findings.doubtful
            cards = verdict.cards or verdict.owners  # one tuple for many readings of a number
            groups[id(cards), verdict.code, where, verdict.unambiguous, doubtful].append(verdict)
        for (_, code, where, alone, doubtful), them in groups.items():
            if not them[0].cards:
                for card in them[0].owners:
                    self.unresolved_codes[card][code] = None
            rows, last = count_rows(them), max(verdict.sighting.moment for verdict in them)
            for card in them[0].cards:
                sights = self.summaries[card]
                sights.readers[where] += rows
                sights.last = max(last, sights.last or last)
                sights.sure = sights.sure or (alone and not doubtful)
                sights.doubtful = sights.doubtful or doubtful

    def proof(self, card: Card) -> Proof:
        """Seen, on paper only, or in conflict."""
        sights = self.summaries.get(card)
        if card.credential in self.disputes or (sights and not sights.sure):
            return CONFLICT
        if sights:
            return SEEN
        return CONFLICT if card in self.unresolved_codes else PAPER

    def describe_doubt(self, card: Card) -> str:
        """Why the readings that show the card prove nothing of it; empty where they do, or where there are none."""
        sights = self.summaries.get(card)
        if sights and sights.doubtful and not sights.sure:
            return "it was read only where a reader may give this number for another card"
        if sights or card not in self.unresolved_codes:
            return ""
        return f"its number was read, but no reading of it is resolved ({', '.join(self.unresolved_codes[card])})"

    def is_read(self, card: Card) -> bool:
        """Whether any reading shows the card's number, sure or not."""
        return card in self.summaries or card in self.unresolved_codes

    def format_readers(self, card: Card) -> str:
        """The readers that saw the card, with how many rows each has."""
        sights = self.summaries.get(card)
        return "; ".join(f"{name} {count}" for name, count in sorted(sights.readers.items())) if sights else ""

    def last_seen(self, card: Card) -> datetime | None:
        """When the card was last seen, by the site's clocks."""
        sights = self.summaries.get(card)
        return sights.last.astimezone(self.zone) if sights and sights.last else None
