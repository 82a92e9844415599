"""Findings that count rows: what many exceptions, and many cards nobody saw, come to."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import islice

from credkit.core.sentences import redacted_repr
from credkit.crosswalk.crowd import NOBODY, Crowd
from credkit.crosswalk.evidence import Evidence
from credkit.crosswalk.register import ACTIVE, Card, Register, state
from credkit.crosswalk.result import Exceptional, Finding, counted, named
from credkit.crosswalk.verdicts import Verdict, reads_of, rows_of
from credkit.privacy.accounts import masked
from credkit.site.model import Site

FEW = 5  # lines that one sentence names


def of_readings(site: Site, verdicts: Sequence[Verdict]) -> Iterator[Finding]:
    """What the unresolved readings of each reader, and of each credential, come to."""
    codes: dict[tuple[str, str], list[Verdict]] = defaultdict(list)
    inactive: dict[str, list[Verdict]] = defaultdict(list)
    disputed: dict[str, list[Verdict]] = defaultdict(list)
    for verdict in verdicts:
        where = verdict.sighting.reader.name
        codes[where, verdict.code].append(verdict)
        if verdict.code != "refused-note" and verdict.sighting.told and verdict.sighting.told.refused:
            codes[where, "refused-note"].append(verdict)
        if verdict.code == "inactive-read":
            inactive[verdict.cards[0].credential].append(verdict)
        for credential in verdict.blamed:
            disputed[credential].append(verdict)
    for reader in site.readers.values():
        for code, (finding, say) in _SAID.items():
            if them := codes.get((reader.name, code)):
                yield Finding(code=finding, subject=reader.name, count=rows_of(them), text=say(them))
    for credential, them in disputed.items():
        yield Finding(
            code="conflict", subject=masked(credential), count=rows_of(them),
            text="; ".join(dict.fromkeys(verdict.reason for verdict in them)),
        )  # fmt: skip
    for credential, them in inactive.items():
        places = Counter(verdict.sighting.reader.name for verdict in them for _ in verdict.sighting.rows)
        last = max(verdict.sighting.moment for verdict in them).astimezone(site.zone)
        read = ", ".join(f"{name} {count}" for name, count in places.items())
        yield Finding(
            code="inactive-read", subject=masked(credential), count=rows_of(them),
            text=f"{them[-1].reason}; {reads_of(them)} ({read}), the last on {last:%Y-%m-%d}",
        )  # fmt: skip


def _unknown(them: Sequence[Verdict]) -> str:
    numbers = {verdict.number for verdict in them if verdict.number}
    return f"{reads_of(them)} of {counted(len(numbers), 'number')} that no credential has"


def _other_issues(them: Sequence[Verdict]) -> str:
    return _reasons(them, "other cards")


def _strange(them: Sequence[Verdict]) -> str:
    return _reasons(them, "other values")


def _noted(them: Sequence[Verdict]) -> str:
    notes = dict.fromkeys(verdict.sighting.told.refused for verdict in them if verdict.sighting.told)
    refused = sum(verdict.code == "refused-note" for verdict in them)
    done = "refused" if refused == len(them) else "counted, not refused"
    return f"{reads_of(them)} {done}: {'; '.join(notes)}"


def _unfinished(them: Sequence[Verdict]) -> str:
    return f"{_reasons(them, 'other reasons')} ({counted(rows_of(them), 'row')} in all)"


def _reasons(them: Sequence[Verdict], others: str) -> str:
    """The most frequent reasons, with how often each occurs."""
    counts = Counter(verdict.reason for verdict in them)
    first = "; ".join(f"{reason} ({count:,})" for reason, count in counts.most_common(3))
    more = counts.total() - sum(count for _, count in counts.most_common(3))
    return f"{first}; {others} ({more:,})" if more else first


_SAID = {
    "unknown-card": ("unknown-cards", _unknown),
    "other-issue": ("other-issue", _other_issues),
    "unexpected-value": ("unexpected-value", _strange),
    "refused-note": ("refused-note", _noted),
    "incomplete-entry": ("incomplete-entry", _unfinished),
}


def of_rows(exceptions: Iterable[Exceptional]) -> Iterator[Finding]:
    """Files that a spreadsheet damaged, and registers of which rows do not count."""
    files: dict[tuple[str, str], list[Exceptional]] = defaultdict(list)
    for each in exceptions:
        files[each.file, each.code].append(each)
    for (file, code), them in files.items():
        if code == "spreadsheet-damage":
            text = f"back to the source with {_lines(them)}"
            yield Finding(code=code, subject=file, count=len(them), text=text)
        elif code == "superseded":
            text = f"{counted(len(them), 'row')} beside which another counts: {_lines(them)}"
            yield Finding(code=code, subject=file, count=len(them), text=text)


def _lines(them: Sequence[Exceptional]) -> str:
    """Where to look: the first few lines, and the reason of the first."""
    lines = ", ".join(str(each.line) for each in them[:FEW])
    where = f"line{'s' * (len(them) > 1)} {lines}{' and others' * (len(them) > FEW)}"
    return f"{where}; {'the first: ' * (len(them) > 1)}{them[0].reason}"


def of_overlaps(register: Register) -> Iterator[Finding]:
    """Credentials with two holders at one time, each pair of assignments said once."""
    overlapping: dict[str, list[Exceptional]] = defaultdict(list)
    for each in register.exceptions:
        if each.code == "overlap":
            overlapping[register.overlapping[each.line][0].credential].append(each)
    for credential, them in overlapping.items():
        pairs = dict.fromkeys(register.overlapping[each.line] for each in them)
        text = "; ".join(
            f"{redacted_repr(one.person)} (line {one.line}) and {redacted_repr(other.person)} (line {other.line}) "
            "hold it at the same time"
            for one, other in islice(pairs, FEW)
        )
        more = f"; and {len(pairs) - FEW:,} more pairs" if len(pairs) > FEW else ""
        yield Finding(code="overlap", subject=masked(credential), count=len(them), text=text + more)


def of_exports(existing: Mapping[str, Sequence[Exceptional]]) -> Iterator[Finding]:
    """What each target holds for credentials that are not active, or for none at all."""
    for target, rows in existing.items():
        if them := [each for each in rows if each.code == "inactive-held"]:
            ids = named(dict.fromkeys(candidate for each in them for candidate in each.candidates))
            text = f"{counted(len(them), 'row')} of {ids}, not active: {_lines(them)}"
            yield Finding(code="inactive-held", subject=target, count=len(them), text=text)
        if them := [each for each in rows if each.code == "existing-unmatched"]:
            text = f"{counted(len(them), 'row')} that the register does not explain: {_lines(them)}"
            yield Finding(code="existing-unmatched", subject=target, count=len(them), text=text)


def of_cards(site: Site, cards: Sequence[Card], evidence: Evidence, crowd: Crowd = NOBODY) -> Iterator[Finding]:
    """Active credentials that were never seen, or of which one number never was."""
    seen = {(card.credential, card.kind.name) for card in cards if evidence.seen(card)}
    active: dict[str, dict[str, None]] = defaultdict(dict)  # credential to its kinds
    for card in cards:
        if not card.overlaps and state(card.row, site.as_of, site.rules) == ACTIVE:
            active[card.credential][card.kind.name] = None
    yield from _half_seen(site, active, seen)
    read = {reader.kind.name for reader in site.readers.values()}
    for kind in site.kinds:
        them = [credential for credential, kinds in active.items() if kind in kinds]
        count = len(them) + crowd.count([kind], active=True)
        missing = sum((credential, kind) not in seen for credential in them)
        missing += crowd.count([kind], active=True, unseen=True)
        if missing:
            nowhere = "" if kind in read else " (no reader reads this kind)"
            text = f"{missing:,} of {counted(count, 'active credential')} were never seen{nowhere}"
            yield Finding(code="never-seen", subject=kind, count=missing, text=text)


def _half_seen(
    site: Site, active: Mapping[str, Mapping[str, None]], seen: set[tuple[str, str]]
) -> Iterator[Finding]:  # fmt: skip
    groups: dict[tuple[str, ...], list[str]] = defaultdict(list)
    for credential, its in active.items():
        if len(its) > 1:
            groups[tuple(kind for kind in site.kinds if kind in its)].append(credential)
    for kinds, them in groups.items():
        half = [each for each in them if 0 < sum((each, kind) in seen for kind in kinds) < len(kinds)]
        if not half:
            continue
        unseen = Counter(kind for each in half for kind in kinds if (each, kind) not in seen)
        parts = ", ".join(f"{kind} of {unseen[kind]:,}" for kind in kinds if unseen[kind])
        text = f"of {len(half):,} of {counted(len(them), 'such card')} a number was seen and another never: {parts}"
        yield Finding(code="half-seen", subject=" ".join(kinds), count=len(half), text=text)
