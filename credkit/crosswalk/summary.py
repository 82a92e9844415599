"""The summary: totals in which every row is somewhere, and the whole result as text.

Each total is counted from what the result really holds, so that a row that got lost on the way
would show as a difference, and the text says so.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from textwrap import wrap

from credkit.cautions import OF_A_RESULT
from credkit.crosswalk.result import ACTIONS, FINDINGS, Crosswalk, Exceptional, Line, Section
from credkit.crosswalk.verdicts import Verdict
from credkit.errors import masked
from credkit.screen import WIDTH, plain
from credkit.site import Rows, Site

WIDEST_WORDS = 34  # of a first column, before it is wrapped


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """Where every row went, file by file."""

    site: Site
    rows: Rows
    resolved: Sequence[Verdict]
    lines: Mapping[int, Sequence[Line]]  # by line of the credentials
    credentials: Sequence[Exceptional]
    readings: Sequence[Exceptional]
    existing: Mapping[str, Sequence[Exceptional]]


def summed(placed: Placed) -> tuple[Section, ...]:
    """The sections of the summary."""
    return tuple(
        section
        for section in (_files(placed), _readers(placed), _actions(placed), _codes(placed))
        if section.rows
    )  # fmt: skip


def _files(placed: Placed) -> Section:
    """Rows in, rows placed, rows excepted, and the difference, which is nought."""
    site, rows = placed.site, placed.rows
    found = [
        _row(site.credentials.name, rows.credentials, set(placed.lines), placed.credentials),
        _row(
            site.readings.name,
            rows.readings,
            {r.line for v in placed.resolved for r in v.sighting.rows},
            placed.readings,
        ),
    ]
    for name, excepted in placed.existing.items():
        existing, file = rows.existing.get(name, ()), site.targets[name].existing
        left = {each.line for each in excepted}
        found.append(
            _row(
                f"{file.name if file else ''} ({name})",
                existing,
                {r.line for r in existing if r.line not in left},
                excepted,
            )
        )
    return Section(title="Rows", columns=("file", "rows", "resolved", "exceptions", "left over"), rows=tuple(found))


def _row(
    name: str, rows: Sequence[object], resolved: set[int], excepted: Sequence[Exceptional]
) -> tuple[str, int, int, int, int]:  # fmt: skip
    return (name, len(rows), len(resolved), len(excepted), len(rows) - len(resolved) - len(excepted))


def _readers(placed: Placed) -> Section:
    """Rows of each reader, resolved and excepted."""
    rows = Counter(row.reader for row in placed.rows.readings)
    resolved = Counter(row.reader for verdict in placed.resolved for row in verdict.sighting.rows)
    where = {row.line: row.reader for row in placed.rows.readings}
    excepted = Counter(where[each.line] for each in placed.readings)
    return Section(
        title="Readers", columns=("reader", "rows", "resolved", "exceptions"),
        rows=tuple((name, rows[name], resolved[name], excepted[name]) for name in placed.site.readers),
    )  # fmt: skip


def _actions(placed: Placed) -> Section:
    """What becomes of the credentials in each target."""
    counts = Counter((line.target, line.action) for lines in placed.lines.values() for line in lines)
    targets = [*placed.site.targets, *([""] if any(not target for target, _ in counts) else ())]
    rows = tuple((target or "(no target)", *(counts[target, action] for action in ACTIONS)) for target in targets)
    return Section(title="Targets", columns=("target", *ACTIONS), rows=rows)


def _codes(placed: Placed) -> Section:
    """The exceptions by code."""
    everything = [*placed.credentials, *placed.readings, *(each for them in placed.existing.values() for each in them)]
    counts = Counter((each.file, each.code) for each in everything)
    rows = tuple((f"{file}: {code}", count) for (file, code), count in sorted(counts.items()))
    return Section(title="Exceptions", columns=("code", "rows"), rows=rows)


def summary_text(result: Crosswalk, most: int | None = None) -> str:
    """The summary as text, at most 80 columns wide, with the cautions at its end.

    With ``most``, of each code only so many findings are shown, and how many more there are.
    """
    return "\n".join(_text(result, most)) + "\n"


def _text(result: Crosswalk, most: int | None) -> Iterator[str]:
    yield from _wrapped(f"Crosswalk of {result.site}, status as of {result.as_of}")
    for section in result.summary:
        yield from ("", section.title)
        yield from _table(section)
    yield ""
    left = sum(abs(int(row[-1])) for row in result.summary[0].rows)  # files do not make up for each other
    files = "Every row is in one place: rows = resolved + exceptions."
    yield from _wrapped(files if not left else f"{left:,} rows are left over, which is a fault in credkit: report it.")
    if result.shared:
        some = f"{result.shared:,} are of numbers" if result.shared > 1 else "1 is of a number"
        yield from _wrapped(
            f"Of the resolved readings, {some} that several credentials have, and nothing tells which was read."
        )
    yield from ("", f"Findings ({len(result.findings):,})" if result.findings else "No findings")
    for code, meaning in FINDINGS.items():
        them = [finding for finding in result.findings if finding.code == code]
        if them:
            yield ""
            yield from _wrapped(f"{code} ({len(them):,}): {meaning}", "  ", "    ")
            for finding in them[:most]:
                yield from _wrapped(f"{finding.subject}: {finding.text}", "    ", "      ")
            if most and len(them) > most:
                yield f"    and {len(them) - most:,} more"
    yield from ("", "Before you use this")
    for caution in OF_A_RESULT:
        yield from _wrapped(caution, "- ", "  ")


def _wrapped(text: str, first: str = "", rest: str = "") -> list[str]:
    return wrap(plain(masked(text)), WIDTH, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False)


def _table(section: Section) -> Iterator[str]:
    """The rows of a section, numbers to the right, words that are too long wrapped."""
    cells = [
        tuple(plain(cell) if isinstance(cell, str) else f"{cell:,}" for cell in row)
        for row in (section.columns, *section.rows)
    ]
    sizes = [max(len(row[place]) for row in cells) for place in range(1, len(section.columns))]
    words = min(max(len(row[0]) for row in cells), max(WIDEST_WORDS, WIDTH - 2 - sum(size + 2 for size in sizes)))
    for row in cells:
        first, *more = wrap(row[0], words, break_on_hyphens=False) or [""]
        numbers = "".join(f"  {cell:>{size}}" for cell, size in zip(row[1:], sizes, strict=True))
        yield f"  {first:<{words}}{numbers}".rstrip()
        yield from (f"  {each}" for each in more)
