"""Fields to fields: selections, offsets and a site's lists."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit import DecodeError, DefinitionError, EncodeError, Field, TextField, chain, map_entry
from tests.sentences import refusal

FIELDS = {"facility": 123, "number": 45678}


def test_rows_of_a_selection() -> None:
    for rows, outer in (
        ("number", {"number": 45678}),
        ("card=number", {"card": 45678}),
        ("card=number,site=facility", {"card": 45678, "site": 123}),
        ("facility=number,number=facility", {"facility": 45678, "number": 123}),
        ("card=number,region=7", {"card": 45678, "region": 7}),
        ("card=number,123=facility", {"card": 45678}),
    ):
        assert chain(f"select:{rows}").decode(FIELDS) == outer


@pytest.mark.parametrize(
    "rows",
    [
        "",
        "7=8",
        "5=number",
        "number=5",
        "card=number,card=facility",
        "card=number,site=number",
        "number,5=number",
        "Card=number",
        "card=",
        "number,Card=5",
        "number,5=Card",
        "number,a-b=5",
        "number,region=5,region=6",
        "region=number,region=5",
        "card=number,٥=facility",
    ],
)
def test_selections_that_cannot_be(rows: str) -> None:
    with refusal(DefinitionError):
        chain(f"select:{rows}")


@pytest.mark.parametrize("value", [None, 1.5, True, -1, 10**5000, "5" * 65537], ids=lambda value: type(value).__name__)
@pytest.mark.parametrize("text", ["select:card=number", "offset:number,5", "select:number,5=number_of_issue"])
def test_only_whole_numbers_and_texts_are_passed_on(text: str, value: Any) -> None:
    with refusal(DecodeError, place=("number",)):
        chain(text).decode({"number": value, "number_of_issue": 5})
    with pytest.raises(EncodeError):
        chain(text).encode({"card": value, "number": value})


@pytest.mark.parametrize("text", ["", "0", "007", "A=7", "٣"])
def test_selections_pass_texts_as_they_are(text: str) -> None:
    codec = chain("select:card=number,region=7")
    assert codec.decode({"number": text}) == {"card": text, "region": 7}
    assert codec.encode({"card": text, "region": 7}) == {"number": text}
    with refusal(DecodeError, rule="range", place=("number",)):
        chain("offset:number,5").decode({"number": text})
    with refusal(EncodeError):
        chain("offset:number,5").encode({"number": text})


@given(st.integers(1, 40), st.integers(0, 10**40 - 1))
def test_digits_are_numbers_with_their_zeros(count: int, number: int) -> None:
    number %= 10**count
    codec = chain(f"digits:number,{count}")
    text = str(number).zfill(count)
    assert codec.decode({"number": text, "rest": "x"}) == {"number": number, "rest": "x"}
    assert codec.encode({"number": number, "rest": "x"}) == {"number": text, "rest": "x"}
    for wrong in (text + "0", text[:-1], text[:-1] + "A", text[:-1] + "٣", text[:-1] + "²", number, None):
        with pytest.raises(DecodeError, match=f"digits:number,{count}: the value of number fails"):
            codec.decode({"number": wrong})
    for value in (10**count, -1, text, None, True):
        with pytest.raises(EncodeError, match=f"expected {count} decimal digits"):
            codec.encode({"number": value})


def test_digits_behind_a_track() -> None:
    codec = chain("track-2:number,rest/digits:number,5/offset:number,20000")
    assert codec.schema["number"] == Field(name="number", least=20000, most=119999)
    assert codec.schema["rest"] == TextField(name="rest", letters="0123456789:<>")
    assert codec.decode(";00042=7?") == {"number": 20042, "rest": "7"}
    assert codec.encode({"number": 20042, "rest": "7"}) == ";00042=7?"
    with pytest.raises(DecodeError) as caught:
        codec.decode(";0042=7?")
    assert caught.value.place == (1, 2, 3, 4)
    with refusal(EncodeError):
        codec.encode({"number": 120000, "rest": "7"})


@pytest.mark.parametrize(
    "text",
    [
        "digits:number,0",
        "digits:number,41",
        "digits:number,x",
        "binary/wiegand-26/digits:number,5",
        "driving-licence-track-2/digits:birth,7",
        "track-2:number/digits:card,5",
        "track-2:number/offset:number,5",
    ],
)
def test_digits_that_cannot_be(text: str) -> None:
    with refusal(DefinitionError):
        chain(text)


def test_what_a_selection_writes_is_held_to_what_the_chain_knows() -> None:
    codec = chain("binary:26/wiegand-26/select:card=number,123=facility,region=7")
    assert codec.schema == {
        "card": Field(name="card", most=65535), "region": Field(name="region", least=7, most=7),
    }  # fmt: skip
    assert codec.encode({"card": 45678, "region": 7}) == "10111101110110010011011101"
    for fields, said in (
        ({"card": 65536, "region": 7}, "card is 65536, outside 0 to 65535"),
        ({"card": 1, "region": 8}, "region is 8, outside 7 to 7"),
        ({"card": "1", "region": 7}, "card is '1', not a whole number"),
        ({"card": 1}, "the field region is missing"),
    ):
        with pytest.raises(EncodeError, match=f"^select:card=number,123=facility,region=7: {said}"):
            codec.encode(fields)


def test_what_is_said_of_a_field_that_is_wrong() -> None:
    with refusal(DecodeError, rule="fields", place=("number",)):
        chain("select:card=number").decode({})
    with refusal(DecodeError, rule="is-facility", place=("facility",)):
        chain("select:number,124=facility").decode(FIELDS)
    with refusal(EncodeError):
        chain("select:number,region=7").encode({"number": 1, "region": 8})


@given(st.integers(0, 1 << 40), st.integers(-(1 << 30), 1 << 30))
def test_offsets_add_and_take_away(number: int, amount: int) -> None:
    codec = chain(f"offset:number,{amount}")
    if number + amount >= 0:
        assert codec.decode({"number": number, "other": 7}) == {"number": number + amount, "other": 7}
        assert codec.encode({"number": number + amount, "other": 7}) == {"number": number, "other": 7}
    else:
        with pytest.raises(DecodeError, match=f"field number is {number}, expected a number from {-amount} on"):
            codec.decode({"number": number})


def test_offsets_stay_in_the_range_of_the_frame() -> None:
    codec = chain("binary/wiegand-26/offset:number,-20000")
    assert codec.schema["number"] == Field(name="number", most=45535)
    assert codec.decode(codec.encode({"facility": 1, "number": 45535})) == {"facility": 1, "number": 45535}
    with refusal(EncodeError):
        codec.encode({"facility": 1, "number": 45536})


@pytest.mark.parametrize("amount", ["", "x", "1.5", "--5", "1e3", "٣", str(10**19)])
def test_amounts_that_cannot_be(amount: str) -> None:
    with refusal(DefinitionError):
        chain(f"offset:number,{amount}")


LISTS: dict[str, dict[int, int]] = {"lockers": {101: 7, 102: 9, 103: 101}}


def test_lists_are_looked_up_both_ways() -> None:
    site = (map_entry(LISTS),)
    codec = chain("map:lockers,number", site)
    assert [codec.decode({"number": n})["number"] for n in (101, 102, 103)] == [7, 9, 101]
    assert [codec.encode({"number": n})["number"] for n in (7, 9, 101)] == [101, 102, 103]
    with refusal(DecodeError, rule="listed", place=("number",)):
        codec.decode({"number": 7})
    with refusal(EncodeError):
        codec.encode({"number": 102})


def test_lists_that_cannot_be() -> None:
    with refusal(DefinitionError):
        map_entry({"lockers": {101: 7, 102: 7}})
    with refusal(DefinitionError):
        map_entry({"lockers": {}})
    with refusal(DefinitionError):
        chain("map:locker,number", (map_entry(LISTS),))
