"""Templates in bulk: the kernel says of each text what the codec says, whatever the literals and widths."""

from __future__ import annotations

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

import credkit.bulk
from credkit import chain
from tests.amounts import examples

CHAINS = (
    "template:{facility:03d}{number:05d}", "template:{facility:d}-{number:d}", "template:{number:06X}",
    "template:{number:020d}", "template:ID {number:04x}#", "template:é&~{number:02d} <{facility:d}>",
    "template:{number:016X}", "template:{number:017X}",
)  # fmt: skip
TEXTS = st.one_of(
    st.text(alphabet="0123456789-+abcdefABCDEF #<>&~éID\n١", max_size=21),
    st.from_regex(r"\A[0-9]{8}\Z|\A[0-9]{1,22}-[0-9]{1,22}\Z|\A[0-9A-Fa-f]{6}\Z|\A[0-9]{20}\Z|\A[0-9A-F]{16,17}\Z"),
    st.from_regex(r"\AID [0-9A-Fa-f]{4}#\n?\Z|\Aé&~[0-9]{2} <[0-9]{1,20}>\Z"),
    st.sampled_from(["18446744073709551615", "18446744073709551616-1", "FFFFFFFFFFFFFFFF", "0" * 20]),
)


@pytest.mark.parametrize("written", CHAINS)
@given(texts=st.lists(TEXTS, min_size=1, max_size=12))
@examples(60)
def test_bulk_says_of_each_text_what_the_codec_says(written: str, texts: list[str]) -> None:
    codec = chain(written)
    found = credkit.bulk.compile(codec).inspect(pl.Series(texts, dtype=pl.String))
    for place, text in enumerate(texts):
        reading = codec.inspect(text)
        assert found.ok[place] == reading.ok
        assert [rule.rule for rule in found.rules if found.failures[rule][place]] == [
            check.rule for check in reading.checks if not check.passed
        ]
        if reading.value is not None and reading.ok:
            assert {name: int(column[place]) for name, column in found.fields.items()} == dict(reading.value)
        else:
            assert not any(column[place] for column in found.fields.values())


def test_the_kernel_is_used() -> None:
    """The law above would say nothing about a kernel that never takes a text."""
    from credkit.bulk.texts import match_pattern
    from credkit.tables.pattern import TextPattern

    for written, text in (
        ("template:{facility:03d}-{number:05X}", "012-0003E"),
        ("template:ID {number:04d}#", "ID 0062#"),
    ):
        table = chain(written).table
        assert isinstance(table, TextPattern)
        columns, good = match_pattern(table, pl.Series([text, "x"]))
        assert good.tolist() == [True, False]
        assert columns["number"].tolist() == [62, 0]
