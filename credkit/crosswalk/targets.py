"""Targets: what becomes of each card in each back end that wants its number.

A card is added, kept or changed if nothing speaks against it; it is held if something does, and
nothing is written for it; a status that does not allow it leaves it alone. What a target holds
today is never taken away: texts that no row explains, or only a credential that is not active, are
shown to a person.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from itertools import islice
from typing import NamedTuple

from credkit.core.errors import EncodeError
from credkit.core.sentences import format_count, quote, redacted_repr
from credkit.crosswalk.credentials import Doubts, distinct_credentials, exclude_gone
from credkit.crosswalk.evidence import Evidence
from credkit.crosswalk.register import ACTIVE, EARLY, EXPIRED, Card, hide_secret, status_on
from credkit.crosswalk.result import (
    MOST_VALUES_NAMED,
    Action,
    CrosswalkLine,
    ExceptionRow,
    Finding,
    join_others,
    join_values,
    make_exception,
)
from credkit.crosswalk.texts import is_rounded
from credkit.explain.diagnosis import is_spreadsheet_shortened
from credkit.privacy.accounts import holds_account, mask_accounts
from credkit.site.model import Site, Target
from credkit.site.rows import ExportRow

LOOKS_LIKE_PAYMENT = "the number looks like a payment account number, so it is not written"


@dataclass(slots=True)
class TargetTexts:
    """The cards of a target's kind as it would hold them.

    ``texts`` has what the chain writes, ``stored`` what the column gives back. ``unwritable`` says
    why the chain cannot write a number, ``too_small`` why its text cannot stand in the column.
    """

    texts: dict[Card, str] = field(default_factory=dict)
    stored: dict[Card, str] = field(default_factory=dict)
    unwritable: dict[Card, str] = field(default_factory=dict)
    too_small: dict[Card, str] = field(default_factory=dict)
    duplicates: dict[Card, list[str]] = field(default_factory=dict)  # the credentials with the same text, its own too

    def problem(self, card: Card) -> str:
        """Why the target cannot hold the number, or nothing."""
        return self.unwritable.get(card) or self.too_small.get(card, "")


def encode_cards(target: Target, cards: Iterable[Card]) -> TargetTexts:
    """Encode the ``cards`` of the target's kind."""
    done = TargetTexts()
    for card in cards:
        if card.kind.name != target.kind.name:
            continue
        try:
            text = done.texts[card] = target.conversion.write(card.fields)
        except EncodeError as error:
            done.unwritable[card] = str(error)
            continue
        done.stored[card] = target.column.as_stored(text)
        if problem := target.column.problem(text):
            done.too_small[card] = problem
    return done


def find_duplicate_texts(site: Site, target: Target, done: TargetTexts) -> list[Finding]:
    """Texts that two different numbers share because the conversion keeps a part only; both are held."""
    groups: dict[str, list[Card]] = defaultdict(list)
    for card in exclude_gone(site, done.stored):
        groups[done.stored[card]].append(card)
    found = []
    for text, group in groups.items():
        ids = distinct_credentials(group)
        if len(ids) < 2 or len({card.number for card in group}) < 2:
            continue
        for card in group:
            done.duplicates[card] = ids
        numbers = join_values(dict.fromkeys(card.masked_number for card in group), quote=quote)
        found.append(
            Finding(
                code="duplicate-text", subject=f"{mask_accounts(target.name)} {hide_secret(group[0], text)}",
                count=len(ids),
                text=f"{join_values(ids)} (numbers {numbers}) would be one text there",
            )
        )  # fmt: skip
    return found


def find_unwritable(site: Site, target: Target, done: TargetTexts) -> Iterator[Finding]:
    """Findings that count the active numbers that the target's column cannot hold, or its chain cannot write."""
    active = [card for card in (*done.texts, *done.unwritable) if _status(site, card) == ACTIVE]
    all_of_them = len({card.number for card in active})
    numbers = format_count(all_of_them, "active number")
    for code, problems, words in (
        ("column-too-small", done.too_small, f"cannot stand in {target.column.declaration}"),
        ("unwritable", done.unwritable, "cannot be written"),
    ):
        them = {card.number: problems[card] for card in active if card in problems}
        if them:
            first = f"{next(iter(them.values()))}{' (the first of them)' if len(them) > 1 else ''}"
            text = f"{len(them):,} of {numbers} {words}: {first}"
            yield Finding(code=code, subject=target.name, count=len(them), text=text)


def _status(site: Site, card: Card) -> str:
    return status_on(card.row, site.as_of, site.rules)


class Holding(NamedTuple):
    """A text that a target holds for a person."""

    person: str
    text: str


class TargetExport:
    """The rows that a target holds today, and which of them the register explains.

    A text may stand under the person of a card's row. If one of the holders of a credential is a
    pool, it may stand under any of them. Everything is looked up by person and text: however many
    rows say the same, each is looked at once.
    """

    def __init__(self, site: Site, target: Target, rows: Sequence[ExportRow], done: TargetTexts) -> None:
        self.site = site
        self.target = target
        self.rows = rows
        self.pools = set(site.rules.pools)
        self.holders: dict[str, dict[str, None]] = defaultdict(dict)  # text to persons
        self.texts: dict[str, list[str]] = defaultdict(list)  # person to texts
        for row in rows:
            self.holders[self.stored(row)][row.person] = None
            self.texts[row.person].append(self.stored(row))
        self.people: dict[str, set[str]] = defaultdict(set)  # credential to its holders
        self.owners: dict[str, list[Card]] = defaultdict(list)  # text to cards
        self.explaining: dict[Holding, list[Card]] = defaultdict(list)
        for card, text in done.stored.items():
            self.people[card.credential].add(card.row.person)
            self.owners[text].append(card)
            self.explaining[Holding(card.row.person, text)].append(card)
        self.active = {card for card in done.stored if _status(site, card) == ACTIVE}
        self.current = {Holding(card.row.person, done.stored[card]) for card in self.active}
        self.stale = {
            person: [text for text in texts if Holding(person, text) not in self.current]
            for person, texts in self.texts.items()
        }
        self._add_pools(done)
        self.active_texts = {done.stored[card] for card in self.active}
        self.credentials = {text: distinct_credentials(cards) for text, cards in self.owners.items()}
        self._descriptions: dict[Holding, tuple[str, list[str]]] = {}

    def _add_pools(self, done: TargetTexts) -> None:
        """Let the cards of a pool explain a text under every holder of the credential."""
        pooled: dict[tuple[str, str], list[Card]] = defaultdict(list)  # by credential and text
        for card, text in done.stored.items():
            if not self.pools.isdisjoint(self.people[card.credential]):
                pooled[card.credential, text].append(card)
        for (credential, text), cards in pooled.items():
            active = not self.active.isdisjoint(cards)
            for person in self.people[credential] if active else ():
                self.current.add(Holding(person, text))
            latest = max(cards, key=lambda card: card.row.valid_from or date.min)
            for person in self.people[credential]:
                self.explaining[Holding(person, text)].append(latest)

    def stored(self, row: ExportRow) -> str:
        """The text of a row, as the column would give it back."""
        return self.target.column.as_stored(row.text)

    def action(self, card: Card, text: str) -> tuple[Action, str]:
        """Add, keep or change, or hold, and why."""
        person = card.row.person
        holders = self.holders.get(text, {})
        if person in holders:
            return "keep", ""
        if holders:
            reason = f"the export has this text for {join_values(holders)}"
            return ("keep", reason) if self.is_pooled(card, holders) else ("hold", reason)
        stale = self.stale.get(person, [])
        if stale and person not in self.pools:
            return "change", f"the export has {redacted_repr(stale.pop(0))} for this person"
        return "add", ""

    def is_pooled(self, card: Card, holders: Iterable[str]) -> bool:
        """Whether a pool has the card, and all ``holders`` are people who have or had it."""
        people = self.people[card.credential]
        return not self.pools.isdisjoint(people) and people.issuperset(holders)

    def holds_inactive(self, person: str, text: str) -> bool:
        """Whether the target holds ``text`` for ``person``, and only for cards that are not active."""
        holding = Holding(person, text)
        return person in self.holders.get(text, ()) and holding in self.explaining and holding not in self.current

    def match_rows(self) -> tuple[list[int], list[ExceptionRow]]:
        """The lines of the rows that an active card explains, and the other rows, for a person to look at."""
        explained, found = [], []
        for row in self.rows:
            holding = Holding(row.person, self.stored(row))
            if holding in self.current:
                explained.append(row.line)
                continue
            if holding in self.explaining:
                reason, candidates = self._describe_inactive(holding)
                code = "inactive-held"
            else:
                code, candidates = "existing-unmatched", self.credentials.get(holding[1], [])
                reason = self._describe_unexplained(row, candidates)
            assert self.target.existing is not None  # a bug here, never the input
            found.append(
                make_exception(
                    file=self.target.existing.name, line=row.line, code=code, text=row.text,
                    reason=f"{self.target.name} holds it for {redacted_repr(row.person)}{reason}",
                    candidates=candidates,
                    unmasked=self.target.kind.not_payment is not None, holds_account=holds_account(row.text),
                )
            )  # fmt: skip
        return explained, found

    def _describe_inactive(self, holding: Holding) -> tuple[str, list[str]]:
        """The status of each credential by its latest row, and since when; and the credentials."""
        if holding not in self._descriptions:
            cards = self.explaining[holding]
            latest = {card.credential: card for card in sorted(cards, key=lambda card: card.row.valid_from or date.min)}
            statuses = "".join(
                f", and the status of {redacted_repr(card.credential)} is {redacted_repr(_status(self.site, card))} "
                f"({_describe_end(self.site, card)})"
                for card in islice(latest.values(), MOST_VALUES_NAMED)
            )
            more = (
                f", and {len(latest) - MOST_VALUES_NAMED:,} more are not active"
                if len(latest) > MOST_VALUES_NAMED
                else ""
            )
            self._descriptions[holding] = (
                f"{statuses}{more}; needs review; check recent readings first",
                distinct_credentials(cards),
            )
        return self._descriptions[holding]

    def _describe_unexplained(self, row: ExportRow, credentials: Sequence[str]) -> str:
        if credentials:
            inactive = " (not active)" if self.stored(row) not in self.active_texts else ""
            return f", but it is the number of {join_values(credentials)}{inactive}"
        damaged = is_spreadsheet_shortened(row.text) or is_rounded(row.text)
        return f"; no credentials row explains it{' (a spreadsheet may have altered it)' * damaged}"


@dataclass(frozen=True, slots=True, kw_only=True)
class CardJudge:
    """Decides the action for a card in each target, with all reasons against it.

    ``reissued`` are cards of which another issue was read.
    """

    site: Site
    doubts: Doubts
    evidence: Evidence
    written: Mapping[str, TargetTexts]
    exports: Mapping[str, TargetExport]
    reissued: Collection[Card] = ()

    def lines(self, card: Card) -> list[CrosswalkLine]:
        """The lines of a card: one for each target of its kind, or one without a target."""
        targets = [target for target in self.site.targets.values() if target.kind.name == card.kind.name]
        return [self.line(card, target) for target in targets] or [self.line(card, None)]

    def line(self, card: Card, target: Target | None) -> CrosswalkLine:
        """The line of ``card`` in ``target``: action, text and reasons."""
        status = _status(self.site, card)
        done = self.written[target.name] if target else TargetTexts()
        shared = list(self.doubts.shared.get(card, ()))
        if twins := done.duplicates.get(card):
            shared.append(f"{join_others(twins, card.credential)} would be the same text in this target")
        own = [*card.doubts, *self.doubts.active.get(card, ()), *self.evidence.disputes.get(card.credential, ())]
        if (problem := done.problem(card)) or (
            target and (problem := LOOKS_LIKE_PAYMENT if card.holds_account else "")
        ):
            own.append(problem)
        if target and card in self.reissued and card.kind.issue in target.conversion.dropped:
            own.append("another issue of it was read, and this target cannot tell them apart")
        notes = [*self.doubts.remarks.get(card, ()), *filter(None, (self.evidence.describe_doubt(card),))]
        export = self.exports.get(target.name) if target else None
        text = ""
        action: Action
        if shared:
            action, reasons = "hold", [*shared, *(own if status == ACTIVE else ())]
        elif status != ACTIVE:
            action, reasons = "none", [_describe_status(card, status), *self.remark_on_export(card, done, export)]
        elif own:
            action, reasons = "hold", own
        elif target is None:
            action, reasons = "none", ["its kind has no target", *notes]
        else:
            action, reason = export.action(card, done.stored[card]) if export else ("add", "")
            reasons = [*([reason] if reason else ()), *notes]
            text = "" if action == "hold" else done.texts[card]
        return CrosswalkLine(
            person=card.row.person, credential=card.credential, kind=card.kind.name, number=card.masked_number,
            status=status, target=target.name if target else "", text=text, action=action,
            proof=self.evidence.proof(card), readers=self.evidence.format_readers(card),
            last_seen=self.evidence.last_seen(card), reason="; ".join(dict.fromkeys(reasons)),
        )  # fmt: skip

    def remark_on_export(self, card: Card, done: TargetTexts, export: TargetExport | None) -> list[str]:
        """A remark on a card that is not active, but whose text the target still holds."""
        if export and card in done.stored and export.holds_inactive(card.row.person, done.stored[card]):
            return ["the export still has its text for this person: needs review"]
        return []


def _describe_status(card: Card, status: str) -> str:
    return _describe_validity(card, status) or f"its status is {redacted_repr(status)}"


def _describe_validity(card: Card, status: str) -> str:
    """The date that makes a card early or expired; nothing where a word of the register says what it is."""
    if status == card.row.status:
        return ""
    if status == EARLY:
        return f"not valid before {card.row.valid_from}"
    return f"valid until {card.row.valid_until}" if status == EXPIRED else ""


def _describe_end(site: Site, card: Card) -> str:
    """The date since which a card is not active, as far as the register has one."""
    until = card.row.valid_until
    ended = f"valid until {until}" if until and until <= site.as_of else "the register does not say since when"
    return _describe_validity(card, _status(site, card)) or ended
