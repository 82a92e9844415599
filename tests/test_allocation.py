"""New numbers, and what is free: given out is what is read back, and what readers that still serve can give."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit.census import AllocationRequest, census
from credkit.census.result import Allocation
from credkit.core.errors import DefinitionError
from tests.amounts import examples
from tests.brackwater import HEADER
from tests.populations import Row, row, site
from tests.sentences import refusal


def kind(value: str, more: str = "") -> str:
    return f'{HEADER}\n[kinds.card]\nvalue = {value}\nkey = ["number"]\n{more}'


def given_out(home: Path, toml: str, count: int, rows: list[Row] | None = None) -> Allocation:
    found = census(site(home, rows or [], toml), wanted=AllocationRequest(count=count)).allocation
    assert found is not None
    return found


ROUNDED = kind('"template:900{number:013d}"')
GATE = '[readers.gate]\nkind = "card"\nchain = "hex:4/fields:number:16"\n'
EITHER = kind('["template:{number:04d}", "template:{number:d}"]', GATE)


@pytest.mark.parametrize(("toml", "count"), [(ROUNDED, 30), (EITHER, 1_200)])
def test_what_is_given_out_is_read_again(toml: str, count: int, tmp_path: Path) -> None:
    """The law: new badges, once they are in the register, are all read, with the numbers that were given out."""
    found = given_out(tmp_path, toml, count)
    assert len(found.badges) == count
    again = census(site(tmp_path, [row(f"C-{badge.number}", badge.value) for badge in found.badges], toml))
    assert again.unreadable == ()
    assert again.counts.read == count
    used = [stretch for stretch in again.spans if stretch.used]
    assert {n for each in used for n in range(each.first, each.last + 1)} == {badge.number for badge in found.badges}


def test_numbers_that_look_rounded_are_passed_over(tmp_path: Path) -> None:
    """16 digits of which the last is 0: a spreadsheet keeps 15 of them (IEEE 754 double precision)."""
    found = given_out(tmp_path, ROUNDED, 12)
    assert [badge.number for badge in found.badges] == [*range(1, 10), 11, 12, 13]
    assert [(each.first, each.reason) for each in found.skipped] == [
        (0, "number 0 is not given out"),
        (10, "it would look like a number that a spreadsheet rounded"),
    ]


def test_of_several_chains_the_first_that_is_read_back_writes(tmp_path: Path) -> None:
    """Four digits without a zero in front are read by both chains, so that nobody says which one is meant."""
    found = given_out(tmp_path, EITHER, 1000)
    assert [badge.value for badge in found.badges[:2]] == ["1", "2"]
    assert [(each.first, each.last, each.reason) for each in found.skipped] == [
        (0, 0, "number 0 is not given out"), (1000, 9999, "the register would not read it back"),
    ]  # fmt: skip
    assert found.badges[-1].value == "10000"


PERIODS = """[readers.gate]
kind = "card"
periods = [
    {{ chain = "{old}", until = 2026-03-{day}T00:00:00+02:00 }},
    {{ chain = "hex:4/fields:number:16", from = 2026-03-{day}T00:00:00+02:00 }},
]
"""


@pytest.mark.parametrize("old", ["hex:1/fields:number:4", "last-digits:5/decimal:16,5/fields:number:16"])
@pytest.mark.parametrize("day", ["31", "01"])  # over when the day of judgement begins, or long before
def test_periods_that_are_over_bind_no_number(old: str, day: str, tmp_path: Path) -> None:
    """The site is judged as of 2026-03-31, in Amsterdam, where it is summer time; four digits are no five there."""
    found = given_out(tmp_path, kind('"template:{number:04d}"', PERIODS.format(old=old, day=day)), 20)
    assert [badge.number for badge in found.badges] == [*range(1, 21)]


def test_numbers_without_an_end_are_not_given_out(tmp_path: Path) -> None:
    with refusal(DefinitionError):
        given_out(tmp_path, kind('"template:{number:d}"'), 1)


def test_periods_that_serve_or_will_bind_numbers(tmp_path: Path) -> None:
    """Until the first hour of the day of judgement, and from a day to come: both can be read in."""
    small, wide = "hex:1/fields:number:4", "hex:4/fields:number:16"
    still = PERIODS.format(old=small, day="31").replace("00:00:00", "01:00:00")
    soon = PERIODS.replace(wide, small).format(old=wide, day="31").replace("2026-03-31", "2027-01-01")
    for text in (still, soon):
        found = given_out(tmp_path, kind('"template:{number:05d}"', text), 20)
        assert [badge.number for badge in found.badges] == [*range(1, 16)]
        assert found.remarks == ("only 15 of 20 numbers were found up to 15, where the field ends",)


def test_what_a_former_cut_made_alike_is_kept_apart(tmp_path: Path) -> None:
    """Readings of that time are still at hand: they must not seem to be of the new card."""
    toml = kind('"template:{number:04d}"', PERIODS.format(old="hex:4/keep-low:3/fields:number:3", day="01"))
    found = given_out(tmp_path, toml, 9, [row("C-1", "0009")])
    assert [badge.number for badge in found.badges] == [2, 3, 4, 5, 6, 7, 8]  # each of three bits but 9's
    assert "reader gate would take it for another card" in {each.reason for each in found.skipped}


def test_every_form_of_a_reader_must_give_a_number(tmp_path: Path) -> None:
    """A reader that sends one of two forms: which of them for a new card, nobody knows before."""
    text = '[readers.gate]\nkind = "card"\nchain = ["hex:4/fields:number:16", "hex:1/fields:number:4"]\n'
    found = given_out(tmp_path, kind('"template:{number:05d}"', text), 20)
    assert [badge.number for badge in found.badges] == [*range(1, 16)]


@pytest.mark.parametrize("facility", [1 << 64, 10**30])
def test_a_facility_code_that_is_too_large(facility: int, tmp_path: Path) -> None:
    toml = f'{HEADER}\n[kinds.card]\nvalue = "template:{{facility:d}}-{{number:05d}}"\nkey = ["facility", "number"]\n'
    with refusal(DefinitionError):
        census(site(tmp_path, [], toml), wanted=AllocationRequest(count=1, facility=facility))
    largest = census(site(tmp_path, [], toml), wanted=AllocationRequest(count=1, facility=(1 << 64) - 1)).allocation
    assert largest is not None
    assert [badge.value for badge in largest.badges] == ["18446744073709551615-00001"]


@given(st.sets(st.integers(0, 400), min_size=1, max_size=12))
@examples(40)
def test_nothing_is_free_behind_the_end(issued: set[int]) -> None:
    """Two kinds of one namespace, of which the narrower has 8 bits: numbers end at 255."""
    toml = HEADER + "".join(
        f'\n[kinds.{name}]\nnamespace = "pier"\nvalue = "{value}"\nkey = ["number"]\n'
        for name, value in (("old", "hex:2/fields:number:8"), ("new", "hex:4/fields:number:16"))
    )
    with TemporaryDirectory() as home:
        result = census(site(Path(home), [row(f"C-{n}", f"{n:04X}", kind="new") for n in issued], toml))
    free = [n for each in result.spans if not each.used for n in range(each.first, each.last + 1)]
    assert free == [n for n in range(256) if n not in issued]
    assert result.ranges[0].free == len(free)
    assert {n for each in result.spans if each.used for n in range(each.first, each.last + 1)} == issued
    between = "".join(" x"[n in free] for n in range(min(issued), max(issued) + 1))
    assert result.ranges[0].gap == max(map(len, between.split(" ")))
