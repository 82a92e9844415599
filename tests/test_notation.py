"""Notations against Python's own conversions, and the texts that those take but a notation must not."""

from __future__ import annotations

import re
import struct
from uuid import UUID

import pytest
from bitstring import Bits
from hypothesis import given
from hypothesis import strategies as st

from credkit import DecodeError, DefinitionError, EncodeError, chain, identify
from credkit.core.codec import AnyCodec
from credkit.core.spans import MAX_BITS
from credkit.tables.notation import NotationCodec
from tests.sentences import refusal

SEPARATORS = {"colon": ":", "hyphen": "-", "space": " ", "dot": "."}


def bits(number: int, length: int) -> Bits:
    return Bits(f"0b{number:0{length}b}")


@given(st.binary(min_size=1, max_size=20), st.sampled_from(sorted(SEPARATORS)), st.booleans())
def test_hex_is_that_of_bytes(data: bytes, style: str, lower: bool) -> None:
    codec = chain(f"hex:{2 * len(data)},{style}" + (",lower" if lower else ""))
    text = data.hex(SEPARATORS[style])
    assert codec.encode(Bits(data)) == (text if lower else text.upper())
    assert codec.decode(text).bytes == codec.decode(text.upper()).bytes == data
    assert chain("hex").decode(data.hex()).bytes == data
    assert chain("hex").encode(Bits(data)) == data.hex().upper()
    assert chain(f"hex,{style}".replace("hex,", "hex:,")).decode(text).bytes == data


@given(st.integers(1, 60).flatmap(lambda n: st.tuples(st.just(n), st.integers(0, (1 << n) - 1))))
def test_numbers_are_those_of_int(sized: tuple[int, int]) -> None:
    length, number = sized
    frame = bits(number, length)
    assert chain(f"decimal:{length}").encode(frame) == str(number)
    assert chain(f"decimal:{length}").decode(str(number)) == frame
    assert chain(f"decimal:{length},20").encode(frame) == f"{number:020d}"
    assert chain(f"decimal:{length},20").decode(f"{number:020d}") == frame
    assert chain(f"binary:{length}").encode(frame) == f"{number:0{length}b}"
    assert int(chain("binary").encode(frame), 2) == number


@given(st.integers(-(1 << 31), (1 << 31) - 1))
def test_signed_numbers_are_those_of_a_database_column(number: int) -> None:
    """Two's complement, as `struct` packs it."""
    assert chain("signed-decimal:32").decode(str(number)).bytes == struct.pack(">i", number)
    assert chain("signed-decimal:32").encode(Bits(struct.pack(">i", number))) == str(number)


@given(st.integers(0, 255), st.integers(0, 65535))
def test_groups_follow_one_another(facility: int, number: int) -> None:
    codec = chain("split-decimal:8,16")
    assert codec.encode(Bits(struct.pack(">BH", facility, number))) == f"{facility:03d},{number:05d}"
    for text in (f"{facility},{number}", f"{facility:03d},{number:05d}"):
        assert codec.decode(text).bytes == struct.pack(">BH", facility, number)


TRAPS = (
    "1_0", "+1", "-1", " 1", "1 ", "1\n", "\t1", "", "1.0", "1e3", "1E3", "0x1", "٣", "१", "１", "²", "1;0", "1'000",
    "\0", "1\u200b", "\ud800",
)  # fmt: skip


@pytest.mark.parametrize("text", TRAPS)
@pytest.mark.parametrize("codec", ["decimal:32", "hex:4", "binary:4", "split-decimal:8,16", "decimal:16,5"])
def test_texts_that_other_parsers_take(codec: str, text: str) -> None:
    """`int` takes '1_0', '+1', ' 1' and the digits of every script (Python language reference)."""
    with pytest.raises(DecodeError):
        chain(codec).decode(text)


def test_the_traps_are_traps() -> None:
    assert [text for text in TRAPS if _int_takes(text)] == ["1_0", "+1", "-1", " 1", "1 ", "1\n", "\t1", "٣", "१", "１"]


def _int_takes(text: str) -> bool:
    try:
        int(text)
    except ValueError:
        return False
    return True


@pytest.mark.parametrize(
    ("codec", "text", "rule", "at"),
    [
        (
            "hex:8",
            "02F764D",
            "form",
            (),
        ),
        ("hex:8", "02F764DDD", "form", ()),
        ("hex:8", "02G764DX", "alphabet", (2, 7)),
        ("hex:4,colon", "A10B", "form", ()),
        ("hex:4,colon", "A1-0B", "alphabet", (2,)),
        ("decimal:8", "256", "range", (0, 1, 2)),
        ("decimal:8", "0255", "form", ()),
        ("decimal:16,5", "42", "form", ()),
        ("signed-decimal:8", "128", "range", (0, 1, 2)),
        ("signed-decimal:8", "-129", "range", (0, 1, 2, 3)),
        ("signed-decimal:8", "1-1", "form", ()),
        ("split-decimal:8,16", "12345678", "form", ()),
        ("split-decimal:8,16", "256,1", "range", (0, 1, 2, 3, 4)),
        ("binary:3", "102", "alphabet", (2,)),
    ],
)
def test_refusals_say_rule_place_expected_and_found(codec: str, text: str, rule: str, at: tuple[int, ...]) -> None:
    with refusal(DecodeError) as caught:
        chain(codec).decode(text)
    assert caught.value.check is not None
    assert (caught.value.check.rule, caught.value.place) == (rule, at)
    assert str(caught.value).startswith(f"{codec}: ")


@pytest.mark.parametrize(
    ("codec", "value"),
    [
        ("hex:8", "0x02F764"),
        ("hex", "0b101"),
        ("hex:,colon", "0xABC"),
        ("decimal:26", "0x02F764DD"),
        ("decimal:32,8", "0xFFFFFFFF"),
    ],
)
def test_encoding_never_cuts(codec: str, value: str) -> None:
    with refusal(EncodeError):
        chain(codec).encode(Bits(value))


def test_the_longest_values() -> None:
    for codec, digit, worth in (("hex", "F", 4), ("binary", "1", 1)):
        text = digit * (MAX_BITS // worth)
        assert chain(codec).decode(text) == ~Bits.from_zeros(MAX_BITS)
        with pytest.raises(DecodeError, match=f"at most {MAX_BITS} bits"):
            chain(codec).decode(text + digit)
        with pytest.raises(EncodeError):
            chain(codec).encode(Bits.from_zeros(MAX_BITS + worth))


def test_no_digits_are_no_bits() -> None:
    for codec in ("hex", "binary", "hex:,colon"):
        assert chain(codec).decode("") == Bits()
        assert chain(codec).encode(Bits()) == ""


@pytest.mark.parametrize(
    "text",
    [
        "hex:0",
        "hex:8,purple",
        "hex:8,colon,dot",
        "hex:7,colon",
        "decimal",
        "decimal:x",
        "decimal:32,٣",
        "decimal:32,10,1",
        "split-decimal:8",
        "split-decimal:8,slash",
        "split-decimal:8,16,comma",
        "split-decimal:8,16,pipe",
        "binary:99999",
        "signed-decimal:-1",
    ],
)
def test_arguments_that_cannot_be(text: str) -> None:
    with refusal(DefinitionError):
        chain(text)


CODECS = (
    "hex", "hex:8", "hex:8,space,lower", "hex:,dot", "binary", "binary:5", "decimal:32", "decimal:32,10",
    "signed-decimal:16", "split-decimal:8,16", "split-decimal:8,16,slash",
)  # fmt: skip


@pytest.mark.parametrize("text", CODECS)
def test_the_pattern_takes_exactly_the_form(text: str) -> None:
    """One portable regular expression: what it refuses, the codec refuses; what it takes fails by range alone."""
    codec: AnyCodec = chain(text)
    assert isinstance(codec, NotationCodec)
    pattern = re.compile(codec.notation.pattern)

    @given(
        st.one_of(st.from_regex(pattern, fullmatch=True, alphabet=st.characters(codec="ascii")), st.text(max_size=12))
    )
    def law(value: str) -> None:
        reading = codec.inspect(value)
        if not pattern.fullmatch(value):
            assert not reading.ok
        elif reading.failed:
            assert reading.failed.rule == "range"

    law()


def test_every_bit_comes_from_its_digit() -> None:
    reading = chain("hex:6,colon").inspect("A1:0B:FF")
    assert [reading.origin(bit) for bit in range(24)] == [(place,) for place in (0, 1, 3, 4, 6, 7) for _ in range(4)]
    split = chain("split-decimal:8,16").inspect("12,345")
    assert [split.origin(bit) for bit in range(24)] == [(0, 1)] * 8 + [(3, 4, 5)] * 16


@pytest.mark.parametrize("text", ["f81d4fae-7dec-11d0-a765-00a0c91e6bf6", "F81D4FAE-7DEC-11D0-A765-00A0C91E6BF6"])
def test_a_uuid_is_read_in_either_case(text: str) -> None:
    """The example of RFC 9562 (section 4); the number by Python's uuid module."""
    number = UUID(text).int
    assert chain("uuid/guid-128").decode(text) == {"guid": number}
    assert chain("uuid/guid-128").encode({"guid": number}) == text.upper()
    assert chain("uuid:lower/guid-128").encode({"guid": number}) == text.lower() == str(UUID(text))
    assert identify(text)[0].best.chain == ("uuid:lower/guid-128" if text.islower() else "uuid/guid-128")


@pytest.mark.parametrize(
    "text",
    [
        "f81d4fae7dec11d0a76500a0c91e6bf6", "f81d4fae-7dec-11d0-a765-00a0c91e6bf",
        "f81d4fa-e7dec-11d0-a765-00a0c91e6bf6", "{f81d4fae-7dec-11d0-a765-00a0c91e6bf6}",
        "g81d4fae-7dec-11d0-a765-00a0c91e6bf6",
    ],
)  # fmt: skip
def test_what_is_no_uuid_is_refused(text: str) -> None:
    with refusal(DecodeError):
        chain("uuid").decode(text)


def test_a_uuid_has_one_style() -> None:
    with refusal(DefinitionError):
        chain("uuid:upper")
