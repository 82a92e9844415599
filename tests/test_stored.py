"""What a card's memory holds: value blocks, access bytes, texts, digits, dates; areas of a known length."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import product

import construct
import pytest
from bitstring import Bits
from hypothesis import given
from hypothesis import strategies as st

from credkit import DecodeError, DefinitionError, EncodeError, chain
from credkit.catalogue.registry import catalogue
from credkit.codecs.stored import MIN_BYTES_PER_CHARACTER
from credkit.core.chains import link
from credkit.core.codec import AnyCodec
from credkit.core.forms import to_word
from credkit.core.shapes import bits, exactly
from credkit.core.spans import MAX_BITS
from credkit.tables.wiring import WiredCodec
from tests.sentences import refusal
from tests.strategies import built

EPOCH = date(2000, 1, 1)


def area(length: int, text: str) -> AnyCodec:
    """The chain ``text`` behind an area of exactly ``length`` bits."""
    shape = bits(exactly(length))
    front = WiredCodec(name="area", input=shape, output=shape, rule=lambda n: tuple(range(n)), keeps_length=True)
    return link([front, chain(text)])


def raised(codec: AnyCodec, text: str) -> str:
    """The sentence that refuses ``text``."""
    with pytest.raises(EncodeError) as caught:
        codec.encode(text)
    return str(caught.value)


def read(codec: AnyCodec, data: str) -> str:
    """What the codec reads in bytes in hexadecimal."""
    return str(codec.decode(Bits(hex=data)))


# ── value blocks ────────────────────────────────────────────────────────────────────────────────

VALUE_BLOCK = construct.Struct(
    "value" / construct.Int32ul,
    "inverted" / construct.Rebuild(construct.Int32ul, lambda this: this.value ^ 0xFFFFFFFF),
    "again" / construct.Rebuild(construct.Int32ul, construct.this.value),
    "address" / construct.Byte,
    "inverted_address" / construct.Rebuild(construct.Byte, lambda this: this.address ^ 0xFF),
    "address_again" / construct.Rebuild(construct.Byte, construct.this.address),
    "inverted_again" / construct.Rebuild(construct.Byte, lambda this: this.address ^ 0xFF),
)  # the rule a second time, in another library; common practice, no source


@given(st.integers(0, (1 << 32) - 1), st.integers(0, 255))
def test_value_blocks_are_those_of_another_library(value: int, address: int) -> None:
    fields = {"value": value, "address": address}
    block = chain("value-block").encode(fields)
    assert block.bytes == VALUE_BLOCK.build(fields)
    assert chain("value-block").decode(block) == fields


def test_every_wrong_bit_of_a_value_block_is_found() -> None:
    codec = chain("value-block")
    word, length = to_word(Bits("0x87D612007829EDFF87D6120011EE11EE"))
    assert codec._decode_raw((word, length)) is not None
    for place in range(length):
        assert codec._decode_raw((word ^ 1 << place, length)) is None


def test_checks_say_which_copy_differs() -> None:
    def failed(flipped: int) -> list[str]:
        word, _ = to_word(Bits("0x87D612007829EDFF87D6120011EE11EE"))
        reading = chain("value-block").inspect(Bits(uint=word ^ 1 << (127 - flipped), length=128))
        return [check.rule for check in reading.checks if not check.passed]

    assert failed(5) == ["complement-32", "copy-64"]
    assert failed(37) == ["complement-32"]
    assert failed(69) == ["copy-64"]
    assert failed(98) == ["complement-104", "copy-112", "complement-120"]
    assert failed(125) == ["complement-120"]


@pytest.mark.parametrize(("value", "negative"), [(0, False), (0x7FFFFFFF, False), (1 << 31, True), (0xFFFFFFFF, True)])
def test_values_that_a_card_takes_as_negative(value: int, negative: bool) -> None:
    codec = chain("value-block")
    notes = codec.inspect(codec.encode({"value": value, "address": 0})).notes
    assert [(note.kind, note.level, note.at) for note in notes] == [("negative-value", "care", (24,))] * negative


# ── access bytes ────────────────────────────────────────────────────────────────────────────────


def access_bytes(conditions: tuple[int, ...]) -> int:
    """The bytes 6 to 8 by the rule in words, for the conditions of blocks 0 to 2 and the trailer."""
    c1, c2, c3 = (sum((each >> bit & 1) << group for group, each in enumerate(conditions)) for bit in (2, 1, 0))
    first = (c2 ^ 15) << 4 | (c1 ^ 15)
    return first << 16 | (c1 << 4 | (c3 ^ 15)) << 8 | c3 << 4 | c2


def test_all_access_conditions_go_both_ways_and_every_wrong_bit_is_found() -> None:
    """Exhaustive: 4,096 conditions, each with 24 wrong bits; the rule in plain Python, common practice, no source."""
    codec = chain("sector-access")
    names = ("block0", "block1", "block2", "trailer")
    assert tuple(codec.schema) == names
    seen = set()
    for conditions in product(range(8), repeat=4):
        fields = dict(zip(names, conditions, strict=True))
        word, length = codec._encode_raw(fields)
        assert (word, length) == (access_bytes(conditions), 24)
        assert codec._decode_raw((word, length)) == fields
        assert not any(codec._decode_raw((word ^ 1 << place, length)) for place in range(length))
        seen.add(word)
    assert len(seen) == 4096


def test_access_bytes_are_those_of_a_site_s_own_layout() -> None:
    """The same three bytes by C1, C2, C3 of all groups, as a site may write them."""
    columns = built("access-bytes").decode(Bits("0x08778F"))
    assert {name: columns[name] for name in ("c1", "c2", "c3")} == {"c1": 0b0111, "c2": 0b1111, "c3": 0b1000}
    assert dict(chain("sector-access").decode(Bits("0x08778F"))) == {
        "block0": 0b110, "block1": 0b110, "block2": 0b110, "trailer": 0b011
    }  # fmt: skip


# ── characters ──────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("text", "data"),
    [
        ("characters:ascii", "506965722037000000000000"),
        ("characters:ascii,20", "506965722037202020202020"),
        ("characters:ascii,ff", "506965722037FFFFFFFFFFFF"),
        ("characters:utf-8,FF", "506965722037FFFFFFFFFFFF"),
        ("characters:utf-16-be", "005000690065007200200037"),
        ("characters:utf-16-le,2000", "500069006500720020003700"),
    ],
)
def test_an_area_is_filled(text: str, data: str) -> None:
    codec = area(96, text)
    assert codec.encode("Pier 7").hex.upper() == data
    assert read(codec, data) == "Pier 7"


@pytest.mark.parametrize("encoding", MIN_BYTES_PER_CHARACTER)
def test_texts_are_those_of_the_language(encoding: str) -> None:
    """Python's own codecs are the second opinion; each text that is taken comes back, in areas and without."""
    codec, held = chain(f"characters:{encoding}"), area(8 * 64, f"characters:{encoding}")
    seen = {True: 0, False: 0}

    @given(st.text(max_size=20) | st.text("AZ 09é€\0", max_size=40))
    def law(text: str) -> None:
        try:
            data = codec.encode(text)
        except EncodeError:
            lacking = any(ord(c) > {"ascii": 127, "latin-1": 255}.get(encoding, 0x10FFFF) for c in text)
            assert lacking or "\0" in text
            seen[False] += 1
            return
        seen[True] += 1
        assert data.bytes == text.encode(encoding)
        assert codec.decode(data) == text
        if len(data) > 8 * 64:
            size = len(data) // 8
            assert raised(held, text).endswith(f"the text has {size} bytes in {encoding}, the area holds 64")
        else:
            assert len(held.encode(text)) == 8 * 64
            assert held.decode(held.encode(text)) == text

    law()
    assert all(seen.values())


@pytest.mark.parametrize("encoding", MIN_BYTES_PER_CHARACTER)
def test_any_bytes_are_a_text_or_a_failed_check(encoding: str) -> None:
    """What is read, Python reads too once the padding is off; and it is written back to the same area."""
    codec = area(8 * 6, f"characters:{encoding}")
    seen = {True: 0, False: 0}

    @given(st.binary(min_size=6, max_size=6) | st.binary(max_size=4).map(lambda data: data.ljust(6, b"\0")))
    def law(data: bytes) -> None:
        reading = codec.inspect(Bits(data))
        seen[reading.ok] += 1
        if reading.ok:
            assert data.decode(encoding).rstrip("\0") == reading.value
            assert codec.encode(reading.value).bytes == data
        else:
            assert reading.failed
            assert reading.failed.rule in ("encoding", "padding")
            assert reading.failed.at

    law()
    assert all(seen.values())


def test_where_a_character_stands() -> None:
    reading = chain("characters:utf-8").inspect(Bits("aé€\U0001f600".encode()))
    assert [len(reading.origin(place)) // 8 for place in range(4)] == [1, 2, 3, 4]
    assert reading.origin(2) == tuple(range(24, 48))
    padded = chain("characters:utf-8").inspect(Bits("0x41420000"))
    assert [(part.name, part.at[0], part.at[-1]) for part in padded.parts] == [("text", 0, 15), ("padding", 16, 31)]


def test_what_characters_say() -> None:
    with refusal(DecodeError, rule="encoding", place=(4, 5)):
        chain("hex/characters:ascii").decode("5069E972")
    with refusal(DecodeError, rule="padding"):
        chain("characters:utf-8").decode(Bits("0x50690072"))


@pytest.mark.parametrize(
    ("text", "value", "sentence"),
    [
        ("characters:ascii", "Pié", "character 2 is 'é', which ascii lacks"),
        ("characters:latin-1", "5 €", "character 2 is '€', which latin-1 lacks"),
        ("characters:utf-8", "a\ud800b", r"character 1 is '\ud800', half of a surrogate pair"),
        ("characters:utf-16-le", "\udc00", r"character 0 is '\udc00', half of a surrogate pair"),
        ("characters:utf-8", "a\0b", r"character 1 is '\x00', the padding 00: a text may not hold it"),
        ("characters:latin-1,FF", "aÿb", "character 1 is 'ÿ', the padding FF: a text may not hold it"),
        ("characters:ascii,20", "Pier 7 ", "the text ends with ' ', the padding 20"),
        ("characters:utf-16-be,0020", " ", "the text ends with ' ', the padding 0020"),
    ],
)
def test_texts_that_would_not_come_back(text: str, value: str, sentence: str) -> None:
    assert raised(chain(text), value) == f"{text}: {sentence}"


def test_a_text_that_is_too_long_is_refused_in_bytes() -> None:
    codec = area(256, "characters:utf-8")
    assert len(codec.encode("é" * 16)) == 256
    assert raised(codec, "é" * 16 + "x") == "characters:utf-8: the text has 33 bytes in utf-8, the area holds 32"
    assert "has 8193 bytes in ascii, the area holds 8192" in raised(chain("characters:ascii"), "A" * 8193)
    assert len(chain("characters:ascii").encode("A" * 8192)) == MAX_BITS


@pytest.mark.parametrize(
    "text",
    [
        "characters:utf8",
        "characters:ascii,0",
        "characters:utf-16-be,20",
        "characters:utf-8,A9",
        "characters:ascii,80",
        "characters:utf-16-le,FFDC",
        "characters:ascii,٣٣",
        "characters",
    ],
)
def test_characters_that_cannot_be(text: str) -> None:
    with refusal(DefinitionError):
        chain(text)


def test_erased_and_zeroed_memory_hold_no_text() -> None:
    assert read(area(64, "characters:utf-8"), "00" * 8) == ""
    assert read(area(64, "characters:utf-8,FF"), "FF" * 8) == ""
    with refusal(DecodeError, rule="encoding"):
        read(area(64, "characters:utf-8"), "FF" * 8)


# ── BCD ─────────────────────────────────────────────────────────────────────────────────────────


@given(st.text("0123456789", max_size=16))
def test_digits_are_hexadecimal_ones(text: str) -> None:
    assert chain("bcd").encode(text).hex == text
    assert area(64, "bcd:F").encode(text).hex == text.ljust(16, "f")
    assert area(64, "bcd:F").decode(Bits(hex=text.ljust(16, "f"))) == text
    if len(text) < 16:
        refused = f"bcd: the text has {len(text)} digits, expected exactly 16"
        assert raised(area(64, "bcd"), text) == refused


def test_filler_makes_whole_bytes_where_the_length_is_open() -> None:
    assert chain("bcd:F").encode("123").hex == "123f"
    assert chain("bcd:F").decode(Bits("0x123")) == "123"
    assert area(12, "bcd:F").encode("12").hex == "12f"


def test_what_bcd_says() -> None:
    with refusal(DecodeError, rule="digit"):
        chain("bcd").decode(Bits("0x1B2F"))
    with refusal(DecodeError, rule="digit"):
        chain("bcd:F").decode(Bits("0x1F2F"))
    with refusal(DecodeError, rule="length", place=()):
        chain("bcd").decode(Bits("0b000000"))
    assert raised(chain("bcd"), "12a") == "bcd: character 2 is 'a', expected a decimal digit"
    assert raised(chain("bcd"), "1٣") == "bcd: character 1 is '٣', expected a decimal digit"
    assert raised(area(32, "bcd:F"), "123456789") == "bcd:F: the text has 9 digits, expected at most 8"
    assert raised(chain("crc-a/bcd"), "123") == ("bcd: the text has 3 digits, expected digits for a multiple of 8 bits")
    with refusal(DefinitionError):
        chain("bcd:E")


# ── dates ───────────────────────────────────────────────────────────────────────────────────────

DAYS = st.dates(date(2000, 1, 1), date(2099, 12, 31))


@given(DAYS)
def test_dates_are_those_of_the_language(day: date) -> None:
    for pattern, form in (("YYYYMMDD", "%Y%m%d"), ("DDMMYY", "%d%m%y"), ("MMYYDD", "%m%y%d"), ("DDYYYYMM", "%d%Y%m")):
        codec = chain(f"date:{pattern}")
        assert codec.decode(day.strftime(form)) == day.isoformat()
        assert codec.encode(day.isoformat()) == day.strftime(form)


def test_of_all_digits_exactly_the_days_of_the_calendar_are_dates() -> None:
    """Exhaustive over months 00 to 13 and days 00 to 32 of all years: a century from 2000 on has 36,525 days."""
    codec = chain("date:YYMMDD")
    every = (codec._decode_raw(f"{y:02d}{m:02d}{d:02d}") for y in range(100) for m in range(14) for d in range(33))
    found = [text for text in every if text is not None]
    assert found == [(EPOCH + timedelta(days)).isoformat() for days in range(36525)]


def test_years_from_1_to_9999_are_there() -> None:
    codec = chain("date:YYYYMMDD")
    assert codec.decode("00010101") == "0001-01-01"
    assert codec.encode("0001-01-01") == "00010101"
    assert codec.decode("99991231") == "9999-12-31"
    with refusal(DecodeError, rule="date"):
        codec.decode("00000101")


def test_where_a_date_comes_from() -> None:
    reading = chain("date:DDMMYY").inspect("310326")
    assert [reading.origin(place) for place in range(10)] == [
        (), (), (4,), (5,), (), (2,), (3,), (), (0,), (1,)
    ]  # fmt: skip
    whole = chain("bcd/date:YYYYMMDD").inspect(Bits("0x20260331"))
    assert whole.origin(6) == tuple(range(20, 24)), "the second digit of the month"


@pytest.mark.parametrize("value", ["20261", "2026-03-31", "202603311", "2026033٣", "20260300", "20260431", "20260031"])
def test_digits_that_are_no_date(value: str) -> None:
    with refusal(DecodeError):
        chain("date:YYYYMMDD").decode(value)


@pytest.mark.parametrize(
    "value", ["20260331", "2026-3-31", "2026-02-29", "2026-W13-2", "0000-01-01", "2026-03-31T00", ""]
)
def test_texts_that_are_no_date(value: str) -> None:
    for text in ("date:YYYYMMDD", "day-count:2000-01-01"):
        assert raised(chain(text), value) == f"{text}: {value!r} is not a date that exists, such as 2026-03-31"


def test_a_year_of_two_digits_has_no_other_century() -> None:
    for value in ("1999-12-31", "2100-01-01"):
        assert "a year of two digits is 2000 to 2099" in raised(chain("date:YYMMDD"), value)


@pytest.mark.parametrize(
    "pattern", ["", "YYYYMM", "YYYY-MM-DD", "YYYYMMDDDD", "YYYYYYMMDD", "YMMDD", "yyyymmdd", "MMDD"]
)
def test_patterns_that_cannot_be(pattern: str) -> None:
    with refusal(DefinitionError):
        chain(f"date:{pattern}")


@given(st.dates(EPOCH))
def test_days_are_counted_as_the_language_does(day: date) -> None:
    codec = area(24, "day-count:2000-01-01")
    count = Bits(uint=day.toordinal() - EPOCH.toordinal(), length=24)
    assert codec.encode(day.isoformat()) == count
    assert codec.decode(count) == day.isoformat()


def test_what_day_counts_say() -> None:
    codec = area(16, "day-count:2000-01-01")
    assert read(codec, "FFFF") == "2179-06-06"
    assert raised(codec, "2179-06-07") == (
        "day-count:2000-01-01: '2179-06-07' is day 65536, 16 bits hold at most 65535"
    )
    assert "is before 2000-01-01, from which days are counted" in raised(codec, "1999-12-31")
    last = (date.max - EPOCH).days
    open_ended = chain("day-count:2000-01-01")
    assert open_ended.decode(Bits(uint=last, length=24)) == "9999-12-31"
    with pytest.raises(DecodeError, match=f"bits 0-23 are {last + 1}, expected at most {last}"):
        open_ended.decode(Bits(uint=last + 1, length=24))
    with refusal(DecodeError, rule="range"):
        open_ended.decode(Bits(b"\xff" * 512))
    with refusal(DecodeError, rule="length", place=()):
        open_ended.decode(Bits(b"\xff" * 513))
    assert (len(open_ended.encode("2000-01-01")), len(open_ended.encode("2026-03-31"))) == (8, 16)
    with refusal(DefinitionError):
        chain("day-count:2000-02-30")


# ── areas ───────────────────────────────────────────────────────────────────────────────────────

CHECKED = ("crc-a", "crc-b", "crc-15693", "crc-16-ibm-3740", "crc-16-arc", "crc-32-iso-hdlc", "crc-8-smbus", "xor-byte")


@pytest.mark.parametrize("check", CHECKED)
def test_a_check_and_a_text_fill_an_area_exactly(check: str) -> None:
    codec, width = area(256, f"{check}/characters:utf-8"), {"crc-32-iso-hdlc": 32}.get(check, 16)
    width = 8 if check in ("crc-8-smbus", "xor-byte") else width
    most = (256 - width) // 8
    for size in (0, 1, most):
        text = "7" * size
        data = codec.encode(text)
        assert len(data) == 256
        assert data.bytes[:most] == text.encode().ljust(most, b"\0")
        assert codec.decode(data) == text
    assert raised(codec, "7" * (most + 1)) == (
        f"characters:utf-8: the text has {most + 1} bytes in utf-8, the area holds {most}"
    )


@pytest.mark.parametrize(
    ("length", "text", "value"),
    [
        (64, "crc-a/bcd:F", "12345"),
        (48, "xor-byte/bcd:F/date:YYYYMMDD", "2026-03-31"),
        (40, "crc-8-smbus/bcd/date:YYYYMMDD", "2026-03-31"),
        (32, "crc-a/reverse-bytes/day-count:2000-01-01", "2026-03-31"),
        (48, "crc-32-iso-hdlc/characters:utf-16-le", "7"),
        (128, "reverse-bits-in-bytes/invert/characters:latin-1,20", "Pier 7 é"),
    ],
)
def test_chains_fill_an_area_exactly(length: int, text: str, value: str) -> None:
    codec = area(length, text)
    data = codec.encode(value)
    assert len(data) == length
    assert codec.decode(data) == value


@pytest.mark.parametrize(
    ("length", "text"),
    [
        (12, "characters:ascii"),
        (24, "characters:utf-16-be"),
        (16, "crc-a/characters:ascii"),
        (6, "bcd"),
        (120, "value-block"),
    ],
)
def test_areas_that_cannot_hold_it(length: int, text: str) -> None:
    with refusal(DefinitionError):
        area(length, text)


def test_memory_forms_are_not_guessed() -> None:
    """No reader types them, and almost any bits are digits or a day: an unknown text is not tried as one."""
    names = ("characters", "bcd", "date", "day-count", "value-block", "sector-access")
    assert {entry.name: entry.usual for entry in catalogue() if entry.name in names} == dict.fromkeys(names, ())
