"""NDEF against another library, both ways; areas and their TLV blocks; every fault with its rule and place.

The other library is ndeflib. What it does not do (byte order marks, joined chunks, bytes behind a message) has plain
Python or construct beside it.
"""

from __future__ import annotations

import string
from collections import Counter
from collections.abc import Callable, Mapping
from itertools import pairwise
from random import Random
from typing import Any

import construct
import ndef
import pytest
from bitstring import Bits
from hypothesis import given
from hypothesis import strategies as st

from credkit import DecodeError, DefinitionError, EncodeError, chain
from credkit.core.codec import AnyCodec
from credkit.core.spans import MAX_BITS
from credkit.tables.bytespans import ByteSpan, Malformed
from credkit.tables.ndefkinds import PREFIXES
from credkit.tables.ndefrecords import decode_records
from credkit.tables.tlvs import LARGEST_VALUE, block_size, decode_blocks, encode_block, largest_message
from tests.sentences import refusal
from tests.strategies import built, damaged, randoms
from tests.test_laws import obey
from tests.test_stored import area

MADE = {  # a kind as it is written, and the record that ndeflib makes for a text (and a title)
    "uri": lambda text, title: ndef.UriRecord(text),
    "text-en": lambda text, title: ndef.TextRecord(text, "en"),
    "text-pt-BR": lambda text, title: ndef.TextRecord(text, "pt-BR"),
    "mime=text%2Fplain": lambda text, title: ndef.Record("text/plain", "", text.encode()),
    "mime=application%2Foctet-stream": lambda text, title: ndef.Record(
        "application/octet-stream", "", bytes.fromhex(text)
    ),
    "external=brackwater.example:badge": lambda text, title: ndef.Record(
        "urn:nfc:ext:brackwater.example:badge", "", text.encode()
    ),
    "poster-fi": lambda text, title: ndef.SmartposterRecord(text, {"fi": title} if title else None),
    "poster": lambda text, title: ndef.SmartposterRecord(text),
}  # fmt: skip

DIGITS = "0 to 65534 (in steps of 2) of 0123456789ABCDEF"

texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=40) | st.text("AZ 09é€😀", min_size=90, max_size=400)
uris = st.builds(
    str.__add__,
    st.sampled_from(PREFIXES),
    st.text(st.characters(min_codepoint=32, exclude_categories=["Cs"]), max_size=20),
) | st.text("az./é", min_size=250, max_size=300)


def text_for(kind: str) -> st.SearchStrategy[str]:
    """Texts that a record of this kind can hold."""
    if kind in ("uri", "poster-fi", "poster"):
        return uris
    if kind == "mime=application%2Foctet-stream":
        return st.binary(max_size=300).map(lambda data: data.hex().upper())
    return texts


@st.composite
def messages(draw: st.DrawFn) -> tuple[str, dict[str, str], list[Any]]:
    """A chain, what its fields hold, and the records of ndeflib that say the same."""
    kinds = draw(st.lists(st.sampled_from(sorted(MADE)), min_size=1, max_size=4))
    fields, records = {}, []
    for index, kind in enumerate(kinds):
        fields[f"f{index}"] = draw(text_for(kind))
        title = draw(texts) if kind == "poster-fi" else ""
        if kind == "poster-fi":
            fields[f"f{index}_title"] = title
        records.append(MADE[kind](fields[f"f{index}"], title))
    return f"ndef:{','.join(f'f{index}:{kind}' for index, kind in enumerate(kinds))}", fields, records


def encoded(records: list[Any]) -> bytes:
    """The message as ndeflib writes it."""
    return b"".join(ndef.message_encoder(records))


def meant(spec: str, record: Any) -> list[str]:
    """The texts of a record, written ``spec`` in a chain, as ndeflib reads it."""
    if isinstance(record, ndef.UriRecord):
        return [record.iri]
    if isinstance(record, ndef.TextRecord):
        return [record.text]
    if record.type == "urn:nfc:wkt:Sp":  # behind another one ndeflib leaves its records to the caller
        poster = isinstance(record, ndef.SmartposterRecord)
        inner = [] if poster else list(ndef.message_decoder(record.data))
        uri = record.resource if poster else next(each for each in inner if isinstance(each, ndef.UriRecord))
        texts_in = [each.text for each in inner if isinstance(each, ndef.TextRecord)]
        titles = list(record.titles.values()) if poster else texts_in
        return [uri.iri, *([] if spec.endswith(":poster") else titles or [""])]
    return [record.data.hex().upper() if record.type.startswith("application/") else record.data.decode()]


def meant_by_all(text: str, data: bytes) -> list[str]:
    """The texts of a message for the chain ``text``, as ndeflib reads it."""
    specs = text.partition(":")[2].split(",")
    return [
        each for spec, record in zip(specs, ndef.message_decoder(data), strict=True) for each in meant(spec, record)
    ]


def read(text: str, data: str) -> Mapping[str, Any]:
    """What the chain reads in bytes in hexadecimal."""
    value: Mapping[str, Any] = chain(text).decode(Bits(hex=data))
    return value


def notes(codec: AnyCodec, data: str) -> list[tuple[str, str, tuple[Any, ...]]]:
    """The notes on bytes that are right."""
    reading = codec.inspect(Bits(hex=data))
    assert reading.ok
    return [(note.kind, note.level, note.at) for note in reading.notes]


def bits_of(first: int, last: int) -> tuple[int, ...]:
    """The bits of the bytes from ``first`` to ``last``."""
    return tuple(range(8 * first, 8 * last + 8))


# ── messages, both ways ─────────────────────────────────────────────────────────────────────────


def test_messages_are_those_of_another_library() -> None:
    seen: Counter[str] = Counter()

    @given(messages())
    def law(made: tuple[str, dict[str, str], list[Any]]) -> None:
        text, fields, records = made
        codec = chain(text)
        theirs, ours = encoded(records), codec.encode(fields).bytes
        assert ours == theirs
        assert codec.decode(Bits(theirs)) == fields
        assert meant_by_all(text, ours) == list(fields.values())
        seen["long"] += any(not data & 0x10 for data in ours[:1])
        seen["beyond ASCII"] += not all(map(str.isascii, fields.values()))
        seen["several"] += len(records) > 1

    law()
    assert all(seen[kind] for kind in ("long", "beyond ASCII", "several")), seen


@pytest.mark.parametrize("kind", MADE)
def test_the_size_of_a_payload_has_one_byte_up_to_255(kind: str) -> None:
    """Sizes around 255 (NDEF 1.0, section 3.2.4: SR), beside the other library."""
    hexadecimal = kind.startswith("mime=app")
    widths = set()
    for count in range(220, 262):
        text = ("AB" if hexadecimal else "x") * count
        fields = {"f": text, "f_title": "t"} if kind == "poster-fi" else {"f": text}
        codec = chain(f"ndef:f:{kind}")
        data = codec.encode(fields)
        assert data.bytes == encoded([MADE[kind](text, "t")])
        assert codec.decode(data) == fields
        widths.add(1 if data.bytes[0] & 0x10 else 4)
    assert widths == {1, 4}


def test_the_prefixes_are_those_of_another_library() -> None:
    """All 36 codes (URI RTD, table 3), each read as ndeflib reads it; the one for the most characters is written."""
    assert len(PREFIXES) == 0x24
    assert len(set(PREFIXES)) == 0x24
    for code in range(0x24):
        data = bytes([0xD1, 1, 4, 0x55, code]) + b"123"
        (record,) = ndef.message_decoder(data)
        assert read("ndef:f:uri", data.hex()) == {"f": record.iri}
        written = chain("ndef:f:uri").encode({"f": record.iri}).bytes
        assert written == data
        assert written == encoded([ndef.UriRecord(record.iri)])
    with refusal(DecodeError, rule="prefix"):
        read("ndef:f:uri", "D101045524313233")


def test_a_prefix_that_was_not_used_is_read() -> None:
    assert read("ndef:f:uri", "D1010455" + "03" + b"www".hex()) == {"f": "http://www"}
    plain = b"\x00mailto:a@b.example"
    assert read("ndef:f:uri", f"D101{len(plain):02X}55{plain.hex()}") == {"f": "mailto:a@b.example"}


@given(texts, st.sampled_from(["utf-16-be", "utf-16-le", ""]))
def test_texts_in_utf_16(text: str, order: str) -> None:
    """Big endian unless a byte order mark says otherwise (Text RTD 1.0, section 3.4); ndeflib writes the mark."""
    payload = b"\x82en" + ({"utf-16-be": b"\xfe\xff", "utf-16-le": b"\xff\xfe"}.get(order, b""))
    payload += text.encode(order or "utf-16-be")
    if not order and text[:1] in ("\ufeff", "\ufffe"):
        return  # would be the mark itself
    data = bytes([0xC1, 1]) + len(payload).to_bytes(4, "big") + b"T" + payload
    codec = chain("ndef:f:text-en")
    assert codec.decode(Bits(data)) == {"f": text}
    assert [note.kind for note in codec.inspect(Bits(data)).notes] == ["utf-16"]
    assert codec.decode(codec.encode({"f": text})) == {"f": text}
    if order:
        assert next(ndef.message_decoder(data)).text == text
        theirs = encoded([ndef.TextRecord(text, "en", "UTF-16")])
        assert codec.decode(Bits(theirs)) == {"f": text}


def test_names_whose_case_does_not_matter() -> None:
    """RFC 5646 section 2.1.1, RFC 2045 section 5.1; of external types from memory, NFC RTD 1.0."""
    assert read("ndef:f:text-pt-br", b"\xd1\x01\x07\x54\x05PT-BRA".hex()) == {"f": "A"}
    assert read("ndef:f:mime=text%2Fplain", b"\xd2\x0a\x01TEXT/PlainA".hex()) == {"f": "A"}
    assert read("ndef:f:external=a.example:b", b"\xd4\x0b\x01A.EXAMPLE:BA".hex()) == {"f": "A"}
    with refusal(DecodeError, rule="type"):
        read("ndef:f:uri", "D101047505313233")


# ── chunks and IDs ──────────────────────────────────────────────────────────────────────────────


def test_a_link_without_a_scheme_is_noted() -> None:
    """RFC 3986, section 3.1: a URI begins with a scheme; a bare address opens nothing."""
    for uri, kinds in (("kai@example.org", ["no-scheme"]), ("mailto:kai@example.org", []), ("http://www.x.org", [])):
        codec = chain("ndef:f:uri")
        reading = codec.inspect(codec.encode({"f": uri}))
        assert [note.kind for note in reading.notes] == kinds
        assert reading.value == {"f": uri}


def test_a_record_in_chunks_has_the_places_of_all_of_them() -> None:
    """NDEF 1.0, section 2.3.3: MB and CF in the first chunk, TNF 6 in the later ones, ME in the last."""
    first, chunks = "91010255 0041", "3101015500 36000142 5600026364"
    failed = chain("ndef:f:uri").inspect(Bits(f"0x{first}{chunks}".replace(" ", ""))).failed
    assert failed is not None
    assert failed.rule == "records"
    assert failed.at == tuple(range(6 * 8, 20 * 8))


@given(uris, st.data())
def test_chunks_are_joined(uri: str, data: st.DataObject) -> None:
    """A record cut anywhere is the same record; ndeflib writes the chunks."""
    (whole,) = ndef.message_decoder(encoded([ndef.UriRecord(uri)]))
    payload = whole.data
    cuts = sorted(data.draw(st.lists(st.integers(0, len(payload)), min_size=1, max_size=5)))
    pieces = [payload[a:b] for a, b in pairwise([0, *cuts, len(payload)])]
    first, *rest = pieces
    chunks = [ndef.Record("urn:nfc:wkt:U", "", first), *(ndef.Record("unchanged", "", piece) for piece in rest)]
    message = encoded([*chunks, ndef.TextRecord("end", "en")])
    codec = chain("ndef:f:uri,note:text-en")
    reading = codec.inspect(Bits(message))
    assert reading.value == {"f": uri, "note": "end"}
    noted = {(note.kind, note.level) for note in reading.notes} - {("no-scheme", "care")}
    assert noted == {("chunks", "info")}
    places = [int(place) for place in reading.origin("f")]
    assert bytes(message[place // 8] for place in places[::8]) == payload, "the places leave the headers out"
    assert codec.encode(reading.value).bytes == encoded([ndef.UriRecord(uri), ndef.TextRecord("end", "en")])


def test_an_id_is_noted_and_not_written() -> None:
    record = ndef.UriRecord("tel:123")
    record.name = "gate"
    message = encoded([record])
    assert message[0] & 0x08
    codec = chain("ndef:f:uri")
    assert notes(codec, message.hex()) == [("record-id", "info", bits_of(5, 8))]
    assert codec.encode(codec.decode(Bits(message))).bytes == encoded([ndef.UriRecord("tel:123")])


def test_notes_inside_a_smart_poster() -> None:
    """Title in front of the URI, UTF-16, an ID: noted with their places in the message."""
    title, uri = ndef.TextRecord("Map", "en", "UTF-16"), ndef.UriRecord("tel:123")
    uri.name = "x"
    inner = encoded([title, uri])
    message = encoded([ndef.Record("urn:nfc:wkt:Sp", "", inner)])
    assert read("ndef:m:poster-en", message.hex()) == {"m": "tel:123", "m_title": "Map"}
    found = notes(chain("ndef:m:poster-en"), message.hex())
    assert found == [
        ("record-id", "info", bits_of(message.rindex(b"x"), message.rindex(b"x"))),
        ("utf-16", "info", (8 * message.index(b"\x82en"),)),
    ]


def test_the_title_of_a_smart_poster_is_optional() -> None:
    """Smart Poster RTD 1.1: the title record is optional, and its own example has none."""
    example = "D1 02 12 53 70 D1 01 0E 55 01 6E 66 63 2D 66 6F 72 75 6D 2E 6F 72 67".replace(" ", "")
    for chain_text, fields in (
        ("ndef:m:poster", {"m": "http://www.nfc-forum.org"}),
        ("ndef:m:poster-en", {"m": "http://www.nfc-forum.org", "m_title": ""}),
    ):
        codec = chain(chain_text)
        assert read(chain_text, example) == fields
        assert notes(codec, example) == []
        assert codec.encode(fields).hex.upper() == example
    empty = encoded([ndef.SmartposterRecord("tel:123", {"en": ""})]).hex()
    assert read("ndef:m:poster-en", empty) == {"m": "tel:123", "m_title": ""}
    assert [kind for kind, _, _ in notes(chain("ndef:m:poster-en"), empty)] == ["empty-title"]
    without = encoded([ndef.SmartposterRecord("tel:123")])
    assert chain("ndef:m:poster-en").encode({"m": "tel:123", "m_title": ""}).bytes == without


# ── where things stand ──────────────────────────────────────────────────────────────────────────


def test_where_fields_stand() -> None:
    codec = chain("ndef:a:uri,b:text-en,m:poster-en")
    fields = {"a": "tel:123", "b": "Pier", "m": "tel:45", "m_title": "Map"}
    message = codec.encode(fields)
    reading = codec.inspect(message)

    def held(name: str) -> bytes:
        return bytes(message.bytes[int(place) // 8] for place in reading.origin(name)[::8])

    assert {name: held(name) for name in fields} == {
        "a": b"\x05123", "b": b"Pier", "m": b"\x0545", "m_title": b"Map"
    }  # fmt: skip
    assert reading.origin("none") == ()
    named = {part.name: part.value for part in reading.parts}
    assert named == {"header": None, **fields}
    assert [check.rule for check in reading.checks] == ["records"]


def test_a_caret_finds_the_language_in_the_area() -> None:
    with refusal(DecodeError, rule="language"):
        chain("hex/tlv/ndef:f:text-en").decode("030BD101075402646550696572FE")


# ── faults ──────────────────────────────────────────────────────────────────────────────────────

FAULTS = {  # chain, bytes, rule, first and last byte or bit at fault; the rules of NDEF 1.0 section 3.2, RTDs
    "nothing at all": ("uri", "", "records", ()),
    "a first byte alone": ("uri", "D1", "record-size", bits_of(0, 0)),
    "a cut header": ("uri", "C1010000", "record-size", bits_of(0, 3)),
    "a cut header with an ID": ("uri", "D90104", "record-size", bits_of(0, 2)),
    "a size of four bytes beyond the end": ("uri", "C101FFFFFFFF5505", "record-size", bits_of(0, 7)),
    "MB missing": ("uri", "5101045505313233", "begin-flag", (0,)),
    "MB twice": ("uri", "910104550531323391000055", "begin-flag", (64,)),
    "ME missing": ("uri", "9101045505313233", "end-flag", (1,)),
    "ME too early": ("uri", "D1010455053132335100 00", "behind", bits_of(8, 10)),
    "the reserved TNF": ("uri", "D701045505313233", "tnf", (5, 6, 7)),
    "CF in the last record": ("uri", "F101045505313233", "chunk", (2,)),
    "a chunk of nothing": ("uri", "D600023132", "chunk", (5, 6, 7)),
    "a record within chunks": ("uri", "B101025505315101013233", "chunk", (53, 54, 55)),
    "a chunk with a type": ("uri", "B101025505315601015532", "type-size", bits_of(7, 7)),
    "a chunk with an ID": ("uri", "B101025505315E0001014132", "chunk", (52,)),
    "an ID in an empty record": ("uri", "D800000141", "empty-record", bits_of(4, 4)),
    "a payload in an empty record": ("uri", "D000024142", "empty-record", bits_of(3, 4)),
    "a type in an empty record": ("uri", "D0010055", "type-size", bits_of(1, 1)),
    "a type in an unknown record": ("uri", "D501015541", "type-size", bits_of(1, 1)),
    "an empty record": ("uri", "D00000", "type", bits_of(0, 2)),
    "an unknown record": ("uri", "D5000141", "type", bits_of(0, 2)),
    "an absolute URI": ("uri", "D3030161 3A6241", "type", bits_of(0, 5)),
    "another media type": ("mime=text%2Fplain", "D20301 612F6241", "type", bits_of(0, 5)),
    "a well-known type of that name": ("external=a:b", "D10301 613A6241", "type", bits_of(0, 5)),
    "no prefix code": ("uri", "D1010055", "payload", bits_of(0, 3)),
    "no status byte": ("text-en", "D1010054", "payload", bits_of(0, 3)),
    "the reserved bit": ("text-en", "D101035442656E", "status", (33,)),
    "a language that is cut": ("text-en", "D101035403656E", "language-size", bits_of(5, 6)),
    "a language that is missing": ("text-en", "D101015402", "language-size", bits_of(4, 4)),
    "no language": ("text-en", "D101025400 41", "language", tuple(range(34, 40))),
    "a language of other bytes": ("text-en", "D1010354 02FFFE", "language", bits_of(5, 6)),
    "a language that begins like it": ("text-en", "D1010654 05656E2D4742", "language", bits_of(5, 9)),
    "half a character": ("text-en", "D101055402656EC3 41", "encoding", bits_of(7, 7)),
    "half of UTF-16": ("text-en", "D101045482656E41", "encoding", bits_of(7, 7)),
    "half of a surrogate pair": ("text-en", "D101055482656ED800", "encoding", bits_of(7, 8)),
    "a text that is none": ("mime=text%2Fplain", "D20A01" + b"text/plain".hex() + "FF", "encoding", bits_of(13, 13)),
    "an external text that is none": ("external=a:b", "D40301613A62FF", "encoding", bits_of(6, 6)),
    "a control character": ("uri", "D1010555 05C3A91F31", "control", bits_of(7, 7)),
    "an empty smart poster": ("poster-en", "D102005370", "records", ()),
    "a smart poster with a title where none may be": (
        "poster", "D102105370910102552337 5101065402656E4D6170", "poster", bits_of(11, 20),
    ),
    "a smart poster without URI": ("poster-en", "D1020A5370D101065402656E4D6170", "poster", bits_of(5, 14)),
    "a smart poster in a wrong message": ("poster-en", "D102065370910102552337", "end-flag", (41,)),
    "a smart poster with two URIs": (
        "poster-en", "D102165370910102552337110102552338 5101065402656E4D6170", "poster", bits_of(11, 16),
    ),
    "a smart poster with two titles": (
        "poster-en", "D1021A5370910102552337 1101065402656E4D6170 5101065402656E4D6170", "poster", bits_of(21, 30),
    ),
    "a smart poster with a title in another language": (
        "poster-en", "D102105370910102552337 51010654026465 4D6170", "language", bits_of(16, 17),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", FAULTS)
def test_faults_have_rule_and_place(name: str) -> None:
    kind, data, rule, at = FAULTS[name]
    codec = chain(f"ndef:f:{kind}")
    value = Bits(hex=data.replace(" ", ""))
    reading = codec.inspect(value)
    assert reading.failed
    assert (reading.failed.rule, reading.failed.at) == (rule, at)
    assert reading.value is None
    with refusal(DecodeError) as caught:
        codec.decode(value)
    assert str(caught.value).startswith(f"ndef:f:{kind}: ")


def test_a_type_too_long_to_be_shown_is_still_another_one() -> None:
    """Sentences shorten long names: two that look the same there must not pass for the same."""
    ours, theirs = f"a:{'b' * 60}c{'d' * 10}", f"a:{'b' * 60}x{'d' * 10}"
    message = encoded([ndef.Record(f"urn:nfc:ext:{theirs}", "", b"1")])
    with refusal(DecodeError, rule="type"):
        read(f"ndef:f:external={ours}", message.hex())


def test_languages_too_long_to_be_shown_are_still_others() -> None:
    ours, theirs = (f"en-{'x' * 8}-{'y' * 8}-{'z' * 8}-{middle * 8}-{'u' * 8}-{'v' * 8}" for middle in "ab")
    message = encoded([ndef.TextRecord("1", theirs)])
    with refusal(DecodeError, rule="language"):
        read(f"ndef:f:text-{ours}", message.hex())
    assert read(f"ndef:f:text-{theirs}", message.hex()) == {"f": "1"}


def accepted(data: bytes) -> list[Any] | None:
    """The records that ndeflib reads, strictly; None where it refuses."""
    try:
        return list(ndef.message_decoder(data))
    except (ndef.DecodeError, ValueError):  # a type that is not ASCII escapes from it as the second
        return None


def test_what_is_read_is_what_another_library_reads() -> None:
    """Messages with a few wrong bytes: credkit never reads what ndeflib refuses, nor anything else than it."""
    seen: Counter[str] = Counter()

    @given(messages(), randoms())
    def law(made: tuple[str, dict[str, str], list[Any]], random: Random) -> None:
        text, _, records = made
        codec = chain(text)
        data = bytearray(encoded(records))
        for _ in range(random.choice((1, 1, 2))):
            data[random.randrange(min(len(data), 40))] = random.choice((random.randrange(256), 0x10, 0x51, 0xD1, 0))
        reading = codec.inspect(Bits(bytes(data)))
        seen["read" if reading.ok else "refused"] += 1
        if (
            reading.ok
            and reading.value is not None
            and not {"utf-16", "chunks"} & {note.kind for note in reading.notes}
        ):
            assert accepted(bytes(data)) is not None
            assert meant_by_all(text, bytes(data)) == list(reading.value.values())

    law()
    assert seen["read"]
    assert seen["refused"]


@given(st.binary(max_size=60))
def test_any_bytes_are_records_or_malformed(data: bytes) -> None:
    for reader in (decode_records, decode_blocks):
        try:
            assert reader(ByteSpan.from_bytes(data)) is not None
        except Malformed as fault:
            check = fault.failed_check("any")
            assert not check.passed
            assert all(isinstance(place, int) and place < 8 * len(data) for place in check.at)


# ── writing ─────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("kind", "text", "sentence"),
    [
        ("uri", "tel:1\n2", r"f has '\n' as character 5, which no URI has in a record"),
        ("uri", "tel:\ud800", r"f has '\ud800' as character 4, half of a surrogate pair"),
        ("text-en", "a\udfffb", r"f has '\udfff' as character 1, half of a surrogate pair"),
        ("mime=text%2Fplain", "\ud83d", r"f has '\ud83d' as character 0, half of a surrogate pair"),
        ("external=a:b", "7\udc00", r"f has '\udc00' as character 1, half of a surrogate pair"),
        ("mime=image%2Fpng", "ABC", f"f is 'ABC', 3 characters, expected {DIGITS}"),
        ("mime=image%2Fpng", "ab", f"f has 'a' as character 0, expected {DIGITS}"),
        ("text-en", 7, "f is 7, not a text"),
        ("text-en", "x" * 9000, "the message has 9010 bytes, expected at most 8192"),
    ],
)  # fmt: skip
def test_what_is_not_written(kind: str, text: str, sentence: str) -> None:
    codec = chain(f"ndef:f:{kind}")
    with pytest.raises(EncodeError) as caught:
        codec.encode({"f": text})
    assert str(caught.value) == f"{codec.name}: {sentence}"


def test_places_of_characters_count_from_the_text_not_from_its_prefix() -> None:
    with refusal(EncodeError):
        chain("ndef:f:uri").encode({"f": "https://www.\udc00"})


def test_an_exact_message() -> None:
    """Behind exactly so many bits a message has them all, or is refused."""
    codec = area(8 * 8, "ndef:f:uri")
    assert codec.encode({"f": "tel:123"}) == Bits("0xD101045505313233")
    for uri, size in (("tel:12", 7), ("tel:1234", 9)):
        with pytest.raises(EncodeError) as caught:
            codec.encode({"f": uri})
        assert str(caught.value) == f"ndef:f:uri: the message has {size} bytes, expected exactly 8"
    with refusal(DefinitionError):
        area(8 * 4, "ndef:f:uri")


@pytest.mark.parametrize(
    "text",
    [
        "ndef",
        "ndef:contact",
        "ndef:Contact:uri",
        "ndef:a:url",
        "ndef:a:uri-en",
        "ndef:a:text",
        "ndef:a:text-",
        "ndef:a:text-e",
        "ndef:a:text-pt_BR",
        "ndef:a:text-en-",
        "ndef:a:text-en-toolongsubtag",
        f"ndef:a:text-en{'-abcdefgh' * 7}",
        "ndef:a:poster-ä",
        "ndef:a:mime=plain",
        "ndef:a:mime=text%2Fplain;charset=utf-8",
        "ndef:a:external=badge",
        f"ndef:a:external=a:{'b' * 254}",
        "ndef:a:uri,a:text-en",
        "ndef:a:poster-en,a_title:uri",
    ],
)
def test_what_is_no_message(text: str) -> None:
    with refusal(DefinitionError) as caught:
        chain(text)
    assert str(caught.value).startswith("ndef: ")


def test_a_chain_is_called_as_it_is_written() -> None:
    text = "tlv/ndef:a:mime=text%2Fplain,b:external=brackwater.example:badge,c:poster-pt-BR"
    assert chain(text).name == text
    assert list(chain(text).schema) == ["a", "b", "c", "c_title"]


# ── data areas ──────────────────────────────────────────────────────────────────────────────────

TLV = construct.Struct(
    "tag" / construct.Const(b"\x03"),
    "size" / construct.Rebuild(
        construct.IfThenElse(
            lambda this: len(this.value) < 255, construct.Byte,
            construct.FocusedSeq("size", construct.Const(b"\xff"), "size" / construct.Int16ub),
        ),
        lambda this: len(this.value),
    ),
    "value" / construct.GreedyBytes,
)  # the rule of Type 2 Tag 1.1, section 2.3, in another library  # fmt: skip


@pytest.mark.parametrize("size", [0, 1, 254, 255, 256, 8000, 65534])
def test_lengths_of_blocks(size: int) -> None:
    """Up to the longest that a TLV can say; codecs stop at 8192 bytes in all."""
    message = bytes(number % 251 for number in range(size))
    block = encode_block(message)
    assert block == TLV.build({"value": message})
    assert len(block) == block_size(size)
    assert block[1] == (size if size < 255 else 0xFF)
    blocks, terminator = decode_blocks(ByteSpan.from_bytes(block + b"\xfe\x01"))
    assert [each.value.data for each in blocks] == [message]
    assert terminator == len(block)
    if 8 * len(block) < MAX_BITS:
        data = Bits(block + b"\xfe")
        assert chain("tlv").encode(Bits(message)) == data
        assert chain("tlv").decode(data) == Bits(message)
    else:
        with refusal(DecodeError, rule="length", place=()):
            chain("tlv").decode(Bits(block))


def test_the_reserved_length() -> None:
    with pytest.raises(Malformed) as caught:
        decode_blocks(ByteSpan.from_bytes(b"\x03\xff\xff\xff" + bytes(LARGEST_VALUE + 1)))
    assert (caught.value.rule, caught.value.at) == ("tlv-length", bits_of(1, 3))


@pytest.mark.parametrize("size", [2, 3, 12, 255, 256, 257, 258, 259, 260, 8192])
def test_an_area_is_filled(size: int) -> None:
    """Every message that fits is written to the whole area, a terminator behind it unless the area is exactly full."""
    codec = area(8 * size, "tlv")
    fits = [count for count in range(size + 1) if len(TLV.build({"value": bytes(count)})) <= size]
    assert fits == list(range(largest_message(size) + 1))
    for count in {0, 1, 253, 254, 255, 256, fits[-1] // 2, fits[-1] - 1, fits[-1]} & set(fits):
        message = Bits(b"\xff" * count)
        data = codec.encode(message).bytes
        block = TLV.build({"value": message.bytes})
        assert data == (block + b"\xfe").ljust(size, b"\0")[:size]
        assert codec.decode(Bits(data)) == message
        assert not [note for note in chain("tlv").inspect(Bits(data)).notes if note.kind != "empty-message"]
    with pytest.raises(EncodeError) as caught:
        codec.encode(Bits.from_zeros(8 * (fits[-1] + 1)))
    most = fits[-1] + 1
    assert str(caught.value) == (
        f"tlv: the message has {most} byte{'s' * (most != 1)}, {block_size(most)} with tag and length, "
        f"but the area holds {size}"
    )


def test_a_record_that_does_not_fit_by_one_byte() -> None:
    """X a length of one byte more: 8 + 1 + 247 bytes, and 4."""
    address = f"mailto:{'a' * 235}@b.example.com"[:254]
    assert len(address) == 254
    message = encoded([ndef.UriRecord(address)])
    assert len(message) == 4 + 1 + 254 - len("mailto:")
    needed = 2 + len(message)
    codec = area(8 * needed, "tlv/ndef:contact:uri")
    assert codec.encode({"contact": address}).bytes == TLV.build({"value": message})
    with pytest.raises(EncodeError) as caught:
        area(8 * (needed - 1), "tlv/ndef:contact:uri").encode({"contact": address})
    assert str(caught.value) == (
        f"ndef:contact:uri: the message has {len(message)} bytes, expected at most {len(message) - 1}"
    )


NOTED = {  # the rules of Type 2 Tag 1.1, section 2.3: bytes, the notes on them
    "nothing to say": ("0303D00000FE", []),
    "nothing but the message": ("0303D00000", []),
    "zeros behind": ("0303D00000FE0000", []),
    "no terminator": ("0303D000000000", [("no-terminator", "info", ())]),
    "nulls in front": ("00000303D00000FE", [("null-tlv", "info", ())]),
    "nulls between": ("FD0000000303D00000FE", [("other-tlv", "care", bits_of(0, 1)), ("null-tlv", "info", ())]),
    "a lock control": ("010301020303 03D00000FE", [("other-tlv", "care", bits_of(0, 4))]),
    "a memory control": ("0203010203 0303D00000FE", [("other-tlv", "care", bits_of(0, 4))]),
    "proprietary behind": ("0303D00000FD0141FE", [("other-tlv", "care", bits_of(5, 7))]),
    "an unknown one": ("4200 0303D00000FE", [("other-tlv", "care", bits_of(0, 1))]),
    "three bytes of length": ("03FF0003D00000FE", [("overlong-length", "info", bits_of(1, 3))]),
    "an empty message": ("0300FE", [("empty-message", "info", bits_of(0, 1))]),
    "what was there before": ("0303D00000FE00D1", [("after-terminator", "info", bits_of(6, 7))]),
}


@pytest.mark.parametrize("name", NOTED)
def test_what_is_noted_of_an_area(name: str) -> None:
    data, expected = NOTED[name]
    data = data.replace(" ", "")
    assert notes(chain("tlv"), data) == expected
    codec = chain("tlv")
    assert codec.decode(codec.encode(codec.decode(Bits(hex=data)))) == codec.decode(Bits(hex=data))


def test_where_a_message_stands_behind_other_blocks() -> None:
    reading = chain("tlv").inspect(Bits("0x00FD01410303D00000FE00"))
    assert [reading.origin(place) for place in (0, 23)] == [(48,), (71,)]
    assert [(part.name, int(part.at[0]) // 8, int(part.at[-1]) // 8) for part in reading.parts] == [
        ("proprietary TLV", 1, 3), ("tag and length", 4, 5), ("message", 6, 8), ("terminator", 9, 9), ("rest", 10, 10)
    ]  # fmt: skip


def test_bits_that_are_no_bytes() -> None:
    with refusal(EncodeError):
        chain("tlv").encode(Bits.from_zeros(12))
    with refusal(DecodeError, rule="length", place=()):
        chain("tlv").decode(Bits("0x0303D00000F"))
    with refusal(DecodeError, rule="length", place=()):
        chain("ndef:f:uri").decode(Bits("0xD0000"))


# ── the laws, in chains and areas ───────────────────────────────────────────────────────────────

LAWFUL: dict[str, Callable[[], AnyCodec]] = {
    "hex": lambda: built("hex/tlv/ndef:contact:uri"),
    "several": lambda: built("hex/tlv/ndef:a:text-en,b:mime=image%2Fpng,c:external=a.example:b,d:poster-fi"),
    "area": lambda: area(8 * 144, "tlv/ndef:contact:uri,note:text-en"),
    "crc": lambda: built("hex/crc-a/ndef:contact:uri"),
    "blocks": lambda: built("hex/tlv"),
}


@pytest.mark.parametrize("name", LAWFUL)
def test_chains_obey_the_laws(name: str) -> None:
    codec = LAWFUL[name]()
    seen: Counter[str] = Counter()

    @given(randoms())
    def law(random: Random) -> None:
        obey(codec, random, seen)

    law()
    assert seen["accepted"]
    assert seen["rejected"]
    assert seen["written"]
    assert not seen["not written"]


def test_damaged_texts_are_values_or_errors() -> None:
    """Texts of hexadecimal digits with a few faults, through area and message."""
    codec = chain("hex/tlv/ndef:contact:uri,note:text-en")
    seen: Counter[str] = Counter()

    @given(randoms())
    def law(random: Random) -> None:
        uri = random.choice(PREFIXES) + "".join(random.choice(string.ascii_letters) for _ in range(random.randrange(9)))
        fields = {"contact": uri, "note": random.choice(("", "Pier 7", "Käär €"))}
        text = damaged(random, codec.encode(fields))
        try:
            seen[type(codec.decode(text)).__name__] += 1
        except DecodeError as error:
            seen["refused"] += 1
            assert error.check == codec.inspect(text).failed

    law()
    assert len(seen) == 2


# ── capability containers ───────────────────────────────────────────────────────────────────────


def test_a_large_area_is_what_its_container_says() -> None:
    """8192 bytes of memory, 8 of them the container (Type 5 Tag 1.0): the published bytes E2 40 00 01 00 00 03 FF."""
    fields = chain("capability-type5-long").decode(Bits("0xE2400001000003FF"))
    assert 8 * fields["units_of_8"] + 8 == 8192
    assert [note.kind for note in chain("capability-type5").inspect(Bits("0xE2400001")).notes] == [
        "area-size", "long-container"
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("name", "data", "kinds"),
    [
        ("capability-type2", "E1101200", ["area-size"]),
        ("capability-type2", "E110120F", ["area-size", "read-only"]),
        ("capability-type2", "E1201218", ["area-size", "later-version", "access", "access"]),
        ("capability-type5", "E1432001", ["area-size", "read-only"]),
        ("capability-type5", "E1C52001", ["area-size", "later-version", "access", "access"]),
        ("capability-type5-long", "E2430001000003FF", ["area-size", "read-only"]),
    ],
)
def test_what_a_container_says_of_access(name: str, data: str, kinds: list[str]) -> None:
    """From memory, Type 2 Tag 1.1 and Type 5 Tag 1.0."""
    assert [note.kind for note in chain(name).inspect(Bits(hex=data)).notes] == kinds


@pytest.mark.parametrize(
    ("name", "data", "said"),
    [  # Type 2 Tag 1.1: 3E is 62, and 62 x 8 is 496; Type 5 Tag 1.0: FF is 255, and 03FF 1023
        ("capability-type2", "E1103E00", "62 is 496 bytes"),
        ("capability-type5", "E140FF01", "255 is 2040 bytes"),
        ("capability-type5-long", "E2400001000003FF", "1023 is 8184 bytes"),
    ],
)
def test_a_container_says_how_many_bytes_its_area_has(name: str, data: str, said: str) -> None:
    (note,) = chain(name).inspect(Bits(hex=data)).notes
    assert note.text.endswith(f"counted in units of 8 bytes: {said}")
    with refusal(EncodeError):
        chain("capability-type2").encode({"major": 1, "minor": 0, "units_of_8": 496, "read": 0, "write": 0})


def test_only_two_magic_numbers_of_type_5() -> None:
    """All 256 first bytes: E1 and E2."""
    codec = chain("capability-type5")
    taken = [first for first in range(256) if codec.inspect(Bits(bytes([first, 0x40, 0x20, 1]))).ok]
    assert taken == [0xE1, 0xE2]
