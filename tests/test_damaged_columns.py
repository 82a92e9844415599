"""Spreadsheet damage in the census: by kernels the same verdicts as text by text, and 100,000 numbers at a time."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from random import Random

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit.census import census, census_text
from credkit.facts.damage import ColumnCounts, judge_column
from credkit.facts.damaged_columns import count_shapes, judge_rows, judge_values
from tests.amounts import amounts, examples
from tests.brackwater import HEADER
from tests.populations import row, site
from tests.test_damage import LEAST_NAMED, MADE, PRESENTATIONS, round_by_spreadsheet, texts_of

KINDS = f"""{HEADER}
[kinds.serial]
value = "decimal:56/fields:number:56"
not_payment = "serials of chips"
key = ["number"]
[kinds.long]
value = "template:{{number:017d}}7"
key = ["number"]
"""
TEXTS = st.one_of(
    st.integers(-(10**24), 10**24).map(str),
    st.integers(10**14, 10**20).map(lambda number: f"{number}00"),
    st.text("01", min_size=1, max_size=26), st.text("0123456789ABCDEF", max_size=22), st.text("0-9é٣ .", max_size=18),
)  # fmt: skip


@given(st.lists(st.tuples(TEXTS, st.sampled_from(["C-1", "C-2", "C-3"])), max_size=40))
@examples(200)
def test_kernels_count_what_is_counted_text_by_text(cells: list[tuple[str, str]]) -> None:
    owners: dict[str, set[str]] = {}
    for text, credential in cells:
        owners.setdefault(text, set()).add(credential)
    shared = [text for text, credentials in owners.items() if len(credentials) > 1]
    counts = ColumnCounts()
    for text in owners:
        counts.add(text, is_shared=text in shared)
    found = count_shapes(pl.Series(list(owners), dtype=pl.String), pl.Series([text in shared for text in owners]))
    assert found.shapes == counts.shapes
    values = pl.Series([text for text, _ in cells], dtype=pl.String)
    verdict = judge_values(values, pl.Series([credential for _, credential in cells], dtype=pl.String))
    plain = judge_column(owners, shared)
    assert (verdict.damage, verdict.probability, verdict.sentence) == (plain.damage, plain.probability, plain.sentence)
    judged = judge_rows(verdict, values)
    for place, (text, _) in enumerate(cells):
        assert (judged["damaged"][place], judged["doubtful"][place]) == (
            plain.judge(text) == "damaged", plain.judge(text) == "doubtful",
        )  # fmt: skip


MANY = 100_000


@pytest.mark.parametrize("made", ["random", "boxes"])
@pytest.mark.parametrize(("size", "name"), PRESENTATIONS)
@pytest.mark.survey
def test_of_100_000_healthy_numbers_none_is_called_damaged(made: str, size: int, name: str) -> None:
    doubtful = 0
    for seed in range(4):
        texts = pl.Series(texts_of(name, size, MADE[made](Random(f"{made} {name} {seed}"), size, MANY)))
        verdict = judge_values(texts, pl.Series(np.arange(len(texts))))
        assert verdict.damage != "damaged", f"{seed}: {verdict.sentence}"
        doubtful += verdict.damage == "doubtful"
    assert doubtful <= 2


@pytest.mark.parametrize("share", [1.0, 0.2])
@pytest.mark.parametrize("made", ["random", "boxes"])
@pytest.mark.parametrize(("size", "name"), [(size, name) for size, name in PRESENTATIONS if size > 4])
@amounts("count", quick=5000, whole=MANY)
def test_of_100_000_rounded_numbers_next_to_all_are_named(
    made: str, size: int, name: str, share: float, count: int
) -> None:
    dice = Random(f"{made} {name} {share}")
    whole = texts_of(name, size, MADE[made](dice, size, count))
    held = [round_by_spreadsheet(text) if dice.random() < share else text for text in whole]
    texts = pl.Series(held)
    verdict = judge_values(texts, pl.Series(np.arange(len(held))))
    judged = judge_rows(verdict, texts)
    named = judged["damaged"] | judged["doubtful"]
    changed = [now != was.lstrip("0") and now != was for now, was in zip(held, whole, strict=True)]
    assert sum(changed) > 0.1 * share * count
    assert named[changed].sum() >= LEAST_NAMED * sum(changed)


def test_numbers_that_end_in_zeros_by_chance_are_read(tmp_path: Path) -> None:
    """One in ten of 1,000 numbers with 16 digits ends in a zero: none of them is unreadable."""
    dice = Random(1)
    values = [str(dice.randrange(10**15, 10**16)) for _ in range(1000)]
    found = census(site(tmp_path, [row(f"C-{n}", value, kind="serial") for n, value in enumerate(values)], KINDS))
    assert sum(value.endswith("0") for value in values) > 80
    assert (found.counts.read, found.unreadable, found.unknown) == (1000, (), ())


def test_a_rounded_column_is_listed_row_by_row(tmp_path: Path) -> None:
    dice = Random(2)
    whole = [str(dice.randrange(10**15, 10**16)) for _ in range(50)]
    rows = [row(f"C-{n}", round_by_spreadsheet(value), kind="serial") for n, value in enumerate(whole)]
    found = census(site(tmp_path, rows, KINDS))
    assert Counter(each.code for each in found.unreadable) == {"spreadsheet-damage": 50}
    assert found.unreadable[0].reason == (
        f"'{rows[0]['value']}' has only zeros behind its 15th digit: of 50 different numbers with 16 digits, 50 end in "
        "zeros behind the 15th digit; chance gives 5"
    )
    assert found.counts.read == 0


def test_numbers_that_may_be_rounded_are_read_and_named_as_doubt(tmp_path: Path) -> None:
    """Five of five: 1/5^5 of the even ones, less likely than one in a thousand and more than one in a million."""
    values = ["1000000000000230", "1234567890123450", "2234567890123470", "3234567890123490", "4234567890123410"]
    found = census(site(tmp_path, [row(f"C-{n}", value, kind="serial") for n, value in enumerate(values)], KINDS))
    assert (found.counts.read, found.unreadable) == (5, ())
    assert found.unknown == (
        "5 numbers of serial may be rounded: of 5 different numbers with 16 digits, 5 end in zeros behind the 15th "
        "digit; chance gives 0.5; a spreadsheet may have rounded some: compare them with their source",
    )
    assert "5 numbers of serial may be rounded" in census_text(found)


def test_a_text_that_does_not_read_is_unreadable_by_its_own_fault(tmp_path: Path) -> None:
    """A template of 17 digits and a 7: that the text ends in zeros proves nothing while it is alone."""
    found = census(site(tmp_path, [row("C-1", "1234567890123450", kind="long")], KINDS))
    assert [each.code for each in found.unreadable] == ["unreadable-value"]
