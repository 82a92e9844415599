"""Contactless identifiers: what first bytes say, the forms of a UID, the answers around it, frames of 125 kHz."""

from __future__ import annotations

import tomllib
from functools import reduce
from itertools import combinations, product
from math import comb
from operator import xor
from pathlib import Path
from random import Random
from typing import Any

import pytest
from bitstring import Bits
from hypothesis import given

import credkit
from credkit import DecodeError, DefinitionError, EncodeError, chain, convert, identify
from credkit.catalogue.registry import catalogue
from credkit.codecs.uids import UidForm
from credkit.core.codec import AnyCodec
from credkit.core.forms import to_word
from credkit.explain.diagnosis import diagnose
from credkit.tables.layout import LayoutCodec
from tests.sentences import refusal
from tests.strategies import randoms, valid
from tests.test_layout import packed

FILE = Path(credkit.__file__).parent / "codecs" / "layouts" / "contactless.toml"
LAYOUTS: dict[str, Any] = tomllib.loads(FILE.read_text(encoding="utf-8"))


def noted(codec: AnyCodec, value: Bits) -> list[tuple[str, str]]:
    reading = codec.inspect(value)
    assert reading.ok, reading.failed
    return [(note.kind, note.level) for note in reading.notes]


@pytest.mark.parametrize("name", LAYOUTS)
def test_layouts_pack_the_same(name: str) -> None:
    """As a definition read anew with bitarray packs them."""
    codec, random = chain(name), Random(name)
    for _ in range(50):
        fields = valid(random, codec)
        assert codec.encode(fields).bin == packed(LAYOUTS[name], fields).to01()


# ── what the first byte of a UID says ───────────────────────────────────────────────────────────


def single(first: int) -> tuple[str, str]:
    """ISO/IEC 14443-3 clause 6, NFC Forum Digital 1.1 table 16 (both from a secondary text; x8 from memory)."""
    if first == 0x08:
        return "random-serial", "refuse"
    if first == 0x88:
        return "cut-serial", "refuse"
    if first % 16 == 0x8:
        return "reserved-serial", "care"
    return ("shared-serial", "care") if first % 16 == 0xF else ("fixed-serial", "info")


def longer(first: int) -> list[tuple[str, str]]:
    """As above: a manufacturer code of ISO/IEC 7816-6, of which 81 to FE may not be used."""
    return [("reserved-code", "care")] * (0x81 <= first <= 0xFE) + [("manufacturer-code", "info")]


@pytest.mark.parametrize("first", range(256))
def test_every_first_byte(first: int) -> None:
    byte = Bits(uint8=first)
    assert noted(chain("uid-a-4"), byte + "0xA1B2C3") == [single(first)]
    assert noted(chain("uid-a-7"), byte + "0xA1B2C3D4E5F6") == longer(first)
    assert noted(chain("uid-a-10"), byte + "0xA1B2C3D4E5F60718A9") == longer(first)
    atqa, sak = "0x0400", "0x20"
    assert noted(chain("activation-a-4"), Bits(atqa) + byte + "0xA1B2C3" + sak) == [single(first)]


@pytest.mark.parametrize("fourth", range(256))
def test_every_fourth_byte_of_seven(fourth: int) -> None:
    """ISO/IEC 14443-3 clause 6: 88 may not be uid3 of a double UID; a triple one, cut, has its cascade tag there."""
    uid = Bits("0x04A1B2") + Bits(uint8=fourth) + "0xD4E5F6"
    expected = [("cut-serial", "refuse")] * (fourth == 0x88) + [("manufacturer-code", "info")]
    assert noted(chain("uid-a-7"), uid) == expected
    assert noted(chain("activation-a-7"), Bits("0x4400") + uid + "0x00") == expected


def test_a_triple_uid_cut_at_the_second_level_is_refused() -> None:
    """What two levels hold of a UID of ten bytes is as long as a double UID, and has the cascade tag inside."""
    levels = chain("uid-a-levels").encode(Bits("0x04102030405060708090"))
    seven = levels[8:32] + levels[40:72]
    assert noted(chain("uid-a-7"), seven) == [("cut-serial", "refuse"), ("manufacturer-code", "info")]
    first = levels[:32]
    assert noted(chain("uid-a-4"), first) == [("cut-serial", "refuse")]


def test_notes_say_what_decides_and_what_they_hold_for() -> None:
    """One first byte in 16, 18 or 256 comes by chance: counted over the rule above."""
    kinds = [single(first)[0] for first in range(256)]
    assert (kinds.count("shared-serial"), kinds.count("random-serial"), kinds.count("cut-serial")) == (16, 1, 1)
    assert 256 // kinds.count("reserved-serial") == 18
    assert kinds.count("shared-serial") << 24 == 1 << 28  # numbers that are fixed and not unique
    for first, share in ((0x08, "one older fixed number in 256"), (0x88, "one number in 256"), (0x1F, "number in 16"),
                         (0x28, "number in 18")):  # fmt: skip
        (note,) = chain("uid-a-4").inspect(Bits(uint8=first) + "0xA1B2C3").notes
        assert share in note.text
        assert "how many cards of a population do, not one card" in note.text
        assert "if the UID is whole and in the order sent" in note.text
    (note,) = chain("uid-a-4").inspect(Bits("0x04A1B2C3")).notes
    assert "can be copied and authenticates nothing" in note.text


# ── the forms of a UID ──────────────────────────────────────────────────────────────────────────


def levels(uid: bytes) -> bytes:
    """ISO/IEC 14443-3 clause 6, said a second time: three bytes behind a cascade tag while more than four are left."""
    sent = b""
    while uid:
        level, uid = (uid, b"") if len(uid) == 4 else (bytes([0x88]) + uid[:3], uid[3:])
        sent += level + bytes([reduce(xor, level)])
    return sent


def test_bccs_of_a_public_test() -> None:
    """UID 04 11 22 33 44 55 66: BCC of level 1 is BF, of level 2 is 44."""
    uid = bytes.fromhex("04112233445566")
    assert levels(uid).hex().upper() == "88041122BF3344556644"
    assert chain("uid-a-levels").encode(Bits(uid)).bytes == levels(uid)
    stored = chain("uid-a-stored").encode(Bits(uid)).bytes
    assert (stored[3], stored[8]) == (0xBF, 0x44)
    assert stored[:3] + stored[4:8] == uid


@pytest.mark.parametrize("size", [4, 7, 10])
def test_levels_are_those_of_the_rule(size: int) -> None:
    codec = chain("uid-a-levels")
    random = Random(size)
    for _ in range(300):
        uid = random.randbytes(size)
        if (size, uid[0]) == (4, 0x88) or (size, uid[3]) == (7, 0x88):
            continue
        sent = codec.encode(Bits(uid))
        assert sent.bytes == levels(uid)
        assert codec.decode(sent).bytes == uid
        reading = codec.inspect(sent)
        assert reading.value is not None
        assert all(sent[int(reading.origin(place)[0])] == reading.value[place] for place in range(8 * size))


@pytest.mark.parametrize(
    ("name", "size"),
    [("uid-a-levels", 4), ("uid-a-levels", 7), ("uid-a-levels", 10), ("uid-a-stored", 4), ("uid-a-stored", 7)],
)
def test_wrong_bits_in_a_form_are_found(name: str, size: int) -> None:
    """Exhaustive: every single one; of two all but those in the same column of one level, which XOR never notices."""
    codec = chain(name)
    number, length = to_word(codec.encode(Bits(bytes(range(1, size + 1)))))
    for place in range(length):
        assert codec._decode_raw((number ^ 1 << place, length)) is None
    missed = sum(
        codec._decode_raw((number ^ 1 << one ^ 1 << other, length)) is not None
        for one, other in combinations(range(length), 2)
    )
    # pairs of bytes among those that a BCC covers and itself: 5 where all are free, 4 where the tag is fixed or absent
    groups = {4: [5], 7: [4, 5], 10: [4, 4, 5]}[size]
    assert missed == sum(8 * comb(count, 2) for count in groups)


@pytest.mark.parametrize(("size", "place"), [(4, 0), (7, 3)])
def test_the_cascade_tag_is_no_byte_of_a_last_level(size: int, place: int) -> None:
    """ISO/IEC 14443-3 clause 6: 88 may not be uid0 of a single UID, nor uid3 of a double one."""
    codec = chain("uid-a-levels")
    refused = []
    for at in range(size):
        uid = bytearray(range(0x11, 0x11 + size))
        uid[at] = 0x88
        sent = Bits(levels(bytes(uid)))
        if codec.inspect(sent).ok:
            assert codec.encode(Bits(uid)) == sent
            continue
        refused.append(at)
        with pytest.raises(DecodeError) as caught:
            codec.decode(sent)
        assert caught.value.check is not None
        start = 0 if size == 4 else 40
        assert (caught.value.check.rule, caught.value.place) == ("complete-uid", tuple(range(start, start + 8)))
        with pytest.raises(EncodeError, match=f"byte of the UID is 88, the cascade tag, which no UID of {size} bytes"):
            codec.encode(Bits(uid))
    assert refused == [place]


def test_the_first_levels_of_a_longer_uid_are_incomplete() -> None:
    """What a reader has after one or two of three levels; each level has a BCC that fits."""
    sent = levels(bytes.fromhex("04102030405060708090"))
    for count in (1, 2):
        with refusal(DecodeError, rule="complete-uid"):
            chain("uid-a-levels").decode(Bits(sent[: 5 * count]))
    assert chain("uid-a-levels").decode(Bits(sent)).hex == "04102030405060708090"


def test_what_the_forms_say() -> None:
    for text, rule, at in (
        ("89041122BE3344556644", "cascade-tag", tuple(range(8))),
        ("88041122BE3344556644", "bcc-32", tuple(range(32, 40))),
        ("88041122BF3344556645", "bcc-72", tuple(range(72, 80))),
    ):
        with pytest.raises(DecodeError) as caught:
            chain("uid-a-levels").decode(Bits(bytes.fromhex(text)))
        assert caught.value.check is not None
        assert (caught.value.check.rule, caught.value.place, caught.value.codec) == (rule, at, "uid-a-levels")
    with refusal(DecodeError, rule="bcc-24"):
        chain("uid-a-stored").decode(Bits("0x041122373344556644"))
    with refusal(DecodeError, rule="length", place=()):
        chain("uid-a-levels").decode(Bits("0x01020304"))
    with refusal(EncodeError):
        chain("uid-a-stored").encode(Bits.from_zeros(80))


def test_chains_of_forms_know_their_lengths() -> None:
    codec = chain("hex:20/uid-a-levels/uid-a-7")
    form = codec.steps[1]
    assert isinstance(form, UidForm)
    assert (form.input.lengths, form.output.lengths) == (range(80, 81), range(56, 57))
    assert form.table is not None
    assert [check.rule for check in form.table.checks] == ["cascade-tag", "bcc-32", "bcc-72", "complete-uid"]
    assert chain("uid-a-levels").table is None
    for text in (
        "hex:10/uid-a-levels/uid-a-7",
        "hex:8/uid-a-levels",
        "binary/uid-a-stored/uid-a-10",
        "uid-a-levels:4",
    ):
        with refusal(DefinitionError):
            chain(text)
    written = chain("binary/uid-a-levels/uid-a-10").encode({"uid": 0x04102030405060708090})
    assert len(written) == 120


def test_a_selection_goes_from_the_air_to_the_uid() -> None:
    """ISO/IEC 14443-3 clause 6 and Annex B: select code 93 and 70, five bytes of the level, CRC_A."""
    sent = chain("crc-a").encode(Bits("0x9370") + chain("uid-a-levels").encode(Bits("0x5A3C1E07")))
    codec = chain("hex:18/crc-a/slice:16-55/uid-a-levels/uid-a-4")
    assert codec.decode(sent.hex.upper()) == {"uid": 0x5A3C1E07}


# ── answers ─────────────────────────────────────────────────────────────────────────────────────


def test_every_atqa() -> None:
    """ISO/IEC 14443-3 clause 6.5, bits counted from 1 as there: size 8-7, anticollision 5-1, proprietary 12-9."""
    codec, random = chain("atqa"), Random(65)
    for value in (0x0000, 0xFFFF, 0x0004, 0x0044, 0x0344, *(random.getrandbits(16) for _ in range(500))):
        sent = Bits(value.to_bytes(2, "little"))
        size, anticollision = value >> 6 & 3, value & 0x1F
        reserved = (value >> 12) << 1 | value >> 5 & 1
        reading = codec.inspect(sent)
        assert reading.value == {
            "uid_size": size, "anticollision": anticollision, "proprietary": value >> 8 & 15, "reserved": reserved
        }  # fmt: skip
        expected = [("reserved-bits", "care") if size == 3 else ("uid-size", "info")]
        expected += [("anticollision", "care")] * (bin(anticollision).count("1") != 1)
        expected += [("reserved-bits", "care")] * (reserved > 0)
        assert noted(codec, sent) == expected


def test_every_sak() -> None:
    """ISO/IEC 14443-3 clause 6.5: 04h the UID is not complete; 20h, without it, ISO/IEC 14443-4."""
    codec = chain("sak")
    for value in range(256):
        reading = codec.inspect(Bits(uint8=value))
        other = (value >> 6) << 4 | (value >> 3 & 3) << 2 | value & 3
        assert reading.value == {"incomplete": value >> 2 & 1, "protocol": value >> 5 & 1, "other": other}
        (note,) = reading.notes
        if value & 0x04:
            assert (note.kind, note.level) == ("incomplete-uid", "care")
        else:
            assert ("does not speak" in note.text) == (not value & 0x20)


@pytest.mark.parametrize(("size", "bits"), [(4, 0), (7, 1), (10, 2)])
def test_activations_agree_on_the_size_of_the_uid(size: int, bits: int) -> None:
    """Every low byte of ATQA and every SAK: only the size of this UID, and only a UID that is complete."""
    codec = chain(f"activation-a-{size}")
    uid = Bits(bytes(range(1, size + 1)))
    for low in range(256):
        assert codec.inspect(Bits(uint8=low) + "0x00" + uid + "0x20").ok == (low >> 6 == bits)
        assert codec.inspect(Bits(uint8=bits << 6 | 4) + "0x00" + uid + Bits(uint8=low)).ok == (not low & 0x04)
    reading = codec.inspect(Bits(uint8=bits << 6 | 0x24) + "0xAB" + uid + "0xDB")
    alone = chain("hex:4/atqa").decode(f"{bits << 6 | 0x24:02X}AB")
    assert reading.value == {
        "uid": int(uid.hex, 16), "anticollision": alone["anticollision"], "proprietary": alone["proprietary"],
        "reserved": alone["reserved"], "protocol": 0, "other": chain("hex:2/sak").decode("DB")["other"],
    }  # fmt: skip


def test_type_b_says_that_a_pupi_may_be_random() -> None:
    """ISO/IEC 14443-3 clause 7: nothing in a PUPI tells."""
    assert noted(chain("pupi"), Bits("0x11223344")) == [("perhaps-random", "care")]
    codec = chain("atqb")
    assert noted(codec, Bits("0x501122334400000000008081")) == [("perhaps-random", "care")]
    with refusal(DecodeError, rule="fixed"):
        codec.decode(Bits("0x511122334400000000008081"))


# ── other identifiers ───────────────────────────────────────────────────────────────────────────


def test_a_vicinity_uid_in_the_order_of_the_air_is_proposed() -> None:
    """ISO/IEC 15693-3: E0040123456789AB is sent least significant byte first."""
    codec = chain("hex:16/uid-15693")
    with refusal(DecodeError, rule="fixed", place=(0, 1)):
        codec.decode("AB896745230104E0")
    (hint,) = [hint for hint in diagnose(codec, "AB896745230104E0") if hint.cause == "reversed-bytes"]
    assert hint.chain == "hex:16/reverse-bytes/uid-15693"
    assert hint.value == {"manufacturer": 4, "serial": 0x0123456789AB}
    assert hint.evidence == 8
    assert convert("AB896745230104E0", source=hint.chain, target="hex:16/uid-15693") == "E0040123456789AB"


@pytest.mark.parametrize(
    ("first", "expected"),
    [("01FE", [("random-serial", "refuse")]), ("02FE", [("software-serial", "care")]), ("0114", []), ("FE01", [])],
)
def test_nfcid2_by_its_first_two_bytes(first: str, expected: list[tuple[str, str]]) -> None:
    """ISO/IEC 18092; from memory, and the notes say so."""
    value = Bits(f"0x{first}A1B2C3D4E5F6")
    assert noted(chain("nfcid2"), value) == expected
    assert all("from memory" in note.text for note in chain("nfcid2").inspect(value).notes)


def test_every_country_of_an_animal_code() -> None:
    """ISO 11784: three digits of ISO 3166, or a manufacturer from 900 to 998; 999 for tests (from memory)."""
    codec = chain("animal-64")
    for country in range(1024):
        digits = f"1{0:014b}0{country:010b}{274877906943:038b}"
        value = Bits(f"0b{digits}")
        assert codec.inspect(value).ok == (country <= 999)
        if country <= 999:
            assert codec.decode(value)["country"] == country
            expected = [("manufacturer-code", "info")] * (900 <= country <= 998)
            assert noted(codec, value) == expected + [("test-code", "care")] * (country == 999)
    assert codec.schema["identification"].problem((1 << 38) - 1) is None  # 2^38 values
    assert codec.schema["identification"].problem(1 << 38)


def test_the_printed_number_of_an_animal_and_its_code() -> None:
    """The same card by both ways, packed by hand; flags are not printed."""
    code = f"{int(f'1{0:014b}0{998:010b}{123456789012:038b}', 2):016X}"
    printed, flags = "998123456789012", "select:country,identification,animal=1,reserved=0,data_block=0"
    assert convert(printed, source=f"animal-number/{flags}", target="hex:16/animal-64") == code
    assert convert(code, source="hex:16/animal-64/select:country,identification", target="animal-number") == printed
    for country, kinds in ((56, []), (900, ["manufacturer-code"]), (999, ["test-code"])):
        assert [note.kind for note in chain("animal-number").inspect(f"{country:03d}000000000007").notes] == kinds
    with refusal(EncodeError):
        chain("animal-number").encode({"country": 56, "identification": 1 << 38})
    assert identify(printed)[0].best.chain == "animal-number"


# ── the 64-bit frame ────────────────────────────────────────────────────────────────────────────

READ_ONLY = chain("read-only-64")
FRAME = 0xFF80607C53E29468  # number 010784F221, captured in a general logic-analyser project's test data
GRID = range(9, 63)  # ten rows of five bits and four column parities


def flipped(frame: int, *places: int) -> tuple[int, int]:
    return frame ^ sum(1 << (63 - place) for place in places), 64


def test_every_one_or_two_wrong_bits_are_found() -> None:
    """Exhaustive over all 64 bits: 64 single and 2,016 double errors."""
    assert READ_ONLY._decode_raw((FRAME, 64)) == {"number": 0x010784F221}
    for count in (1, 2):
        for places in combinations(range(64), count):
            assert READ_ONLY._decode_raw(flipped(FRAME, *places)) is None
    rectangle = (9, 10, 14, 15)  # the same two columns of two rows
    assert READ_ONLY._decode_raw(flipped(FRAME, *rectangle)) is not None
    assert READ_ONLY._decode_raw(flipped(FRAME, 9, 13, 59)) is not None, (
        "three errors can pass: a bit and both its parities"
    )


@pytest.mark.parametrize("place", range(64))
def test_every_single_wrong_bit_is_located(place: int) -> None:
    wrong = Bits(uint64=flipped(FRAME, place)[0])
    (hint,) = [hint for hint in diagnose(READ_ONLY, wrong) if hint.cause == "flipped-bit"]
    assert hint.text == f"bit {place} is flipped: number={0x010784F221}"


def test_double_errors_that_a_corrector_would_make_worse() -> None:
    """120 of 1,431 double errors look like a single one elsewhere: corrected there, they read as a wrong number.

    Counted over the 54 bits that rows and columns judge: C(54,2) = 1,431. A corrector that trusts the
    location flips the one bit after which everything passes. That bit exists for a row and a column
    parity together (40: their crossing), for a bit and its row parity (40: its column parity), and for
    a bit and its column parity (40: its row parity). The header and the stop bit add no case.
    """
    assert comb(len(GRID), 2) == 1431
    corrected = {
        pair
        for pair in combinations(range(64), 2)
        if any(READ_ONLY._decode_raw(flipped(FRAME, *pair, place)) for place in range(64) if place not in pair)
    }
    assert len(corrected) == 120
    assert all(place in GRID for pair in corrected for place in pair)
    expected = set()
    for row, column in product(range(10), range(4)):
        bit, end, foot = 9 + 5 * row + column, 13 + 5 * row, 59 + column
        expected |= {tuple(sorted(pair)) for pair in ((end, foot), (bit, end), (bit, foot))}
    assert corrected == expected


def test_diagnosis_applies_no_correction() -> None:
    """One of the 120: the hint is a proposal, and nothing but reading again tells that it is wrong."""
    wrong = Bits(uint64=flipped(FRAME, 13, 59)[0])
    with pytest.raises(DecodeError):
        READ_ONLY.decode(wrong)
    (hint,) = [hint for hint in diagnose(READ_ONLY, wrong) if hint.cause == "flipped-bit"]
    assert hint.value != {"number": 0x010784F221}


def test_nowhere_else_are_nine_ones_in_a_row() -> None:
    """Exhaustive over three rows in a row, and over the last two with any column parity: the longest other run is 8.

    A run that begins in the header may go on into the first row; it begins behind the stop bit all the same.
    """
    rows = [f"{value:04b}{value.bit_count() % 2}" for value in range(16)]
    inner = ("".join(three) for three in product(rows, repeat=3))
    last = (f"{one}{other}{foot:04b}0" for one, other in product(rows, repeat=2) for foot in range(16))
    longest = max(max(map(len, digits.split("0"))) for digits in (*inner, *last))
    assert longest == 8

    @given(randoms())
    def law(random: Random) -> None:
        number = random.choice((0, (1 << 40) - 1, random.getrandbits(40)))
        digits = READ_ONLY.encode({"number": number}).bin
        assert [place for place in range(64) if (digits * 2)[place : place + 10] == "0" + "1" * 9] == [63]

    law()


def test_the_usual_prints_of_the_number() -> None:
    """Common practice, no source: 010784F221 in ten hexadecimal digits, its low 32 bits, and 8 + 16 bits in decimal."""
    source = "hex:16/data-of:read-only-64"
    text = f"{FRAME:016X}"
    assert convert(text, source=source, target="hex:10") == "010784F221"
    cut = chain("decimal:32,10")
    assert cut.encode(chain(f"{source}/keep-low:32").decode(text)) == f"{0x0784F221:010d}" == "0126153249"
    split = chain("split-decimal:8,16")
    assert split.encode(chain(f"{source}/keep-low:24").decode(text)) == "132,61985" == f"{0x84},{0xF221}"
    other = chain("hex:16/read-only-64").encode({"number": 0xAB0784F221})
    assert chain(f"{source}/keep-low:32").decode(other) == chain(f"{source}/keep-low:32").decode(text)
    assert chain(f"{source}/keep-low:32").lossy
    frame = chain("binary/wiegand-26").encode({"facility": 132, "number": 61985})
    assert split.encode(chain("binary/data-of:wiegand-26").decode(frame)) == "132,61985", "one print, two kinds of card"
    (note,) = READ_ONLY.inspect(Bits(uint64=FRAME)).notes
    assert (note.kind, note.level) == ("short-prints", "info")


# ── the catalogue ───────────────────────────────────────────────────────────────────────────────


def test_layouts_are_in_the_catalogue_with_their_sources() -> None:
    entries = {entry.name: entry for entry in catalogue()}
    for name, table in LAYOUTS.items():
        assert entries[name].source == table["source"]
        assert isinstance(entries[name].build(), LayoutCodec)
