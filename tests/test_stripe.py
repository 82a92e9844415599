"""Magnetic stripes: published bits and characters, both directions, and every error that the checks find or miss."""

from __future__ import annotations

from functools import reduce
from itertools import combinations, islice, product
from math import comb
from operator import xor
from random import Random

import pytest
from bitstring import Bits
from hypothesis import given

from credkit import DecodeError, DefinitionError, EncodeError, chain
from credkit.codecs.stripe import MOST_WRITTEN_ZEROS
from credkit.core.codec import AnyCodec
from credkit.core.forms import to_word
from credkit.core.spans import MAX_BITS
from credkit.explain.diagnosis import diagnose
from credkit.streams import stream
from credkit.tables.characters import ALPHANUMERIC, NUMERIC, SETS_BY_NAME, CharacterSet
from credkit.tables.swipes import separating_zeros
from tests.amounts import amounts
from tests.sentences import refusal
from tests.strategies import randoms

TRACK_2 = chain("track-2-bits")
TWENTY = ";12345678=901234567?"  # twenty characters, and an LRC behind them


def row(text: str, codec: AnyCodec = TRACK_2) -> str:
    return str(codec.encode(text).bin)


def bits(digits: str) -> Bits:
    return Bits(f"0b{digits}") if digits else Bits()


def failed(codec: AnyCodec, digits: str) -> str:
    with pytest.raises(DecodeError) as caught:
        codec.decode(bits(digits))
    assert caught.value.check is not None
    return caught.value.check.rule


# ── what standards and manuals print ────────────────────────────────────────────────────────────


def test_characters_as_the_standard_codes_them() -> None:
    """ISO/IEC 7811-2: a character's number is its ASCII code less 20h (7 bits) or 30h (5 bits)."""
    number = {char: place for place, char in enumerate(ALPHANUMERIC.letters)}
    assert (number["%"], number["^"], number["?"]) == (0x05, 0x3E, 0x1F)
    assert all(number[char] == ord(char) - 0x20 for char in ALPHANUMERIC.letters)
    number = {char: place for place, char in enumerate(NUMERIC.letters)}
    assert (number[";"], number["="], number["?"]) == (0xB, 0xD, 0xF)
    assert all(number[char] == ord(char) - 0x30 for char in NUMERIC.letters)
    assert (ALPHANUMERIC.width, NUMERIC.width) == (7, 5)


def test_five_bit_characters_as_a_government_paper_prints_them() -> None:
    """TIG SCEPACS v2.3, figure 7: least significant bit first, odd parity last."""
    digits = ["00001", "10000", "01000", "11001", "00100", "10101", "01101", "11100", "00010", "10011"]
    assert [NUMERIC.bits_by_character[char] for char in "0123456789"] == digits
    assert [NUMERIC.bits_by_character[char] for char in ";=?"] == ["11010", "10110", "11111"]


@pytest.mark.parametrize(
    ("text", "published", "lrc"),
    [(";0?", "11010 00001 11111", "00100"), (";01?", "11010 00001 10000 11111", "10101")],
)
def test_worked_examples_of_a_reader_manual(text: str, published: str, lrc: str) -> None:
    """An even and an odd number of characters: an even one hides a wrong rule for the parity of the LRC."""
    assert row(text) == f"{published}{lrc}".replace(" ", "")
    assert TRACK_2.decode(bits(row(text))) == text


def test_the_lrc_may_be_no_digit() -> None:
    """ISO/IEC 7811-2, restated by TIG SCEPACS v2.3 section 6.2; the number is the usual Luhn example."""
    text = ";79927398713=30121010000000000?"
    assert row(text)[-5:] == "00111"
    assert NUMERIC.characters_by_bits[row(text)[-5:]] == "<"


@pytest.mark.parametrize("letters", SETS_BY_NAME.values(), ids=lambda letters: letters.name)
@pytest.mark.parametrize("count", [0, 1, 2, 7, 8])
def test_the_lrc_by_its_rule(letters: CharacterSet, count: int) -> None:
    """ISO/IEC 7811-2: data bits have even column sums, LRC included; its parity bit is its own. Odd and even totals."""
    random = Random(count)
    codec = chain(f"track-1-bits:{letters.name[0]}")
    text = letters.start + "".join(random.choice(letters.content_letters) for _ in range(count)) + letters.end
    written = row(text, codec)
    pieces = [written[place : place + letters.width] for place in range(0, len(written), letters.width)]
    assert len(pieces) == count + 3
    assert all(piece.count("1") % 2 for piece in pieces)
    assert all(sum(int(piece[column]) for piece in pieces) % 2 == 0 for column in range(letters.data_bits))


def test_seven_bits_where_five_are_usual_and_the_other_way_about() -> None:
    assert chain("track-3-bits:7").decode(chain("track-1-bits").encode("%ABC?")) == "%ABC?"
    assert chain("track-1-bits:5").decode(chain("track-2-bits").encode(";123?")) == ";123?"
    with pytest.raises(DecodeError):
        chain("track-3-bits").decode(chain("track-1-bits").encode("%ABC?"))


# ── what a row of bits may hold ─────────────────────────────────────────────────────────────────


def notes(codec: AnyCodec, digits: str) -> list[tuple[str, str]]:
    reading = codec.inspect(bits(digits))
    assert reading.ok, reading.failed
    return [(note.kind, note.level) for note in reading.notes]


def test_zeros_around_a_track_are_read_and_written_as_asked() -> None:
    codec = chain("track-2-bits:5,12,30")
    assert row(";01?", codec) == "0" * 12 + row(";01?") + "0" * 30
    assert notes(codec, row(";01?", codec)) == []
    assert row(";01?", chain("track-2-bits:5,9")) == "0" * 9 + row(";01?") + "0" * 9


def test_a_card_pulled_the_other_way_is_read_and_said() -> None:
    assert TRACK_2.decode(bits(row(TWENTY)[::-1])) == TWENTY
    assert notes(TRACK_2, row(TWENTY)[::-1]) == [("backwards", "info")]
    assert notes(TRACK_2, row(TWENTY)) == []


def seven(text: str) -> str:
    """The bits of a track of 7-bit characters, by the rules of ISO/IEC 7811-2 and nothing of credkit."""
    numbers = [ord(char) - 0x20 for char in text]
    numbers.append(reduce(xor, numbers))  # the LRC
    pieces = [f"{number:06b}"[::-1] for number in numbers]
    return "".join(f"{piece}{1 - piece.count('1') % 2}" for piece in pieces)


def test_a_stripe_that_is_a_track_both_ways_is_ambiguous() -> None:
    """Of all texts of up to three characters, those whose bits in reverse order are another track; none is picked."""
    codec = chain("track-1-bits")
    texts = [f"%{''.join(chars)}?" for size in range(4) for chars in product(ALPHANUMERIC.content_letters, repeat=size)]
    rows = {seven(text): text for text in texts if text[1] == "\\"}  # the end sentinel, its bits in reverse order
    turned = {text: rows[written[::-1]] for written, text in rows.items() if written[::-1] in rows}
    assert turned["%\\ W?"] == "%\\V!?"
    same = [text for text, other in turned.items() if text == other]
    assert len(same) > 2
    assert len(turned) > len(same)
    for text, other in turned.items():
        written = seven(text)
        if text == other:
            assert codec.decode(bits(written)) == text
            assert row(text, codec) == written
            continue
        reading = codec.inspect(bits(f"000{written}0000"))
        assert (reading.value, reading.failed and reading.failed.rule) == (None, "direction")
        assert reading.failed is not None
        assert reading.failed.at == tuple(range(3, 3 + len(written)))
        assert [note.kind for note in reading.notes] == ["both-directions"]
        assert reading.notes[0].text == f"all checks hold both ways: forwards it is {text!r}, backwards {other!r}"
        assert failed(codec, written) == "direction"
        with refusal(EncodeError):
            codec.encode(text)
    clear, written = "0" * separating_zeros(ALPHANUMERIC), seven("%\\ W?")
    assert failed(codec, f"1{clear}{written}") == "direction"
    assert failed(codec, f"{seven('%GATE 7?')}{clear}{written}") == "one-swipe"


def test_noise_beside_a_track_is_noted() -> None:
    clear = "0" * separating_zeros(NUMERIC)
    assert notes(TRACK_2, f"1011{clear}{row(TWENTY)}") == [("noise-before", "care")]
    assert notes(TRACK_2, f"{row(TWENTY)}{clear}1") == [("noise-behind", "care")]
    assert notes(TRACK_2, f"{row(TWENTY)[::-1]}{clear}1") == [("backwards", "info"), ("noise-before", "care")]
    reading = TRACK_2.inspect(bits(f"1011{clear}{row(TWENTY)}"))
    assert reading.value == TWENTY
    assert reading.notes[0].text == "4 bits of noise before the start sentinel"
    assert reading.notes[0].at == (0, 2, 3)
    assert reading.origin(0) == tuple(range(13, 18))


@pytest.mark.parametrize(
    ("digits", "rule"),
    [
        ("", "start-sentinel"),
        ("0" * 40, "start-sentinel"),
        ("0000111111111111", "start-sentinel"),
        ("".join("10"[int(bit)] for bit in row(TWENTY)), "start-sentinel"),  # inverted lines
        (row(TWENTY)[:50], "end-sentinel"),
        (row(TWENTY)[:-5], "lrc"),
        (row(TWENTY)[:-3], "lrc"),
        (row(TWENTY) + row(TWENTY), "zeros-behind"),
        (row(TWENTY) + "0" * 9 + row(TWENTY), "one-swipe"),
        (row(TWENTY) + "0" * 9 + row(TWENTY)[::-1], "one-swipe"),
        (row(";1?") + "0" * 20 + row(";2?"), "one-swipe"),
        (row(";1?") + ("0" * 9 + "1") * 60, "noise"),
        (row(TWENTY) + "0" * 20 + row(TWENTY)[:40] + row(TWENTY)[41:], "one-swipe"),  # the second one is garbled
        (row(TWENTY) + "0" * 20 + "1" * 21, "one-swipe"),  # too long for noise
        (row(";10?")[:5] + "00000" + row(";10?")[10:], "character-parity"),  # one wrong bit opens nine zeros
        ("".join(NUMERIC.bits_by_character[char] for char in ";;1?" + NUMERIC.lrc(";;1?")), "one-start"),
        ("0" * MAX_BITS + "1", "length"),
    ],
)
def test_what_cannot_be_read_is_named(digits: str, rule: str) -> None:
    assert failed(TRACK_2, digits) == rule


def test_sentences_name_rule_place_expected_and_found() -> None:
    with refusal(DecodeError, rule="character-parity", place=(9,)):
        TRACK_2.decode(bits("1101000000100001111110101"))
    with refusal(DecodeError, rule="lrc"):
        TRACK_2.decode(bits("1101000001100001111110110"))
    with refusal(DecodeError, rule="end-sentinel", place=()):
        TRACK_2.decode(bits("110100000110000"))
    with refusal(DecodeError, rule="one-swipe", place=()):
        TRACK_2.decode(bits(row(";1?") + "0" * 20 + row(";2?")))


def test_what_cannot_be_written() -> None:
    for text in (
        "123",
        ";12a?",
        ";1;2?",
        ";1?2?",
        "?",
        ";" + "1" * 20000 + "?",
    ):
        with refusal(EncodeError):
            TRACK_2.encode(text)
    for text in (
        "track-2-bits:6",
        "track-2-bits:5,1,1,1",
        f"track-2-bits:5,{MOST_WRITTEN_ZEROS + 1}",
        "track-2-bits:5,x",
    ):
        with refusal(DefinitionError):
            chain(text)


def test_inverted_lines_are_a_proposal_and_a_chain() -> None:
    """Clock-and-data lines idle high: what is read is inverted."""
    inverted = "".join("10"[int(bit)] for bit in "0" * 10 + row(TWENTY) + "0" * 10)
    hints = diagnose(chain("binary/track-2-bits"), inverted)
    assert [hint.text for hint in hints if hint.cause == "inverted"] == [f"the lines are inverted: {TWENTY!r}"]
    assert chain("binary/invert/track-2-bits").decode(inverted) == TWENTY


# ── laws ────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("name", ["track-1-bits", "track-2-bits", "track-3-bits:7,3,40"])
def test_every_text_reads_back_forwards_and_backwards(name: str) -> None:
    codec = chain(name)
    letters = codec.table
    assert isinstance(letters, CharacterSet)

    @given(randoms())
    def law(random: Random) -> None:
        content = "".join(random.choice(letters.content_letters) for _ in range(random.randrange(60)))
        text = f"{letters.start}{content.lstrip(chr(92))}{letters.end}"  # those may be a track both ways, see above
        written = codec.encode(text)
        assert codec.decode(written) == text
        assert codec.decode(written[::-1]) == text
        assert [note.kind for note in codec.inspect(written[::-1]).notes] == ["backwards"]

    law()


# ── what the checks find, and what they miss ────────────────────────────────────────────────────


def test_every_wrong_bit_of_twenty_characters_is_found_and_located() -> None:
    """ISO/IEC 7811-2: parity and LRC are a product code; exhaustive over the track and its LRC."""
    number, length = to_word(TRACK_2.encode(TWENTY))
    assert length == 105
    for place in range(length):
        wrong = number ^ 1 << (length - 1 - place)
        assert TRACK_2._decode_raw((wrong, length)) is None
        hints = diagnose(TRACK_2, bits(f"{wrong:0{length}b}"))
        flipped = [hint for hint in hints if hint.cause == "flipped-bit"]
        assert [hint.text for hint in flipped] == [f"bit {place} is flipped: {TWENTY!r}"]
        assert flipped[0].value == TWENTY


def test_every_pair_of_wrong_bits_is_found() -> None:
    """Exhaustive; also where a card is pulled the other way, and where zeros stand around the track."""
    for codec in (TRACK_2, chain("track-2-bits:5,3,3")):
        number, length = to_word(codec.encode(TWENTY))
        for one, other in combinations(range(length), 2):
            wrong = number ^ 1 << one ^ 1 << other
            assert codec._decode_raw((wrong, length)) is None


@amounts("every", quick=15, whole=1)
def test_three_wrong_bits_pass_only_where_the_track_becomes_shorter(every: int) -> None:
    """Exhaustive in the surveys: 1 of 187,460 patterns; it cuts a character off, so their number tells."""
    number, length = to_word(TRACK_2.encode(TWENTY))
    passing = [
        text
        for places in islice(combinations(range(length), 3), 0, None, every)
        if (text := TRACK_2._decode_raw((number ^ sum(1 << place for place in places), length)))
    ]
    assert comb(length, 3) == 187_460
    assert [len(text) for text in passing] in ([19], [19] if every == 1 else [])


@pytest.mark.parametrize(("letters", "count"), [(NUMERIC, 4), (NUMERIC, 5), (ALPHANUMERIC, 3)])
def test_the_patterns_of_four_wrong_bits_that_pass(letters: CharacterSet, count: int) -> None:
    """A product code of distance 4: C(n,2) * C(b,2) rectangles pass for n characters, LRC included, of b bits each.

    Counted over all patterns of four wrong bits, on the rule alone: sentinels would find some of them.
    """
    width, data = letters.width, letters.data_bits
    size = count * width

    def passes(word: int) -> bool:
        rows = [word >> place * width & (1 << width) - 1 for place in range(count)]
        columns = 0
        for each in rows:
            columns ^= each >> 1
        return columns & (1 << data) - 1 == 0 and all(each.bit_count() % 2 == 0 for each in rows)

    patterns = (sum(1 << place for place in places) for places in combinations(range(size), 4))
    assert sum(map(passes, patterns)) == comb(count, 2) * comb(width, 2)
    assert comb(4, 2) * comb(5, 2) == 60  # the published count for four characters of five bits
    for errors in (1, 2, 3):
        assert not any(passes(sum(1 << p for p in places)) for places in combinations(range(size), errors))


def test_characters_that_changed_places_are_not_noticed() -> None:
    digits = row(";0123456789?")
    swapped = digits[:5] + digits[10:15] + digits[5:10] + digits[15:]
    assert TRACK_2.decode(bits(swapped)) == ";1023456789?"


def test_random_bits_hardly_ever_read() -> None:
    """Four errors in a thousand at most, in rows as long as a track at 75 bits an inch has them, and longer ones."""
    random = Random(7811)
    for length in (250, 2000):
        good = sum(TRACK_2._decode_raw((random.getrandbits(length), length)) is not None for _ in range(2000))
        assert good <= 8


# ── a long record ───────────────────────────────────────────────────────────────────────────────


def test_swipes_are_cut_out_of_a_record_however_it_arrives() -> None:
    random = Random(75)
    texts = [
        ";" + "".join(random.choice(NUMERIC.content_letters) for _ in range(random.randrange(1, 37))) + "?"
        for _ in range(40)
    ]
    record = "0" * 20 + "".join(row(text)[:: random.choice((1, -1))] + "0" * random.randrange(13, 60) for text in texts)
    for size in (1, 7, 64, 1000, len(record)):
        chunks = [record[place : place + size] for place in range(0, len(record), size)]
        frames = list(stream("swipes:binary").frames(chunks))
        found = [TRACK_2.decode(bits(frame.value)) for frame in frames if frame.value]
        assert found == texts
        assert {place for frame in frames for place in frame.covers} == set(range(len(chunks)))


def test_a_chunk_that_cannot_be_read_ends_a_swipe() -> None:
    frames = list(stream("swipes:hex").frames(["0D0", "xx", "00", "8"]))
    assert [(frame.value, frame.covers) for frame in frames] == [
        ("000011010000", (0,)),
        (None, (1,)),
        (None, (2,)),
        ("0000001000", (3,)),
    ]
    assert frames[2].problem == "nothing but zeros: no swipe"
    with refusal(DefinitionError):
        stream("swipes:binary/wiegand-26")
    with refusal(DefinitionError):
        stream("swipes")
