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
from credkit.core.reading import Note, Row, TextField
from credkit.core.sentences import nearest, redacted_repr
from credkit.tables.ndefrecords import Record, Tnf, read_records, titled, write_records
from credkit.tables.stretches import Malformed, Stretch, counted

PREFIXES = (  # URI RTD, table 3: the codes 00 to 23
    "", "http://www.", "https://www.", "http://", "https://", "tel:", "mailto:", "ftp://anonymous:anonymous@",
    "ftp://ftp.", "ftps://", "sftp://", "smb://", "nfs://", "ftp://", "dav://", "news:", "telnet://", "imap:",
    "rtsp://", "urn:", "pop:", "sip:", "sips:", "tftp:", "btspp://", "btl2cap://", "btgoep://", "tcpobex://",
    "irdaobex://", "file://", "urn:epc:id:", "urn:epc:tag:", "urn:epc:pat:", "urn:epc:raw:", "urn:epc:", "urn:nfc:",
)  # fmt: skip
URI, TEXT, POSTER = b"U", b"T", b"Sp"
FIRST_PRINTABLE = 0x20  # URI RTD: a URI has no character below
UTF_16, LANGUAGE = 0x80, 0x3F  # Text RTD, table 3: the status byte; its bit 6 is reserved
MARKS = {b"\xfe\xff": "utf-16-be", b"\xff\xfe": "utf-16-le"}  # RFC 2781: byte order marks
TYPE_SIZE = 255  # bytes
HEX = "0123456789ABCDEF"
KINDS = "uri, text-en, poster-en, poster, mime=text%2Fplain, external=brackwater.example:badge"

_SCHEME = re.compile("[A-Za-z][A-Za-z0-9+.-]*:")  # RFC 3986, section 3.1
_LANGUAGE = re.compile("(?:[A-Za-z]{2,8}|[IiXx])(?:-[A-Za-z0-9]{1,8})*")
_MEDIA = re.compile("[A-Za-z0-9][A-Za-z0-9!#$&^_.+-]{0,126}/[A-Za-z0-9][A-Za-z0-9!#$&^_.+-]{0,126}")
_EXTERNAL = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9.-]*[A-Za-z0-9])?:[A-Za-z0-9()+,:=@;$_!*'.-]+")


class Said(NamedTuple):
    """What a record says for one field, and the bits that hold it."""

    name: str
    text: str
    at: tuple[Place, ...]


class Content(NamedTuple):
    """What a record says, and what is to be noted."""

    said: list[Said]
    notes: list[Note]


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind(ABC):
    """One kind of record, of the type ``type``, which is a name of the sort ``tnf``."""

    tnf: Tnf
    type: bytes

    @property
    def title(self) -> str:
        """The kind in words."""
        return titled(self.tnf, self.type)

    def fits(self, record: Record) -> bool:
        """Whether ``record`` is of this kind; only well-known types tell capital from small letters."""
        if self.tnf == Tnf.WELL_KNOWN:
            return (record.tnf, record.type) == (self.tnf, self.type)
        return record.tnf == self.tnf and record.type.lower() == self.type.lower()

    def read(self, name: str, record: Record) -> Content:
        """What ``record`` says for the field ``name``; raises `Malformed`."""
        if not self.fits(record):
            found = titled(record.tnf, record.type)
            if found == self.title:  # long types are shown shortened
                found = "one that is spelt otherwise"
            raise Malformed("type", f"the type of {record.label} ({name})", record.header.bits, self.title, found)
        content = self.content(name, record)
        return Content(content.said, [*_remarks(name, record), *content.notes])

    @abstractmethod
    def content(self, name: str, record: Record) -> Content:
        """What a record of this kind says; raises `Malformed`."""

    def rows(self, name: str) -> tuple[Row, ...]:
        """The fields that a record gives."""
        return (TextField(name=name),)

    @abstractmethod
    def write(self, name: str, fields: Mapping[str, str]) -> bytes:
        """The payload; raises `EncodeError` for a text that it cannot hold."""


def _remarks(name: str, record: Record) -> Iterator[Note]:
    """What is noted of a record beside its content."""
    if record.id is not None:
        text = f"{record.label} ({name}) has an ID, {redacted_repr(record.id.data.hex().upper())}; credkit writes none"
        yield Note(kind="record-id", level="info", text=text, at=record.id.bits)
    if record.chunks > 1:
        text = f"{record.label} ({name}) comes in {record.chunks} chunks; credkit writes it whole"
        yield Note(kind="chunks", level="info", text=text, at=record.header.bits)


def _text(stretch: Stretch, label: str, encoding: str = "utf-8") -> str:
    """The text that ``stretch`` is in an encoding."""
    try:
        return stretch.data.decode(encoding)
    except UnicodeDecodeError as error:
        wrong = stretch.cut(error.start, error.end)
        expected, found = "a character", wrong.data.hex().upper()
        raise Malformed("encoding", f"the encoding {encoding} in {label}", wrong.bits, expected, found) from None


def _bytes(name: str, text: str, start: int = 0) -> bytes:
    """The characters of ``text`` from ``start`` on, in UTF-8."""
    try:
        return text[start:].encode()
    except UnicodeEncodeError as error:
        place = start + error.start
        raise EncodeError(
            f"{name} has {redacted_repr(text[place])} as character {place}, half of a surrogate pair"
        ) from None


def _lead(record: Record, what: str) -> int:
    """The first byte of the payload, which is ``what``."""
    if not len(record.payload):
        raise Malformed("payload", f"{what} in the payload of {record.label}", record.header.bits, "1 byte", "none")
    return record.payload.data[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Uri(Kind):
    """A URI, its beginning as a code: the one for the most characters is written, any is read."""

    def content(self, name: str, record: Record) -> Content:
        """The URI in full."""
        code, rest = _lead(record, "a prefix code"), record.payload.cut(1)
        if code >= len(PREFIXES):
            found, most = f"{code:02X}", f"at most {len(PREFIXES) - 1:02X}"
            raise Malformed("prefix", f"the prefix code of {record.label}", record.payload.cut(0, 1).bits, most, found)
        text = _text(rest, record.label)
        if (place := _control(text)) is not None:
            at = len(text[:place].encode())
            wrong = rest.cut(at, at + 1)
            claim = f"a URI without control characters in {record.label}"
            raise Malformed("control", claim, wrong.bits, f"at least {FIRST_PRINTABLE:02X}", wrong.data.hex().upper())
        said = Said(name, PREFIXES[code] + text, record.payload.bits)
        if _SCHEME.match(said.text):
            return Content([said], [])
        words = f"{record.label} ({name}) begins with no scheme such as mailto: or https:, so that nothing can open it"
        return Content([said], [Note(kind="no-scheme", level="care", text=words, at=said.at)])

    def write(self, name: str, fields: Mapping[str, str]) -> bytes:
        """The code of the longest prefix, and the rest."""
        uri = fields[name]
        if (place := _control(uri)) is not None:
            raise EncodeError(
                f"{name} has {redacted_repr(uri[place])} as character {place}, which no URI has in a record"
            )
        code = max(range(len(PREFIXES)), key=lambda code: (uri.startswith(PREFIXES[code]), len(PREFIXES[code])))
        return bytes([code]) + _bytes(name, uri, len(PREFIXES[code]))


def _control(uri: str) -> int | None:
    """The place of the first control character, or None."""
    return next((place for place, char in enumerate(uri) if ord(char) < FIRST_PRINTABLE), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Text(Kind):
    """A text in one language: UTF-8 or UTF-16 is read, UTF-8 is written."""

    language: str

    def content(self, name: str, record: Record) -> Content:
        """The text, if its language is the right one."""
        status, payload = _lead(record, "a status byte"), record.payload
        first = payload.cut(0, 1).bits
        if status & ~(UTF_16 | LANGUAGE):
            raise Malformed("status", f"the reserved bit in the status byte of {record.label}", first[1:2], "0", "1")
        end = 1 + (status & LANGUAGE)
        if end > len(payload):
            claim = f"the language of {record.label} in full"
            raise Malformed(
                "language-size", claim, payload.cut(1).bits or first, counted(end - 1), counted(len(payload) - 1)
            )
        language = payload.data[1:end].decode("ascii", "backslashreplace")
        if language.lower() != self.language.lower():
            at = payload.cut(1, end).bits or first[2:]
            claim = f"the language of {record.label} ({name})"
            raise Malformed(
                "language", claim, at, self.language, redacted_repr(language) if language else "no language"
            )
        rest, encoding = payload.cut(end), "utf-8"
        if status & UTF_16:
            encoding = MARKS.get(rest.data[:2], "utf-16-be")
            rest = rest.cut(2 if rest.data[:2] in MARKS else 0)
        text = _text(rest, record.label, encoding)
        note = f"{record.label} ({name}) is in UTF-16; credkit writes UTF-8"
        notes = [Note(kind="utf-16", level="info", text=note, at=first[:1])] if status & UTF_16 else []
        return Content([Said(name, text, rest.bits)], notes)

    def write(self, name: str, fields: Mapping[str, str]) -> bytes:
        """Status, language and text."""
        return bytes([len(self.language)]) + self.language.encode("ascii") + _bytes(name, fields[name])


@dataclass(frozen=True, slots=True, kw_only=True)
class Poster(Kind):
    """A URI, and in either order a title in one language; a title that is missing reads as an empty text.

    Without ``words`` there is no title. Nothing else may stand with them.
    """

    uri: Uri
    words: Text | None

    def content(self, name: str, record: Record) -> Content:
        """The URI, and the title."""
        inner = read_records(record.payload, f" in the smart poster {name}")
        found = next((each for each in inner if self.uri.fits(each)), None)
        if found is None:
            claim = f"{self.uri.title} ({name}) in {record.label}"
            raise Malformed("poster", claim, record.payload.bits, "one", "without one")
        inner.remove(found)
        said, notes = self.uri.read(name, found)
        if self.words is not None:
            title = next((each for each in inner if self.words.fits(each)), None)
            content = self._words(self.words, _title(name), title)
            said, notes = said + content.said, notes + content.notes
            inner = [each for each in inner if each is not title]
        for each in inner:
            allowed = "a URI and a title" if self.words else "a URI"
            claim = f"nothing but {allowed} in {record.label} ({name})"
            raise Malformed("poster", claim, each.at, "no more", titled(each.tnf, each.type))
        return Content(said, notes)

    @staticmethod
    def _words(words: Text, name: str, record: Record | None) -> Content:
        """What the title's record says; an empty text where there is none."""
        if record is None:
            return Content([Said(name, "", ())], [])
        content = words.read(name, record)
        if content.said[0].text:
            return content
        text = f"{record.label} ({name}) is an empty title; credkit writes none"
        return Content(content.said, [*content.notes, Note(kind="empty-title", level="info", text=text, at=record.at)])

    def rows(self, name: str) -> tuple[Row, ...]:
        """The URI, and its title."""
        return TextField(name=name), *((TextField(name=_title(name)),) if self.words else ())

    def write(self, name: str, fields: Mapping[str, str]) -> bytes:
        """A message of the URI, and of the title unless it is empty."""
        kinds: list[tuple[Kind, str]] = [(self.uri, name)]
        if self.words is not None and fields[_title(name)]:
            kinds.append((self.words, _title(name)))
        return write_records((kind.tnf, kind.type, kind.write(field, fields)) for kind, field in kinds)


def _title(name: str) -> str:
    return f"{name}_title"


@dataclass(frozen=True, slots=True, kw_only=True)
class Data(Kind):
    """Content of a media type or an external type: text in UTF-8, or bytes as hexadecimal digits."""

    digits: bool

    def content(self, name: str, record: Record) -> Content:
        """The text, or the digits."""
        payload = record.payload
        text = payload.data.hex().upper() if self.digits else _text(payload, record.label)
        return Content([Said(name, text, payload.bits)], [])

    def rows(self, name: str) -> tuple[Row, ...]:
        """The text, or an even number of digits."""
        if self.digits:
            return (TextField(name=name, letters=HEX, lengths=range(0, 1 << 16, 2)),)
        return (TextField(name=name),)

    def write(self, name: str, fields: Mapping[str, str]) -> bytes:
        """The bytes."""
        return bytes.fromhex(fields[name]) if self.digits else _bytes(name, fields[name])


def kind_of(text: str) -> Kind:
    """The kind that is written ``text`` in a chain; raises `DefinitionError`.

    >>> kind_of("mime=text/plain").title
    "media type 'text/plain'"
    >>> kind_of("text-english!")
    Traceback (most recent call last):
    credkit.DefinitionError: ndef: 'english!' is not a language tag such as en or pt-BR
    """
    uri = Uri(tnf=Tnf.WELL_KNOWN, type=URI)
    if text == "uri":
        return uri
    if text == "poster":
        return Poster(tnf=Tnf.WELL_KNOWN, type=POSTER, uri=uri, words=None)
    start, dash, language = text.partition("-")
    if dash and start in ("text", "poster"):
        if not _LANGUAGE.fullmatch(language) or len(language) > LANGUAGE:
            raise DefinitionError(f"ndef: {redacted_repr(language)} is not a language tag such as en or pt-BR")
        words = Text(tnf=Tnf.WELL_KNOWN, type=TEXT, language=language)
        return words if start == "text" else Poster(tnf=Tnf.WELL_KNOWN, type=POSTER, uri=uri, words=words)
    start, equals, name = text.partition("=")
    if equals and start == "mime":
        return _data(Tnf.MEDIA, name, _MEDIA, "a media type such as text%2Fplain (%2F is the slash)")
    if equals and start == "external":
        return _data(Tnf.EXTERNAL, name, _EXTERNAL, "an external type such as brackwater.example:badge")
    near = nearest(text, KINDS.split(", "))
    raise DefinitionError(f"ndef: {redacted_repr(text)} is not a kind of record; they are written {KINDS}{near}")


def _data(tnf: Tnf, name: str, form: re.Pattern[str], such: str) -> Data:
    if not form.fullmatch(name) or len(name) > TYPE_SIZE:
        raise DefinitionError(f"ndef: {redacted_repr(name)} is not {such}, of at most {TYPE_SIZE} characters")
    digits = tnf == Tnf.MEDIA and not name.lower().startswith("text/")
    return Data(tnf=tnf, type=name.encode("ascii"), digits=digits)
