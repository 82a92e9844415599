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
from credkit.core.progress import SILENT, Progress
from credkit.core.sentences import redacted_repr
from credkit.crosswalk.causes import find_failures
from credkit.crosswalk.chain_trials import LEAST_NUMBERS
from credkit.crosswalk.known_numbers import KnownNumbers
from credkit.crosswalk.register import Register
from credkit.crosswalk.reset_findings import NO_RESETS, find_period_resets
from credkit.crosswalk.resets import TimedTexts
from credkit.crosswalk.result import Finding
from credkit.crosswalk.sightings import NO_TEXT, Sighting, Sightings
from credkit.crosswalk.verdicts import Verdict, Verdicts, count_rows
from credkit.facts.judged_texts import distinct_places
from credkit.facts.numbers import NO_NUMBER, Number
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


def analyse_readers(site: Site, register: Register, verdicts: Verdicts, progress: Progress = SILENT) -> ReaderFindings:
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
    progress.phase("looking for re-set readers and causes", total=len(groups), unit="readers")
    for place, group in enumerate(groups):
        progress.done(place)
        if not group:
            continue
        at = _PeriodAnalysis(register, seen, place, group)
        in_time, texts = at.places_in_time()
        resets = NO_RESETS
        if at.has_failures():
            timed = at.timed_texts(in_time, texts)
            resets = find_period_resets(site, at.reader, at.period, timed, known[at.kind.namespace])
        by_reset = {seen.at(int(in_time[each])): credentials for each, credentials in resets.explained.items()}
        findings += resets.findings
        explained |= by_reset
        doubtful |= {(at.reader.name, seen.texts.numbers[seen.texts.number[texts[text]]]) for text in resets.doubtful}
        for text, credentials in resets.candidates.items():
            candidates[ReaderText(at.reader.name, text)] += credentials
        for finding, likely in at.find_single_facility(texts, doubtful):
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

    def places_in_time(self) -> tuple[Array, Array]:
        """The sightings that have a text, in the order of time, and their different texts in the same order."""
        places = self.seen.in_period(self.place)
        places = places[self.seen.text[places] != NO_TEXT]
        places = places[np.argsort(self.seen.moment[places], kind="stable")]
        text = self.seen.text[places]
        first = np.full(len(self.seen.texts.texts), len(text))
        first[text[::-1]] = np.arange(len(text))[::-1]
        texts = distinct_places(text, len(first))
        return places, texts[np.argsort(first[texts])]

    def has_failures(self) -> bool:
        """Whether so many different texts fail that another chain could be claimed."""
        places = np.array([each.sighting.place for each in self.verdicts], np.int64)
        places = places[self.seen.text[places] != NO_TEXT]
        text = self.seen.text[places]
        is_known = self.register.owners.known_among(self.seen.texts.number[text]) != NO_NUMBER
        asked = np.isin(places, list(self.seen.expected))
        return len(np.unique(text[~is_known | asked])) >= LEAST_NUMBERS

    def timed_texts(self, places: Array, texts: Array) -> TimedTexts:
        """The sightings at ``places`` and their different ``texts``, both in the order of time, as columns."""
        judged, expected = self.seen.texts, self.seen.expected
        order = np.empty(len(judged.texts), np.int64)
        order[texts] = np.arange(len(texts))
        other_issues = [self.seen.text[each.sighting.place] for each in self.verdicts if each.code == "other-issue"]
        asked = np.flatnonzero(np.isin(places, list(expected)))
        return TimedTexts(
            texts=judged.texts.gather(texts), numbers=self.register.owners.known_among(judged.number[texts]),
            is_other_issue=np.isin(texts, other_issues),
            text=order[self.seen.text[places]],
            moments=self.seen.moment[places], rows=self.seen.count_rows(places),
            expected={place: expected[int(places[place])] for place in asked.tolist()},
        )  # fmt: skip

    def find_single_facility(self, texts: Array, doubtful: set[tuple[str, Number]]) -> Iterator[Suggestion]:
        """A key field that never changes in ``texts``, though the cards that were read seem to differ in it.

        Numbers that are resolved, but could then be another card's, are added to ``doubtful``.
        """
        strange = [
            (verdict, verdict.number)
            for verdict in self.verdicts
            if verdict.number and verdict.code in VALID_BUT_UNKNOWN
        ]
        unknown = {number.values for _, number in strange}
        if len(unknown) < LEAST_TEXTS or len(self.kind.key) < 2:
            return
        numbers = np.unique(self.seen.texts.number[texts])
        numbers = numbers[numbers != NO_NUMBER].tolist()
        if len(numbers) < 2 * LEAST_TEXTS:
            return
        first = self.values(numbers[0])
        for place, name in enumerate(self.kind.key):
            if any(self.values(number)[place] != first[place] for number in numbers):
                continue
            own = set(map(self.values, numbers))
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
                f"every number read has {name} {redacted_repr(first[place])}; {count:,} of "
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

    def values(self, number: int) -> NumberValues:
        """The fields of a number, given by its place."""
        return self.seen.texts.numbers[number].values

    def siblings(
        self, place: int, numbers: Collection[NumberValues]
    ) -> dict[NumberValues, list[tuple[str, NumberValues]]]:
        """The credentials whose number is one of ``numbers`` but for one field, by the rest; with their numbers."""
        rests = {_without_field(number, place) for number in numbers}
        found: dict[NumberValues, dict[str, NumberValues]] = defaultdict(dict)
        for number in self.register.owners.numbers_in(self.kind.namespace):
            if (rest := _without_field(number.values, place)) in rests:
                cards = self.register.owners[number]
                found[rest].update((card.credential, number.values) for card in cards)
        return {rest: sorted(them.items(), key=lambda card: card[1]) for rest, them in found.items()}


def _without_field(number: NumberValues, place: int) -> NumberValues:
    """The fields of a number without one of them."""
    return (*number[:place], *number[place + 1 :])
