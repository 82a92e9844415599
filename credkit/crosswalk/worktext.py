"""The work as text: the verdict in one line, then what to do, item by item."""

from __future__ import annotations

from collections.abc import Iterator

from credkit.core.sentences import describe_rows, format_count
from credkit.crosswalk.result import CardCounts, Crosswalk, WorkItem
from credkit.privacy.screentexts import wrap_masked

OTHER_ITEMS = "Then"  # the line above the items that are told in a line each
READER_TASKS = ("other-order", "other-chain", "re-set")  # that lines of the site file may cure


def describe_verdict(result: Crosswalk) -> str:
    """The verdict in one line: cards that are ready, cards that need a decision, settings of readers to change."""
    cards = result.cards
    parts = [f"{format_count(cards.ready, 'card')} ready"]
    if cards.held:
        parts.append(f"{cards.held:,} {'needs' if cards.held == 1 else 'need'} a decision")
    settings = sum(bool(item.lines) and item.task in READER_TASKS for item in result.work)
    if settings:
        parts.append(f"{format_count(settings, 'reader setting')} to change")
    if not result.work:
        parts.append("nothing to do")
    return ", ".join(parts)


def work_text(result: Crosswalk, most: int | None = None) -> Iterator[str]:
    """The lines of the verdict and of what to do; with ``most``, after so many items the others on one line each."""
    yield from wrap_masked(describe_verdict(result))
    yield from wrap_masked(f"Crosswalk of {result.site}, status as of {result.as_of}{_describe_idle(result.cards)}")
    if not result.work:
        return
    count = len(result.work)
    yield from ("", f"WHAT TO DO ({format_count(count, 'item')}{', what helps most first' * (count > 1)})")
    room = len(str(count))
    for number, item in enumerate(result.work, 1):
        label = f"{number:>{room + 1}}. "
        indent = " " * len(label)
        if most and number > most:
            if number == most + 1:
                yield from ("", OTHER_ITEMS)
            yield from wrap_masked(f"{item.title} ({_describe_counts(item)})", label, indent)
        else:
            yield ""
            yield from _item_text(item, label, indent)


def _describe_idle(cards: CardCounts) -> str:
    """What becomes of the cards that are neither ready nor held."""
    if not cards.idle:
        return ""
    return f"; of {format_count(cards.idle, 'other card')} nothing is written (not active, or without a target)"


def _item_text(item: WorkItem, label: str, indent: str) -> Iterator[str]:
    """An item: what is wrong, whom it concerns, how sure that is, what to do, and what ends then."""
    yield from wrap_masked(item.title, label, indent)
    sure = f"{item.sure}: {item.evidence}" if item.evidence else item.sure
    yield from wrap_masked(f"{_describe_counts(item)}; {sure}", indent, indent)
    yield from wrap_masked(item.act, indent, indent)
    yield from (f"{indent}  {line}" for line in item.lines)
    if not item.lines:
        for file, lines in item.rows.by_file().items():
            yield from wrap_masked(f"Rows: {file} {describe_rows(lines)}", indent, indent)
    if item.ends:
        ends = ", ".join(f"{format_count(end.count, f'{end.code} {end.noun}')}" for end in item.ends)
        yield from wrap_masked(f"Ends: {ends}", indent, indent)


def _describe_counts(item: WorkItem) -> str:
    """How many people, cards and readings an item concerns."""
    counts = (
        format_count(item.people, "person", "people") if item.people else "",
        format_count(item.credentials, "card") if item.credentials else "",
        format_count(item.readings, "reading") if item.readings else "",
    )
    return ", ".join(filter(None, counts)) or "nobody known"
