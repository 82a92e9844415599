"""What is stated about a chain is checked when it is built; what type checkers see of it is in typing_api.py."""

from __future__ import annotations

from typing import Annotated, Any, NewType, NotRequired, TypedDict

import pytest
import typing_extensions
from bitstring import Bits

import credkit
from credkit import DefinitionError, chain
from credkit.core.codec import AnyCodec
from tests.sentences import refusal
from tests.strategies import built, registered

TEXT = "hex:8/right-justified:26/wiegand-26"
STRIPE = "track-2:number,issue"
Number = NewType("Number", int)


class Badge(TypedDict):
    facility: int
    number: int


class Stripe(TypedDict):
    number: str
    issue: str


def test_a_chain_that_is_what_was_stated_is_the_same_chain() -> None:
    assert chain(TEXT, takes="text", gives="fields") is chain(TEXT)
    assert chain(TEXT, takes="text", gives=Badge) is chain(TEXT)
    badge = chain(TEXT, takes="text", gives=Badge)
    assert badge.decode("02F764DD") == {"facility": 123, "number": 45678}
    assert badge.encode({"facility": 123, "number": 45678}) == "02F764DD"
    assert Badge(**badge.decode("02F764DD")) == {"facility": 123, "number": 45678}
    assert chain(STRIPE, takes="text", gives=Stripe).decode(";01=2?")["number"] == "01"


def test_a_codec_can_be_stated_too() -> None:
    codec = credkit.choice("hex:8/serial-32", "decimal:32,10/serial-32")
    assert chain(codec, takes="text", gives="fields") is codec
    with refusal(DefinitionError):
        chain(codec, takes="text", gives="text")


@pytest.mark.parametrize("form", ["text", "bits", "fields"])
def test_every_codec_is_held_to_its_forms(form: Any) -> None:
    seen = set()
    for text in registered():
        codec = built(text)
        seen.add((codec.takes, codec.gives))
        for verb, stated, found in (
            ("takes", {"takes": form, "gives": codec.gives}, codec.takes),
            ("gives", {"takes": codec.takes, "gives": form}, codec.gives),
        ):
            if form == found:
                assert stating(codec, stated) is codec
            else:
                with pytest.raises(DefinitionError, match=f"{verb} {found}, not {form} as stated$"):
                    stating(codec, stated)
    assert len(seen) >= 6


def stating(codec: AnyCodec, stated: dict[str, Any]) -> AnyCodec:
    stated_chain: AnyCodec = chain(codec, **stated)
    return stated_chain


class Missing(TypedDict):
    facility: int


class Misspelt(TypedDict):
    facilty: int
    number: int


class Extra(TypedDict):
    facility: int
    number: int
    site: int


class Texts(TypedDict):
    facility: str
    number: int


class Both(TypedDict):
    facility: int | str
    number: int


class Flag(TypedDict):
    facility: bool
    number: int


class Open(TypedDict):
    facility: Any
    number: int


class Optional(TypedDict):
    facility: NotRequired[int]
    number: int


class Partial(TypedDict, total=False):
    facility: int
    number: int


class Unknown(TypedDict):
    facility: Nowhere  # type: ignore[name-defined]  # noqa: F821  # on purpose: no such name
    number: int


@pytest.mark.parametrize(
    ("record", "problem"),
    [
        (Missing, "gives the field number, which is no key of Missing"),
        (
            Misspelt,
            "gives the field facility, which is no key of Misspelt; did you mean facilty?; "
            "gives no field facilty, which is a key of Misspelt",
        ),
        (Extra, "gives no field site, which is a key of Extra"),
        (Texts, "gives facility as a whole number, so its type in Texts must be int, not str"),
        (Both, "gives facility as a whole number, so its type in Both must be int, not int | str"),
        (Flag, "gives facility as a whole number, so its type in Flag must be int, not bool"),
        (Open, "gives facility as a whole number, so its type in Open must be int, not Any"),
        (Optional, "always gives the field facility, so it must be required in Optional"),
        (
            Partial,
            "always gives the field facility, so it must be required in Partial; "
            "always gives the field number, so it must be required in Partial",
        ),
    ],
    ids=lambda value: getattr(value, "__name__", ""),
)
def test_a_class_of_other_fields_is_refused(record: Any, problem: str) -> None:
    with pytest.raises(DefinitionError) as caught:
        chain(TEXT, takes="text", gives=record)
    assert str(caught.value) == f"chain {TEXT}: {problem}"


def test_texts_are_no_numbers() -> None:
    with refusal(DefinitionError):
        chain(STRIPE, takes="text", gives=Badge)


def test_what_only_a_type_checker_can_resolve_is_refused() -> None:
    with refusal(DefinitionError):
        chain(TEXT, takes="text", gives=Unknown)


def test_fields_that_are_not_known_cannot_be_stated() -> None:
    assert chain("select:number").output.schema is None
    with refusal(DefinitionError):
        chain("select:number", takes="fields", gives=Badge)


def test_marks_around_a_type_are_no_other_type() -> None:
    class Site(typing_extensions.TypedDict, total=False):
        facility: typing_extensions.Required[typing_extensions.ReadOnly[int]]
        number: typing_extensions.Required[Annotated[Number, "of the card"]]

    assert chain(TEXT, takes="text", gives=Site).decode("02F764DD")["number"] == 45678


@pytest.mark.parametrize(
    ("stated", "problem"),
    [
        ({"takes": "text"}, "takes= is stated without gives=; state both or neither"),
        ({"gives": Badge}, "gives= is stated without takes=; state both or neither"),
        ({"takes": "txt", "gives": "fields"}, "takes= is 'txt', expected one of 'text', 'bits', 'fields'"),
        (
            {"takes": Badge, "gives": "fields"},
            "takes= is the class Badge, expected one of 'text', 'bits', 'fields'",
        ),
        (
            {"takes": "text", "gives": ["fields"]},
            "gives= is ['fields'], expected one of 'text', 'bits', 'fields' or a TypedDict class",
        ),
        (
            {"takes": "text", "gives": dict},
            "gives= is the class dict, expected one of 'text', 'bits', 'fields' or a TypedDict class",
        ),
        ({"takes": "bits", "gives": "fields"}, "takes text, not bits as stated"),
        ({"takes": "text", "gives": "bits"}, "gives fields, not bits as stated"),
    ],
)
def test_other_statements_are_refused(stated: Any, problem: str) -> None:
    with pytest.raises(DefinitionError) as caught:
        chain(TEXT, **stated)
    assert str(caught.value) == f"chain {TEXT}: {problem}"


def test_a_chain_that_writes_only_is_typed_by_what_it_writes() -> None:
    target = chain("decimal:24/keep-low:24/serial-32", takes="text", gives="fields")
    assert target.encode({"number": 49767645}) == str(49767645 % 2**24).zfill(len(target.encode({"number": 0})))
    assert chain("hex:8", takes="text", gives="bits").decode("02F764DD") == Bits("0x02F764DD")
