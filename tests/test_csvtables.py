"""Tables as CSV files: what Python's own writer makes of the same cells, guarded and masked one by one."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from datetime import UTC, date, datetime
from unittest.mock import patch
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from credkit.files import csvtables
from credkit.files.csvtables import CsvTable, format_cell
from credkit.files.formulas import FORMULA_PATTERN, guard_formula
from credkit.privacy.accounts import mask_accounts

ACCOUNT = "4114360123456785"  # the test number of the WHATWG HTML standard
AMSTERDAM = ZoneInfo("Europe/Amsterdam")
SIGNS = [*"\",;\n\r\t '=+-@＝＋－＠^%?.:/_*", *"\u00a0\u202f\u2028\ufeff\0\udc80é٤４𝟒"]
TEXTS = st.lists(
    st.sampled_from([*SIGNS, *"0123456789", "12", "x", ACCOUNT, f";{ACCOUNT}=30121010000000000?"])
    | st.characters(categories=("Nd", "L"))
).map("".join)
VALUES = (
    TEXTS
    | st.none()
    | st.integers()
    | st.dates()
    | st.datetimes(timezones=st.sampled_from([UTC, AMSTERDAM]))
    | st.lists(TEXTS, max_size=3).map(tuple)
)


def by_the_cell(rows: Sequence[Sequence[object]], unmasked: Sequence[bool]) -> bytes:
    """The rows as Python's own writer makes them; RFC 4180 asks for quotes around CR, too."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    for row in rows:
        cells = [
            text if plain else mask_accounts(text) for text, plain in zip(map(format_cell, row), unmasked, strict=True)
        ]
        if any("\r" in cell for cell in cells):  # older versions leave it bare
            quoted = ['"{}"'.format(each.replace('"', '""')) if re.search('[,"\r\n]', each) else each for each in cells]
            buffer.write(",".join(quoted) + "\n")
        else:
            writer.writerow(cells)
    return buffer.getvalue().encode("utf-8", "backslashreplace")


@given(
    st.integers(1, 4).flatmap(
        lambda width: st.tuples(
            st.lists(st.tuples(*[VALUES] * width), max_size=6), st.lists(st.booleans(), min_size=width, max_size=width)
        )
    )
)
@example(([("\r", "=1"), ("a\rb", ACCOUNT)], [False, False]))
@example(([("", ""), (" ", "\udc80" + ACCOUNT)], [False, False]))
@example(([("",), ("\r",)], [True]))
def test_a_table_is_what_it_is_cell_by_cell(drawn: tuple[list[tuple[object, ...]], list[bool]]) -> None:
    rows, unmasked = drawn
    columns = tuple(f"column {place}" for place in range(len(unmasked)))
    table = CsvTable(columns=columns, unmasked=[name for name, plain in zip(columns, unmasked, strict=True) if plain])
    with patch.object(csvtables, "ROWS_AT_ONCE", 4):
        header, *pieces = table.encode(rows)
    assert header == ",".join(columns).encode() + b"\n"
    assert len(pieces) == -(-len(rows) // 4)
    assert b"".join(pieces) == by_the_cell(rows, unmasked)


@given(st.lists(TEXTS.filter(lambda text: text.isprintable()) | st.none(), min_size=1))
def test_a_column_of_polars_is_one_of_values(texts: list[str | None]) -> None:
    table = CsvTable(columns=("one", "two"))
    whole = pl.Series(range(len(texts)))
    asked = table.encode_columns([pl.Series(texts, dtype=pl.String), whole])
    assert (
        asked
        == table.encode_columns([texts, whole.to_list()])
        == by_the_cell([*zip(texts, whole, strict=True)], [False, False])
    )


@pytest.mark.parametrize("dtype", [pl.Int64, pl.String, pl.Enum(["4114360123456785", "17"])])
def test_a_column_is_masked_whatever_its_type(dtype: pl.DataType) -> None:
    """ISO/IEC 7812-1: 16 digits with a valid check digit (Luhn) may be an account number."""
    cells = pl.Series(["4114360123456785", "17"]).cast(dtype)
    assert CsvTable(columns=("number",)).encode_columns([cells]) == b"411436******6785\n17\n"
    kept = CsvTable(columns=("number",), unmasked=("number",)).encode_columns([cells])
    assert kept == b"4114360123456785\n17\n"


@given(TEXTS)
@example("a; \t=1")
def test_only_a_text_in_which_the_pattern_is_found_is_guarded(text: str) -> None:
    is_found = re.search(FORMULA_PATTERN, text) is not None
    assert (guard_formula(text) != text) <= is_found
    if not any("\ud800" <= char < "\ue000" for char in text):
        assert pl.Series([text]).str.contains(FORMULA_PATTERN).item() == is_found


@pytest.mark.parametrize(
    ("value", "written"),
    [
        # These two are equal: times of one zone are compared without their offset.
        # These two are equal: times of one zone are compared without their offsets.
        (datetime(2026, 10, 25, 2, 30, tzinfo=AMSTERDAM), "2026-10-25T02:30:00+02:00"),
        (datetime(2026, 10, 25, 2, 30, tzinfo=AMSTERDAM, fold=1), "2026-10-25T02:30:00+01:00"),
        (date(476, 9, 4), "0476-09-04"),
        (("C-1", "C-2"), "C-1; C-2"),
        ((), ""),
        (-5, "-5"),
        (1 << 70, str(1 << 70)),
        (None, ""),
    ],
)
def test_values_as_cells(value: object, written: str) -> None:
    assert format_cell(value) == written
    assert CsvTable(columns=("one", "two")).encode_columns([[value], ["x"]]).decode() == f"{written},x\n"


def test_names_of_columns_may_be_alike_and_are_guarded() -> None:
    """A target may be called like a column of the table."""
    table = CsvTable(columns=("number", "number", "=gate"))
    assert b"".join(table.encode([(1, 2, 3)])) == b"number,number,'=gate\n1,2,3\n"


def test_rows_of_another_width_are_a_fault() -> None:
    with pytest.raises(ValueError, match="argument"):
        list(CsvTable(columns=("one", "two")).encode_rows([(1, 2), (3,)]))
