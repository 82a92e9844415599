"""CRCs and parities against two other libraries, and against the division they are defined by."""

from __future__ import annotations

from functools import reduce
from operator import xor
from random import Random

import crccheck.crc
import crcmod
import pytest
from bitstring import Bits
from hypothesis import given
from hypothesis import strategies as st

from credkit import layout_entries
from credkit.checks import crc, crc_rows, parity


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


@given(st.integers(1, 60), st.integers(1, 16), st.randoms(use_true_random=False))
def test_rows_are_the_crc(length: int, width: int, random: Random) -> None:
    poly, init, xorout = random.getrandbits(width) | 1, random.getrandbits(width), random.getrandbits(width)
    message = random.getrandbits(length)
    rows = crc_rows(length, width=width, poly=poly, init=init, xorout=xorout)
    bits = f"{message:0{length}b}"
    found = "".join(str(reduce(xor, (int(bits[place]) for place in cover), odd)) for cover, odd in rows)
    assert int(found, 2) == crc(message, length, width=width, poly=poly, init=init, xorout=xorout)


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
