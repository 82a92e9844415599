"""Payment account numbers and payment tracks in a text: what is hidden, what is not, and how fast."""

from __future__ import annotations

import re
import string
import sys
from collections.abc import Callable
from random import Random
from types import FrameType
from typing import TYPE_CHECKING, Any

import polars as pl
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from stdnum import luhn

import credkit
from credkit import CredkitError, EncodeError, chain, layout_entries
from credkit.core.sentences import redacted_repr
from credkit.privacy.accountroom import (
    ACCOUNT_DIGITS,
    ACCOUNT_ROOM_PATTERN,
    BLANKS,
    JOINTS,
    TRACK_ROOM_PATTERN,
    TYPED_ROOM_PATTERN,
    may_hold_account,
)
from credkit.privacy.accounts import hide_all_but_account_ends, holds_account, holds_track, mask_accounts, track_numbers
from credkit.privacy.accountsearch import ISSUER_FIRST_DIGITS, ISSUERS, find_numbers
from credkit.privacy.payment import (
    NO_PAYMENT_DATA,
    has_account_room,
    is_declared,
    payment_in_decoded,
    payment_in_reading,
    payment_in_texts,
    payment_in_valid,
)
from credkit.privacy.validtracks import failing_holds_track, valid_holds_track
from tests.amounts import examples
from tests.commandline import ACCOUNT, CHAIN
from tests.tracks import TRACK_1, TRACK_2, naked

if TYPE_CHECKING:
    from _typeshed import TraceFunction

WRONG = "4114360123456795"  # the same number with one digit changed: its check digit is wrong
LICENCE = ";636000123456786=301220010101?"  # issuer 636000 (AAMVA, from memory); the number is made up
REST = "30121010000000000"


# What a track is: its shape, ISO/IEC 7813.


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (TRACK_2, f";411436******6785={'*' * 17}?"),
        (TRACK_1, "%B411436******6785^********/****^**********?"),
        (TRACK_1 + TRACK_2, f"%B411436******6785^********/****^**********?;411436******6785={'*' * 17}?"),
        (f";{WRONG}={REST}?", f";411436******6795={'*' * 17}?"),
        (f"%b{WRONG}^terminal/test^3012101000?", "%b411436******6795^********/****^**********?"),
        (f";{WRONG}:{REST}?", f";411436******6795:{'*' * 17}?"),  # the separator is garbled
        (f";{WRONG}={REST}", f";411436******6795={'*' * 17}"),  # no end sentinel
        (f"{ACCOUNT}={REST}?", f"411436******6785={'*' * 17}?"),  # no start sentinel: by its check digit
        (f"x{ACCOUNT}^TERMINAL/TEST^3012101000", "x411436******6785^********/****^**********"),
        (f"{WRONG}=3012101?", f"{WRONG}=3012101?"),
        (f"{ACCOUNT}=301", "411436******6785=301"),  # four digits make it a track
        (f"read: found {TRACK_2}, expected 3", f"read: found ;411436******6785={'*' * 17}?, expected 3"),
        (f"gate ;{WRONG}=3012 EAST", "gate ;411436******6795=**** ****"),
        (f";{WRONG}?{REST}?", f";411436******6795?{'*' * 17}?"),  # the separator became an end sentinel
        (f";{ACCOUNT}5{REST}?", f";411436{'*' * 28}?"),  # the separator became a digit
        (f";{ACCOUNT}{REST}?", f";411436{'*' * 27}?"),  # the separator is gone
        (f";411436012345x785={REST}?", f";411436{'*' * 10}={'*' * 17}?"),  # a digit became a letter
        (f";9{ACCOUNT[1:]}={REST}?", f";911436{'*' * 10}={'*' * 17}?"),
        (f"9{ACCOUNT}={REST}?", f"9411436******6785={'*' * 17}?"),  # the start sentinel became a digit
    ],
)
def test_tracks_are_masked(text: str, said: str) -> None:
    assert mask_accounts(text) == said
    assert mask_accounts(said) == said, "masking once more changes nothing"
    assert holds_account(text) == (said != text)


@pytest.mark.parametrize(
    "text",
    [
        ";0000045678=2?",
        ";1234567890123456=1?",  # first digit 1: no payment card
        ";2345678901=1234?",
        ";234567890123=2?",  # twelve digits
        f";{WRONG}",  # a wrong check digit, and nothing of a track behind it
        f";{WRONG}?",
        f";{WRONG}=9913101?",  # month 13
        "4111111111111 and 17 digits: 41143601234567853",  # no issuer of the prefix 4 has 17 digits
        "224-114360123456785",  # a manufacturer and a serial
        "62-281474976710655",
        "4114x3601x2345x6785",  # a letter parts two numbers
        "4285674856F516",  # hexadecimal
        "4114;3601;2345;6785",  # cells of a row
        "04:11:22:33:44:55:66",
        "2026-11-30 07:40:00.123456",
        "30.11.2026 07:40:00",
        "even parity over bits 40, 41, 42, 43, 44, 45, 46, 47",
        ";0000000012345678=301210112345?",  # a number of a site, filled up with zeros, and an expiry
        "%BRACKWATER^EAST^0123?",
        "%B12^EAST^3012101?",
        "+01234567890?",
        "a;b;c=1;d=2;e%f^g=3;h",
        LICENCE,
        ";6044260123456789=301220010101?",
        "D0439458210C2C19A0846D83685A1082108CE73984108CA3FC",  # TIG SCEPACS v2.3, figures 8-10
        "10111101110110010011011101",
        "facility=123 number=45678; no such thing (100%)",
    ],
)
def test_what_is_no_payment_data_is_left_alone(text: str) -> None:
    assert mask_accounts(text) == text
    assert not holds_account(text)
    assert not holds_track(text)


def test_a_licence_is_no_payment_track_but_may_hold_what_looks_like_a_number() -> None:
    number = "6360001234567800"
    good = number[:-1] + luhn.calc_check_digit(number[:-1])
    assert not holds_track(f";{good}=301220010101?")
    assert mask_accounts(f";{good}=301220010101?") == f";{good[:6]}{'*' * 6}{good[-4:]}=301220010101?"


@pytest.mark.parametrize(
    ("text", "found", "whole"),
    [
        (TRACK_2, {ACCOUNT}, True),
        (TRACK_2.strip(";?"), {ACCOUNT}, True),
        (TRACK_1 + f";{WRONG}={REST}?", {ACCOUNT, WRONG}, True),
        (f";{WRONG}={REST}?", {WRONG}, True),
        (f"5711{ACCOUNT}D{REST}F", {ACCOUNT}, True),  # chip data, EMV Book 3
        (ACCOUNT, set(), False),
        (f";{ACCOUNT}?", set(), False),  # a number alone
        (f"{ACCOUNT} 203", set(), False),
        (f";{ACCOUNT}:{REST}?", {ACCOUNT}, False),  # garbled: masked, but no track that reads well
        (f";{WRONG}:{REST}?", {WRONG}, False),
        (f";{ACCOUNT}{REST}?", {f"{ACCOUNT}{REST}"}, False),
        (f";{ACCOUNT}=3x12101?", {ACCOUNT}, False),
        (f";{ACCOUNT}=01?", {ACCOUNT}, False),  # no expiry: an issue of a site's own card
        ("02F764DD", set(), False),
    ],
)
def test_a_track_is_more_than_a_number(text: str, found: set[str], whole: bool) -> None:
    assert track_numbers(text) == found
    assert holds_track(text) == whole


@pytest.mark.parametrize(
    ("text", "said"),
    [
        *[
            (joint.join(re.findall("....", ACCOUNT)), joint.join(("4114", "36**", "****", "6785")))
            for joint in (" ", "-", ".", "/", "_", ":", ",", "\t", "\u00a0", "\u202f")
        ],
        (":".join(re.findall("..", ACCOUNT)), "41:14:36:**:**:**:67:85"),
        (" ".join(ACCOUNT), "4 1 1 4 3 6 * * * * * * 6 7 8 5"),
        ("411436 0123456785", "411436 ******6785"),
        ("4.114.360.123.456.785", "4.114.36*.***.**6.785"),
        ("4,114360123456785E+15", "4,11436******6785E+15"),
        ("4.114360123456785e15", "4.11436******6785e15"),
        ("4.11436012345678E+15", "4.11436*****5678E+15"),  # its last digit is lost: the check digit tells it
        ("4.11436E+15", "4.11436E+15"),  # no more than may be shown
        ("4.114360123456795E+15", "4.114360123456795E+15"),  # a wrong check digit
        (f"{ACCOUNT}.00", "411436******6785.00"),
        (f"9F26085A08{ACCOUNT}5F24", "9F26085A08411436******67855F24"),  # tag 5A of chip data, EMV Book 3
        (f"5a08{ACCOUNT}", "5a08411436******6785"),
        ("5A 08 41 14 36 01 23 45 67 85", "5A 08 41 14 36 ** ** ** 67 85"),
        (f"5711{ACCOUNT}D3012101", "5711411436******6785********"),  # tag 57
        (f"9F6B13{ACCOUNT}D{REST}F", f"9F6B13411436******6785{'*' * 19}"),  # tag 9F6B, EMV Contactless Book C-2
    ],
)
def test_digits_are_found_however_they_are_parted(text: str, said: str) -> None:
    assert mask_accounts(text) == said
    assert mask_accounts(said) == said
    assert holds_account(text) == (said != text)


def test_the_prefixes_of_issuers_are_in_order_and_apart() -> None:
    for first, last, lengths in ISSUERS:
        assert len(first) == len(last)
        assert first <= last
        assert first[0] in ISSUER_FIRST_DIGITS
        assert set(lengths) <= set(ACCOUNT_DIGITS)
    assert [row[0] for row in ISSUERS] == sorted(row[0] for row in ISSUERS)


def test_hidden_shows_the_ends_of_account_numbers_only() -> None:
    assert hide_all_but_account_ends(f"EAST {ACCOUNT} x") == "**** 411436******6785 *"
    assert hide_all_but_account_ends(TRACK_2) == f"*411436******6785{'*' * 19}"
    assert hide_all_but_account_ends("5B'&&'\"-à&é") == "*" * 11
    assert hide_all_but_account_ends(f"{REST[:16]}", only={ACCOUNT}) == "*" * 16
    assert hide_all_but_account_ends(f"{ACCOUNT} {ACCOUNT[:-1]}3", only={ACCOUNT}) == f"411436******6785 {'*' * 16}"


@given(st.sampled_from((TRACK_1, TRACK_2)), st.data())
def test_one_changed_character_uncovers_nothing(track: str, data: st.DataObject) -> None:
    place = data.draw(st.integers(0, len(track) - 1))
    char = data.draw(st.sampled_from(string.printable) | st.characters())
    mutated = track[:place] + char + track[place + 1 :]
    assert track_numbers(mutated)
    for text in (mutated, f"gate 7 said '{mutated}', twice", f"{mutated}{TRACK_2}", f"{TRACK_1}{mutated}"):
        said = mask_accounts(text)
        assert not naked(said)
        assert "012345" not in said
        assert not re.search("30121010|TERMINA|ERMINAL", said)
        assert mask_accounts(said) == said
    assert not naked(hide_all_but_account_ends(mutated))


def test_every_printable_change_of_every_character_uncovers_nothing() -> None:
    count = 0
    for track in (TRACK_1, TRACK_2):
        for place in range(len(track)):
            for char in string.printable:
                said = mask_accounts(track[:place] + char + track[place + 1 :])
                assert not naked(said), said
                assert not re.search("30121010|TERMINA|ERMINAL", said), said
                count += 1
    assert count == (len(TRACK_1) + len(TRACK_2)) * 100


@given(
    st.lists(
        st.sampled_from([*"0123456=^;%B?D -", ACCOUNT, WRONG, TRACK_1, TRACK_2, REST, "2345678901234", "9" * 19])
        | st.sampled_from([*f"{JOINTS}{BLANKS}", ACCOUNT[:4], ACCOUNT[4:8], ACCOUNT[8:], f"4.{ACCOUNT[1:]}E+15"])
        | st.characters(categories=("Nd", "No", "Zs", "Pd", "Po", "L"))  # digits of other scripts, other separators
    ).map("".join)
)
@example(f"{ACCOUNT[0]}.{ACCOUNT[1:11]}E+15")  # as short as they come
def test_no_text_without_room_is_masked(text: str) -> None:
    is_found = any(True for _ in find_numbers(text))  # by the search itself, whatever the quick questions say
    has_room = re.search(ACCOUNT_ROOM_PATTERN, text) is not None and len(text) >= ACCOUNT_DIGITS.start
    assert is_found <= has_room
    assert is_found <= may_hold_account(text)
    assert (mask_accounts(text) != text) <= is_found
    assert pl.Series([text]).str.contains(ACCOUNT_ROOM_PATTERN).item() == bool(re.search(ACCOUNT_ROOM_PATTERN, text))
    if is_found:
        assert re.search(TYPED_ROOM_PATTERN, text)


JOINED = "-".join(ACCOUNT[start : start + 4] for start in range(0, 16, 4))
TRACK_PARTS = [
    *"0123456=^;%BDd ?-",
    ACCOUNT,
    JOINED,
    "5A08",
    "5710",
    "=3012",
    "D3012",
    "^NAME^3012101",
    "E+15",
    TRACK_1,
    TRACK_2,
]


@given(st.lists(st.sampled_from(TRACK_PARTS), max_size=8).map("".join))
@examples(1000)
def test_every_track_that_reads_well_has_the_pattern_of_one(text: str) -> None:
    is_track = any(each.whole for each in find_numbers(text))
    assert holds_track(text) == is_track
    assert is_track <= (re.search(TRACK_ROOM_PATTERN, text) is not None)


@pytest.mark.parametrize(
    "track", [TRACK_1, TRACK_2, f"{ACCOUNT}=3012", f"{JOINED}=3012", f"5710{ACCOUNT}D3012", f"5A08{ACCOUNT}D3012"]
)
def test_tracks_that_read_well_are_there_to_be_found(track: str) -> None:
    """The law above would be empty without them."""
    assert any(each.whole for each in find_numbers(track))
    assert re.search(TRACK_ROOM_PATTERN, track)


def test_the_search_for_naked_digits_would_find_them() -> None:
    assert len(naked(TRACK_2)) == 7
    assert naked(f"x{ACCOUNT[6:]}x") == [ACCOUNT[6:]]


@given(st.sampled_from(("4", "51", "2221", "62")), st.text("0123456789", min_size=15), st.text("0123456789"))
def test_a_number_before_an_expiry_date_needs_no_check_digit(first: str, digits: str, rest: str) -> None:
    number, rest = f"{first}{digits}"[:16], f"3012101{rest}"
    said = mask_accounts(f";{number}={rest}?")
    assert said == f";{number[:6]}{'*' * (len(number) - 10)}{number[-4:]}={'*' * len(rest)}?"


def test_of_sites_tracks_few_look_like_payment_tracks() -> None:
    random = Random(7)

    def digits(count: int) -> str:
        return "".join(random.choice("0123456789") for _ in range(count))

    shapes: list[tuple[Callable[[], str], float]] = [
        (lambda: f";{digits(8)}={digits(4)}?", 0),
        (lambda: f";{digits(10)}={digits(1)}={digits(6)}?", 0),
        (lambda: f";{digits(8).zfill(16)}=3012{digits(6)}?", 0),
        (lambda: f";{digits(26)}?", 0),
        (lambda: f";{digits(16)}={digits(2)}?", 0),
        (lambda: f";{digits(16)}={digits(10)}?", 0.01),
        (lambda: digits(26), 0),
    ]
    for shape, most in shapes:
        assert sum(holds_track(shape()) for _ in range(2000)) <= 2000 * most


# Sentences and long texts.


def test_no_sentence_of_the_library_shows_a_track() -> None:
    said = []
    for text in (TRACK_1, TRACK_2, f";{WRONG}={REST}?", f";411436012345x785={REST}?"):
        for name in ("hex:8,colon", "template:{n:05d}", "track:3", "track-2:number", "track-1:a"):
            for value in (text, f"{text}x", f" {text}", text * 3):
                with pytest.raises(CredkitError) as caught:
                    credkit.decode(name, value)
                said.append(str(caught.value))
        said += [
            redacted_repr(text),
            redacted_repr({"track": text}),
            redacted_repr({"account": ACCOUNT, "expiry": "3012", "name": "TERMINAL"}),
        ]
    for sentence in said:
        assert not naked(sentence)
        assert not re.search("0123456|30121010|3012 |TERMINA", sentence), sentence
    assert sum("411436" in sentence for sentence in said) > 20


TRAPS = [
    "1 0 ", "4 ", "41 ", ";4114", ";", "%B", f"%B{ACCOUNT}^", f"{ACCOUNT}=3012", ";4x", ";411436012345", "0", "4", "01",
    f";{ACCOUNT}^AA^", "?;", f"{ACCOUNT} ",
]  # fmt: skip


@pytest.mark.parametrize("trap", TRAPS)
def test_the_work_grows_with_the_text_and_no_faster(trap: str) -> None:
    """Steps of the interpreter are counted, not time: twice the text may take little more than twice the steps."""

    def steps(count: int) -> int:
        text = trap * count
        done = 0

        def step(frame: FrameType, event: str, arg: Any) -> TraceFunction:
            nonlocal done
            done += 1
            return step

        before = sys.gettrace()
        sys.settrace(step)
        try:
            mask_accounts(text)
            holds_track(text)
        finally:
            sys.settrace(before)
        return done

    assert steps(800) <= 2.5 * steps(400) + 200


def test_fields_beside_an_account_number_are_hidden_where_they_are_texts() -> None:
    assert redacted_repr({"account": ACCOUNT, "expiry": "3012", "n": 7}) == "account=411436******6785 expiry=**** n=7"
    assert redacted_repr({"account": "0123", "expiry": "3012"}) == "account=0123 expiry=3012"
    assert redacted_repr({"number": int(ACCOUNT), "site": "EAST"}) == "number=411436******6785 site=EAST"


# Readings.


def test_what_a_chain_has_no_room_for() -> None:
    for name in (CHAIN, "decimal:32/serial-32", "hex:8", "hex:14/fields:number:56", "template:{number:011d}"):
        assert not has_account_room(chain(name)), name
    for name in (
        "strip",
        "template:{number:012d}",
        "hex:20/bcd",
        "binary/track-2-bits",
        "track-2",
        "keyboard:de/hex:8",
    ):
        assert has_account_room(chain(name)), name


def test_an_account_number_is_found_at_any_step() -> None:
    for name, text in (
        ("strip", f" {ACCOUNT} "),
        ("last-digits:16/decimal:56", f"99{ACCOUNT}"),
        ("template:{site:02d}{number:016d}", f"99{ACCOUNT}"),
        ("hex:20/bcd", f"0000{ACCOUNT}"),
        ("hex:18,colon/bcd:F", ":".join(re.findall("..", f"{ACCOUNT}FF"))),
    ):
        codec = chain(name)
        assert payment_in_decoded(codec, text, codec.inspect(text)) == (True, frozenset(), False), name
        assert payment_in_valid(codec, text).has_account, name
    codec = chain(CHAIN)
    assert payment_in_decoded(codec, "02F764DD", codec.inspect("02F764DD")) == NO_PAYMENT_DATA


def test_decimal_digits_in_a_layout_are_digits() -> None:
    fields = {"account": {"bits": "0-63", "code": "bcd"}, "rest": "64-71"}
    layout = {"title": "a badge", "source": "made up", "length": 72, "fields": fields,
              "examples": [{"bits": "0" * 72, "fields": {"account": 0, "rest": 0}}]}  # fmt: skip
    codec = chain("hex:18/badge", codecs=layout_entries({"badge": layout}))
    for text, account in ((f"{ACCOUNT}07", True), (f"{WRONG}07", False)):
        assert payment_in_decoded(codec, text, codec.inspect(text)).has_account == account
        assert payment_in_reading(codec.inspect(text)).has_account == account


def test_a_number_that_is_computed_is_none() -> None:
    for name, text in (
        ("hex:14/fields:number:56", f"{int(ACCOUNT):014X}"),
        ("binary/serial-56-parity", chain("binary/serial-56-parity").encode({"number": int(ACCOUNT)})),
        ("decimal:56/fields:number:56/offset:number,1", str(int(ACCOUNT) - 1)),
    ):
        codec = chain(name)
        assert codec.decode(text)["number"] == int(ACCOUNT)
        assert (
            payment_in_decoded(codec, text, codec.inspect(text)) == payment_in_valid(codec, text) == NO_PAYMENT_DATA
        ), name
        assert payment_in_reading(codec.inspect(text)) == NO_PAYMENT_DATA, name


def test_chains_that_say_what_their_numbers_are() -> None:
    for name in ("decimal:56/uid-a-7", "strip/hex:16/reverse-bytes/uid-15693", "hex:8/right-justified:26/wiegand-26"):
        assert is_declared(chain(name)), name
    for name in (
        "decimal:56/fields:number:56",
        "decimal:56",
        "track-2",
        "template:{n:016d}",
        "hex:20/bcd",
    ):
        assert not is_declared(chain(name)), name


def test_a_track_is_found_at_any_step() -> None:
    for name, text in (
        ("track:1", TRACK_1 + TRACK_2),
        ("keyboard:us,caps/track:1", "%b4114360123456785^terminal/test^3012101000?"),
        ("strip:x/last-digits:4", f"x{TRACK_2[:-1]}"),
    ):
        codec = chain(name)
        assert payment_in_decoded(codec, text, codec.inspect(text)).track_numbers == {ACCOUNT}, name
        assert payment_in_valid(codec, text).track_numbers == {ACCOUNT}, name


def test_texts_beside_one_another_are_not_joined() -> None:
    assert payment_in_texts(["41143601", "23456785"]) == NO_PAYMENT_DATA


# The quick answer for many texts is the one of the search that explains: whether a track reads well at any step.


QUICK_CHAINS = ("binary/track-2-bits", "binary/track-2-bits/track-2:number", "binary/track-1-bits",
                "binary/invert/track-2-bits",
                "track:2/track-2:number,issue", "strip", "hex:40/bcd/strip", "binary/track-2-bits/last-digits:4",
                "hex:8/right-justified:26/wiegand-26", "keyboard:us,caps/track:1")  # fmt: skip
DAMAGES = (lambda text: text[::-1], lambda text: text.translate({48: 49, 49: 48}), lambda text: text[5:],
           lambda text: f"0000{text}00", lambda text: text.replace("=", "D"), lambda text: text[:20] + "1" + text[21:],
           lambda text: text.translate({59: 231, 61: 95}), lambda text: text)  # fmt: skip


@pytest.mark.parametrize("name", QUICK_CHAINS)
@pytest.mark.parametrize("text", [TRACK_2, TRACK_1, TRACK_2[1:-1], ";57000042184=01?"])
def test_the_quick_answer_on_tracks_is_that_of_the_search(name: str, text: str) -> None:
    codec = chain(name)
    found = set()
    for bits in ("track-2-bits:5,7", "track-1-bits", ""):
        try:
            written = chain(f"binary/{bits}").encode(text) if bits else text
        except EncodeError:
            continue
        for damage in DAMAGES:
            given = damage(written)
            reading = codec.inspect(given)
            if reading.ok:
                expected = payment_in_valid(codec, given).has_valid_track
                assert valid_holds_track(codec, given) == expected, given
            else:
                expected = payment_in_decoded(codec, given, reading).has_valid_track
                assert failing_holds_track(codec, given) == expected, given
            found.add(expected)
    assert found == ({False} if ACCOUNT not in text else {False, True})
