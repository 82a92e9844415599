"""Unresolved readings: their rows of exceptions.csv, with the credentials that they might be.

Candidates come from what is known besides the text: what the desk expected, what else was read
from the card while it was held, what the reader would show if it were set otherwise, and rows of a
register that does not count. They are for a person to judge.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence

from credkit.core.sentences import format_count
from credkit.crosswalk.credentials import distinct_credentials
from credkit.crosswalk.readers import ReaderFindings, ReaderText
from credkit.crosswalk.register import Register
from credkit.crosswalk.result import ExceptionRow, make_exception
from credkit.crosswalk.verdicts import Verdict, other_issues
from credkit.site.model import Site


def list_unresolved(
    site: Site, register: Register, reader_findings: ReaderFindings, verdicts: Sequence[Verdict]
) -> list[ExceptionRow]:
    """A row for each reading that is not resolved, in the order of the file."""
    beside: dict[int, list[str]] = defaultdict(list)
    for verdict in verdicts:
        if verdict.sighting.presentation and not verdict.code:
            beside[verdict.sighting.presentation] += distinct_credentials(verdict.cards)
    owners: dict[int, list[str]] = {}  # by the tuple of cards, one for many readings of a number
    found = []
    for verdict in verdicts:
        if not verdict.code:
            continue
        sighting = verdict.sighting
        others = len(sighting.rows) - 1
        entry = f" (one entry with {format_count(others, 'other row')})" if others else ""
        cards = verdict.cards or verdict.owners
        if id(cards) not in owners:
            owners[id(cards)] = distinct_credentials(cards)
        candidates = [f"{sighting.expected} (expected)"] if sighting.expected else []
        candidates += owners[id(cards)]
        if not verdict.owners:
            candidates += dict.fromkeys(
                _candidates_for(register, reader_findings, verdict, beside.get(sighting.presentation, ()))
            )
        people = list(dict.fromkeys(card.row.person for card in cards))
        found += [
            make_exception(
                file=site.readings.name, line=row.line, code=verdict.code, text=row.text,
                reason=verdict.reason + entry, candidates=candidates,
                reader=sighting.reader.name, time=row.time.astimezone(site.zone),
                person=people[0] if len(people) == 1 else "",
                credential=owners[id(cards)][0] if len(owners[id(cards)]) == 1 else "",
                unmasked=sighting.reader.kind.not_payment is not None,
                holds_account=sighting.result is not None and sighting.result.payment.has_account,
            )
            for row in sighting.rows
        ]  # fmt: skip
    return sorted(found, key=lambda each: each.line)


def _candidates_for(
    register: Register, reader_findings: ReaderFindings, verdict: Verdict, beside: Sequence[str]
) -> Iterator[str]:
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
