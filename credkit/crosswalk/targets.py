"""Targets: the texts that each back end would hold, and the numbers that it cannot hold or cannot tell apart."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from credkit.core.errors import EncodeError
from credkit.core.sentences import format_count, quote
from credkit.crosswalk.credentials import distinct_credentials, exclude_gone
from credkit.crosswalk.decisions import Doubt
from credkit.crosswalk.register import Card, Register, hide_secret
from credkit.crosswalk.result import Finding, join_others, join_values
from credkit.facts.statuses import ACTIVE, status_on
from credkit.privacy.accounts import mask_accounts
from credkit.site.model import Site, Target


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

    def doubts(self, card: Card) -> Iterator[Doubt]:
        """What speaks against writing the number here."""
        if twins := self.duplicates.get(card):
            others = join_others(twins, card.credential)
            yield Doubt("duplicate-text", f"{others} would be the same text in this target")
        if problem := self.unwritable.get(card):
            yield Doubt("unwritable", problem)
        if problem := self.too_small.get(card):
            yield Doubt("column-too-small", problem)


def encode_cards(target: Target, cards: Iterable[Card]) -> TargetTexts:
    """Encode the ``cards`` of the target's kind."""
    done = TargetTexts()
    for card in cards:
        if card.kind.name != target.kind.name:
            continue
        try:
            text = done.texts[card] = target.conversion.write(card.fields or {})
        except EncodeError as error:
            done.unwritable[card] = str(error)
            continue
        done.stored[card] = target.column.as_stored(text)
        if problem := target.column.problem(text):
            done.too_small[card] = problem
    return done


def find_duplicate_texts(site: Site, register: Register, target: Target, done: TargetTexts) -> list[Finding]:
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
                count=len(ids), rows=register.lines_of(group),
                text=f"{join_values(ids)} (numbers {numbers}) would be one text there",
            )
        )  # fmt: skip
    return found


def find_unwritable(site: Site, register: Register, target: Target, done: TargetTexts) -> Iterator[Finding]:
    """Findings that count the active numbers that the target's column cannot hold, or its chain cannot write."""
    active = [card for card in (*done.texts, *done.unwritable) if status_on(card.row, site.as_of, site.rules) == ACTIVE]
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
            rows = register.lines_of(card for card in active if card in problems)
            yield Finding(code=code, subject=target.name, count=len(them), text=text, rows=rows)
