"""What may come in as rows: columns of no rows, and all that is no column at all."""

from __future__ import annotations

from random import Random
from typing import Any

import numpy as np
import polars as pl
import pytest
from bitstring import Bits

import credkit.bulk
from credkit import DefinitionError, chain, choice, layout_entries
from credkit.bulk.decoded_columns import decode_columns
from tests.sentences import refusal
from tests.strategies import built, fuzzed

GATE = "hex:8/right-justified:26/wiegand-26"
WIDE = "hex:40/fields:number:160"
BOTH = {"facility": [123], "number": [45678]}


@pytest.mark.parametrize("name", fuzzed())
def test_no_rows_have_the_columns_of_rows(name: str) -> None:
    """Every codec, both ways: what no rows give is like what one row gives, but for the row."""
    codec = built(name)
    if codec.takes == "fields":  # alone it does not know its columns
        return
    if not codec.decode_obstacle:
        found = credkit.bulk.compile(codec).inspect([])
        assert (found.count, len(found.ok), len(found.first_failed_rule)) == (0, 0, 0)
        if codec.gives == "fields":
            assert {key: len(column) for key, column in found.fields.items()} == dict.fromkeys(codec.schema, 0)
            assert found.to_polars(checks=True).columns[: len(codec.schema)] == [*codec.schema]
        else:
            assert len(found.values) == 0
    if not codec.encode_obstacle and (codec.gives != "fields" or codec.schema):
        wrote = credkit.bulk.compile(codec).encode({key: [] for key in codec.schema} if codec.schema else [])
        assert (wrote.count, len(wrote.ok), len(wrote.to_polars())) == (0, 0, 0)


@pytest.mark.parametrize("empty", [[], (), np.array([], object), pl.Series([], dtype=pl.String)])
def test_no_texts_of_any_kind(empty: Any) -> None:
    found = credkit.bulk.compile(GATE).inspect(empty)
    assert {name: column.dtype for name, column in found.fields.items()} == {"facility": "uint64", "number": "uint64"}
    assert credkit.bulk.compile(WIDE).inspect(empty).fields["number"].dtype == object
    assert len(decode_columns(chain(GATE), empty).ok) == 0


@pytest.mark.parametrize(
    ("name", "values"),
    [
        (GATE, map(str, ["02F764DD"])),
        (GATE, (text for text in ["02F764DD"])),
        (GATE, iter([])),
        (GATE, None),
        (GATE, "02F764DD"),
        (GATE, b"02F764DD"),
        (GATE, {"02F764DD"}),
        (GATE, {"text": ["02F764DD"]}),
        (GATE, 5),
        (GATE, np.array("02F764DD")),
        (GATE, np.array([["02F764DD"]])),
        ("wiegand-26", np.array(5, np.uint64)),
        ("wiegand-26", map(Bits, [])),
        ("select:card=number", {}),
        ("select:card=number", []),
        ("select:card=number", {"number": 5}),
    ],
)
def test_what_is_no_rows_is_refused(name: str, values: Any) -> None:
    with refusal(DefinitionError):
        credkit.bulk.compile(name).inspect(values)


@pytest.mark.parametrize(
    ("column", "said"),
    [
        (123, "takes a list or a column of values, not 'int'"),
        (None, "takes a list or a column of values, not 'NoneType'"),
        ("1", "takes a list or a column of values, not 'str'"),
        (b"1", "takes a list or a column of values, not 'bytes'"),
        ({1}, "takes a list or a column of values, not 'set'"),
        ({1: 1}, "takes a list or a column of values, not 'dict'"),
        (iter([1]), "takes a list or a column of values, not 'list_iterator'"),
        (np.array(1, np.uint64), "takes a list or a column of values, not 'ndarray'"),
        (np.array([[1]], np.uint64), r"takes one dimension, not an array of shape \(1, 1\)"),
        (np.array([[1]]), r"takes one dimension, not an array of shape \(1, 1\)"),
    ],
)
@pytest.mark.parametrize("name", ["facility", "number"])
def test_what_is_no_column_is_refused(column: Any, said: str, name: str) -> None:
    with pytest.raises(DefinitionError, match=f"{GATE}: the column {name}: {said}"):
        credkit.bulk.compile(GATE).encode({**BOTH, name: column})


@pytest.mark.parametrize("cell", [[1], {}, {1}, np.zeros(2), None, 1.0, b"1", (1, [2]), -1, True, "1", 1 << 70])
def test_a_cell_that_no_field_holds_is_a_row_that_fails(cell: Any) -> None:
    """As one value would: the chain refuses it, and the rows beside it are written."""
    with pytest.raises(credkit.EncodeError):
        chain(GATE).encode({"facility": cell, "number": 45678})
    found = credkit.bulk.compile(GATE).encode_or_null({"facility": [123, cell], "number": [45678, 45678]})
    assert found.ok.tolist() == [True, False]
    assert found.values == ["02F764DD", None]
    with pytest.raises(credkit.EncodeError) as alone:
        chain(GATE).encode({"facility": cell, "number": 45678})
    with pytest.raises(credkit.EncodeError) as caught:
        credkit.bulk.compile(GATE).encode({"facility": [123, cell], "number": [45678, 45678]})
    if cell is not None:
        assert str(caught.value) == f"row 1 (counted from 0): {alone.value}"
    renamed = credkit.bulk.compile(f"{GATE}/select:site=facility,number")
    found = renamed.encode_or_null({"site": [123, cell], "number": [45678, 45678]})
    assert found.values == ["02F764DD", None]


def test_equal_cells_of_different_types_are_told_apart() -> None:
    """1 is a number; 1.0 and True are equal to it, and are refused as they are alone."""
    found = credkit.bulk.compile(GATE).encode_or_null({"facility": [1, True, 1.0, 1], "number": [7, 7, 7, 7]})
    assert found.ok.tolist() == [True, False, False, True]
    found = credkit.bulk.compile(f"{GATE}/select:number,5=facility").encode_or_null({"number": [True, 1]})
    assert found.ok.tolist() == [False, True]


@pytest.mark.parametrize("length", [-1, 65537, 2.5, "26", True, 1 << 70])
def test_lengths_that_cannot_be(length: Any) -> None:
    for given in (np.zeros(2, np.uint64), [Bits("0b1")], []):
        with refusal(DefinitionError):
            credkit.bulk.compile("wiegand-26").inspect(given, length=length)


def test_a_table_has_wide_numbers_as_texts() -> None:
    numbers = [0, 1, Random(5).getrandbits(160)]
    texts = [f"{number:040X}" for number in numbers]
    table = credkit.bulk.compile(WIDE).inspect([*texts, "x"]).to_polars()
    assert table["number"].to_list() == [*map(str, numbers), None]
    assert credkit.bulk.compile("hex:16/fields:number:64").inspect(["F" * 16]).to_polars()["number"].to_list() == [
        2**64 - 1
    ]


def test_a_field_that_is_called_as_a_column_of_the_table() -> None:
    found = credkit.bulk.compile("hex:8/fields:ok:32").inspect(["00000007"])
    assert found.fields["ok"].tolist() == [7]
    with refusal(DefinitionError):
        found.to_polars(checks=True)
    renamed = credkit.bulk.compile("hex:8/fields:ok:32/select:card=ok").inspect(["00000007"])
    assert renamed.to_polars(checks=True).select("card", "ok").rows() == [(7, True)]


# ── a choice of chains ──────────────────────────────────────────────────────────────────────────

REMARKS = [
    {"bits": "1-7", "values": [value], "level": level, "kind": f"of-{value}", "text": "x"}
    for value, level in ((9, "info"), (10, "care"), (11, "refuse"))
]
FIELDS = {"facility": "1-7", "number": "8-15"}
EITHER = layout_entries({
    "whole": {"length": 16, "fields": FIELDS, "checks": [{"bit": 0, "even": "1-15"}], "remarks": REMARKS},
    "front": {"length": 16, "fields": FIELDS, "checks": [{"bit": 0, "odd": "1-7"}], "remarks": REMARKS[:1]},
    "shown": {
        "length": 16, "fields": {"number": "1-7", "facility": "8-15"}, "checks": [{"bit": 0, "even": "8-15"}],
        "remarks": REMARKS[1:],
    },
})  # fmt: skip


@pytest.mark.parametrize("names", [("whole", "front"), ("front", "whole"), ("whole", "front", "shown")])
def test_columns_of_a_choice_are_what_it_says_of_each_row(names: tuple[str, ...]) -> None:
    """Rows that none, one, two or three options read; notes of an option that does not read count for nothing."""
    codec = choice(*(f"hex:4/{name}" for name in names), codecs=EITHER)
    random = Random(len(names))
    words = [first << 15 | value << 8 | random.randrange(256) for first in (0, 1) for value in range(7, 13)] * 20
    words += [word >> 8 | (word & 0x7F) << 8 for word in words]
    texts = [f"{word ^ random.choice((0, 1, 1 << 15)):04X}" for word in words] + ["", "x"]
    found = decode_columns(codec, texts)
    met = set()
    for row, text in enumerate(texts):
        reading = codec.inspect(text)
        options = [chain(f"hex:4/{name}", EITHER).inspect(text) for name in names]
        assert found.ok[row] == reading.ok
        noted = any(note.level != "info" for note in reading.notes)
        met.add((sum(option.ok for option in options), noted))
        if reading.ok:
            assert reading.value == {name: column[row] for name, column in found.fields.items()}
            assert found.noted[row] == noted
        elif not any(option.ok for option in options):
            assert not found.noted[row]
    assert met >= {(0, False), (1, False), (1, True), (2, False)}


def test_fields_are_written_as_columns() -> None:
    """As they are read: of fields that a chain writes, each is a column, over several blocks, too."""
    count = (1 << 16) + 2
    wrote = credkit.bulk.compile("hex:8/fields:number:32/select:card=number").codec.steps[-1]
    found = credkit.bulk.compile(wrote).encode({"card": np.arange(count, dtype=np.uint64)})
    assert found.ok.all()
    assert list(found.fields) == ["number"]
    assert np.array_equal(found.fields["number"], np.arange(count))
    told = credkit.bulk.compile(wrote).inspect({"number": np.arange(count, dtype=np.uint64)})
    assert told.values is None
    assert np.array_equal(told.fields["card"], np.arange(count))
