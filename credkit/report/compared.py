"""What differs between two runs, as a page has it: people by target, findings and exceptions by code."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import polars as pl

from credkit.audit.sentences import format_minute
from credkit.core.sentences import format_count
from credkit.crosswalk.comparing import CHANGED, FIXED, NEW, OUTCOMES, RunComparison
from credkit.crosswalk.comparisontext import count_codes, count_outcomes, describe_difference, describe_times
from credkit.crosswalk.result import FINDING_CODES
from credkit.explain.cautions import COPIES, OF_A_RESULT
from credkit.report.questions import Answer, describe_direction
from credkit.report.templates import list_versions, render_page
from credkit.report.words import join_names

TITLE = "Two runs compared"
MARK = '<meta name="generator" content="credkit comparison report">'
MOST_PEOPLE_LISTED = 300  # ids in one list; the command has all with --details
FINDING_ORDER = (NEW, CHANGED, FIXED)  # what may need an act comes first


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingChange:
    """A finding that differs, what its code means, and how many rows and people it counts in each run.

    The counts are None where the run has no such finding.
    """

    change: str
    code: str
    meaning: str
    subject: str
    counts: tuple[int | None, int | None]
    people: tuple[int | None, int | None]
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Differences:
    """The differences of two runs: the ``verdict``, sentences on another time zone, and lists of them."""

    verdict: str
    times: tuple[str, ...]
    outcomes: tuple[Sequence[str | int], ...]
    people: tuple[tuple[str, str, int, Sequence[str]], ...]
    findings: tuple[FindingChange, ...]
    codes: tuple[Sequence[str | int], ...]


def count_differences(found: RunComparison) -> Differences:
    """The differences as tables; of each list of people the first `MOST_PEOPLE_LISTED`."""
    return Differences(
        verdict=describe_difference(found), times=tuple(describe_times(found)),
        outcomes=tuple(count_outcomes(found.people)),
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
            change=row["change"], code=row["code"], meaning=FINDING_CODES.get(row["code"], ""),
            subject=row["subject"], counts=_sides(row, "count"), people=_sides(row, "people"), text=row[f"{side}_text"],
        )  # fmt: skip


def _sides(row: Mapping[str, Any], name: str) -> tuple[int | None, int | None]:
    return row[f"before_{name}"], row[f"after_{name}"]


def report_comparison(found: RunComparison, *, made: datetime | None = None) -> str:
    """``found`` as a page of HTML; ``made`` is when (UTC), and by default now."""
    before = {found.renamed.get(file.name, file.name): file.sha256 for file in found.before.inputs}
    after = {file.name: file.sha256 for file in found.after.inputs}
    labels = {new: f"{new}, before {old}" for old, new in found.renamed.items()}
    differences = count_differences(found)
    return render_page(
        "comparison.html", mark=MARK, title=TITLE, site=found.before.site,
        made_on=f"{format_minute(made or datetime.now(UTC), UTC)} (UTC)", compared=found, differences=differences,
        word=describe_direction(found), answers=_answer(found, differences),
        inputs=[
            (labels.get(name, name), before.get(name, ""), after.get(name, ""))
            for name in dict.fromkeys((*before, *after))
        ],
        versions=list_versions(), cautions=(*OF_A_RESULT[:1], COPIES, *OF_A_RESULT[1:]),
    )  # fmt: skip


def _answer(found: RunComparison, differences: Differences) -> tuple[Answer, ...]:
    """What a manager asks of two runs."""
    gained, lost, exchanged = (found.count_people(outcome) for outcome in OUTCOMES[:3])
    findings = {change: found.count(found.findings, change) for change in (NEW, CHANGED, FIXED)}
    exceptions = {change: found.count(found.exceptions, change) for change in (NEW, FIXED)}
    new = Counter(each.meaning or each.code for each in differences.findings if each.change == NEW)
    news = [f"{meaning} ({count:,})" for meaning, count in new.most_common()]
    rows = (
        ("Who gained a number?", format_count(gained, "person", "people"), _by_target(differences, "gained")),
        ("Who lost one?", format_count(lost, "person", "people"), _by_target(differences, "lost")),
        ("Who got another?", format_count(exchanged, "person", "people"), _by_target(differences, "exchanged")),
        (
            "What is new?", format_count(findings[NEW], "finding"),
            join_names(news, 2) if news else f"{findings[CHANGED]:,} changed",
        ),
        (
            "What is fixed?", format_count(findings[FIXED], "finding"),
            f"exceptions: {exceptions[FIXED]:,} fixed, {exceptions[NEW]:,} new",
        ),
    )  # fmt: skip
    return tuple(
        Answer(question=question, answer=answer, detail=detail, part="differences") for question, answer, detail in rows
    )


def _by_target(differences: Differences, outcome: str) -> str:
    names = [f"{target} {count:,}" for target, its, count, _ in differences.people if its == outcome]
    return join_names(names, 3) if names else "in no target"
