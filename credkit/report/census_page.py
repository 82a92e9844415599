"""The page of a census: duplicates and what to reissue for the one who decides, then ranges, layouts and files."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime

from credkit.audit.sentences import format_minute
from credkit.census.result import BY_NUMBER, BY_READER, BY_TARGET, Census, Place
from credkit.census.summary import CAUTIONS, REISSUE_CAUTION, SHARED, describe_verdict
from credkit.core.sentences import format_count
from credkit.explain.cautions import EGRESS, PEOPLE
from credkit.report.charts import draw_row_bar
from credkit.report.page import PinnedFile
from credkit.report.questions import Answer
from credkit.report.templates import list_versions, render_page
from credkit.report.words import describe_item_rows, join_names, show_text
from credkit.site.model import Site

TITLE = "Census of credentials"
MARK = '<meta name="generator" content="credkit census report">'
MOST_LISTED = 300  # rows of a list; the files have all of them


def report_census(result: Census, site: Site, *, files: Sequence[PinnedFile] = (), made: datetime | None = None) -> str:
    """``result`` as a page of HTML; ``files`` are those it was made from, ``made`` is when, and by default now."""
    made = made or datetime.now(UTC)
    return render_page(
        "census.html", mark=MARK, title=TITLE, site=result.site,
        made_on=f"{format_minute(made, site.zone)} ({site.zone})", result=result, verdict=describe_verdict(result),
        answers=tuple(_answers(result)), rows_of=describe_item_rows,
        shared=SHARED, groups=sorted(result.groups, key=lambda group: tuple(SHARED).index(group.what))[:MOST_LISTED],
        reissued=result.reissue.cards[:MOST_LISTED], ranges=result.ranges[:MOST_LISTED],
        dense=lambda each: draw_row_bar(100 * each.density, 100), unreadable=result.unreadable[:MOST_LISTED],
        badges=result.allocation.badges[:MOST_LISTED] if result.allocation else (), files=files,
        limits=tuple(_limits(result)), versions=list_versions(), cautions=(*CAUTIONS, REISSUE_CAUTION, PEOPLE, EGRESS),
    )  # fmt: skip


def _answers(result: Census) -> Iterator[Answer]:
    """What a manager asks of a register."""
    by_kind = {what: [each for each in result.places if each.what == what and each.groups] for what in SHARED}
    counts, plans = result.counts, result.plans
    rows = (
        (
            "How many cards are there?", f"{format_count(counts.rows, 'row')}",
            f"{counts.active:,} active, {counts.inactive:,} inactive, {counts.gone:,} gone", "rows",
        ),
        ("Do two cards have one number?", *_count_groups(by_kind[BY_NUMBER]), "duplicates"),
        (
            "Does a target or reader merge two?",
            *_count_groups([*by_kind[BY_TARGET], *by_kind[BY_READER]]), "duplicates",
        ),
        (
            "How many cards must be reissued?", format_count(len(result.reissue.cards), "card"),
            f"no fewer than {result.reissue.least:,} separate all" if result.reissue.cards else "nothing to separate",
            "reissue",
        ),
        (
            "Is there room to grow?", _describe_room(result),
            "; ".join(
                f"{each.namespace}: {next((plan.layout for plan in each.plans if plan.smallest), 'no layout')}"
                for each in plans[:3]
            ) or "no numbers of a facility code", "layouts",
        ),
        (
            "Can I trust this?", f"{format_count(counts.unreadable, 'row')} not readable",
            f"{counts.superseded:,} superseded; every row counts once", "unchecked",
        ),
    )  # fmt: skip
    for question, answer, detail, part in rows:
        yield Answer(question=question, answer=answer, detail=show_text(detail), part=part)


def _count_groups(places: Sequence[Place]) -> tuple[str, str]:
    """How many groups the places have, and which places they are."""
    if not places:
        return "None found", "among the rows that can be read"
    groups, active = (sum(each.groups for each in places), sum(each.several_active for each in places))
    named = join_names([f"{each.name} {each.groups:,}" for each in places], 3)
    return format_count(groups, "group"), f"{active:,} with two or more active cards: {named}"


def _describe_room(result: Census) -> str:
    full = [each.namespace for each in result.plans if not any(plan.fits for plan in each.plans)]
    return f"Not for {join_names(full, 2)}" if full else f"Yes, for {result.room} % more"


def _limits(result: Census) -> Iterator[str]:
    """What a census cannot tell, a sentence each."""
    if result.counts.unreadable:
        yield f"{format_count(result.counts.unreadable, 'row')} that cannot be read: their numbers are not compared."
    yield from (f"{each}." for each in result.unknown)
    if result.counts.gone:
        yield f"{format_count(result.counts.gone, 'card')} that nobody holds any more: they are not compared."
    yield "No reading was looked at: whether a card has the number that the register says is not known."
    yield "Cards that the register does not have, and doors, readers and controllers themselves."
