"""Results go back beside the pandas frame they came from: its index stays, its columns are never guessed at.

The outside judge is pandas itself, which aligns what is assigned to a frame by the index.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import polars as pl
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

import credkit
from credkit.bulk import Bulk
from credkit.core.errors import DefinitionError, EncodeError

GATE = "hex:8/right-justified:26/wiegand-26"
TO_LIST = "split-decimal:8,16/fields:facility:8,number:16"
NUMBERS = [45678, 7, 45678, 9, 12345]


def captures() -> Any:
    """Five captures of which a filter leaves two, with the numbers that stand in them."""
    frame = pd.DataFrame({"facility": [123] * 5, "number": NUMBERS}, dtype="UInt64", index=[*"abcde"])
    frame["raw"] = Bulk(credkit.chain(GATE)).encode(frame[["facility", "number"]]).values
    return frame[[False, True, False, False, True]]


RESULTS: dict[str, Callable[[Bulk, Any], Any]] = {
    "inspect": lambda gate, frame: gate.inspect(frame.raw),
    "decode": lambda gate, frame: gate.decode(frame.raw),
    "encode": lambda gate, frame: gate.encode(frame[["facility", "number"]]),
    "encode_or_null": lambda gate, frame: gate.encode_or_null(frame[["facility", "number"]]),
    "encode of a mapping": lambda gate, frame: gate.encode({"facility": [123, 123], "number": frame.number}),
    "convert": lambda _, frame: credkit.bulk.conversion(GATE, TO_LIST).convert(frame.raw),
    "convert_or_null": lambda _, frame: credkit.bulk.conversion(GATE, TO_LIST).convert_or_null(frame.raw),
}


@pytest.mark.parametrize("way", RESULTS)
def test_a_table_has_the_index_of_the_frame_it_came_from(way: str) -> None:
    frame = captures()
    table = RESULTS[way](credkit.bulk.compile(GATE), frame).to_pandas()
    assert table.index.tolist() == ["b", "e"]
    texts = [f"123,{number:05}" for number in (7, 12345)] if way.startswith("convert") else frame.raw.tolist()
    wanted = [7, 12345] if "number" in table else texts
    assigned = frame.assign(back=table.iloc[:, -1])
    assert assigned.back.tolist() == wanted


def test_other_columns_have_an_index_of_their_own() -> None:
    gate = credkit.bulk.compile(GATE)
    texts = captures().raw.tolist()
    for column in (texts, tuple(texts), pd.array(texts), pd.Index(texts), captures().raw.to_numpy()):
        assert gate.decode(column).to_pandas().index.tolist() == [0, 1]


def test_columns_with_different_indexes_are_refused() -> None:
    gate = credkit.bulk.compile(GATE)
    first, second = pd.Series([1, 2], index=[0, 1]), pd.Series([1, 2], index=[1, 0])
    with pytest.raises(DefinitionError, match="the columns facility and number have different indexes: align them, or"):
        gate.encode({"facility": first, "number": second})
    table = gate.encode({"facility": first, "number": second.reset_index(drop=True)}).to_pandas()
    assert table.text.tolist() == [gate.codec.encode({"facility": each, "number": each}) for each in (1, 2)]


FLOATS: dict[str, Callable[[], Any]] = {
    "pandas with a gap": lambda: pd.Series([5, None, 7]),
    "pandas Float64": lambda: pd.Series([5, None, 7], dtype="Float64"),
    "pandas Arrow": lambda: pd.Series([5, None, 7], dtype=pd.ArrowDtype(pa.float64())),
    "Polars": lambda: pl.Series([5.0, None, 7.0]),
    "Arrow": lambda: pa.array([5.0, None, 7.0]),
    "numpy": lambda: np.array([5, np.nan, 7]),
    "numpy masked": lambda: np.ma.MaskedArray([5.0, 0.0, 7.0], mask=[False, True, False]),
}


@pytest.mark.parametrize("kind", FLOATS)
def test_columns_of_floats_are_refused_with_what_to_do(kind: str) -> None:
    bulk, floats = credkit.bulk.compile("fields:number:26"), FLOATS[kind]()
    for way in (bulk.encode, bulk.encode_or_null):
        with pytest.raises(
            DefinitionError,
            match=r"the column number: takes whole numbers or texts, not .*: convert it to Int64 first$",
        ):
            way({"number": floats})
    for read in (bulk.decode, bulk.inspect):
        with pytest.raises(DefinitionError, match=r"takes whole numbers or bits, not .*: convert it to Int64 first$"):
            read(floats)


def test_what_the_sentence_says_helps() -> None:
    bulk, numbers = credkit.bulk.compile("fields:number:26"), FLOATS["pandas with a gap"]().astype("Int64")
    assert bulk.encode_or_null({"number": numbers}).values.tolist() == [5, None, 7]
    assert bulk.inspect(numbers).fields["number"].tolist() == [5, None, 7]


def test_a_column_of_floats_without_a_number_is_one_of_nulls() -> None:
    bulk = credkit.bulk.compile("fields:number:26")
    for column in (
        pd.Series([None, None], dtype=float),
        np.array([np.nan, np.nan]),
        pl.Series([None] * 2, dtype=pl.Float64),
    ):
        assert bulk.encode_or_null({"number": column}).ok.tolist() == [False, False]
        found = bulk.inspect(column)
        assert [rule.rule for rule in found.rules if found.failures[rule].all()] == ["missing"]


def test_checks_are_columns_of_every_library() -> None:
    frame = pd.DataFrame({"raw": ["02F764DD", "02F764DC", None]}, index=[5, 3, 8])
    found = credkit.bulk.compile(GATE).inspect(frame.raw)
    wanted = found.to_polars(checks=True)
    assert wanted.columns[2:4] == ["ok", "first_failed_rule"]
    assert pl.DataFrame(found.to_arrow(checks=True)).equals(wanted)
    table = found.to_pandas(checks=True)
    assert table.index.tolist() == [5, 3, 8]
    assert frame[~table.ok].index.tolist() == [3, 8]
    for name in wanted.columns:
        assert [None if pd.isna(cell) else cell for cell in table[name]] == wanted[name].to_list()
    assert found.to_pandas().columns.tolist() == wanted.columns[:2]


WAYS: dict[str, Callable[[Any], Any]] = {
    "Polars": lambda found: found.to_polars(),
    "Polars structs": lambda found: found.to_polars().to_struct("card"),
    "Arrow": lambda found: found.to_arrow(),
    "pandas": lambda found: found.to_pandas(),
    "mapping": lambda found: found.to_polars().to_dict(as_series=False),
}


@given(
    numbers=st.lists(st.tuples(st.integers(0, (1 << 80) - 1), st.integers(0, 255)), min_size=1, max_size=8),
    way=st.sampled_from(sorted(WAYS)),
)
def test_tables_of_wide_fields_are_encoded_back(numbers: list[tuple[int, int]], way: str) -> None:
    bulk = credkit.bulk.compile("hex:22/fields:uid:80,kind:8")
    texts = [f"{uid:020X}{kind:02X}" for uid, kind in numbers]
    table = WAYS[way](bulk.decode(texts))
    assert bulk.encode(table).values == texts
    assert bulk.encode_or_null(WAYS[way](bulk.inspect([*texts, None]))).values == [*texts, None]


def test_only_the_texts_that_tables_have_are_numbers() -> None:
    bulk = credkit.bulk.compile("hex:22/fields:uid:80,kind:8")
    cells = [
        "7",
        "0",
        "07",
        "",
        "-7",
        "+7",
        "7 ",
        "1_0",
        "7.0",
        "\u0667",
        "0x7",
        str((1 << 80) - 1),
        str(1 << 80),
        "9" * 9999,
    ]
    found = bulk.encode_or_null({"uid": cells, "kind": [1] * len(cells)})
    assert [cell for cell, ok in zip(cells, found.ok.tolist(), strict=True) if ok] == ["7", "0", str((1 << 80) - 1)]
    with pytest.raises(EncodeError, match=r"row 0 .*: uid is '07', not a whole number"):
        bulk.encode({"uid": ["07"], "kind": [1]})
    with pytest.raises(EncodeError, match=r"row 0 .*: kind is '1', not a whole number"):
        bulk.encode({"uid": ["7"], "kind": ["1"]})
    with pytest.raises(
        EncodeError, match=r"row 0 .*: uid is '7', not a whole number"
    ):  # tables have a number of 64 bits
        credkit.bulk.compile("hex:16/fields:uid:64").encode({"uid": ["7"]})
