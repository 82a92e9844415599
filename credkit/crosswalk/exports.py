"""Exports: what a target holds today, and which rows of the register explain it.

What a target holds is never taken away: texts that no row explains, or only a credential that is not
active, are shown to a person.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import date
from itertools import islice
from typing import NamedTuple

from credkit.core.sentences import redacted_repr
from credkit.crosswalk.credentials import distinct_credentials
from credkit.crosswalk.decisions import HELD, HOLDS_OTHER, NOT_HELD, Doubt
from credkit.crosswalk.export_damage import WantedNumbers, judge_export
from credkit.crosswalk.register import Card
from credkit.crosswalk.result import MOST_VALUES_NAMED, ExceptionRow, join_values, make_exception
from credkit.crosswalk.targets import TargetTexts
from credkit.explain.diagnosis import is_spreadsheet_shortened
from credkit.facts.statuses import ACTIVE, describe_end, status_on
from credkit.facts.texts import is_rounded
from credkit.privacy.accounts import holds_account
from credkit.site.model import Site, Target
from credkit.site.nearids import did_you_mean, group_ids, near_key
from credkit.site.rows import ExportRow, describe_white_space

MOST_TEXTS_HELD = 10  # that a line names of those that a target holds for a person, such as a pool


class Holding(NamedTuple):
    """A text that a target holds for a person."""

    person: str
    text: str


class TargetExport:
    """The rows that a target holds today, and which of them the register explains.

    A text may stand under the person of a card's row. If one of the holders of a credential is a
    pool, it may stand under any who has or had that text. Everything is looked up by person and text: however many
    rows say the same, each is looked at once.
    """

    def __init__(self, site: Site, target: Target, rows: Sequence[ExportRow], done: TargetTexts) -> None:
        self.site = site
        self.target = target
        self.rows = rows
        self.pools = set(site.rules.pools)
        self.holders: dict[str, dict[str, None]] = defaultdict(dict)  # text to persons
        self.texts: dict[str, list[str]] = defaultdict(list)  # person to texts
        self.written: dict[str, dict[str, None]] = defaultdict(dict)  # person to texts, as the file has them
        self.held = {Holding(row.person, self.stored(row)) for row in rows}
        self.near_holders: dict[str, dict[str, str]] = defaultdict(dict)  # text to persons by their near key
        for row in rows:
            self.holders[self.stored(row)][row.person] = None
            self.near_holders[self.stored(row)][near_key(row.person)] = row.person
            self.texts[row.person].append(self.stored(row))
            self.written[row.person][row.text] = None
        self.people: dict[str, set[str]] = defaultdict(set)  # credential to its holders
        self.had: dict[tuple[str, str], set[str]] = defaultdict(set)  # credential and text to those who have or had it
        self.owners: dict[str, list[Card]] = defaultdict(list)  # text to cards
        self.explaining: dict[Holding, list[Card]] = defaultdict(list)
        for card, text in done.stored.items():
            self.people[card.credential].add(card.row.person)
            self.had[card.credential, text].add(card.row.person)
            self.owners[text].append(card)
            self.explaining[Holding(card.row.person, text)].append(card)
        self.active = {card for card in done.stored if status_on(card.row, site.as_of, site.rules) == ACTIVE}
        self.current = {Holding(card.row.person, done.stored[card]) for card in self.active}
        self._add_pools(done)
        self.active_texts = {done.stored[card] for card in self.active}
        self.credentials = {text: distinct_credentials(cards) for text, cards in self.owners.items()}
        self.near_people = group_ids(card.row.person for card in done.stored)
        self.altered = self._find_altered(done)
        self.replaced = self._find_replaced(done)
        self._descriptions: dict[Holding, tuple[str, list[str]]] = {}

    def _add_pools(self, done: TargetTexts) -> None:
        """Let the cards of a pool explain a text under every holder of the credential."""
        pooled: dict[tuple[str, str], list[Card]] = defaultdict(list)  # by credential and text
        for card, text in done.stored.items():
            if not self.pools.isdisjoint(self.people[card.credential]):
                pooled[card.credential, text].append(card)
        for (credential, text), cards in pooled.items():
            active = not self.active.isdisjoint(cards)
            for person in self.had[credential, text] if active else ():
                self.current.add(Holding(person, text))
            latest = max(cards, key=lambda card: card.row.valid_from or date.min)
            for person in self.had[credential, text]:
                self.explaining[Holding(person, text)].append(latest)

    def _find_altered(self, done: TargetTexts) -> dict[Card, str]:
        """The cards whose text a spreadsheet altered in the export, as it did to others, with what is left of it."""
        wanted: dict[str, dict[str, list[Card]]] = defaultdict(lambda: defaultdict(list))  # by person and text
        for card, text in done.stored.items():
            wanted[card.row.person][text].append(card)
        pairs = []
        for person, texts in self.texts.items():
            numbers = WantedNumbers(wanted.get(person, {}))
            for held in dict.fromkeys(texts):
                pairs += [(held, text, card) for text in numbers.altered_to(held) for card in wanted[person][text]]
        everything = ((holding.text, "") for holding in sorted(self.held))
        self.damage = judge_export([*((held, text) for held, text, _ in pairs), *everything])
        found = {card: held for held, text, card in pairs if self.damage.explains(held, text)}
        self.altered_holdings = {Holding(card.row.person, held) for card, held in found.items()}
        return found

    def _find_replaced(self, done: TargetTexts) -> dict[Card, str]:
        """The text of the export that each active card replaces: one that no active card of the person explains."""
        missing: dict[str, list[Card]] = defaultdict(list)
        for card in self.active:
            if card.row.person not in self.pools and Holding(card.row.person, done.stored[card]) not in self.held:
                missing[card.row.person].append(card)
        found: dict[Card, str] = {}
        for person, cards in missing.items():
            stale = sorted(text for text in self.texts[person] if Holding(person, text) not in self.current)
            found.update(zip(sorted(cards, key=lambda card: (card.credential, done.stored[card])), stale, strict=False))
        return found

    def stored(self, row: ExportRow) -> str:
        """The text of a row, as the column would give it back."""
        return self.target.column.as_stored(row.text)

    def doubt(self, card: Card, text: str) -> Doubt:
        """What the export means for writing ``text`` for a card."""
        person = card.row.person
        holders = self.holders.get(text, {})
        if person in holders:
            return Doubt(HELD, "")
        if holders:
            reason = f"the export has this text for {join_values(holders)}{self._describe_near_holder(person, text)}"
            return Doubt(HELD if self.is_pooled(card, text, holders) else "held-by-other", reason)
        if (altered := self.altered.get(card)) is not None:
            reason = f"the export has {redacted_repr(altered)} for this person, which a spreadsheet made of it"
            return Doubt("export-damage", reason)
        if (stale := self.replaced.get(card)) is not None:
            return Doubt(HOLDS_OTHER, f"the export has {redacted_repr(stale)} for this person")
        return Doubt(NOT_HELD, "")

    def _describe_near_holder(self, person: str, text: str) -> str:
        """Whether a holder of ``text`` is nearly ``person``, and which white space makes the difference."""
        near = self.near_holders[text].get(near_key(person))
        if near is None:
            return ""
        cells = ((self.site.credentials, person), (self.target.existing, near))
        ends = [file and describe_white_space(file, "person_id", cell) for file, cell in cells]
        return f"; did you mean {redacted_repr(near)} for {redacted_repr(person)}?" + "".join(
            f" {problem}" for problem in ends if problem
        )

    def present(self, person: str) -> str:
        """The texts that the target holds for a person, in the order of the file; of many, the first ten."""
        texts = self.written.get(person, {})
        more = len(texts) - MOST_TEXTS_HELD
        return "; ".join((*islice(texts, MOST_TEXTS_HELD), *((f"and {more:,} more",) if more > 0 else ())))

    def is_pooled(self, card: Card, text: str, holders: Iterable[str]) -> bool:
        """Whether a pool has the card, and all ``holders`` are people who have or had it with this text."""
        pooled = not self.pools.isdisjoint(self.people[card.credential])
        return pooled and self.had[card.credential, text].issuperset(holders)

    def holds_inactive(self, person: str, text: str) -> bool:
        """Whether the target holds ``text`` for ``person``, and only for cards that are not active."""
        holding = Holding(person, text)
        return person in self.holders.get(text, ()) and holding in self.explaining and holding not in self.current

    def match_rows(self) -> tuple[list[int], list[ExceptionRow]]:
        """The lines of the rows that an active card explains, and the other rows, for a person to look at."""
        explained, found = [], []
        for row in self.rows:
            holding = Holding(row.person, self.stored(row))
            if holding in self.current or holding in self.altered_holdings:
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
                    candidates=candidates, person=row.person,
                    credential=candidates[0] if len(candidates) == 1 else "",
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
                f", and the status of {redacted_repr(card.credential)} is {redacted_repr(self._status(card))} "
                f"({describe_end(card.row, self.site)})"
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

    def _status(self, card: Card) -> str:
        return status_on(card.row, self.site.as_of, self.site.rules)

    def _describe_unexplained(self, row: ExportRow, credentials: Sequence[str]) -> str:
        if credentials:
            inactive = " (not active)" if self.stored(row) not in self.active_texts else ""
            near = did_you_mean(row.person, self.near_people)
            return f", but it is the number of {join_values(credentials)}{inactive}{near}"
        damaged = is_spreadsheet_shortened(row.text) or is_rounded(row.text)
        return f"; no credentials row explains it{' (a spreadsheet may have altered it)' * damaged}"
