"""Whatever the author of a codec does wrong becomes one error that names the codec and the slip."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from bitstring import Bits

import credkit
from credkit import Check, Codec, CredkitError, DecodeError, DefinitionError, EncodeError, Entry, Field, Note, Reading
from credkit.core.codec import PRACTICE
from credkit.core.frozen import FrozenMapping
from credkit.core.shapes import FIELDS, TEXT, Shape, bits, exactly

FAILED = Check(codec="badge", rule="parity", claim="the parity", form="bits", at=(0,), expected="1", found="0")
NUMBER = Shape("fields", schema=FrozenMapping({"number": Field(name="number", most=99)}))


@dataclass(frozen=True, kw_only=True)
class Badge(Codec[Any, Any]):
    """A codec that does what it is told to."""

    reads: Callable[[Any], Any]
    writes: Callable[[Any], Any] = str

    def inspect(self, value: Any) -> Any:
        return self.reads(value)

    def encode(self, value: Any) -> Any:
        return self.writes(value)


def badge(reads: Callable[[Any], Any], output: Shape, writes: Callable[[Any], Any] = str) -> Badge:
    return Badge(name="badge", input=bits(exactly(8)), output=output, reads=reads, writes=writes)


def fail(error: Exception) -> Callable[[Any], Any]:
    def reads(value: Any) -> Any:
        raise error

    return reads


def gives(value: Any, **rest: Any) -> Callable[[Any], Any]:
    return lambda _: Reading(value=value, **rest)


def endless(value: Any) -> Any:
    return endless(value)


def lost(place: Any) -> Any:
    raise IndexError(place)


READS = {  # what inspect does, for which output, and what the sentence says of it
    "raises ValueError": (fail(ValueError("bad digit")), TEXT, "raises ValueError ('bad digit')"),
    "raises KeyError": (fail(KeyError("number")), TEXT, "raises KeyError"),
    "raises AssertionError": (fail(AssertionError()), TEXT, "raises AssertionError (no message)"),
    "raises StopIteration": (fail(StopIteration()), TEXT, "raises StopIteration"),
    "never ends": (endless, TEXT, "raises RecursionError"),
    "raises DecodeError": (lambda _: Reading(value=credkit.decode("hex:2", "zz")), TEXT, "raises DecodeError"),
    "raises EncodeError": (fail(EncodeError("no room")), TEXT, "raises EncodeError ('no room')"),
    "steps that are a number": (gives("7", steps=5), TEXT, "has steps that are not a tuple of Step"),
    "returns None": (lambda _: None, TEXT, "returns None, not a Reading"),
    "returns the value": (lambda _: "7", TEXT, "returns '7', not a Reading"),
    "returns a pair": (lambda _: ("7", ()), TEXT, "not a Reading"),
    "no value and no fault": (gives(None), TEXT, "has neither a value nor a failed check"),
    "bits for text": (gives(Bits("0b1")), TEXT, "gives 1, not text"),
    "text for bits": (gives("1"), bits(), "gives '1', not bits"),
    "a number for fields": (gives(7), FIELDS, "gives 7, not fields"),
    "bits of another length": (gives(Bits("0b101")), bits(exactly(4)), "gives 3 bits, not 4 bits"),
    "a field too few": (gives({}), NUMBER, "gives the fields none, not number"),
    "a field too many": (gives({"number": 1, "site": 2}), NUMBER, "gives the fields number, site, not number"),
    "a field out of range": (gives({"number": 100}), NUMBER, "gives number is 100, outside 0 to 99"),
    "a float in a field": (gives({"number": 1.5}), NUMBER, "gives number is 1.5, not a whole number"),
    "a list of checks": (gives("7", checks=[FAILED]), TEXT, "has checks that are not a tuple of Check"),
    "a text among the checks": (gives("7", checks=("parity",)), TEXT, "has checks that are not a tuple of Check"),
    "a check among the notes": (gives("7", notes=(FAILED,)), TEXT, "has notes that are not a tuple of Note"),
    "a note for a part": (
        gives("7", parts=(Note(kind="x", level="info", text="y"),)), TEXT, "has parts that are not a tuple of Part",
    ),
    "a check beyond the input": (
        gives(None, checks=(replace(FAILED, at=(8,)),)),
        TEXT, "has the check parity at 8, which is no place of its input",
    ),
    "a check at a negative place": (
        gives(None, checks=(replace(FAILED, at=(-1,)),)),
        TEXT, "has the check parity at -1",
    ),
    "a check at a list": (
        gives(None, checks=(replace(FAILED, at=[1]),)),  # type: ignore[arg-type]  # the slip
        TEXT, "has the check parity with at=[1], not a tuple of places",
    ),
    "a check of no form": (
        gives(None, checks=(replace(FAILED, form="letters"),)),  # type: ignore[arg-type]  # the slip
        TEXT,
        "has the check parity of the form 'letters', not text, bits or fields",
    ),
    "an origin that fails": (gives("7", origin=lost), TEXT, "has an origin that raises IndexError for 0"),
    "an origin beyond the input": (
        gives("7", origin=lambda _: (77,)), TEXT,
        "has an origin that takes 0 to '(77,)', no places of its input",
    ),
    "an origin that gives a number": (gives("7", origin=lambda _: 0), TEXT, "has an origin that takes 0 to 0,"),
    "an origin that is no function": (gives("7", origin=(0,)), TEXT, "has an origin that cannot be called"),
}  # fmt: skip


@pytest.mark.parametrize("slip", READS)
def test_a_slip_of_inspect_is_one_error_that_names_the_codec(slip: str) -> None:
    reads, output, says = READS[slip]
    codec = badge(reads, output)
    entry = Entry(name="badge", title="a badge", source=PRACTICE, build=lambda: codec, examples=())
    ways: list[Callable[[], object]] = [
        lambda: codec.decode(Bits("0x07")),
        lambda: credkit.decode(codec, b"\x07"),
        lambda: credkit.inspect(codec, (7, 8)),
        lambda: credkit.decode("hex:2/badge", "07", (entry,)),
        lambda: credkit.inspect("hex:2/badge", "07", (entry,)),
        lambda: credkit.choice(codec, badge(gives(None, checks=(FAILED,)), output)).decode(Bits("0x07")),
    ]
    for way in ways:
        with pytest.raises(CredkitError) as caught:
            way()
        assert type(caught.value) is DefinitionError
        assert str(caught.value).startswith("codec badge is broken: ")
        assert says in str(caught.value)


def test_an_origin_that_fails_is_a_slip() -> None:
    codec = badge(gives(Bits("0xFF"), origin=lost), bits(exactly(8)))
    entry = Entry(name="badge", title="a badge", source=PRACTICE, build=lambda: codec, examples=())
    with pytest.raises(
        DefinitionError, match="codec badge is broken: inspect of 00000111 has an origin that raises IndexError for 0"
    ):
        credkit.decode("hex:2/badge/fields:zero:1,number:7/select:number,0=zero", "07", (entry,))


@pytest.mark.parametrize(
    ("writes", "says"),
    [
        (fail(KeyError("number")), "raises KeyError"),
        (fail(ZeroDivisionError("division by zero")), "raises ZeroDivisionError ('division by zero')"),
        (lambda _: None, "gives None, not bits"),
        (lambda _: "07", "gives '07', not bits"),
        (lambda _: Bits("0b111"), "gives 3 bits, not 8 bits"),
    ],
    ids=["KeyError", "ZeroDivisionError", "None", "text", "length"],
)
def test_a_slip_of_encode_is_one_error_that_names_the_codec(writes: Callable[[Any], Any], says: str) -> None:
    codec = badge(gives("7"), TEXT, writes)
    entry = Entry(name="badge", title="a badge", source=PRACTICE, build=lambda: codec, examples=())
    other = badge(gives(None, checks=(FAILED,)), TEXT, fail(EncodeError("no room")))
    for way in (
        lambda: credkit.encode(codec, "7"),
        lambda: credkit.encode("hex:2/badge", "7", (entry,)),
        lambda: credkit.convert("7", source="strip", target=codec),
        lambda: credkit.choice(codec, replace(other, name="other")).encode("7"),
    ):
        with pytest.raises(CredkitError) as caught:
            way()
        assert type(caught.value) is DefinitionError
        assert str(caught.value).startswith("codec badge is broken: encode of '7' ")
        assert says in str(caught.value)


@pytest.mark.parametrize(
    ("build", "says"),
    [
        (fail(TypeError("x")), "raises TypeError"),
        (lambda: None, "not a Codec"),
        (lambda: "badge", "not a Codec"),
    ],
    ids=["raises", "None", "text"],
)
def test_a_slip_of_build_is_one_error_that_names_the_codec(build: Any, says: str) -> None:
    if says == "raises TypeError":
        broken = build

        def build() -> Any:
            return broken(None)

    entry = Entry(name="badge", title="a badge", source=PRACTICE, build=build, examples=())
    with pytest.raises(DefinitionError, match="badge is broken") as caught:
        credkit.chain("hex:2/badge", (entry,))
    assert says in str(caught.value)


def test_a_codec_without_a_slip_is_left_alone() -> None:
    good = badge(gives("7"), TEXT, lambda _: Bits("0x07"))
    refusing = badge(gives(None, checks=(FAILED,)), TEXT)
    assert good.decode(Bits("0x07")) == "7"
    assert credkit.encode(good, "7") == Bits("0x07")
    with pytest.raises(DecodeError) as caught:
        refusing.decode(Bits("0x07"))
    assert (caught.value.check, caught.value.place) == (FAILED, (0,))


def test_fields_outside_the_schema_are_the_callers_fault() -> None:
    codec = badge(gives({"number": np.int64(7)}), NUMBER, lambda fields: Bits(uint=fields["number"], length=8))
    assert credkit.encode(codec, {"number": np.uint8(7)}) == Bits("0x07")
    for fields in ({}, {"number": 100}, {"number": 1, "colour": 2}, {"number": 1.5}):
        with pytest.raises(EncodeError, match=r"^badge: "):
            credkit.encode(codec, fields)
    decoded = credkit.decode(codec, b"\x07")
    assert isinstance(decoded, credkit.Fields)
    assert type(decoded["number"]) is int
    assert isinstance(credkit.inspect(codec, b"\x07").value, credkit.Fields)


@pytest.mark.parametrize(
    "build",
    [
        lambda: Shape("txt"),  # type: ignore[arg-type]  # what is refused
        lambda: Shape("bits", 26),  # type: ignore[arg-type]
        lambda: Shape("bits", [26]),  # type: ignore[arg-type]
        lambda: Shape("fields", schema={"number": 5}),  # type: ignore[dict-item]
        lambda: Shape("fields", schema=["number"]),  # type: ignore[arg-type]
        lambda: Shape("fields", schema={"number": Field(name="number", most="5")}),  # type: ignore[arg-type]
        lambda: Shape("fields", schema={"number": Field(name="number", least=5, most=4)}),
    ],
)
def test_a_shape_of_other_types_is_refused_where_it_is_made(build: Callable[[], object]) -> None:
    with pytest.raises(DefinitionError):
        build()
