"""Search: what an unknown text may be, and how two texts of one card are connected."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from itertools import product
from pathlib import Path
from random import Random

import pytest
from bitstring import Bits

from credkit import DefinitionError, chain, convert, discover, identify, layout_entries, relate
from credkit.discover.relation import weak_relation
from credkit.explain.identification import are_indistinguishable
from credkit.explain.presentations import SERIAL_BITS, presentations
from tests.amounts import amounts
from tests.brackwater import frame
from tests.commandline import ACCOUNT, records, run
from tests.sentences import refusal
from tests.survey import chance, recall, shared, survey

UID = Bits("0x04112233445566")  # as in a public test of anticollision (ISO/IEC 14443-3)


def chains(text: str, place: int = 0, *, facility: Iterable[int] = (), known: Iterable[int] = ()) -> list[str]:
    return [match.chain for match in identify(text, facility=facility, known=known)[place].matches]


# ── presentations ───────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("size", SERIAL_BITS)
def test_presentations_are_different_and_read_what_they_write(size: int) -> None:
    rows = presentations(size)
    assert len({row.title for row in rows}) == len(rows)
    assert len({(row.codec.name, row.part) for row in rows}) == len(rows)
    random = Random(size)
    for row in rows:
        for _ in range(20):
            serial = Bits(uint=random.getrandbits(size) | 1 << (size - 1), length=size)
            if row.digits:
                number = int.from_bytes(serial.bytes[::-1] if "last byte" in row.title else serial.bytes, "big")
                if number >= 10**7:
                    assert row.encode(serial) == str(number)[-8:]
                continue
            piece = serial[: row.bits] if row.part == "high" else serial[size - row.bits :]
            assert row.codec.decode(row.encode(serial)) == piece


@pytest.mark.parametrize(
    ("title", "text"),
    [
        # Worked by hand from the bytes 04 11 22 33 44 55 66.
        ("hexadecimal", "04112233445566"),
        ("hexadecimal, colon between bytes", "04:11:22:33:44:55:66"),
        ("hexadecimal behind 0x", "0x04112233445566"),
        ("hexadecimal behind a byte that counts the others", "0704112233445566"),
        ("hexadecimal, last byte first", "66554433221104"),
        ("hexadecimal, halves of each byte exchanged", "40112233445566"),
        ("hexadecimal, last bit first in each byte", "208844CC22AA66"),
        ("decimal", str(0x04112233445566)),
        ("decimal, 17 digits", f"{0x04112233445566:017d}"),
        ("decimal, last byte first", str(0x66554433221104)),
        ("the last eight digits of the decimal", str(0x04112233445566)[-8:]),
        ("the last 3 bytes, decimal, 8 digits", f"{0x445566:08d}"),
        ("the first 3 bytes, last byte first, decimal, 8 digits", f"{0x221104:08d}"),
        ("the last 4 bytes, decimal, 10 digits", f"{0x33445566:010d}"),
        ("the last 4 bytes, last byte first, signed decimal", str(0x66554433)),
        ("the first 4 bytes, hexadecimal", "04112233"),
        ("the last 3 bytes, decimals of 8 and 16 bits", f"{0x44:03d},{0x5566:05d}"),
        ("the last 4 bytes, two decimals of 16 bits", f"{0x3344:05d},{0x5566:05d}"),
    ],
)
def test_one_serial_in_many_forms(title: str, text: str) -> None:
    (row,) = [row for row in presentations(56) if row.title == title]
    assert row.encode(UID) == text


def test_a_serial_in_a_frame_carries_its_parity() -> None:
    """SIA AC-01: even parity over the first twelve data bits, odd over the last twelve."""
    (row,) = [row for row in presentations(32) if row.title.startswith("the last 3 bytes, in a")]
    data = f"{0xA2B3C4:024b}"
    assert row.encode(Bits("0x04A2B3C4")) == f"{data[:12].count('1') % 2}{data}{1 - data[12:].count('1') % 2}"


# ── identify ────────────────────────────────────────────────────────────────────────────────────


def test_a_frame_in_hexadecimal_is_recognised_by_its_zeros_and_parity() -> None:
    first, second = identify("02F764DD")
    assert [match.chain for match in first.matches] == ["hex:8/right-justified:26/wiegand-26"]
    assert first.best.evidence == 8  # six zeros and two parity bits
    assert 5 < first.evidence < 8  # less what the frame costs, and what chance has in all chains that were tried
    assert first.is_certain
    assert not second.is_certain
    assert second.evidence == 0


def test_one_frame_of_26_bits_proves_nothing() -> None:
    """Inverted and reversed lines pass both parities: one group, until a facility code or a number is given."""
    frame = "10111101110110010011011101"
    group = identify(frame)[0]
    assert {"binary/wiegand-26", "binary/invert/reverse-bits/wiegand-26"} <= {match.chain for match in group.matches}
    assert not group.is_certain
    assert "read a card whose number is known" in group.advice
    assert "say which facility codes are expected" in group.advice
    helped = identify(frame, facility=[123, 57])[0]
    assert helped.best.chain == "binary/wiegand-26"
    assert not any("invert" in match.chain for match in helped.matches)
    assert identify(frame, known=[45678])[0].best.chain == "binary/wiegand-26"
    turned = identify(frame, facility=[137])[0]
    assert turned.best.chain == "binary/invert/reverse-bits/wiegand-26"


def test_37_bits_with_and_without_a_facility_code_are_one_group() -> None:
    frame = str(chain("binary/wiegand-37").encode({"number": 12345678901}))
    assert {"binary/wiegand-37", "binary/wiegand-37-facility"} <= set(chains(frame))
    assert are_indistinguishable("binary/wiegand-37", "binary/wiegand-37-facility")


def test_several_cards_narrow_the_list() -> None:
    cards = [{"facility": 123, "number": number} for number in (7, 45678, 60001, 23, 9)]
    texts = [str(chain("binary/wiegand-26").encode(card)) for card in cards]
    one, all_of_them = identify(texts[0]), identify(texts)
    assert len(all_of_them) <= len(one)
    assert all_of_them[0].best.evidence == 5 * one[0].best.evidence == 10
    assert all_of_them[0].evidence > one[0].evidence + 7
    assert all_of_them[0].best.values == tuple(cards)
    assert identify([*texts, "0101"]) == ()


@pytest.mark.parametrize("text", ["", "hello", "02F764DDX", "1" * 5000, "\0", "٣٣", "-", "0x"])
def test_nothing_fits_what_is_nothing(text: str) -> None:
    assert identify(text) == ()


def test_what_is_no_text_is_refused() -> None:
    for wrong in ([], [5], ["1"] * 1001):
        with refusal(DefinitionError):
            identify(wrong)  # type: ignore[arg-type]  # [5] is not of texts, on purpose
    with refusal(DefinitionError):
        relate("04A2B3C4", 5)  # type: ignore[arg-type]  # a number, on purpose


def test_digits_of_a_fixed_width_speak_for_it() -> None:
    """Thirteen digits of which three are zero are ten to one a number of 32 bits; eight digits seldom are."""
    assert chains("0000077771716")[0].startswith("decimal:32,13")
    assert next(each for each in chains("00177772") if each.startswith("decimal")).startswith("decimal:24")


def test_a_track_is_recognised() -> None:
    assert chains(";00045678=2?")[0] == "track-2"
    swipe = str(chain("binary/track-2-bits:5,20").encode(";00045678=2?"))
    assert chains(swipe)[0] == "binary/track-2-bits"
    assert chains(swipe[::-1])[0] == "binary/track-2-bits"


def test_the_value_of_every_match_is_what_its_chain_decodes() -> None:
    for text in ("02F764DD", "162,46020", "77771716", "10111101110110010011011101", " 04:a2:b3:c4\r", "-5"):
        for group in identify(text):
            for match in group.matches:
                assert chain(match.chain).decode(text) in (match.values[0], match.values[0].get("text"))


@amounts("serials", quick=2, whole=8)
def test_the_chain_that_wrote_a_text_is_listed_and_comes_first_with_help(serials: int) -> None:
    """A small run of tests/survey.py: serials of four and seven bytes, at random and in boxes, in every form."""
    tally = survey(serials)
    assert tally.texts.total() > 50 * serials
    assert tally.listed == tally.texts
    assert tally.share >= 0.95
    assert tally.silent["4 bytes: hexadecimal"] == tally.texts["4 bytes: hexadecimal"]  # no check, no evidence


# ── relate ──────────────────────────────────────────────────────────────────────────────────────


def test_two_texts_of_one_card_are_connected() -> None:
    best = relate("04112233445566", f"{0x33445566:010d}")[0]
    assert (best.source, best.target, best.is_backward) == ("hex:14/keep-low:32", "decimal:32,10", False)
    assert convert("04A2B3C4D5E680", source=best.source, target=best.target) == f"{0xC4D5E680:010d}"


@pytest.mark.parametrize("sign", [",", "/", "-", ":", ".", ";", " "])
def test_a_facility_code_and_a_number_are_read_whatever_sign_stands_between_them(sign: str) -> None:
    """A card in the 26 bits of SIA AC-01, and its two numbers as a reader prints them."""
    text, wiegand = f"017{sign}51739", f"{int(frame(17, 51739), 2):08X}"
    (first, *_) = identify(text)[0].best.values
    assert first == {"facility": 17, "number": 51739}
    (best, *_) = relate(text, wiegand)
    assert best.target == "hex:8/right-justified:26/data-of:wiegand-26"
    assert convert(f"018{sign}00042", source=best.source, target=best.target) == f"{int(frame(18, 42), 2):08X}"
    assert relate(text, f"{int(frame(17, 51740), 2):08X}") == ()
    assert not any(group.evidence >= 1 for group in identify(f"12{sign}2026"))  # a month of a year, and not a card


def test_texts_of_two_cards_are_not() -> None:
    assert relate("04112233445566", f"{0x33445567:010d}") == ()
    assert relate("04A2B3C4", "hello") == ()


def test_too_few_bits_connect_nothing() -> None:
    assert relate("04A2", "C4A2") == ()


def test_a_number_that_is_too_short_for_a_claim_asks_for_more_cards() -> None:
    """0x1235 is 4661. Its digits may be decimal: 1235 has ten bits behind the leading one, four less for the search."""
    result = run("relate", "61B41235", "4661")
    said = " ".join(result.output.split())
    assert said == (
        "'61B41235' and '4661' have too little in common for a connection: 10 bits agree by hex:8/keep-low:16 to "
        "decimal:16, and two different cards may show that in up to 1 of 64 pairs. Write these and two more cards into "
        "a file: credkit discover chain PAIRS.csv"
    )
    assert result.exit_code == 1
    assert weak_relation("61B41235", "4662") is None
    assert weak_relation("81065", "81066") is None  # cards of one box


def test_two_cards_decide_where_one_is_too_short() -> None:
    """Sixteen bits of each of two cards are as good as 32 of one."""
    assert relate("61B41235", "4661") == relate("A0771462", "5218") == ()
    found = discover.chain([("61B41235", "4661"), ("A0771462", "5218")])
    assert found.chain == ("hex:8/keep-low:16", "decimal:16")


@amounts("count", quick=40, whole=250)
@pytest.mark.parametrize("size", [32, 56])
def test_the_connection_between_any_two_presentations_is_found(size: int, count: int) -> None:
    """For each pair that keeps three bytes: whatever is found maps the texts, and something is found."""
    random = Random(size)
    pairs = random.sample(list(product(presentations(size), repeat=2)), count)
    tried = connected = 0
    for row, other in pairs:
        serial = Bits(uint=random.getrandbits(size) | 1 << (size - 1), length=size)
        texts = row.encode(serial), other.encode(serial)
        found = relate(*texts)
        for each in found:
            one, two = texts[::-1] if each.is_backward else texts
            assert all(convert(one, source=source, target=target) == two for source, target in each.chains)
        if shared(row, other, size) >= 24:  # of 16 bits too few may be left when what was tried is taken off
            tried += 1
            connected += bool(found)
    assert tried > 0.6 * count
    assert connected >= 0.95 * tried


@pytest.mark.parametrize("text", ["0", "1", "7", "255"])
def test_a_short_text_says_little_whatever_it_is_read_as(text: str) -> None:
    """One decimal digit has room for three bits, whatever number of 80 bits it may stand for."""
    assert relate(text, text) == ()


def test_the_text_that_lacks_bits_is_made_of_the_other() -> None:
    """A frame of SIA AC-01 is its number and parity bits, so either is made of the other; a facility code is not."""
    frame, number = "02F764DD", "8106606"
    for texts in ((frame, number), (number, frame)):
        assert relate(*texts)[0].target in ("decimal:24", "hex:8/right-justified:26/data-of:wiegand-26")
    assert [each.is_backward for each in relate("45678", "123,45678")] == [True]


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("1234567", "7654321"), ("12345678", "87654322"), ("0000012345", "0000098765"), ("-12345", "-54321"),
        ("5281524964", "5281524965"), ("8787869511", "8787869516"), ("818819085", "818819086"),
    ],
)  # fmt: skip
def test_zeros_that_fill_up_and_neighbours_connect_nothing(one: str, other: str) -> None:
    """Short decimals agree in the zeros of 32 bits; neighbours turned round agree in what they share anyway."""
    assert relate(one, other) == ()
    assert relate(other, one) == ()


@amounts("count", quick=40, whole=200)
def test_short_numbers_of_different_cards_are_not_connected(count: int) -> None:
    """400 of 400 pairs of decimals of 7 or 8 digits once were, by their zeros."""
    random = Random(7)
    for _ in range(count):
        digits = random.choice((7, 8))
        one, other = (str(random.randrange(10 ** (digits - 1), 10**digits)) for _ in range(2))
        assert relate(one, other) == ()


@amounts("count", quick=40, whole=160)
def test_chance_makes_no_more_claims_than_it_may(count: int) -> None:
    """A small run of tests/survey.py: claims of n bits at most twice in 2 ** n, within four standard deviations."""
    for kind, tally in chance(count).items():
        assert not [bits for bits in range(1, 31) if tally.improbable(bits)], kind


@amounts("count", quick=150, whole=600)
def test_two_texts_of_one_card_are_connected_if_they_have_enough_in_common(count: int) -> None:
    """A small run of tests/survey.py."""
    tallies = recall(count)
    for bits, tally in tallies.items():
        if bits >= 24:
            assert tally.found >= 0.98 * tally.pairs, bits
            assert tally.first >= 0.9 * tally.pairs, bits


def test_a_number_that_a_spreadsheet_shortened_is_named() -> None:
    for args in (("identify", "1.23E+47"), ("relate", "04A2B3C4", "4,11436E+15"), ("decode", "decimal:32", "1.23E+47")):
        result = run(*args)
        assert "a spreadsheet shortened the number" in " ".join(result.output.split())
        assert result.exit_code == 1


def test_two_texts_of_one_card_point_to_relate() -> None:
    """identify reads what one reader prints; hexadecimal, and the reversed bytes in decimal, are of two."""
    one, other = "04A2B3C4", str(int.from_bytes(bytes.fromhex("04A2B3C4"), "little"))
    for texts in ((one, other), (one, "C4B3A204")):
        result = run("identify", *texts)
        assert f"credkit relate {texts[0]} {texts[1]}" in " ".join(result.output.split())
    assert "credkit relate" not in run("identify", "04A2B3C4", "04A2B3C5").output
    assert "credkit relate" not in run("identify", "04A2B3C4", "04A2B3C4").output


def test_a_screen_of_identify_begins_with_the_answer_and_counts_the_rest() -> None:
    """Every reading is in the JSON; the screen shows those with evidence, and one line counts the others."""
    groups = records(run("identify", "02F764DD", "--json"))
    rest = sum(len(group["matches"]) for group in groups[1:])
    assert [round(group["evidence"]) for group in groups] == [6, 0]
    lines = run("identify", "02F764DD").output.splitlines()
    assert lines[0] == "Likeliest reading of '02F764DD':"
    assert [line.strip() for line in lines[2:4]] == [groups[0]["matches"][0]["chain"], "facility=123 number=45678"]
    assert f"{rest} more readings without evidence: --all" in lines
    assert "uid-a-4" not in "".join(lines)
    everything = run("identify", "02F764DD", "--all").output
    assert all(f"  {match['chain']}\n" in everything for group in groups for match in group["matches"])
    assert "more readings" not in everything


def test_a_screen_of_identify_shows_readings_that_differ_where_none_has_evidence() -> None:
    (group, *others) = records(run("identify", "0848028812", "--json"))
    lines = run("identify", "0848028812").output.splitlines()
    assert lines[0] == "No reading of '0848028812' has evidence; the most usual ones:"
    values = [line.strip() for line in lines if line.startswith("    ") and "=" in line]
    assert len(values) == 6
    assert len({value.partition("=")[2] for value in values}) == 6, "one number is shown once, whatever the chain"
    total = sum(len(each["matches"]) for each in (group, *others))
    assert f"{total - 6} more readings without evidence: --all" in lines


def test_a_screen_of_identify_counts_chains_that_give_the_same_as_the_answer() -> None:
    lines = run("identify", "162,46020", "162,46021", "--facility", "162").output.splitlines()
    (group, *_) = records(run("identify", "162,46020", "162,46021", "--facility", "162", "--json"))
    assert group["certain"]
    assert len(group["matches"]) == 2
    assert "    1 more chain with the same result: --all" in lines


@amounts("count", quick=20, whole=60)
def test_zeros_before_a_known_number_speak_for_nothing(count: int) -> None:
    """Of numbers that are filled up with zeros, some of cards that nobody knows are among the known ones by chance."""
    random, claims = Random(12), 0
    for _ in range(count):
        known = [random.randrange(1, 2000) for _ in range(200)]
        groups = identify(f"{random.randrange(1, 2000):08d}", known=known)
        claims += any(match.known and group.evidence >= 8 for group in groups for match in group.matches)
    assert claims == 0
    (reason,) = (each for each in identify("0000000042", known=[42])[0].best.reasons if "known" in each)
    assert reason == "a known number is among them (5 bits)"  # 32 numbers have six bits


def test_a_known_number_that_is_not_there_is_said() -> None:
    known = run("identify", "C4B3A204", "--known", "77771716")
    assert "None of the known numbers" not in known.output
    unknown = run("identify", "C4B3A204", "--known", "5")
    assert "None of the known numbers is among what was read" in unknown.output
    assert unknown.exit_code == 0


def test_that_nothing_connects_two_texts_is_not_said_to_be_of_two_cards() -> None:
    """A frame of SIA AC-01 and the numbers on the same card, without a sign between: too little for one pair."""
    cards = [(17, 51739), (17, 42), (18, 60321)]
    pairs = [(f"{facility:02d}{number:05d}", f"{int(frame(facility, number), 2):08X}") for facility, number in cards]
    said = " ".join(run("relate", *pairs[0]).output.split())
    assert "Nothing connects '1751739' and '00239437' beyond chance" in said
    assert "They may be of two cards, or of one card. More pairs" in said
    assert discover.chain(pairs).candidates[0].chains[0].source == "template:{facility:02d}{number:05d}"


def test_the_place_of_a_known_number_in_an_undocumented_frame_is_said() -> None:
    """The 21 binary digits of 1750604 may begin at 14 places of 34 bits: by chance once in 2**21 / 14 frames."""
    bits = "0011010010101101010110110010011001"
    place, size = bits.index(f"{1750604:b}"), len(f"{1750604:b}")
    for text in (bits, f"{int(bits + '00', 2):09X}"):
        said = " ".join(run("identify", text, "--known", "1750604", "--known", "5").output.split())
        assert f"the binary digits of 1750604 stand in '{text}' at bits {place}-{place + size - 1}, counted" in said
        chance = 2**size // ((len(text) * (4 if text != bits else 1) - size + 1) * 2)  # two numbers were tried
        assert f"at most 1 of {chance:,} random frames" in said
        assert "credkit discover layout FRAMES.csv" in said
    assert "binary digits" not in run("identify", bits, "--known", "77").output  # so few stand anywhere
    assert "binary digits" not in run("identify", bits, "--known", "1750605").output


PIER = """
[layouts.pier-29]
title = "Brackwater Terminal's old pier"
source = "invented for this test"
length = 29
fields = { company = "1-8", number = "9-27" }
checks = [
    { bit = 0, even = "1-14" },
    { bit = 28, odd = "15-27" },
]
"""


def test_layouts_of_a_site_are_tried_beside_the_catalogue(tmp_path: Path) -> None:
    path = tmp_path / "found.toml"
    path.write_text(PIER, encoding="utf-8")
    own = layout_entries(tomllib.loads(PIER)["layouts"])
    data = f"{77:08b}{123456:019b}"  # parity as the table says: even over bits 0-14, odd over bits 15-28
    bits = f"{data[:14].count('1') % 2}{data}{1 - data[14:].count('1') % 2}"
    for text, name in ((bits, "binary/pier-29"), (f"{int(bits, 2):08X}", "hex:8/right-justified:29/pier-29")):
        (match,) = (each for group in identify(text, codecs=own) for each in group.matches if each.chain == name)
        assert match.values == ({"company": 77, "number": 123456},)
        assert name in run("identify", text, "--known", "123456", "--layouts", str(path)).output
        assert identify(text, known=[123456], codecs=own)[0].best.chain == name
    damaged = bits[:-1] + str(1 - int(bits[-1]))
    assert "pier-29" not in str([match.chain for group in identify(damaged, codecs=own) for match in group.matches
                                 if "invert" not in match.chain and "reverse" not in match.chain])  # fmt: skip
    assert all("pier-29" not in match.chain for group in identify(bits) for match in group.matches)


def test_what_cannot_be_read_is_named() -> None:
    assert "'xyz' has no known form" in " ".join(run("relate", "xyz", "04A2B3C4").output.split())
    result = run("relate", "04A2B3C4", "04A2B3C5")
    assert "credkit discover chain PAIRS.csv" in result.output
    assert result.exit_code == 1


def test_zeros_that_fill_up_every_number_count_once() -> None:
    """A reader that prints eight digits does so for every card: how many cards are shown tells no more about it."""
    one, eight = (identify([f"{1000 + place:08d}" for place in range(count)]) for count in (1, 8))
    for few, many in zip(one, eight, strict=False):
        assert many.evidence <= few.evidence + 1
    frames = [chain("hex:8/right-justified:26/wiegand-26").encode({"facility": 12, "number": n}) for n in (7, 8, 900)]
    three, two, alone = (identify(frames[:count])[0].best for count in (3, 2, 1))
    assert (alone.evidence, two.evidence, three.evidence) == (8, 10, 12)  # six zeros once, two parity bits a card


SECRET = (  # of the WHATWG HTML standard's example
    f";{ACCOUNT}=30121010000000000?", f"%B{ACCOUNT}^A/B^3012101?", ACCOUNT,
    ":".join(ACCOUNT[place : place + 2] for place in range(0, 16, 2)),
    str(chain("binary/track-2-bits:5,9").encode(f";{ACCOUNT}=30121010000000000?")),
)  # fmt: skip


@pytest.mark.parametrize("text", SECRET)
@pytest.mark.parametrize("more", [(), ("--json",), ("--all",)])
def test_the_search_shows_nothing_of_an_account_number(text: str, more: tuple[str, ...]) -> None:
    for args in (("identify", text), ("identify", text, text[:-2] + "0" + text[-1]), ("relate", text, ACCOUNT)):
        output = run(*args, *more).output
        assert ACCOUNT not in output
        assert ACCOUNT[6:-4] not in output
        assert "30121010" not in output
        assert ACCOUNT[6:] not in output
        assert "international" not in output
