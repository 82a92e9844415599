"""Evidence: what the readings say about each credentials row.

A card that was read somewhere is seen; one that no reading shows is on paper only; and where
readings contradict the register, or cannot tell two cards apart, it is in conflict. Not being
seen proves nothing: people are away, and readers lose logs.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime

from credkit.crosswalk.readers import Shown
from credkit.crosswalk.register import Card
from credkit.crosswalk.verdicts import Verdict
from credkit.site import Site

SEEN, PAPER, CONFLICT = "seen", "on paper only", "in conflict"


@dataclass(slots=True)
class Sights:
    """Where and when a credentials row was seen; ``sure`` if nobody else's card can be meant."""

    readers: Counter[str] = field(default_factory=Counter)
    last: datetime | None = None
    sure: bool = False


class Evidence:
    """The sights of every card, and the credentials that are in conflict, with why."""

    def __init__(self, site: Site, verdicts: Sequence[Verdict], together: Shown) -> None:
        self.zone = site.zone
        self.sights: dict[Card, Sights] = defaultdict(Sights)
        self.disputes: dict[str, list[str]] = defaultdict(list)
        for verdict in verdicts:
            where, moment = verdict.sighting.reader.name, verdict.sighting.moment
            for credential in verdict.disputed:
                self.disputes[credential].append(verdict.reason)
            alone = verdict.alone and not (verdict.number and (where, verdict.number) in together.doubtful)
            for card in verdict.cards:
                sights = self.sights[card]
                sights.readers[where] += len(verdict.sighting.rows)
                sights.last = max(moment, sights.last or moment)
                sights.sure = sights.sure or alone

    def proof(self, card: Card) -> str:
        """Seen, on paper only, or in conflict."""
        sights = self.sights.get(card)
        if card.credential in self.disputes or (sights and not sights.sure):
            return CONFLICT
        return SEEN if sights else PAPER

    def seen(self, card: Card) -> bool:
        """Whether any reading shows the card's number, sure or not."""
        return card in self.sights

    def readers(self, card: Card) -> str:
        """The readers that saw the card, with how many rows each has."""
        sights = self.sights.get(card)
        return "; ".join(f"{name} {count}" for name, count in sorted(sights.readers.items())) if sights else ""

    def last(self, card: Card) -> datetime | None:
        """When the card was last seen, by the site's clocks."""
        sights = self.sights.get(card)
        return sights.last.astimezone(self.zone) if sights and sights.last else None
