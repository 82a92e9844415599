"""CRCs and the XOR byte: published values, other libraries, another dissector; what they find and miss."""

from __future__ import annotations

import binascii
import shutil
import struct
import subprocess
import sys
from itertools import combinations
from pathlib import Path
from random import Random
from typing import Any

import crccheck.checksum
import crccheck.crc
import pytest
from bitstring import Bits
from hypothesis import given
from hypothesis import strategies as st

from credkit import DecodeError, DefinitionError, EncodeError, chain, layout_entries
from credkit.catalogue.registry import catalogue
from credkit.core.forms import to_word
from credkit.core.spans import MAX_BITS
from credkit.explain.diagnosis import diagnose
from credkit.tables.crcs import ALGORITHMS, CRCS, XOR, Crc
from tests.sentences import refusal

# The same CRCs as another library describes them; that of ISO/IEC 15693 is the one of ISO/IEC 13239.
OTHERS: dict[str, Any] = {
    "crc-a": crccheck.crc.Crc16IsoIec144433A,
    "crc-b": crccheck.crc.Crc16IsoIec144433B,
    "crc-15693": crccheck.crc.CrcX25,
    "crc-16-ibm-3740": crccheck.crc.Crc16Ibm3740,
    "crc-16-arc": crccheck.crc.Crc16Arc,
    "crc-32-iso-hdlc": crccheck.crc.Crc32IsoHdlc,
    "crc-8-smbus": crccheck.crc.Crc8Smbus,
    "xor-byte": crccheck.checksum.ChecksumXor8,
}
# Over "123456789": the values of the public catalogue of CRCs (from memory, recomputed), and with them BF05 for CRC_A
# (ISO/IEC 14443-3 Annex B) and 906E for ISO/IEC 13239. Behind them the order of the bytes on a card.
CHECKS = {
    "crc-a": (0xBF05, "little"),
    "crc-b": (0x906E, "little"),
    "crc-15693": (0x906E, "little"),
    "crc-16-ibm-3740": (0x29B1, "big"),
    "crc-16-arc": (0xBB3D, "little"),
    "crc-32-iso-hdlc": (0xCBF43926, "little"),
    "crc-8-smbus": (0xF4, "big"),
}
FROM_ZERO = ("crc-16-arc", "crc-8-smbus")  # their register starts from zero
# ISO/IEC 14443-3 Annex B; the last row ISO/IEC 15693-3 Annex C (from memory, recomputed)
PUBLISHED = (
    ("crc-a", "0000", "A01E"),
    ("crc-a", "1234", "26CF"),
    ("crc-b", "000000", "CCC6"),
    ("crc-b", "0FAAFF", "FCD1"),
    ("crc-b", "0A123456", "2CF6"),
    ("crc-15693", "01020304", "9139"),
)


def frame(name: str, message: str) -> bytes:
    """The message with its CRC behind it."""
    return bytes(chain(name).encode(Bits(bytes.fromhex(message))).bytes)


# ── the rows ────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(("name", "row"), CRCS.items())
def test_rows_have_the_check_values_of_the_catalogue(name: str, row: Crc) -> None:
    assert (row.check, row.order) == CHECKS[name]
    assert row.compute(b"123456789") == row.check.to_bytes(row.width // 8, row.order)
    assert row.source


@pytest.mark.parametrize(("name", "message", "sent"), PUBLISHED)
def test_published_frames(name: str, message: str, sent: str) -> None:
    assert frame(name, message).hex().upper() == message + sent
    assert chain(name).decode(Bits(bytes.fromhex(message + sent))) == Bits(bytes.fromhex(message))


@pytest.mark.parametrize("name", CRCS)
def test_rows_are_those_of_another_library(name: str) -> None:
    @given(st.binary(max_size=300))
    def law(message: bytes) -> None:
        row = CRCS[name]
        assert row.compute(message) == OTHERS[name].calc(message).to_bytes(row.width // 8, row.order)

    law()


@pytest.mark.parametrize("name", ALGORITHMS)
def test_a_layout_that_names_a_row_writes_the_crc_of_another_library(name: str) -> None:
    width = ALGORITHMS[name].width

    @given(st.binary(min_size=1, max_size=24))
    def law(message: bytes) -> None:
        end = 8 * len(message)
        table = {
            "length": end + width,
            "fields": {"content": f"0-{end - 1}"},
            "checks": [{"bits": f"{end}-{end + width - 1}", "crc": f"0-{end - 1}", "algorithm": name}],
        }
        sent: Bits = layout_entries({"message": table})[0].build().encode({"content": int.from_bytes(message, "big")})
        calculated = OTHERS[name].calc(message).to_bytes(width // 8, ALGORITHMS[name].order)
        assert sent.bytes == message + calculated

    law()


@given(st.binary(max_size=300))
def test_the_standard_library_agrees(message: bytes) -> None:
    """Python's binascii has two of them."""
    assert CRCS["crc-32-iso-hdlc"].compute(message) == binascii.crc32(message).to_bytes(4, "little")
    assert CRCS["crc-16-ibm-3740"].compute(message) == binascii.crc_hqx(message, 0xFFFF).to_bytes(2, "big")


@given(st.binary(max_size=300))
def test_the_xor_is_a_crc(message: bytes) -> None:
    """The row of x^8 + 1 against the operator, and against another library."""
    found = 0
    for byte in message:
        found ^= byte
    assert XOR.compute(message) == bytes([found])
    assert found == crccheck.checksum.ChecksumXor8.calc(message)
    assert XOR.check == XOR.compute(b"123456789")[0]


@pytest.mark.parametrize("name", ["crc-b", "crc-15693"])
def test_the_residue(name: str) -> None:
    """Over a frame with its CRC, before the last inversion, the register is always F0B8 (ISO/IEC 13239)."""
    bare = CRCS[name]._replace(xorout=0)

    @given(st.binary(min_size=1, max_size=40))
    def law(message: bytes) -> None:
        assert bare.compute(frame(name, message.hex())) == bytes.fromhex("B8F0")

    law()


def test_crcs_are_loaded_when_one_is_computed() -> None:
    """The catalogue must stay light."""
    program = (
        "import sys; from credkit.catalogue.registry import catalogue, chain; catalogue(); chain('hex/crc-a'); "
        "print('crcmod' in sys.modules); chain('hex/crc-a').decode('123426CF'); print('crcmod' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "True"]


# ── the codecs ──────────────────────────────────────────────────────────────────────────────────


def test_what_a_crc_says() -> None:
    codec = chain("hex:8/crc-a")
    reading = codec.inspect("123426CF")
    (check,) = [check for check in reading.checks if check.rule == "crc"]
    assert (check.at, check.covers, check.evidence) == (tuple(range(16, 32)), tuple(range(16)), 16)
    assert [(part.name, part.at) for part in reading.steps[1].reading.parts] == [
        ("content", tuple(range(16))),
        ("CRC", tuple(range(16, 32))),
    ]
    with refusal(DecodeError, rule="crc"):
        codec.decode("123426CE")
    failed = codec.inspect("123426CE")
    assert failed.value == Bits("0x1234"), "what stands there is shown, though it does not hold"


@pytest.mark.parametrize(
    ("length", "expected"),
    [(0, "a multiple of 8 bits from 24"), (16, "a multiple of 8 bits from 24"), (31, "a multiple of 8 bits from 24"),
     (MAX_BITS + 8, f"at most {MAX_BITS} bits")],
)  # fmt: skip
def test_lengths_that_are_no_frame(length: int, expected: str) -> None:
    with pytest.raises(DecodeError, match=f"the length in bits fails: found {length}, expected {expected}"):
        chain("crc-b").decode(Bits.from_zeros(length))


@pytest.mark.parametrize("length", [0, 7, 12, MAX_BITS])
def test_lengths_that_take_no_crc(length: int) -> None:
    with pytest.raises(EncodeError, match=f"crc-b: writes a multiple of 8 bits and a CRC, not {length}"):
        chain("crc-b").encode(Bits.from_zeros(length))


def test_the_longest_frame_goes_both_ways() -> None:
    message = Bits.from_zeros(MAX_BITS - 16)
    assert chain("crc-15693").decode(chain("crc-15693").encode(message)) == message


def test_chains_know_how_much_is_left() -> None:
    codec = chain("hex:28/crc-b/atqb")
    assert codec.steps[1].output.lengths == range(96, 97)
    assert chain("binary/crc-b/atqb").encode({"pupi": 1, "application": 0, "protocol": 0})[:8] == "01010000"
    with refusal(DefinitionError):
        chain("hex:24/crc-b/atqb")
    with refusal(DefinitionError):
        chain("hex:4/crc-a")


def test_a_wrong_order_of_bits_is_proposed() -> None:
    """0F AA FF and its CRC_B as the air has them, least significant bit of a byte first: worked out by hand."""
    (hint,) = [hint for hint in diagnose(chain("hex:10/crc-b"), "F055FF3F8B") if hint.cause == "reversed-bits-in-bytes"]
    assert hint.value == Bits("0x0FAAFF")
    assert hint.evidence == 16


# ── what they find, and what they miss ──────────────────────────────────────────────────────────


@pytest.mark.parametrize("name", CRCS)
def test_one_to_three_wrong_bits_are_found(name: str) -> None:
    """Exhaustive over a frame of nine bytes: of one and two wrong bits all; of three all, being odd in number."""
    number, length = to_word(Bits(frame(name, "93700411223344")))
    codec = chain(name)
    assert codec._decode_raw((number, length)) is not None
    for count in (1, 2, 3):
        for places in combinations(range(length), count):
            assert codec._decode_raw((number ^ sum(1 << place for place in places), length)) is None


def test_one_random_frame_in_65536_passes() -> None:
    """Counted over all CRCs that can stand behind one message: exactly one holds."""
    codec = chain("crc-a")
    assert sum(codec._decode_raw((0x1234 << 16 | found, 32)) is not None for found in range(1 << 16)) == 1


@pytest.mark.parametrize("name", CRCS)
def test_zeros_that_are_missing_at_the_start_are_noticed(name: str) -> None:
    """CRCs that start from zero cannot tell 00 12 34 from 12 34; the others can."""
    assert (frame(name, "001234")[1:] == frame(name, "1234")) == (name in FROM_ZERO)


@pytest.mark.parametrize("name", [*CRCS, "xor-byte"])
def test_nothing_but_zeros_is_noted_where_it_passes(name: str) -> None:
    codec = chain(name)
    reading = codec.inspect(Bits.from_zeros(128))
    assert reading.ok == (name in (*FROM_ZERO, "xor-byte"))
    assert [(note.kind, note.level) for note in reading.notes] == [("blank", "care")] * reading.ok
    assert not codec.inspect(codec.encode(Bits("0x0001"))).notes


@pytest.mark.parametrize("name", [*FROM_ZERO, "xor-byte"])
def test_zeros_in_one_place_only_are_not_noted(name: str) -> None:
    """The check of a message with its own check behind it is zero; and zeros may have a check that is wrong."""
    codec = chain(name)
    twice = codec.encode(codec.encode(Bits("0x1234")))
    assert not any(twice.bytes[-(len(twice) - len(codec.encode(Bits("0x1234")))) // 8 :])
    assert codec.inspect(twice).ok
    assert not codec.inspect(twice).notes
    wrong = codec.inspect(Bits.from_zeros(64) + Bits("0x01"))
    assert not wrong.ok
    assert not wrong.notes


def test_what_an_xor_byte_says_and_misses() -> None:
    codec = chain("xor-byte")
    with refusal(DecodeError, rule="bcc"):
        codec.decode(Bits("0x12345671"))
    assert codec.decode(Bits("0x34125670")) == Bits("0x341256"), "bytes that changed places are not noticed"
    word, length = to_word(codec.encode(Bits("0x93700411223344")))
    assert not any(codec._decode_raw((word ^ 1 << place, length)) for place in range(length))
    with refusal(EncodeError):
        codec.encode(Bits("0x1"))


# ── another dissector ───────────────────────────────────────────────────────────────────────────

TO_CARD, FROM_CARD = 0xFE, 0xFF  # events of the capture format, seen from the reader
CAPTURED = 264  # its link type, DLT_ISO_14443
COLUMNS = ("crc.status", "crc", "uid_cln", "bcc", "uid_size", "pupi", "application_data", "protocol_info")


def dissected(frames: list[tuple[int, bytes]], folder: Path) -> list[dict[str, str]]:
    """What tshark makes of the frames: they are written to a capture file, a line of fields comes back for each."""
    if not shutil.which("tshark"):
        pytest.skip("tshark is not installed (Debian package tshark): no second dissector to compare frames with")
    data = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, CAPTURED)
    for second, (event, sent) in enumerate(frames):
        packet = struct.pack(">BBH", 0, event, len(sent)) + sent
        data += struct.pack("<IIII", second, 0, len(packet), len(packet)) + packet
    capture = folder / "frames.pcap"
    capture.write_bytes(data)
    wanted = [part for column in COLUMNS for part in ("-e", f"iso14443.{column}")]
    command = ["tshark", "-n", "-r", str(capture), "-T", "fields", *wanted]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    lines = done.stdout.split("\n")[: len(frames)]
    return [dict(zip(COLUMNS, line.split("\t"), strict=True)) for line in lines]


def test_tshark_agrees_on_frames_of_type_a(tmp_path: Path) -> None:
    """Selections of invented UIDs of 7 bytes: CRC_A, UID bytes and BCC of both levels; one wrong CRC in between."""
    random = Random(14443)
    levels, frames, expected = chain("uid-a-levels"), [], []
    frames += [(TO_CARD, bytes.fromhex("26")), (FROM_CARD, bytes.fromhex("4400"))]
    expected += [{}, {"uid_size": str(chain("hex:4/atqa").decode("4400")["uid_size"])}]
    for _ in range(20):
        uid = bytes([4, *(random.randrange(256) for _ in range(2)), random.randrange(0x80), *random.randbytes(3)])
        sent = levels.encode(Bits(uid)).bytes
        for select, level, shown in ((0x93, sent[:5], uid[:3]), (0x95, sent[5:], uid[3:])):
            whole = frame("crc-a", bytes([select, 0x70, *level]).hex())
            frames.append((TO_CARD, whole))
            expected.append({"uid_cln": shown.hex(), "bcc": f"0x{level[4]:02x}", "crc.status": "1"})
            expected[-1]["crc"] = f"0x{int.from_bytes(whole[-2:], 'little'):04x}"
    halt = frame("crc-a", "5000")
    frames += [(TO_CARD, halt), (TO_CARD, halt[:-1] + bytes([halt[-1] ^ 1]))]
    expected += [{"crc.status": "1"}, {"crc.status": "0"}]
    for line, wanted in zip(dissected(frames, tmp_path), expected, strict=True):
        sizes = {"4": "0", "7": "1", "10": "2"}
        line["uid_size"] = sizes.get(line["uid_size"], "")
        assert wanted.items() <= line.items()


def test_tshark_agrees_on_frames_of_type_b(tmp_path: Path) -> None:
    random = Random(7)
    codec, frames, expected = chain("binary/crc-b/atqb"), [], []
    for _ in range(20):
        frames.append((TO_CARD, frame("crc-b", "050000")))  # a request: answers are dissected behind one
        expected.append({"crc.status": "1"})
        fields = {"pupi": random.getrandbits(32), "application": random.getrandbits(32), "protocol": 0x008081}
        sent = Bits(f"0b{codec.encode(fields)}").bytes
        frames.append((FROM_CARD, sent))
        expected.append(
            {
                "pupi": f"0x{fields['pupi']:08x}",
                "application_data": f"0x{fields['application']:08x}",
                "crc": f"0x{int.from_bytes(sent[-2:], 'little'):04x}",
                "crc.status": "1",
            }
        )
    frames += [frames[0], (FROM_CARD, frames[1][1][:-1] + bytes([frames[1][1][-1] ^ 1]))]
    expected += [{}, {"crc.status": "0"}]
    for line, wanted in zip(dissected(frames, tmp_path), expected, strict=True):
        assert wanted.items() <= line.items()


def test_every_crc_has_its_codec() -> None:
    assert {entry.name for entry in catalogue()} >= {*CRCS, "xor-byte"}
