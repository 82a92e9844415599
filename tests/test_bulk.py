"""Many rows at once say what one value says: a law for every codec, typical chains and random layouts, both ways."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from random import Random
from typing import Any

import numpy as np
import polars as pl
import pytest
from bitstring import Bits
from hypothesis import given

import credkit.bulk
from credkit import CredkitError, DecodeError, DefinitionError, EncodeError, chain, layout_entries
from credkit.bulk.words import pack
from credkit.core.codec import AnyCodec
from credkit.core.forms import is_form, to_bits, to_word
from tests.sentences import refusal
from tests.strategies import (
    built,
    chain_before,
    damaged,
    definition,
    fuzzed,
    noise,
    randoms,
    readable,
    valid,
)

ROWS = 40
COUNTS: Counter[str] = Counter()


def inputs(random: Random, codec: AnyCodec) -> list[Any]:
    """Values of the input form: good ones, damaged ones, any; some of them several times."""
    found: list[Any] = []
    while len(found) < ROWS:
        try:
            value = readable(random, codec) if codec.encode_obstacle else codec.encode(valid(random, codec))
        except CredkitError:
            value = noise(random, codec)
        found += [value, damaged(random, value), noise(random, codec)]
    found += random.sample(found, 5)
    if codec.takes == "fields":  # columns are whole: the rows that have those of the first one
        found = [value for value in found if set(value) == set(found[0])]
    return [value for value in found if is_form(codec.takes, value)]


def columns(values: list[Any]) -> dict[str, list[Any]]:
    return {name: [value[name] for value in values] for name in values[0]}


def agrees(codec: AnyCodec, given: Any, values: list[Any], length: int | None = None) -> None:
    """The bulk form gives each row what `inspect` and `decode` give it alone; None stands for a null row."""
    bulk = credkit.bulk.compile(codec)
    found = bulk.inspect(given, length=length)
    assert found.count == len(values)
    assert len(repr(found)) < 200
    for row, value in enumerate(values):
        if value is None:
            assert {rule.rule for rule, rows in found.failures.items() if rows[row]} == {"missing"}
            assert decoded_row(codec, found.fields, found.values, found.length, row) is None
            continue
        reading = codec.inspect(value)
        steps = [step.reading for step in reading.steps] or [reading]
        failed = {(place, check.rule) for place, each in enumerate(steps) for check in each.checks if not check.passed}
        bulk_failed = {(rule.step, rule.rule) for rule, rows in found.failures.items() if rows[row]}
        assert bulk_failed == failed, (codec.name, value)
        assert bool(found.ok[row]) == reading.ok, (codec.name, value)
        if reading.failed:
            assert found.rules[found.first_failed_rule[row]].rule == reading.failed.rule, (codec.name, value)
        else:
            assert found.first_failed_rule[row] == -1
        notes = {(place, note.kind) for place, each in enumerate(steps) for note in each.notes}
        assert {(note.step, note.kind) for note, rows in found.notes.items() if rows[row]} == notes, (codec.name, value)
        unchecked = decoded_row(codec, found.unchecked_fields, found.unchecked_values, found.length, row)
        assert unchecked == reading.value, (codec.name, value)
        row_value = decoded_row(codec, found.fields, found.values, found.length, row)
        try:
            assert row_value == codec.decode(value), (codec.name, value)
        except DecodeError:
            assert row_value is None, (codec.name, value)
        COUNTS["good" if reading.ok else "bad"] += 1
    decodes_what_it_can(bulk, codec, given, length, found)
    decodes(bulk, codec, given, values, length, found)


def decodes(
    bulk: credkit.bulk.Bulk, codec: AnyCodec, given: Any, values: list[Any], length: int | None,
    found: credkit.bulk.Inspected,
) -> None:  # fmt: skip
    """`decode` raises for the first row that fails, with the error of that row alone, or gives every row."""
    if found.ok.all():
        decoded = bulk.decode(given, length=length)
        for row, value in enumerate(values):
            assert decoded_row(codec, decoded.fields, decoded.values, decoded.length, row) == codec.decode(value)
        return
    first = int(found.ok.argmin())
    with pytest.raises(DecodeError, match=rf"\Arow {first} \(counted from 0\): ") as caught:
        bulk.decode(given, length=length)
    assert caught.value.row == first
    if values[first] is not None:
        with pytest.raises(DecodeError) as alone:
            codec.decode(values[first])
        assert (caught.value.codec, caught.value.check, caught.value.place) == (
            alone.value.codec, alone.value.check, alone.value.place,
        )  # fmt: skip


def decodes_what_it_can(
    bulk: credkit.bulk.Bulk, codec: AnyCodec, given: Any, length: int | None, found: credkit.bulk.Inspected
) -> None:
    """`decode_or_null` gives each row what `inspect` gives it."""
    decoded = bulk.decode_or_null(given, length=length)
    assert decoded.ok.tolist() == found.ok.tolist(), codec.name
    for row in range(found.count):
        same = [decoded_row(codec, each.fields, each.values, each.length, row) for each in (decoded, found)]
        assert same[0] == same[1], (codec.name, row)


def decoded_row(codec: AnyCodec, fields: Mapping[str, Any], values: Any, length: int | None, row: int) -> Any:
    """The value of one row as the codec gives it alone; None where it is null."""
    if codec.gives == "fields" and values is None:
        cells = {name: column[row] for name, column in fields.items()}
        nulls = {cell is None or cell is np.ma.masked for cell in cells.values()}
        assert len(nulls) <= 1, "a row is null in all of its fields or in none"
        return None if nulls == {True} else cells
    return value_at(values, length, row)


def value_at(values: Any, length: int | None, row: int) -> Any:
    """One row of a list, of words or of columns; None where it is null."""
    if isinstance(values, Mapping):
        return {name: column[row] for name, column in values.items()}
    if isinstance(values, np.ndarray):
        if np.ma.getmaskarray(values)[row].any():
            return None
        limbs = values[row].tolist() if values.ndim == 2 else [values[row].item()]
        assert length is not None
        return to_bits((sum(limb << 64 * place for place, limb in enumerate(reversed(limbs))), length))
    return values[row]


def every_way(codec: AnyCodec, random: Random) -> None:
    """A codec over values of its own, as every kind of column that may hold them."""
    values = inputs(random, codec)
    if codec.takes == "fields":
        if values and values[0]:
            agrees(codec, columns(values), values)
        return
    agrees(codec, values, values)
    agrees(codec, [*values[:3], None, *values[3:]], [*values[:3], None, *values[3:]])
    if codec.takes == "text":
        clean = [value for value in values if value.isascii() or value.isprintable()]
        agrees(codec, pl.Series(clean, dtype=pl.String), clean)
    lengths = Counter(map(len, values)) if codec.takes == "bits" else Counter()
    for length, _ in lengths.most_common(1):
        even = [value for value in values if len(value) == length]
        limbs = max(1, -(-length // 64))
        words = pack([to_word(value)[0] for value in even], length)
        array = words if limbs == 1 else np.stack(words.limbs[::-1], axis=1)
        agrees(codec, array, even, length=length)
        nulls = np.zeros(array.shape, bool)
        nulls[-1] = True
        agrees(codec, np.ma.MaskedArray(array, mask=nulls), [*even[:-1], None], length=length)


@pytest.mark.parametrize("name", fuzzed())
def test_every_codec(name: str) -> None:
    codec = built(name)
    if not codec.decode_obstacle:
        every_way(codec, Random(name))


@pytest.mark.parametrize("name", ["binary", "hex", "binary/invert", "binary/wiegand-26", "hex/reverse-bytes/uid-a-4"])
@pytest.mark.parametrize("digits", [1, 8, 26, 64, 65])
def test_texts_of_as_many_digits_each(name: str, digits: int) -> None:
    """A notation of any number of digits has a kernel for them, and the codec itself reads what are no digits."""
    dice = Random(digits)
    texts = ["".join(dice.choices("01", k=digits)) for _ in range(9)]
    for odd in ("2", "x", " ", "-", "_", "é"):
        agrees(chain(name), [*texts, texts[0][:-1] + odd], [*texts, texts[0][:-1] + odd])
    for some in (texts, texts[:1], [*texts, ""], [*texts, texts[0] + "1"]):
        agrees(chain(name), some, some)


@given(randoms())
def test_random_layouts_and_chains(random: Random) -> None:
    entries = layout_entries({"random": definition(random)})
    codec = entries[0].build()
    every_way(codec, random)
    assert codec.length
    every_way(built(f"{chain_before(random, codec.length)}/random", entries), random)


@pytest.mark.parametrize("fields", [{"site": "0-7", "number": "8-99"}, {"number": "0-91", "site": "92-99"}])
def test_a_layout_with_one_field_of_more_than_64_bits(fields: dict[str, str]) -> None:
    """Its columns are looked at as those of one all of whose fields are wide."""
    (entry,) = layout_entries({"mixed": {"length": 100, "fields": fields}})
    codec = entry.build()
    every_way(codec, Random(100))
    values = [{"site": place, "number": (1 << 92) - 1 - place} for place in range(3)]
    found = credkit.bulk.compile(codec).inspect([codec.encode(value) for value in values])
    assert [{name: column[row] for name, column in found.fields.items()} for row in range(3)] == values


def test_both_good_and_bad_rows_were_met() -> None:
    every_way(built("hex:8/right-justified:26/wiegand-26"), Random(1))
    assert min(COUNTS["good"], COUNTS["bad"]) > 10


# ── writing ─────────────────────────────────────────────────────────────────────────────────────


def encodes(codec: AnyCodec, values: list[Any], given: Any) -> None:
    """The bulk form encodes what `encode` encodes, and no more."""
    bulk = credkit.bulk.compile(codec)
    found = bulk.encode_or_null(given)
    errors: dict[int, str] = {}
    for row, value in enumerate(values):
        try:
            wanted: Any = codec.encode(value)
        except CredkitError as error:
            wanted = None
            errors[row] = str(error)
        assert bool(found.ok[row]) == (wanted is not None), (codec.name, value)
        if codec.takes == "fields" and found.values is None:
            assert decoded_row(codec, found.fields, None, None, row) == wanted
        else:
            assert value_at(found.values, found.length, row) == wanted, (codec.name, value)
    if errors:
        first = min(errors)
        with pytest.raises(EncodeError) as caught:
            bulk.encode(given)
        assert str(caught.value).startswith(f"row {first} (counted from 0): {errors[first][:50]}")
    elif values:
        whole = bulk.encode(given)
        assert whole.ok.all()
        assert np.array_equal(np.asarray(whole.values, object), np.asarray(found.values, object))


def encoded_every_way(codec: AnyCodec, random: Random) -> None:
    values = [valid(random, codec) for _ in range(ROWS)]
    if codec.gives == "fields":
        plain = [dict(value) for value in values if set(value) == set(values[0])]
        wrong = [{name: item + (1 << 20) if isinstance(item, int) else item for name, item in value.items()}
                 for value in plain[:5]]  # fmt: skip
        plain += [value for value in wrong if all(not isinstance(v, int) or v < 1 << 64 for v in value.values())]
        if plain and plain[0]:
            encodes(codec, plain, columns(plain))
    else:
        encodes(codec, values, values)


@pytest.mark.parametrize("name", fuzzed())
def test_every_codec_writes(name: str) -> None:
    codec = built(name)
    if not codec.encode_obstacle:
        encoded_every_way(codec, Random(name))


@given(randoms())
def test_random_layouts_and_chains_write(random: Random) -> None:
    entries = layout_entries({"random": definition(random)})
    codec = entries[0].build()
    encoded_every_way(codec, random)
    assert codec.length
    encoded_every_way(built(f"{chain_before(random, codec.length)}/random", entries), random)


# ── what goes in ────────────────────────────────────────────────────────────────────────────────


def test_what_is_not_rows_is_refused() -> None:
    gate = credkit.bulk.compile("wiegand-26")
    text = credkit.bulk.compile("hex:8/right-justified:26/wiegand-26")
    long = credkit.bulk.compile("gsa-75")
    for bulk, values in (
        (gate, np.array([1.0])),
        (gate, np.array([True])),
        (long, np.array([1], np.uint64)),
        (long, np.array([[0, 1]], np.int64)),
        (gate, [Bits("0b1"), "1"]),
        (gate, "1"),
        (text, pl.Series([1])),
        (text, 5),
    ):
        with refusal(DefinitionError):
            bulk.inspect(values)
    with refusal(DefinitionError):
        gate.encode({"facility": [1], "nummer": [2]})
    with refusal(DefinitionError):
        credkit.bulk.compile("decimal:24/keep-low:24/serial-32").inspect(["1"])
    with refusal(DefinitionError):
        credkit.bulk.compile("hex:8/keep-low:24/fields:number:24").encode({"number": [1]})


def test_many_blocks_are_as_one() -> None:
    """More rows than one block has: the answers are those of shift and mask over the whole array."""
    words = np.random.default_rng(7).integers(0, 1 << 26, 100_000, dtype=np.uint64)
    found = credkit.bulk.compile("wiegand-26").inspect(words)
    assert np.array_equal(found.fields["facility"], words >> 17 & 0xFF)
    assert np.array_equal(found.fields["number"], words >> 1 & 0xFFFF)
    even, odd = np.bitwise_count(words >> 13) & 1 == 0, np.bitwise_count(words & 0x1FFF) & 1 == 1
    assert np.array_equal(found.ok, even & odd)
    assert 0.24 < found.ok.mean() < 0.26, "one random word in four passes"
    assert np.array_equal(np.ma.getmaskarray(found.fields["number"]), ~found.ok)
    assert np.shares_memory(found.fields["number"], found.columns["number"]), "masks are put over the same memory"
    gate = credkit.bulk.compile("wiegand-26")
    back = gate.encode_or_null(found.fields)
    assert np.array_equal(back.ok, found.ok)
    assert np.array_equal(back.values.compressed(), words[found.ok])
    assert np.array_equal(gate.encode(found.unchecked_fields).values == words, found.ok)


def test_columns_of_other_libraries() -> None:
    texts = ["02F764DD", None, "02F764DC"]
    found = credkit.bulk.compile("hex:8/right-justified:26/wiegand-26").inspect(pl.Series(texts))
    table = found.to_polars(checks=True)
    assert table.columns[:4] == ["facility", "number", "ok", "first_failed_rule"]
    assert table["number"].to_list() == [45678, None, None]
    assert table["ok"].to_list() == [True, False, False]
    assert table["first_failed_rule"].to_list() == [None, "0.hex:8.missing", "2.wiegand-26.odd-parity"]
    assert table["2.wiegand-26.odd-parity"].to_list() == [False, False, True]


def test_mapping_of_any_columns() -> None:
    bulk = credkit.bulk.compile("decimal:26/wiegand-26")
    for kind in (list, tuple, np.array, pl.Series):
        assert bulk.encode({"facility": kind([123]), "number": kind([45678])}).values == ["49767645"]
    assert isinstance(chain("wiegand-26").decode(Bits("0b10111101110110010011011101")), Mapping)


def test_a_selection_of_a_field_that_is_not_there() -> None:
    found = credkit.bulk.compile("select:number").inspect({"other": [5, 6]})
    assert found.ok.tolist() == [False, False]
    assert [rule.rule for rule in found.rules] == [
        check.rule for check in chain("select:number").inspect({"other": 5}).checks
    ]
