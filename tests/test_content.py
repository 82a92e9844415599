"""Contents: random ones against one big regular expression, the tracks of the catalogue, faulty definitions."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path
from random import Random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from stdnum import ean, luhn
from stdnum.iso7064 import mod_11_10, mod_37_36

from credkit import DecodeError, DefinitionError, EncodeError, Field, TextField, chain, content_entries, layout_entries
from credkit.core.codec import AnyCodec
from credkit.core.contract import check_fields
from credkit.site import load_site
from credkit.tables.characters import ALPHANUMERIC, NUMERIC
from credkit.tables.content import ContentCodec
from credkit.tables.itemdefinition import letters
from credkit.tables.items import format_ranges
from tests.amounts import fewest
from tests.brackwater import HEADER
from tests.commandline import run
from tests.contentstrategies import content_definition
from tests.sentences import refusal
from tests.strategies import damaged, noise, randoms, valid
from tests.test_laws import agreed, obey


def made(*items: dict[str, Any], **more: Any) -> AnyCodec:
    return content_entries({"gate": {"items": list(items), **more}})[0].build()


def refused(*items: Any, **more: Any) -> str:
    with pytest.raises(DefinitionError) as caught:
        content_entries({"gate": {"items": list(items), **more}})
    assert "\n" not in str(caught.value)
    return str(caught.value)


def unread(codec: AnyCodec, text: str) -> str:
    with pytest.raises(DecodeError) as caught:
        codec.decode(text)
    return str(caught.value).removeprefix("gate: ")


def unwritten(codec: AnyCodec, **fields: Any) -> str:
    with pytest.raises(EncodeError) as caught:
        codec.encode(fields)
    return str(caught.value).removeprefix("gate: ")


# ── a second reading of a definition ────────────────────────────────────────────────────────────

COMPUTED = {  # python-stdnum, an independent library of check digits
    "luhn": luhn.calc_check_digit,
    "mod-11-10": mod_11_10.calc_check_digit,
    "mod-37-36": mod_37_36.calc_check_digit,
}


def one_expression(table: dict[str, Any]) -> re.Pattern[str]:
    """The whole text as one regular expression, which tries every way to split it."""
    start, end = {1: "%?", 2: ";?", 3: ";?", "7-bit": "%?", "5-bit": ";?", None: ("", "")}[
        table.get("track", table.get("set"))
    ]
    pattern = re.escape(start)
    for number, item in enumerate(table["items"]):
        if "constant" in item:
            pattern += re.escape(item["constant"])
        elif "check" in item:
            pattern += f"(?P<check_{number}>[{'0-9A-Z' if item['check'] == 'mod-37-36' else '0-9'}])"
        else:
            pattern += f"(?P<{item['field']}>{'|'.join(written(item))})"
    return re.compile(pattern + re.escape(end), re.DOTALL)


def written(item: dict[str, Any]) -> list[str]:
    """Every way in which a field can be written: one expression for each number of characters of its value."""
    count = str(item.get("text", item.get("digits")))
    least, _, most = count.partition("-")
    sizes = range(int(least), int(most or least) + 1)
    pad = re.escape(item.get("pad", ""))
    found = []
    for size in sizes:
        value = "[0-9]" if "digits" in item else f"[{re.escape(letters(item['of'], ''))}]"
        value = f"[1-9][0-9]{{{size - 1}}}" if "digits" in item and most and size > 1 else f"{value}{{{size}}}"
        if "short" in item and size < sizes[-1]:
            value += re.escape(item["short"])
        elif pad:
            fill = f"{pad}{{{item['width'] - size}}}"
            if size and item["align"] == "right":
                value = f"{fill}(?!{pad}){value}"
            else:
                value = f"{value}(?<!{pad}){fill}" if size else fill
        found.append(value)
    return [*found, re.escape(item["absent"])] if "absent" in item else found


def second_reading(table: dict[str, Any], text: str) -> dict[str, Any] | None:
    """The fields of ``text`` by the rules of the definition's prose, or None."""
    match = one_expression(table).fullmatch(text)
    if not match:
        return None
    fields: dict[str, Any] = {}
    for number, item in enumerate(table["items"]):
        if "field" in item:
            value = match[item["field"]]
            if value == item.get("absent"):
                value = ""
            if "pad" in item:
                value = value.lstrip(item["pad"]) if item["align"] == "right" else value.rstrip(item["pad"])
            fields[item["field"]] = int(value) if "digits" in item else value.removesuffix(item.get("short", "\0"))
        elif "check" in item:
            ends = {row["field"]: row.get("short", "\0") for row in table["items"] if "field" in row}
            payload = "".join(match[name].removesuffix(ends[name]) for name in item.get("over", ()))
            if "over" not in item:
                payload = "".join(char for char in text[: match.start(f"check_{number}")] if char.isalnum())
            if computed(item, payload) != match[f"check_{number}"]:
                return None
    for row in table.get("checks", ()):
        value = fields[row["luhn"]]
        if value and not luhn.is_valid(value):
            return None
    return fields


def computed(row: dict[str, Any], payload: str) -> str:
    if row["check"] in COMPUTED:
        return str(COMPUTED[row["check"]](payload))
    weights = row["weights"] * len(payload)
    return str(-sum(int(digit) * weight for digit, weight in zip(payload[::-1], weights, strict=False)) % 10)


def test_random_contents() -> None:
    """The laws, and the same fields as the second reading finds, in what was written and in what was damaged."""
    seen: Counter[str] = Counter()

    @given(randoms())
    def law(random: Random) -> None:
        table = content_definition(random)
        codec = content_entries({"random": table})[0].build()
        for _ in range(3):
            obey(codec, random, seen)
            text = codec.encode(valid(random, codec))
            if random.randrange(3):
                text = _damaged(random, text)
            expected = second_reading(table, text)
            assert agreed(codec, text) == expected
            assert expected is None or codec.encode(expected) == text, "what is read is written as it was"
            seen["same" if expected is not None else "refused"] += 1

    law()
    assert not seen["not written"]
    assert min(seen[word] for word in ("accepted", "rejected", "same", "refused")) > fewest(20)


def _damaged(random: Random, text: str) -> str:
    """One character more, less or changed, each by one that the text has elsewhere."""
    at = random.randrange(len(text))
    char = random.choice(text + "07A")
    return random.choice((text[:at] + char + text[at:], text[:at] + text[at + 1 :], text[:at] + char + text[at + 1 :]))


def test_every_kind_of_item_is_drawn() -> None:
    """Or the law above would prove little."""
    keys: Counter[str] = Counter()
    for seed in range(300):
        table = content_definition(Random(seed))
        keys.update({key for item in table["items"] for key in item} | set(table))
    for key in ("constant", "digits", "text", "absent", "short", "pad", "check", "over", "checks", "track", "set"):
        assert keys[key] > 10, key


# ── kinds of items, by hand ─────────────────────────────────────────────────────────────────────


def test_whole_numbers() -> None:
    codec = made({"field": "number", "digits": 8}, {"constant": "-"}, {"field": "issue", "digits": "1-3"})
    assert codec.decode("00000042-7") == {"number": 42, "issue": 7}
    assert codec.encode({"number": 42, "issue": 0}) == "00000042-0"
    assert codec.schema == {"number": Field(name="number", most=99999999), "issue": Field(name="issue", most=999)}
    assert unread(codec, "0000042-7") == "item 1, number, fails: character 7 is '-', expected 8 decimal digits"
    assert unread(codec, "00000042-07") == (
        "item 3, issue, fails: character 9 is '0', expected 1 to 3 decimal digits without a zero in front"
    )
    assert unread(codec, "00000042-1234") == (
        "item 3, issue, fails: character 12 is '4', expected 1 to 3 decimal digits without a zero in front and no more"
    )
    assert unread(codec, "00000042-") == (
        "item 3, issue, fails: found '00000042-', expected 1 to 3 decimal digits without a zero in front "
        "from character 9 on"
    )
    assert unread(codec, "٠٠٠٠٠٠٤٢-7").startswith("item 1, number, fails: character 0 is '٠'")
    assert unwritten(codec, number=100000000, issue=1) == "number is 100000000, outside 0 to 99999999"
    assert unwritten(codec, number="00000042", issue=1) == "number is '00000042', not a whole number"
    assert made({"field": "number", "digits": "3-5"}).schema["number"] == Field(name="number", least=100, most=99999)


def test_texts_keep_every_character() -> None:
    codec = made({"field": "name", "text": "0-5", "of": "A-Z -"}, {"constant": "/"}, {"field": "rest", "text": 2})
    assert codec.decode("A -B/~ ") == {"name": "A -B", "rest": "~ "}
    assert codec.decode("/  ") == {"name": "", "rest": "  "}
    assert unwritten(codec, name="ABCDEF", rest="  ").startswith("name is 'ABCDEF', 6 characters, expected 0 to 5 of")
    assert unread(codec, "ABCDEF/  ") == (
        "item 1, name, fails: character 5 is 'F', expected 0 to 5 of '- A-Z' and no more"
    )
    assert unread(codec, "abc/  ") == "item 2, the constant '/', fails: character 0 is 'a', expected '/'"
    assert unread(codec, "A/ é") == "item 3, rest, fails: character 3 is 'é', expected 2 of ' -~'"
    assert unread(codec, "A/  x") == "the end of the text fails: character 4 is 'x', expected nothing more"
    assert unread(codec, "") == "item 2, the constant '/', fails: found '', expected '/' from character 0 on"


def test_values_are_filled_up() -> None:
    codec = made(
        {"field": "name", "text": "0-4", "of": "A-Z ", "pad": " ", "width": 6},
        {"field": "number", "digits": "1-4", "pad": " ", "align": "right"},
        {"field": "issue", "text": "1-2", "of": "0-9", "pad": "0", "width": 3, "align": "right"},
    )
    assert codec.decode("A B     12007") == {"name": "A B", "number": 12, "issue": "7"}
    assert codec.encode({"name": "", "number": 1234, "issue": "10"}) == "      1234010"
    assert codec.schema["issue"] == TextField(
        name="issue", letters="0123456789", lengths=range(1, 3), pad="0", padded="left"
    )
    assert unwritten(codec, name="A ", number=1, issue="1") == "name is 'A ', which ends with the padding ' '"
    assert unwritten(codec, name="A", number=1, issue="01") == "issue is '01', which begins with the padding '0'"
    assert unread(codec, "ABCDE   12007").startswith("item 1, name, fails: character 0 is 'A', expected 0 to 4 of")
    assert unread(codec, "A B    1 2007").startswith("item 2, number, fails: character 6 is ' '")
    assert unread(codec, "A B     12000") == (
        "item 3, issue, fails: character 10 is '0', expected 1 to 2 decimal digits, filled up to 3 with '0'"
    )
    reading = codec.inspect("A B     12007")
    assert [(part.name, part.at, part.value) for part in reading.parts] == [
        ("name", tuple(range(6)), "A B"), ("number", (6, 7, 8, 9), 12), ("issue", (10, 11, 12), "7"),
    ]  # fmt: skip


def test_short_values_are_ended() -> None:
    codec = made({"field": "city", "text": "0-4", "of": "A-Z", "short": "^"}, {"field": "rest", "text": "0-9"})
    for text, fields in {
        "EAST": {"city": "EAST", "rest": ""},
        "EASTER": {"city": "EAST", "rest": "ER"},
        "EAST^": {"city": "EAST", "rest": "^"},
        "SEA^": {"city": "SEA", "rest": ""},
        "^A": {"city": "", "rest": "A"},
    }.items():
        assert codec.decode(text) == fields
        assert codec.encode(fields) == text
    assert unread(codec, "SEA") == (
        "item 1, city, fails: found 'SEA', expected 0 to 4 of 'A-Z', ended by '^' if fewer than 4 from character 0 on"
    )


def test_absent_values() -> None:
    codec = made(
        {"field": "a", "text": 4, "of": "0-9", "absent": "="}, {"field": "b", "text": "1-3", "absent": "~", "of": "0-9"}
    )
    assert codec.decode("12347") == {"a": "1234", "b": "7"}
    assert codec.decode("=~") == {"a": "", "b": ""}
    assert codec.encode({"a": "", "b": "123"}) == "=123"
    assert codec.schema["a"] == TextField(name="a", letters="0123456789", lengths=range(0, 5, 4))
    assert unwritten(codec, a="12", b="").startswith("a is '12', 2 characters, expected 0 or 4 of")
    assert unread(codec, "12=~") == "item 1, a, fails: character 2 is '=', expected 4 decimal digits, or '=' for none"


# ── check characters ────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("rule", "of", "valid_number"),
    [
        ("luhn", "0-9", luhn.is_valid),
        ("mod-11-10", "0-9", mod_11_10.is_valid),
        ("mod-37-36", "0-9A-Z", mod_37_36.is_valid),
    ],
)
def test_check_characters_are_those_of_another_library(rule: str, of: str, valid_number: Any) -> None:
    """python-stdnum finds every number right that a content writes, and nothing else passes."""
    apart = made(
        {"field": "number", "text": "1-12", "of": of, "pad": "0", "width": 12, "align": "right"}, {"check": rule}
    )
    closing = made({"field": "number", "text": "1-20", "of": of}, checks=[{rule: "number"}])
    alphabet = letters(of, "")

    @given(st.text(alphabet, min_size=1, max_size=12).filter(lambda text: text[0] != "0"), st.sampled_from(alphabet))
    def law(number: str, other: str) -> None:
        text = apart.encode({"number": number})
        assert valid_number(text)
        assert closing.decode(text) == {"number": text}
        for codec in (apart, closing):
            reading = codec.inspect(text[:-1] + other)
            assert reading.ok == valid_number(text[:-1] + other)
            assert [check.rule for check in reading.checks] == [rule]
        if other != text[-1]:
            with pytest.raises(EncodeError, match=f"the {rule} check character of number is"):
                closing.encode({"number": text[:-1] + other})

    law()


@given(st.integers(0, 10**12 - 1))
def test_weights_are_those_of_article_numbers(number: int) -> None:
    """Article numbers (GS1 General Specifications; from memory): weights 3 and 1 from the right."""
    codec = made({"field": "number", "digits": 12}, {"check": "mod-10", "over": ["number"], "weights": [3, 1]})
    assert ean.is_valid(codec.encode({"number": number}))


def test_what_a_check_character_covers() -> None:
    codec = made(
        {"constant": "G9-"},
        {"field": "city", "text": "0-4", "of": "A-Z", "short": "^"},
        {"field": "number", "digits": 4},
        {"check": "mod-37-36"},
        {"check": "luhn", "over": ["number"]},
    )
    text = codec.encode({"city": "SEA", "number": 17})
    assert text[:-2] == "G9-SEA^0017"
    assert text[-2] == mod_37_36.calc_check_digit("G9SEA0017")
    assert text[-1] == luhn.calc_check_digit("0017")
    first, second = codec.inspect(text).checks
    assert (first.at, first.covers) == ((11,), (0, 1, 3, 4, 5, 7, 8, 9, 10))
    assert (second.at, second.covers) == ((12,), (7, 8, 9, 10))
    assert 2**second.evidence == pytest.approx(10)
    assert unread(codec, text[:-1] + ("1" if text[-1] == "0" else "0")).startswith(
        "the luhn check character over number fails: character 12 is"
    )


def test_rules_that_occur_twice_are_told_apart() -> None:
    codec = made(
        {"field": "a", "digits": 3}, {"check": "luhn", "over": ["a"]}, {"field": "b", "text": 3, "of": "0-9"},
        checks=[{"luhn": "b"}],
    )  # fmt: skip
    reading = codec.inspect("0000018")
    assert [(check.rule, check.at, check.passed) for check in reading.checks] == [
        ("luhn-1", (3,), True), ("luhn-2", (6,), True),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("align", "text", "at", "covers"), [("left", "-425~~", 3, (1, 2)), ("right", "-~~425", 5, (3, 4))]
)
def test_a_check_character_stands_at_the_end_of_the_value(align: str, text: str, at: int, covers: Any) -> None:
    """Not of what it is filled up to; the check digit of 42 is 2 (ISO/IEC 7812-1, computed by python-stdnum)."""
    codec = made(
        {"constant": "-"}, {"field": "a", "text": "1-4", "of": "0-9", "pad": "~", "width": 5, "align": align},
        checks=[{"luhn": "a"}],
    )  # fmt: skip
    (check,) = codec.inspect(text).checks
    assert (check.at, check.covers, check.expected, check.found) == ((at,), covers, luhn.calc_check_digit("42"), "5")
    assert codec.encode({"a": "422"}) == text.replace("5", "2")


def test_an_empty_field_has_no_check_character() -> None:
    codec = made({"field": "a", "text": "1-5", "of": "0-9", "absent": "="}, checks=[{"luhn": "a"}])
    assert codec.decode("=") == {"a": ""}
    assert codec.encode({"a": ""}) == "="
    assert codec.inspect("=").checks == ()
    assert codec.decode("0") == {"a": "0"}
    assert unread(codec, "1") == "the luhn check character of a fails: character 0 is '1', expected 0"


# ── length, notes ───────────────────────────────────────────────────────────────────────────────


def test_the_length_counts_what_stands_on_the_track() -> None:
    """ISO/IEC 7813 counts sentinels and LRC; a text on no track has neither."""
    track = made({"field": "number", "text": "0-9", "of": "0-9"}, track=2, most=6)
    assert track.decode(";123?") == {"number": "123"}
    assert unread(track, ";1234?") == (
        "the number of characters on the track, its LRC included, fails: found 7, expected at most 6"
    )
    assert unwritten(track, number="1234") == "7 characters on the track, its LRC included, are more than 6"
    text = made({"field": "number", "text": "0-9", "of": "0-9"}, most=6)
    assert text.decode("123456") == {"number": "123456"}
    assert "found 7, expected at most 6" in unread(text, "1234567")


def test_notes() -> None:
    codec = made(
        {"field": "issue", "digits": 1}, {"field": "service", "text": "0-3", "of": "0-9"},
        remarks=[
            {"field": "issue", "values": [0], "text": "never issued", "level": "refuse", "kind": "blank"},
            {"field": "service", "values": ["", "000"], "text": "no service"},
            {"field": "service", "text": "always"},
        ],
        meanings={"service": [{"at": 0, "values": {"1": "east", "2": "west"}}, {"at": 2, "values": {"7": "night"}}]},
    )  # fmt: skip

    def notes(text: str) -> list[tuple[str, str, str, Any]]:
        return [(note.kind, note.level, note.text, note.at) for note in codec.inspect(text).notes]

    assert notes("0") == [
        ("blank", "refuse", "never issued", (0,)), ("remark", "care", "no service", ()),
        ("remark", "care", "always", ()),
    ]  # fmt: skip
    assert notes("1107") == [
        ("remark", "care", "always", (1, 2, 3)), ("meaning", "info", "service: east; night", (1, 2, 3)),
    ]  # fmt: skip
    assert notes("12") == [("remark", "care", "always", (1,)), ("meaning", "info", "service: west", (1,))]


# ── the tracks of the catalogue ─────────────────────────────────────────────────────────────────

ACCOUNT = "4114360123456785"  # the test number of the WHATWG HTML standard, autofill example


def test_financial_tracks() -> None:
    """ISO/IEC 7813, format B."""
    second = chain("financial-track-2")
    fields = {"account": ACCOUNT, "expiry": "3012", "service": "101", "discretionary": "0000000000"}
    assert second.decode(f";{ACCOUNT}=30121010000000000?") == fields
    assert second.encode(fields) == f";{ACCOUNT}=30121010000000000?"
    assert second.decode(f";{ACCOUNT}===?") == {"account": ACCOUNT, "expiry": "", "service": "", "discretionary": ""}
    first = chain("financial-track-1")
    fields = {"account": ACCOUNT, "name": "TERMINAL/TEST", "expiry": "3012", "service": "", "discretionary": "AB"}
    assert first.encode(fields) == f"%B{ACCOUNT}^TERMINAL/TEST^3012^AB?"
    for codec, text in ((second, f";{ACCOUNT}=3012101?"), (first, f"%B{ACCOUNT}^TERMINAL/TEST^3012101?")):
        reading = codec.inspect(text)
        assert [note.kind for note in reading.notes] == ["payment-data", "meaning"]
        assert reading.notes[1].text == "service: international; authorised as usual; any service"
        assert ACCOUNT not in str(reading.notes)
        wrong = text.replace(ACCOUNT, ACCOUNT[:-1] + "6")
        failed = codec.inspect(wrong).failed
        assert failed is not None
        assert failed.rule == "luhn"


def test_financial_tracks_are_as_long_as_the_standard_says() -> None:
    """79 characters on track 1, 40 on track 2, sentinels and LRC included (ISO/IEC 7813)."""
    account = "0" * 19
    second = chain("financial-track-2")
    for spare, fits in ((10, True), (11, False)):
        text = f";{account}=3012101{'0' * spare}?"
        assert len(text) + 1 == 30 + spare
        reading = second.inspect(text)
        assert reading.ok == fits
        assert [check.rule for check in reading.checks] == ["luhn", "length"]
    first = chain("financial-track-1")
    assert first.inspect(f"%B{account}^{'A' * 26}^3012101{'0' * 21}?").ok
    reading = first.inspect(f"%B{account}^{'A' * 26}^3012101{'0' * 22}?")
    assert reading.failed is not None
    assert (reading.failed.found, reading.failed.expected) == (80, "at most 79")


def test_licences() -> None:
    """AAMVA DL/ID card standard, magnetic stripe annex: city 13 and name 35 characters, ended by ^ when shorter."""
    first = chain("driving-licence-track-1")
    for city, name in (("EAST", "ROE$JANE"), ("E" * 13, "ROE"), ("EAST", "R" * 35), ("E" * 13, "R" * 35)):
        fields = {"jurisdiction": "ZZ", "city": city, "name": name, "address": "1 QUAY ROAD$GATE 2"}
        text = "%ZZ" + city + "^" * (len(city) < 13) + name + "^" * (len(name) < 35) + "1 QUAY ROAD$GATE 2?"
        assert first.encode(fields) == text
        assert first.decode(text) == fields
    longest = {"jurisdiction": "ZZ", "city": "E" * 13, "name": "R" * 35, "address": "A" * 29}
    assert len(first.encode(longest)) + 1 == 82
    second = chain("driving-licence-track-2")
    longest = {"issuer": "000000", "number": "1" * 13, "expiry": "3012", "birth": "19991231", "overflow": "==123"}
    assert len(second.encode(longest)) + 1 == 40
    assert second.decode(second.encode(longest)) == longest
    third = chain("driving-licence-track-3")
    text = third.encode(dict.fromkeys(third.schema, "") | {"postal": "12345", "height": "180"})
    assert len(text) + 1 == 82
    assert (text[:3], text[3:8], text[31:34]) == ("%  ", "12345", "180")
    assert third.decode(text)["postal"] == "12345"


def test_generic_tracks() -> None:
    named = chain("track-2:number,rest")
    assert named.decode(";0123=45?") == {"number": "0123", "rest": "45"}
    assert named.encode({"number": "", "rest": ""}) == ";=?"
    with refusal(DecodeError, rule="form", place=(8,)):
        named.decode(";0123=45=6?")
    parts = chain("track-2")
    for text in (";?", ";0?", ";==?", ";0123=45=6?", ";" + "=" * 127 + "?"):
        assert parts.encode(parts.decode(text)) == text
        assert list(parts.decode(text)) == [f"part{n}" for n in range(1, text.count("=") + 2)]
    with refusal(DecodeError, rule="form", place=()):
        parts.decode(";" + "=" * 128 + "?")
    for fields in (
        {},
        {"part2": "1"},
        {"part1": "1", "part3": "1"},
        {"part1": "1="},
        {"part1": 1},
        {f"part{n}": "" for n in range(1, 130)},
    ):
        with refusal(EncodeError):
            parts.encode(fields)


@pytest.mark.parametrize(("name", "most"), [("track-1", 79), ("track-2", 40), ("track-3", 107)])
def test_over_long_tracks_are_read_with_a_note(name: str, most: int) -> None:
    """79, 40 and 107 characters, sentinels and LRC included (ISO/IEC 7813, 4909); licence tracks of 82 exist."""
    start = "%" if name == "track-1" else ";"
    for chained in (name, f"{name}:number"):
        fits = chain(chained).inspect(f"{start}{'1' * (most - 3)}?")
        over = chain(chained).inspect(f"{start}{'1' * (most - 2)}?")
        assert fits.ok
        assert over.ok
        assert not fits.notes
        assert [(note.kind, note.level) for note in over.notes] == [("over-long", "care")]
        assert f"{most + 1} characters on the track" in over.notes[0].text


def test_the_set_of_a_track_can_be_the_other_one() -> None:
    assert chain("track-3:7-bit,number").decode("%A-17?") == {"number": "A-17"}
    assert chain("track-2:7-bit").decode("%A^17?") == {"part1": "A", "part2": "17"}
    assert chain("track-1:5-bit,a,b").decode(";1=2?") == {"a": "1", "b": "2"}
    with refusal(DecodeError, rule="form", place=(0,)):
        chain("track-3:number").decode("%A-17?")
    with refusal(DecodeError, rule="form", place=()):
        chain("track-2:number").decode(";17")


@pytest.mark.parametrize(
    "text",
    [
        "track-2:Number",
        "track-2:number,number",
        "track-2:",
        "track-2:6-bit",
        "track-2:number,7-bit",
        "financial-track-2:number",
    ],
)
def test_arguments_that_cannot_be(text: str) -> None:
    with refusal(DefinitionError):
        chain(text)


def test_parts_pass_a_selection() -> None:
    codec = chain("track-2/select:card=part1,rest=part2/digits:card,4")
    assert codec.decode(";0123=45?") == {"card": 123, "rest": "45"}
    assert codec.encode({"card": 123, "rest": "45"}) == ";0123=45?"


# ── definitions that are refused ────────────────────────────────────────────────────────────────

NUMBER = {"field": "number", "digits": 8}


def test_the_plain_definition_is_right() -> None:
    assert made(NUMBER).decode("00000007") == {"number": 7}


@pytest.mark.parametrize(
    ("items", "said"),
    [
        # ambiguous: nothing says where a field ends
        ([{"field": "a", "digits": "1-8"}, NUMBER],
         "item 1, a, may be followed by item 2, number, which can begin with '0': nothing says where a ends"),
        ([{"field": "a", "text": "0-8"}, {"constant": "="}], "may be followed by item 2, the constant '=',"),
        ([{"field": "a", "text": "1-2", "of": "0-9"}, {"field": "b", "text": "0-2", "of": "A-Z"}, NUMBER],
         "item 1, a, may be followed by item 3, number, which can begin with '0'"),
        ([{"field": "a", "text": "1-2", "of": "0-9"}, {"field": "b", "text": "1-2", "of": "A-Z", "pad": "0"}],
         "item 1, a, may be followed by item 2, b, which can begin with '0'"),
        ([{"field": "a", "text": "1-2", "of": "0-9^"}, {"field": "b", "text": "0-2", "of": "A-Z", "short": "^"}],
         "item 1, a, may be followed by item 2, b, which can begin with '^'"),
        ([{"field": "a", "text": "1-2", "of": "0-9="}, {"field": "b", "text": 2, "of": "A-Z", "absent": "="}],
         "item 1, a, may be followed by item 2, b, which can begin with '='"),
        ([{"field": "a", "text": "1-2", "of": "0-9"}, {"check": "luhn", "over": ["a"]}],
         "item 1, a, may be followed by item 2, the luhn check character, which can begin with '0'"),
        ([{"field": "a", "text": "1-2", "of": "0-9", "absent": "="}, NUMBER],
         "item 1, a, may be followed by item 2, number, which can begin with '0'"),
        # items
        ([], "there is no field"),
        ([{"constant": "="}], "there is no field"),
        (["number"], "item 1 must be a table such as { field = 'number', digits = 8 }, not 'number'"),
        ([{"digits": 8}], "item 1: exactly one of constant, field, check is needed, not none"),
        ([{"field": "a", "digits": 8, "constant": "="}], "item 1: exactly one of constant, field, check is needed"),
        ([{"constant": ""}], "item 1: a constant has one character at least"),
        ([{"constant": 5}], "item 1: constant must be a text, not 5"),
        ([{"constant": "é"}], "item 1: 'é' has no place in printable ASCII"),
        ([{"constant": "=", "text": 5}], "item 1: 'text' is not a key here"),
        # fields
        ([{"field": "Card", "digits": 8}], "item 1: 'Card': a field name has small letters, digits and underscores"),
        ([{"field": "card-no", "digits": 8}], "item 1: 'card-no': a field name has small letters"),
        ([{"field": 5, "digits": 8}], "item 1: field must be a name, not 5"),
        ([NUMBER, NUMBER], "item 2: the name number appears twice"),
        ([{"field": "a"}], "item 1, a: exactly one of digits, text is needed"),
        ([{"field": "a", "digits": 8, "text": 8}], "item 1, a: exactly one of digits, text is needed"),
        ([{"field": "a", "digit": 8}], "item 1: 'digit' is not a key here; did you mean digits?"),
        ([{"field": "a", "digits": 0}], "item 1, a: digits is 0, outside 1 to 1000"),
        ([{"field": "a", "digits": 1001}], "item 1, a: digits is 1001, outside 1 to 1000"),
        ([{"field": "a", "digits": True}], "item 1, a: digits must be a count or a range such as '1-10', not True"),
        ([{"field": "a", "digits": "0-8"}], "item 1, a: digits: '0-8' is not a range such as '1-10', from 1 to 1000"),
        ([{"field": "a", "digits": "8-8"}], "item 1, a: digits: '8-8' is not a range"),
        ([{"field": "a", "text": "8-1"}], "item 1, a: text: '8-1' is not a range"),
        ([{"field": "a", "text": "8"}], "item 1, a: text: '8' is not a range"),
        ([{"field": "a", "text": "01-8"}], "item 1, a: text: '01-8' is not a range"),
        ([{"field": "a", "text": "٠-8"}], "item 1, a: text: '٠-8' is not a range"),
        ([{"field": "a", "text": "0-99999"}], "'0-99999' is not a range such as '1-10', from 0 to 65535"),
        ([{"field": "a", "text": 1.5}], "item 1, a: text must be a count or a range"),
        ([{"field": "a", "digits": 8, "of": "0-9"}], "item 1, a: of is for texts"),
        ([{"field": "a", "digits": 8, "absent": "="}], "item 1, a: absent is for texts"),
        ([{"field": "a", "digits": "1-8", "short": "="}], "item 1, a: short is for texts"),
        # letters
        ([{"field": "a", "text": 8, "of": ""}], "item 1, a: of: a class of letters such as '0-9A-Z' is needed"),
        ([{"field": "a", "text": 8, "of": "9-0"}], "item 1, a: of: '9-0' in '9-0' goes downwards"),
        ([{"field": "a", "text": 8, "of": "0-95"}], "item 1, a: of: '0-95' names '5' twice"),
        ([{"field": "a", "text": 8, "of": "0-9-A"}], "item 1, a: of: in '0-9-A' a hyphen between letters"),
        ([{"field": "a", "text": 8, "of": "0-9é"}], "item 1, a: of: 'é' has no place in printable ASCII"),
        ([{"field": "a", "text": 8, "of": ["0"]}], "item 1, a: of must be a class of letters such as '0-9A-Z'"),
        # what stands for none, behind, around
        ([{"field": "a", "text": 8, "absent": "5"}], "item 1, a: absent '5' is one of its letters"),
        ([{"field": "a", "text": 8, "of": "0-9", "absent": "=="}], "item 1, a: absent must be one character, not '=='"),
        ([{"field": "a", "text": 8, "of": "0-9", "absent": ""}], "item 1, a: absent must be one character, not ''"),
        ([{"field": "a", "text": "0-8", "of": "0-9", "absent": "="}], "item 1, a: absent needs a text of one length"),
        ([{"field": "a", "text": "2-8", "of": "0-9", "absent": "="}], "item 1, a: absent needs a text of one length"),
        ([{"field": "a", "text": 8, "of": "0-9", "short": "="}], "item 1, a: short needs a text of several lengths"),
        ([{"field": "a", "text": "1-8", "of": "0-9", "short": "7"}], "item 1, a: short '7' is one of its letters"),
        ([{"field": "a", "text": "1-8", "of": "0-9", "short": "=", "pad": " "}], "at most one of absent, short, pad"),
        ([{"field": "a", "text": "1-8", "pad": "é"}], "item 1, a: pad: 'é' has no place in printable ASCII"),
        ([{"field": "a", "text": "1-8", "of": "0", "pad": "0"}], "item 1, a: pad '0' could be a part of the value"),
        ([{"field": "a", "digits": "1-8", "pad": "0"}], "item 1, a: pad '0' could be a part of the value"),
        ([{"field": "a", "text": "1-8", "width": 8}], "item 1, a: width needs a pad"),
        ([{"field": "a", "text": "1-8", "align": "right"}], "item 1, a: align needs a pad"),
        ([{"field": "a", "text": "1-8", "pad": " ", "width": 7}], "item 1, a: width is 7, outside 8 to 65535"),
        ([{"field": "a", "text": "1-8", "pad": " ", "align": "mid"}], "a: align must be one of left, right, not 'mid'"),
        # check characters
        (
            [NUMBER, {"check": "lun"}],
            "'lun' is not one of luhn, mod-11-10, mod-27-26, mod-37-36, mod-10; did you mean luhn?",
        ),
        ([NUMBER, {"check": ["luhn"]}], "item 2: ['luhn'] is not one of luhn"),
        ([NUMBER, {"check": "luhn", "weights": [3]}], "item 2: luhn has no weights"),
        ([NUMBER, {"check": "mod-10"}], "item 2: mod-10 needs weights such as 3, 1"),
        ([NUMBER, {"check": "mod-10", "weights": [0]}], "item 2: 0 is not a weight from 1 to 9"),
        ([NUMBER, {"check": "mod-10", "weights": [True]}], "item 2: True is not a weight from 1 to 9"),
        ([NUMBER, {"check": "mod-10", "weights": 3}], "item 2: weights must be a list such as [3, 1], not 3"),
        ([{"check": "luhn"}, NUMBER], "item 1, the luhn check character, has no letter and no digit before it"),
        ([{"constant": "--"}, {"check": "luhn"}, NUMBER], "item 2, the luhn check character, has no letter"),
        ([{"check": "luhn", "over": ["number"]}, NUMBER], "is over 'number', which is no field before it"),
        ([NUMBER, {"check": "luhn", "over": ["numbr"]}], "is over 'numbr', which is no field before it; did you mean"),
        ([NUMBER, {"check": "luhn", "over": []}], "the luhn check character, is over no field"),
        ([NUMBER, {"check": "luhn", "over": ["number", "number"]}], "is over a field twice"),
        ([NUMBER, {"check": "luhn", "over": "number"}], "over must be a list of fields, not 'number'"),
        ([NUMBER, {"check": "luhn", "over": [["number"]]}], "is over ['number'], which is no field before it"),
        ([{"constant": "G"}, NUMBER, {"check": "luhn"}],
         "item 3, the luhn check character, takes 0-9 only, but item 1, the constant 'G', can hold 'G'"),
        ([{"constant": "g"}, NUMBER, {"check": "mod-37-36"}], "takes 0-9A-Z only, but item 1, the constant 'g',"),
        ([{"field": "a", "text": 3}, {"check": "luhn", "over": ["a"]}], "takes 0-9 only, but item 1, a, can hold ' '"),
        ([{"field": "a", "digits": "1-3", "pad": " "}, {"check": "luhn", "over": ["a"]}], "item 1, a, can hold ' '"),
        ([{"field": "a", "text": 3, "of": "0-9", "absent": "="}, {"check": "luhn", "over": ["a"]}], "can hold '='"),
        ([NUMBER, {"check": "mod-37-36", "over": ["number"]}, {"constant": "-"}, {"check": "luhn"}],
         "item 4, the luhn check character, takes 0-9 only, but item 2, the mod-37-36 check character, can hold 'A'"),
    ],
)  # fmt: skip
def test_faulty_items(items: list[Any], said: str) -> None:
    assert said in refused(*items)
    assert refused(*items).startswith("content gate: ")


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"track": 4}, "track is 4, outside 1 to 3"),
        ({"track": "2"}, "track must be a whole number, not '2'"),
        ({"track": 2, "set": "7-bit"}, "exactly one of track, set is needed, or none"),
        ({"set": "6-bit"}, "set must be one of 7-bit, 5-bit, not '6-bit'"),
        ({"most": 7}, "most is 7, outside 8 to 65535"),
        ({"most": 10, "track": 2}, "most is 10, outside 11 to 65535"),
        ({"most": "8"}, "most must be a whole number, not '8'"),
        ({"item": []}, "'item' is not a key here; did you mean items?"),
        ({"title": 5}, "title must be a text, not 5"),
        ({"source": []}, "source must be a text, not []"),
        ({"checks": {}}, "checks must be a list, not {}"),
        ({"checks": ["luhn"]}, "check 1 must be a table such as { luhn = 'account' }, not 'luhn'"),
        ({"checks": [{}]}, "check 1: exactly one of luhn, mod-11-10, mod-27-26, mod-37-36, mod-10 is needed, not none"),
        ({"checks": [{"luhn": "a", "mod-11-10": "a"}]}, "check 1: exactly one of luhn"),
        ({"checks": [{"lun": "a"}]}, "check 1: 'lun' is not a key here; did you mean luhn?"),
        (
            {"checks": [{"luhn": "number"}]},
            "check 1: number is a whole number: luhn needs a text, or an item of its own",
        ),
        ({"checks": [{"luhn": "nmber"}]}, "check 1: luhn: there is no field 'nmber'; did you mean number?"),
        ({"checks": [{"luhn": ["number"]}]}, "check 1: luhn must be a name, not ['number']"),
        ({"remarks": [{"field": "number"}]}, "remark 1: text is missing: a text is needed"),
        ({"remarks": [{"text": "x"}]}, "remark 1: field is missing: a name is needed"),
        (
            {"remarks": [{"field": "number", "values": ["5"], "text": "x"}]},
            "remark 1: a value that cannot be: number is",
        ),
        (
            {"remarks": [{"field": "number", "values": [10**8], "text": "x"}]},
            "remark 1: a value that cannot be: number is",
        ),
        ({"remarks": [{"field": "number", "level": "bad", "text": "x"}]}, "remark 1: level must be one of info, care"),
        ({"remarks": [{"field": "number", "txt": "x"}]}, "remark 1: 'txt' is not a key here; did you mean text?"),
        ({"meanings": {"numbr": []}}, "meanings: there is no field 'numbr'; did you mean number?"),
        ({"meanings": {"number": []}}, "meanings: number is a whole number, which has no characters"),
        ({"meanings": []}, "meanings must be a table, not []"),
        ({"examples": "0"}, "examples must be a list, not '0'"),
        ({"examples": [{"fields": {}}]}, "example 1: text is missing: a text is needed"),
        ({"examples": [{"text": "00000007"}]}, "example 1: fields is missing: a table of values is needed"),
        (
            {"examples": [{"text": "00000007", "fields": {"number": 8}}]},
            "the example '00000007' does not hold: number=7",
        ),
        (
            {"examples": [{"text": "7", "fields": {"number": 7}}]},
            "the example '7' does not hold: gate: item 1, number,",
        ),
        ({"examples": [{"txt": "7"}]}, "example 1: 'txt' is not a key here; did you mean text?"),
        ({"aliases": ["GATE"]}, "'aliases' is not a key here"),
    ],
)
def test_faults(changed: dict[str, Any], said: str) -> None:
    assert f"content gate: {said}" in refused(NUMBER, **changed)


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ({"at": 4, "values": {}}, "meaning 1 of a: at is 4, outside 0 to 3"),
        ({"at": 0}, "meaning 1 of a: values is missing: a table of texts is needed"),
        ({"values": {}}, "meaning 1 of a: at is missing"),
        ({"at": 0, "values": {"12": "x"}}, "meaning 1 of a: '12' is not one character of a"),
        ({"at": 0, "values": {"A": "x"}}, "meaning 1 of a: 'A' is not one character of a"),
        ({"at": 0, "values": {"1": 5}}, "meaning 1 of a: '1' must be a text, not 5"),
        ({"at": 0, "values": {}, "of": 1}, "meaning 1 of a: 'of' is not a key here"),
        ("1", "meaning 1 of a must be a table such as"),
    ],
)
def test_faulty_meanings(row: Any, said: str) -> None:
    assert said in refused({"field": "a", "text": "1-4", "of": "0-9"}, meanings={"a": [row]})


def test_letters_of_a_set() -> None:
    """Only what the set has may stand on a track, and never a sentinel."""
    for items, said in (
        ([{"constant": "A"}, NUMBER], "item 1: 'A' has no place between the sentinels of the 5-bit set"),
        ([{"constant": "?"}, NUMBER], "item 1: '?' has no place between the sentinels"),
        ([{"field": "a", "text": 3, "of": "0-?"}], "item 1, a: of: ';' has no place between the sentinels"),
        ([NUMBER, {"check": "mod-37-36", "over": ["number"]}], "'A' has no place between the sentinels"),
    ):
        assert said in refused(*items, track=2)
    assert made({"field": "a", "text": "0-9"}, track=2).schema["a"] == TextField(
        name="a", letters="0123456789:<>", lengths=range(10)
    )
    for name, letters_of in (("7-bit", ALPHANUMERIC), ("5-bit", NUMERIC)):
        codec = made({"field": "a", "text": 1}, set=name)
        row = codec.schema["a"]
        assert isinstance(row, TextField)
        assert set(row.letters) == set(letters_of.content_letters) - {letters_of.separator}


def test_names_and_tables_that_cannot_be() -> None:
    for name, table in (
        ("Gate", {"items": [NUMBER]}),
        ("gate", []),
        ("gate", {}),
        ("gate", {"items": [NUMBER] * 513}),
    ):
        with refusal(DefinitionError):
            content_entries({name: table})
    with refusal(DefinitionError):
        content_entries("gate")  # type: ignore[arg-type]  # a text, as a caller without types may give
    taken = layout_entries({"gate": {"length": 4, "fields": {"number": "0-3"}}})
    with refusal(DefinitionError):
        content_entries({"gate": {"items": [NUMBER]}}, beside=taken)
    with refusal(DefinitionError):
        chain("track-2", content_entries({"track-2": {"items": [NUMBER]}}))


@given(st.text(st.characters(min_codepoint=32, max_codepoint=126), min_size=1))
def test_classes_of_letters_are_written_and_read(text: str) -> None:
    assert sorted(letters(format_ranges(text), "here")) == sorted(set(text))


# ── whatever is given ───────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("name", ["financial-track-1", "financial-track-2", "driving-licence-track-3", "track-2:a,b"])
def test_every_place_of_a_fault_lies_in_the_text(name: str) -> None:
    codec = chain(name)
    assert isinstance(codec, ContentCodec)
    seen: Counter[str] = Counter()

    @given(randoms())
    def law(random: Random) -> None:
        text = noise(random, codec) if random.randrange(4) == 0 else damaged(random, codec.encode(valid(random, codec)))
        reading = codec.inspect(text)
        for check in reading.checks:
            assert all(0 <= int(place) < len(text) for place in (*check.at, *check.covers))
            seen[check.rule] += not check.passed
        parts = "".join(text[int(place)] for part in reading.parts for place in part.at)
        assert text.startswith(parts)
        if reading.value is not None:
            assert parts == text
            check_fields(codec.name, codec.schema, reading.value)

    law()
    assert seen["form"]


# ── of a site ───────────────────────────────────────────────────────────────────────────────────

STRIPE = """
[contents.east-stripe]
title = "East harbour staff stripe, track 2"
track = 2
most = 40
items = [
    { constant = "90" },
    { field = "number", digits = 8 },
    { check = "luhn", over = ["number"] },
    { constant = "=" },
    { field = "issue", digits = 2 },
    { field = "rest", text = "0-20" },
]
remarks = [{ field = "issue", values = [0], level = "refuse", kind = "blank", text = "a blank card" }]
examples = [{ text = ";90000000422=01?", fields = { number = 42, issue = 1, rest = "" } }]
"""
SITE = (
    HEADER
    + """
[kinds.staff]
value = "template:{number:08d}"
key = ["number"]
[readers.gate]
kind = "staff"
chain = "strip/track:2/east-stripe"
[targets.payroll]
kind = "staff"
chain = "gate-10"
column = "text(10)"
[contents.gate-10]
items = [{ constant = "G" }, { field = "number", digits = 8 }, { check = "mod-11-10", over = ["number"] }]
"""
)


def test_a_site_has_contents_of_its_own(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text(SITE + STRIPE)
    site = load_site(path)
    codec = site.readers["gate"].periods[0].codec
    assert codec.decode("%EAST?;90000000422=01?\r") == {"number": 42, "issue": 1, "rest": ""}
    written = site.targets["payroll"].conversion.write({"number": 42})
    assert written == "G00000042" + mod_11_10.calc_check_digit("00000042")


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (
            '[layouts.gate-10]\nlength = 1\nfields = { number = "0" }',
            "contents: content gate-10: a layout has this name",
        ),
        ("[contents.bad]\nitems = []", "contents: content bad: there is no field"),
        ("[content.bad]\nitems = []", "'content' is not a key here; did you mean contents?"),
    ],
)
def test_faulty_contents_of_a_site(tmp_path: Path, more: str, said: str) -> None:
    path = tmp_path / "site.toml"
    path.write_text(f"{SITE}{STRIPE}{more}\n")
    with pytest.raises(DefinitionError) as caught:
        load_site(path)
    assert str(caught.value).startswith(f"site.toml: {said}")


def test_the_command_line_takes_contents_of_a_site(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text(STRIPE + '[layouts.gate-4]\nlength = 4\nfields = { number = "0-3" }\n')
    given_file = ("--layouts", str(own))
    text = run("decode", "east-stripe", ";90000000422=00?", *given_file).stdout
    assert "number    42" in text
    assert "a blank card" in text
    chains = ("--from", "east-stripe", "--to", "template:{number:08d}/select:number")
    assert run("convert", *chains, ";90000000422=01?", *given_file).stdout.startswith("00000042\n")
    result = run("decode", "east-stripe", ";90000000423=00?", *given_file)
    assert result.exit_code == 1
    assert "the luhn check character over number fails" in " ".join(result.stdout.split())
    assert run("decode", "binary/gate-4", "0101", *given_file).exit_code == 0
    listed = run("formats", *given_file).stdout
    assert listed.index("text to fields") < listed.index("east-stripe")
    assert "0 to 99999999" in run("formats", "east-stripe", *given_file).stdout
    own.write_text(STRIPE + '[layouts.east-stripe]\nlength = 4\nfields = { number = "0-3" }\n')
    result = run("decode", "east-stripe", "1", *given_file)
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr.endswith("content east-stripe: a layout has this name: choose another one\n")
