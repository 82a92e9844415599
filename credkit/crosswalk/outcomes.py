"""Outcomes: what a number that was read on a day resolves to, where it is that of some credentials.

The question is whether one of them was active on that day.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from credkit.core.sentences import redacted_repr
from credkit.crosswalk.cards import Card
from credkit.crosswalk.verdicts import Verdict
from credkit.facts.numbers import Number
from credkit.facts.statuses import ACTIVE, EARLY, status_when_read
from credkit.site.model import Site


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """The outcome of a number read on a day: see `Verdict`."""

    code: str = ""
    reason: str = ""
    cards: tuple[Card, ...]
    possible: tuple[Card, ...] = ()
    unambiguous: bool = True


class OwnersByDay:
    """The owners of numbers day by day, each worked out once: a number may have thousands, and as many readings."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self._all: dict[Number | None, tuple[str, ...]] = {}
        self._sets: dict[Number | None, frozenset[str]] = {}
        self._likely: dict[tuple[Number | None, date | None], frozenset[str]] = {}
        self._outcomes: dict[tuple[Number | None, date | None, frozenset[str]], Outcome] = {}

    def day(self, verdict: Verdict) -> date | None:
        """The day of a reading, by the site's clocks; None where the clock of its reader is wrong."""
        if not verdict.sighting.is_dated:
            return None
        return verdict.sighting.moment.astimezone(self.site.zone).date()

    def all_owners(self, verdict: Verdict) -> tuple[str, ...]:
        """Every credential that has the number."""
        if verdict.number not in self._all:
            ids = self._all[verdict.number] = tuple(dict.fromkeys(card.credential for card in verdict.owners))
            self._sets[verdict.number] = frozenset(ids)
        return self._all[verdict.number]

    def has(self, verdict: Verdict, credential: str) -> bool:
        """Whether the number is that of ``credential``."""
        self.all_owners(verdict)
        return credential in self._sets[verdict.number]

    def likely_owners(self, verdict: Verdict) -> frozenset[str]:
        """The owners whose card could be read that day: not before it was given out, nor when it was gone."""
        key = verdict.number, self.day(verdict)
        if key not in self._likely:
            possible = frozenset(card.credential for card in verdict.owners if self._could_be_read(card, key[1]))
            self._likely[key] = possible or frozenset(self.all_owners(verdict))
        return self._likely[key]

    def _could_be_read(self, card: Card, day: date | None) -> bool:
        if day is None:
            return True
        then = status_when_read(card.row, card.active_days, day, self.site)
        return then == ACTIVE or (then != EARLY and card.row.status not in self.site.rules.gone)

    def holders(self, verdict: Verdict, credentials: frozenset[str]) -> dict[str, frozenset[str]]:
        """The holders of each of ``credentials`` that day: on the day of a handover there are two."""
        day = self.day(verdict)
        found: dict[str, set[str]] = defaultdict(set)
        for card in verdict.owners:
            if card.credential in credentials and self._could_be_read(card, day):
                found[card.credential].add(card.row.person)
        return {credential: frozenset(people) for credential, people in found.items()}

    def outcome(self, verdict: Verdict, credentials: frozenset[str]) -> Outcome:
        """Resolved to ``credentials``, if one of them was active that day."""
        key = verdict.number, self.day(verdict), credentials
        if key not in self._outcomes:
            self._outcomes[key] = _find_outcome(self.site, verdict, key[1], credentials)
        return self._outcomes[key]


def _find_outcome(site: Site, verdict: Verdict, day: date | None, credentials: frozenset[str]) -> Outcome:
    cards = [card for card in verdict.owners if card.credential in credentials]
    if day is None:
        return Outcome(cards=tuple(cards), unambiguous=len(credentials) == 1)
    active = tuple(card for card in cards if status_when_read(card.row, card.active_days, day, site) == ACTIVE)
    if active:
        ids = {card.credential for card in active}
        possible = tuple(card for card in cards if card.credential not in ids)
        return Outcome(cards=active, possible=possible, unambiguous=len(credentials) == 1)
    last, *others = cards if len(cards) == 1 else _find_last(cards, day)
    status = status_when_read(last.row, last.active_days, day, site)
    reason = f"{redacted_repr(last.credential)} was read on {day}, its status being {redacted_repr(status)}"
    reason += _describe_validity(last, status)
    return Outcome(code="inactive-read", reason=reason, cards=(last, *others))


def _find_last(cards: Sequence[Card], day: date) -> list[Card]:
    """The cards that began last before ``day``, or last of all where none had begun."""
    started = [card for card in cards if not card.row.valid_from or card.row.valid_from <= day]
    latest = _beginning(max(started or cards, key=_beginning))
    return sorted((card for card in cards if _beginning(card) == latest), key=_contents)


def _beginning(card: Card) -> tuple[date, str, str]:
    """An order of cards by their first day, whatever the order of their rows."""
    return card.row.valid_from or date.min, card.credential, card.row.person


def _contents(card: Card) -> tuple[str, ...]:
    """An order of the rows of one person that begin on one day, whatever the order of the file."""
    row = card.row
    return tuple(map(str, (row.valid_until, row.status, row.value, row.printed, row.issue, row.replaces, row.source)))


def _describe_validity(card: Card, status: str) -> str:
    if status == EARLY:
        return f" (valid from {card.row.valid_from})"
    return f" (valid until {card.row.valid_until})" if card.row.valid_until else ""
