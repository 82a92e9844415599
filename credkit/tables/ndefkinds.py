"""Kinds of NDEF records: what a payload says, as text, and back.

    uri                     55     05 31 32 33                 tel:123
                                   prefix code, the rest in UTF-8
    text-en                 54     02 65 6E 50 69 65 72        Pier
                                   UTF-16 80, size of the language; language; text
    poster-en               53 70  a message of its own: a URI, and perhaps a title in the language
    poster                  53 70  the same without a title
    mime=text/plain                UTF-8; of other media types hexadecimal digits
    external=DOMAIN:TYPE           UTF-8

A kind reads a `Record` to what its fields hold, each text with the places it was read from, and
writes the texts to a payload. What it does not know is refused, never dropped.

Source: NFC Forum URI RTD 1.0, Text RTD 1.0, Smart Poster RTD 1.1, NFC RTD 1.0 (external types); RFC
2046, RFC 6838 (media types); RFC 3986 (schemes); RFC 5646 (languages).
"""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from credkit.core.errors import DefinitionError, EncodeError
from credkit.core.origins import Place
from credkit.core.reading import Note, SchemaRow, TextField
from credkit.core.sentences import nearest, redacted_repr
from credkit.tables.bytespans import ByteSpan, Malformed, format_count
from credkit.tables.ndefrecords import NdefRecord, Tnf, decode_records, describe_type, encode_records

PREFIXES = (  # URI RTD, table 3: the codes 00 to 23
    "", "http://www.", "https://www.", "http://", "https://", "tel:", "mailto:", "ftp://anonymous:anonymous@",
    "ftp://ftp.", "ftps://", "sftp://", "smb://", "nfs://", "ftp://", "dav://", "news:", "telnet://", "imap:",
    "rtsp://", "urn:", "pop:", "sip:", "sips:", "tftp:", "btspp://", "btl2cap://", "btgoep://", "tcpobex://",
    "irdaobex://", "file://", "urn:epc:id:", "urn:epc:tag:", "urn:epc:pat:", "urn:epc:raw:", "urn:epc:", "urn:nfc:",
)  # fmt: skip
URI, TEXT, POSTER = b"U", b"T", b"Sp"
FIRST_PRINTABLE = 0x20  # URI RTD: a URI has no character below
_LONGEST_FIRST = sorted(range(len(PREFIXES)), key=lambda code: -len(PREFIXES[code]))
UTF_16, LANGUAGE = 0x80, 0x3F  # Text RTD, table 3: the status byte; its bit 6 is reserved
BYTE_ORDER_MARKS = {b"\xfe\xff": "utf-16-be", b"\xff\xfe": "utf-16-le"}  # RFC 2781: byte order marks
LONGEST_TYPE_BYTES = 255  # bytes
HEX_DIGITS = "0123456789ABCDEF"
KIND_EXAMPLES = "uri, text-en, poster-en, poster, mime=text%2Fplain, external=brackwater.example:badge"

_CONTROL = re.compile(f"[\0-{chr(FIRST_PRINTABLE - 1)}]")
_SCHEME = re.compile("[A-Za-z][A-Za-z0-9+.-]*:")  # RFC 3986, section 3.1
_LANGUAGE = re.compile("(?:[A-Za-z]{2,8}|[IiXx])(?:-[A-Za-z0-9]{1,8})*")
_MEDIA = re.compile("[A-Za-z0-9][A-Za-z0-9!#$&^_.+-]{0,126}/[A-Za-z0-9][A-Za-z0-9!#$&^_.+-]{0,126}")
_EXTERNAL = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9.-]*[A-Za-z0-9])?:[A-Za-z0-9()+,:=@;$_!*'.-]+")


class FieldText(NamedTuple):
    """What a record says for one field, and the bits that hold it."""

    name: str
    text: str
    at: tuple[Place, ...]


class RecordContent(NamedTuple):
    """What a record says, and what is to be noted."""

    field_texts: list[FieldText]
    notes: list[Note]


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordKind(ABC):
    """One kind of record, of the type ``type``, which is a name of the sort ``tnf``."""

    tnf: Tnf
    type: bytes

    @property
    def title(self) -> str:
        """The kind in words."""
        return describe_type(self.tnf, self.type)

    def fits(self, record: NdefRecord) -> bool:
        """Whether ``record`` is of this kind; only well-known types tell capital from small letters."""
        if self.tnf == Tnf.WELL_KNOWN:
            return (record.tnf, record.type) == (self.tnf, self.type)
        return record.tnf == self.tnf and record.type.lower() == self.type.lower()

    def decode(self, name: str, record: NdefRecord) -> RecordContent:
        """What ``record`` says for the field ``name``; raises `Malformed`."""
        if not self.fits(record):
            found = describe_type(record.tnf, record.type)
            if found == self.title:  # long types are shown shortened
                found = "one that is spelt otherwise"
            raise Malformed("type", f"the type of {record.label} ({name})", record.header.bits, self.title, found)
        content = self.decode_payload(name, record)
        return RecordContent(content.field_texts, [*_remarks(name, record), *content.notes])

    @abstractmethod
    def decode_payload(self, name: str, record: NdefRecord) -> RecordContent:
        """What a record of this kind says; raises `Malformed`."""

    def field_rows(self, name: str) -> tuple[SchemaRow, ...]:
        """The fields that a record gives."""
        return (TextField(name=name),)

    @abstractmethod
    def encode(self, name: str, fields: Mapping[str, str]) -> bytes:
        """The payload; raises `EncodeError` for a text that it cannot hold."""


def _remarks(name: str, record: NdefRecord) -> Iterator[Note]:
    """What is noted of a record beside its content."""
    if record.id is not None:
        text = f"{record.label} ({name}) has an ID, {redacted_repr(record.id.data.hex().upper())}; credkit writes none"
        yield Note(kind="record-id", level="info", text=text, at=record.id.bits)
    if record.chunks > 1:
        text = f"{record.label} ({name}) comes in {record.chunks} chunks; credkit writes it whole"
        yield Note(kind="chunks", level="info", text=text, at=record.header.bits)


def _decode_text(stretch: ByteSpan, label: str, encoding: str = "utf-8") -> str:
    """The text that ``stretch`` is in an encoding."""
    try:
        return stretch.data.decode(encoding)
    except UnicodeDecodeError as error:
        wrong = stretch.slice(error.start, error.end)
        expected, found = "a character", wrong.data.hex().upper()
        raise Malformed("encoding", f"the encoding {encoding} in {label}", wrong.bits, expected, found) from None


def _encode_utf8(name: str, text: str, start: int = 0) -> bytes:
    """The characters of ``text`` from ``start`` on, in UTF-8."""
    try:
        return text[start:].encode()
    except UnicodeEncodeError as error:
        place = start + error.start
        raise EncodeError(
            f"{name} has {redacted_repr(text[place])} as character {place}, half of a surrogate pair"
        ) from None


def _first_payload_byte(record: NdefRecord, what: str) -> int:
    """The first byte of the payload, which is ``what``."""
    if not len(record.payload):
        raise Malformed("payload", f"{what} in the payload of {record.label}", record.header.bits, "1 byte", "none")
    return record.payload.data[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class UriKind(RecordKind):
    """A URI, its beginning as a code: the one for the most characters is written, any is read."""

    def decode_payload(self, name: str, record: NdefRecord) -> RecordContent:
        """The URI in full."""
        code, rest = _first_payload_byte(record, "a prefix code"), record.payload.slice(1)
        if code >= len(PREFIXES):
            found, most = f"{code:02X}", f"at most {len(PREFIXES) - 1:02X}"
            raise Malformed(
                "prefix", f"the prefix code of {record.label}", record.payload.slice(0, 1).bits, most, found
            )
        text = _decode_text(rest, record.label)
        if (place := _find_control(text)) is not None:
            at = len(text[:place].encode())
            wrong = rest.slice(at, at + 1)
            claim = f"a URI without control characters in {record.label}"
            raise Malformed("control", claim, wrong.bits, f"at least {FIRST_PRINTABLE:02X}", wrong.data.hex().upper())
        said = FieldText(name, PREFIXES[code] + text, record.payload.bits)
        if _SCHEME.match(said.text):
            return RecordContent([said], [])
        words = f"{record.label} ({name}) begins with no scheme such as mailto: or https:, so that nothing can open it"
        return RecordContent([said], [Note(kind="no-scheme", level="care", text=words, at=said.at)])

    def encode(self, name: str, fields: Mapping[str, str]) -> bytes:
        """The code of the longest prefix, and the rest."""
        uri = fields[name]
        if (place := _find_control(uri)) is not None:
            raise EncodeError(
                f"{name} has {redacted_repr(uri[place])} as character {place}, which no URI has in a record"
            )
        code = next(code for code in _LONGEST_FIRST if uri.startswith(PREFIXES[code]))
        return bytes([code]) + _encode_utf8(name, uri, len(PREFIXES[code]))


def _find_control(uri: str) -> int | None:
    """The place of the first control character, or None."""
    found = _CONTROL.search(uri)
    return found.start() if found else None


@dataclass(frozen=True, slots=True, kw_only=True)
class TextKind(RecordKind):
    """A text in one language: UTF-8 or UTF-16 is read, UTF-8 is written."""

    language: str

    def decode_payload(self, name: str, record: NdefRecord) -> RecordContent:
        """The text, if its language is the right one."""
        status, payload = _first_payload_byte(record, "a status byte"), record.payload
        first = payload.slice(0, 1).bits
        if status & ~(UTF_16 | LANGUAGE):
            raise Malformed("status", f"the reserved bit in the status byte of {record.label}", first[1:2], "0", "1")
        end = 1 + (status & LANGUAGE)
        if end > len(payload):
            claim = f"the language of {record.label} in full"
            raise Malformed(
                "language-size",
                claim,
                payload.slice(1).bits or first,
                format_count(end - 1),
                format_count(len(payload) - 1),
            )
        language = payload.data[1:end].decode("ascii", "backslashreplace")
        if language.lower() != self.language.lower():
            at = payload.slice(1, end).bits or first[2:]
            claim = f"the language of {record.label} ({name})"
            raise Malformed(
                "language", claim, at, self.language, redacted_repr(language) if language else "no language"
            )
        rest, encoding = payload.slice(end), "utf-8"
        if status & UTF_16:
            encoding = BYTE_ORDER_MARKS.get(rest.data[:2], "utf-16-be")
            rest = rest.slice(2 if rest.data[:2] in BYTE_ORDER_MARKS else 0)
        text = _decode_text(rest, record.label, encoding)
        note = f"{record.label} ({name}) is in UTF-16; credkit writes UTF-8"
        notes = [Note(kind="utf-16", level="info", text=note, at=first[:1])] if status & UTF_16 else []
        return RecordContent([FieldText(name, text, rest.bits)], notes)

    def encode(self, name: str, fields: Mapping[str, str]) -> bytes:
        """Status, language and text."""
        return bytes([len(self.language)]) + self.language.encode("ascii") + _encode_utf8(name, fields[name])


@dataclass(frozen=True, slots=True, kw_only=True)
class PosterKind(RecordKind):
    """A URI, and in either order a title in one language; a title that is missing reads as an empty text.

    Without ``title_kind`` there is no title. Nothing else may stand with them.
    """

    uri: UriKind
    title_kind: TextKind | None

    def decode_payload(self, name: str, record: NdefRecord) -> RecordContent:
        """The URI, and the title."""
        inner = decode_records(record.payload, f" in the smart poster {name}")
        found = next((each for each in inner if self.uri.fits(each)), None)
        if found is None:
            claim = f"{self.uri.title} ({name}) in {record.label}"
            raise Malformed("poster", claim, record.payload.bits, "one", "without one")
        inner.remove(found)
        said, notes = self.uri.decode(name, found)
        if self.title_kind is not None:
            title = next((each for each in inner if self.title_kind.fits(each)), None)
            content = self._decode_title(self.title_kind, _title_field(name), title)
            said, notes = said + content.field_texts, notes + content.notes
            inner = [each for each in inner if each is not title]
        for each in inner:
            allowed = "a URI and a title" if self.title_kind else "a URI"
            claim = f"nothing but {allowed} in {record.label} ({name})"
            raise Malformed("poster", claim, each.at, "no more", describe_type(each.tnf, each.type))
        return RecordContent(said, notes)

    @staticmethod
    def _decode_title(words: TextKind, name: str, record: NdefRecord | None) -> RecordContent:
        """What the title's record says; an empty text where there is none."""
        if record is None:
            return RecordContent([FieldText(name, "", ())], [])
        content = words.decode(name, record)
        if content.field_texts[0].text:
            return content
        text = f"{record.label} ({name}) is an empty title; credkit writes none"
        return RecordContent(
            content.field_texts, [*content.notes, Note(kind="empty-title", level="info", text=text, at=record.at)]
        )

    def field_rows(self, name: str) -> tuple[SchemaRow, ...]:
        """The URI, and its title."""
        return TextField(name=name), *((TextField(name=_title_field(name)),) if self.title_kind else ())

    def encode(self, name: str, fields: Mapping[str, str]) -> bytes:
        """A message of the URI, and of the title unless it is empty."""
        kinds: list[tuple[RecordKind, str]] = [(self.uri, name)]
        if self.title_kind is not None and fields[_title_field(name)]:
            kinds.append((self.title_kind, _title_field(name)))
        return encode_records((kind.tnf, kind.type, kind.encode(field, fields)) for kind, field in kinds)


def _title_field(name: str) -> str:
    return f"{name}_title"


@dataclass(frozen=True, slots=True, kw_only=True)
class DataKind(RecordKind):
    """Content of a media type or an external type: text in UTF-8, or bytes as hexadecimal digits."""

    is_hexadecimal: bool

    def decode_payload(self, name: str, record: NdefRecord) -> RecordContent:
        """The text, or the digits."""
        payload = record.payload
        text = payload.data.hex().upper() if self.is_hexadecimal else _decode_text(payload, record.label)
        return RecordContent([FieldText(name, text, payload.bits)], [])

    def field_rows(self, name: str) -> tuple[SchemaRow, ...]:
        """The text, or an even number of digits."""
        if self.is_hexadecimal:
            return (TextField(name=name, letters=HEX_DIGITS, lengths=range(0, 1 << 16, 2)),)
        return (TextField(name=name),)

    def encode(self, name: str, fields: Mapping[str, str]) -> bytes:
        """The bytes."""
        return bytes.fromhex(fields[name]) if self.is_hexadecimal else _encode_utf8(name, fields[name])


def parse_kind(text: str) -> RecordKind:
    """The kind that is written ``text`` in a chain; raises `DefinitionError`.

    >>> parse_kind("mime=text/plain").title
    "media type 'text/plain'"
    >>> parse_kind("text-english!")
    Traceback (most recent call last):
    credkit.DefinitionError: ndef: 'english!' is not a language tag such as en or pt-BR
    """
    uri = UriKind(tnf=Tnf.WELL_KNOWN, type=URI)
    if text == "uri":
        return uri
    if text == "poster":
        return PosterKind(tnf=Tnf.WELL_KNOWN, type=POSTER, uri=uri, title_kind=None)
    start, dash, language = text.partition("-")
    if dash and start in ("text", "poster"):
        if not _LANGUAGE.fullmatch(language) or len(language) > LANGUAGE:
            raise DefinitionError(f"ndef: {redacted_repr(language)} is not a language tag such as en or pt-BR")
        words = TextKind(tnf=Tnf.WELL_KNOWN, type=TEXT, language=language)
        return words if start == "text" else PosterKind(tnf=Tnf.WELL_KNOWN, type=POSTER, uri=uri, title_kind=words)
    start, equals, name = text.partition("=")
    if equals and start == "mime":
        return _data_kind(Tnf.MEDIA, name, _MEDIA, "a media type such as text%2Fplain (%2F is the slash)")
    if equals and start == "external":
        return _data_kind(Tnf.EXTERNAL, name, _EXTERNAL, "an external type such as brackwater.example:badge")
    near = nearest(text, KIND_EXAMPLES.split(", "))
    raise DefinitionError(
        f"ndef: {redacted_repr(text)} is not a kind of record; they are written {KIND_EXAMPLES}{near}"
    )


def _data_kind(tnf: Tnf, name: str, form: re.Pattern[str], such: str) -> DataKind:
    if not form.fullmatch(name) or len(name) > LONGEST_TYPE_BYTES:
        raise DefinitionError(f"ndef: {redacted_repr(name)} is not {such}, of at most {LONGEST_TYPE_BYTES} characters")
    digits = tnf == Tnf.MEDIA and not name.lower().startswith("text/")
    return DataKind(tnf=tnf, type=name.encode("ascii"), is_hexadecimal=digits)
