"""Which rows do not count beside others, against plain sets of days. No outside source: it is a rule of credkit."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import date, timedelta
from itertools import combinations
from random import Random
from typing import Any

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit.facts.register_columns import are_repeated, find_superseded_rows
from credkit.site.frames import tabulate_credentials
from credkit.site.model import Rules
from credkit.site.rows import Assignment
from credkit.site.superseded import COMPARED_COLUMNS, Superseded, Twin, find_superseded
from tests.amounts import examples

RULES = Rules(order_of_truth=("west", "east"))
START = date(2026, 3, 1)
SPAN = 6  # days from START on that rows are drawn in; open ends go a day beyond on either side


def day(place: int) -> date:
    return START + timedelta(place)


def row(line: int, source: str = "west", first: int | None = None, last: int | None = None, **more: Any) -> Assignment:
    made = Assignment(
        line=line, person="P-1", credential="C-1", kind="badge", value="17", status="active", source=source,
        valid_from=None if first is None else day(first), valid_until=None if last is None else day(last),
    )  # fmt: skip
    return replace(made, **more)


def days(each: Assignment) -> set[int]:
    first = (each.valid_from - START).days if each.valid_from else -1
    last = (each.valid_until - START).days if each.valid_until else SPAN
    return set(range(first, last + 1))


def may_be_twins(one: Assignment, other: Assignment) -> bool:
    """Whether two rows have two days in common, or are of one and the same day; or one lies within the other."""
    common, single = days(one) & days(other), len(days(one)) == len(days(other)) == 1
    if len(common) != 1 or single:
        return bool(common)
    (shared,) = common
    return not any(shared in (min(days(each)), max(days(each))) for each in (one, other) if len(days(each)) > 1)


@st.composite
def assignments(draw: st.DrawFn) -> list[Assignment]:
    found = []
    for line in range(2, 2 + draw(st.integers(0, 6))):
        first, last = sorted((draw(st.integers(0, SPAN - 1)), draw(st.integers(0, SPAN - 1))))
        found.append(
            row(
                line, draw(st.sampled_from(["west", "east", "north", ""])),
                draw(st.sampled_from([None, first])), draw(st.sampled_from([None, last])),
                value=draw(st.sampled_from(["17", "18"])), person=draw(st.sampled_from(["P-1", "P-1", "P-2"])),
            )
        )  # fmt: skip
    return found


def group_of(each: Assignment) -> tuple[str, str, str]:
    return each.credential, each.kind, each.person


def contents(each: Assignment) -> tuple[object, ...]:
    return tuple(getattr(each, name) for name in COMPARED_COLUMNS)


@given(assignments())
@examples(400)
def test_the_rows_are_those_of_plain_sets_of_days(rows: list[Assignment]) -> None:
    superseded, twins = find_superseded(rows, RULES)
    rank = {"west": 0, "east": 1}
    counting: list[Assignment] = []
    for each in sorted(rows, key=lambda each: (rank.get(each.source, 2), each.source, each.line)):
        mine = [other for other in counting if group_of(other) == group_of(each)]
        trusted = [other for other in mine if rank.get(other.source, 2) < rank.get(each.source, 2)]
        over = [other for other in trusted if days(other) & days(each)]
        same = [other for other in mine if other not in trusted and contents(other) == contents(each)]
        if over or same:
            found = superseded[each.line]
            assert found.by_line in {other.line for other in over or same}
            other = next(other for other in mine if other.line == found.by_line)
            assert found.by_source == other.source
            assert found.differing == tuple(n for n in COMPARED_COLUMNS if getattr(each, n) != getattr(other, n))
            assert not over or rank.get(other.source, 2) == min(rank.get(beside.source, 2) for beside in over)
        else:
            assert each.line not in superseded
            counting.append(each)
    expected: dict[int, set[int]] = {}
    for one, other in combinations(counting, 2):
        trust = {rank.get(each.source, 2) for each in (one, other)}
        if group_of(one) == group_of(other) and len(trust) == 1 and may_be_twins(one, other):
            expected.setdefault(one.line, set()).add(other.line)
            expected.setdefault(other.line, set()).add(one.line)
    assert twins.keys() == expected.keys()
    for line, found_twins in twins.items():
        assert {twin.beside_line for twin in found_twins} <= expected[line]
        assert all(twin.line == line and twin.differing for twin in found_twins)


@given(assignments(), st.lists(st.integers(0, 5), max_size=4))
@examples(200)
def test_columns_are_judged_as_rows_are(rows: list[Assignment], again: list[int]) -> None:
    """Rows that repeat others are not compared one by one; rows that alone have their credential may be left out."""
    rows += [replace(rows[place], line=20 + at) for at, place in enumerate(again) if place < len(rows)]
    rows.append(row(40, credential="C-2"))
    table = tabulate_credentials(rows)
    assert find_superseded_rows(table, RULES) == find_superseded(rows, RULES)
    assert find_superseded_rows(table.filter(are_repeated(table.select("credential"))), RULES) == find_superseded(
        rows, RULES
    )


@given(st.lists(st.tuples(st.sampled_from(["C-1", "C-2", ""]), st.integers(0, 2))))
def test_repeated_rows_are_those_that_occur_several_times(rows: list[tuple[str, int]]) -> None:
    counts = Counter(rows)
    table = pl.DataFrame(rows, schema={"credential": pl.String, "number": pl.UInt64}, orient="row")
    assert are_repeated(table).tolist() == [counts[each] > 1 for each in rows]


@given(assignments(), st.randoms(use_true_random=False))
@examples(100)
def test_the_order_of_the_rows_decides_only_between_repetitions(rows: list[Assignment], chance: Random) -> None:
    """The same rows in another order: as many of the same contents are superseded, and the same are twins."""
    shuffled = list(rows)
    chance.shuffle(shuffled)
    by_line = {each.line: each for each in rows}

    def judged(given: list[Assignment]) -> list[list[tuple[object, ...]]]:
        superseded, twins = find_superseded(given, RULES)
        late = [(group_of(by_line[line]), contents(by_line[line]), each.differing) for line, each in superseded.items()]
        beside = [
            (group_of(by_line[line]), contents(by_line[line]), contents(by_line[twin.beside_line]))
            for line, found in twins.items()
            for twin in found
        ]
        return [sorted(late, key=str), sorted(beside, key=str)]

    assert judged(rows) == judged(shuffled)


def test_a_card_lent_in_disjoint_weeks_by_two_registers_is_two_assignments() -> None:
    assert find_superseded([row(2, "west", 0, 2), row(3, "east", 3, 5, value="18")], RULES) == ({}, {})


def test_one_day_in_common_supersedes() -> None:
    late, twins = find_superseded([row(2, "east", 2, 5), row(3, "west", 0, 2)], RULES)
    assert late == {2: Superseded(2, 3, ("valid_from", "valid_until"), "west")}
    assert not twins


def test_a_row_that_does_not_count_supersedes_nothing() -> None:
    """West has January only, North February only: East, which says both, does not count, so North does."""
    late, _ = find_superseded(
        [row(2, "west", 0, 1), row(3, "east", 0, 4), row(4, "north", 3, 4)], Rules(order_of_truth=("west", "east"))
    )
    assert [*late] == [3]


@pytest.mark.parametrize("sources", [("north", "south"), ("", "north"), ("west", "west")])
def test_equally_trusted_rows_that_differ_are_twins(sources: tuple[str, str]) -> None:
    rows = [row(line, source, value=str(line)) for line, source in zip((2, 3), sources, strict=True)]
    assert find_superseded(rows, RULES) == ({}, {2: (Twin(2, 3, ("value",)),), 3: (Twin(3, 2, ("value",)),)})


def test_rows_of_one_and_the_same_day_are_twins_and_a_handover_is_not() -> None:
    _, twins = find_superseded([row(2, "west", 1, 1), row(3, "west", 1, 1, value="18")], RULES)
    assert [*twins] == [2, 3]
    assert find_superseded([row(2, "west", 0, 1), row(3, "west", 1, 3, value="18")], RULES) == ({}, {})


def test_a_repetition_is_superseded_by_the_first() -> None:
    late, twins = find_superseded([row(2, "north"), row(3, "south"), row(4, "north")], Rules())
    assert late == {3: Superseded(3, 2, (), "north"), 4: Superseded(4, 2, (), "north")}
    assert not twins
