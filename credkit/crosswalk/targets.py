"""Targets: the texts that each back end would hold, and the numbers that it cannot hold or cannot tell apart."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from credkit.bulk.words import Array
from credkit.core.errors import EncodeError
from credkit.core.sentences import format_count, join_others, join_values, quote
from credkit.crosswalk.cards import Card, hide_secret
from credkit.crosswalk.credentials import distinct_credentials, group_cards
from credkit.crosswalk.decisions import Doubt
from credkit.crosswalk.register import Register
from credkit.crosswalk.result import Finding
from credkit.facts.duplicates import find_duplicates
from credkit.facts.statuses import ACTIVE
from credkit.facts.target_columns import as_stored, encode_texts
from credkit.privacy.accounts import mask_accounts
from credkit.site.model import Column, Target


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetTexts:
    """The cards of a target's kind that count, at ``places`` in the register, as it would hold them.

    ``texts`` has what the chain writes, ``stored`` what the column gives back; null where it cannot write the number.
    ``unwritable`` says why, ``too_small`` why a text cannot stand in the column. ``duplicates`` has the credentials
    with the same text, a card's own too.
    """

    places: Array
    texts: pl.Series
    stored: pl.Series
    unwritable: dict[Card, str]
    too_small: dict[Card, str]
    duplicates: dict[Card, list[str]] = field(default_factory=dict)

    def find(self, card: Card) -> int | None:
        """Where a card stands in the columns; None if it does not, or cannot be written."""
        at = int(np.searchsorted(self.places, card.place))
        known = at < len(self.places) and self.places[at] == card.place and card not in self.unwritable
        return at if known else None

    def text_of(self, card: Card) -> str:
        """What the chain writes for a card that it can write."""
        at = self.find(card)
        return "" if at is None else str(self.texts[at])

    def stored_of(self, card: Card) -> str | None:
        """What the column gives back for a card; None for one that it does not have."""
        at = self.find(card)
        return None if at is None else str(self.stored[at])

    def find_shared(self, register: Register) -> pl.DataFrame:
        """The held cards whose text several credentials have here (`credkit.facts.duplicates`)."""
        held = pl.Series(register.held[self.places])
        texts = pl.DataFrame({"row": self.places, "text": self.stored}).filter(held).drop_nulls()
        return find_duplicates(texts, register.rows["credential"])

    def doubts(self, card: Card) -> Iterator[Doubt]:
        """What speaks against writing the number here."""
        if twins := self.duplicates.get(card):
            others = join_others(twins, card.credential)
            yield Doubt("duplicate-text", f"{others} would be the same text in this target")
        if problem := self.unwritable.get(card):
            yield Doubt("unwritable", problem)
        if problem := self.too_small.get(card):
            yield Doubt("column-too-small", problem)

    def doubted(self) -> set[Card]:
        """The cards against which something speaks."""
        return {*self.duplicates, *self.unwritable, *self.too_small}


def encode_cards(register: Register, target: Target) -> TargetTexts:
    """Encode the cards of the target's kind that count."""
    mine = next((each for each in register.kinds if each.kind.name == target.kind.name), None)
    if mine is None:
        empty = pl.Series([], dtype=pl.String)
        return TargetTexts(places=np.zeros(0, np.int64), texts=empty, stored=empty, unwritable={}, too_small={})
    rows = np.flatnonzero(register.counts[mine.places])
    places = mine.places[rows]
    texts = encode_texts(target, {name: column[rows] for name, column in mine.fields.items()})
    unwritable = {
        card: _describe_unwritable(target, card) for card in register.make(places[texts.is_null().to_numpy()])
    }
    suspects = np.flatnonzero(_may_be_too_small(target.column, texts).to_numpy())
    problems = map(target.column.problem, texts.gather(suspects).to_list())
    too_small = {
        card: problem for card, problem in zip(register.make(places[suspects]), problems, strict=True) if problem
    }
    return TargetTexts(
        places=places, texts=texts, stored=as_stored(target, texts), unwritable=unwritable, too_small=too_small
    )


def _describe_unwritable(target: Target, card: Card) -> str:
    try:
        target.conversion.write(card.fields or {})
    except EncodeError as error:
        return str(error)
    raise AssertionError(f"{target.name}: arrays cannot write what its chain can")  # a bug here, never the input


def _may_be_too_small(column: Column, texts: pl.Series) -> pl.Series:
    """Which texts a column perhaps cannot hold: long ones, and for whole numbers those that have another form."""
    if column.declaration.startswith("text"):
        return (texts.str.len_chars() > column.characters) if column.characters else texts.is_null() & False
    return ~texts.str.contains(r"\A[0-9]{1,9}\z").fill_null(value=True)


def find_duplicate_texts(register: Register, target: Target, done: TargetTexts) -> list[Finding]:
    """Texts that two different numbers share because the conversion keeps a part only; both are held."""
    found = []
    for group in group_cards(register, done.find_shared(register)):
        ids, text = distinct_credentials(group), done.stored_of(group[0]) or ""
        if len({card.number for card in group}) < 2:
            continue
        for card in group:
            done.duplicates[card] = ids
        numbers = join_values(dict.fromkeys(hide_secret(card, card.form) for card in group), quote=quote)
        found.append(
            Finding(
                code="duplicate-text", subject=f"{mask_accounts(target.name)} {hide_secret(group[0], text)}",
                count=len(ids), rows=register.lines_of(group),
                text=f"{join_values(ids)} (numbers {numbers}) would be one text there",
            )
        )  # fmt: skip
    return found


def find_unwritable(register: Register, target: Target, done: TargetTexts) -> Iterator[Finding]:
    """Findings that count the active numbers that the target's column cannot hold, or its chain cannot write."""
    active = done.places[(register.rows["state"].gather(done.places) == ACTIVE).to_numpy()]
    numbers = format_count(len(np.unique(register.number[active])), "active number")
    for code, problems, words in (
        ("column-too-small", done.too_small, f"cannot stand in {target.column.declaration}"),
        ("unwritable", done.unwritable, "cannot be written"),
    ):
        cards = [card for card in problems if card.state == ACTIVE]
        them = {card.number: problems[card] for card in cards}
        if them:
            first = f"{next(iter(them.values()))}{' (the first of them)' if len(them) > 1 else ''}"
            text = f"{len(them):,} of {numbers} {words}: {first}"
            yield Finding(code=code, subject=target.name, count=len(them), text=text, rows=register.lines_of(cards))
