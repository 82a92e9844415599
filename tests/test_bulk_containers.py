"""Columns of lists, numpy, Polars, Arrow and pandas: each row of each of them is what one value is, nulls are null."""

from __future__ import annotations

import pickle
import subprocess
import sys
from collections.abc import Callable
from random import Random
from typing import Any

import numpy as np
import pandas as pd
import polars as pl
import pyarrow as pa
import pytest
from bitstring import Bits
from hypothesis import given

import credkit
from credkit import CredkitError, DecodeError, DefinitionError, EncodeError
from credkit.core.codec import AnyCodec
from credkit.core.forms import to_bits, to_word
from credkit.core.reading import Field
from credkit.core.spans import MAX_BITS
from tests.strategies import built, fuzzed, randoms, valid
from tests.test_bulk import decoded_row, inputs, value_at

GATE = "hex:8/right-justified:26/wiegand-26"
NAN = float("nan")


def masked(cells: list[Any], blank: Any, dtype: Any = None) -> Any:
    filled = [blank if cell is None else cell for cell in cells]
    return np.ma.MaskedArray(np.array(filled, dtype), mask=[cell is None for cell in cells])


TEXTS: dict[str, Callable[[list[Any]], Any]] = {
    "list": list,
    "tuple": tuple,
    "list with NaN": lambda cells: [NAN if cell is None else cell for cell in cells],
    "list with pandas.NA": lambda cells: [pd.NA if cell is None else cell for cell in cells],
    "numpy objects": lambda cells: np.array([*cells, None], object)[:-1],
    "numpy masked": lambda cells: masked(cells, "", object),
    "Polars": lambda cells: pl.Series(cells, dtype=pl.String),
    "Polars categories": lambda cells: pl.Series(cells, dtype=pl.Categorical),
    "Arrow": lambda cells: pa.array(cells, pa.string()),
    "Arrow large": lambda cells: pa.array(cells, pa.large_string()),
    "Arrow chunks": lambda cells: pa.chunked_array([cells[:2], cells[2:]], pa.string()),
    "Arrow dictionary": lambda cells: pa.array(cells, pa.string()).dictionary_encode(),
    "pandas default": lambda cells: pd.Series(cells, dtype="str"),
    "pandas objects": lambda cells: pd.Series(cells, dtype=object),
    "pandas string": lambda cells: pd.Series(cells, dtype="string"),
    "pandas Arrow": lambda cells: pd.Series(cells, dtype=pd.ArrowDtype(pa.string())),
    "pandas categories": lambda cells: pd.Series(cells, dtype="category"),
}
WIDE: dict[str, Callable[[list[Any]], Any]] = {  # those that hold a number of any size
    "list": list,
    "tuple": tuple,
    "list with pandas.NA": lambda cells: [pd.NA if cell is None else cell for cell in cells],
    "numpy objects": lambda cells: np.array([*cells, None], object)[:-1],
    "numpy masked objects": lambda cells: masked(cells, 0, object),
    "pandas objects": lambda cells: pd.Series(cells, dtype=object),
}
SIGNED: dict[str, Callable[[list[Any]], Any]] = {
    **WIDE,
    "list of numpy numbers": lambda cells: [cell if cell is None else np.int64(cell) for cell in cells],
    "numpy masked": lambda cells: masked(cells, 0, np.int64),
    "Polars": lambda cells: pl.Series(cells, dtype=pl.Int64),
    "Polars 128 bits": lambda cells: pl.Series(cells, dtype=pl.Int128),
    "Arrow": lambda cells: pa.array(cells, pa.int64()),
    "Arrow chunks": lambda cells: pa.chunked_array([cells[:2], cells[2:]], pa.int64()),
    "pandas": lambda cells: pd.Series(cells, dtype="Int64"),
    "pandas array": lambda cells: pd.array(cells, dtype="Int64"),
    "pandas Arrow": lambda cells: pd.Series(cells, dtype=pd.ArrowDtype(pa.int64())),
}
UNSIGNED: dict[str, Callable[[list[Any]], Any]] = {
    "numpy masked": lambda cells: masked(cells, 0, np.uint64),
    "Polars": lambda cells: pl.Series(cells, dtype=pl.UInt64),
    "Arrow": lambda cells: pa.array(cells, pa.uint64()),
    "pandas": lambda cells: pd.Series(cells, dtype="UInt64"),
}


def decode_alone(codec: AnyCodec, value: Any) -> Any:
    """What `decode` gives one value; None for a null, and where it raises."""
    if value is None:
        return None
    try:
        return codec.decode(value)
    except DecodeError:
        return None


def encode_alone(codec: AnyCodec, value: Any) -> Any:
    try:
        return codec.encode(value)
    except CredkitError:
        return None


def agrees(codec: AnyCodec, wanted: list[Any], column: Any, what: str, length: int | None = None) -> None:
    found = credkit.bulk.compile(codec).inspect(column, length=length)
    rows = [decoded_row(codec, found.fields, found.values, found.length, row) for row in range(len(wanted))]
    assert rows == wanted, (codec.name, what)
    assert found.ok.tolist() == [value is not None for value in wanted], (codec.name, what)


READS = [name for name in fuzzed() if not built(name).decode_obstacle]


@given(randoms())
def test_every_row_of_every_container_decodes_as_one_value(random: Random) -> None:
    codec = built(random.choice(READS))
    if codec.takes == "fields":
        return
    values = random.sample(inputs(random, codec), 6)
    if codec.takes == "text":  # what no Arrow data can hold, half of a surrogate pair, is for the test below
        values = [value for value in values if not any(0xD800 <= ord(char) < 0xE000 for char in value)]
        values.insert(random.randrange(len(values) + 1), None)
        wanted = [decode_alone(codec, value) for value in values]
        for what, make in TEXTS.items():
            if not (what == "Polars categories" and len(set(values)) > len(values)):
                agrees(codec, wanted, make(values), what)
        return
    length = codec.length or random.choice([len(value) for value in values if len(value) <= MAX_BITS])
    even = [value for value in values if len(value) == length]
    even.insert(random.randrange(len(even) + 1), None)
    wanted = [decode_alone(codec, value) for value in even]
    numbers = [None if value is None else to_word(value)[0] for value in even]
    kinds = WIDE if length > 64 else UNSIGNED if length == 64 else {**SIGNED, **UNSIGNED}
    for what, make in kinds.items():
        agrees(codec, wanted, make(numbers), what, length)


WRITES = [
    name
    for name in fuzzed()
    if not built(name).encode_obstacle
    and built(name).schema
    and all(isinstance(row, Field) for row in built(name).schema.values())
]


@given(randoms())
def test_every_row_of_every_container_encodes_as_one_value(random: Random) -> None:
    codec = built(random.choice(WRITES))
    values: list[dict[str, Any]] = [dict(valid(random, codec)) for _ in range(5)]
    for strange in (None, -1, -(1 << 62)):  # a field out of range is refused, behind a select, too
        values.append({**random.choice(values), random.choice(list(codec.schema)): strange})
    random.shuffle(values)
    wanted = [encode_alone(codec, value) for value in values]
    cells = [cell for value in values for cell in value.values() if cell is not None]
    kinds = SIGNED if max(cells) < 1 << 63 else WIDE
    for what, make in kinds.items():
        found = credkit.bulk.compile(codec).encode_or_null(
            {name: make([value[name] for value in values]) for name in codec.schema}
        )
        rows = [value_at(found.values, found.length, row) for row in range(len(values))]
        assert rows == wanted, (codec.name, what)


@pytest.mark.parametrize("kind", SIGNED)
@pytest.mark.parametrize("length", [26, 63])
def test_numbers_that_are_no_frames_fail_alike(kind: str, length: int) -> None:
    """A negative number is refused in every container, as is one with more bits than the frame: by one rule."""
    codec = built(f"fields:number:{length}")
    bulk = credkit.bulk.compile(codec)
    over = (1 << length) if length < 63 else -(1 << 63)
    cells = [0, (1 << length) - 1, -1, over, None]
    if kind == "list of numpy numbers":
        cells = cells[:4]
    found = bulk.inspect(SIGNED[kind](cells))
    assert found.fields["number"].tolist()[:4] == [0, (1 << length) - 1, None, None]
    assert [rule for rule, rows in found.failures.items() if rows[2] and rows[3] and not rows[4:].any()] == [
        credkit.bulk.Rule(0, codec.name, "out-of-range")
    ]
    with pytest.raises(DecodeError, match=rf"row 2 \(.*the number is negative or has more than {length} bits"):
        bulk.decode(SIGNED[kind](cells))


def test_bits_of_every_accepted_type() -> None:
    """As for one value: ``Bits``, bytes, a number with its length; a pair without room for its number fails."""
    cells = [b"\x02\xf7", bytearray(b"\x02\xf7"), Bits("0x02f7"), (0x02F7, 16), None, (-1, 16), (1 << 16, 16)]
    wanted = credkit.decode("reverse-bytes", Bits("0x02f7"))
    bulk = credkit.bulk.compile("reverse-bytes")
    for column in (cells, np.array([*cells, None], object)[:-1], pd.Series(cells, dtype=object)):
        found = bulk.inspect(column)
        assert found.values == [wanted] * 4 + [None] * 3
        rules = [found.rules[place].rule for place in found.first_failed_rule[4:]]
        assert rules == ["missing", "out-of-range", "out-of-range"]
    assert bulk.inspect(pl.Series([b"\x02\xf7", None])).values == [wanted, None]
    assert bulk.inspect(pa.array([b"\x02\xf7", None])).values == [wanted, None]
    with pytest.raises(DecodeError, match=r"row 5 .* the number is negative or has more than its length of bits"):
        bulk.decode([*cells[:4], cells[0], cells[5]])
    for strange in ("1", 5.0, (1, 2, 3), (1, -1)):
        with pytest.raises(DefinitionError, match=r"row 1 is .*, not bits"):
            bulk.inspect([cells[0], strange])


def test_words_of_more_than_64_bits() -> None:
    bulk = credkit.bulk.compile("gsa-75")
    found = bulk.inspect(np.array([[0, 1], [1 << 11, 0]], np.uint64))
    assert found.failures[credkit.bulk.Rule(0, "gsa-75", "out-of-range")].tolist() == [False, True]
    array = np.ma.MaskedArray(np.array([[0, 1], [0, 1]], np.uint64), mask=[[False, True], [False, False]])
    assert bulk.inspect(array).failures[credkit.bulk.Rule(0, "gsa-75", "missing")].tolist() == [True, False]
    alone = bulk.codec.inspect(to_bits((1, 75))).value
    assert alone is not None
    assert {name: column.tolist()[0] for name, column in found.unchecked_fields.items()} == dict(alone)


def test_no_account_of_the_last_block_is_lost() -> None:
    """A null or a number out of range beyond the first block is found at its own row."""
    words = np.zeros(200_000, np.int64)
    words[150_000] = -5
    with pytest.raises(DecodeError) as caught:
        credkit.bulk.compile("fields:number:26").decode(words)
    assert caught.value.row == 150_000
    texts = pl.Series(["00000000"] * 300_000).set(pl.Series(np.arange(300_000) == 299_999), None)
    found = credkit.bulk.compile("hex:8").inspect(texts)
    assert np.flatnonzero(~found.ok).tolist() == [299_999]
    with pytest.raises(DecodeError, match=r"row 299999 \(counted from 0\): hex:8: the row is null"):
        credkit.bulk.compile("hex:8").decode(texts)


def test_a_text_that_no_table_can_hold() -> None:
    """Half of a surrogate pair is decoded from a list as from one text; a table refuses it in one sentence."""
    found = credkit.bulk.compile("strip").inspect(["a", " \ud800 "])
    assert found.values == ["a", credkit.decode("strip", " \ud800 ")]
    with pytest.raises(DefinitionError, match=r"row 1 .* half of a surrogate pair"):
        found.to_polars()


@pytest.mark.parametrize(
    ("column", "said"),
    [
        (pl.Series([1.5]), "takes a column of texts, not of Float64"),
        (pl.Series([b"x"]), "takes a column of texts, not of Binary"),
        (pa.array([1]), "takes a column of texts, not of int64"),
        (pd.Series([1.5]), "takes a column of texts, not of float64"),
        (pd.Series(["x", 5], dtype=object), "row 1 is 5, not text"),
        (["x", 5], "row 1 is 5, not text"),
    ],
)
def test_columns_of_another_type_are_refused(column: Any, said: str) -> None:
    with pytest.raises(DefinitionError, match=said):
        credkit.bulk.compile(GATE).inspect(column)


def test_a_column_of_nothing_but_nulls() -> None:
    for column in ([None, None], pl.Series([None, None]), pa.nulls(2), pd.Series([None, None]), np.array([NAN, NAN])):
        found = credkit.bulk.compile(GATE).inspect(column)
        assert [rule.rule for rule in found.rules if found.failures[rule].all()] == ["missing"]


# ── tables ──────────────────────────────────────────────────────────────────────────────────────


TABLES: dict[str, Callable[[Any], Any]] = {
    "mapping": lambda frame: frame.to_dict(),
    "Polars": lambda frame: frame,
    "Polars structs": lambda frame: frame.to_struct("card"),
    "Arrow": pa.table,
    "Arrow batch": lambda frame: pa.table(frame).to_batches()[0],
    "pandas": lambda frame: pd.DataFrame({name: frame[name].to_list() for name in frame.columns}, dtype="UInt64"),
    "numpy records": lambda frame: frame.to_numpy(structured=True),
}


@pytest.mark.parametrize("kind", TABLES)
def test_data_frames_are_columns(kind: str) -> None:
    frame = pl.DataFrame({"facility": [123, 7], "number": [45678, 9]})
    bulk = credkit.bulk.compile(GATE)
    wanted = [bulk.codec.encode(row) for row in frame.to_dicts()]
    assert bulk.encode(TABLES[kind](frame)).values == wanted


def test_tables_have_nulls() -> None:
    found = credkit.bulk.compile(GATE).inspect(["02F764DD", None, "02F764DC", "x"])
    rows = [(123, 45678), (None, None), (None, None), (None, None)]
    assert found.to_polars().rows() == rows
    assert [tuple(row.values()) for row in found.to_arrow().to_pylist()] == rows
    assert pa.table(found).equals(found.to_arrow())
    table = found.to_pandas()
    assert table.dtypes.astype(str).to_dict() == {"facility": "UInt64", "number": "UInt64"}
    assert table["number"].isna().tolist() == [False, True, True, True]
    assert table["number"][0] == 45678
    wide = credkit.bulk.compile("hex:40/fields:number:160").inspect(["F" * 40, None])
    assert wide.to_pandas()["number"].tolist() == [str((1 << 160) - 1), pd.NA]
    assert wide.fields["number"].tolist() == [(1 << 160) - 1, None]
    top = credkit.bulk.compile("hex:16/fields:number:64").inspect(["F" * 16, None]).to_pandas()
    assert int(top["number"][0]) == (1 << 64) - 1, "a number stays exact beside a null"


def test_tables_of_texts_and_bits() -> None:
    assert credkit.bulk.compile("strip").inspect([" a", None]).to_polars().to_dict(as_series=False) == {
        "text": ["a", None]
    }
    for chain, texts, cells in (
        ("hex:2", ["0A", None], [10, None]),
        ("hex:20", ["0" * 19 + "A", None], [f"{10:080b}", None]),
        ("binary", ["01", "1", None], ["01", "1", None]),
    ):
        assert credkit.bulk.compile(chain).inspect(texts).to_polars()["bits"].to_list() == cells
    unknown = credkit.bulk.compile("select:number").inspect({"number": [5, 6]})
    assert unknown.to_polars().to_dict(as_series=False) == {"number": [5, 6]}


def test_results_are_short_to_look_at() -> None:
    texts = ["02F764DD", "02F764DC", "x", None]
    bulk = credkit.bulk.compile(GATE)
    assert repr(bulk) == "Bulk('hex:8/right-justified:26/wiegand-26')"
    assert repr(bulk.decode(texts[:1])) == "Decoded(1 row, fields: facility number)"
    assert repr(bulk.inspect(texts)) == (
        "Inspected(4 rows, 1 ok, fields: facility number, "
        "failures: hex:8 missing 1, hex:8 alphabet 1, wiegand-26 odd-parity 1)"
    )
    assert repr(bulk.encode_or_null({"facility": [1, -1], "number": [1, 1]})) == "Encoded(2 rows, 1 null, text)"
    wide = credkit.bulk.compile("/".join(["strip"] * 40))
    assert len(repr(wide)) < 200


def test_conversions_give_each_row_what_one_value_gets() -> None:
    source, target = GATE, "split-decimal:8,16/fields:facility:8,number:16"
    both = credkit.bulk.conversion(source, target)
    texts = ["02F764DD", "02F764DC", None]
    assert both.convert_or_null(texts).values == [credkit.convert("02F764DD", source=source, target=target), None, None]
    assert both.convert(texts[:1]).values == ["123,45678"]
    with pytest.raises(DecodeError, match=r"row 1 \(counted from 0\): wiegand-26: odd parity"):
        both.convert(texts)
    only = credkit.bulk.conversion(source, "decimal:16,5/fields:number:16/select:number")
    assert only.convert(texts[:1]).values == ["45678"]
    narrow = credkit.bulk.conversion(source, "decimal:8,3/fields:number:8/select:number")
    with pytest.raises(EncodeError, match=r"row 0 \(counted from 0\): .*number is 45678"):
        narrow.convert(texts[:1])
    wanted = credkit.convert("0A", source="hex:2", target="decimal:8")
    assert credkit.bulk.conversion("hex:2", "decimal:8").convert_or_null(["0A", "x"]).values == [wanted, None]
    assert len(repr(both)) < 200


def test_chains_results_and_errors_survive_pickle() -> None:
    bulk = pickle.loads(pickle.dumps(credkit.bulk.compile(GATE)))
    assert bulk == credkit.bulk.compile(GATE) != credkit.bulk.compile("hex:8")
    assert len({bulk, credkit.bulk.compile(GATE), credkit.bulk.compile("hex:8")}) == 2
    found = pickle.loads(pickle.dumps(bulk.inspect(["02F764DD", "02F764DC", None])))
    assert found.fields["number"].tolist() == [45678, None, None]
    assert found.first_failed_rule.tolist() == [-1, 3, 0]
    both = pickle.loads(pickle.dumps(credkit.bulk.conversion(GATE, "decimal:26/wiegand-26")))
    assert both.convert(["02F764DD"]).values == ["49767645"]
    with pytest.raises(DecodeError) as caught:
        bulk.decode(["02F764DD", "02F764DC"])
    again = pickle.loads(pickle.dumps(caught.value))
    assert (again.row, str(again), again.check) == (1, str(caught.value), caught.value.check)


def alone(code: str) -> str:
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return done.stdout.strip()


def test_bulk_is_there_without_a_second_import_and_imports_no_library_that_it_does_not_need() -> None:
    code = """if True:
        import sys, credkit
        early = {"numpy", "polars", "pandas", "pyarrow"} & set(sys.modules)
        credkit.bulk.compile("hex:8").inspect(["02F764DD"]).to_polars()
        print(early, {"pandas", "pyarrow"} & set(sys.modules))"""
    assert alone(code) == "set() set()"


@pytest.mark.parametrize("library", ["numpy", "polars"])
def test_a_missing_extra_is_one_clear_error(library: str) -> None:
    code = f"""if True:
        import sys, credkit
        sys.modules[{library!r}] = None
        try:
            credkit.bulk
        except ModuleNotFoundError as error:
            print(error)"""
    assert alone(code) == "credkit.bulk needs the extra site: pip install 'credkit[site]'"
