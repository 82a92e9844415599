"""A comparison of two runs as text for a screen: the verdict, then findings, people and exceptions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import islice
from typing import Any

import polars as pl

from credkit.core.sentences import format_count
from credkit.crosswalk.comparing import CHANGED, FIXED, NEW, OUTCOMES, RunComparison
from credkit.explain.screen import shorten, table_lines

MOST_ROWS_SHOWN = 10  # of a list, without details
MOST_CHARACTERS_SHOWN = 210  # of a finding, without details: three lines of a screen
SAME = "findings, lines and exceptions are the same"
NOTHING = f"Nothing changed: {SAME}."
_PEOPLE = {  # an outcome: what people did, and what more of them did
    "gained": ("gained a number", "gained a number"),
    "lost": ("lost a number", "lost one"),
    "exchanged": ("got another number", "got another"),
    "other": ("changed otherwise", "changed otherwise"),
}


def describe_difference(found: RunComparison) -> str:
    """The verdict in one line: people by what became of their numbers, findings and exceptions by change."""
    parts: list[str] = []
    for outcome, (first, more) in _PEOPLE.items():
        if count := found.count_people(outcome):
            parts.append(f"{count:,} {more}" if parts else f"{format_count(count, 'person', 'people')} {first}")
    for noun, table in (("finding", found.findings), ("exception", found.exceptions)):
        counts = [(change, found.count(table, change)) for change in (FIXED, NEW, CHANGED)]
        there = [(change, count) for change, count in counts if count]
        for place, (change, count) in enumerate(there):
            first = format_count(count, f"new {noun}") if change == NEW else f"{format_count(count, noun)} {change}"
            parts.append(f"{count:,} {change}" if place else first)
    return ", ".join(parts) or NOTHING


def describe_since(found: RunComparison) -> str:
    """What changed since the earlier run, in a sentence that names it."""
    remarks = "".join(f" {each}" for each in (*describe_renamed(found), *describe_times(found)))
    if found.is_same:
        return f"Nothing changed since the run in {found.before.path}: {SAME}.{remarks}"
    return f"Since the run in {found.before.path}: {describe_difference(found)}.{remarks}"


def describe_renamed(found: RunComparison) -> Iterator[str]:
    """A sentence on the files that have another name, if there are any."""
    if found.renamed:
        names = "; ".join(f"{new}, before {old}" for old, new in found.renamed.items())
        yield f"Files under a new name: {names}."


def describe_times(found: RunComparison) -> Iterator[str]:
    """A sentence on how readings are compared, if the time zone is another."""
    if found.times:
        yield f"The time zone is another: readings are compared {found.times}."


def comparison_text(found: RunComparison, *, details: bool = False) -> Iterator[tuple[str, str]]:
    """The lines for a screen, not wrapped, each with the indent of its continuation; ``details`` shows all rows."""
    most = None if details else MOST_ROWS_SHOWN
    yield describe_difference(found), ""
    yield "", ""
    yield f"Site: {found.before.site}", "  "
    for label, run in (("earlier run", found.before), ("later run", found.after)):
        yield f"  {label + ':':<13}{run.path}, status as of {run.as_of}", "    "
    if found.before.as_of > found.after.as_of:
        yield "  The status date of the earlier run is the later one: are the two in the right order?", "    "
    names = "; ".join(found.inputs) or "none"
    yield f"  input files that differ: {names}", "    "
    yield from ((f"  {sentence}", "    ") for sentence in describe_times(found))
    if found.findings.height:
        yield from (("", ""), (f"Findings ({_describe_counts(found.findings)})", ""))
        yield from _list_rows(found.findings, most, _describe_finding if details else _shorten_finding)
    if found.people.height:
        people = format_count(found.people["person"].n_unique(), "person", "people")
        yield from (("", ""), (f"Lines ({_describe_counts(found.lines)}; of {people})", ""))
        yield from ((line, "") for line in table_lines(("people by target", *OUTCOMES), count_outcomes(found.people)))
        yield from _list_rows(found.lines, most, _describe_line)
    if found.exceptions.height:
        yield from (("", ""), (f"Exceptions ({_describe_counts(found.exceptions)})", ""))
        columns = ("file: code", "fixed", "new", "changed to it")
        yield from ((line, "") for line in table_lines(columns, count_codes(found.exceptions)))
        yield from _list_rows(found.exceptions, most, _describe_exception)


def _describe_counts(table: pl.DataFrame) -> str:
    """How many rows of each change there are."""
    counts = table["change"].value_counts().sort("change")
    return ", ".join(f"{count:,} {change}" for change, count in counts.iter_rows())


def _list_rows(table: pl.DataFrame, most: int | None, describe: Any) -> Iterator[tuple[str, str]]:
    """The first ``most`` rows of a table, and how many more there are."""
    for row in islice(table.iter_rows(named=True), most):
        yield from ((f"  {text}", "      ") for text in describe(row))
    if most is not None and table.height > most:
        yield f"  and {table.height - most:,} more (--details)", "      "


def _describe_finding(row: Mapping[str, Any]) -> Iterator[str]:
    side = "before" if row["after_count"] is None else "after"
    counts = ""
    if row["change"] == CHANGED:
        moved = [
            f"{name} {row[f'before_{name}']:,} → {row[f'after_{name}']:,}"
            for name in ("count", "people")
            if row[f"before_{name}"] != row[f"after_{name}"]
        ]
        counts = f" ({', '.join(moved) or 'other lines for the site file'})"
    yield f"{row['change']}: {row['code']}, {row['subject']}{counts}: {row[f'{side}_text']}"


def _shorten_finding(row: Mapping[str, Any]) -> Iterator[str]:
    yield from (shorten(text, MOST_CHARACTERS_SHOWN) for text in _describe_finding(row))


def _describe_line(row: Mapping[str, Any]) -> Iterator[str]:
    who = ", ".join(part for part in (row["person"], row["target"], row["credential"]) if part)
    sides = [_describe_action(row, side) for side in ("before", "after") if row[f"{side}_action"] is not None]
    yield f"{row['change']}: {who}: {' → '.join(sides)}"


def _describe_action(row: Mapping[str, Any], side: str) -> str:
    action, text, code = (row[f"{side}_{name}"] for name in ("action", "text", "code"))
    return f"{action}{f' {text}' if text else ''}{f' ({code})' if code else ''}"


def _describe_exception(row: Mapping[str, Any]) -> Iterator[str]:
    where = ", ".join(part for part in (row["file"], row["reader"], row["time"]) if part)
    sides = [_describe_case(row, side) for side in ("before", "after") if row[f"{side}_code"] is not None]
    yield f"{row['change']}: {where}: {row['input']}: {' → '.join(sides)}"


def _describe_case(row: Mapping[str, Any], side: str) -> str:
    whose = ", ".join(row[f"{side}_{name}"] for name in ("person", "credential") if row[f"{side}_{name}"])
    return f"{row[f'{side}_code']}{f' ({whose})' if whose else ''}"


def count_outcomes(people: pl.DataFrame) -> Iterator[Sequence[str | int]]:
    """By target how many people have each outcome."""
    counts = {(row[0], row[1]): row[2] for row in people.group_by("target", "outcome").len().iter_rows()}
    for target in sorted({target for target, _ in counts}):
        yield (target or "(no target)", *(counts.get((target, outcome), 0) for outcome in OUTCOMES))


def count_codes(exceptions: pl.DataFrame) -> Iterator[Sequence[str | int]]:
    """By file and code how many rows have each change; one that changed stands under its later code."""
    coded = exceptions.select("file", "change", pl.coalesce("after_code", "before_code").alias("code"))
    counts = {row[:3]: row[3] for row in coded.group_by("file", "code", "change").len().iter_rows()}
    for file, code in sorted({(file, code) for file, code, _ in counts}):
        yield (f"{file}: {code}", *(counts.get((file, code, change), 0) for change in (FIXED, NEW, CHANGED)))
