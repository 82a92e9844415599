"""The list of work as text: each item with whom it concerns, how sure that is, what to do, and what ends then."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from credkit.core.sentences import describe_rows, format_count
from credkit.privacy.screentexts import wrap_masked
from credkit.work.items import WorkItem

OTHER_ITEMS = "Then"  # the line above the items that have a line each


def list_work(items: Sequence[WorkItem], most: int | None = None) -> Iterator[str]:
    """The lines of what to do; with ``most``, after so many items the others on one line each."""
    if not items:
        return
    count = len(items)
    yield from ("", f"WHAT TO DO ({format_count(count, 'item')}{', what helps most first' * (count > 1)})")
    room = len(str(count))
    for number, item in enumerate(items, 1):
        label = f"{number:>{room + 1}}. "
        indent = " " * len(label)
        if most and number > most:
            if number == most + 1:
                yield from ("", OTHER_ITEMS)
            counts = describe_counts(item)
            yield from wrap_masked(f"{item.title} ({counts})" if counts else item.title, label, indent)
        else:
            yield ""
            yield from _item_text(item, label, indent)


def _item_text(item: WorkItem, label: str, indent: str) -> Iterator[str]:
    """An item: what is wrong, whom it concerns, how sure that is, what to do, and what ends then."""
    yield from wrap_masked(item.title, label, indent)
    sure = f"{item.sure}: {item.evidence}" if item.evidence else item.sure
    yield from wrap_masked("; ".join(filter(None, (describe_counts(item), sure))), indent, indent)
    yield from wrap_masked(item.act, indent, indent)
    yield from (f"{indent}  {line}" for line in item.lines)
    if not item.lines:
        for file, lines in item.rows.by_file().items():
            yield from wrap_masked(f"Rows: {file} {describe_rows(lines)}", indent, indent)
    if item.ends:
        yield from wrap_masked(f"Ends: {describe_ends(item)}", indent, indent)


def describe_counts(item: WorkItem) -> str:
    """How many people, cards, readings and readers an item concerns; empty where it concerns a file or a plan.

    >>> describe_counts(WorkItem(task="", subject="", title="", act="", people=2, credentials=1, readings=1200))
    '2 people, 1 card, 1,200 readings'
    """
    counts = (
        format_count(item.people, "person", "people") if item.people else "",
        format_count(item.credentials, "card") if item.credentials else "",
        format_count(item.readings, "reading") if item.readings else "",
        format_count(item.readers, "reader") if item.readers else "",
    )
    return ", ".join(filter(None, counts))


def describe_ends(item: WorkItem) -> str:
    """What ends when an item is done.

    >>> from credkit.work.items import Effect
    >>> ends = Effect(code="never-seen", count=24, noun="card"), Effect(code="", count=2, noun="row", at_most=True)
    >>> describe_ends(WorkItem(task="", subject="", title="", act="", ends=ends))
    '24 never-seen cards, at most 2 rows'
    """
    return ", ".join(
        f"{'at most ' * end.at_most}{format_count(end.count, f'{end.code} {end.noun}'.strip())}" for end in item.ends
    )
