"""Unresolved readings: their rows of exceptions.csv, with the credentials that they might be.

Candidates come from what is known besides the text: what the desk expected, what else was read
from the card while it was held, what the reader would show if it were set otherwise, and rows of a
register that does not count. They are for a person to judge.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence

from credkit.crosswalk.credentials import distinct
from credkit.crosswalk.readers import Shown
from credkit.crosswalk.register import Register
from credkit.crosswalk.result import Exceptional, counted, excepted
from credkit.crosswalk.verdicts import Verdict, other_issues
from credkit.site.model import Site


def unresolved(site: Site, register: Register, together: Shown, verdicts: Sequence[Verdict]) -> list[Exceptional]:
    """A row for each reading that is not resolved, in the order of the file."""
    beside: dict[int, list[str]] = defaultdict(list)
    for verdict in verdicts:
        if verdict.sighting.presentation and not verdict.code:
            beside[verdict.sighting.presentation] += distinct(verdict.cards)
    owners: dict[int, list[str]] = {}  # by the tuple of cards, one for many readings of a number
    found = []
    for verdict in verdicts:
        if not verdict.code:
            continue
        sighting = verdict.sighting
        others = len(sighting.rows) - 1
        entry = f" (one entry with {counted(others, 'other row')})" if others else ""
        cards = verdict.cards or verdict.known
        if id(cards) not in owners:
            owners[id(cards)] = distinct(cards)
        candidates = [f"{sighting.expected} (expected)"] if sighting.expected else []
        candidates += owners[id(cards)]
        if not verdict.known:
            candidates += dict.fromkeys(_others(register, together, verdict, beside.get(sighting.presentation, ())))
        found += [
            excepted(
                file=site.readings.name, line=row.line, code=verdict.code, text=row.text,
                reason=verdict.reason + entry, candidates=candidates,
                plain=sighting.reader.kind.not_payment is not None,
                secret=sighting.told is not None and sighting.told.payment.account,
            )
            for row in sighting.rows
        ]  # fmt: skip
    return sorted(found, key=lambda each: each.line)


def _others(register: Register, together: Shown, verdict: Verdict, beside: Sequence[str]) -> Iterator[str]:
    """Who may be meant where the number itself is nobody's."""
    sighting = verdict.sighting
    for credential in beside:
        yield f"{credential} (same presentation)"
    for card in other_issues(register, sighting):
        yield f"{card.credential} (another issue)"
    yield from together.candidates.get((sighting.reader.name, sighting.text), ())
    if verdict.number:
        for credential in register.passed_over.get(verdict.number, ()):
            yield f"{credential} (in a row that does not count)"
