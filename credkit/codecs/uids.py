"""UIDs of type A as anticollision sends them and as memory holds them: to the bytes of the UID, and back.

    levels   uid0 uid1 uid2 uid3 BCC
             88   uid0 uid1 uid2 BCC   uid3 uid4 uid5 uid6 BCC
             88   uid0 uid1 uid2 BCC   88   uid3 uid4 uid5 BCC   uid6 uid7 uid8 uid9 BCC
    stored   uid0 uid1 uid2 uid3 BCC
             uid0 uid1 uid2 BCC0  uid3 uid4 uid5 uid6 BCC1

A BCC is the XOR of the four bytes of its level. The cascade tag 88 is not stored, but BCC0 counts
it. One or two levels whose last one begins with the cascade tag are incomplete: another level
follows on the air. So no UID of 4 bytes begins with 88, and no UID of 7 bytes has 88 as its fourth.
Each form is a layout, read by `DataOf`; which layout it is follows from the length, and that is
why a `UidForm` needs code.

What the first byte of a UID says is noted by ``uid-a-4``, ``uid-a-7`` and ``uid-a-10``. A UID that
passes here is not garbled; it can be copied and authenticates nothing.

Source: ISO/IEC 14443-3 clause 6 (levels); common practice, no source (the stored form).

>>> from bitstring import Bits
>>> levels = build("uid-a-levels")
>>> levels.decode(Bits("0x88041122BF3344556644")).hex
'04112233445566'
>>> build("uid-a-stored").encode(Bits("0x04112233445566")).hex
'041122bf3344556644'
>>> levels.decode(Bits("0x5A3C1E077E"))
Traceback (most recent call last):
credkit.DecodeError: uid-a-levels: the BCC over bits 0-31 fails: bits 32-39 are 01111110, expected 01111111
>>> levels.decode(Bits("0x88041122BF"))
Traceback (most recent call last):
credkit.DecodeError: uid-a-levels: a complete UID (its last level does not begin with the cascade tag 88) \
fails: bits 0-7 are 10001000, expected another byte
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache, partial
from math import log2
from typing import Any

from bitstring import Bits

from credkit.codecs.dataof import DataOf
from credkit.core.codec import PRACTICE, AnyCodec, Entry, Example, TableCodec
from credkit.core.errors import EncodeError
from credkit.core.forms import Word
from credkit.core.reading import AnyReading, Check, Reading
from credkit.core.shapes import Shape, bits, covering_lengths, describe_lengths, exactly
from credkit.core.spans import format_span
from credkit.tables.definition import layout
from credkit.tables.layout import BitRun, Layout, LayoutCheck, LayoutCodec, bit_runs_at, decode_number

CASCADE_TAG = 0x88  # the cascade tag, ISO/IEC 14443-3 clause 6


def _define_bcc(at: str, covers: str, start: int = 0) -> Mapping[str, Any]:
    """The check row of a BCC, the XOR of bytes and of ``start``."""
    return {"bits": at, "rule": "bcc", "crc": covers, "algorithm": "xor-byte", "init": start}


def _define_form(length: int, uid: str, *checks: Mapping[str, Any], tags: Iterable[str] = ()) -> Mapping[str, Any]:
    return {
        "length": length, "fields": {"uid": uid}, "fixed": dict.fromkeys(tags, f"{CASCADE_TAG:08b}"),
        "checks": list(checks)
    }  # fmt: skip


FORMS = {
    "uid-a-levels": (
        _define_form(40, "0-31", _define_bcc("32-39", "0-31")),
        _define_form(80, "8-31,40-71", _define_bcc("32-39", "0-31"), _define_bcc("72-79", "40-71"), tags=["0-7"]),
        _define_form(
            120, "8-31,48-71,80-111", _define_bcc("32-39", "0-31"), _define_bcc("72-79", "40-71"),
            _define_bcc("112-119", "80-111"),
            tags=["0-7", "40-47"],
        ),
    ),
    "uid-a-stored": (
        _define_form(40, "0-31", _define_bcc("32-39", "0-31")),
        _define_form(72, "0-23,32-63", _define_bcc("24-31", "0-23", CASCADE_TAG), _define_bcc("64-71", "32-63")),
    ),
}  # fmt: skip
LAST_LEVEL_STARTS = {
    ("uid-a-levels", 40): 0,
    ("uid-a-levels", 80): 40,
}  # the first bit of the last level, which is no cascade tag


@dataclass(frozen=True, slots=True, kw_only=True)
class LastLevelCheck(LayoutCheck):
    """The first byte of the last level: a byte of the UID, never the cascade tag."""

    parts: tuple[BitRun, ...]

    @classmethod
    def for_form(cls, length: int, start: int) -> LastLevelCheck:
        """The check for a form of ``length`` bits, the last level of which begins at bit ``start``."""
        at = tuple(range(start, start + 8))
        return cls(
            rule="complete-uid",
            claim=f"a complete UID (its last level does not begin with the cascade tag {CASCADE_TAG:X})",
            at=at, covers=at, evidence=-log2(1 - 2**-8), parts=bit_runs_at(length, at),
        )  # fmt: skip

    def fails(self, word: Any, parity: Any) -> Any:
        """Whether the cascade tag stands there."""
        return decode_number(self.parts, word) == CASCADE_TAG

    def verdict(self, word: int) -> tuple[object, object]:
        """Another byte than the cascade tag, and the byte that is there."""
        found = f"{decode_number(self.parts, word):08b}"
        return "another byte" if self.fails(word, None) else found, found


def _named_check(check: LayoutCheck) -> LayoutCheck:
    """``check`` with the words of the standard."""
    if check.rule.startswith("fixed"):
        return replace(check, rule=check.rule.replace("fixed", "cascade-tag"), claim=f"the cascade tag {CASCADE_TAG:X}")
    return replace(check, claim=f"the BCC over bits {format_span(check.covers)}")


def _data_of(name: str, definition: Mapping[str, Any]) -> DataOf:
    made = layout(name, definition)
    checks = tuple(map(_named_check, made.checks))
    if (start := LAST_LEVEL_STARTS.get((name, made.length))) is not None:
        checks += (LastLevelCheck.for_form(made.length, start),)
    frame = LayoutCodec.for_layout(replace(made, checks=checks))
    size = len(made.fields[0].places)
    return DataOf(name=name, input=frame.input, output=bits(exactly(size)), frame=frame)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class UidForm(TableCodec[Bits, Bits]):
    """Bits to the bits of a UID, by the one of ``forms`` that is as long."""

    forms: tuple[DataOf, ...]

    @classmethod
    def from_definitions(cls, name: str, forms: Iterable[DataOf]) -> UidForm:
        """The codec for these forms."""
        kept = tuple(forms)
        return cls(
            name=name, forms=kept, input=bits(covering_lengths(*(form.input.lengths for form in kept))),
            output=bits(covering_lengths(*(form.output.lengths for form in kept))),
        )  # fmt: skip

    @property
    def table(self) -> Layout | None:
        """The layout, once the length is fixed."""
        return self.forms[0].table if len(self.forms) == 1 else None

    def bind_input(self, flowing: Shape) -> UidForm:
        """The codec for the lengths that can flow here."""
        return UidForm.from_definitions(
            self.name, (form for form in self.forms if form.input.lengths[0] in flowing.lengths)
        )

    def input_for(self, flowing: Shape) -> Shape:
        """What encoding hands on: the form of a UID that is as long."""
        return UidForm.from_definitions(
            self.name, (form for form in self.forms if form.output.lengths[0] in flowing.lengths)
        ).input

    def _decode_raw(self, raw: Word) -> Word | None:
        """The bits of the UID, or None where the length is wrong or a check fails."""
        form = next((form for form in self.forms if form.length == raw[1]), None)
        return form._decode_raw(raw) if form else None

    def _encode_raw(self, raw: Word) -> Word:
        """The form of a UID, tags and check bytes put in; raises `EncodeError` for what is no UID of this form."""
        form = next((form for form in self.forms if form.output.lengths[0] == raw[1]), None)
        if not form:
            raise EncodeError(f"{self.name}: a UID here has {describe_lengths(self.output.lengths)}, not {raw[1]}")
        written = form._encode_raw(raw)
        if form._decode_raw(written) is None:
            which = "first" if form.length == 40 else "fourth"
            raise EncodeError(
                f"{self.name}: the {which} byte of the UID is {CASCADE_TAG:X}, the cascade tag, which no UID of "
                f"{raw[1] // 8} bytes has there"
            )
        return written

    def inspect(self, value: Bits) -> AnyReading:
        """The bits of the UID, with every check on them."""
        form = next((form for form in self.forms if form.length == len(value)), None)
        if form:
            return form.inspect(value)
        check = Check(
            codec=self.name, rule="length", claim="the length in bits", form="bits",
            expected=describe_lengths(self.input.lengths), found=len(value),
        )  # fmt: skip
        return Reading(value=None, checks=(check,))


@cache
def build(name: str) -> AnyCodec:
    """The codec called ``name``, of all its forms."""
    return UidForm.from_definitions(name, (_data_of(name, definition) for definition in FORMS[name]))


ENTRIES = (
    Entry(
        name="uid-a-levels", title="the anticollision levels of a type A UID, with BCC and cascade tags, to the UID",
        source="ISO/IEC 14443-3 clause 6", build=partial(build, "uid-a-levels"),
        examples=(
            Example(given="0101101000111100000111100000011101111111", gives="01011010001111000001111000000111"),
            Example(
                given="10001000000001000001000100100010101111110011001101000100010101010110011001000100",
                gives="00000100000100010010001000110011010001000101010101100110",
            ),
        ),
    ),
    Entry(
        name="uid-a-stored", title="a type A UID as memory holds it, with its BCC, to the UID",
        source=PRACTICE, build=partial(build, "uid-a-stored"),
        examples=(
            Example(given="0101101000111100000111100000011101111111", gives="01011010001111000001111000000111"),
            Example(
                given="000001000001000100100010101111110011001101000100010101010110011001000100",
                gives="00000100000100010010001000110011010001000101010101100110",
            ),
        ),
    ),
)  # fmt: skip
