"""The summary of a census as text, at most 80 columns wide, with the cautions at its end."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from credkit.census.ranges import find_runs
from credkit.census.result import (
    BY_NUMBER,
    BY_READER,
    BY_TARGET,
    Allocation,
    Census,
    DuplicateGroup,
    FacilityRange,
    NamespacePlans,
    Place,
)
from credkit.census.work import count_duplicates
from credkit.core.sentences import format_count, join_values
from credkit.explain.cautions import COPIES, DATA, DEACTIVATE, IN_SHORT, KEY
from credkit.facts.statuses import ACTIVE
from credkit.privacy.accounts import mask_accounts
from credkit.privacy.screentexts import masked_table, wrap_masked
from credkit.work.text import list_work

SHARED = {BY_NUMBER: "number", BY_TARGET: "text in a target", BY_READER: "number at a reader that truncates"}
MOST_SHOWN_ITEMS = 10  # items of work in full on a screen
CAUTIONS = (DATA, COPIES, KEY, DEACTIVATE)
REISSUE_CAUTION = "Reissue the cards that a person has decided on, and withdraw the old ones only when they are back."


def census_text(result: Census, most: int | None = None, *, details: bool = True) -> str:
    """The summary: verdict and what to do; with ``details`` all items in full, all tables, lists and cautions, too.

    With ``most`` only so many rows of every list, and how many more there are.
    """
    return "\n".join((*_opening(result, most, details=details), *(_details(result, most) if details else ()))) + "\n"


def _opening(result: Census, most: int | None, *, details: bool) -> Iterator[str]:
    """The verdict in one line, what to do, and the new numbers that were asked for."""
    yield from wrap_masked(describe_verdict(result))
    yield from wrap_masked(f"Census of {result.site}, status as of {result.as_of}")
    yield from list_work(result.work, None if details else MOST_SHOWN_ITEMS)
    if result.allocation:
        yield from _allocation(result.allocation, most)
    if not details:
        yield from ("", *wrap_masked(IN_SHORT))


def _details(result: Census, most: int | None) -> Iterator[str]:
    yield from ("", "Rows")
    counts = result.counts
    yield from masked_table(
        ("file", "rows", "active", "inactive", "gone", "superseded", "unreadable"),
        [(result.file, counts.rows, counts.active, counts.inactive, counts.gone, counts.superseded, counts.unreadable)],
    )
    yield from wrap_masked(
        "Every row counts once: rows = active + inactive + gone + superseded + unreadable. Cards that are gone are not "
        "compared."
    )
    yield from ("", "Duplicates (credentials that cannot be told apart)")
    yield from masked_table(
        ("where", "cards", "groups", "2+ active", "active", "inactive", "reissue"),
        [
            (
                _describe_place(each),
                each.cards,
                each.groups,
                each.several_active,
                each.active,
                each.inactive,
                _format_bounds(each.reissue_least, each.reissue_most),
            )
            for each in result.places
        ],
    )
    if result.groups:
        yield from wrap_masked(
            "A group is the cards that cannot be told apart there; 2+ active: groups with at least two active cards. "
            "Active and inactive count the cards in groups, reissue the cards that need another number."
        )
    for each in result.places:
        if each.what != BY_NUMBER and each.groups:
            yield from wrap_masked(
                f"{_describe_place(each)} merges different numbers in {each.merged:,} of "
                f"{format_count(each.groups, 'group')}."
            )
        if each.unknown:
            act = "write" if each.what == BY_TARGET else "give"
            numbers = format_count(each.unknown, "number")
            yield from wrap_masked(f"{_describe_place(each)} cannot {act} {numbers}.")
    for text in result.unknown:
        yield from wrap_masked(f"{text}.")
    yield from _chances(result.places)
    groups = len(result.groups)
    yield from ("", f"Duplicate groups ({groups:,})" if groups else "No duplicates")
    yield from _groups(result.groups, most)
    confusing = [(each.reader, each.same_number, each.own_truncation) for each in result.readers]
    confusing = [row for row in confusing if any(row[1:])]
    if confusing:
        yield from ("", "Readers that cannot tell the cards of a group apart")
        yield from masked_table(("reader", "same number", "own truncation"), confusing)
        yield from wrap_masked(
            "At these readers the cards of a group are one card: what one of them may open, the others open too."
        )
    yield from ("", "Cards to reissue so that no duplicate is left anywhere")
    yield from _reissue(result, most)
    yield from _ranges(result.ranges, most)
    for planned in result.plans:
        yield from _plans(planned, result.room)
    if result.unreadable:
        yield from ("", f"Rows that cannot be read ({len(result.unreadable):,})")
        for row in result.unreadable[:most]:
            yield from wrap_masked(f"line {row.line}: {row.code}: {row.reason}", "  ", "    ", unmasked=True)
        yield from _format_more(len(result.unreadable), most)
    yield from ("", "Before you use this")
    for caution in (*CAUTIONS, REISSUE_CAUTION):
        yield from wrap_masked(caution, "- ", "  ")


def describe_verdict(result: Census) -> str:
    """The verdict in one line: cards with numbers of their own, duplicates, cards to reissue, rows to correct."""
    cards, alike = result.counts.active + result.counts.inactive, count_duplicates(result.groups)
    parts = [f"{format_count(cards, 'card')}, {f'{alike:,} of them' if alike else 'no'} duplicates"]
    parts += [f"{len(result.reissue.cards):,} to reissue"] * bool(result.reissue.cards)
    unreadable = len(result.unreadable)
    parts += [f"{format_count(unreadable, 'row')} {'has' if unreadable == 1 else 'have'} no number"] * bool(unreadable)
    if result.allocation:
        parts.append(f"{len(result.allocation.badges):,} of {result.allocation.wanted:,} new numbers")
    return ", ".join(parts if result.work else [*parts, "nothing to do"])


def _describe_place(place: Place) -> str:
    return f"{place.name} ({', '.join(place.kinds)})" if place.what == BY_NUMBER else f"{place.what} {place.name}"


def _format_bounds(least: int, most: int) -> str:
    return f"{least:,}" if least == most else f"{least:,}-{most:,}"


def _chances(places: Sequence[Place]) -> Iterator[str]:
    rows = [
        (_describe_place(each), each.cards, f"{each.bits:.0f}", each.pairs, f"{each.expected_pairs:.3g}")
        for each in places
        if each.expected_pairs is not None
    ]
    if rows:
        yield from ("", "Duplicate pairs, and pairs expected of random numbers")
        yield from masked_table(("where", "cards", "bits", "found", "expected"), rows)
        yield from wrap_masked(
            "Expected: pairs among as many numbers drawn uniformly at random. Boxes of cards are not random: "
            "consecutive numbers have no duplicates; truncated, copied or invented numbers have more."
        )


def _groups(groups: Sequence[DuplicateGroup], most: int | None) -> Iterator[str]:
    for what, words in SHARED.items():
        mine = [group for group in groups if group.what == what]
        if not mine:
            continue
        yield from ("", f"  same {words} ({len(mine):,})")
        for group in mine[:most]:
            ids = join_values(member.credential for member in group.members)
            active = sum(member.state == ACTIVE for member in group.members)
            readers = f"; duplicates at {join_values(group.readers, quote=str)}" if group.readers else ""
            state = f"({active} of {len(group.members)} active)"
            text = f"{mask_accounts(group.place)} {group.form}: {ids} {state}{mask_accounts(readers)}"
            yield from wrap_masked(text, "    ", "      ", unmasked=True)
        yield from _format_more(len(mine), most, "    ")


def _reissue(result: Census, most: int | None) -> Iterator[str]:
    cards, least = result.reissue.cards, result.reissue.least
    if not cards:
        yield "  none"
        return
    exact = "no smaller set suffices" if len(cards) == least else f"no set of fewer than {least:,} suffices"
    yield from wrap_masked(f"{format_count(len(cards), 'card')}; {exact}", "  ", "    ")
    for card in cards[:most]:
        holder = mask_accounts(f"{card.credential} of {card.person}, {card.kind}")
        yield from wrap_masked(f"{holder} {card.value} (line {card.line})", "    ", "      ", unmasked=True)
    yield from _format_more(len(cards), most, "    ")


def _ranges(ranges: Sequence[FacilityRange], most: int | None) -> Iterator[str]:
    if not ranges:
        return
    yield from ("", "Issued numbers by facility code")
    rows = [
        (
            f"{mask_accounts(each.namespace)}{'' if each.facility is None else f' {each.facility}'}", each.used,
            f"{each.first}-{each.last}", each.runs, each.gap, each.free, f"{each.density:.1%}",
        )
        for each in ranges[:most]
    ]  # fmt: skip
    columns = ("where", "used", "first-last", "runs", "longest gap", "free", "density")
    yield from masked_table(columns, rows, unmasked=True)
    yield from _format_more(len(ranges), most)
    yield from wrap_masked(
        "A run is a stretch without a gap; density is the used share of first-last. Free: numbers that were never "
        "issued and that every kind and reader has room for."
    )


def _plans(planned: NamespacePlans, room: int) -> Iterator[str]:
    yield ""
    yield from wrap_masked(
        f"Layouts for {planned.namespace}: {format_count(planned.cards, 'card')} and {room} % growth need "
        f"{format_count(planned.needed, 'number')}"
    )
    rows = [
        (
            each.layout, each.length, f"{each.facility_bits}+{each.number_bits}", each.facilities,
            "smallest" if each.smallest else "fits" if each.fits else "too small",
        )
        for each in planned.plans
    ]  # fmt: skip
    yield from masked_table(("layout", "bits", "facility+number", "codes needed", "verdict"), rows)


def _allocation(allocation: Allocation, most: int | None) -> Iterator[str]:
    where = "" if allocation.facility is None else f", facility {allocation.facility}"
    yield ""
    yield from wrap_masked(
        f"New numbers for {allocation.kind}{where} ({len(allocation.badges):,} of {allocation.wanted:,})"
    )
    runs = find_runs(np.array([badge.number for badge in allocation.badges], np.uint64))
    for first, last in runs[:most]:
        yield f"  {first}" if first == last else f"  {first} to {last} ({last - first + 1:,} numbers)"
    yield from _format_more(len(runs), most)
    if allocation.skipped:
        yield "  Skipped"
    for each in allocation.skipped[:most]:
        span = f"{each.first}" if each.first == each.last else f"{each.first} to {each.last}"
        yield from wrap_masked(f"{span}: {each.reason}", "    ", "      ")
    yield from _format_more(len(allocation.skipped), most, "    ")
    for remark in allocation.remarks:
        yield from wrap_masked(f"{remark}.", "  ", "    ")


def _format_more(count: int, most: int | None, indent: str = "  ") -> Iterator[str]:
    if most is not None and count > most:
        yield f"{indent}and {count - most:,} more"
