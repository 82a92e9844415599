"""CRCs, parities and check characters against other libraries, and against the rules they are defined by."""

from __future__ import annotations

from functools import reduce
from operator import xor
from random import Random
from typing import Any

import crccheck.crc
import crcmod
import pytest
from bitstring import Bits
from hypothesis import given
from hypothesis import strategies as st
from stdnum import ean
from stdnum import luhn as other_luhn
from stdnum.iso7064 import mod_11_2, mod_11_10, mod_37_2, mod_37_36, mod_97_10

from credkit import DecodeError, DefinitionError, EncodeError, chain, layout_entries
from credkit.core.checks import (
    ALPHANUMERICS,
    CAPITALS,
    DIGITS,
    crc_rows,
    hybrid_check_character,
    luhn_check_digit,
    mod_97_check_digits,
    parity,
    pure_check_character,
    weighted_check_digit,
)
from credkit.tables.checkcharacters import UNWEIGHTED_RULES
from tests.sentences import refusal


def crc(message: int, length: int, *, width: int, **parameters: int) -> int:
    """What the parities of a CRC give, most significant bit first."""
    bits = f"{message:0{length}b}" if length else ""
    rows = crc_rows(length, width=width, **parameters)
    return int("".join(str(reduce(xor, (int(bits[place]) for place in cover), odd)) for cover, odd in rows), 2)


def of_bytes(data: bytes, **parameters: int) -> int:
    return crc(int.from_bytes(data, "big"), 8 * len(data), **parameters)


def backwards(number: int, width: int) -> int:
    return int(f"{number:0{width}b}"[::-1], 2)


def reflected(data: bytes, *, width: int, poly: int, init: int, xorout: int) -> int:
    """A reflected CRC by the same register: every byte fed, and the result read, in the opposite order."""
    turned = bytes(backwards(byte, 8) for byte in data)
    plain = {"poly": poly, "init": backwards(init, width), "xorout": backwards(xorout, width)}
    return backwards(of_bytes(turned, width=width, **plain), width)


@given(st.binary(max_size=64))
def test_parity_is_that_of_the_ones(data: bytes) -> None:
    number = int.from_bytes(data, "big")
    assert parity(number) == bin(number).count("1") % 2


def test_check_values() -> None:
    """The catalogue of parametrised CRC algorithms gives each CRC's value over "123456789"."""
    digits = b"123456789"
    assert of_bytes(digits, width=16, poly=0x1021, init=0x1D0F) == 0xE5CC  # IEC 60839-11-5, poly 1021h, start 1D0Fh
    assert of_bytes(digits, width=16, poly=0x1021, init=0xFFFF) == 0x29B1
    assert of_bytes(digits, width=16, poly=0x1021) == 0x31C3
    assert of_bytes(digits, width=8, poly=0x07) == 0xF4
    assert of_bytes(digits, width=7, poly=0x09) == 0x75  # these four from memory
    assert of_bytes(digits, width=15, poly=0x4599) == 0x059E
    assert reflected(digits, width=5, poly=0x05, init=0x1F, xorout=0x1F) == 0x19
    assert of_bytes(digits, width=24, poly=0x864CFB, init=0xB704CE) == 0x21CF02
    # ISO/IEC 14443-3 Annex B: CRC_A starts from 6363h in the reflected register, CRC_B from FFFFh
    assert reflected(digits, width=16, poly=0x1021, init=0x6363, xorout=0) == 0xBF05
    assert reflected(digits, width=16, poly=0x1021, init=0xFFFF, xorout=0xFFFF) == 0x906E
    assert reflected(digits, width=32, poly=0x04C11DB7, init=0xFFFFFFFF, xorout=0xFFFFFFFF) == 0xCBF43926


def test_published_frames() -> None:
    """ISO/IEC 14443-3 Annex B, ISO/IEC 15693-3 Annex C, captures published by SIA; low byte first."""
    a = {"width": 16, "poly": 0x1021, "init": 0x6363, "xorout": 0}
    b = {"width": 16, "poly": 0x1021, "init": 0xFFFF, "xorout": 0xFFFF}
    for text, sent, kind in (
        ("0000", "A01E", a), ("1234", "26CF", a), ("000000", "CCC6", b), ("0FAAFF", "FCD1", b),
        ("0A123456", "2CF6", b), ("01020304", "9139", b),
    ):  # fmt: skip
        assert reflected(bytes.fromhex(text), **kind).to_bytes(2, "little").hex().upper() == sent
    for text in (
        "5300080004 60EBAA",
        "5300080005 60DA99",
        "5300080006 6089CC",
        "53800A00044800010FA1",
        "5380080005 40689F",
    ):
        packet = bytes.fromhex(text)
        assert of_bytes(packet[:-2], width=16, poly=0x1021, init=0x1D0F) == int.from_bytes(packet[-2:], "little")


@given(st.binary(max_size=40), st.sampled_from((8, 16, 24, 32, 64)), st.randoms(use_true_random=False))
def test_crc_is_that_of_crcmod(data: bytes, width: int, random: Random) -> None:
    poly, init, xorout = random.getrandbits(width) | 1, random.getrandbits(width), random.getrandbits(width)
    whole = 1 << width | poly
    # crcmod's initial value is given after the final xor
    other = crcmod.mkCrcFun(whole, initCrc=init ^ xorout, rev=False, xorOut=xorout)
    assert of_bytes(data, width=width, poly=poly, init=init, xorout=xorout) == other(data)
    mirrored = crcmod.mkCrcFun(whole, initCrc=init ^ xorout, rev=True, xorOut=xorout)
    assert reflected(data, width=width, poly=poly, init=init, xorout=xorout) == mirrored(data)


@given(st.binary(max_size=40), st.integers(3, 40), st.booleans(), st.randoms(use_true_random=False))
def test_crc_is_that_of_crccheck(data: bytes, width: int, mirrored: bool, random: Random) -> None:
    poly, init, xorout = random.getrandbits(width) | 1, random.getrandbits(width), random.getrandbits(width)

    class Other(crccheck.crc.CrcBase):  # type: ignore[misc]  # the package has no types
        _width, _poly, _xor_output = width, poly, xorout
        _initvalue = backwards(init, width) if mirrored else init  # there, always the register that is not mirrored
        _reflect_input = _reflect_output = mirrored

    ours = reflected if mirrored else of_bytes
    assert ours(data, width=width, poly=poly, init=init, xorout=xorout) == Other.calc(data)


@given(st.integers(1, 90), st.integers(1, 20), st.randoms(use_true_random=False))
def test_crc_of_any_length_is_a_remainder(length: int, width: int, random: Random) -> None:
    """By definition: the remainder of the message, shifted by the width, with the start value at its front."""
    message, poly = random.getrandbits(length), random.getrandbits(width) | 1
    init, xorout = random.getrandbits(width), random.getrandbits(width)
    dividend = message << width ^ init << length
    for place in range(length + width - 1, width - 1, -1):
        if dividend >> place & 1:
            dividend ^= (1 << width | poly) << (place - width)
    assert crc(message, length, width=width, poly=poly, init=init, xorout=xorout) == dividend ^ xorout


@given(st.binary(min_size=1, max_size=12), st.sampled_from((16, 32)), st.booleans(), st.randoms(use_true_random=False))
def test_a_layout_writes_the_crc_of_crcmod(data: bytes, width: int, mirrored: bool, random: Random) -> None:
    """Also the reflected ones, whose bytes a layout reads downwards and whose low byte comes first."""
    poly, init, xorout = random.getrandbits(width) | 1, random.getrandbits(width), random.getrandbits(width)
    size = 8 * len(data)
    message, at = f"0-{size - 1}", f"{size}-{size + width - 1}"
    if mirrored:
        message = ",".join(f"{i + 7}-{i}" for i in range(0, size, 8))
        at = ",".join(f"{i + 7}-{i}" for i in range(size, size + width, 8))
    table = {
        "length": size + width,
        "fields": {"content": f"0-{size - 1}"},
        "checks": [
            {
                "bits": at, "crc": message, "poly": poly,
                "init": backwards(init, width) if mirrored else init,
                "xorout": backwards(xorout, width) if mirrored else xorout,
            }
        ],
    }  # fmt: skip
    frame: Bits = layout_entries({"message": table})[0].build().encode({"content": int.from_bytes(data, "big")})
    other = crcmod.mkCrcFun(1 << width | poly, initCrc=init ^ xorout, rev=mirrored, xorOut=xorout)
    assert frame.bytes == data + other(data).to_bytes(width // 8, "little" if mirrored else "big")


@pytest.mark.parametrize("width", [1, 2, 7, 16])
def test_a_crc_finds_every_burst_it_is_wide(width: int) -> None:
    """Any error of at most ``width`` neighbouring bits changes a CRC whose polynomial ends in 1."""
    length, poly = 30, (1 << (width - 1)) | 1
    clean = crc(0, length, width=width, poly=poly)
    for size in range(1, width + 1):
        for burst in {1 << (size - 1) | 1, (1 << size) - 1}:
            for shift in range(length - size + 1):
                assert crc(burst << shift, length, width=width, poly=poly) != clean


# ── check characters ────────────────────────────────────────────────────────────────────────────

NUMBERS = st.text(DIGITS, max_size=30)


def test_published_check_digits() -> None:
    assert luhn_check_digit("7992739871") == "3"  # ISO/IEC 7812-1, the usual example
    assert luhn_check_digit("80840123456789") == "3"  # US NPI 123456789 with the prefix 80840 (45 CFR 162)
    assert luhn_check_digit("411436012345678") == "5"  # the test number of the WHATWG HTML standard, autofill example
    assert hybrid_check_character("0794") == "5"  # ISO/IEC 7064, example of mod 11,10 (from memory)
    assert (
        weighted_check_digit("400638133393", (3, 1)) == "1"
    )  # an article number (GS1 General Specifications; from memory)


@given(NUMBERS)
def test_check_characters_are_those_of_another_library(number: str) -> None:
    """python-stdnum computes them its own way."""
    assert luhn_check_digit(number) == other_luhn.calc_check_digit(number)
    assert hybrid_check_character(number) == mod_11_10.calc_check_digit(number)
    assert weighted_check_digit(number, (3, 1)) == ean.calc_check_digit(number)


@given(st.text(ALPHANUMERICS, max_size=30))
def test_check_letters_are_those_of_another_library(text: str) -> None:
    assert hybrid_check_character(text, ALPHANUMERICS) == mod_37_36.calc_check_digit(text)


@given(NUMBERS)
def test_pure_systems_of_digits_are_those_of_another_library(number: str) -> None:
    assert pure_check_character(number, f"{DIGITS}X") == mod_11_2.calc_check_digit(number)
    assert mod_97_check_digits(number) == mod_97_10.calc_check_digits(number)


@given(st.text(ALPHANUMERICS, max_size=30))
def test_pure_systems_of_letters_are_those_of_another_library(text: str) -> None:
    assert pure_check_character(text, f"{ALPHANUMERICS}*") == mod_37_2.calc_check_digit(text)


@given(st.text(CAPITALS, max_size=30))
def test_the_hybrid_system_of_letters_is_that_of_another_library(text: str) -> None:
    """The library takes an alphabet for the hybrid system: mod 27,26 is that of 26 letters."""
    assert hybrid_check_character(text, CAPITALS) == mod_37_36.calc_check_digit(text, CAPITALS)


@pytest.mark.parametrize("rule", UNWEIGHTED_RULES)
def test_a_check_finds_every_wrong_character(rule: str) -> None:
    """ISO/IEC 7064 and ISO/IEC 7812-1: each system finds every single wrong character, in the check as well."""
    character = UNWEIGHTED_RULES[rule]
    codec = chain(f"check-digit:{rule}")
    random = Random(rule)
    for size in (1, 2, 7, 12):
        text = "".join(random.choices(character.letters, k=size))
        whole = str(codec.encode(text))
        assert len(whole) == size + character.size
        assert codec.decode(whole) == text
        for place, right in enumerate(whole):
            for wrong in character.letters if place < size else character.check_letters:
                if wrong != right:
                    assert not codec.inspect(whole[:place] + wrong + whole[place + 1 :]).ok


@given(NUMBERS, st.lists(st.integers(1, 9), min_size=1, max_size=5))
def test_weights_belong_to_digits_from_the_right(number: str, weights: list[int]) -> None:
    total = sum(int(number[-1 - place]) * weights[place % len(weights)] for place in range(len(number)))
    assert (total + int(weighted_check_digit(number, weights))) % 10 == 0


def passes(number: str) -> bool:
    return luhn_check_digit(number[:-1]) == number[-1]


def made_right(front: str, place: int, pair: str, behind: str) -> str:
    """A right number with ``pair`` at ``place`` digits from its end, the check digit being free."""
    number = front + pair + behind[:place]
    return number + luhn_check_digit(number)


def test_luhn_finds_every_wrong_digit() -> None:
    """Exhaustive over digit, place and parity of the place: ISO/IEC 7812-1 is built for this."""
    for place in range(1, 9):
        for digit in DIGITS:
            right = made_right("8150", place, digit, "27394018")
            at = len(right) - 2 - place
            assert right[at] == digit
            for wrong in set(DIGITS) - {digit}:
                assert not passes(right[:at] + wrong + right[at + 1 :])
    for digit in DIGITS:
        assert passes("7992739871" + digit) == (digit == "3")


@pytest.mark.parametrize("place", [0, 1, 2, 3])
def test_what_luhn_cannot_see(place: int) -> None:
    """Counted over all pairs: swaps of 0 and 9, the twins 22-55, 33-66, 44-77, and all swaps two apart."""
    swaps, twins = set(), set()
    for a in DIGITS:
        for b in DIGITS:
            right = made_right("8150", place, a + b, "273")
            at = len(right) - 3 - place
            assert right[at : at + 2] == a + b
            if a < b and passes(right[:at] + b + a + right[at + 2 :]):
                swaps.add(a + b)
            if a == b:
                twins |= {a + c for c in DIGITS if a < c and passes(right[:at] + c + c + right[at + 2 :])}
            apart = made_right("8150", place, f"{a}7{b}", "273")
            at = len(apart) - 4 - place
            assert passes(apart[:at] + f"{b}7{a}" + apart[at + 3 :])
    assert swaps == {"09"}
    assert twins == {"25", "36", "47"}


@pytest.mark.parametrize(("letters", "size"), [(DIGITS, 5), (ALPHANUMERICS, 3)])
def test_hybrid_systems_find_every_wrong_character(letters: str, size: int) -> None:
    """ISO/IEC 7064: every single substitution; of swaps of neighbours some pass, but few."""
    random = Random(size)
    swapped = missed = 0
    for _ in range(200):
        text = "".join(random.choice(letters) for _ in range(size))
        text += hybrid_check_character(text, letters)
        for at in range(size + 1):
            for wrong in letters.replace(text[at], ""):
                other = text[:at] + wrong + text[at + 1 :]
                assert hybrid_check_character(other[:-1], letters) != other[-1]
        for at in range(size):
            if text[at] != text[at + 1]:
                other = text[:at] + text[at + 1] + text[at] + text[at + 2 :]
                swapped += 1
                missed += hybrid_check_character(other[:-1], letters) == other[-1]
    assert missed / swapped < 2 / len(letters)


@pytest.mark.parametrize(
    ("rule", "alphabet", "right"),
    [
        ("luhn", DIGITS, other_luhn.is_valid),
        ("mod-11-10", DIGITS, mod_11_10.is_valid),
        ("mod-37-36", ALPHANUMERICS, mod_37_36.is_valid),
    ],
)
def test_check_digits_are_taken_off_and_put_on(rule: str, alphabet: str, right: Any) -> None:
    codec = chain(f"check-digit:{rule}")

    @given(st.text(alphabet, max_size=20), st.sampled_from(alphabet))
    def law(number: str, last: str) -> None:
        text = codec.encode(number)
        assert text[:-1] == number
        assert right(text)
        assert codec.decode(text) == number
        if right(number + last):
            assert last == text[-1]
        else:
            with pytest.raises(DecodeError, match=f"the {rule} check character fails: character {len(number)} is"):
                codec.decode(number + last)

    law()


def test_what_a_check_digit_says() -> None:
    codec = chain("check-digit:mod-10,3,1")
    assert codec.decode("4006381333931") == "400638133393"
    reading = codec.inspect("4006381333931")
    assert (reading.checks[0].at, reading.checks[0].covers) == ((12,), tuple(range(12)))
    assert reading.origin(3) == (3,)
    for text in (
        "4006381333932",
        "40063 81333-31",
        "",
        "٤",
    ):
        with refusal(DecodeError):
            codec.decode(text)
    with refusal(EncodeError):
        codec.encode("4A")
    assert chain("check-digit:luhn/template:{number:05d}").decode("000422") == {"number": 42}


@pytest.mark.parametrize(
    "args",
    [
        "lhun",
        "",
        "luhn,3",
        "mod-10",
        "mod-10,0",
        "mod-10,3,x",
        "mod-10" + ",1" * 41,
    ],
)
def test_check_digits_that_cannot_be(args: str) -> None:
    with refusal(DefinitionError):
        chain(f"check-digit:{args}")


def test_check_digits_of_a_number_of_very_many_digits() -> None:
    # Python makes no int of more than 4300 digits; 10 ** 96 leaves 1 when divided by 97 (Fermat).
    assert mod_97_check_digits("1" + "0" * 96 * 60) == mod_97_check_digits("1")
