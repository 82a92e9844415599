"""Layouts against other ways to pack a frame: bitstruct, construct, and a definition read anew with bitarray."""

from __future__ import annotations

from collections.abc import Mapping
from random import Random
from typing import Any

import bitstruct
import construct
import pytest
from bitarray import bitarray
from bitarray.util import ba2int, int2ba
from bitstring import Bits
from hypothesis import given

from credkit import DecodeError, EncodeError, chain, encode, layout_entries
from credkit.catalogue.registry import get
from credkit.core.codec import AnyCodec
from tests.sentences import refusal
from tests.strategies import definition, randoms, site_layouts, valid

# ── a second reading of a definition ────────────────────────────────────────────────────────────


def places(text: str) -> list[int]:
    found: list[int] = []
    for piece in text.split(","):
        first, _, last = piece.partition("-")
        a, b = int(first), int(last or first)
        found += range(a, b + 1) if a <= b else range(a, b - 1, -1)
    return found


def put(frame: bitarray, at: list[int], value: bitarray) -> None:
    for place, bit in zip(at, value, strict=True):
        frame[place] = bit


def packed(table: Mapping[str, Any], fields: Mapping[str, int]) -> bitarray:
    """The frame for ``fields`` by the rules of the definition's prose, bit after bit."""
    frame = bitarray(table["length"])
    for name, spec in table["fields"].items():
        spec = spec if isinstance(spec, Mapping) else {"bits": spec}
        at = places(spec["bits"])
        if spec.get("code") == "bcd":
            digits = f"{fields[name]:0{len(at) // 4}d}"
            put(frame, at, sum((int2ba(int(digit), 4) for digit in digits), bitarray()))
        else:
            put(frame, at, int2ba(fields[name], len(at)))
    for span, pattern in table.get("fixed", {}).items():
        put(frame, places(span), bitarray(pattern))
    for row in table.get("checks", []):
        at = places(str(row.get("bit", row.get("bits"))))
        put(frame, at, checked(frame, row, len(at)))
    return frame


def checked(frame: bitarray, row: Mapping[str, Any], width: int) -> bitarray:
    if "even" in row:
        return bitarray([frame[places(row["even"])].count() % 2])
    if "odd" in row:
        return bitarray([1 - frame[places(row["odd"])].count() % 2])
    if "complement" in row:
        return ~frame[places(row["complement"])]
    if "xor" in row:
        total = bitarray(width)
        for block in row["xor"]:
            total ^= frame[places(block)]
        return total
    message = frame[places(row["crc"])]
    register = int2ba(row.get("init", 0), width)
    for bit in message:  # the shift register as drawn in textbooks
        out = register[0] ^ bit
        register = register[1:] + bitarray("0")
        if out:
            register ^= int2ba(row["poly"], width)
    return register ^ int2ba(row.get("xorout", 0), width)


def test_random_layouts_pack_the_same() -> None:
    @given(randoms())
    def law(random: Random) -> None:
        table = definition(random)
        codec = layout_entries({"random": table})[0].build()
        for _ in range(3):
            fields = valid(random, codec)
            assert codec.encode(fields).bin == packed(table, fields).to01()

    law()


@pytest.mark.parametrize("name", site_layouts())
def test_site_layouts_pack_the_same(name: str) -> None:
    table = site_layouts()[name]
    codec = layout_entries({name: table})[0].build()
    random = Random(11)
    for _ in range(20):
        fields = valid(random, codec)
        assert codec.encode(fields).bin == packed(table, fields).to01()


# ── the frames of the catalogue, described a second time ────────────────────────────────────────

# name: the format for bitstruct (p: parity bits, zero there), the fields in order, and the parity rows
FRAMES: dict[str, tuple[str, tuple[str, ...], tuple[tuple[int, int, int, int], ...]]] = {
    "wiegand-26": ("p1u8u16p1", ("facility", "number"), ((0, 1, 12, 0), (25, 13, 24, 1))),  # SIA AC-01
    "wiegand-34": ("p1u16u16p1", ("facility", "number"), ((0, 1, 16, 0), (33, 17, 32, 1))),  # common practice
    "wiegand-37": ("p1u35p1", ("number",), ((0, 1, 18, 0), (36, 18, 35, 1))),  # ONVIF device test material
    "wiegand-37-facility": ("p1u16u19p1", ("facility", "number"), ((0, 1, 18, 0), (36, 18, 35, 1))),
    "serial-32": ("u32", ("number",), ()),  # ANSI/ASHRAE 135 Annex P: SIMPLE_NUMBER32
    "serial-56": ("u56", ("number",), ()),  # SIMPLE_NUMBER56
    "number-16": ("u16", ("number",), ()),  # SIMPLE_NUMBER16
    "serial-32-parity": ("p1u32p1", ("number",), ((0, 1, 16, 0), (33, 17, 32, 1))),  # common practice
    "serial-56-parity": ("p1u56p1", ("number",), ((0, 1, 28, 0), (57, 29, 56, 1))),  # common practice
    "facility-16-card-32": ("u16u32", ("facility", "number"), ()),  # Annex P
    "facility-32-card-32": ("u32u32", ("facility", "number"), ()),  # Annex P
    "gsa-75": (  # positions from SIA's conformance test sources
        "u1u14u14u20u25u1",
        ("first_parity", "agency", "system", "credential", "expiry", "last_parity"),
        (),
    ),
}


@pytest.mark.parametrize("name", FRAMES)
def test_frames_are_those_of_bitstruct(name: str) -> None:
    form, names, parities = FRAMES[name]
    codec = chain(name)
    random = Random(name)
    assert codec.length == bitstruct.calcsize(form)
    for _ in range(200):
        fields = valid(random, codec)
        bits = f"{int.from_bytes(bitstruct.pack(form, *(fields[n] for n in names)), 'big'):b}"
        size = 8 * -(-bitstruct.calcsize(form) // 8)
        digits = list(bits.zfill(size)[: bitstruct.calcsize(form)])
        for at, first, last, odd in parities:
            digits[at] = str((digits[first : last + 1].count("1") + odd) % 2)
        frame = Bits(f"0b{''.join(digits)}")
        assert codec.encode(fields) == frame
        assert codec.decode(frame) == fields


def test_a_frame_is_that_of_construct() -> None:
    """The 26-bit frame with six bits before it, as construct's bit structures pack it."""
    frame = construct.BitStruct(
        "spare" / construct.Padding(6), "first" / construct.Bit, "facility" / construct.BitsInteger(8),
        "number" / construct.BitsInteger(16), "last" / construct.Bit,
    )  # fmt: skip
    random = Random(26)
    for _ in range(300):
        fields = {"facility": random.randrange(256), "number": random.randrange(65536)}
        data = f"{fields['facility']:08b}{fields['number']:016b}"
        parities = {"first": data[:12].count("1") % 2, "last": 1 - data[12:].count("1") % 2}
        text = frame.build(fields | parities).hex().upper()
        assert encode("hex:8/right-justified:26/wiegand-26", fields) == text


# ── what stands beside the fields ───────────────────────────────────────────────────────────────


def test_frames_without_a_verdict_say_so() -> None:
    """No source gives the spans of the parity bits of the 75-bit frame: both values are read, with a note."""
    codec = chain("gsa-75")
    for fields in ({"first_parity": 0, "last_parity": 0}, {"first_parity": 1, "last_parity": 0}):
        whole = {"agency": 32, "system": 1, "credential": 92446, "expiry": 20301231, **fields}
        reading = codec.inspect(codec.encode(whole))
        assert reading.ok
        assert reading.value == whole
        assert [(note.kind, note.level, note.at) for note in reading.notes] == [("parity-not-judged", "care", (0, 74))]


# ANSI/ASHRAE 135 (BACnet) Annex P and the ONVIF Credential Service specification
OPEN_NAMES = {
    "WIEGAND26": "wiegand-26",
    "WIEGAND37": "wiegand-37",
    "WIEGAND37_FACILITY": "wiegand-37-facility",
    "FACILITY16_CARD32": "facility-16-card-32",
    "FACILITY32_CARD32": "facility-32-card-32",
    "SIMPLE_NUMBER16": "number-16",
    "SIMPLE_NUMBER32": "serial-32",
    "SIMPLE_NUMBER56": "serial-56",
    "GSA75": "gsa-75",
    "GUID": "guid-128",
}
NOT_READ = (
    "SIMPLE_ALPHA_NUMERIC", "CHUID", "CHUID_FULL", "USER_PASSWORD", "ABA_TRACK2", "FASC_N", "FASC_N_BCD",
    "FASC_N_LARGE", "FASC_N_LARGE_BCD", "CBEFF_A", "CBEFF_B", "CBEFF_C",
)  # fmt: skip


@pytest.mark.parametrize(("alias", "name"), OPEN_NAMES.items())
def test_open_names_are_known(alias: str, name: str) -> None:
    assert get(alias).name == name


@pytest.mark.parametrize("name", NOT_READ)
def test_open_names_that_are_not_read_are_told_from_misspelt_ones(name: str) -> None:
    with pytest.raises(LookupError, match=f"{name} is a format name of ANSI/ASHRAE 135 Annex P that credkit does not"):
        get(name)


def test_remarks_look_at_values() -> None:
    table: dict[str, Any] = {
        "length": 8,
        "fields": {"number": "0-5", "rest": "6-7"},
        "remarks": [
            {"field": "number", "values": [0, 63], "kind": "unprogrammed", "level": "refuse", "text": "never issued"},
            {"bits": "7-6", "values": [1], "text": "bit 6 alone"},
        ],
    }
    codec = layout_entries({"noted": table})[0].build()

    def notes(number: int, rest: int) -> list[tuple[str, str]]:
        reading = codec.inspect(codec.encode({"number": number, "rest": rest}))
        return [(note.kind, note.level) for note in reading.notes]

    assert notes(5, 0) == []
    assert notes(63, 1) == [("unprogrammed", "refuse")]
    assert notes(0, 2) == [("unprogrammed", "refuse"), ("remark", "care")]  # read downwards, 10 is 1


def test_limits_are_checked_both_ways() -> None:
    table = {"length": 8, "fields": {"day": {"bits": "0-3", "most": 11}, "digit": {"bits": "4-7", "code": "bcd"}}}
    codec = layout_entries({"limited": table})[0].build()
    assert codec.decode(Bits("0xB9")) == {"day": 11, "digit": 9}
    with refusal(DecodeError, rule="range"):
        codec.decode(Bits("0xC9"))
    with refusal(DecodeError, rule="digit"):
        codec.decode(Bits("0xBA"))
    for fields in ({"day": 12, "digit": 0}, {"day": 0, "digit": 10}, {"day": -1, "digit": 0}):
        with refusal(EncodeError):
            codec.encode(fields)


def test_fields_are_exactly_those_of_the_schema() -> None:
    codec: AnyCodec = chain("wiegand-26")
    for fields, said in (
        ({"facility": 1}, "the field number is missing"),
        ({"facility": 1, "number": 2, "numbr": 3}, "there is no field 'numbr', only facility, number; did you mean"),
        ({"facility": 256, "number": 2}, "facility is 256, outside 0 to 255"),
        ({"facility": True, "number": 2}, "facility is True, not a whole number"),
        ({"facility": "1", "number": 2}, "facility is '1', not a whole number"),
        ({"facility": 1.0, "number": 2}, "facility is 1.0, not a whole number"),
    ):
        with pytest.raises(EncodeError) as caught:
            codec.encode(fields)
        assert f"wiegand-26: {said}" in str(caught.value)


def test_the_reading_of_a_frame_has_every_check_and_part() -> None:
    reading = chain("wiegand-26").inspect(Bits("0b10111101110110010011011101"))
    assert [(c.rule, c.at, c.covers, c.expected, c.found, c.evidence) for c in reading.checks] == [
        ("even-parity", (0,), tuple(range(1, 13)), "1", "1", 1.0),
        ("odd-parity", (25,), tuple(range(13, 25)), "1", "1", 1.0),
    ]
    assert [(p.name, p.at, p.value) for p in reading.parts] == [
        ("facility", tuple(range(1, 9)), 123),
        ("number", tuple(range(9, 25)), 45678),
    ]
    assert reading.origin("number") == tuple(range(9, 25))


def test_bitarray_agrees_on_numbers() -> None:
    """The reference above is itself tied to a published frame: 123/45678 by the 26-bit rule of SIA AC-01."""
    table = {
        "length": 26, "fields": {"facility": "1-8", "number": "9-24"},
        "checks": [{"bit": 0, "even": "1-12"}, {"bit": 25, "odd": "13-24"}],
    }  # fmt: skip
    assert ba2int(packed(table, {"facility": 123, "number": 45678})) == 0x2F764DD
