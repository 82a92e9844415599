"""The crosswalk of many rows that are alike: a register with one placeholder must not take the day.

Each site here has thousands of rows of one number, person or card. Nothing is timed: comparing each
row with each other would make these tests take minutes, and fill their sentences.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit.crosswalk import crosswalk
from credkit.site.calendars import Calendar, share_days
from credkit.site.model import Site
from credkit.site.rows import Assignment
from tests.brackwater import Files, hexed, line, made, walk

MANY = 10_000


@pytest.fixture(scope="module")
def site() -> Site:
    return made()


def day(number: int) -> str:
    return (date(1900, 1, 1) + timedelta(number)).isoformat()


def turn(number: int) -> dict[str, str]:
    """An assignment of two days, each after the one before it."""
    return {"valid_from": day(2 * number), "valid_until": day(2 * number + 1)}


def one_number(files: Files, number: int) -> None:
    files.card(f"C-{number}", "01200345").export(f"P-C-{number}", "786777")


def lost_number(files: Files, number: int) -> None:
    files.card(f"C-{number}", "01200345", status="lost").export(f"X-{number}", "786777")


def read_number(files: Files, number: int) -> None:
    files.card(f"C-{number}", "01200345").read("gate", hexed(12, 345), at=f"2026-03-{1 + number % 28:02d}T08:00:00Z")


def one_person(files: Files, number: int) -> None:
    files.card(f"C-{number}", f"012{number:05d}", "P", replaces=f"C-{number - 1}")


def one_text(files: Files, number: int) -> None:
    files.card(f"S-{number}", str((number % 250) << 24 | 345), kind="serial")


def pool_now(files: Files, number: int) -> None:
    files.card("V-1", "01200345", "POOL", valid_from=day(number))


def pool_then(files: Files, number: int) -> None:
    for source in ("west", "east"):
        files.card("V-1", "01200345", "POOL", source=source, **turn(number))


def holders(files: Files, number: int) -> None:
    files.card("V-1", "01200345", f"P-{number}")


def handed_on(files: Files, number: int) -> None:
    files.card("V-1", "01200345", f"P-{number}", **turn(number))


@pytest.mark.parametrize(
    "row",
    [one_number, lost_number, read_number, one_person, one_text, pool_now, pool_then, holders, handed_on],
    ids=lambda row: row.__name__,
)
def test_many_rows_that_are_alike(site: Site, row: Callable[[Files, int], None]) -> None:
    files = Files()
    for number in range(MANY):
        row(files, number)
    result = crosswalk(site, files.rows())
    assert not any(section[-1] for section in result.summary[0].rows)
    texts = [*(each.reason for each in result.lines), *(each.text for each in result.findings)]
    assert max(map(len, texts)) < 2_000  # a handful is named, the others are counted


def test_conflicts_of_a_number_of_thousands(site: Site) -> None:
    files = Files()
    for number in range(MANY):
        files.card(f"C-{number}", "01200345")
    files.card("C-X", "01200999").read("gate", *[hexed(12, 345)] * 500, expected="C-X")
    result = crosswalk(site, files.rows())
    assert {each.candidates[-1] for each in result.exceptions} == {f"and {MANY - 9:,} more"}
    assert {len(each.candidates) for each in result.exceptions} == {11}


def test_of_a_large_group_a_few_are_named_and_never_the_card_itself(site: Site) -> None:
    files = Files()
    for number in range(9):
        files.card(f"C-{number}", "01200345")
    result = walk(site, files)
    assert line(result, "C-0").reason == (
        "its number is also that of 'C-1', 'C-2', 'C-3', 'C-4', 'C-5' and 3 more"
    )  # fmt: skip
    assert line(result, "C-8").reason.endswith("that of 'C-0', 'C-1', 'C-2', 'C-3', 'C-4' and 3 more")


ends = st.none() | st.integers(1, 6).map(lambda number: date(2026, 1, number))


@st.composite
def assignments(draw: st.DrawFn) -> list[Assignment]:
    rows = []
    for place in range(draw(st.integers(0, 7))):
        first, last = draw(ends), draw(ends)
        if first and last and last < first:
            first, last = last, first
        rows.append(
            Assignment(
                line=place, person=draw(st.sampled_from("PQR")), credential="C", kind="card", value="", status="active",
                valid_from=first, valid_until=last,
            )
        )  # fmt: skip
    return rows


@given(rows=assignments())
def test_a_calendar_finds_what_comparing_all_pairs_finds(rows: list[Assignment]) -> None:
    by_person, by_line = Calendar(rows, lambda row: row.person), Calendar(rows, lambda row: row.line)
    for row in rows:
        for calendar, others in (
            (by_person, [other for other in rows if other.person != row.person]),
            (by_line, [other for other in rows if other is not row]),
        ):
            beside = calendar.find_sharing(row)
            assert (beside is not None) is any(share_days(row, other) for other in others)
            assert beside is None or (beside in others and share_days(row, beside))
