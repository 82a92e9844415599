"""The summary: totals in which every row is somewhere, and the whole result as text.

Each total is counted from what the result really holds, line by line, so that a row that got lost
on the way, or is in two places, would show, and the text says so.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from operator import attrgetter
from typing import NamedTuple

import numpy as np
import polars as pl

from credkit.bulk.words import Array
from credkit.core.sentences import format_count
from credkit.core.version import __version__
from credkit.crosswalk.linetable import ACTIONS, LineTable
from credkit.crosswalk.result import FINDING_CODES, Crosswalk, SummaryTable
from credkit.crosswalk.worktext import work_text
from credkit.explain.cautions import IN_SHORT, OF_A_RESULT
from credkit.facts.exceptions import ExceptionRow
from credkit.facts.judged_texts import count_codes, in_slices
from credkit.privacy.accounts import mask_accounts
from credkit.privacy.screentexts import masked_table, wrap_masked
from credkit.site.model import Site
from credkit.site.rows import Assignment, ExportRow

COUNTED_AT_ONCE = 1 << 18  # lines: it bounds the memory that counting takes


FileCounts = tuple[str, int, int, int, int]  # a row of the table of files


class ReadingCounts(NamedTuple):
    """The rows of the readings, resolved and excepted: of the file, and of each reader."""

    file: FileCounts
    readers: tuple[tuple[str, int, int, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RowAccounting:
    """The place of every row, file by file."""

    site: Site
    register: pl.DataFrame
    readings: ReadingCounts
    exports: Mapping[str, pl.DataFrame]
    lines: LineTable
    credentials: Sequence[ExceptionRow]
    refused: Sequence[ExceptionRow]
    explained: Mapping[str, Sequence[int]]  # lines of the export of each target
    existing: Mapping[str, Sequence[ExceptionRow]]


def summary_tables(placed: RowAccounting) -> tuple[SummaryTable, ...]:
    """The sections of the summary."""
    return tuple(
        section
        for section in (_files(placed), _readers(placed), _actions(placed), _codes(placed))
        if section.rows
    )  # fmt: skip


def _files(placed: RowAccounting) -> SummaryTable:
    """By file the rows, resolved rows, exceptions, and unaccounted rows (always 0)."""
    site = placed.site
    decided = placed.lines.select("line")["line"].unique().to_numpy()
    settled = decided[~np.isin(decided, _lines_of(placed.credentials))]
    there = set(decided.tolist()) if placed.credentials else set()
    with_lines = [each for each in placed.credentials if each.line in there]  # all of them have lines, too
    found = [
        _account(site.credentials.name, placed.register["line"].to_numpy(), settled, with_lines),
        placed.readings.file,
    ]
    for name, excepted in placed.existing.items():
        file = site.targets[name].existing
        words = f"{file.name if file else ''} ({name})"
        found.append(_account(words, placed.exports[name]["line"].to_numpy(), placed.explained[name], excepted))
    return SummaryTable(
        title="Rows", columns=("file", "rows", "resolved", "exceptions", "left over"), rows=tuple(found)
    )


def _lines_of(rows: Collection[Assignment | ExportRow | ExceptionRow]) -> Array:
    return np.fromiter((row.line for row in rows), np.int64, len(rows))


def _account(name: str, rows: Array, resolved: Array | Sequence[int], excepted: Collection[ExceptionRow]) -> FileCounts:
    """The counts of a file that has these lines; unaccounted is a line that stands more or less often in a place."""
    resolved, others = np.asarray(resolved, rows.dtype), _lines_of(excepted)
    amiss = np.zeros(1 + int(max(lines.max(initial=0) for lines in (rows, resolved, others))), np.int32)
    for lines, once in ((rows, 1), (resolved, -1), (others, -1)):
        for start in range(0, len(lines), COUNTED_AT_ONCE):
            np.add.at(amiss, lines[start : start + COUNTED_AT_ONCE], once)
    return (name, len(rows), len(resolved), len(others), int(np.count_nonzero(amiss)))


def count_readings(
    site: Site, rows: pl.DataFrame, resolved: Iterable[Array], refused: Sequence[ExceptionRow]
) -> ReadingCounts:
    """The counts of the readings in ``rows``; those at the places in ``resolved`` are so, others are ``refused``."""
    lines, readers = rows["line"].to_numpy(), rows["reader"].to_physical().to_numpy()  # as the site enumerates them
    found, good = [lines[:0]], np.zeros(len(site.readers), np.int64)
    for places in resolved:
        found.append(lines[places])
        good += np.bincount(readers[places], minlength=len(good))
    every = count_codes(in_slices(readers), len(good))
    excepted = Counter(each.reader for each in refused)
    counts = zip(site.readers, every.tolist(), good.tolist(), strict=True)
    return ReadingCounts(
        _account(site.readings.name, lines, np.concatenate(found), refused),
        tuple((name, count, of_it, excepted[name]) for name, count, of_it in counts),
    )


def _readers(placed: RowAccounting) -> SummaryTable:
    """Rows of each reader, resolved and excepted."""
    return SummaryTable(
        title="Readers", columns=("reader", "rows", "resolved", "exceptions"), rows=placed.readings.readers
    )


def _actions(placed: RowAccounting) -> SummaryTable:
    """The number of lines by target and action."""
    counts = Counter(
        {
            (row[0], row[1]): row[2]
            for row in placed.lines.select("target", "action").group_by("target", "action").len().iter_rows()
        }
    )
    targets = [*placed.site.targets, *([""] if any(not target for target, _ in counts) else ())]
    rows = tuple((target or "(no target)", *(counts[target, action] for action in ACTIONS)) for target in targets)
    return SummaryTable(title="Targets", columns=("target", *ACTIONS), rows=rows)


def _codes(placed: RowAccounting) -> SummaryTable:
    """The exceptions by code."""
    everything = chain(placed.credentials, placed.refused, *placed.existing.values())
    counts = Counter(map(attrgetter("file", "code"), everything))
    rows = tuple((f"{file}: {code}", count) for (file, code), count in sorted(counts.items()))
    return SummaryTable(title="Exceptions", columns=("code", "rows"), rows=rows)


MOST_SHOWN_FINDINGS = 3  # findings of one code on a screen
MOST_SHOWN_ITEMS = 10  # items of work in full on a screen


def summary_text(result: Crosswalk) -> str:
    """The whole summary as text, at most 80 columns wide: verdict, what to do, details, cautions and input files."""
    return _join(work_text(result), _details(result, None), _cautions(result), _inputs(result))


def screen_text(result: Crosswalk, *, details: bool = False) -> str:
    """The summary for a screen: verdict, what to do and the cautions in short.

    With ``details`` all items and cautions in full and the details, too: of each code the first few findings, and how
    many more there are.
    """
    if details:
        return _join(work_text(result), _details(result, MOST_SHOWN_FINDINGS), _cautions(result))
    return _join(work_text(result, MOST_SHOWN_ITEMS), _describe_fault(result), _cautions_in_short(result))


def _join(*parts: Iterable[str]) -> str:
    return "\n".join(chain(*parts)) + "\n"


def _describe_fault(result: Crosswalk) -> list[str]:
    """That rows got lost, which would be a fault in credkit."""
    left = sum(int(row[-1]) for row in result.summary[0].rows)
    fault = f"{format_count(left, 'unaccounted row')}: this is a fault in credkit, please report it."
    return ["", *wrap_masked(fault)] if left else []


def _details(result: Crosswalk, most: int | None) -> Iterator[str]:
    """The tables of rows and all findings; with ``most`` only so many of each code, and how many more there are."""
    for section in result.summary:
        yield from ("", section.title)
        yield from masked_table(section.columns, section.rows)
    yield from _describe_fault(result) or ("", "Every row is in one place: rows = resolved + exceptions.")
    if result.ambiguous_readings:
        ambiguous = format_count(result.ambiguous_readings, "resolved reading")
        verb = "is" if result.ambiguous_readings == 1 else "are"
        yield from wrap_masked(f"{ambiguous} {verb} ambiguous: several credentials have the number.")
    yield from ("", f"Findings ({len(result.findings):,})" if result.findings else "No findings")
    for code in dict.fromkeys(finding.code for finding in result.findings):
        them = [finding for finding in result.findings if finding.code == code]
        yield ""
        yield from wrap_masked(f"{code} ({len(them):,}): {FINDING_CODES[code]}", "  ", "    ")
        for finding in them[:most]:
            plain = finding.subject in result.unmasked
            told = mask_accounts(finding.text) if plain else finding.text
            yield from wrap_masked(f"{finding.subject}: {told}", "    ", "      ", unmasked=plain)
            yield from (f"        {line}" for line in finding.lines)
        if most and len(them) > most:
            yield f"    and {len(them) - most:,} more"


def _cautions_in_short(result: Crosswalk) -> Iterator[str]:
    """The cautions of every result in two sentences, and what is to be said of this one."""
    yield from ("", *wrap_masked(IN_SHORT))
    for remark in result.remarks:
        yield from wrap_masked(remark, "- ", "  ")


def _cautions(result: Crosswalk) -> Iterator[str]:
    yield from ("", "Before you use this")
    for caution in (*OF_A_RESULT, *result.remarks):
        yield from wrap_masked(caution, "- ", "  ")


def _inputs(result: Crosswalk) -> Iterator[str]:
    if result.inputs:
        yield from ("", f"Made by credkit {__version__} from these files (SHA-256)")
        for file in result.inputs:
            yield from (*wrap_masked(file.name, "  ", "  "), f"    {file.sha256}")
