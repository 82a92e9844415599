"""Verdicts: what becomes of each sighting. It is resolved to a credential, or goes to the exceptions."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from credkit.bulk.words import Array
from credkit.core.sentences import format_count, quote
from credkit.crosswalk.cards import Card, first_by_form
from credkit.crosswalk.register import Register
from credkit.crosswalk.sightings import Sighting, Sightings
from credkit.facts.judged_texts import in_slices
from credkit.facts.numbers import Number
from credkit.facts.register_forms import encode_number
from credkit.privacy.accounts import hide_all_but_account_ends
from credkit.site.model import Site
from credkit.work.filelines import FileLines


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Verdict:
    """The verdict on a sighting: without a ``code`` it is resolved.

    ``cards`` are the credentials rows it is a sight of, ``unambiguous`` says that they are of one
    credential; ``owners`` are all owners of its number, ``possible`` those that it may be of though they
    were not active then. ``disputed`` are the credentials that it contradicts and ``dispute`` says why;
    ``reported_under`` are those a conflict is reported under.
    """

    sighting: Sighting
    code: str = ""
    reason: str = ""
    number: Number | None = None
    cards: tuple[Card, ...] = ()
    owners: tuple[Card, ...] = ()
    possible: tuple[Card, ...] = ()
    unambiguous: bool = True
    disputed: tuple[str, ...] = ()
    dispute: str = ""
    reported_under: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Verdicts:
    """The verdicts on all sightings: ``clear`` has the places of those against which nothing speaks.

    Each of these shows one card, the only one of its number, which was active then; its place in the register is in
    ``cards``. The others are judged one by one.
    """

    seen: Sightings
    clear: Array
    cards: Array
    others: tuple[Verdict, ...]

    def resolved_rows(self) -> Iterator[Array]:
        """The places of the rows of all sightings that are resolved, some at a time."""
        yield from map(self.seen.rows_at, in_slices(self.clear))
        yield self.seen.rows_at(np.array([each.sighting.place for each in self.others if not each.code], np.int32))


def count_rows(verdicts: Iterable[Verdict]) -> int:
    """The number of reading rows of these verdicts."""
    return sum(len(verdict.sighting.lines) for verdict in verdicts)


def reading_lines(site: Site, verdicts: Iterable[Verdict]) -> FileLines:
    """The reading rows of these verdicts."""
    return FileLines({site.readings.name: [line for verdict in verdicts for line in verdict.sighting.lines]})


def describe_readings(verdicts: Sequence[Verdict]) -> str:
    """The number of readings of these verdicts, and of their rows where entries have several."""
    count, rows = len(verdicts), count_rows(verdicts)
    return (
        format_count(count, "reading") if count == rows else f"{format_count(count, 'entry', 'entries')}, {rows:,} rows"
    )


def quote_number(sighting: Sighting, number: Number, cards: Collection[Card]) -> str:
    """A number in the register's form, as a sentence may show it: its parts may be those of an account number.

    ``cards`` are those that have it.
    """
    secret = (sighting.result is not None and sighting.result.payment.has_account) or any(
        card.holds_account for card in cards
    )
    form = first_by_form(cards).form if cards else encode_number(sighting.reader.kind, number)
    return quote(hide_all_but_account_ends(form) if secret else form)


def other_issues(register: Register, sighting: Sighting) -> tuple[Card, ...]:
    """The cards that have the number of a sighting, but for its issue."""
    kind, number = sighting.reader.kind, sighting.result and sighting.result.number
    if not kind.issue or not number:
        return ()
    return register.issues.get(Number(kind.namespace, kind.without_issue(number)), ())
