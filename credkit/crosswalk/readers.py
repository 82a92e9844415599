"""Readers: what many readings of one reader show together.

The reader that emits another chain than is declared (`credkit.crosswalk.resets`), and the one that gives one facility
code for every card. Both are known by the cards they would be if it were so. All of it runs over the different texts
of a reader, each tried once, and all of it is a proposal to check at the reader.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from credkit.bulk.words import Array
from credkit.core.fields import Item
from credkit.core.sentences import redacted_repr
from credkit.crosswalk.causes import find_failures
from credkit.crosswalk.known_numbers import KnownNumbers
from credkit.crosswalk.register import Register
from credkit.crosswalk.reset_findings import find_period_resets
from credkit.crosswalk.resets import TimedTexts
from credkit.crosswalk.result import Finding
from credkit.crosswalk.sightings import NO_TEXT, Sighting, Sightings
from credkit.crosswalk.verdicts import Verdict, Verdicts, count_rows
from credkit.facts.judged_texts import NO_NUMBER
from credkit.facts.numbers import Number
from credkit.site.model import CredentialKind, Site

VALID_BUT_UNKNOWN = ("unexpected-value", "unknown-card")  # good numbers that are nobody's
NumberValues = tuple[Item, ...]  # the fields that make a number
LEAST_TEXTS = 3  # different texts before anything is said of a reader


class ReaderText(NamedTuple):
    """A text of a reader."""

    reader: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReaderFindings:
    """Findings on readers; candidates for their texts; numbers that are ambiguous there.

    ``explained`` has the sightings that another chain of their reader explains, with the credentials that it gives:
    such a reading does not contradict a desk that expected one of them.
    """

    findings: tuple[Finding, ...]
    candidates: Mapping[ReaderText, tuple[str, ...]]
    doubtful: frozenset[tuple[str, Number]]
    explained: Mapping[Sighting, frozenset[str]]


def analyse_readers(site: Site, register: Register, verdicts: Verdicts) -> ReaderFindings:
    """Findings, candidates and ambiguous numbers from the readings of each reader and period."""
    seen = verdicts.seen
    groups: list[list[Verdict]] = [[] for _ in seen.periods]
    for verdict in verdicts.others:
        groups[seen.period[verdict.sighting.place]].append(verdict)
    findings: list[Finding] = []
    candidates: dict[ReaderText, list[str]] = defaultdict(list)
    doubtful: set[tuple[str, Number]] = set()
    explained: dict[Sighting, frozenset[str]] = {}
    known = {kind.namespace: KnownNumbers(register.owners, kind.namespace) for kind in site.kinds.values()}
    for place, group in enumerate(groups):
        if not group:
            continue
        at = _PeriodAnalysis(register, seen, place, group)
        readings = at.in_time()
        resets = find_period_resets(site, at.reader, at.period, at.timed_texts(readings), known[at.kind.namespace])
        by_reset = {seen.at(int(readings[each])): credentials for each, credentials in resets.explained.items()}
        findings += resets.findings
        explained |= by_reset
        doubtful |= {
            (at.reader.name, seen.texts.numbers[number]) for number in at.numbers_of(readings, resets.doubtful)
        }
        for text, credentials in resets.candidates.items():
            candidates[ReaderText(at.reader.name, text)] += credentials
        for finding, likely in at.find_single_facility(doubtful):
            findings.append(finding)
            for sighting, named in likely.items():
                where = ReaderText(at.reader.name, sighting.text)
                candidates[where] += [f"{credential} (if {condition})" for credential, condition in named]
                explained[sighting] = frozenset(credential for credential, _ in named)
        findings += find_failures(site, at.period.codec, at.reader.name, group, by_reset, resets.findings)
    return ReaderFindings(
        findings=tuple(findings), candidates={key: tuple(dict.fromkeys(them)) for key, them in candidates.items()},
        doubtful=frozenset(doubtful), explained=explained,
    )  # fmt: skip


class Candidate(NamedTuple):
    """A credential that a text may show, and the condition under which it does."""

    credential: str
    condition: str


class Suggestion(NamedTuple):
    """A finding, and for each sighting the credentials that it may be of."""

    finding: Finding
    candidates: Mapping[Sighting, list[Candidate]]


class _PeriodAnalysis:
    """The verdicts on one reader in one period."""

    def __init__(self, register: Register, seen: Sightings, place: int, verdicts: list[Verdict]) -> None:
        self.register = register
        self.seen = seen
        self.verdicts = verdicts
        self.place = place
        self.reader, self.period, _ = seen.periods[place]
        self.kind: CredentialKind = self.reader.kind

    def in_time(self) -> Array:
        """The places of its sightings that have a text, in the order of time."""
        places = self.seen.in_period(self.place)
        places = places[self.seen.text[places] != NO_TEXT]
        in_time: Array = places[np.argsort(self.seen.moment[places], kind="stable")]
        return in_time

    def timed_texts(self, readings: Array) -> TimedTexts:
        """The ``readings``, places in the order of time, for the search for other chains."""
        seen, texts = self.seen, self.seen.texts
        different, text = self._different(readings)
        other_issue = {int(seen.text[each.sighting.place]) for each in self.verdicts if each.code == "other-issue"}
        own = texts.number[different].tolist()
        return TimedTexts(
            texts=[texts.texts[each] for each in different.tolist()],
            credentials=[() if each == NO_NUMBER else self._credentials(texts.numbers[each]) for each in own],
            is_other_issue=np.isin(different, list(other_issue)),
            text=text, moments=seen.moment[readings], rows=seen.count_rows(readings),
            expected={
                place: seen.expected[each] for place, each in enumerate(readings.tolist()) if each in seen.expected
            } if seen.expected else {},
        )  # fmt: skip

    def _different(self, readings: Array) -> tuple[Array, Array]:
        """The different texts of readings, in the order of these, and which of them each reading has."""
        sorted_texts, first, which = np.unique(self.seen.text[readings], return_index=True, return_inverse=True)
        order = np.argsort(first)
        place = np.empty(len(order), np.int64)
        place[order] = np.arange(len(order))
        return sorted_texts[order], place[which]

    def _credentials(self, number: Number) -> tuple[str, ...]:
        return tuple(dict.fromkeys(card.credential for card in self.register.owners.get(number, ())))

    def numbers_of(self, readings: Array, texts: Collection[int]) -> list[int]:
        """The numbers of some of the different texts of readings."""
        numbers = (
            self.seen.texts.number[self._different(readings)[0][sorted(texts)]] if texts else np.zeros(0, np.int64)
        )
        return [number for number in numbers.tolist() if number != NO_NUMBER]

    def find_single_facility(self, doubtful: set[tuple[str, Number]]) -> Iterator[Suggestion]:
        """A key field that never changes here, though the cards that were read seem to differ in it.

        Numbers that are resolved, but could then be another card's, are added to ``doubtful``.
        """
        strange = [
            (verdict, verdict.number)
            for verdict in self.verdicts
            if verdict.number and verdict.code in VALID_BUT_UNKNOWN
        ]
        unknown = {number.values for _, number in strange}
        if len(unknown) < LEAST_TEXTS:
            return
        own = self.numbers()
        if len(own) < 2 * LEAST_TEXTS:
            return
        for place, name in enumerate(self.kind.key if len(self.kind.key) > 1 else ()):
            values = {number[place] for number in own}
            if len(values) > 1:
                continue
            siblings = self.siblings(place, unknown)
            hits = [
                (verdict, siblings[rest])
                for verdict, number in strange
                if (rest := _without_field(number.values, place)) in siblings
            ]
            matched = {verdict.number for verdict, _ in hits}
            if len(matched) < LEAST_TEXTS or 2 * len(matched) < len(unknown):
                continue
            theirs = sorted({number[place] for _, cards in hits for _, number in cards})
            count = count_rows(verdict for verdict, _ in hits)
            message = (
                f"every number read has {name} {redacted_repr(values.pop())}; {count:,} of "
                f"{count_rows(verdict for verdict, _ in strange):,} unresolved "
                f"readings match known credentials with {name} {' or '.join(map(redacted_repr, theirs))}"
            )
            siblings |= self.siblings(place, own)
            doubtful |= {
                (self.reader.name, Number(self.kind.namespace, number))
                for number in own
                if any(other != number for _, other in siblings.get(_without_field(number, place), ()))
            }
            yield Suggestion(
                Finding(code="single-facility", subject=self.reader.name, count=count, text=message),
                {
                    verdict.sighting: [
                        Candidate(credential, f"{name} is {redacted_repr(number[place])}")
                        for credential, number in cards
                    ]
                    for verdict, cards in hits
                },
            )

    def numbers(self) -> set[NumberValues]:
        """The different numbers that were read."""
        text = self.seen.text[self.seen.in_period(self.place)]
        number = self.seen.texts.number[np.unique(text[text != NO_TEXT])]
        return {self.seen.texts.numbers[each].values for each in np.unique(number[number != NO_NUMBER]).tolist()}

    def siblings(
        self, place: int, numbers: Collection[NumberValues]
    ) -> dict[NumberValues, list[tuple[str, NumberValues]]]:
        """The credentials whose number is one of ``numbers`` but for one field, by the rest; with their numbers."""
        rests = {_without_field(number, place) for number in numbers}
        found: dict[NumberValues, dict[str, NumberValues]] = defaultdict(dict)
        for (namespace, number), cards in self.register.owners.items():
            if namespace == self.kind.namespace and (rest := _without_field(number, place)) in rests:
                found[rest].update((card.credential, number) for card in cards)
        return {rest: sorted(them.items(), key=lambda card: card[1]) for rest, them in found.items()}


def _without_field(number: NumberValues, place: int) -> NumberValues:
    """The fields of a number without one of them."""
    return (*number[:place], *number[place + 1 :])
