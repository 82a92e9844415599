"""Work: what people do about a census, one item for each cause.

A group of duplicates belongs to the place that cannot tell its cards apart, and to the item on cards that are not
active if it has such a card beside an active one. It is told from groups and counts, never from rows.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence

from credkit.census.result import BY_NUMBER, BY_TARGET, Census, DuplicateGroup, Place, PlaceKind
from credkit.census.tasks import TASKS
from credkit.core.sentences import format_count, join_values
from credkit.facts.statuses import ACTIVE
from credkit.work.filelines import NO_LINES, FileLines
from credkit.work.items import Effect, WorkItem, sort_items

TASK_OF_PLACE: Mapping[PlaceKind, str] = {
    "number": "duplicate-number", "target": "truncated", "reader": "truncated-reader",
}  # fmt: skip


def list_work(
    result: Census, *, rounded: Mapping[str, str], unclear: Mapping[str, str], hidden: Collection[str]
) -> tuple[WorkItem, ...]:
    """The items of work, in their order.

    ``rounded`` has, by kind, the sentence on numbers that may be rounded, ``unclear`` that on each reader of which
    nobody knows what it truncates; ``hidden`` are namespaces whose ranges are not shown.
    """
    items = [
        *_duplicates(result), *_unreadable(result), *_full_ranges(result), *_allocation(result),
        *(_make("maybe-rounded", kind, evidence=text) for kind, text in rounded.items()),
        *(_make("unclear-truncation", reader, evidence=text) for reader, text in unclear.items()),
        *(_make("hidden-ranges", namespace) for namespace in hidden),
    ]  # fmt: skip
    return sort_items(items, TASKS)


def _duplicates(result: Census) -> Iterator[WorkItem]:
    """The groups of each place; those with cards that are not active beside active ones apart."""
    places = {(place.what, place.name): place for place in result.places}
    groups: dict[tuple[PlaceKind, str], list[DuplicateGroup]] = defaultdict(list)
    for group in result.groups:
        if group.what == BY_NUMBER or _merges_numbers(group):  # others are duplicates by their number, told there
            groups[group.what, group.place].append(group)
    for key, mine in groups.items():
        mixed = [len({member.state == ACTIVE for member in group.members}) > 1 for group in mine]
        some = [group for group, is_mixed in zip(mine, mixed, strict=True) if is_mixed]
        others = [group for group, is_mixed in zip(mine, mixed, strict=True) if not is_mixed]
        if some:
            yield _group_item("inactive-twin", places[key], some, result)
        if others:
            yield _group_item(TASK_OF_PLACE[key[0]], places[key], others, result)
    for place in result.places:
        if place.what == BY_TARGET and place.unknown:
            yield _make("unwritable", place.name, credentials=place.unknown)


def _group_item(task: str, place: Place, groups: Sequence[DuplicateGroup], result: Census) -> WorkItem:
    """The item of some groups of a place."""
    members = [member for group in groups for member in group.members]
    readers = {reader for group in groups for reader in group.readers}
    evidence = [f"{format_count(len(groups), 'group')} of cards alike"]
    if readers:
        evidence.append(f"read alike at {join_values(sorted(readers), quote=str)}")
    return _make(
        task, place.name, people=len({member.person for member in members}),
        credentials=len({member.credential for member in members}), readers=len(readers),
        evidence=", ".join(evidence), rows=FileLines({result.file: [member.line for member in members]}),
        ends=(Effect(code="duplicate", count=len(groups), noun="group"),),
    )  # fmt: skip


def _merges_numbers(group: DuplicateGroup) -> bool:
    """Whether the cards of a group have different numbers in the register."""
    return len({member.number for member in group.members}) > 1


def _unreadable(result: Census) -> Iterator[WorkItem]:
    """The rows whose value is no number, by what is wrong with them."""
    lines: dict[str, list[int]] = defaultdict(list)
    for row in result.unreadable:
        lines[row.code].append(row.line)
    cards: dict[str, set[str]] = defaultdict(set)
    for row in result.unreadable:
        cards[row.code].update(row.candidates)
    for code, mine in lines.items():
        yield _make(
            code, result.file, credentials=len(cards[code]), rows=FileLines({result.file: mine}),
            ends=(Effect(code="unreadable", count=len(mine), noun="row"),),
        )  # fmt: skip


def _full_ranges(result: Census) -> Iterator[WorkItem]:
    """The namespaces whose free numbers do not allow the growth that is planned for, and those that no layout holds."""
    cards = {place.name: place.cards for place in result.places if place.what == BY_NUMBER}
    for namespace in dict.fromkeys(each.namespace for each in result.ranges):
        mine = [each for each in result.ranges if each.namespace == namespace]
        free, growth = sum(each.free for each in mine), -(-cards.get(namespace, 0) * result.room // 100)
        full = [each for each in mine if not each.free]
        if free < growth or full:
            evidence = f"{format_count(free, 'number')} free, {growth:,} for {result.room} % growth"
            codes = [str(each.facility) for each in full if each.facility is not None]
            named = f"; none free with facility code {join_values(codes, quote=str)}" if codes else ""
            yield _make("range-full", namespace, credentials=cards.get(namespace, 0), evidence=f"{evidence}{named}")
    for planned in result.plans:
        if not any(each.fits for each in planned.plans):
            evidence = f"{format_count(planned.needed, 'number')} with {result.room} % growth"
            yield _make("no-layout", planned.namespace, credentials=planned.cards, evidence=evidence)


def _allocation(result: Census) -> Iterator[WorkItem]:
    found = result.allocation
    if found is not None and len(found.badges) < found.wanted:
        yield _make("too-few-numbers", found.kind, evidence=f"{len(found.badges):,} of {found.wanted:,}")


def _make(
    task: str, subject: str, *, people: int = 0, credentials: int = 0, readers: int = 0, evidence: str = "",
    rows: FileLines = NO_LINES, ends: tuple[Effect, ...] = (),
) -> WorkItem:  # fmt: skip
    """An item with the words of its task."""
    words = TASKS[task]
    return WorkItem(
        task=task, subject=subject, title=words.title.format(subject=subject), act=words.act.format(subject=subject),
        people=people, credentials=credentials, readers=readers, sure=words.sure, evidence=evidence, rows=rows,
        ends=ends,
    )  # fmt: skip


def count_duplicates(groups: Iterable[DuplicateGroup]) -> int:
    """The cards that some place cannot tell from another, each counted once."""
    return len({(member.kind, member.credential) for group in groups for member in group.members})
