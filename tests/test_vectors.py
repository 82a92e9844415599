"""Every row of ``vectors/*.toml``, both ways, and refusals with their rule and place."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from bitstring import Bits

from credkit import DecodeError, inspect
from tests.strategies import VECTORS, built

ROWS: list[dict[str, Any]] = [
    row for file in sorted(VECTORS.glob("*.toml")) for row in tomllib.loads(file.read_text(encoding="utf-8"))["vector"]
]
GOOD = [row for row in ROWS if "error" not in row]
BAD = [row for row in ROWS if "error" in row]


def meaning(row: dict[str, Any]) -> Any:
    if "bits" in row:
        return Bits(f"0b{row['bits']}")
    return row["fields"] if "fields" in row else row["becomes"]


def name_of(row: dict[str, Any]) -> str:
    return str(row["name"])


def test_the_files_were_found() -> None:
    assert len(GOOD) > 50
    assert len(BAD) > 15
    assert len({row["name"] for row in ROWS}) == len(ROWS)


@pytest.mark.parametrize("row", ROWS, ids=name_of)
def test_rows_have_a_source_and_no_stray_keys(row: dict[str, Any]) -> None:
    assert row["source"]
    assert set(row) <= {"name", "chain", "text", "fields", "bits", "becomes", "error", "source"}


@pytest.mark.parametrize("row", GOOD, ids=name_of)
def test_reads(row: dict[str, Any]) -> None:
    codec = built(row["chain"])
    assert codec.decode(row["text"]) == meaning(row)
    assert codec.inspect(row["text"]).ok


@pytest.mark.parametrize("row", GOOD, ids=name_of)
def test_writes(row: dict[str, Any]) -> None:
    assert built(row["chain"]).encode(meaning(row)) == row["text"]


@pytest.mark.parametrize("row", BAD, ids=name_of)
def test_refuses(row: dict[str, Any]) -> None:
    codec = built(row["chain"])
    with pytest.raises(DecodeError) as caught:
        codec.decode(row["text"])
    failed = inspect(codec, row["text"]).failed
    assert caught.value.check == failed
    assert failed is not None
    assert (failed.rule, caught.value.place) == (row["error"]["rule"], tuple(row["error"]["at"]))
