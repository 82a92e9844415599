"""The work as text: the verdict in one line, then what to do, item by item."""

from __future__ import annotations

from collections.abc import Iterator

from credkit.core.sentences import format_count, join_values
from credkit.crosswalk.result import CardCounts, Crosswalk
from credkit.privacy.screentexts import wrap_masked
from credkit.site.standins import is_stand_in_target
from credkit.work.text import list_work

READER_TASKS = ("other-order", "other-chain", "re-set")  # that lines of the site file may cure


def describe_verdict(result: Crosswalk) -> str:
    """The verdict in one line: cards that are ready, cards that need a decision, settings of readers to change."""
    cards = result.cards
    parts = [f"{format_count(cards.ready, 'card')} ready"]
    if cards.held:
        parts.append(f"{cards.held:,} {'needs' if cards.held == 1 else 'need'} a decision")
    settings = count_settings(result)
    if settings:
        parts.append(f"{format_count(settings, 'reader setting')} to change")
    if not result.work:
        parts.append("nothing to do")
    return ", ".join(parts)


def describe_stand_ins(result: Crosswalk) -> str:
    """That targets stand in for systems that no file names, and what to do; empty where none does."""
    names = [name for name in dict.fromkeys(row.target for row in result.readiness.counts) if is_stand_in_target(name)]
    if not names:
        return ""
    one = len(names) == 1
    return (
        f"{join_values(names)} {'stands in for a system' if one else 'stand in for systems'} that no file names: write "
        f"{'its name and chain' if one else 'their names and chains'} under [targets] before you rely on this result."
    )


def count_settings(result: Crosswalk) -> int:
    """The items of work on a reader that lines of the site file end."""
    return sum(bool(item.lines) and item.task in READER_TASKS for item in result.work)


def work_text(result: Crosswalk, most: int | None = None) -> Iterator[str]:
    """The lines of the verdict and of what to do; with ``most``, after so many items the others on one line each."""
    yield from wrap_masked(describe_verdict(result))
    if caution := describe_stand_ins(result):
        yield from wrap_masked(caution)
    yield from wrap_masked(f"Crosswalk of {result.site}, status as of {result.as_of}{_describe_idle(result.cards)}")
    yield from list_work(result.work, most)


def _describe_idle(cards: CardCounts) -> str:
    """What becomes of the cards that are neither ready nor held."""
    if not cards.idle:
        return ""
    return f"; of {format_count(cards.idle, 'other card')} nothing is written (not active, or without a target)"
