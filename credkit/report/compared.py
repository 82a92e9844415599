"""What differs between two runs, as a page has it: people by target, findings and exceptions by code."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from credkit.crosswalk.comparing import CHANGED, FIXED, NEW, OUTCOMES, RunComparison
from credkit.crosswalk.comparisontext import count_codes, count_outcomes, describe_difference

MOST_PEOPLE_LISTED = 300  # ids in one list; the command has all with --details
FINDING_ORDER = (NEW, CHANGED, FIXED)  # what may need an act comes first


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingChange:
    """A finding that differs: how many rows and people it counts in each run, None where the run has none."""

    change: str
    code: str
    subject: str
    counts: tuple[int | None, int | None]
    people: tuple[int | None, int | None]
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Differences:
    """The differences of two runs: the ``verdict``, and lists of them."""

    verdict: str
    outcomes: tuple[Sequence[str | int], ...]
    people: tuple[tuple[str, str, int, Sequence[str]], ...]
    findings: tuple[FindingChange, ...]
    codes: tuple[Sequence[str | int], ...]


def count_differences(found: RunComparison) -> Differences:
    """The differences as tables; of each list of people the first `MOST_PEOPLE_LISTED`."""
    return Differences(
        verdict=describe_difference(found), outcomes=tuple(count_outcomes(found.people)),
        people=tuple(_list_people(found.people)),
        findings=tuple(sorted(_list_findings(found.findings), key=lambda each: FINDING_ORDER.index(each.change))),
        codes=tuple(count_codes(found.exceptions)),
    )  # fmt: skip


def _list_people(people: pl.DataFrame) -> Iterator[tuple[str, str, int, Sequence[str]]]:
    """By target and outcome how many people, and their ids."""
    groups = people.group_by("target", "outcome").agg(pl.len(), pl.col("person").head(MOST_PEOPLE_LISTED))
    found = {(target, outcome): (count, ids) for target, outcome, count, ids in groups.iter_rows()}
    for target in sorted({target for target, _ in found}):
        for outcome in OUTCOMES:
            if (target, outcome) in found:
                count, ids = found[target, outcome]
                yield target or "no target", outcome, count, ids


def _list_findings(findings: pl.DataFrame) -> Iterator[FindingChange]:
    for row in findings.iter_rows(named=True):
        side = "before" if row["after_count"] is None else "after"
        yield FindingChange(
            change=row["change"], code=row["code"], subject=row["subject"], counts=_sides(row, "count"),
            people=_sides(row, "people"), text=row[f"{side}_text"],
        )  # fmt: skip


def _sides(row: Mapping[str, Any], name: str) -> tuple[int | None, int | None]:
    return row[f"before_{name}"], row[f"after_{name}"]
