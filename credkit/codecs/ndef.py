"""NDEF: the message in a tag's data area, and what its records say.

    tlv                         03 08 D1 01 04 55 05 31 32 33 FE 00     the message D1 … 33
    ndef:contact:uri            D1 01 04 55 05 31 32 33                 contact=tel:123
    tlv/ndef:contact:uri        both in a row, as a plan stores it

An NDEF message is what a telephone reads from a card: anybody's telephone, so it is no place for
what others must not know. It can be copied and rewritten, and proves nothing about its card.

They have no tables: blocks and records say themselves how long they are, and how many there are.

Source: NFC Forum NDEF 1.0, NFC RTD 1.0, URI, Text and Smart Poster RTD, Type 2 Tag, Type 5 Tag.

>>> from bitstring import Bits
>>> codec = build_ndef("contact:uri")
>>> dict(codec.decode(Bits("0xD101045505313233")))
{'contact': 'tel:123'}
>>> build_tlv().encode(codec.encode({"contact": "tel:123"})).hex
'0308d101045505313233fe'
>>> codec.decode(Bits("0x5101045505313233"))
Traceback (most recent call last):
credkit.DecodeError: ndef:contact:uri: the flag MB of record 1 fails: bit 0 is 0, expected 1
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from bitstring import Bits

from credkit.core.codec import AnyCodec, Codec, Entry, Example, Out
from credkit.core.contract import check_fields
from credkit.core.errors import DefinitionError, EncodeError
from credkit.core.fields import FieldMapping, Fields
from credkit.core.frozen import FrozenMapping
from credkit.core.grammar import format_step
from credkit.core.origins import ByName, OneByOne
from credkit.core.reading import AnyReading, Check, Note, Part, Reading
from credkit.core.sentences import redacted_repr
from credkit.core.shapes import Shape, bits, common_lengths, describe_lengths, multiples
from credkit.core.spans import MAX_BITS
from credkit.tables.bytespans import ByteSpan, Malformed, format_count
from credkit.tables.ndefkinds import KIND_EXAMPLES, FieldText, RecordKind, parse_kind
from credkit.tables.ndefrecords import decode_records, describe_type, encode_records
from credkit.tables.tlvs import (
    LOCK,
    MEMORY,
    MESSAGE,
    TERMINATOR,
    TlvBlock,
    block_size,
    decode_blocks,
    encode_block,
    largest_message,
)

WHOLE_BYTES = multiples(8)
CONTROL_NOTES = {
    LOCK: "it says where lock bits stand, which may be among the bytes read here",
    MEMORY: "it sets bytes aside, which may be among those read here",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class ByteStructureCodec(Codec[Bits, Out]):
    """Whole bytes of NFC Forum structures; what ends the reading of them is a failed check."""

    def bind_input(self, flowing: Shape) -> ByteStructureCodec[Out]:
        """The codec for the lengths that can flow here."""
        return replace(self, input=bits(common_lengths(flowing.lengths, self.input.lengths)))

    def inspect(self, value: Bits) -> Reading[Out]:
        """What stands in the bytes; a failed check where nothing can."""
        lengths, length = self.input.lengths, len(value)
        if length in WHOLE_BYTES:
            try:
                reading = self.inspect_bytes(ByteSpan.from_bytes(value.bytes))
            except Malformed as fault:
                return Reading(value=None, checks=(fault.failed_check(self.name),))
            if length in lengths:
                return reading
        beyond = length > lengths[-1] and len(lengths) > 1
        check = Check(
            codec=self.name, rule="length", claim="the length in bits", form="bits",
            expected=f"at most {lengths[-1]} bits" if beyond else describe_lengths(lengths), found=length,
        )  # fmt: skip
        return Reading(value=None, checks=(check,))

    @abstractmethod
    def inspect_bytes(self, whole: ByteSpan) -> AnyReading:
        """The reading of whole bytes; raises `Malformed`."""


# ── the data area ───────────────────────────────────────────────────────────────────────────────


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class TlvCodec(ByteStructureCodec[Bits]):
    """A data area to the one NDEF message in it."""

    def bind_input(self, flowing: Shape) -> TlvCodec:
        """The codec for the areas that can flow here: it fills them when it writes."""
        lengths = common_lengths(flowing.lengths, self.input.lengths)
        return replace(self, input=bits(lengths), output=bits(range(0, 8 * largest_message(lengths[-1] // 8) + 1, 8)))

    def inspect_bytes(self, whole: ByteSpan) -> AnyReading:
        """The message, notes of what else is there."""
        blocks, terminator = decode_blocks(whole)
        messages = [block for block in blocks if block.tag == MESSAGE]
        if len(messages) != 1:
            at = messages[1].at if messages else ()
            found = "a second one" if messages else "none"
            raise Malformed("message", "one message TLV in the area", at, "only one" if messages else "one", found)
        message = messages[0]
        value, places = Bits.from_bytes(message.value.data), message.value.bits
        check = Check(
            codec=self.name, rule="message", claim="one message TLV in the area", form="bits",
            at=message.header.bits, expected="one", found="one",
        )  # fmt: skip
        return Reading(
            value=value, checks=(check,), notes=tuple(_area_notes(whole, blocks, message, terminator)),
            parts=tuple(_area_parts(whole, blocks, terminator)), origin=OneByOne(places),
        )  # fmt: skip

    def encode(self, value: Bits) -> Bits:
        """The message in its area: terminator if there is room, zeros; raises `EncodeError` where it does not fit."""
        value = self.check_output(value)
        length = len(value)
        if length % 8:
            raise EncodeError(f"{self.name}: writes whole bytes, not {length} bits")
        lengths, needed = self.input.lengths, block_size(length // 8)
        if 8 * needed > lengths[-1]:
            raise EncodeError(
                f"{self.name}: the message has {format_count(length // 8)}, {needed} with tag and length, "
                f"but the area holds {lengths[-1] // 8}"
            )
        block = encode_block(value.bytes)
        if 8 * needed < lengths[-1]:
            block += bytes([TERMINATOR])
        at = max(0, -((lengths.start - 8 * len(block)) // lengths.step))
        return Bits.from_bytes(block.ljust(lengths[at] // 8, b"\0"))


def _area_notes(whole: ByteSpan, blocks: list[TlvBlock], message: TlvBlock, terminator: int | None) -> Iterator[Note]:
    """What is noted of an area that holds ``message``."""
    for block in blocks:
        if block is not message:
            more = f": {CONTROL_NOTES[block.tag]}" if block.tag in CONTROL_NOTES else ""
            text = f"a {block.title}{more}; it is no part of the message, and credkit writes none"
            yield Note(kind="other-tlv", level="care", text=text, at=block.at)
    if message.has_overlong_length:
        text = f"the length of the message, {len(message.value)}, stands in three bytes; credkit writes one"
        yield Note(kind="overlong-length", level="info", text=text, at=message.header.slice(1).bits)
    if not len(message.value):
        text = "the message is empty: the tag was made ready, and nothing is written yet"
        yield Note(kind="empty-message", level="info", text=text, at=message.at)
    front = message.header.at[0] - sum(block.size for block in blocks[: blocks.index(message)])
    if front:
        text = f"{format_count(front, 'null TLV')} in front of the message; credkit writes none"
        yield Note(kind="null-tlv", level="info", text=text)
    if terminator is None:
        if all(block.stop < len(whole) for block in blocks):
            text = "there is no terminator TLV behind the blocks, though there is room for one; credkit writes it"
            yield Note(kind="no-terminator", level="info", text=text)
    elif any((rest := whole.slice(terminator + 1)).data):
        text = f"{format_count(len(rest))} behind the terminator TLV, not all zero: what was there before, perhaps"
        yield Note(kind="after-terminator", level="info", text=text, at=rest.bits)


def _area_parts(whole: ByteSpan, blocks: list[TlvBlock], terminator: int | None) -> Iterator[Part]:
    """The stretches of an area."""
    for block in blocks:
        if block.tag != MESSAGE:
            yield Part(name=block.title, at=block.at, value=None)
            continue
        yield Part(name="tag and length", at=block.header.bits, value=None)
        if len(block.value):
            yield Part(name="message", at=block.value.bits, value=None)
    if terminator is not None:
        yield Part(name="terminator", at=whole.slice(terminator, terminator + 1).bits, value=None)
        if rest := whole.slice(terminator + 1).bits:
            yield Part(name="rest", at=rest, value=None)


def build_tlv() -> AnyCodec:
    """``tlv``: the one NDEF message in the data area of an NFC Forum Type 2 or Type 5 tag."""
    return TlvCodec(
        name="tlv",
        input=bits(range(16, MAX_BITS + 1, 8)),
        output=bits(range(0, 8 * largest_message(MAX_BITS // 8) + 1, 8)),
    )


# ── the message ─────────────────────────────────────────────────────────────────────────────────


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class NdefCodec(ByteStructureCodec[FieldMapping]):
    """A message of exactly the records ``wanted``, each a field's name and its kind, to their texts."""

    wanted: tuple[tuple[str, RecordKind], ...]

    def inspect_bytes(self, whole: ByteSpan) -> AnyReading:
        """What every record says."""
        records = decode_records(whole)
        said: list[FieldText] = []
        notes: list[Note] = []
        parts: list[Part] = []
        for (name, kind), record in zip(self.wanted, records, strict=False):
            content = kind.decode(name, record)
            said += content.field_texts
            notes += content.notes
            parts.append(Part(name="header", at=record.header.bits, value=None))
            parts += [Part(name=each.name, at=each.at, value=each.text) for each in content.field_texts if each.at]
        wanted, found = len(self.wanted), len(records)
        if found > wanted:
            surplus = records[wanted]
            more = describe_type(surplus.tnf, surplus.type)
            raise Malformed("records", f"{format_count(wanted, 'record')} in the message", surplus.at, "no more", more)
        if found < wanted:
            raise Malformed(
                "records", "every record in the message", records[-1].at,
                f"one more for {self.wanted[found][0]}", "the last record",
            )  # fmt: skip
        places = {each.name: each.at for each in said}
        names = ", ".join(name for name, _ in self.wanted)
        claim = f"a message of {format_count(wanted, 'record')} ({names})"
        check = Check(
            codec=self.name, rule="records", claim=claim, form="bits",
            expected=wanted, found=found,
        )  # fmt: skip
        return Reading(
            value=Fields({each.name: each.text for each in said}), checks=(check,), notes=tuple(notes),
            parts=tuple(parts), origin=ByName(places),
        )  # fmt: skip

    def encode(self, value: Mapping[str, Any]) -> Bits:
        """The message; raises `EncodeError` for a text that a record cannot hold, or a message of another length."""
        check_fields(self.name, self.schema, self.check_output(value))
        try:
            message = encode_records((kind.tnf, kind.type, kind.encode(name, value)) for name, kind in self.wanted)
        except EncodeError as error:
            raise EncodeError(f"{self.name}: {error}") from None
        lengths = self.input.lengths
        if 8 * len(message) in lengths:
            return Bits.from_bytes(message)
        most = "exactly" if len(lengths) == 1 else "at most"
        raise EncodeError(
            f"{self.name}: the message has {format_count(len(message))}, expected {most} {lengths[-1] // 8}"
        )  # fmt: skip


def build_ndef(*specs: str) -> AnyCodec:
    """``ndef:NAME:KIND,…``: a message of exactly these records, in this order, each one text.

    KIND is ``uri``; ``text-LANG``, a text in a language, as in ``text-en``; ``poster-LANG``, a URI
    with a title, which is the field NAME_title and empty where the poster has none; ``poster``, the
    same without a title; ``mime=TYPE``, content of a media type, its slash
    written %2F as in ``mime=text%2Fplain``, in hexadecimal digits unless it is a text;
    ``external=DOMAIN:TYPE``, a text of an external type, as in ``external=brackwater.example:badge``.

    Other records are refused, never left out. Chunks and UTF-16 are read and not written; an ID is noted.
    """
    wanted: dict[str, RecordKind] = {}
    schema = {}
    for spec in specs:
        name, colon, kind = spec.partition(":")
        if not colon:
            raise DefinitionError(
                f"ndef: {redacted_repr(spec)} is not a record such as contact:uri (kinds: {KIND_EXAMPLES})"
            )
        if not name.isidentifier() or not name.isascii() or name != name.lower():
            raise DefinitionError(
                f"ndef: {redacted_repr(name)}: a field name has small letters, digits and underscores only"
            )
        wanted[name] = parse_kind(kind)
        for row in wanted[name].field_rows(name):
            if row.name in schema:
                raise DefinitionError(f"ndef: the field {row.name} appears twice")
            schema[row.name] = row
    if not wanted:
        raise DefinitionError("ndef: at least one record is needed, such as ndef:contact:uri")
    least = encode_records(
        (kind.tnf, kind.type, kind.encode(name, dict.fromkeys(schema, ""))) for name, kind in wanted.items()
    )
    return NdefCodec(
        name=format_step("ndef", *specs), input=bits(range(8 * len(least), MAX_BITS + 1, 8)),
        output=Shape("fields", schema=FrozenMapping(schema)), wanted=tuple(wanted.items()),
    )  # fmt: skip


def _count_digit_bits(digits: str) -> str:
    return str(Bits(hex=digits).bin)


ENTRIES = (
    Entry(
        name="tlv", title="the data area of an NFC Forum Type 2 or Type 5 tag, to the NDEF message in it",
        source="NFC Forum Type 2 Tag, Type 5 Tag", build=build_tlv, usual=(),
        examples=(Example(given=_count_digit_bits("0303D00000FE"), gives=_count_digit_bits("D00000")),),
    ),
    Entry(
        name="ndef", signature="NAME:KIND,…", title="an NDEF message of exactly these records, to their texts",
        source="NFC Forum NDEF, NFC RTD, URI RTD, Text RTD, Smart Poster RTD", build=build_ndef, usual=(),
        examples=(
            Example(args="contact:uri", given=_count_digit_bits("D101045505313233"), gives="contact='tel:123'"),
            Example(args="note:text-en", given=_count_digit_bits("D101075402656E50696572"), gives="note='Pier'"),
            Example(
                args="note:mime=text%2Fplain", given=_count_digit_bits(f"D20A04{b'text/plain'.hex()}50696572"),
                gives="note='Pier'"
            ),
            Example(
                args="crane:external=brackwater.example:crane", gives="crane='07'",
                given=_count_digit_bits(f"D41802{b'brackwater.example:crane'.hex()}3037"),
            ),
            Example(
                args="office:uri,map:poster-en", gives="office='tel:123' map='urn:nfc:7' map_title='Map'",
                given=_count_digit_bits("910104550531323351021053709101025523375101065402656E4D6170"),
            ),
            Example(
                args="link:poster", gives="link='http://www.nfc-forum.org'",
                given=_count_digit_bits("D102125370D1010E55016E66632D666F72756D2E6F7267"),
            ),
        ),
    ),
)  # fmt: skip
