"""What type checkers know of the public calls: checked by mypy, never run.

`assert_type` says what a type is. A line that must be an error says so with ``type: ignore[code]``: mypy in strict
mode refuses an ignore without an error, so that a mistake which is no longer found fails the check.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from concurrent.futures import Executor, Future
from typing import NewType, TypedDict, assert_type

from bitstring import Bits
from typing_extensions import ReadOnly

import credkit
from credkit import Codec, Entry, Reading
from credkit.core.chains import Conversion
from credkit.core.codec import AnyCodec
from credkit.core.forms import Accepted

Item = int | str
Open = str | Bits | Mapping[str, Item]  # a value of a written chain
Number = NewType("Number", int)
TEXT = "hex:8/right-justified:26/wiegand-26"


class Badge(TypedDict):
    """The fields of a badge of Brackwater Terminal."""

    facility: int
    number: int


class Track(TypedDict):
    """The fields of a stripe, as they are read: nobody may set them."""

    number: ReadOnly[str]
    issue: ReadOnly[str]


class Holder(TypedDict):
    """A badge whose number is not taken for a facility code."""

    facility: int
    number: Number


# ── chains ──────────────────────────────────────────────────────────────────────────────────────


def forms() -> None:
    assert_type(credkit.chain("strip", takes="text", gives="text"), Codec[str, str])
    assert_type(credkit.chain("hex:8", takes="text", gives="bits"), Codec[str, Bits])
    assert_type(credkit.chain(TEXT, takes="text", gives="fields"), Codec[str, Mapping[str, Item]])
    assert_type(credkit.chain(TEXT, takes="text", gives=Badge), Codec[str, Badge])
    assert_type(credkit.chain("bcd", takes="bits", gives="text"), Codec[Bits, str])
    assert_type(credkit.chain("reverse-bytes", takes="bits", gives="bits"), Codec[Bits, Bits])
    assert_type(credkit.chain("wiegand-26", takes="bits", gives="fields"), Codec[Bits, Mapping[str, Item]])
    assert_type(credkit.chain("wiegand-26", takes="bits", gives=Badge), Codec[Bits, Badge])
    assert_type(
        credkit.chain("select:number", takes="fields", gives="fields"), Codec[Mapping[str, Item], Mapping[str, Item]]
    )
    assert_type(credkit.chain("digits:number,5", takes="fields", gives=Track), Codec[Mapping[str, Item], Track])


def nothing_stated(codec: Codec[str, Badge]) -> None:
    assert_type(credkit.chain(TEXT), AnyCodec)
    assert_type(credkit.chain(codec), Codec[str, Badge])  # a codec is returned as it is


def wrong_statements() -> None:
    credkit.chain(TEXT, takes="txt", gives="fields")  # type: ignore[call-overload]  # no form
    credkit.chain(TEXT, takes="text", gives="json")  # type: ignore[call-overload]  # no form
    credkit.chain(TEXT, takes="text", gives=int)  # type: ignore[call-overload]  # no class of fields
    credkit.chain(TEXT, takes="text")  # type: ignore[call-overload]  # one without the other
    credkit.chain(TEXT, gives=Badge)  # type: ignore[call-overload]  # one without the other
    credkit.chain(26)  # type: ignore[call-overload]  # neither a text nor a codec
    credkit.chain(["hex:8", "wiegand-26"])  # type: ignore[call-overload]  # neither a text nor a codec


def keys(badge: Codec[str, Badge], track: Codec[str, Track], holder: Codec[str, Holder]) -> None:
    assert_type(badge.decode("02F764DD")["facility"], int)
    assert_type(track.decode(";01?")["issue"], str)
    assert_type(holder.decode("02F764DD")["number"], Number)
    badge.decode("02F764DD")["facilty"]  # type: ignore[typeddict-item]  # a wrong key
    badge.decode("02F764DD")["number"].upper()  # type: ignore[attr-defined]  # a number is no text
    track.decode(";01?")["issue"] = "2"  # type: ignore[typeddict-readonly-mutated]
    badge.encode({"facility": 123, "number": 45678})
    badge.encode({"facility": 123})  # type: ignore[typeddict-item]  # a missing key
    badge.encode({"facility": 123, "number": 45678, "site": 7})  # type: ignore[typeddict-unknown-key]
    badge.encode({"facility": 123, "number": "45678"})  # type: ignore[typeddict-item]  # a text is no number


def values(badge: Codec[str, Badge], frame: Codec[Bits, Mapping[str, Item]]) -> None:
    assert_type(frame.decode(Bits("0b0")), Mapping[str, Item])
    assert_type(frame.decode(Bits("0b0"))["number"], Item)
    assert_type(frame.encode({"facility": 123, "number": 45678}), Bits)
    assert_type(badge.inspect("02F764DD"), Reading[Badge])
    assert_type(badge.inspect("02F764DD").value, Badge | None)
    badge.decode(Bits("0x02F764DD"))  # type: ignore[arg-type]  # bits are no text
    badge.decode(b"02F764DD")  # type: ignore[arg-type]  # nor are bytes
    badge.encode("02F764DD")  # type: ignore[arg-type]  # a text is no fields
    frame.decode("02F764DD")  # type: ignore[call-overload]  # a text is no bits
    frame.decode(Bits("0b0"))["number"] = 5  # type: ignore[index]  # fields cannot be changed
    badge.inspect("02F764DD").value["number"]  # type: ignore[index]  # it may be None


# ── the verbs, with a codec and with a written chain ────────────────────────────────────────────


def verbs(badge: Codec[str, Badge]) -> None:
    assert_type(credkit.decode(badge, "02F764DD"), Badge)
    assert_type(credkit.encode(badge, Badge(facility=123, number=45678)), str)
    assert_type(credkit.inspect(badge, "02F764DD"), Reading[Badge])
    credkit.decode(badge, Bits("0x02F764DD"))  # type: ignore[misc]  # bits are no text
    credkit.decode(badge, "02F764DD")["facilty"]  # type: ignore[typeddict-item]
    credkit.encode(badge, {"facility": 123})  # type: ignore[misc]  # a missing key
    credkit.inspect(badge, 5)  # type: ignore[misc]  # a number is no text


def written(text: str) -> None:
    assert_type(credkit.decode(TEXT, text), Open)
    assert_type(credkit.encode(TEXT, {"facility": 123, "number": 45678}), Open)
    assert_type(credkit.inspect(TEXT, text), Reading[Open])
    assert_type(credkit.convert(text, source=TEXT, target=TEXT), Open)
    credkit.decode(TEXT, text)["number"]  # type: ignore[call-overload, index]  # is it fields? only the chain says so
    credkit.decode(TEXT, 5)  # type: ignore[call-overload]  # no form
    credkit.encode(TEXT, {"facility": None})  # type: ignore[dict-item]  # no field holds that
    credkit.decode(26, text)  # type: ignore[call-overload]  # neither a text nor a codec


def conversions(badge: Codec[str, Badge], frame: Codec[Bits, Mapping[str, Item]], text: str) -> None:
    assert_type(credkit.conversion(badge, frame), Conversion[str, Bits])
    assert_type(credkit.conversion(badge, frame).convert(text), Bits)
    assert_type(credkit.conversion(badge, TEXT), Conversion[str, Open])
    assert_type(credkit.conversion(TEXT, frame), Conversion[Accepted, Bits])
    assert_type(credkit.conversion(TEXT, TEXT), Conversion[Accepted, Open])
    assert_type(credkit.convert(text, source=badge, target=frame), Bits)
    assert_type(credkit.convert(text, source=badge, target=TEXT), Open)
    assert_type(credkit.convert(text, source=TEXT, target=frame), Bits)
    credkit.conversion(badge, frame).convert(Bits("0b0"))  # type: ignore[arg-type]  # bits are no text
    credkit.convert(Bits("0b0"), source=badge, target=frame)  # type: ignore[misc]  # bits are no text
    credkit.convert(text, source=badge)  # type: ignore[call-overload]  # into what?


def choices(badge: Codec[str, Badge], frame: Codec[Bits, Mapping[str, Item]]) -> None:
    assert_type(credkit.choice(badge, badge), Codec[str, Badge])
    assert_type(credkit.choice(badge, TEXT), Codec[str, Badge])
    assert_type(credkit.choice(TEXT, TEXT), Codec[Open, Open])
    credkit.choice(badge, frame)  # type: ignore[misc]  # one takes texts, one takes bits
    credkit.choice(badge, 26)  # type: ignore[call-overload]  # neither a text nor a codec


def pools(pool: Executor, badge: Codec[str, Badge]) -> None:
    assert_type(pool.submit(badge.decode, "02F764DD"), Future[Badge])
    assert_type(pool.submit(credkit.decode, badge, "02F764DD"), Future[Badge])
    assert_type(pool.submit(credkit.decode, TEXT, "02F764DD"), Future[Open])
    assert_type(pool.map(badge.decode, ["02F764DD"]), Iterator[Badge])


def drivers(frame: Codec[Bits, Badge], digits: Codec[str, Bits], data: bytes) -> None:
    """Where bits are meant, bytes and (number, length) are bits."""
    assert_type(frame.decode(data), Badge)
    assert_type(frame.decode((49767645, 26)), Badge)
    assert_type(credkit.decode(frame, data), Badge)
    assert_type(credkit.decode(frame, (49767645, 26)), Badge)
    assert_type(credkit.inspect(frame, data), Reading[Badge])
    assert_type(credkit.encode(digits, data), str)
    assert_type(credkit.conversion(frame, digits).convert(data), str)
    assert_type(credkit.convert(data, source=frame, target=digits), str)
    assert_type(credkit.convert(data, source=frame, target=TEXT), Open)
    assert_type(credkit.decode("wiegand-26", (49767645, 26)), Open)
    credkit.decode(frame, 49767645)  # type: ignore[misc]  # of how many bits?
    frame.decode(49767645)  # type: ignore[call-overload]  # of how many bits?


# ── a site's own codecs ─────────────────────────────────────────────────────────────────────────


def own(entry: Entry, codec: AnyCodec, badge: Codec[str, Badge], text: str) -> None:
    credkit.decode(TEXT, text, codecs=entry)
    credkit.decode(TEXT, text, codecs=badge)
    credkit.decode(TEXT, text, codecs=(entry,))
    credkit.decode(TEXT, text, codecs=[entry, codec, badge])
    credkit.decode(TEXT, text, codecs=iter([entry]))
    assert_type(credkit.chain(TEXT, entry, takes="text", gives=Badge), Codec[str, Badge])
    assert_type(credkit.names(codecs=badge), tuple[str, ...])
    credkit.decode(TEXT, text, codecs="gate-26")  # type: ignore[arg-type]  # a name is no codec
    credkit.decode(TEXT, text, codecs={"gate-26": {"length": 26}})  # type: ignore[dict-item]  # nor is a table
    credkit.decode(TEXT, text, codecs=None)  # type: ignore[call-overload]
    credkit.chain(TEXT, codecs=[26], takes="text", gives=Badge)  # type: ignore[call-overload]


CHECKS: list[credkit.CheckRow] = [{"bit": 0, "even": "1-13"}, {"bits": "24-31", "crc": (0, 23), "poly": 0x07}]
FIELDS: dict[str, credkit.Span] = {"site": (1, 5), "number": range(6, 28)}
CODED: dict[str, credkit.CodedSpan] = {"number": {"bits": "0-15", "code": "bcd"}}
REMARKS: list[credkit.RemarkRow] = [{"field": "site", "values": [0], "level": "care", "text": "an old card"}]
EXAMPLES: list[credkit.ExampleRow] = [{"bits": "0101", "fields": {"number": 5}}]


def layouts(texts: dict[str, str], places: dict[int, str], pairs: dict[tuple[int, int], str]) -> None:
    entry = credkit.layout_entry(
        "pier-29", length=29, fields=FIELDS, checks=CHECKS, fixed=texts, remarks=REMARKS, examples=EXAMPLES
    )
    assert_type(entry, Entry)
    credkit.layout_entry("pier-29", length=29, fields=CODED, fixed=places)
    credkit.layout_entry("pier-29", length=29, fields=CODED, fixed=pairs)
    credkit.layout_entry("pier-29", length=29, fields=CODED, fixed={(0, 3): "1010", "28": "1"})
    credkit.layout_entry("pier-29", length=29, fields=CODED, fixed={"0-3": 10})  # type: ignore[dict-item]  # digits are a text
    misspelt: credkit.CheckRow = {"bit": 0, "evn": "1-13"}  # type: ignore[typeddict-unknown-key]
    credkit.layout_entry("pier-29", length=29, fields=CODED, checks=[misspelt])
