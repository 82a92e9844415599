"""Sums as check rows of a layout."""

from __future__ import annotations

from random import Random
from typing import Any

import pytest

from credkit import DefinitionError, bulk, chain, layout_entry
from credkit.core.codec import AnyCodec
from tests.sentences import refusal


def quay(**more: Any) -> AnyCodec:
    row: Any = {"bits": "24-31", "sum": ["0-7", "8-15", "16-23"], **more}
    entry = layout_entry("quay-32", length=32, fields={"site": "0-7", "number": "8-23"}, checks=[row])
    return chain("hex:8/quay-32", entry)


def test_the_internet_checksum_is_a_sum() -> None:
    """RFC 1071, section 3: of 00 01 f2 03 f4 f5 f6 f7 the sum is ddf2, and its complement the checksum."""
    row: Any = {"bits": "64-79", "sum": ["0-15", "16-31", "32-47", "48-63"], "modulus": 65535}
    for negated, check in ((False, "DDF2"), (True, "220D")):
        row["negate"] = negated
        entry = layout_entry("header", length=80, fields={"number": "0-63"}, checks=[row])
        codec = chain("hex:20/header", entry)
        text = f"0001F203F4F5F6F7{check}"
        assert codec.encode(codec.decode(text)) == text
        wrong = codec.inspect(text[:-1] + "0")
        assert wrong.failed is not None
        assert wrong.failed.rule == "sum"
        columns = bulk.compile(codec)
        assert columns.inspect([text, text[:-1] + "0"]).ok.tolist() == [True, False]
        assert list(columns.encode(columns.decode([text, text]).fields).values) == [text, text]


@pytest.mark.parametrize("more", [{}, {"add": 7}, {"negate": True, "add": 7}, {"modulus": 255}, {"modulus": 10}])
def test_columns_are_read_and_written_as_single_values_are(more: dict[str, Any]) -> None:
    random, codec = Random(str(more)), quay(**more)
    modulus, sign = more.get("modulus", 256), -1 if more.get("negate") else 1
    texts = []
    for _ in range(200):
        data = random.getrandbits(24).to_bytes(3, "big")
        check = (sign * sum(data) + more.get("add", 0)) % modulus
        texts.append(f"{data.hex().upper()}{check ^ random.choice((0, 0, 1, 128)):02X}")
    columns = bulk.compile(codec)
    result = columns.inspect(texts)
    good = [text for text, ok in zip(texts, result.ok.tolist(), strict=True) if ok]
    assert list(columns.encode(columns.decode(good).fields).values) == good
    assert 0 < len(good) < len(texts)
    for text, ok in zip(texts, result.ok.tolist(), strict=True):
        assert codec.inspect(text).ok is ok
        data = bytes.fromhex(text)
        assert ok is ((sign * sum(data[:3]) + more.get("add", 0)) % modulus == data[3])
        if ok:
            assert codec.encode(codec.decode(text)) == text


@pytest.mark.parametrize(
    "row",
    [
        {"sum": []}, {"sum": "0-7"}, {"sum": ["0-7", "24-31"]}, {"sum": ["0-7"], "modulus": 257},
        {"sum": ["0-7"], "modulus": 1}, {"sum": ["0-7"], "add": 256}, {"sum": ["0-7"], "negate": 1},
        {"sum": ["0-7"], "poly": 7}, {"sum": ["0-7"], "xor": ["0-7"]},
    ],
)  # fmt: skip
def test_sums_that_cannot_be_are_refused(row: dict[str, Any]) -> None:
    whole: Any = {"bits": "24-31", **row}
    with refusal(DefinitionError):
        layout_entry("quay-32", length=32, fields={"n": "0-23"}, checks=[whole]).build()


def test_a_sum_of_long_blocks_is_refused() -> None:
    with refusal(DefinitionError):
        layout_entry("long", length=48, fields={"n": "0-39"}, checks=[{"bits": "40-47", "sum": ["0-39"]}]).build()
