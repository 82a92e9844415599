"""The page: what of an audit stands where.

Numbers are those of the `Audit`; here they are only added up, sorted and put into words. Everything
that comes from a file goes through `shown`, and is escaped by the template.
"""

from __future__ import annotations

import hashlib
import os
import platform
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from functools import cache
from importlib.metadata import version
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from credkit.audit.causes import READERS
from credkit.audit.digests import sha256
from credkit.audit.notes import LEVELS, earned
from credkit.audit.sentences import (
    UNSTEADY,
    amount,
    blind_text,
    change_text,
    doubt_text,
    hints_text,
    named,
    percent,
    sort_text,
    when,
)
from credkit.audit.shares import worst
from credkit.audit.sources import sized
from credkit.audit.summary import Audit, ChainCount, Format, ReaderCount
from credkit.crosswalk.result import format_count
from credkit.explain.cautions import AUDITED, COPIES, EGRESS, KEY, PEOPLE
from credkit.explain.svg import svg
from credkit.report.charts import bar, bars, top
from credkit.report.steps import Steps, steps
from credkit.report.unchecked import unchecked
from credkit.report.words import LONGEST_NAME, joined, shown, sizes

MARK = '<meta name="generator" content="credkit audit report">'
MOST = 100  # readers in a table
SIGNING = 8  # files that are named again where it is signed
REASONS = 40  # checks in a table
CAUTIONS = (AUDITED, COPIES, KEY, PEOPLE, EGRESS)
BESIDE = ("polars", "numpy", "jinja2")  # packages that took part


@dataclass(frozen=True, slots=True, kw_only=True)
class Pinned:
    """A file that says how the others were read: a site file."""

    name: str
    size: int
    digest: str


def pinned(path: Path) -> Pinned:
    """The file at ``path``, pinned to what it holds now."""
    return Pinned(name=str(path), size=sized(path), digest=sha256(path))


def report(audit: Audit, zone: tzinfo, *, described: Sequence[Pinned] = (), made: datetime | None = None) -> str:
    """``audit`` as a page of HTML, times by the clocks of ``zone``; ``made`` is when, and by default now.

    ``described`` are the files by which the others were read.
    """
    audit, made = named(audit), made or datetime.now(UTC)
    shares = [each.share for each in audit.readers]
    failing = worst(audit.readers)
    listed = audit.readers
    if len(listed) > MOST:
        listed = (*failing, *(each for each in listed if not each.failing))[:MOST]
    time = steps([each.counts for each in audit.readers], zone)
    scale = top(100 * max(shares, default=0))
    reasons = _reasons(audit)
    return _environment().get_template("page.html").render(
        mark=Markup(MARK), audit=audit, described=described, made=made,
        signing=SIGNING, signed=_signed(audit, described), running=_running(audit, made, zone),
        stamp=lambda moment: when(moment, zone), told=lambda change: change_text(change, zone), unsteady=UNSTEADY,
        versions=_versions(audit),
        first=min((each.first for each in audit.readers if each.first), default=None),
        last=max((each.last for each in audit.readers if each.last), default=None),
        listed=listed, rest=_rest(audit.readers, listed), scale=scale,
        lying=lambda each: bar(100 * each.share, scale),
        reasons=reasons[:REASONS], other_reasons=_other(reasons[REASONS:]),
        worst=failing[:READERS], others=max(len(failing) - READERS, 0), time=time,
        over_time=_over_time(audit, time) if time else None,
        chart=lambda each: _reader_chart(each, time) if time and each.counts.starts else None,
        picture=lambda example: Markup(svg(example.pictures, alone=False)),
        formats=_formats(audit), clocks=list(_clocks(audit, zone)), readers_of=_readers_of(audit),
        repeating=_repeating(audit), notes=earned(audit), levels=LEVELS,
        unchecked=list(unchecked(audit)), cautions=CAUTIONS,
    )  # fmt: skip


@cache
def _environment() -> Environment:
    found = Environment(
        loader=FileSystemLoader(Path(__file__).parent), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    found.filters |= {
        "shown": shown, "n": lambda number: f"{number:,}", "percent": percent, "sizes": sizes, "amount": amount,
        "joined": joined, "counted": format_count, "hints": hints_text, "doubt": doubt_text, "blind": blind_text,
        "sort_of": lambda each: sort_text(each.codec, each.rule, each.sort),
        "name": _name, "verb": lambda change: "failing" if change.after > change.before else "better",
    }  # fmt: skip
    return found


def _signed(audit: Audit, described: Sequence[Pinned]) -> str:
    """The digest of the lines that ``sha256sum`` writes of all files, in the page's order; empty if one has none."""
    files = [(each.digest, each.name) for each in described] + [(each.digest or "", each.name) for each in audit.files]
    lines = "".join(f"{digest}  {name}\n" for digest, name in files)
    return hashlib.sha256(os.fsencode(lines)).hexdigest() if all(digest for digest, _ in files) else ""


def _running(audit: Audit, made: datetime, zone: tzinfo) -> Markup:
    """What stands at the foot of every sheet, as a string of CSS: all but letters and digits as escapes."""
    title = f"Audit of card readings{f': {shown(audit.site, 60)}' if audit.site else ''}, {when(made, zone)} ({zone})"
    return Markup("".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):06x}" for c in title))


def _name(name: str) -> str:
    return shown(name, LONGEST_NAME)


def _versions(audit: Audit) -> list[str]:
    return [
        f"credkit {audit.version}", f"Python {platform.python_version()}",
        *(f"{name} {version(name)}" for name in BESIDE),
    ]  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Rest:
    """What a table has no room for, added up."""

    count: int
    rows: int
    good: int
    failing: int
    repeated: int


def _rest(readers: Sequence[ReaderCount], listed: Sequence[ReaderCount]) -> Rest:
    """All readers but those that are listed."""

    names = {each.name for each in listed}
    left = [each for each in readers if each.name not in names]
    return Rest(
        count=len(left), rows=sum(each.rows for each in left), good=sum(each.good for each in left),
        failing=sum(each.failing for each in left), repeated=sum(each.repeated for each in left),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """A check of a format, whatever the chain: how many rows fail it, and for how many it is the first one."""

    codec: str
    rule: str
    sort: str
    rows: int
    first: int


def _reasons(audit: Audit) -> list[Reason]:
    """The checks that rows of any reader fail, those first that most rows fail before any other."""
    rows: Counter[tuple[str, str, str]] = Counter()
    first: Counter[tuple[str, str, str]] = Counter()
    for reader in audit.readers:
        for each in reader.tallies:
            key = each.codec, each.rule, each.sort
            rows[key] += each.rows
            first[key] += each.first
    return [
        Reason(codec=key[0], rule=key[1], sort=key[2], rows=rows[key], first=first[key])
        for key in sorted(rows, key=lambda key: (-first[key], -rows[key], key))
    ]


def _other(reasons: Sequence[Reason]) -> tuple[int, int]:
    return len(reasons), sum(each.first for each in reasons)


def _formats(audit: Audit) -> list[tuple[Format, list[str]]]:
    """Every step of every chain, with the chains that it is in."""
    found: dict[Format, list[str]] = {}
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


def _clocks(audit: Audit, zone: tzinfo) -> Iterator[str]:
    """Readers whose clock is out, or whose chain is not the same at all times."""
    for each in audit.readers:
        said = []
        if each.clock_offset:
            way = "ahead" if each.clock_offset < 0 else "behind"
            said.append(f"its clock is {abs(each.clock_offset):,g} s {way}")
        for spell in each.spells:
            start = f"from {when(spell.start, zone)}" if spell.start else ""
            end = f"until {when(spell.end, zone)}" if spell.end else ""
            if start or end:
                said.append(f"{' '.join(filter(None, (start, end)))} {spell.chain}")
        if said:
            yield f"{_name(each.name)}: {'; '.join(said)}"


def _repeating(audit: Audit) -> list[ReaderCount]:
    return sorted((each for each in audit.readers if each.repeated), key=lambda each: -each.repeated)[:READERS]


# ── over time ───────────────────────────────────────────────────────────────────────────────────


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """Bars, the end of their scale in words, and what they show."""

    title: str
    top: str
    bars: Markup
    ends: tuple[str, str, str]


def _chart(title: str, values: Sequence[float | None], unit: str, time: Steps, lines: Sequence[float] = ()) -> Chart:
    known = [(value, place) for place, value in enumerate(values) if value is not None]
    most, place = max(known, key=lambda each: each[0], default=(0.0, 0))
    scale = top(most)
    told = f"{percent(most / 100)} %" if unit == "%" else f"{most:,} {unit}"
    said = f"{title}: highest {told}, {time.label(place)}; from {time.label(0)} in {format_count(len(time), 'step')}"
    middle = time.label(len(time) // 2) if len(time) > 2 else ""
    return Chart(
        title=title, top=f"{scale:,g} {unit}", bars=bars(values, scale, said, lines),
        ends=(time.label(0), middle, time.label(len(time) - 1) if len(time) > 1 else ""),
    )  # fmt: skip


def _share(rows: int, failing: int) -> float | None:
    return 100 * failing / rows if rows else None


def _over_time(audit: Audit, time: Steps) -> tuple[list[Chart], list[tuple[str, int, int]]]:
    """All rows over time: how many, and which share of them fails; and the same as a table."""
    rows, failing = time.count(each.counts for each in audit.readers)
    shares = [_share(*each) for each in zip(rows, failing, strict=True)]
    charts = [
        _chart(f"Rows in each {time.name}", [count or None for count in rows], "rows", time),
        _chart(f"Failing rows in each {time.name}, in percent", shares, "%", time),
    ]
    table = [(time.label(place), rows[place], failing[place]) for place in range(len(time)) if rows[place]]
    return charts, table


def _reader_chart(reader: ReaderCount, time: Steps) -> Chart:
    rows, failing = time.count([reader.counts])
    shares = [_share(*each) for each in zip(rows, failing, strict=True)]
    title = f"{_name(reader.name)}: failing rows in each {time.name}, in percent"
    return _chart(title, shares, "%", time, [time.place(change.since) for change in reader.changes])
