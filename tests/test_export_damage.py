"""Exports that a spreadsheet altered: one verdict on the column, beside what would be written.

The outside reference is the arithmetic of spreadsheets: an IEEE 754 double with 15 significant digits, which Python
writes with ``format(float(text), ".15g")``, and the exponents of ``format(float(text), ".5E")``.
"""

from __future__ import annotations

from decimal import Decimal
from random import Random

import pytest

from credkit.crosswalk.export_damage import Alteration, WantedNumbers, alteration_of, judge_export

WANTED = [f"{Random(1).randrange(10**8) + place:010d}" for place in range(500)]


def by_spreadsheet(text: str) -> str:
    return f"{Decimal(format(float(text), '.15g')):f}"


def test_a_column_that_lost_its_zeros_is_one_finding() -> None:
    lost = judge_export((by_spreadsheet(text), text) for text in WANTED)
    assert lost.kept == 0
    assert lost.alterations == (Alteration.ZEROS,)
    assert all(lost.explains(by_spreadsheet(text), text) for text in WANTED)
    assert not lost.explains(by_spreadsheet(WANTED[0]), WANTED[1])
    shortest = min(map(by_spreadsheet, WANTED), key=lambda text: (len(text), text))
    assert lost.sentence == (
        f"a spreadsheet altered the export: 500 different texts lost leading zeros ('{shortest}' for "
        f"'{int(shortest):010d}'), and none kept them; export it again without a spreadsheet"
    )


def test_the_look_up_by_number_misses_no_alteration() -> None:
    """Against every pair: numbers of 1 to 20 digits, also where rounding carries into one digit more or fewer."""
    dice = Random(4)
    texts = ["9" * size for size in range(1, 21)] + [f"1{'0' * size}{dice.randrange(100)}" for size in range(20)]
    texts += [f"{dice.randrange(10 ** dice.randrange(1, 21)):0{dice.randrange(1, 21)}d}" for _ in range(300)]
    texts += ["-0012", "no number", ""]
    wanted = WantedNumbers(dict.fromkeys(texts))
    held = {made for text in texts if text[-1:].isdecimal() for made in (by_spreadsheet(text), f"{float(text):.2E}")}
    altered = {each: sorted(text for text in set(texts) if alteration_of(each, text)) for each in (*held, *texts)}
    assert {each: sorted(wanted.altered_to(each)) for each in altered} == altered
    assert sum(map(bool, altered.values())) > 300


@pytest.mark.parametrize("rows", [1, 2, 3])
def test_three_distinct_rows_make_it_the_columns(rows: int) -> None:
    pairs = [(str(number), f"{number:05d}") for number in range(1, rows + 1)] * 4
    assert judge_export(pairs).found == (rows == 3)


def test_a_column_that_keeps_zeros_has_not_lost_them() -> None:
    """A target that somebody typed into by hand: some texts without zeros are changes, not an export at fault."""
    pairs = [(text.lstrip("0") if place % 10 == 0 else text, text) for place, text in enumerate(WANTED)]
    assert not judge_export(pairs).found
    nearly = [(text if place == 77 else text.lstrip("0"), text) for place, text in enumerate(WANTED)]
    assert judge_export(nearly).found
    assert "and 1 kept them" in judge_export(nearly).sentence
    # texts for which nothing would be written count, too
    assert not judge_export([*nearly, *((f"0{number}", "") for number in range(100))]).found


def test_a_column_of_other_numbers_has_not_lost_zeros() -> None:
    dice = Random(2)
    assert not judge_export((str(dice.randrange(10**8)), text) for text in WANTED).found


def test_rounded_and_shortened_exports() -> None:
    dice = Random(3)
    wanted = [f"{dice.getrandbits(63):020d}" for _ in range(300)]
    rounded = judge_export((by_spreadsheet(text), text) for text in wanted)
    assert rounded.alterations == (Alteration.ROUNDED,)
    shortened = judge_export((f"{float(text):.5E}".replace(".", ","), text) for text in wanted)
    assert shortened.alterations == (Alteration.EXPONENT,)
    for text in wanted:
        assert rounded.explains(by_spreadsheet(text), text)
        assert shortened.explains(f"{float(text):.5E}", text)
        assert shortened.explains(f"{float(text):.2E}", text)
    assert not rounded.explains(by_spreadsheet(wanted[0]), wanted[1])
    assert "were rounded to 15 digits" in rounded.sentence
    assert "were shortened to a power of ten" in shortened.sentence


@pytest.mark.parametrize(
    ("held", "wanted"),
    [
        ("7", "7"), ("0007", "7"), ("A7", "0A7"), ("7", "0008"), ("9007199254740980", "9007199254740993"),
        ("1.5E+3", "1700"), ("", "007"), ("7", ""), ("7", "7A"), ("-7", "007"), ("9" * 5000, "0" * 5000),
        ("1E+999", "1"),
    ],
)  # fmt: skip
def test_what_no_spreadsheet_makes_of_a_text(held: str, wanted: str) -> None:
    assert alteration_of(held, wanted) is None


def test_a_spreadsheet_that_cuts_digits_off_instead_of_rounding() -> None:
    assert alteration_of("9007199254740990", "9007199254740998") is Alteration.ROUNDED
