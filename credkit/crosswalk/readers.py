"""Readers: what many readings of one reader show together.

The reader that sends its bits in another order, and the one that gives one facility code for
every card. Both are told by the cards they would be if it were so. All of it runs over the
different texts of a reader, each tried once, and all of it is a proposal to check at the reader.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from credkit.core.codec import AnyCodec
from credkit.core.fields import Item
from credkit.core.sentences import redacted_repr
from credkit.crosswalk.causes import find_failures
from credkit.crosswalk.register import Number, Register
from credkit.crosswalk.result import Finding
from credkit.crosswalk.texts import branches
from credkit.crosswalk.verdicts import Verdict, count_rows
from credkit.explain.diagnosis import order_alternatives
from credkit.site.model import CredentialKind, Period, Reader, Site

UNRESOLVED = ("unreadable", "check-failed", "unexpected-value", "unknown-card")
VALID_BUT_UNKNOWN = ("unexpected-value", "unknown-card")  # good numbers that are nobody's
NumberValues = tuple[Item, ...]  # the fields that make a number
LEAST_TEXTS = 3  # different texts before anything is said of a reader


class ReaderPeriod(NamedTuple):
    """A reader, and which of its periods, counted from 0."""

    reader: str
    period: int


class ReaderText(NamedTuple):
    """A text of a reader."""

    reader: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReaderFindings:
    """Findings on readers; candidates for their texts; numbers that are ambiguous there.

    ``explained`` has the credentials that a text shows if its reader is set as a finding says.
    """

    findings: tuple[Finding, ...]
    candidates: Mapping[ReaderText, tuple[str, ...]]
    doubtful: frozenset[tuple[str, Number]]
    explained: Mapping[ReaderText, frozenset[str]]


def analyse_readers(site: Site, register: Register, verdicts: Sequence[Verdict]) -> ReaderFindings:
    """Findings, candidates and ambiguous numbers from the readings of each reader and period."""
    groups: dict[ReaderPeriod, list[Verdict]] = {
        ReaderPeriod(reader.name, place): [] for reader in site.readers.values() for place in range(len(reader.periods))
    }
    for verdict in verdicts:
        reader = verdict.sighting.reader
        groups[ReaderPeriod(reader.name, reader.periods.index(verdict.sighting.period))].append(verdict)
    findings: list[Finding] = []
    candidates: dict[ReaderText, list[str]] = defaultdict(list)
    explained: dict[ReaderText, set[str]] = defaultdict(set)
    doubtful: set[tuple[str, Number]] = set()
    for group in groups.values():
        if not group:
            continue
        at = _PeriodAnalysis(site, register, group)
        for finding, suggested in (*at.find_other_order(), *at.find_single_facility(doubtful)):
            findings.append(finding)
            for text, likely in suggested.items():
                where = ReaderText(at.reader.name, text)
                candidates[where] += [f"{credential} (if {condition})" for credential, condition in likely]
                explained[where].update(credential for credential, _ in likely)
        findings += find_failures(site, at.period.codec, at.reader.name, group)
    return ReaderFindings(
        findings=tuple(findings), candidates={key: tuple(them) for key, them in candidates.items()},
        doubtful=frozenset(doubtful), explained={key: frozenset(them) for key, them in explained.items()},
    )  # fmt: skip


class Candidate(NamedTuple):
    """A credential that a text may show, and the condition under which it does."""

    credential: str
    condition: str


class Suggestion(NamedTuple):
    """A finding, and for each text the credentials that it may be."""

    finding: Finding
    candidates: Mapping[str, list[Candidate]]


class _PeriodAnalysis:
    """The verdicts on one reader in one period."""

    def __init__(self, site: Site, register: Register, verdicts: list[Verdict]) -> None:
        self.site = site
        self.register = register
        self.verdicts = verdicts
        self.reader: Reader = verdicts[0].sighting.reader
        self.period: Period = verdicts[0].sighting.period
        self.kind: CredentialKind = self.reader.kind

    def texts(self, *codes: str) -> Counter[str]:
        """The different texts with one of these codes, with the number of rows of each."""
        found: Counter[str] = Counter()
        for verdict in self.verdicts:
            if verdict.code in codes:
                found[verdict.sighting.text] += len(verdict.sighting.rows)
        return found

    def find_other_order(self) -> Iterator[Suggestion]:
        """The orders under which unresolved texts are known cards: all that explain the most."""
        unresolved = self.texts(*UNRESOLVED)
        if len(unresolved) < LEAST_TEXTS:
            return
        tried: dict[str, tuple[str, dict[str, list[str]]]] = {}
        for branch in branches(self.period.codec):
            for other in order_alternatives(branch):
                hits = self.match_credentials(other.codec, unresolved)
                if any(other.cause.startswith(f"{cause}-") and hits == same for cause, (_, same) in tried.items()):
                    continue  # what reads either way round takes both of a pair
                better = other.cause not in tried or len(hits) > len(tried[other.cause][1])
                if better and self.is_beyond_chance(other.codec, len(hits), len(unresolved)):
                    tried[other.cause] = (other.text, hits)
        rows = {cause: sum(unresolved[text] for text in hits) for cause, (_, hits) in tried.items()}
        most = max(rows.values(), default=0)
        best = [tried[cause] for cause, count in rows.items() if count == most]
        if not best:
            return
        explained = {text for _, hits in best for text in hits}
        message = (
            f"{most:,} of {unresolved.total():,} unresolved readings match known credentials "
            f"{', or equally '.join(f'if {words}' for words, _ in best)}{self.describe_days(explained)}"
        )
        suggested: dict[str, list[Candidate]] = defaultdict(list)
        for words, hits in best:
            for text, credentials in hits.items():
                suggested[text] += [Candidate(credential, words) for credential in credentials]
        finding = Finding(code="other-order", subject=self.reader.name, count=most, text=message)
        yield Suggestion(finding, suggested)

    def match_credentials(self, codec: AnyCodec, texts: Iterable[str]) -> dict[str, list[str]]:
        """The texts that ``codec`` reads as the number of known credentials, with these."""
        read = ((text, codec._decode_raw(text)) for text in texts)
        numbers = {text: self.kind.number_in(fields) for text, fields in read if fields}
        found = {}
        for text, number in numbers.items():
            if cards := self.register.owners.get(Number(self.kind.namespace, number)):
                found[text] = list(dict.fromkeys(card.credential for card in cards))
        return found

    def is_beyond_chance(self, codec: AnyCodec, hits: int, tried: int) -> bool:
        """Whether so many hits cannot be accidents.

        At least a quarter of the unresolved texts, and at least twice the share of the texts that
        are resolved as they stand and that ``codec`` reads as other known credentials.
        """
        if hits < LEAST_TEXTS or hits * 4 < tried:
            return False
        resolved = self.match_credentials(self.period.codec, self.texts(""))
        others = self.match_credentials(codec, resolved)
        accidents = sum(credentials != resolved[text] for text, credentials in others.items())
        return not resolved or hits / tried >= 2 * accidents / len(resolved)

    def describe_days(self, texts: set[str]) -> str:
        """When the unresolved among ``texts`` were read: that tells a reader that was re-set."""
        moments = sorted(
            verdict.sighting.moment
            for verdict in self.verdicts
            if verdict.code in UNRESOLVED and verdict.sighting.text in texts
        )
        first, last = (moment.astimezone(self.site.zone).date() for moment in (moments[0], moments[-1]))
        return f" (read on {first})" if first == last else f" (read from {first} to {last})"

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
        own = {verdict.number.values for verdict in self.verdicts if verdict.number}
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
                    verdict.sighting.text: [
                        Candidate(credential, f"{name} is {redacted_repr(number[place])}")
                        for credential, number in cards
                    ]
                    for verdict, cards in hits
                },
            )

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
