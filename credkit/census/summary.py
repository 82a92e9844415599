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
from credkit.core.sentences import format_count, join_values
from credkit.explain.cautions import COPIES, DATA, DEACTIVATE, KEY
from credkit.privacy.accounts import mask_accounts
from credkit.privacy.screentexts import masked_table, wrap_masked

WORDS = {BY_NUMBER: "number", BY_TARGET: "text in a target", BY_READER: "number of a reader that truncates"}
CAUTIONS = (DATA, COPIES, KEY, DEACTIVATE)
REISSUE_CAUTION = "Reissue the cards that a person has decided on, and withdraw the old ones only when they are back."


def census_text(result: Census, most: int | None = None) -> str:
    """The summary; with ``most``, of every list only so many rows, and how many more there are."""
    return "\n".join(_text(result, most)) + "\n"


def _text(result: Census, most: int | None) -> Iterator[str]:
    yield from wrap_masked(f"Census of {result.site}, status as of {result.as_of}")
    yield from ("", "Rows")
    counts = result.counts
    yield from masked_table(
        ("file", "rows", "active", "inactive", "gone", "superseded", "unreadable"),
        [(result.file, counts.rows, counts.active, counts.inactive, counts.gone, counts.superseded, counts.unreadable)],
    )
    yield from wrap_masked(
        "Every row is in one place: rows are the sum of the others. Cards that are gone have no duplicates."
    )
    yield from ("", "Duplicates (credentials that cannot be told apart)")
    yield from masked_table(
        ("where", "cards", "groups", "2+ active", "active", "inactive", "reissue"),
        [
            (
                _describe_place(each),
                each.cards,
                each.clashes,
                each.live,
                each.active,
                each.inactive,
                _format_bounds(each.reissue, each.most),
            )
            for each in result.places
        ],
    )
    if result.clashes:
        yield from wrap_masked(
            "A group is cards that are duplicates there; 2+ active: groups with two or more active cards. Active and "
            "inactive count cards in groups, reissue those that need another number."
        )
    for each in result.places:
        if each.what != BY_NUMBER and each.clashes:
            yield from wrap_masked(
                f"{each.name}: {each.new:,} of {format_count(each.clashes, 'group')} "
                f"{'has' if each.clashes == 1 else 'have'} numbers that differ in the register."
            )
        if each.unknown:
            yield from wrap_masked(
                f"{each.name}: {format_count(each.unknown, 'row')} cannot be written or given there."
            )
    for text in result.unknown:
        yield from wrap_masked(f"Not known: {text}.")
    yield from _chances(result.places)
    groups = len(result.clashes)
    yield from ("", f"Duplicate groups ({groups:,})" if groups else "No duplicates")
    yield from _clashes(result.clashes, most)
    seeing = [(each.reader, each.clashes, each.own) for each in result.sights if each.clashes or each.own]
    if seeing:
        yield from ("", "Readers that read several cards of a group")
        yield from masked_table(("reader", "of one number", "by its own truncation"), seeing)
        yield from wrap_masked(
            "At these readers the cards of a group are one card: what one of them may open, the others open too."
        )
    yield from ("", "Cards to reissue so that no duplicate is left anywhere")
    yield from _reissue(result, most)
    yield from _ranges(result.ranges, most)
    for planned in result.plans:
        yield from _plans(planned, result.room)
    if result.allocation:
        yield from _allocation(result.allocation, most)
    if result.unreadable:
        yield from ("", f"Rows that cannot be read ({len(result.unreadable):,})")
        for row in result.unreadable[:most]:
            yield from wrap_masked(f"line {row.line}: {row.code}: {row.reason}", "  ", "    ", unmasked=True)
        yield from _format_more(len(result.unreadable), most)
    yield from ("", "Before you use this")
    for caution in (*CAUTIONS, REISSUE_CAUTION):
        yield from wrap_masked(caution, "- ", "  ")


def _describe_place(place: Place) -> str:
    return f"{place.name} ({', '.join(place.kinds)})" if place.what == BY_NUMBER else f"{place.what} {place.name}"


def _format_bounds(least: int, most: int) -> str:
    return f"{least:,}" if least == most else f"{least:,}-{most:,}"


def _chances(places: Sequence[Place]) -> Iterator[str]:
    rows = [
        (_describe_place(each), each.cards, f"{each.bits:.0f}", each.pairs, f"{each.expected:.3g}")
        for each in places
        if each.expected is not None and each.serial
    ]
    if rows:
        yield from ("", "Duplicate pairs, and pairs expected of random numbers")
        yield from masked_table(("where", "cards", "bits", "found", "expected"), rows)
        yield from wrap_masked(
            "Expected of numbers drawn uniformly at random. Boxes of cards are not random: consecutive numbers have no "
            "duplicates, numbers that were truncated, copied or invented have more."
        )


def _clashes(clashes: Sequence[DuplicateGroup], most: int | None) -> Iterator[str]:
    for what, words in WORDS.items():
        them = [clash for clash in clashes if clash.what == what]
        if not them:
            continue
        yield from ("", f"  one {words} ({len(them):,})")
        for clash in them[:most]:
            ids = join_values(f"{member.credential}" for member in clash.members)
            active = sum(member.state == "active" for member in clash.members)
            seen = f"; duplicates at {', '.join(clash.readers)}" if clash.readers else ""
            state = f"({active} of {len(clash.members)} active)"
            text = f"{mask_accounts(clash.place)} {clash.text}: {ids} {state}{mask_accounts(seen)}"
            yield from wrap_masked(text, "    ", "      ", unmasked=True)
        yield from _format_more(len(them), most, "    ")


def _reissue(result: Census, most: int | None) -> Iterator[str]:
    cards, least = result.reissue.cards, result.reissue.least
    if not cards:
        yield "  none"
        return
    exact = "no smaller set suffices" if len(cards) == least else f"no set of fewer than {least:,} suffices"
    yield from wrap_masked(f"{format_count(len(cards), 'card')}; {exact}", "  ", "    ")
    for card in cards[:most]:
        holder = mask_accounts(f"{card.credential} of {card.person}, {card.kind}")
        yield from wrap_masked(f"{holder} {card.number} (line {card.line})", "    ", "      ", unmasked=True)
    yield from _format_more(len(cards), most, "    ")


def _ranges(ranges: Sequence[FacilityRange], most: int | None) -> Iterator[str]:
    if not ranges:
        return
    yield from ("", "Numbers that were ever issued, by facility code")
    rows = [
        (
            f"{mask_accounts(each.namespace)}{'' if each.facility is None else f' {each.facility}'}", each.used,
            f"{each.first}-{each.last}", each.runs, each.gap, each.free, f"{each.density:.1%}",
        )
        for each in ranges[:most]
    ]  # fmt: skip
    yield from masked_table(("where", "used", "from-to", "runs", "longest gap", "free", "density"), rows, unmasked=True)
    yield from _format_more(len(ranges), most)
    yield from wrap_masked(
        "Runs are numbers without a gap between them, density is how much of from-to is used. Free are all numbers "
        "that the narrowest kind or reader has room for and that were never issued."
    )


def _plans(planned: NamespacePlans, room: int) -> Iterator[str]:
    yield ""
    yield from wrap_masked(f"Facility codes and numbers for {planned.namespace}")
    yield from wrap_masked(
        f"{format_count(planned.cards, 'card')} and {room} % to grow are {planned.needed:,} numbers.", "  "
    )
    rows = [
        (
            each.layout, each.length, f"{each.facility_bits}+{each.number_bits}", each.facilities,
            "smallest" if each.smallest else "fits" if each.fits else "too small",
        )
        for each in planned.plans
    ]  # fmt: skip
    yield from masked_table(("layout", "bits", "facility+number", "facility codes", ""), rows)


def _allocation(allocation: Allocation, most: int | None) -> Iterator[str]:
    where = "" if allocation.facility is None else f", facility {allocation.facility}"
    yield ""
    yield from wrap_masked(
        f"New numbers ({len(allocation.badges):,} of {allocation.wanted:,}; {allocation.kind}{where})"
    )
    runs = find_runs(np.array([badge.number for badge in allocation.badges], np.uint64))
    for first, last in runs[:most]:
        yield f"  {first}" if first == last else f"  {first} to {last} ({last - first + 1:,})"
    yield from _format_more(len(runs), most)
    if allocation.skipped:
        yield "  skipped"
    for each in allocation.skipped[:most]:
        span = f"{each.first}" if each.first == each.last else f"{each.first} to {each.last}"
        yield from wrap_masked(f"{span}: {each.reason}", "    ", "      ")
    yield from _format_more(len(allocation.skipped), most, "    ")
    for remark in allocation.remarks:
        yield from wrap_masked(f"{remark}.", "  ", "    ")


def _format_more(count: int, most: int | None, indent: str = "  ") -> Iterator[str]:
    if most is not None and count > most:
        yield f"{indent}and {count - most:,} more"
