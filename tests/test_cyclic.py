"""Frames found in streams that repeat them: any rotation, either polarity; what cannot be told is refused."""

from __future__ import annotations

from functools import reduce
from operator import xor
from random import Random

import pytest
from bitstring import Bits
from hypothesis import given

from credkit import DecodeError, DefinitionError, EncodeError, chain
from credkit.core.spans import MAX_BITS
from credkit.explain.diagnosis import diagnose
from tests.sentences import refusal
from tests.strategies import randoms

CODEC = chain("cyclic:read-only-64")
WHOLE = chain("cyclic:read-only-64/read-only-64")
LAYOUT = chain("read-only-64")
# two tags captured in a general logic-analyser project's test data, and one computed from the rule
FRAMES = {0x010784F221: 0xFF80607C53E29468, 0x041815E864: 0xFF812388D5D8B13A, 0x0123456789: 0xFF80653254C7C642}


def stream(frame: int, start: int, length: int, *, inverted: bool = False) -> Bits:
    """``length`` bits of a stream that repeats ``frame``, which first begins at bit ``start``."""
    digits = f"{frame:064b}" * (length // 64 + 3)
    digits = digits[64 - start :][:length]
    return Bits(f"0b{digits.translate({48: '1', 49: '0'}) if inverted else digits}")


# ── where a frame is found ──────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(("number", "frame"), FRAMES.items())
@pytest.mark.parametrize("inverted", [False, True])
def test_every_rotation_of_captured_frames(number: int, frame: int, inverted: bool) -> None:
    for start in range(64):
        for length in (64, 65, 127, 128, 200, 1000):
            value = stream(frame, start, length, inverted=inverted)
            assert WHOLE.decode(value) == {"number": number}
            notes = [(note.kind, note.level, note.at) for note in CODEC.inspect(value).notes]
            expected = [("rotated", "info", (start,))] if start else []
            assert notes == expected + [("inverted", "info", ())] * inverted


def test_every_bit_is_traced_to_all_its_repetitions() -> None:
    reading = CODEC.inspect(stream(0xFF80607C53E29468, 50, 150))
    assert reading.value is not None
    assert reading.origin(0) == (50, 114)
    assert reading.origin(14) == (0, 64, 128)
    assert reading.parts[0].at == tuple(range(50, 114))
    value = stream(0xFF80607C53E29468, 50, 150)
    for place in range(64):
        assert {value[int(at)] for at in reading.origin(place)} == {reading.value[place]}
    assert CODEC.inspect(stream(0xFF80607C53E29468, 50, 64)).parts[0].at == (*range(50, 64), *range(50))


def test_every_number_is_found_wherever_the_record_begins() -> None:
    @given(randoms())
    def law(random: Random) -> None:
        number = random.choice((0, (1 << 40) - 1, random.getrandbits(40)))
        frame = LAYOUT.encode({"number": number})
        if ways(int(frame.bin, 2)) > 1:  # one number in 175,000, see below
            return
        value = stream(
            int(frame.bin, 2), random.randrange(64), random.randrange(64, 700), inverted=random.random() < 0.5
        )
        assert CODEC.decode(value) == frame
        assert CODEC.encode(frame) == frame

    law()


def test_a_record_as_long_as_any() -> None:
    value = stream(0xFF812388D5D8B13A, 63, MAX_BITS, inverted=True)
    assert WHOLE.decode(value) == {"number": 0x041815E864}
    assert len(CODEC.inspect(value).origin(1)) == MAX_BITS // 64
    with pytest.raises(
        DecodeError, match=f"the length in bits fails: found {MAX_BITS + 1}, expected 64 to {MAX_BITS} bits"
    ):
        CODEC.decode(value + "0b1")


def test_what_was_found_is_worth_what_trying_leaves() -> None:
    """24 bits of checks, less the seven that trying 64 places in two polarities uses up."""
    checks = CODEC.inspect(stream(0xFF812388D5D8B13A, 5, 100)).checks
    assert [(check.rule, check.evidence) for check in checks] == [("repeats", 36), ("one-place", 17)]
    assert [check.rule for check in CODEC.inspect(stream(0xFF812388D5D8B13A, 5, 64)).checks] == ["one-place"]


# ── what is not found ───────────────────────────────────────────────────────────────────────────


def test_bits_that_disagree_are_named_and_not_outvoted() -> None:
    digits = list(stream(0xFF80607C53E29468, 10, 200).bin)
    digits[150] = "10"[int(digits[150])]
    with refusal(DecodeError, rule="repeats", place=(150,)) as caught:
        CODEC.decode(Bits(f"0b{''.join(digits)}"))
    assert caught.value.place == (150,)
    digits = list(stream(0xFF80607C53E29468, 10, 200).bin)
    digits[70] = "10"[int(digits[70])]
    with refusal(DecodeError, rule="repeats", place=(70, 134)) as caught:
        CODEC.decode(Bits(f"0b{''.join(digits)}"))
    assert caught.value.place == (70, 134), "it disagrees with what is before it and with what is behind it"


def test_many_bits_that_disagree_are_counted() -> None:
    value = stream(0xFF80607C53E29468, 10, 128)[:64] + ~stream(0xFF80607C53E29468, 10, 64)
    with refusal(DecodeError, rule="repeats") as caught:
        CODEC.decode(value)
    assert caught.value.place == tuple(range(64, 72))
    assert len(str(caught.value)) < 200


@pytest.mark.parametrize(
    "value", [Bits.from_zeros(64), Bits.from_ones(64), Bits.from_zeros(1000), Bits("0x" + "F0" * 16)]
)
def test_where_no_frame_is(value: Bits) -> None:
    with refusal(DecodeError, rule="one-place", place=()):
        CODEC.decode(value)


def test_too_few_bits() -> None:
    for length in (0, 1, 63):
        with pytest.raises(DecodeError, match=f"the length in bits fails: found {length}, expected 64 to"):
            CODEC.decode(Bits.from_zeros(length))
    with refusal(DefinitionError):
        chain("hex:14/cyclic:read-only-64")


def test_a_wrong_bit_in_a_record_of_one_frame_is_located() -> None:
    codec = chain("binary/cyclic:read-only-64/read-only-64")
    value = stream(0xFF80607C53E29468, 20, 64).bin
    for place in (0, 19, 20, 33, 63):
        wrong = value[:place] + "10"[int(value[place])] + value[place + 1 :]
        (hint,) = [hint for hint in diagnose(codec, wrong) if hint.cause == "flipped-bit"]
        assert hint.text == f"bit {place} is flipped: number={0x010784F221}"


# ── frames that read in two ways ────────────────────────────────────────────────────────────────


def ways(frame: int) -> int:
    """In how many places and polarities ``frame``, closed to a ring, reads: by the rule itself, on texts."""
    digits = f"{frame:064b}"
    rings = (digits, digits.translate({48: "1", 49: "0"}))
    return sum(holds((ring * 2)[start : start + 64]) for ring in rings for start in range(64))


def holds(digits: str) -> bool:
    """Nine ones; ten rows of four bits with even parity; four bits of even column parity; a zero."""
    rows = [digits[place : place + 5] for place in range(9, 59, 5)]
    if not (digits.startswith("1" * 9) and digits.endswith("0") and all(row.count("1") % 2 == 0 for row in rows)):
        return False
    return all(("".join(row[c] for row in rows) + digits[59 + c]).count("1") % 2 == 0 for c in range(4))


def twofold(shift: int) -> tuple[int, int] | None:
    """A number whose frame, inverted, reads from bit ``shift`` on too, and how many bits such numbers are free in.

    Every bit of the frame is an even or odd sum of bits of the number, so every demand on the other
    reading is a linear equation; they are solved by elimination. A row is the sum's mask in its low
    40 bits, and above them 1 where the sum is odd.
    """
    odd = 1 << 40
    rows = [1 << (39 - bit) for bit in range(40)]
    bits = [odd] * 9
    for start in range(0, 40, 4):
        bits += [*rows[start : start + 4], reduce(xor, rows[start : start + 4])]
    bits += [*(reduce(xor, rows[column::4]) for column in range(4)), 0]
    other = [bits[(shift + place) % 64] ^ odd for place in range(64)]
    demands = [each ^ odd for each in other[:9]] + [other[63]]
    demands += [reduce(xor, other[start : start + 5]) for start in range(9, 59, 5)]
    demands += [reduce(xor, other[9 + column : 59 : 5], other[59 + column]) for column in range(4)]
    solved: dict[int, int] = {}
    for demand in demands:
        for pivot, row in solved.items():
            if demand >> pivot & 1:
                demand ^= row
        if demand == odd:
            return None
        if demand:
            pivot = (demand & (odd - 1)).bit_length() - 1
            solved = {place: row ^ demand if row >> pivot & 1 else row for place, row in solved.items()}
            solved[pivot] = demand
    return sum(1 << pivot for pivot, row in solved.items() if row & odd), 40 - len(solved)


def test_frames_that_read_in_two_ways_are_refused_both_ways() -> None:
    """Found by linear algebra: at most 6 * 2^20 numbers, one in 175,000, read from another bit on when inverted."""
    found = {shift: pair for shift in range(1, 64) if (pair := twofold(shift)) is not None}
    assert sum(1 << free for _, free in found.values()) == 6 << 20
    for shift, (number, _) in found.items():
        frame = LAYOUT.encode({"number": number})
        assert ways(int(frame.bin, 2)) >= 2
        with pytest.raises(DecodeError, match=f"found [2-9]: bit 0, .*bit {shift} inverted.*, expected one"):
            CODEC.decode(frame)
        with refusal(EncodeError):
            CODEC.encode(frame)


def test_no_frame_reads_twice_in_one_polarity() -> None:
    """Behind a zero nine ones stand at one place only: see the test of the header in `test_contactless`."""
    random = Random(9)
    for _ in range(300):
        digits = LAYOUT.encode({"number": random.getrandbits(40)}).bin
        assert [start for start in range(64) if holds((digits * 2)[start : start + 64])] == [0]


# ── what cannot be a frame ──────────────────────────────────────────────────────────────────────


def test_only_frames_are_written() -> None:
    with refusal(EncodeError):
        CODEC.encode(Bits.from_zeros(64))
    with refusal(EncodeError):
        CODEC.encode(Bits.from_zeros(65))


@pytest.mark.parametrize(
    "name",
    [
        "wiegand-26",
        "serial-32",
        "uid-15693",
        "read-only-46",
        "",
        "read-only-64,2",
    ],
)
def test_layouts_that_cannot_be_found(name: str) -> None:
    with refusal(DefinitionError):
        chain(f"cyclic:{name}")
