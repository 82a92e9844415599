"""NDEF records: a message in its records, and back.

    D1  01  06  55    05 31 32 …    one record
    │   │   │   type  payload
    │   │   size of the payload: one byte with SR, else four
    │   size of the type
    MB ME CF SR IL TNF              with IL: its size behind that of the payload, the ID behind the type

MB and ME mark the first and the last record. CF marks a chunk: the payload goes on in the next one,
which has no type of its own (TNF 6). Chunks are joined when they are read, and never written. A
record knows the places of its bytes, whatever stands between them.

Source: NFC Forum NDEF technical specification 1.0, section 3 (records, chunks, flags).

>>> message = ByteSpan.from_bytes(bytes.fromhex("D101045505313233"))
>>> [(record.type, record.payload.data) for record in decode_records(message)]
[(b'U', b'\\x05123')]
>>> encode_records([(Tnf.WELL_KNOWN, b"U", b"\\x05123")]).hex()
'd101045505313233'
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import NamedTuple

from credkit.core.origins import Place
from credkit.core.sentences import redacted_repr
from credkit.tables.bytespans import ByteSpan, Malformed, format_count

MB, ME, CF, SR, IL = 0x80, 0x40, 0x20, 0x10, 0x08  # section 3.2.1 to 3.2.5
LARGEST_SHORT_PAYLOAD = 255  # bytes of payload whose size stands in one byte


class Tnf(IntEnum):
    """What the type of a record is a name of (section 3.2.6)."""

    EMPTY = 0
    WELL_KNOWN = 1
    MEDIA = 2
    ABSOLUTE_URI = 3
    EXTERNAL = 4
    UNKNOWN = 5
    UNCHANGED = 6
    RESERVED = 7


TITLES = {
    Tnf.EMPTY: "an empty record", Tnf.WELL_KNOWN: "well-known type", Tnf.MEDIA: "media type",
    Tnf.ABSOLUTE_URI: "absolute URI", Tnf.EXTERNAL: "external type", Tnf.UNKNOWN: "an unknown type",
    Tnf.UNCHANGED: "a chunk",
}  # fmt: skip


def describe_type(tnf: Tnf, name: bytes) -> str:
    """What a record is, in words.

    >>> describe_type(Tnf.WELL_KNOWN, b"U"), describe_type(Tnf.EMPTY, b"")
    ("well-known type 'U'", 'an empty record')
    """
    return f"{TITLES[tnf]} {redacted_repr(name.decode('ascii', 'backslashreplace'))}" if name else TITLES[tnf]


@dataclass(frozen=True, slots=True, kw_only=True)
class NdefRecord:
    """One record, its chunks joined.

    ``label`` is what sentences call it, ``header`` everything in front of the payload, ``id`` its
    name within the message, if it has one.
    """

    label: str
    tnf: Tnf
    type: bytes
    id: ByteSpan | None
    header: ByteSpan
    payload: ByteSpan
    chunks: int = 1

    @property
    def at(self) -> tuple[Place, ...]:
        """The places of all its bits in the input, in their order there: with chunks, headers stand in between."""
        return tuple(sorted(self.header.bits + self.payload.bits, key=int))


class _RecordOrChunk(NamedTuple):
    """A record as it stands, whole or a chunk: its first byte, and the sizes and stretches behind it."""

    first: int
    tnf: Tnf
    type: bytes
    id: ByteSpan | None
    header: ByteSpan
    payload: ByteSpan

    @property
    def size(self) -> int:
        return len(self.header) + len(self.payload)

    def flag_places(self, mask: int) -> tuple[Place, ...]:
        """The bits of the first byte that are set in ``mask``."""
        return tuple(place for index, place in enumerate(self.header.slice(0, 1).bits) if mask >> (7 - index) & 1)


def decode_records(message: ByteSpan, inside: str = "") -> list[NdefRecord]:
    """The records of a message; ``inside`` says what it stands in. Raises `Malformed`."""
    if not len(message):
        raise Malformed("records", f"a message{inside}", (), "at least one record", "none")
    done: list[NdefRecord] = []
    chunks: list[_RecordOrChunk] = []
    at = 0
    while at < len(message):
        label = f"record {len(done) + 1}{inside}"
        piece = _decode_record_or_chunk(message.slice(at), label)
        at += piece.size
        _refuse_wrong_flags(piece, label, begins=not done and not chunks, rest=message.slice(at))
        _refuse_wrong_chunk(piece, label, within=bool(chunks))
        chunks.append(piece)
        if not piece.first & CF:
            done.append(_join_chunks(chunks, label))
            chunks = []
    return done


def _decode_record_or_chunk(rest: ByteSpan, label: str) -> _RecordOrChunk:
    """What stands at the beginning of ``rest``."""
    first, width = rest.data[0], 1 if rest.data[0] & SR else 4
    front = 2 + width + bool(first & IL)
    sizes = rest.data[1:front]
    needed = front
    if len(rest) >= front:
        type_end = front + sizes[0]
        body = type_end + (sizes[-1] if first & IL else 0)
        needed = body + int.from_bytes(sizes[1 : 1 + width], "big")
    if len(rest) < needed:
        least = "at least " if len(rest) < front else ""
        raise Malformed(
            "record-size", f"{label} in full", rest.bits, f"{least}{format_count(needed)}", format_count(len(rest))
        )  # fmt: skip
    return _RecordOrChunk(
        first=first, tnf=Tnf(first & 7), type=rest.data[front:type_end],
        id=rest.slice(type_end, body) if first & IL else None, header=rest.slice(0, body),
        payload=rest.slice(body, needed),
    )  # fmt: skip


def _refuse_wrong_flags(piece: _RecordOrChunk, label: str, *, begins: bool, rest: ByteSpan) -> None:
    """Refuse a first byte whose MB, ME or TNF is not right where it stands."""
    if bool(piece.first & MB) != begins:
        raise Malformed(
            "begin-flag", f"the flag MB of {label}", piece.flag_places(MB), f"{begins:d}", f"{not begins:d}"
        )
    if piece.tnf == Tnf.RESERVED:
        raise Malformed("tnf", f"the TNF of {label}", piece.flag_places(7), "at most 110", "111")
    ends = bool(piece.first & ME)
    if ends and piece.first & CF:
        raise Malformed("chunk", f"the flag CF of {label}, the last one", piece.flag_places(CF), "0", "1")
    if ends and len(rest):
        raise Malformed(
            "behind", f"nothing behind {label}, which has the flag ME", rest.bits, "none", _describe_rest(rest)
        )
    if not ends and not len(rest):
        raise Malformed("end-flag", f"the flag ME of {label}, the last one", piece.flag_places(ME), "1", "0")


def _describe_rest(rest: ByteSpan) -> str:
    return f"{format_count(len(rest))} more"


def _refuse_wrong_chunk(piece: _RecordOrChunk, label: str, *, within: bool) -> None:
    """Refuse what is no chunk where one must follow, and the sizes that a TNF cannot have."""
    unchanged = piece.tnf == Tnf.UNCHANGED
    if within != unchanged:
        claim = f"the TNF of {label}, {'behind a chunk' if within else 'not behind a chunk'}"
        raise Malformed("chunk", claim, piece.flag_places(7), "110" if within else "not 110", f"{piece.tnf:03b}")
    if unchanged and piece.id is not None:
        raise Malformed("chunk", f"no ID in a later chunk of {label}", piece.flag_places(IL), "0", "1")
    if piece.tnf in (Tnf.EMPTY, Tnf.UNKNOWN, Tnf.UNCHANGED) and piece.type:
        claim = f"no type in {label}, which has TNF {piece.tnf:d}"
        raise Malformed("type-size", claim, piece.header.slice(1, 2).bits, f"{0:08b}", f"{len(piece.type):08b}")
    held = (piece.id or piece.payload.slice(0, 0)).join(piece.payload)
    if piece.tnf == Tnf.EMPTY and len(held):
        claim = f"no ID and no payload in {label}, which has TNF {piece.tnf:d}"
        raise Malformed("empty-record", claim, held.bits, "none", format_count(len(held)))


def _join_chunks(chunks: Sequence[_RecordOrChunk], label: str) -> NdefRecord:
    """The record that ``chunks`` are."""
    first, *more = chunks
    return NdefRecord(
        label=label, tnf=first.tnf, type=first.type, id=first.id,
        header=first.header.join(*(each.header for each in more)) if more else first.header,
        payload=first.payload.join(*(each.payload for each in more)) if more else first.payload,
        chunks=len(chunks),
    )  # fmt: skip


def encode_records(records: Iterable[tuple[Tnf, bytes, bytes]]) -> bytes:
    """The message of these records, each a TNF, a type of at most 255 bytes and a payload: no ID, no chunks."""
    kept = list(records)
    written = bytearray()
    for index, (tnf, name, payload) in enumerate(kept):
        short = len(payload) <= LARGEST_SHORT_PAYLOAD
        flags = MB * (index == 0) | ME * (index == len(kept) - 1) | SR * short
        written += bytes([flags | tnf, len(name)]) + len(payload).to_bytes(1 if short else 4, "big") + name + payload
    return bytes(written)
