"""Holders: one credential id with two people at one time."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

from credkit.core.sentences import redacted_repr
from credkit.crosswalk.cards import Card
from credkit.facts.numbers import Number
from credkit.files.declaredfiles import CsvFile
from credkit.site.calendars import Calendar

HolderPair = tuple[Card, Card]  # two holders of one credential id at one time, in the order of the file


def with_holders(card: Card, pair: HolderPair, file: CsvFile) -> Card:
    """``card``, a row of ``file``, as an exception: another person has a card of its id at the same time."""
    one, other = pair
    beside = one if card is other else other
    who = f"{redacted_repr(beside.row.person)} holds it at the same time ({file.describe_rows([beside.row.line])})"
    code = "overlap"
    if beside.number != card.number:
        code, who = "id-of-two-cards", f"{who}, with another number: one id stands for two cards"
    return replace(card, code=code, reason=who)


def find_overlaps(cards: Sequence[Card]) -> dict[int, HolderPair]:
    """By line: the card and one of another person with the same credential id at the same time.

    ``cards`` are those that somebody may have, in the order of the file. Of several others, one with the same number
    is taken.
    """
    groups: dict[tuple[str, str], list[Card]] = defaultdict(list)
    for card in cards:
        groups[card.credential, card.kind.name].append(card)
    found: dict[int, HolderPair] = {}
    for group in groups.values():
        if len(group) == 1:
            continue
        by_line = {card.row.line: card for card in group}
        numbers: dict[Number | None, list[Card]] = defaultdict(list)
        for card in group:
            numbers[card.number].append(card)
        for them in [*numbers.values(), group] if len(numbers) > 1 else [group]:
            calendar = Calendar([card.row for card in them], lambda row: row.person)
            for card in them:
                other = calendar.find_sharing(card.row) if card.row.line not in found else None
                if other:
                    beside = by_line[other.line]
                    found[card.row.line] = (card, beside) if card.row.line < other.line else (beside, card)
    return found
