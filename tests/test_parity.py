"""What parity cannot tell: every number counted here, over all cases there are, not quoted.

Counting all 2 ** 26 words one by one would take minutes. Instead each bit of a frame becomes the
column of its values in all frames at once, one whole number of 2 ** n bits; a check is then an
exclusive or of columns, and a count is the number of ones in the result. `test_columns_are_frames`
ties the columns to the frames that the codec writes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import cache
from itertools import combinations
from math import comb
from random import Random

import pytest
from bitstring import Bits

from credkit import chain, convert
from credkit.tables.layout import Layout, LayoutCodec, Parity

Frame = list[int]  # a column for each bit, the first bit sent first


def layout(name: str) -> Layout:
    codec = chain(name)
    assert isinstance(codec, LayoutCodec)
    return codec.layout


def column(bit: int, bits: int) -> int:
    """Bit ``bit`` (0 is the least significant) of every number below 2 ** bits, the number being the place."""
    if bit < 3:
        octets = bytes([(0xAA, 0xCC, 0xF0)[bit]]) * (1 << (bits - 3))
    else:
        half = 1 << (bit - 3)
        octets = (bytes(half) + b"\xff" * half) * (1 << (bits - 1 - bit))
    return int.from_bytes(octets, "little")


def everywhere(bits: int) -> int:
    return (1 << (1 << bits)) - 1


def exclusive(columns: Iterable[int]) -> int:
    total = 0
    for each in columns:
        total ^= each
    return total


def rows(made: Layout) -> list[tuple[int, tuple[int, ...], int]]:
    """The parity rows of a layout: where the bit stands, what it covers, 1 where it is odd."""
    found = []
    for check in made.checks:
        assert isinstance(check, Parity)
        assert len(check.at) == 1
        found.append((check.at[0], check.covers, check.rows[0][2]))
    return found


@cache
def all_frames() -> Frame:
    """The valid 26-bit frames of all 2 ** 24 facility codes and numbers."""
    made = layout("wiegand-26")
    frame = [0] * 26
    for place in range(1, 25):
        frame[place] = column(24 - place, 24)
    for at, covers, odd in rows(made):
        frame[at] = exclusive(frame[place] for place in covers) ^ (everywhere(24) if odd else 0)
    return frame


def failing(frame: Frame, name: str = "wiegand-26", bits: int = 24) -> list[int]:
    """For each check, the frames that fail it."""
    return [
        exclusive(frame[place] for place in covers) ^ frame[at] ^ (everywhere(bits) if odd else 0)
        for at, covers, odd in rows(layout(name))
    ]


def passing(frame: Frame, bits: int = 24) -> int:
    """How many frames pass both checks."""
    first, second = failing(frame, bits=bits)
    return (1 << bits) - (first | second).bit_count()


def test_columns_are_frames() -> None:
    made, random = layout("wiegand-26"), Random(24)
    frame = all_frames()
    assert passing(frame) == 1 << 24
    for _ in range(100):
        data = random.getrandbits(24)
        word = made.encode({"facility": data >> 16, "number": data & 0xFFFF})
        assert f"{word:026b}" == "".join(str(each >> data & 1) for each in frame)
        turned = word ^ 1 << random.randrange(26)
        assert any(made.faults(turned))


def test_one_random_word_in_four_passes() -> None:
    """All 2 ** 26 words. Counted (R) from the rule of SIA AC-01."""
    made = layout("wiegand-26")
    wrong = 0
    for at, covers, odd in rows(made):
        total = everywhere(26) if odd else 0
        for place in (at, *covers):
            total ^= column(25 - place, 26)
        wrong |= total
    assert (1 << 26) - wrong.bit_count() == 1 << 24
    random = Random(26)
    for _ in range(300):
        word = random.getrandbits(26)
        assert any(made.faults(word)) == bool(wrong >> word & 1)


def undetected(name: str, errors: int) -> int:
    """How many of the patterns of ``errors`` wrong bits pass, in frames of several values alike."""
    made, random = layout(name), Random(errors)
    counts = set()
    for _ in range(2):
        word = made.encode({field.name: random.randint(0, field.most) for field in made.fields})
        counts.add(
            sum(
                not any(made.faults(word ^ sum(1 << place for place in places)))
                for places in combinations(range(made.length), errors)
            )
        )
    assert len(counts) == 1, "parity is linear: the value makes no difference"
    return counts.pop()


@pytest.mark.parametrize(
    ("name", "errors", "patterns", "passed"),
    [
        ("wiegand-26", 1, 26, 0),
        ("wiegand-26", 2, 325, 156),
        ("wiegand-37", 2, 666, 306),
        ("wiegand-37-facility", 2, 666, 306),
        ("wiegand-37", 3, 7770, 324),
    ],
)
def test_wrong_bits_that_pass(name: str, errors: int, patterns: int, passed: int) -> None:
    """Counted (R) from the published rules; 156 is two halves of 13 bits, 78 pairs each."""
    assert comb(layout(name).length, errors) == patterns
    assert undetected(name, errors) == passed


# ── inverted and reversed ───────────────────────────────────────────────────────────────────────


def inverted(frame: Frame, bits: int) -> Frame:
    return [each ^ everywhere(bits) for each in frame]


def test_inverted_or_reversed_frames_always_fail_both_and_always_pass_both_ways() -> None:
    """All facility codes and numbers of 26 bits."""
    frame = all_frames()
    for wrong in (inverted(frame, 24), frame[::-1]):
        assert failing(wrong) == [everywhere(24), everywhere(24)]
    assert failing(inverted(frame, 24)[::-1]) == [0, 0]


WAYS: dict[str, Callable[[str], str]] = {
    "inverted": lambda bits: bits.translate({48: "1", 49: "0"}),
    "reversed": lambda bits: bits[::-1],
    "both": lambda bits: bits[::-1].translate({48: "1", 49: "0"}),
}


@pytest.mark.parametrize("name", ["wiegand-34", "wiegand-37", "wiegand-37-facility", "serial-32-parity"])
@pytest.mark.parametrize("way", WAYS)
def test_other_frames_inverted_or_reversed(name: str, way: str) -> None:
    """2 ** 32 and 2 ** 35 frames are too many, but each verdict is an exclusive or of data bits: none set, and
    each of them set alone, decide it. Random frames, and those of neighbouring cards, beside that."""
    made, codec = layout(name), chain(name)
    width = made.length - 2
    random = Random(way)
    start = random.getrandbits(width - 12) << 12
    data = [0, *(1 << bit for bit in range(width)), *(random.getrandbits(width) for _ in range(500))]
    data += range(start, start + 200)
    for each in data:
        bits = codec.encode(split(made, each)).bin
        assert made.faults(int(WAYS[way](bits), 2)) == ([0, 0] if way == "both" else [1, 1])


def split(made: Layout, data: int) -> dict[str, int]:
    """``data`` as the fields of a frame whose fields follow one another."""
    fields = {}
    for field in reversed(made.fields):
        fields[field.name] = data & field.most
        data >>= len(field.places)
    return fields


def test_inverted_and_reversed_is_another_card() -> None:
    """Computed (R): 123/45678 becomes a valid 137/45601."""
    frame = "10111101110110010011011101"
    assert dict(chain("binary:26/invert/reverse-bits/wiegand-26").decode(frame)) == {"facility": 137, "number": 45601}


# ── shifted, and a bit lost ─────────────────────────────────────────────────────────────────────


def test_a_shifted_frame_passes_in_one_case_of_four() -> None:
    """All facility codes and numbers, and both values of the bit that comes in."""
    frame = all_frames()
    passed = 0
    for bit in (0, everywhere(24)):
        passed += passing([*frame[1:], bit]) + passing([bit, *frame[:-1]])
    assert passed * 4 == 4 << 24


def test_a_frame_that_lost_one_bit_has_about_ten_completions() -> None:
    """27 different words of 26 bits contain a given word of 25; how many of them pass depends on the word.

    Counted over every place a bit can be lost in frames of every facility code, and over frames at random:
    on average 9.9 of them are valid, never fewer than two.
    """
    made, random = layout("wiegand-26"), Random(25)
    frames = [made.encode({"facility": facility, "number": random.randrange(65536)}) for facility in range(256)]
    counts = []
    for frame in random.sample(frames, 128):
        bits = f"{frame:026b}"
        for lost in range(26):
            short = bits[:lost] + bits[lost + 1 :]
            longer = {short[:at] + bit + short[at:] for at in range(26) for bit in "01"}
            assert len(longer) == 27
            valid = [each for each in longer if not any(made.faults(int(each, 2)))]
            assert bits in valid
            counts.append(len(valid))
    assert min(counts) >= 2
    assert 9 < sum(counts) / len(counts) < 11


# ── consecutive cards ───────────────────────────────────────────────────────────────────────────


def relations(frames: list[int], length: int) -> int:
    """How many independent exclusive ors of bits, with or without 1, are the same in all frames."""
    basis: list[int] = []
    for frame in frames[1:]:
        rest = frame ^ frames[0]
        for each in basis:
            rest = min(rest, rest ^ each)
        if rest:
            basis.append(rest)
    return length - len(basis)


def test_a_box_of_cards_looks_more_regular_than_its_format() -> None:
    """100 consecutive cards of one facility satisfy 19 relations; ten are the format's: 8 facility bits, 2 parities."""
    made = layout("wiegand-26")
    box = [made.encode({"facility": 123, "number": number}) for number in range(1, 101)]
    assert relations(box, 26) == 19
    random = Random(19)
    facility = [made.encode({"facility": 123, "number": random.randrange(65536)}) for _ in range(100)]
    assert relations(facility, 26) == 10
    mixed = [made.encode({"facility": random.randrange(256), "number": random.randrange(65536)}) for _ in range(100)]
    assert relations(mixed, 26) == 2


# ── one card in five texts ──────────────────────────────────────────────────────────────────────


ONE_CARD = {
    "02F764DD": "hex:8/right-justified:26/wiegand-26",
    "123,45678": "split-decimal:8,16/fields:facility:8,number:16",
    "10111101110110010011011101": "binary:26/wiegand-26",
    "49767645": "decimal:26/wiegand-26",
    "8106606": "decimal:24/fields:facility:8,number:16",
}


@pytest.mark.parametrize("have", ONE_CARD)
@pytest.mark.parametrize("want", ONE_CARD)
def test_five_texts_of_one_card_become_each_other(have: str, want: str) -> None:
    """Computed (R) from the 26-bit rule: 123/45678 is 2F764DDh = 49,767,645; without parity 8,106,606."""
    assert convert(have, source=ONE_CARD[have], target=ONE_CARD[want]) == want


def test_the_five_texts_without_credkit() -> None:
    data = f"{123:08b}{45678:016b}"
    frame = f"{data[:12].count('1') % 2}{data}{1 - data[12:].count('1') % 2}"
    assert frame == "10111101110110010011011101"
    assert (f"{int(frame, 2):08X}", str(int(frame, 2)), str(int(data, 2))) == ("02F764DD", "49767645", "8106606")
    assert Bits(f"0b{frame}") == Bits("0x02F764DD")[6:]
