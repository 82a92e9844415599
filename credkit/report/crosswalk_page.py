"""The result page of a crosswalk: the verdict for the one who decides, then the auditor's part.

Numbers are those of the `Crosswalk`; here they are only added up, sorted and put into words.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import polars as pl

from credkit.audit.sentences import format_minute
from credkit.crosswalk.comparing import RunComparison
from credkit.crosswalk.decisions import DECISIONS
from credkit.crosswalk.readiness import NO_CARD, AreaCounts, Readiness
from credkit.crosswalk.result import FINDING_CODES, Crosswalk
from credkit.crosswalk.worktext import describe_stand_ins
from credkit.explain.cautions import COPIES, OF_A_RESULT
from credkit.report.charts import draw_shares
from credkit.report.compared import count_differences
from credkit.report.crosswalk_limits import list_limits
from credkit.report.cutover import judge_cutover
from credkit.report.questions import answer_questions
from credkit.report.templates import list_versions, render_page
from credkit.report.words import describe_item_rows
from credkit.site.model import Site

TITLE = "Result of a crosswalk"
MARK = '<meta name="generator" content="credkit crosswalk report">'
MOST_PEOPLE_LISTED = 300  # ids in one list; readiness.csv has all
AGAINST = {  # what each code against a person's cards means
    **{each.code: each.condition for each in DECISIONS},
    **FINDING_CODES,
    NO_CARD: "no row gives the target a number of theirs",
}
MOST_OPEN = 12  # people of a list that is not folded


def report_crosswalk(
    result: Crosswalk, site: Site, *, compared: RunComparison | None = None, made: datetime | None = None
) -> str:
    """``result`` as a page of HTML, times by the clocks of ``site``; ``made`` is when, and by default now.

    ``compared`` is what differs from an earlier run to this one.
    """
    made = made or datetime.now(UTC)
    cutover = judge_cutover(result)
    without_export = [target.name for target in site.targets.values() if not target.existing]
    counts = [row for row in result.readiness.counts if row.area]
    return render_page(
        "crosswalk.html", mark=MARK, title=TITLE, site=result.site,
        made_on=f"{format_minute(made, site.zone)} ({site.zone})", result=result, cutover=cutover,
        stand_ins=describe_stand_ins(result), answers=answer_questions(result, cutover, compared),
        versions=list_versions(),
        people_bar=draw_shares(result.readiness.people), cards_bar=draw_shares(result.cards),
        pairs=[row for row in counts if row.is_read], other_pairs=[row for row in counts if not row.is_read],
        nowhere=[row for row in result.readiness.counts if not row.area and row.people],
        shares=lambda row: draw_shares((row.seen, row.paper, row.conflict, row.nothing)),
        locked=list(list_locked(result.readiness)), most_open=MOST_OPEN,
        rows_of=describe_item_rows, meanings=FINDING_CODES, against=AGAINST,
        compared=compared, differences=count_differences(compared) if compared else None,
        limits=list(list_limits(result, cutover, without_export)),
        cautions=(*OF_A_RESULT[:1], COPIES, *OF_A_RESULT[1:], *result.remarks),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class LockedPeople:
    """The people of an area who would stand before a locked door, by the code against their cards, the most first."""

    counts: AreaCounts
    by_code: tuple[tuple[str, int, Sequence[str]], ...]


def list_locked(readiness: Readiness, most: int = MOST_PEOPLE_LISTED) -> Iterator[LockedPeople]:
    """The lists of all areas and targets that have one, with at most so many ids of each code."""
    locked = readiness.unproven.filter("locked")
    groups = locked.group_by("area", "target", "code").agg(pl.len(), pl.col("person").head(most))
    rows = groups.sort(["len", "code"], descending=[True, False]).iter_rows()
    found: dict[tuple[str, str], list[tuple[str, int, Sequence[str]]]] = {}
    for area, target, code, count, people in rows:
        found.setdefault((area, target), []).append((code, count, people))
    for counts in readiness.counts:
        if lists := found.get((counts.area, counts.target)):
            yield LockedPeople(counts=counts, by_code=tuple(lists))
