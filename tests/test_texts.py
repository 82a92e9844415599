"""What stands around a number, and how much of it is left: strip and last-digits against plain string operations."""

from __future__ import annotations

import re
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit import DecodeError, DefinitionError, EncodeError, chain
from tests.sentences import refusal

BLANKS = " \t\r\n"


@given(st.text(st.sampled_from(" \t\r\n\x0b\x0c\xa0aB1"), max_size=12))
def test_strip_is_that_of_str(text: str) -> None:
    """Only blanks, tabs and line ends: a no-break space or a vertical tab is not what a reader types."""
    assert chain("strip").decode(text) == text.strip(BLANKS)


@given(st.text("ID#77\r\n", max_size=10))
def test_prefix_and_suffix_must_be_there(text: str) -> None:
    codec = chain("strip:ID,#")
    if text.startswith("ID") and text.endswith("#"):
        assert codec.decode(text) == text[2:-1]
        assert codec.encode(text[2:-1]) == text
    else:
        with pytest.raises(DecodeError, match=r"strip:ID,#: the form fails: .*expected 'ID' … '#'"):
            codec.decode(text)


@pytest.mark.parametrize("end", ["\r", "\n", "\r\n"])
def test_enter_is_any_line_end_and_cr_is_written(end: str) -> None:
    codec = chain("strip:<stx>,<etx><enter>")
    assert codec.decode(f"\x0277\x03{end}") == "77"
    assert codec.encode("77") == "\x0277\x03\r"


@pytest.mark.parametrize("text", ["strip:<enter>", "strip:<enter>,<enter>", "strip:,<enter>", "strip:<tab>,<space>"])
@given(value=st.text("\r\n\t 7", max_size=6))
def test_what_is_read_can_be_written_and_read_again(text: str, value: str) -> None:
    codec = chain(text)
    reading = codec.inspect(value)
    if reading.ok:
        assert codec.decode(codec.encode(reading.value)) == reading.value


def test_what_would_not_be_read_back_is_not_written() -> None:
    for codec, value in (("strip", " 77"), ("strip", "77\n"), ("strip:<enter>", "\n77")):
        with refusal(EncodeError):
            chain(codec).encode(value)


@pytest.mark.parametrize("text", ["strip", "strip:ID,#", "strip:<stx>,<enter>"])
def test_long_texts_are_read_in_time(text: str) -> None:
    start = time.perf_counter()
    for value in ("7" + " " * 60_000 + "7", " " * 60_000, "\x02" + "\r" * 60_000 + "7", "ID" + "#" * 60_000 + "7"):
        chain(text).inspect(value)
    assert time.perf_counter() - start < 2


def test_unknown_keys() -> None:
    with refusal(DefinitionError):
        chain("strip:,<return>")


def test_places_are_those_before_stripping() -> None:
    assert chain("strip").inspect("  77 ").origin(0) == (2,)
    assert chain("strip:ID,").inspect("ID77").origin(1) == (3,)


@given(st.text("0123456789", max_size=14), st.integers(1, 12))
def test_last_digits_is_a_slice_of_the_text(digits: str, count: int) -> None:
    codec = chain(f"last-digits:{count}")
    if len(digits) >= count:
        assert codec.decode(digits) == codec.encode(digits) == digits[-count:]
    else:
        with pytest.raises(DecodeError, match=f"the length fails: found {len(digits)}, expected at least {count}"):
            codec.decode(digits)
        with pytest.raises(EncodeError, match=re.escape("(decimal:B,D writes leading zeros)")):
            codec.encode(digits)


def test_last_digits_takes_digits_only() -> None:
    for text in ("12a4", "1234\n", "٣234", "+1234"):
        with refusal(DecodeError, rule="alphabet"):
            chain("last-digits:4").decode(text)


def test_a_narrow_column_makes_two_cards_one() -> None:
    """Eight digits of a ten-digit number: what a truncating back end does, and why such a chain is called lossy."""
    codec = chain("last-digits:8/decimal:32,8")
    assert codec.lossy
    assert codec.decode("4249767645") == codec.decode("0049767645")
