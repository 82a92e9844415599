"""Targets: what becomes of each card in each back end that wants its number.

A card is added, kept or changed if nothing speaks against it; it is held if something does, and
nothing is written for it; a status that does not allow it leaves it alone. What a target holds
today is never taken away: texts that no row explains, or only a credential that is not active, are
shown to a person.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

from credkit.crosswalk.credentials import Doubts, distinct, held
from credkit.crosswalk.evidence import Evidence
from credkit.crosswalk.register import ACTIVE, EARLY, EXPIRED, Card, state
from credkit.crosswalk.result import Exceptional, Finding, Line, counted, excepted, named, others
from credkit.crosswalk.texts import rounded, shortened
from credkit.errors import EncodeError, masked, shown
from credkit.site import Site, Target
from credkit.sitefiles import Held


@dataclass(slots=True)
class Written:
    """The cards of a target's kind as it would hold them.

    ``texts`` has what the chain writes, ``stored`` what the column gives back; ``problems`` says
    why a text cannot be written, or stand in the column.
    """

    texts: dict[Card, str] = field(default_factory=dict)
    stored: dict[Card, str] = field(default_factory=dict)
    problems: dict[Card, str] = field(default_factory=dict)
    twins: dict[Card, Sequence[str]] = field(default_factory=dict)  # all credentials with the same text


def write_all(target: Target, cards: Iterable[Card]) -> Written:
    """What ``target`` would hold for each of ``cards`` that is of its kind."""
    done = Written()
    for card in cards:
        if card.kind.name != target.kind.name:
            continue
        try:
            text = done.texts[card] = target.conversion.write(card.fields)
        except EncodeError as error:
            done.problems[card] = str(error)
            continue
        done.stored[card] = target.column.stored(text)
        if problem := target.column.problem(text):
            done.problems[card] = problem
    return done


def alike(site: Site, target: Target, done: Written) -> list[Finding]:
    """Texts that two different numbers share because the conversion keeps a part only; both are held."""
    groups: dict[str, list[Card]] = defaultdict(list)
    for card in held(site, done.stored):
        groups[done.stored[card]].append(card)
    found = []
    for text, group in groups.items():
        ids = distinct(group)
        if len(ids) < 2 or len({card.number for card in group}) < 2:
            continue
        for card in group:
            done.twins[card] = ids
        numbers = named(dict.fromkeys(card.written for card in group))
        found.append(
            Finding(
                code="duplicate-text", subject=masked(f"{target.name} {text}"), count=len(ids),
                text=f"{named(ids)} (numbers {numbers}) would be one text there",
            )
        )  # fmt: skip
    return found


def too_small(site: Site, target: Target, done: Written) -> list[Finding]:
    """How many active numbers the target cannot hold."""
    active = [card for card in dict.fromkeys((*done.texts, *done.problems)) if _status(site, card) == ACTIVE]
    wide = {card.number: done.problems[card] for card in active if card in done.problems}
    if not wide:
        return []
    numbers = len({card.number for card in active})
    text = f"{len(wide):,} of {counted(numbers, 'active number')} cannot be written as {target.column.written}: "
    return [
        Finding(
            code="column-too-small", subject=target.name, count=len(wide), text=text + next(iter(wide.values())) +
            (" (the first of them)" if len(wide) > 1 else ""),
        )
    ]  # fmt: skip


def _status(site: Site, card: Card) -> str:
    return state(card.row, site.as_of, site.rules)


class Export:
    """What a target holds today, and which of it the register explains."""

    def __init__(self, site: Site, target: Target, rows: Sequence[Held], done: Written) -> None:
        self.site = site
        self.target = target
        self.rows = rows
        self.pools = set(site.rules.pools)
        self.holders: dict[str, list[str]] = defaultdict(list)  # text to persons
        self.texts: dict[str, list[str]] = defaultdict(list)  # person to texts
        for row in rows:
            self.holders[self.stored(row)].append(row.person)
            self.texts[row.person].append(self.stored(row))
        self.owners: dict[str, list[Card]] = defaultdict(list)
        self.people: dict[str, set[str]] = defaultdict(set)  # credential to persons
        for card, text in done.stored.items():
            self.owners[text].append(card)
            self.people[card.credential].add(card.row.person)
        self.active = {card for card in done.stored if _status(site, card) == ACTIVE}
        current = {(card.row.person, done.stored[card]) for card in self.active}
        self.stale = {
            person: [text for text in texts if (person, text) not in current] for person, texts in self.texts.items()
        }

    def stored(self, row: Held) -> str:
        """The text of a row, as the column would give it back."""
        return self.target.column.stored(row.text)

    def action(self, card: Card, text: str) -> tuple[str, str]:
        """Add, keep or change, or hold, and why."""
        person = card.row.person
        holders = self.holders.get(text, [])
        if person in holders:
            return "keep", ""
        if holders:
            reason = f"the export has this text for {named(dict.fromkeys(holders))}"
            return ("keep" if self.pooled(card, holders) else "hold"), reason
        stale = self.stale.get(person, [])
        if stale and person not in self.pools:
            return "change", f"the export has {shown(stale.pop(0))} for this person"
        return "add", ""

    def pooled(self, card: Card, holders: Iterable[str]) -> bool:
        """Whether a pool has this very card, and all of ``holders`` are among those who have or had it."""
        people = self.people[card.credential]
        return not people.isdisjoint(self.pools) and people.issuperset(holders)

    def explaining(self, person: str, text: str) -> list[Card]:
        """The cards for which the target may hold ``text`` under ``person``, active or not."""
        cards = self.owners.get(text, [])
        return [card for card in cards if card.row.person == person or self.pooled(card, [person])]

    def lingers(self, person: str, text: str) -> bool:
        """Whether the target holds ``text`` for ``person``, and only for cards that are not active."""
        cards = self.explaining(person, text)
        return person in self.holders.get(text, ()) and bool(cards) and self.active.isdisjoint(cards)

    def exceptions(self) -> list[Exceptional]:
        """The rows for a person to look at: those that no credentials row explains, or none that is active."""
        found = []
        for row in self.rows:
            text = self.stored(row)
            cards = self.explaining(row.person, text)
            if not self.active.isdisjoint(cards):
                continue
            code, reason = "inactive-held", f"{self._ended(cards)}; somebody has to look: fresh sightings first"
            if not cards:
                cards = self.owners.get(text, [])
                code, reason = "existing-unmatched", self._unexplained(row, cards)
            assert self.target.existing is not None  # a bug here, never the input
            found.append(
                excepted(
                    file=self.target.existing.name, line=row.line, code=code, text=row.text,
                    reason=f"{self.target.name} holds it for {shown(row.person)}{reason}",
                    candidates=distinct(cards),
                )
            )  # fmt: skip
        return found

    def _ended(self, cards: Iterable[Card]) -> str:
        """The status of each credential by its latest row, and since when."""
        latest = {card.credential: card for card in sorted(cards, key=lambda card: card.row.valid_from or date.min)}
        return "".join(
            f", and the status of {shown(credential)} is {shown(_status(self.site, card))} ({_since(self.site, card)})"
            for credential, card in latest.items()
        )

    def _unexplained(self, row: Held, cards: Sequence[Card]) -> str:
        if cards:
            inactive = " (not active)" if self.active.isdisjoint(cards) else ""
            return f", but it is the number of {named(distinct(cards))}{inactive}"
        damaged = shortened(row.text) or rounded(row.text)
        return f"; no credentials row explains it{' (it looks like a number after a spreadsheet)' * damaged}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Judge:
    """Says what becomes of a card: all that speaks against it, and what remains to be done."""

    site: Site
    doubts: Doubts
    evidence: Evidence
    written: Mapping[str, Written]
    exports: Mapping[str, Export]

    def lines(self, card: Card) -> list[Line]:
        """The lines of a card: one for each target of its kind, or one without a target."""
        targets = [target for target in self.site.targets.values() if target.kind.name == card.kind.name]
        return [self.line(card, target) for target in targets] or [self.line(card, None)]

    def line(self, card: Card, target: Target | None) -> Line:
        """What becomes of ``card`` in ``target``."""
        status = _status(self.site, card)
        done = self.written[target.name] if target else Written()
        shared = list(self.doubts.shared.get(card, ()))
        if twins := done.twins.get(card):
            shared.append(f"{others(twins, card.credential)} would be the same text in this target")
        own = [*card.doubts, *self.doubts.active.get(card, ()), *self.evidence.disputes.get(card.credential, ())]
        if card in done.problems:
            own.append(done.problems[card])
        notes = list(self.doubts.remarks.get(card, ()))
        export = self.exports.get(target.name) if target else None
        text = ""
        if shared:
            action, reasons = "hold", [*shared, *(own if status == ACTIVE else ())]
        elif status != ACTIVE:
            action, reasons = "none", [_why(card, status), *self.left(card, done, export)]
        elif own:
            action, reasons = "hold", own
        elif target is None:
            action, reasons = "none", ["its kind has no target", *notes]
        else:
            action, reason = export.action(card, done.stored[card]) if export else ("add", "")
            reasons = [*([reason] if reason else ()), *notes]
            text = "" if action == "hold" else done.texts[card]
        return Line(
            person=card.row.person, credential=card.credential, kind=card.kind.name, number=card.written,
            status=status, target=target.name if target else "", text=text, action=action,
            proof=self.evidence.proof(card), readers=self.evidence.readers(card),
            last_seen=self.evidence.last(card), reason="; ".join(dict.fromkeys(reasons)),
        )  # fmt: skip

    def left(self, card: Card, done: Written, export: Export | None) -> list[str]:
        """A remark on a card that is not active, but whose text the target still holds."""
        if export and card in done.stored and export.lingers(card.row.person, done.stored[card]):
            return ["the export still has its text for this person: somebody has to look"]
        return []


def _why(card: Card, status: str) -> str:
    return _bounds(card, status) or f"its status is {shown(status)}"


def _bounds(card: Card, status: str) -> str:
    """The date that makes a card early or expired; nothing where a word of the register says what it is."""
    if status == card.row.status:
        return ""
    if status == EARLY:
        return f"not valid before {card.row.valid_from}"
    return f"valid until {card.row.valid_until}" if status == EXPIRED else ""


def _since(site: Site, card: Card) -> str:
    """Since when a card is not active, as far as the register says."""
    until = card.row.valid_until
    ended = f"valid until {until}" if until and until <= site.as_of else "the register does not say since when"
    return _bounds(card, _status(site, card)) or ended
