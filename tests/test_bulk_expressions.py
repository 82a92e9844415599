"""Polars expressions: each row is what one value is, null where it fails; types are known before a row is read."""

from __future__ import annotations

from random import Random
from typing import Any

import polars as pl
import pytest

import credkit
from credkit import CredkitError, DecodeError, DefinitionError
from credkit.bulk.expressions import CredkitExpressions, output_type
from credkit.core.codec import AnyCodec
from credkit.core.forms import to_word
from tests.strategies import built, fuzzed, valid
from tests.test_bulk import inputs

GATE = "hex:8/right-justified:26/wiegand-26"
TEXTS = ["02F764DD", "02F764DC", None, "x"]


def of(name: str) -> Any:
    """The namespace as users write it; it is registered when the program runs, so no type checker knows it."""
    return getattr(pl.col(name), "credkit")  # noqa: B009


def as_cell(codec: AnyCodec, form: str, kind: pl.DataType, value: Any) -> Any:
    """A value as it stands in a column of that type."""
    if value is None or form == "text":
        return value
    if form == "bits":
        return to_word(value)[0] if kind == pl.UInt64 else value.bin
    assert isinstance(kind, pl.Struct)
    return {
        field.name: value[field.name] if field.dtype == pl.UInt64 else str(value[field.name]) for field in kind.fields
    }


KNOWN = [name for name in fuzzed() if built(name).gives != "fields" or built(name).schema]


@pytest.mark.parametrize("name", [name for name in KNOWN if built(name).takes == "text"])
def test_every_chain_from_text_decodes_and_inspects(name: str) -> None:
    codec = built(name)
    if codec.decode_obstacle:
        return
    texts = [text for text in inputs(Random(name), codec) if text.isascii()][:20]
    frame = pl.LazyFrame({"raw": [*texts, None]}, schema={"raw": pl.String})
    kind = output_type(codec, codec.output)
    query = frame.select(CredkitExpressions(pl.col("raw")).decode(codec))
    assert query.collect_schema() == {"raw": kind}
    found = query.collect()["raw"]
    assert found.dtype == kind
    inspected = frame.select(CredkitExpressions(pl.col("raw")).inspect(codec)).collect()["raw"].to_list()
    for text, cell, each in zip([*texts, None], found.to_list(), inspected, strict=True):
        try:
            value, failed = codec.decode(text) if text is not None else None, None
        except DecodeError as error:
            value, failed = None, error.check
        assert cell == each["value"] == as_cell(codec, codec.gives, kind, value)
        assert each["ok"] == (value is not None)
        if failed is not None:
            assert (each["failed_codec"], each["failed_rule"]) == (failed.codec, failed.rule)
        else:
            assert each["failed_rule"] == (None if each["ok"] else "missing")


@pytest.mark.parametrize("name", [name for name in KNOWN if built(name).takes == "text" and built(name).schema])
def test_every_chain_of_fields_encodes(name: str) -> None:
    codec = built(name)
    if codec.encode_obstacle:
        return
    random = Random(name)
    values = [dict(valid(random, codec)) for _ in range(10)]
    if any(set(value) != set(codec.schema) for value in values):
        return
    if any(isinstance(cell, int) and cell >= 1 << 64 for value in values for cell in value.values()):
        return  # no column of numbers holds it; lists are another test's
    frame = pl.LazyFrame(values).select(CredkitExpressions(pl.struct(*codec.schema)).encode(codec).alias("raw"))
    assert frame.collect_schema() == {"raw": pl.String}

    def alone(value: Any) -> Any:
        try:
            return codec.encode(value)
        except CredkitError:
            return None

    assert frame.collect()["raw"].to_list() == list(map(alone, values))


def test_the_namespace_on_frames_lazy_frames_and_groups() -> None:
    frame = pl.DataFrame({"raw": TEXTS, "reader": ["a", "a", "b", "b"]})
    decoded = frame.with_columns(card=of("raw").decode(GATE))
    assert decoded["card"].to_list() == [{"facility": 123, "number": 45678}, None, None, None]
    assert decoded["card"].null_count() == 3
    assert decoded.unnest("card").columns == ["raw", "reader", "facility", "number"]
    lazy = frame.lazy().filter(of("raw").decode(GATE).is_not_null()).select(of("raw").decode(GATE).struct["number"])
    assert lazy.collect_schema() == {"number": pl.UInt64}
    assert lazy.collect().rows() == [(45678,)]
    counts = frame.group_by("reader").agg(of("raw").inspect(GATE).struct["ok"].sum()).sort("reader")
    assert counts.rows() == [("a", 1), ("b", 0)]
    assert frame.head(0).select(of("raw").decode(GATE)).schema == {"raw": output_type(built(GATE), built(GATE).output)}


def test_words_and_conversions() -> None:
    frame = pl.DataFrame({"word": [0x2F764DD, 0x2F764DC, -1, None]})
    assert frame.select(of("word").decode("wiegand-26").struct["number"]).to_series().to_list() == [45678, *[None] * 3]
    rules = frame.select(of("word").inspect("wiegand-26").struct["failed_rule"]).to_series().to_list()
    assert rules == [None, "odd-parity", "out-of-range", "missing"]
    swapped = frame.select(of("word").decode("reverse-bytes", length=32)).to_series()
    codec = built("hex:8/reverse-bytes")
    wanted = [codec.decode(text).bin for text in ("02F764DD", "02F764DC")]
    assert swapped.to_list() == [*wanted, None, None]
    target = "split-decimal:8,16/fields:facility:8,number:16"
    texts = pl.DataFrame({"raw": TEXTS}).select(of("raw").convert(source=GATE, target=target))
    assert texts.to_series().to_list() == [credkit.convert("02F764DD", source=GATE, target=target), None, None, None]


def test_entries_of_a_site() -> None:
    entries = credkit.layout_entries({"gate": {"length": 8, "fields": {"number": "0-7"}}})
    frame = pl.DataFrame({"raw": ["0A"]})
    assert frame.select(of("raw").decode("hex:2/gate", entries)).to_series().to_list() == [{"number": 10}]


def test_what_cannot_be_an_expression_is_refused_when_it_is_written() -> None:
    for method, written, said in (
        ("decode", "hex:8/wiegand-26", "right-justified:26 between them"),
        ("decode", "select:number", "fields are known beforehand"),
        ("decode", "decimal:24/keep-low:24/serial-32", "cannot read"),
        ("inspect", "decimal:24/keep-low:24/serial-32", "cannot read"),
        ("encode", "hex:8/keep-low:24/fields:number:24", "cannot write"),
    ):
        with pytest.raises(DefinitionError, match=said):
            getattr(of("raw"), method)(written)
    with pytest.raises((DefinitionError, pl.exceptions.PolarsError), match="takes a column of texts, not of Int64"):
        pl.DataFrame({"raw": [5]}).select(of("raw").decode(GATE))
