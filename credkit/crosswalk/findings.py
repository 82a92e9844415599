"""Findings that count rows: what many exceptions, and many cards nobody saw, come to."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import islice

import numpy as np
import polars as pl

from credkit.core.sentences import MOST_LINES_NAMED, describe_rows, format_count, join_values, redacted_repr
from credkit.crosswalk.cards import Card
from credkit.crosswalk.causes import describe_explained
from credkit.crosswalk.evidence import Evidence
from credkit.crosswalk.readers import ReaderFindings
from credkit.crosswalk.register import Register
from credkit.crosswalk.result import READER_CODES, Finding
from credkit.crosswalk.verdicts import Verdict, count_rows, describe_readings, quote_number, reading_lines
from credkit.facts.exceptions import ExceptionRow
from credkit.facts.statuses import ACTIVE
from credkit.privacy.accounts import holds_track, mask_accounts
from credkit.site.model import Site
from credkit.work.filelines import FileLines


def find_reading_problems(
    site: Site, register: Register, verdicts: Sequence[Verdict], evidence: Evidence, reader_findings: ReaderFindings
) -> Iterator[Finding]:
    """Findings from the unresolved readings of each reader, and of each credential."""
    codes: dict[tuple[str, str], list[Verdict]] = defaultdict(list)
    inactive: dict[str, list[Verdict]] = defaultdict(list)
    disputed: dict[str, list[Verdict]] = defaultdict(list)
    unreported: dict[Verdict, set[str]] = {}  # credentials that it contradicts, though reported under others
    for verdict in verdicts:
        where = verdict.sighting.reader.name
        codes[where, verdict.code].append(verdict)
        if verdict.code != "refused-note" and verdict.sighting.result and verdict.sighting.result.refusal:
            codes[where, "refused-note"].append(verdict)
        if verdict.code == "inactive-read":
            inactive[verdict.cards[0].credential].append(verdict)
        reported = evidence.reported_under(verdict)
        for credential in reported:
            if verdict.code == "conflict" or credential in evidence.disputes:
                disputed[credential].append(verdict)
        unreported[verdict] = set(verdict.disputed).difference(reported)
    for reader in site.readers.values():
        settings = [
            finding
            for finding in reader_findings.findings
            if finding.code in READER_CODES and finding.subject == reader.name
        ]
        for code, describe in _DESCRIBED.items():
            if them := codes.get((reader.name, code)):
                setting = describe_explained(them, reader_findings.explained, settings)
                yield Finding(
                    code=code, subject=reader.name, count=count_rows(them),
                    text=f"{describe(them)}{f'; {setting}' * bool(setting)}",
                    rows=reading_lines(site, them),
                )  # fmt: skip
    for credential, them in disputed.items():
        held = {credential}.union(*(unreported[verdict] for verdict in them)) & evidence.disputes.keys()
        cards = [card for each in held for card in register.cards_of(each)]
        yield Finding(
            code="conflict", subject=mask_accounts(credential), count=count_rows(them),
            text=_join_disputes(them),
            rows=reading_lines(site, them).union(register.lines_of(cards)),
        )  # fmt: skip
    for credential, them in inactive.items():
        places = Counter(verdict.sighting.reader.name for verdict in them for _ in verdict.sighting.lines)
        last = max(verdict.sighting.moment for verdict in them).astimezone(site.zone)
        read = ", ".join(f"{name} {count}" for name, count in places.items())
        yield Finding(
            code="inactive-read", subject=mask_accounts(credential), count=count_rows(them),
            text=f"{them[-1].reason}; {describe_readings(them)} ({read}), the last on {last:%Y-%m-%d}",
            rows=reading_lines(site, them).union(register.lines_of(verdict.cards[0] for verdict in them)),
        )  # fmt: skip


def _join_disputes(them: Sequence[Verdict]) -> str:
    """What readings contradict, each reason once; of many the first few."""
    reasons = list(dict.fromkeys(verdict.dispute for verdict in them))
    more = f"; and {len(reasons) - MOST_LINES_NAMED:,} more" if len(reasons) > MOST_LINES_NAMED else ""
    return "; ".join(reasons[:MOST_LINES_NAMED]) + more


def _describe_unknown(them: Sequence[Verdict]) -> str:
    """How many readings of how many numbers, and the numbers that were read most often."""
    numbers = {verdict.number for verdict in them if verdict.number}
    counts = Counter(
        quote_number(verdict.sighting, verdict.number, ())
        for verdict in them
        if verdict.number and not holds_track(verdict.sighting.text)
    )
    named = join_values(sorted(counts, key=lambda number: (-counts[number], number)), quote=str)
    unknown = f"{describe_readings(them)} of {format_count(len(numbers), 'number')} that no credential has"
    return f"{unknown}: {named}" if named else unknown


def _describe_other_issues(them: Sequence[Verdict]) -> str:
    return _join_reasons(them, "other cards")


def _describe_unexpected(them: Sequence[Verdict]) -> str:
    return _join_reasons(them, "other values")


def _describe_refused(them: Sequence[Verdict]) -> str:
    notes = dict.fromkeys(verdict.sighting.result.refusal for verdict in them if verdict.sighting.result)
    refused = sum(verdict.code == "refused-note" for verdict in them)
    done = "refused" if refused == len(them) else "counted, not refused"
    return f"{describe_readings(them)} {done}: {'; '.join(notes)}"


def _describe_incomplete(them: Sequence[Verdict]) -> str:
    return f"{_join_reasons(them, 'other reasons')} ({format_count(count_rows(them), 'row')} in all)"


def _join_reasons(them: Sequence[Verdict], others: str) -> str:
    """The most frequent reasons, with how often each occurs."""
    counts = Counter(verdict.reason for verdict in them)
    first = "; ".join(f"{reason} ({count:,})" for reason, count in counts.most_common(3))
    more = counts.total() - sum(count for _, count in counts.most_common(3))
    return f"{first}; {others} ({more:,})" if more else first


_DESCRIBED = {
    "unknown-card": _describe_unknown,
    "other-issue": _describe_other_issues,
    "unexpected-value": _describe_unexpected,
    "refused-note": _describe_refused,
    "incomplete-entry": _describe_incomplete,
}


FILE_CODES = {  # codes of findings on a file, with what they count
    "spreadsheet-damage": "damaged value",
    "unreadable-value": "unreadable value",
    "superseded": "superseded row",
}


def find_file_problems(register: Register, exceptions: Iterable[ExceptionRow]) -> Iterator[Finding]:
    """Files that a spreadsheet damaged, and registers of which rows cannot be read, or do not count."""
    files: dict[tuple[str, str], list[ExceptionRow]] = defaultdict(list)
    for each in exceptions:
        files[each.file, each.code].append(each)
    for (file, code), them in files.items():
        if code in FILE_CODES:
            describe = register.site.credentials.describe_rows if file == register.file else describe_rows
            text = f"{format_count(len(them), FILE_CODES[code])}: {_describe_lines(them, describe)}"
            yield Finding(code=code, subject=file, count=len(them), text=text, rows=_lines(them))


def _lines(them: Sequence[ExceptionRow]) -> FileLines:
    """Their rows, which are all of one file."""
    return FileLines({them[0].file: [each.line for each in them]})


def _describe_lines(
    them: Sequence[ExceptionRow], describe: Callable[[Iterable[int]], str] = describe_rows
) -> str:  # fmt: skip
    """The first few lines, as ``describe`` has them, and the reason of the first."""
    reason = "its reason is hidden, for it holds a payment track" if holds_track(them[0].input) else them[0].reason
    return f"{describe(each.line for each in them)}; {'the first: ' * (len(them) > 1)}{reason}"


def find_overlaps(register: Register) -> Iterator[Finding]:
    """Credential ids with two holders at one time, each pair of rows said once."""
    groups: dict[tuple[str, str], list[Card]] = defaultdict(list)
    for card in register.others.values():
        if card.code in ("overlap", "id-of-two-cards"):
            groups[card.code, card.credential].append(card)
    for (code, credential), cards in groups.items():
        pairs = dict.fromkeys(register.overlapping[card.row.line] for card in cards)
        words = "hold it" if code == "overlap" else "hold cards of this id with different numbers"
        text = "; ".join(
            f"{redacted_repr(one.row.person)} ({register.describe_rows([one])}) and "
            f"{redacted_repr(other.row.person)} ({register.describe_rows([other])}) {words} at the same time"
            for one, other in islice(pairs, MOST_LINES_NAMED)
        )
        more = f"; and {len(pairs) - MOST_LINES_NAMED:,} more pairs" if len(pairs) > MOST_LINES_NAMED else ""
        yield Finding(
            code=code, subject=mask_accounts(credential), count=len(cards), text=text + more,
            rows=register.lines_of(cards),
        )  # fmt: skip


def find_export_problems(existing: Mapping[str, Sequence[ExceptionRow]]) -> Iterator[Finding]:
    """Findings from rows of an export that belong to inactive credentials, or to none."""
    for target, rows in existing.items():
        if them := [each for each in rows if each.code == "inactive-held"]:
            ids = join_values(dict.fromkeys(candidate for each in them for candidate in each.candidates))
            text = f"{format_count(len(them), 'row')} of {ids}, not active: {_describe_lines(them)}"
            yield Finding(code="inactive-held", subject=target, count=len(them), text=text, rows=_lines(them))
        if them := [each for each in rows if each.code == "existing-unmatched"]:
            text = f"{format_count(len(them), 'row')} that the register does not explain: {_describe_lines(them)}"
            yield Finding(code="existing-unmatched", subject=target, count=len(them), text=text, rows=_lines(them))


def find_unseen(site: Site, register: Register, evidence: Evidence) -> Iterator[Finding]:
    """Active credentials that were never seen, or of which one number never was."""
    credentials, ids = register.credential_codes
    kinds = list(site.kinds)
    kind_of = register.rows["kind"].cast(pl.Enum(kinds)).to_physical().to_numpy()
    number_of = credentials.astype(np.int64) * len(kinds) + kind_of  # rows of one credential and kind have one
    active = register.counts & (register.rows["state"] == ACTIVE).to_numpy()
    active[[place for place, card in register.others.items() if card.code]] = False
    cards = np.flatnonzero(active)
    cards = cards[np.sort(np.unique(number_of[cards], return_index=True)[1])]  # the first row of each
    seen = np.isin(number_of[cards], number_of[evidence.read_places() & register.counts])
    several = np.bincount(credentials[cards], minlength=len(ids))[credentials[cards]] > 1
    yield from _find_half_seen(site, pl.DataFrame({
        "credential": ids.gather(credentials[cards[several]]), "kind": register.rows["kind"].gather(cards[several]),
        "seen": seen[several],
    }))  # fmt: skip
    read = {reader.kind.name for reader in site.readers.values()}
    lines_of = register.rows["line"].to_numpy()
    for code, kind in enumerate(kinds):
        mine = kind_of[cards] == code
        count = int(np.count_nonzero(mine))
        unseen = cards[mine & ~seen]
        missing = len(unseen)
        if missing:
            nowhere = "" if kind in read else " (no reader reads this kind)"
            verb = "was" if missing == 1 else "were"
            text = f"{missing:,} of {format_count(count, 'active credential')} {verb} never seen{nowhere}"
            lines = lines_of[np.isin(number_of, number_of[unseen])].tolist()
            yield Finding(
                code="never-seen", subject=kind, count=missing, text=text,
                rows=FileLines({register.file: lines}),
            )  # fmt: skip


def _find_half_seen(site: Site, cards: pl.DataFrame) -> Iterator[Finding]:
    """Findings on ``cards`` with several numbers, a row for each: whether it was ``seen``."""
    active: dict[str, dict[str, bool]] = defaultdict(dict)  # credential to its kinds
    for credential, kind, is_seen in cards.iter_rows():
        active[credential][kind] = is_seen
    seen = {(credential, kind) for credential, kinds in active.items() for kind, is_seen in kinds.items() if is_seen}
    groups: dict[tuple[str, ...], list[str]] = defaultdict(list)
    for credential, its in active.items():
        groups[tuple(kind for kind in site.kinds if kind in its)].append(credential)
    for kinds, them in groups.items():
        half = [each for each in them if 0 < sum((each, kind) in seen for kind in kinds) < len(kinds)]
        if not half:
            continue
        unseen = Counter(kind for each in half for kind in kinds if (each, kind) not in seen)
        parts = ", ".join(f"{kind} of {unseen[kind]:,}" for kind in kinds if unseen[kind])
        text = (
            f"of {len(half):,} of {format_count(len(them), 'such card')} a number was seen and another never: {parts}"
        )
        yield Finding(code="half-seen", subject=" ".join(kinds), count=len(half), text=text)
