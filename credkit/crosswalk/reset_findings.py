"""What is said of a reader that was re-set, or emits another chain: since when, which chains fit, what to write.

A reader that has its bits in another order all along is `other-order`, one that emits another chain all along
`other-chain`. One that does so for a time is `re-set`, and so is one that fails from a moment on without a chain that
explains it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from credkit.core.sentences import format_count, join_values, redacted_repr
from credkit.crosswalk.chain_trials import Places
from credkit.crosswalk.known_numbers import KnownNumbers
from credkit.crosswalk.resets import FailingStretch, Reset, TimedTexts, find_resets
from credkit.crosswalk.result import Finding
from credkit.crosswalk.sightings import format_moment
from credkit.explain.diagnosis import KEYBOARD_CAUSE
from credkit.site.model import CredentialKind, Period, Reader, Site
from credkit.work.cures import ReaderChain, cut_period, reader_lines

MOST_SAMPLES = 3  # texts that a finding shows
MOST_CHAINS_NAMED = 4  # that explain the texts equally well


@dataclass(frozen=True, slots=True, kw_only=True)
class PeriodResets:
    """Findings on one period of a reader; by text the credentials that it may be, and by reading what explains it.

    ``doubtful`` are the different texts, by place, of which the declared chain gives a number, though the other chain
    makes another card's of them. A reading that a chain explains as the credential that the desk expected contradicts
    nobody.
    """

    findings: tuple[Finding, ...]
    candidates: Mapping[str, tuple[str, ...]]
    explained: Mapping[int, frozenset[str]]
    doubtful: frozenset[int]


NO_RESETS = PeriodResets(findings=(), candidates={}, explained={}, doubtful=frozenset())


def find_period_resets(
    site: Site, reader: Reader, period: Period, seen: TimedTexts, known: KnownNumbers
) -> PeriodResets:
    """What the readings of one ``period`` of a reader show of chains that it emits instead of the declared one."""
    others = [
        each.codec
        for other in site.readers.values()
        for each in other.periods
        if each is not period and other.kind.namespace == reader.kind.namespace
    ]
    found = find_resets(period.codec, reader.kind, seen, known, others)
    findings = [_describe_reset(site, reader, period, reset, seen, known) for reset in found.resets]
    if found.failing:
        findings.append(_describe_failing(site, reader, found.failing, seen))
    candidates: dict[str, dict[str, None]] = {}
    explained: dict[int, frozenset[str]] = {}
    for reset in found.resets:
        credentials = [frozenset(each for _, them in how.credentials for each in them) for how in reset.explanations]
        explained |= zip(reset.places.tolist(), map(credentials.__getitem__, reset.which.tolist()), strict=True)
        for text, named in reset.explanations:
            words = candidates.setdefault(text, {})
            for other, them in named:
                words |= {f"{each} (if {other.text})": None for each in them}
    return PeriodResets(
        findings=tuple(findings), candidates={text: tuple(words) for text, words in candidates.items()},
        explained=explained, doubtful=frozenset(text for reset in found.resets for text in reset.doubtful.tolist()),
    )  # fmt: skip


def _describe_reset(
    site: Site, reader: Reader, period: Period, reset: Reset, seen: TimedTexts, known: KnownNumbers
) -> Finding:
    """The finding on readings that other chains explain."""
    count = int(seen.rows[reset.places].sum())
    words = [other.text for other in reset.chains[:MOST_CHAINS_NAMED]]
    more = len(reset.chains) - len(words)
    equally = ", or equally if ".join(words) + (f", or equally by {more:,} other chains" if more else "")
    is_order = reset.chains[0].cause not in ("", KEYBOARD_CAUSE)
    fits = f"{count:,} of {reset.failing:,} unresolved readings match known credentials if {equally}"
    samples = _describe_samples(reader.kind, reset, known)
    cure = ReaderChain(
        reader=reader.name, chain=_simplest_chain(reset), since=reset.since or period.start,
        until=reset.until or period.end, explained=count, unresolved=reset.failing, alternatives=len(reset.chains) - 1,
    )  # fmt: skip
    lines = tuple(reader_lines(site, reader.name, list(cut_period(period, (cure,)))))
    if reset.since is None and reset.until is None:
        days = _describe_days(site, seen, reset.places)
        return Finding(
            code="other-order" if is_order else "other-chain", subject=reader.name, count=count,
            text=f"{fits} ({days})" if is_order else f"{fits} ({days}): {samples}",
            lines=() if reset.mixed else lines, cure=None if reset.mixed else cure,
        )  # fmt: skip
    when = _describe_span(site, reset.since, reset.until, reset.last_good)
    return Finding(
        code="re-set", subject=reader.name, count=count,
        text=f"{when}, {fits}: {samples}; check how the reader is set, then declare its periods instead of its chain:",
        lines=lines, cure=cure,
    )  # fmt: skip


def _simplest_chain(reset: Reset) -> str:
    """Of the chains that read alike, the first one with the fewest steps."""
    readings = [dict(each.credentials) for each in reset.explanations]
    alike = [other for other in reset.chains if all(each.get(other) == each.get(reset.chains[0]) for each in readings)]
    return min((other.codec.name for other in alike), key=lambda name: name.count("/"))


def _describe_failing(site: Site, reader: Reader, failing: FailingStretch, seen: TimedTexts) -> Finding:
    """The finding on readings that fail from a moment on, which no chain explains."""
    texts = seen.different_texts(failing.places)
    samples = ", ".join(map(redacted_repr, seen.texts.gather(texts[:MOST_SAMPLES]).to_list()))
    when = _describe_span(site, failing.since, failing.until, failing.last_good)
    different = format_count(len(texts), "different text")
    text = (
        f"{when}, {failing.failing:,} of {format_count(failing.total, 'reading')} are unresolved, {different} (such as "
        f"{samples}); none of {failing.tried:,} chains that were tried explains them; ask who changed the reader then"
    )
    return Finding(code="re-set", subject=reader.name, count=failing.failing, text=text)


def _describe_span(site: Site, since: datetime | None, until: datetime | None, last_good: datetime | None) -> str:
    """From when to when, by the site's clocks."""
    start = f"from {format_moment(site, since)}" if since else "from the first reading"
    end = f" until {format_moment(site, until)}" if until else " on"
    return start + end + (f" (the last good reading before: {format_moment(site, last_good)})" if last_good else "")


def _describe_days(site: Site, seen: TimedTexts, places: Places) -> str:
    """On which days readings at ``places`` were, by the site's clocks; these are in the order of time."""
    first, last = (seen.moment_of(place).astimezone(site.zone).date() for place in (places[0], places[-1]))
    return f"read on {first}" if first == last else f"read from {first} to {last}"


def _describe_samples(kind: CredentialKind, reset: Reset, known: KnownNumbers) -> str:
    """A few different texts, and what the first chain makes of each."""
    first = reset.chains[0]
    found: dict[str, str] = {}
    for text, named in reset.explanations:
        if len(found) == MOST_SAMPLES:
            break
        if text not in found and (credentials := dict(named).get(first)):
            number = redacted_repr(known.form(kind.number_in(first.codec._decode_raw(text))))
            found[text] = f"{redacted_repr(text)} is {number}, {join_values(credentials, 'or')}"
    return "; ".join(found.values())
