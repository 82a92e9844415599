"""Unresolved readings: their rows of exceptions.csv, with the credentials that they might be.

Candidates come from what is known besides the text: what the desk expected, what else was read
from the card while it was held, what the reader would show if it were set otherwise, and rows of a
register that does not count. They are for a person to judge.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from itertools import islice
from operator import attrgetter
from typing import NamedTuple

import numpy as np

from credkit.core.errors import CredkitError
from credkit.core.fields import Item
from credkit.core.sentences import format_count
from credkit.crosswalk.cards import Card
from credkit.crosswalk.credentials import distinct_credentials
from credkit.crosswalk.readers import ReaderFindings, ReaderText
from credkit.crosswalk.register import Register
from credkit.crosswalk.sightings import Sighting, Sightings
from credkit.crosswalk.verdicts import Verdict, Verdicts, other_issues
from credkit.facts.exceptions import ExceptionRow, make_exception
from credkit.facts.judged_texts import intern
from credkit.facts.numbers import Number
from credkit.facts.texts import SPREADSHEET_DIGITS, is_rounded
from credkit.files.times import to_datetime
from credkit.site.model import CredentialKind, Site


def list_unresolved(
    site: Site, register: Register, reader_findings: ReaderFindings, verdicts: Verdicts
) -> list[ExceptionRow]:
    """A row for each reading that is not resolved, in the order of the file."""
    beside: dict[int, list[str]] = defaultdict(list)
    for verdict in verdicts.others:
        if verdict.sighting.presentation and not verdict.code:
            beside[verdict.sighting.presentation] += distinct_credentials(verdict.cards)
    damaged = DamagedNumbers(register)
    known: dict[int, _Owners] = {}  # by the tuple of cards, one for many readings of a number
    found = []
    refused = [verdict for verdict in verdicts.others if verdict.code]
    for verdict, rows in zip(refused, _rows_of(verdicts.seen, refused), strict=True):
        sighting = verdict.sighting
        others = len(rows) - 1
        entry = f" (one entry with {format_count(others, 'other row')})" if others else ""
        cards = verdict.cards or verdict.owners
        owners = known.get(id(cards))
        if owners is None:
            owners = known[id(cards)] = _name_owners(cards)
        candidates = [f"{sighting.expected} (expected)"] if sighting.expected else []
        candidates += owners.credentials
        if not verdict.owners:
            candidates += dict.fromkeys(
                _candidates_for(register, damaged, reader_findings, verdict, beside.get(sighting.presentation, ()))
            )
        found += [
            make_exception(
                file=site.readings.name, line=row.line, code=verdict.code, text=row.text,
                reason=verdict.reason + entry, candidates=candidates,
                reader=sighting.reader.name, time=row.time.astimezone(site.zone),
                person=owners.person, credential=owners.credential,
                unmasked=sighting.reader.kind.not_payment is not None,
                holds_account=sighting.result is not None and sighting.result.payment.has_account,
            )
            for row in rows
        ]  # fmt: skip
    return sorted(found, key=attrgetter("line"))


class _Row(NamedTuple):
    """A row of the readings."""

    line: int
    time: datetime
    text: str


def _rows_of(seen: Sightings, verdicts: Sequence[Verdict]) -> Iterator[list[_Row]]:
    """The rows of the readings that each of ``verdicts`` is on."""
    places = [seen.row_places(verdict.sighting.place) for verdict in verdicts]
    found = seen.rows.select("line", "moment", "text")[np.array([row for each in places for row in each], np.int64)]
    which, texts = intern(found["text"])
    words = np.array(texts.to_list(), object)[which]  # each text once, however many rows have it
    columns = found["line"].to_list(), map(to_datetime, found["moment"].to_list()), words.tolist()
    rows = map(_Row._make, zip(*columns, strict=True))
    return (list(islice(rows, len(each))) for each in places)


class _Owners(NamedTuple):
    """The credentials of some cards; the one person and the one credential, if there is but one."""

    credentials: list[str]
    person: str
    credential: str


def _name_owners(cards: Sequence[Card]) -> _Owners:
    credentials = distinct_credentials(cards)
    people = {card.row.person for card in cards}
    return _Owners(
        credentials, people.pop() if len(people) == 1 else "", credentials[0] if len(credentials) == 1 else ""
    )


def _candidates_for(
    register: Register, damaged: DamagedNumbers, reader_findings: ReaderFindings, verdict: Verdict,
    beside: Sequence[str],
) -> Iterator[str]:  # fmt: skip
    """The candidates for a reading whose number no credential has."""
    sighting = verdict.sighting
    for credential in beside:
        yield f"{credential} (same presentation)"
    for card in other_issues(register, sighting):
        yield f"{card.credential} (another issue)"
    yield from reader_findings.candidates.get(ReaderText(sighting.reader.name, sighting.text), ())
    if verdict.number:
        for credential in distinct_credentials(register.superseded_owners.get(verdict.number, ())):
            yield f"{credential} (in a row that does not count)"
        for credential in damaged.credentials_of(sighting, verdict.number):
            yield f"{credential} (if a spreadsheet altered its value)"
        for credential in distinct_credentials(register.spaced_owners.get(verdict.number, ())):
            yield f"{credential} (white space stands around its value)"


class DamagedNumbers:
    """The rows that a spreadsheet altered, by the number that they had: with its zeros, or from its first 15 digits."""

    def __init__(self, register: Register) -> None:
        self._restored: dict[Number, list[str]] = defaultdict(list)
        self._rounded: dict[tuple[CredentialKind, int, str], list[str]] = defaultdict(list)
        for card in register.others.values():
            if card.restored:
                self._restored[card.restored].append(card.credential)
            elif card.code == "spreadsheet-damage" and is_rounded(card.row.value):
                self._rounded[_rounded_key(card.kind, card.row.value)].append(card.credential)
        self._kinds = {kind for kind, _, _ in self._rounded}

    def credentials_of(self, sighting: Sighting, number: Number) -> Iterator[str]:
        """The credentials whose altered value may have been that of a reading."""
        yield from self._restored.get(number, ())
        fields = sighting.result.fields if sighting.result else None
        for kind in self._kinds:
            if kind.namespace == number.namespace and fields is not None:
                yield from self._rounded.get(_rounded_key(kind, _write_value(kind, fields)), ())


def _write_value(kind: CredentialKind, fields: Mapping[str, Item]) -> str:
    """A number as the register writes it; empty where it cannot."""
    try:
        return str(kind.value.encode({name: fields[name] for name in kind.value.schema if name in fields}))
    except CredkitError:
        return ""


def _rounded_key(kind: CredentialKind, text: str) -> tuple[CredentialKind, int, str]:
    """What rounding leaves of a text: its length, and 14 digits; the 15th may have been rounded up."""
    return kind, len(text), text[: SPREADSHEET_DIGITS - 1]
