"""Cards: the credentials rows that are looked at one by one, each with its number, or why it has none that counts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from credkit.core.fields import Item
from credkit.core.reading import Note
from credkit.crosswalk.decisions import Doubt
from credkit.facts.numbers import Number, format_number
from credkit.facts.register_forms import join_issue
from credkit.privacy.accounts import hide_all_but_account_ends
from credkit.site.model import CredentialKind
from credkit.site.rows import Assignment

COUNTING_CODES = ("", "overlap", "id-of-two-cards")  # of rows that own their numbers; those of two holders do, each


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Card:
    """A credentials row: its number, where its value has one, and ``doubts`` about it; ``place`` counts from 0.

    ``state`` is its status on the day of judgement, ``active_days`` are the first and last on which it was active.
    ``code`` and ``reason`` say why it is among the exceptions, if it is.
    """

    place: int
    row: Assignment
    kind: CredentialKind
    state: str
    active_days: tuple[date, date] | None
    fields: Mapping[str, Item] | None
    number: Number | None
    code: str = ""
    reason: str = ""
    doubts: tuple[Doubt, ...] = ()
    notes: tuple[Note, ...] = ()
    holds_account: bool = False  # whether its value holds an account number
    restored: Number | None = None  # the number that a spreadsheet seems to have altered: of zeros or separators

    @property
    def credential(self) -> str:
        """The credential that has the number."""
        return self.row.credential

    @property
    def counts(self) -> bool:
        """Whether it owns its number; the rows of two holders of one card do, each."""
        return self.number is not None and self.code in COUNTING_CODES

    @property
    def number_text(self) -> str:
        """The number as output files write it; empty where there is none."""
        return format_number(self.number) if self.number else ""

    @property
    def form(self) -> str:
        """The number as the register writes it; empty where there is none."""
        return join_issue(self.row.value, self.row.issue if self.kind.issue else None) if self.number else ""


def first_by_form(cards: Iterable[Card]) -> Card:
    """The card whose form stands for the number that all ``cards`` have, whatever their order."""
    return min(cards, key=lambda card: card.form)


def hide_secret(card: Card, text: str) -> str:
    """``text``, which holds the number of ``card``, as a file or a sentence may show it."""
    return hide_all_but_account_ends(text) if card.holds_account else text
