"""Orders, alignments and cuts against plain operations on bytes, numbers and strings of digits."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from bitstring import Bits
from hypothesis import given
from hypothesis import strategies as st

from credkit import DecodeError, DefinitionError, EncodeError, chain
from credkit.core.forms import to_bits, to_word
from credkit.core.spans import MAX_BITS
from credkit.tables.wiring import Wiring
from tests.sentences import refusal

FLIP = str.maketrans("01", "10")

ORDERS: dict[str, Callable[[bytes], bytes]] = {
    "reverse-bytes": lambda data: data[::-1],
    "reverse-bits": lambda data: bytes(int(f"{byte:08b}"[::-1], 2) for byte in data[::-1]),
    "reverse-bits-in-bytes": lambda data: bytes(int(f"{byte:08b}"[::-1], 2) for byte in data),
    "swap-nibbles": lambda data: bytes.fromhex("".join(f"{byte:02x}"[::-1] for byte in data)),
    "invert": lambda data: bytes(255 - byte for byte in data),
}


@pytest.mark.parametrize("name", ORDERS)
@given(data=st.binary(max_size=24))
def test_orders_of_bytes(name: str, data: bytes) -> None:
    codec = chain(name)
    turned = codec.decode(Bits(data))
    assert turned.bytes == ORDERS[name](data)
    assert codec.encode(Bits(data)) == turned
    assert codec.decode(turned) == Bits(data), "an order undoes itself"


def test_reversed_bytes_are_the_other_byte_order() -> None:
    for number in (0, 1, 0x02F764DD, 0xFFFFFFFF):
        assert chain("reverse-bytes").decode(Bits(number.to_bytes(4, "little"))).bytes == number.to_bytes(4, "big")


@given(st.text("01", min_size=1, max_size=70))
def test_orders_of_any_number_of_bits(digits: str) -> None:
    assert chain("reverse-bits").decode(Bits(f"0b{digits}")).bin == digits[::-1]
    assert chain("invert").decode(Bits(f"0b{digits}")).bin == digits.translate(FLIP)


@pytest.mark.parametrize("name", ["reverse-bytes", "reverse-bits-in-bytes", "swap-nibbles"])
def test_orders_of_bytes_refuse_parts_of_bytes(name: str) -> None:
    with pytest.raises(DecodeError, match=f"{name}: the length in bits fails: found 26, expected a multiple of 8 bits"):
        chain(name).decode(Bits.from_zeros(26))
    with pytest.raises(EncodeError, match=f"{name}: writes a multiple of 8 bits, not 26"):
        chain(name).encode(Bits.from_zeros(26))


@given(st.text("01", min_size=1, max_size=40), st.integers(0, 30))
def test_alignments(digits: str, padding: int) -> None:
    frame, zeros = Bits(f"0b{digits}"), "0" * padding
    count = len(digits)
    assert chain(f"right-justified:{count}").decode(Bits(f"0b{zeros}{digits}")) == frame
    assert chain(f"left-justified:{count}").decode(Bits(f"0b{digits}{zeros}")) == frame
    whole = -len(digits) % 8
    assert chain(f"right-justified:{count}").encode(frame).bin == "0" * whole + digits
    assert chain(f"left-justified:{count}").encode(frame).bin == digits + "0" * whole


@given(st.text("01", min_size=1, max_size=12), st.integers(1, 12), st.integers(0, 11))
def test_padding_must_be_zero(digits: str, padding: int, wrong: int) -> None:
    wrong %= padding
    zeros = "0" * wrong + "1" + "0" * (padding - wrong - 1)
    count = len(digits)
    for name, text, shift in (("right", zeros + digits, 0), ("left", digits + zeros, count)):
        with pytest.raises(DecodeError) as caught:
            chain(f"{name}-justified:{count}").decode(Bits(f"0b{text}"))
        check = caught.value.check
        assert check is not None
        assert (check.rule, check.found) == ("padding", zeros)
        assert check.at == tuple(range(shift, shift + padding))


def test_an_alignment_pads_to_what_the_step_before_holds() -> None:
    frame = {"facility": 123, "number": 45678}
    assert chain("hex:16/right-justified:26/wiegand-26").encode(frame) == "0000000002F764DD"
    assert chain("hex/right-justified:26/wiegand-26").encode(frame) == "02F764DD"
    assert chain("binary:30/left-justified:26/wiegand-26").encode(frame) == "101111011101100100110111010000"
    assert chain("hex:10/left-justified:26/wiegand-26").encode(frame) == "BDD9374000"


def test_too_few_bits_for_an_alignment() -> None:
    with refusal(DecodeError, rule="length", place=()):
        chain("right-justified:26").decode(Bits.from_zeros(25))


@given(st.text("01", min_size=8, max_size=40), st.integers(1, 8))
def test_cuts(digits: str, count: int) -> None:
    value = Bits(f"0b{digits}")
    assert chain(f"keep-low:{count}").decode(value).bin == digits[-count:]
    assert chain(f"keep-high:{count}").decode(value).bin == digits[:count]
    assert chain(f"slice:{count - 1}-7").decode(value).bin == digits[count - 1 : 8]
    assert chain(f"slice:7-{count - 1}").decode(value).bin == digits[count - 1 : 8][::-1]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("slice:5", None),
        ("slice", "is written slice:A-B"),
        ("slice:x", "slice: 'x' is not a span"),
        ("slice:3-1%2C2", "names position 2 twice"),
        (f"slice:0-{MAX_BITS}", f"slice: '0-{MAX_BITS}' goes beyond position {MAX_BITS - 1}"),
        ("keep-low:0", "keep-low: the number of bits must be a whole number from 1 to 4096"),
        ("right-justified:5000", "right-justified: the number of bits must be a whole number"),
        ("invert:1", "invert: is written invert, not with the arguments '1'"),
    ],
)
def test_arguments(text: str, said: str | None) -> None:
    if said is None:
        assert chain(text).decode(Bits("0b000001")).bin == "1"
        return
    with refusal(DefinitionError):
        chain(text)


@given(st.integers(1, 24).flatmap(lambda n: st.tuples(st.permutations(range(n)), st.integers(0, n), st.booleans())))
def test_any_wiring_moves_every_bit_to_its_place(wired: tuple[list[int], int, bool]) -> None:
    order, cut, flip = wired
    source = tuple(order[: max(1, len(order) - cut)])
    wiring = Wiring.from_source(len(order), source, flip=flip)
    for place in range(len(order)):
        digits = ["0"] * len(order)
        digits[place] = "1"
        expected = "".join(digits[origin] for origin in source)
        expected = expected.translate(FLIP) if flip else expected
        assert f"{wiring.decode(int(''.join(digits), 2)):0{wiring.gives}b}" == expected
        assert f"{wiring.spare:0{len(order)}b}"[place] == ("0" if place in source else "1")
    word = int("10" * 12, 2) & ((1 << wiring.gives) - 1)
    assert wiring.decode(wiring.encode(word)) == word


@pytest.mark.parametrize("text", ["reverse-bytes", "right-justified:26", "keep-high:7", "slice:9-3", "invert"])
def test_every_output_bit_is_traced_to_the_input_bit_that_changes_it(text: str) -> None:
    codec = chain(text)
    zeros = Bits.from_zeros(32)
    reading = codec.inspect(zeros)
    assert reading.value is not None
    for place in range(len(reading.value)):
        [origin] = reading.origin(place)
        turned = codec.inspect(to_bits((1 << (31 - int(origin)), 32))).value
        assert turned is not None
        changed = to_word(turned)[0] ^ to_word(reading.value)[0]
        assert changed == 1 << (len(turned) - 1 - place)
