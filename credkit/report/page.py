"""The page: what of an audit stands where.

Numbers are those of the `Audit`; here they are only added up, sorted and put into words. Everything
that comes from a file goes through `show_text`, and is escaped by the template.
"""

from __future__ import annotations

import hashlib
import os
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from pathlib import Path

from markupsafe import Markup

from credkit.audit.causes import MOST_READERS_DIAGNOSED
from credkit.audit.failure_rates import rank_failing
from credkit.audit.notes import LEVELS, total_notes
from credkit.audit.sentences import (
    UNSTEADY,
    describe_change,
    explain_columns,
    format_minute,
    format_percent,
    name_nameless,
)
from credkit.audit.summary import Audit, ChainCount, ChainFormat, ReaderCount
from credkit.audit.tasks import TASKS
from credkit.audit.worktext import describe_form_only, describe_verdict
from credkit.core.sentences import format_count
from credkit.explain.cautions import AUDITED, COPIES, EGRESS, KEY, PEOPLE
from credkit.explain.svg import svg
from credkit.files.captures import file_size
from credkit.files.digests import sha256
from credkit.report.charts import draw_bars, draw_row_bar, scale_end
from credkit.report.limits import unchecked
from credkit.report.steps import TimeSteps, choose_steps
from credkit.report.templates import list_versions, render_page, show_name

TITLE = "Audit of card readings"
MARK = '<meta name="generator" content="credkit audit report">'
MOST_ITEMS_TITLED = 8  # items of work that the result names
MOST_READERS_LISTED = 100  # readers in a table
MOST_FILES_SIGNED = 8  # files that are named again where it is signed
MOST_CHECKS_LISTED = 40  # checks in a table
CAUTIONS = (AUDITED, COPIES, KEY, PEOPLE, EGRESS)


@dataclass(frozen=True, slots=True, kw_only=True)
class PinnedFile:
    """A file by which the others were read; ``role`` is what it is: a site file, or the register."""

    name: str
    size: int
    digest: str
    role: str = "site file"


def pin_file(path: Path, role: str = "site file", name: str = "") -> PinnedFile:
    """The file at ``path``, pinned to what it holds now; the page calls it by its ``name``, or by its path."""
    return PinnedFile(name=name or str(path), size=file_size(path), digest=sha256(path), role=role)


def report(audit: Audit, zone: tzinfo, *, described: Sequence[PinnedFile] = (), made: datetime | None = None) -> str:
    """``audit`` as a page of HTML, times by the clocks of ``zone``; ``made`` is when, and by default now.

    ``described`` are the files by which the others were read.
    """
    audit, made = name_nameless(audit), made or datetime.now(UTC)
    shares = [each.share for each in audit.readers]
    failing = rank_failing(audit.readers)
    listed = audit.readers
    if len(listed) > MOST_READERS_LISTED:
        listed = (*failing, *(each for each in listed if not each.failing))[:MOST_READERS_LISTED]
    time = choose_steps([each.counts for each in audit.readers], zone)
    scale = scale_end(100 * max(shares, default=0))
    reasons = _failed_checks(audit)
    return render_page(
        "page.html", mark=MARK, title=TITLE, site=audit.site, made_on=f"{format_minute(made, zone)} ({audit.zone})",
        audit=audit, described=described,
        signing=MOST_FILES_SIGNED, signed=_digest_of_digests(audit, described),
        stamp=lambda moment: format_minute(moment, zone), unsteady=UNSTEADY,
        told=lambda change: describe_change(change, zone),
        versions=list_versions(audit.version),
        first=min((each.first for each in audit.readers if each.first), default=None),
        last=max((each.last for each in audit.readers if each.last), default=None),
        listed=listed, rest=_sum_unlisted(audit.readers, listed), scale=scale,
        lying=lambda each: draw_row_bar(100 * each.share, scale),
        verdict=describe_verdict(audit), form_only=describe_form_only(audit), titled=MOST_ITEMS_TITLED,
        columns=explain_columns(audit),
        security=[name for name, task in TASKS.items() if task.security],
        reasons=reasons[:MOST_CHECKS_LISTED], other_reasons=_sum_checks(reasons[MOST_CHECKS_LISTED:]),
        worst=failing[:MOST_READERS_DIAGNOSED], others=max(len(failing) - MOST_READERS_DIAGNOSED, 0), time=time,
        over_time=_charts_over_time(audit, time) if time else None,
        chart=lambda each: _reader_chart(each, time) if time and each.counts.starts else None,
        picture=lambda example: Markup(svg(example.pictures, alone=False)),
        formats=_formats(audit), clocks=list(_describe_clocks(audit, zone)), readers_of=_readers_of(audit),
        repeating=_readers_with_repeats(audit), notes=total_notes(audit), levels=LEVELS,
        unchecked=list(unchecked(audit)), cautions=CAUTIONS,
    )  # fmt: skip


def _digest_of_digests(audit: Audit, described: Sequence[PinnedFile]) -> str:
    """The digest of the lines that ``sha256sum`` writes of all files, in the page's order; empty if one has none."""
    files = [(each.digest, each.name) for each in described] + [(each.digest or "", each.name) for each in audit.files]
    lines = "".join(f"{digest}  {name}\n" for digest, name in files)
    return hashlib.sha256(os.fsencode(lines)).hexdigest() if all(digest for digest, _ in files) else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnlistedReaders:
    """The sums of the readers that a table does not list."""

    count: int
    rows: int
    good: int
    failing: int
    repeated: int
    form_only: int
    unknown: int
    inactive: int


def _sum_unlisted(readers: Sequence[ReaderCount], listed: Sequence[ReaderCount]) -> UnlistedReaders:
    """All readers but those that are listed."""

    names = {each.name for each in listed}
    left = [each for each in readers if each.name not in names]
    return UnlistedReaders(
        count=len(left), rows=sum(each.rows for each in left), good=sum(each.good for each in left),
        failing=sum(each.failing for each in left), repeated=sum(each.repeated for each in left),
        form_only=sum(each.form_only for each in left),
        unknown=sum(each.register.unknown for each in left if each.register),
        inactive=sum(each.register.inactive for each in left if each.register),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class FailedCheck:
    """A check of a format, whatever the chain: how many rows fail it, and for how many it is the first one."""

    codec: str
    rule: str
    sort: str
    rows: int
    first: int


def _failed_checks(audit: Audit) -> list[FailedCheck]:
    """The checks that rows of any reader fail, those first that most rows fail before any other."""
    rows: Counter[tuple[str, str, str]] = Counter()
    first: Counter[tuple[str, str, str]] = Counter()
    for reader in audit.readers:
        for each in reader.tallies:
            key = each.codec, each.rule, each.sort
            rows[key] += each.rows
            first[key] += each.first
    return [
        FailedCheck(codec=key[0], rule=key[1], sort=key[2], rows=rows[key], first=first[key])
        for key in sorted(rows, key=lambda key: (-first[key], -rows[key], key))
    ]


def _sum_checks(reasons: Sequence[FailedCheck]) -> tuple[int, int]:
    return len(reasons), sum(each.first for each in reasons)


def _formats(audit: Audit) -> list[tuple[ChainFormat, list[str]]]:
    """Every step of every chain, with the chains that it is in."""
    found: dict[ChainFormat, list[str]] = {}
    for chain in audit.chains:
        for each in chain.formats:
            found.setdefault(each, []).append(chain.name)
    return list(found.items())


def _readers_of(audit: Audit) -> dict[ChainCount, list[str]]:
    """The readers of every chain."""
    return {
        chain: [each.name for each in audit.readers if chain.name in each.chains and chain.stream == each.stream]
        for chain in audit.chains
    }


def _describe_clocks(audit: Audit, zone: tzinfo) -> Iterator[str]:
    """Readers whose clock is out, or whose chain is not the same at all times."""
    for each in audit.readers:
        remarks = []
        if each.clock_offset:
            way = "ahead" if each.clock_offset < 0 else "behind"
            remarks.append(f"its clock is {abs(each.clock_offset):,g} s {way}")
        for spell in each.spells:
            start = f"from {format_minute(spell.start, zone)}" if spell.start else ""
            end = f"until {format_minute(spell.end, zone)}" if spell.end else ""
            if start or end:
                remarks.append(f"{' '.join(filter(None, (start, end)))} {spell.chain}")
        if remarks:
            yield f"{show_name(each.name)}: {'; '.join(remarks)}"


def _readers_with_repeats(audit: Audit) -> list[ReaderCount]:
    return sorted((each for each in audit.readers if each.repeated), key=lambda each: -each.repeated)[
        :MOST_READERS_DIAGNOSED
    ]


# ── over time ───────────────────────────────────────────────────────────────────────────────────


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """Bars, the end of their scale in words, and what they show."""

    title: str
    top: str
    bars: Markup
    ends: tuple[str, str, str]


def _make_chart(
    title: str, values: Sequence[float | None], unit: str, time: TimeSteps, lines: Sequence[float] = ()
) -> Chart:
    known = [(value, place) for place, value in enumerate(values) if value is not None]
    most, place = max(known, key=lambda each: each[0], default=(0.0, 0))
    scale = scale_end(most)
    highest = f"{format_percent(most / 100)} %" if unit == "%" else f"{most:,} {unit}"
    description = (
        f"{title}: highest {highest}, {time.label(place)}; from {time.label(0)} in {format_count(len(time), 'step')}"
    )
    middle = time.label(len(time) // 2) if len(time) > 2 else ""
    return Chart(
        title=title, top=f"{scale:,g} {unit}", bars=draw_bars(values, scale, description, lines),
        ends=(time.label(0), middle, time.label(len(time) - 1) if len(time) > 1 else ""),
    )  # fmt: skip


def _failure_percent(rows: int, failing: int) -> float | None:
    return 100 * failing / rows if rows else None


def _charts_over_time(audit: Audit, time: TimeSteps) -> tuple[list[Chart], list[tuple[str, int, int]]]:
    """All rows over time: how many, and which share of them fails; and the same as a table."""
    rows, failing = time.count(each.counts for each in audit.readers)
    shares = [_failure_percent(*each) for each in zip(rows, failing, strict=True)]
    charts = [
        _make_chart(f"Rows in each {time.name}", [count or None for count in rows], "rows", time),
        _make_chart(f"Failing rows in each {time.name}, in percent", shares, "%", time),
    ]
    table = [(time.label(place), rows[place], failing[place]) for place in range(len(time)) if rows[place]]
    return charts, table


def _reader_chart(reader: ReaderCount, time: TimeSteps) -> Chart:
    rows, failing = time.count([reader.counts])
    shares = [_failure_percent(*each) for each in zip(rows, failing, strict=True)]
    title = f"{show_name(reader.name)}: failing rows in each {time.name}, in percent"
    return _make_chart(title, shares, "%", time, [time.place(change.since) for change in reader.changes])
