"""Templates against Python's own format strings, where both mean the same, and where a template is stricter."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit import DecodeError, DefinitionError, EncodeError, chain
from tests.sentences import refusal


@given(st.integers(0, 999), st.integers(0, 0xFFFFF))
def test_writes_what_format_writes(facility: int, number: int) -> None:
    for text in ("{facility:03d}-{number:05X}", "F{facility:d}N{number:x}", "{number:08d}/{facility:03X}"):
        codec = chain(f"template:{text.replace('/', '%2F')}")
        fields = {"facility": facility, "number": number}
        written = text.format(**fields)
        assert codec.encode(fields) == written
        assert codec.decode(written) == fields


def test_a_width_is_exact_both_ways() -> None:
    codec = chain("template:{number:03d}")
    with refusal(EncodeError):
        codec.encode({"number": 1000})
    for text in ("12", "1234", " 12", "+12", "1_2", "٣٣٣", "12\n"):
        with refusal(DecodeError, rule="form", place=()):
            codec.decode(text)


def test_literals_are_literal() -> None:
    codec = chain("template:({number:02d})*{{x}}.+")
    assert codec.encode({"number": 7}) == "(07)*{x}.+"
    assert codec.decode("(07)*{x}.+") == {"number": 7}
    with pytest.raises(DecodeError):
        codec.decode("(07)){x}a+")


def test_commas_and_slashes_are_escaped_in_the_name() -> None:
    codec = chain("template:{facility:03d},{number:05d}")
    assert codec.name == "template:{facility:03d}%2C{number:05d}"
    assert chain(codec.name).decode("123,45678") == {"facility": 123, "number": 45678}


def test_digits_are_traced() -> None:
    reading = chain("template:ID{facility:03d}-{number:d}").inspect("ID123-7")
    assert (reading.origin("facility"), reading.origin("number")) == ((2, 3, 4), (6,))


@pytest.mark.parametrize(
    "text",
    [
        "ID",
        "{number}",
        "{number:5d}",
        "{number:05f}",
        "{number!r:05d}",
        "{Number:05d}",
        "{number.real:05d}",
        "{number[0]:05d}",
        "{:05d}",
        "{0:05d}",
        "{number:0{width}d}",
        "{number:02d}{number:02d}",
        "{number:05d",
        "}",
        "{a:d}{b:d}",
        "{a:d}7{b:d}",
        "{number:00d}",
        "{number:09999d}",
    ],
)
def test_templates_that_cannot_be(text: str) -> None:
    with refusal(DefinitionError):
        chain(f"template:{text}")


@given(st.text("{}:0dxX1a-", max_size=14))
def test_anything_is_a_template_or_refused(text: str) -> None:
    try:
        codec = chain(f"template:{text}")
    except DefinitionError:
        return
    fields = dict.fromkeys(codec.schema, 1)
    assert codec.decode(codec.encode(fields)) == fields
