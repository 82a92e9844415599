"""Order: findings by their effect, the same on every run.

First come findings for which people's lines are held, by the number of these people; then those that
except rows, or explain exceptions by how a reader is set, by the number of the rows; then all others.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import replace
from operator import itemgetter

from credkit.crosswalk.result import (
    EXCEPTION_CODES,
    FACT_CODES,
    FINDING_CODES,
    READER_CODES,
    CrosswalkLine,
    Finding,
)
from credkit.site.model import Rows

_PLACE = {code: place for place, code in enumerate(FINDING_CODES)}


def order_findings(
    findings: Iterable[Finding], rows: Rows, file: str, lines: Iterable[CrosswalkLine]
) -> tuple[Finding, ...]:
    """The findings in order, each with the number of its people; ``file`` has the credentials."""
    persons = {row.line: row.person for row in rows.credentials}
    held: dict[str, set[int]] = defaultdict(set)  # lines, by the code that holds them
    for line in lines:
        if line.action == "hold":
            held[line.code].add(line.line)
    ranked = []
    for finding in findings:
        about = {line for line in finding.rows.of(file) if line in persons}
        stopped = {persons[line] for line in about & held.get(finding.code, set())}
        people = len({persons[line] for line in about})
        ranked.append((_effect(finding, len(stopped)), replace(finding, people=people)))
    return tuple(finding for _, finding in sorted(ranked, key=itemgetter(0)))


def _effect(finding: Finding, stopped: int) -> tuple[int, int, int, int, int, str]:
    """What a finding is ordered by; lines of so many people are held for it."""
    if finding.code in READER_CODES:  # a cause stands before the exceptions that it explains
        excepted, rank = finding.count, 0
    else:
        excepted = len(finding.rows) if finding.code in EXCEPTION_CODES else 0
        rank = 2 if finding.code in FACT_CODES else 1
    return -stopped, -excepted, rank, _PLACE[finding.code], -finding.count, finding.subject
