"""Order: findings by their effect, the same on every run.

First come findings for which people's lines are held, by the number of these people; then those that
except rows, or explain exceptions by how a reader is set, by the number of the rows; then all others.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from credkit.crosswalk.result import (
    EXCEPTION_CODES,
    FACT_CODES,
    FINDING_CODES,
    READER_CODES,
    CrosswalkLine,
    FileLine,
    Finding,
)
from credkit.site.model import Rows

_PLACE = {code: place for place, code in enumerate(FINDING_CODES)}


def order_findings(
    findings: Iterable[Finding], rows: Rows, file: str, lines: Iterable[CrosswalkLine]
) -> tuple[Finding, ...]:
    """The findings in order, each with the number of its people; ``file`` has the credentials."""
    persons = {FileLine(file, row.line): row.person for row in rows.credentials}
    held = {(line.code, FileLine(file, line.line)) for line in lines if line.action == "hold"}
    counted = [
        replace(finding, people=len({persons[row] for row in finding.rows if row in persons})) for finding in findings
    ]
    return tuple(sorted(counted, key=lambda finding: _effect(finding, persons, held)))


def _effect(
    finding: Finding, persons: dict[FileLine, str], held: set[tuple[str, FileLine]]
) -> tuple[int, int, int, int, int, str]:
    stopped = {persons[row] for row in finding.rows if (finding.code, row) in held}
    if finding.code in READER_CODES:  # a cause stands before the exceptions that it explains
        excepted, rank = finding.count, 0
    else:
        excepted = len(finding.rows) if finding.code in EXCEPTION_CODES else 0
        rank = 2 if finding.code in FACT_CODES else 1
    return -len(stopped), -excepted, rank, _PLACE[finding.code], -finding.count, finding.subject
