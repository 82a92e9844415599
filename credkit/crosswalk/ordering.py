"""Order: findings by their effect, the same on every run.

First come findings for which people's lines are held, by the number of these people; then those that
except rows, or explain exceptions by how a reader is set, by the number of the rows; then all others.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from operator import itemgetter

import numpy as np
import polars as pl

from credkit.bulk.words import Array
from credkit.crosswalk.linetable import LineTable
from credkit.crosswalk.result import EXCEPTION_CODES, FACT_CODES, FINDING_CODES, READER_CODES, Finding
from credkit.facts.judged_texts import intern

_PLACE = {code: place for place, code in enumerate(FINDING_CODES)}


def order_findings(findings: Iterable[Finding], rows: pl.DataFrame, file: str, lines: LineTable) -> tuple[Finding, ...]:
    """The findings in order, each with the number of its people; ``file`` has the credentials."""
    which, _ = intern(rows["person"])
    persons = np.append(which, -1)
    known = rows["line"].cast(pl.Int64).to_numpy()  # as the lines that are looked up, or each search converts it
    held_lines = lines.select("code", "line", where=pl.col("action") == "hold").unique()
    held = {str(code): part["line"].to_numpy() for (code,), part in held_lines.group_by("code")}
    ranked = []
    for finding in findings:
        about = np.fromiter(finding.rows.of(file), np.int64)
        people = _count_people(persons, known, about)
        stopped = (
            _count_people(persons, known, np.intersect1d(about, held[finding.code])) if finding.code in held else 0
        )
        ranked.append((_effect(finding, stopped), replace(finding, people=people)))
    return tuple(finding for _, finding in sorted(ranked, key=itemgetter(0)))


def _count_people(persons: Array, known: Array, lines: Array) -> int:
    """How many people the rows on ``lines`` of the credentials are about."""
    at = np.searchsorted(known, lines)
    at[at == len(known)] = 0
    return len(np.unique(persons[at[known[at] == lines]])) if len(known) else 0


def _effect(finding: Finding, stopped: int) -> tuple[int, int, int, int, int, str]:
    """What a finding is ordered by; lines of so many people are held for it."""
    if finding.code in READER_CODES:  # a cause stands before the exceptions that it explains
        excepted, rank = finding.count, 0
    else:
        excepted = len(finding.rows) if finding.code in EXCEPTION_CODES else 0
        rank = 2 if finding.code in FACT_CODES else 1
    return -stopped, -excepted, rank, _PLACE[finding.code], -finding.count, finding.subject
