"""Drawings: columns are counted here by hand or from a published layout, never taken from the renderer."""

from collections.abc import Iterator

import pytest
from bitstring import Bits
from hypothesis import given
from hypothesis import strategies as st

from credkit.catalogue.registry import catalogue, chain
from credkit.core.codec import AnyCodec
from credkit.explain.drawing import Bar, Marks, Picture, layout_picture, lines, pictures
from credkit.explain.groupedbits import group_bits
from credkit.explain.screen import escape_unprintable
from credkit.tables.layout import Layout, LayoutCodec

FRAME = "10111101110110010011011101"  # facility 123, number 45678, by the rule of SIA AC-01 (1996)
EVEN, ODD = range(1, 13), range(13, 25)  # what bit 0 and bit 25 cover, SIA AC-01 (1996)


def drawn(codec: AnyCodec, value: object) -> list[list[str]]:
    """The lines of each step's picture."""
    return [lines(picture) for picture in pictures(codec, value, codec.inspect(value))]


def columns(line: str, mark: str) -> set[int]:
    return {at for at, c in enumerate(line) if c == mark}


def bit_columns(bits: range) -> set[int]:
    """Bits stand in every second column, behind a margin of one."""
    return {1 + 2 * bit for bit in bits}


def row_of(rows: list[str], text: str) -> str:
    """The marks on the line that ends in ``text``."""
    (line,) = [line for line in rows if line.endswith(text)]
    return line.removesuffix(text)


def test_a_frame_in_one_row_by_hand() -> None:
    assert drawn(chain("wiegand-26"), Bits(f"0b{FRAME}")) == [
        [
            " 0                   1                   2",
            " 0 1 2 3 4 5 6 7 8 9 0 1 2 3 4 5 6 7 8 9 0 1 2 3 4 5",
            " 1 0 1 1 1 1 0 1 1 1 0 1 1 0 0 1 0 0 1 1 0 1 1 1 0 1",
            "   |-facility=123| |---------number=45678--------|",
            " = * * * * * * * * * * * *                            even-parity passed",
            "                           * * * * * * * * * * * * =  odd-parity passed",
        ]
    ]


@given(st.integers(0, 25))
def test_the_mark_stands_under_the_parity_bit_that_a_flipped_bit_breaks(flipped: int) -> None:
    bits = Bits(f"0b{FRAME}") ^ Bits(uint=1 << (25 - flipped), length=26)
    (rows,) = drawn(chain("wiegand-26"), bits)
    broken = flipped == 0 or flipped in EVEN
    even = row_of(rows, f"even-parity {'FAILED' if broken else 'passed'}")
    odd = row_of(rows, f"odd-parity {'passed' if broken else 'FAILED'}")
    assert columns(even, "*") == bit_columns(EVEN)
    assert columns(even, "^" if broken else "=") == {1}
    assert columns(odd, "*") == bit_columns(ODD)
    assert columns(odd, "=" if broken else "^") == {1 + 2 * 25}


@pytest.mark.parametrize(("text", "characters"), [("02F764DC", {7}), ("00F764DD", {1}), ("82F764DD", {0, 1})])
def test_a_fault_in_the_frame_is_marked_in_the_text_it_came_from(text: str, characters: set[int]) -> None:
    # Bit 25 of the frame is the last bit of the last digit; bit 0 is the third bit of the second
    # digit; the six padding bits are the first digit and half of the second.
    first, *_ = drawn(chain("hex:8/right-justified:26/wiegand-26"), text)
    assert first[0] == f" {text}"
    assert {at - 1 for line in first[1:] for at in columns(line, "^")} == characters


def test_a_decimal_number_is_marked_as_a_whole() -> None:
    first, _ = drawn(chain("decimal:26/wiegand-26"), "49767644")  # 49767645 is the good frame; its last bit is lost
    assert first == [" 49767644", " ^^^^^^^^  odd-parity of wiegand-26"]


def test_a_value_of_the_wrong_form_is_marked_as_a_whole() -> None:
    assert drawn(chain("hex:8"), "02F7") == [[" 02F7", " ^^^^  form FAILED"]]
    assert drawn(chain("hex:8"), "")[0] == []


def test_forty_bits_stand_in_one_row_and_more_wrap_by_bytes() -> None:
    forty = Picture(title="", form="bits", units=tuple("01" * 20))
    assert [len(line) for line in lines(forty)][-1] == 80  # a margin, 40 bits and 39 blanks
    assert len(lines(forty)) == 3
    more = Picture(title="", form="bits", units=tuple("01" * 21))
    assert lines(more)[3:] == ["", " 4", " 0 1", " 0 1"]
    assert lines(more, width=20)[:3] == [" 0 1 2 3 4 5 6 7", " 0 1 0 1 0 1 0 1", ""]


def test_what_wraps_keeps_its_place() -> None:
    # ANSI/ASHRAE 135 Annex P (name GSA75), positions as in SIA's conformance sources: credential 29-48.
    layout = chain("gsa-75").table
    assert isinstance(layout, Layout)
    rows = lines(layout_picture(layout))
    first, second = (line for line in rows if "|" in line)
    assert first.rindex("|") == 1 + 2 * 29
    assert second.index("|") == 1 + 2 * (48 - 40)
    assert "credential" in first
    assert [line for line in rows if line.startswith(" a: ")] == [" a: first_parity (bit 0)  b: last_parity (bit 74)"]


def test_a_check_over_two_rows_is_named_once_and_marked_in_both() -> None:
    marks = Marks(text="crc FAILED", at=(40, 41), covers=tuple(range(40)), passed=False)
    rows = lines(Picture(title="", form="bits", units=("0",) * 42, marks=(marks,)))
    assert rows[3] == " crc FAILED"  # there is no room beside forty marks
    assert rows[4] == " " + " ".join("*" * 40)
    assert rows[-1] == " ^ ^"
    assert sum("crc" in row for row in rows) == 1


def test_text_stands_left_of_marks_that_reach_the_edge() -> None:
    rows = drawn(chain("wiegand-37"), Bits.from_zeros(37))[0]  # Annex P positions: bit 36 odd over 18-35
    (line,) = [line for line in rows if line.startswith(" odd-parity FAILED")]
    assert columns(line, "*") == bit_columns(range(18, 36))
    assert columns(line, "^") == {1 + 2 * 36}


def test_short_fields_are_letters_with_a_legend() -> None:
    first, *_ = drawn(chain("template:{facility:03d}-{number:05d}"), "123-45678")
    assert first == [
        " 123-45678",
        " aaa bbbbb",
        " a: facility=123 (characters 0-2)  b: number=45678 (characters 4-8)",
    ]


def test_more_letters_than_the_alphabet() -> None:
    bars = tuple(Bar(name=f"field{i}", value="", at=(i,)) for i in range(30))
    rows = lines(Picture(title="", form="text", units=("x",) * 30, bars=bars))
    assert rows[1] == " abcdefghijklmnopqrstuvwxyzABCD"
    assert "D: field29 (character 29)" in " ".join(rows)


def test_bars_that_overlap_stand_on_lines_of_their_own() -> None:
    outer = Bar(name="outer", value="", at=tuple(range(10)))
    inner = Bar(name="in", value="", at=tuple(range(3, 7)))
    rows = lines(Picture(title="", form="text", units=tuple("0123456789"), bars=(outer, inner)))
    assert rows == [" 0123456789", " |-outer--|", "    |in|"]


def test_fields_are_marked_by_name() -> None:
    codec = chain("template:{facility:03d}{number:05d}/select:12=facility,number")
    first, second = drawn(codec, "12300045")
    assert first[:3] == [" 12300045", " aaabbbbb", " ^^^       is-facility of select"]
    assert second[:2] == [" facility=123  number=45", " ^^^^^^^^^^^^             is-facility FAILED"]


def test_characters_that_do_not_print_take_columns_of_their_own() -> None:
    first, *_ = drawn(chain("hex:8"), "02\x1b\u200e漢")
    assert first[0] == r" 02\x1b\u200e\u6f22"
    assert first[1].startswith("   " + "^" * 16 + "  alphabet FAILED")


def test_plain_keeps_one_column_a_character() -> None:
    assert escape_unprintable("àéF_-'DD") == "àéF_-'DD"
    assert escape_unprintable("e\u0301\ud800\n") == r"e\u0301\ud800\n"


@given(st.text(max_size=200), st.integers(20, 100))
def test_no_line_is_longer_than_the_width(text: str, width: int) -> None:
    for chained in ("hex:8", "strip:ID<space>/binary", "template:{facility:03d}"):
        codec = chain(chained)
        for picture in pictures(codec, text, codec.inspect(text)):
            assert all(len(line) <= width for line in lines(picture, width))


def test_every_layout_of_the_catalogue_can_be_drawn() -> None:
    found = 0
    for entry in catalogue():
        codec = entry.build() if entry.usual == ("",) else None
        if isinstance(codec, LayoutCodec):
            found += 1
            rows = lines(layout_picture(codec.layout))
            assert max(map(len, rows)) <= 80
            text = "\n".join(rows)
            assert all(field.name in text for field in codec.layout.fields)
            assert all(f"  {check.rule}" in text or f" {check.rule} " in text for check in codec.layout.checks)
    assert found > 10


class Counted(tuple[int, ...]):
    """Positions that count how often all of them were looked at."""

    looks = 0

    def __iter__(self) -> Iterator[int]:
        type(self).looks += 1
        return super().__iter__()


def test_positions_are_looked_at_once_however_many_rows_there_are() -> None:
    """Once for each row, a value of 130,000 characters took a minute."""
    Counted.looks = 0
    wrong = Counted(range(10_000))
    row = Picture(title="", form="text", units=tuple("0" * 10_000), marks=(Marks(text="x", at=wrong, passed=False),))
    rows = lines(row)
    assert sum(line.count("^") for line in rows) == 10_000
    assert len(rows) > 400
    assert Counted.looks == 1


def grouped(text: str, value: object) -> list[list[str]]:
    codec = chain(text)
    return [lines(group_bits(picture)) for picture in pictures(codec, value, codec.inspect(value))]


def test_a_message_is_drawn_as_bytes_and_characters() -> None:
    """NFC Forum Type 2 Tag (03, length, message, FE) and URI RTD (55 is U, prefix 03 http://): one record, 9 bytes."""
    _, area, message = grouped("hex/tlv/ndef:office:uri", "030DD10109550370696572372E6F72FE0000")
    assert area[1] == " 03 0D D1 01 09 55 03 70 69 65 72 37 2E 6F 72 FE"
    assert area[2] == " .  .  .  .  .  U  .  p  i  e  r  7  .  o  r  ."
    assert message[1] == " D1 01 09 55 03 70 69 65 72 37 2E 6F 72"
    assert all(len(line) <= 80 for line in (*area, *message))


def test_a_flag_that_fails_has_its_mark_under_its_byte() -> None:
    """The flag ME, bit 6 of the first byte (NFC Forum NDEF), is missing: 91 instead of D1."""
    *_, message = grouped("hex/ndef:office:uri", "91010955037069657237" + "2E6F72")
    assert row_of(message, "end-flag FAILED").rstrip() == " ^^"


def test_a_stripe_is_drawn_as_characters() -> None:
    """ISO/IEC 7811-2: four bits, the lowest first, and odd parity: 0 is 00001, 1 10000, 2 01000, 3 11001, ; 11010."""
    text = "0000000000" + "11010" + "00001" + "10000" + "01000" + "11001"
    front = text + "10110" + "00100" + "10101" + "11111"
    lrc = [str(sum(map(int, front[10 + place :: 5])) % 2) for place in range(4)]
    lrc.append(str(1 - sum(map(int, lrc)) % 2))
    _, track = grouped("binary/track-2-bits:5,10,0", front + "".join(lrc))
    assert track[0] == " 0     5     10    15    20    25    30    35    40    45    50    55"
    assert track[1].split()[:7] == ["00000", "00000", "11010", "00001", "10000", "01000", "11001"]
    assert track[2] == "             ;     0     1     2     3     =     4     5     ?     LRC"


def test_short_frames_and_texts_are_drawn_bit_by_bit() -> None:
    for name, text in (("binary/wiegand-26", FRAME), ("hex:8/serial-32", "02F764DD")):
        codec = chain(name)
        drawn_pictures = pictures(codec, text, codec.inspect(text))
        assert [group_bits(each) for each in drawn_pictures] == drawn_pictures
