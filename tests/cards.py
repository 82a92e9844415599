"""Plans, credentials and cards of Brackwater Terminal for the tests of stored data, made by code.

Nobody in them exists, and no card either. `dump` makes what a reader would give of a whole card:
the manufacturer's bytes, delivered sectors, and what the plan writes.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

from credkit.cards.image import ImageBuilder
from credkit.cards.listing import ReadBack
from credkit.cards.masters import MasterKey
from credkit.cards.plan import CardPlan
from credkit.cards.plans import load_plan
from credkit.files.declaredfiles import CsvFile

STAFF = """
[plan]
name = "Brackwater staff card"
geometry = "sectors-16x4"
serial = 4

[roles]
gate = "A"
issuer = "B"

[keys]
A = "derived"
B = "derived"

[trailers]
keys = "issuer"
access = "issuer"

[records.personnel]
column = "personnel_number"
stored = "fields:number:32"
where = "block 4"
read = ["gate", "issuer"]
write = "issuer"

[records.gate-card]
columns = { facility = "gate_facility", number = "gate_number" }
stored = "right-justified:26/wiegand-26"
size = 4
where = "block 4 byte 8"
read = ["gate", "issuer"]
write = "issuer"

[records.secure]
column = "secure_number"
stored = "bcd/template:{number:012d}"
size = 6
mac = 8
not_payment = "drawn by the card office"
where = "block 5"
read = ["gate", "issuer"]
write = "issuer"

[records.contact]
columns = { contact = "contact" }
stored = "tlv/ndef:contact:uri"
size = 272
where = "sectors 2-8"
read = ["gate", "issuer"]
write = "issuer"

[records.note]
column = "note"
stored = "characters:utf-8"
size = 32
where = "sector 9"
read = ["gate", "issuer"]
write = "issuer"
"""
STICKER = """
[plan]
name = "Brackwater sticker"
geometry = "type2-144"
container = "write"

[records.contact]
columns = { contact = "contact" }
stored = "tlv/ndef:contact:uri"
size = 96
where = "pages 4-27"

[records.berth]
column = "berth"
stored = "fields:berth:32"
where = "page 36"
lock = true
"""
TAG = """
[plan]
name = "Brackwater container tag"
geometry = "type5-64x4"

[records.berth]
column = "berth"
stored = "fields:berth:32"
mac = 8
where = "blocks 2-4"
lock = true
"""
TEXTS = {"staff": STAFF, "sticker": STICKER, "tag": TAG}
NOTES = ("Kran 3", "Kåre, dok 7 €", "Nur bei Tag", "潮位に注意", "")
DELIVERED = bytes.fromhex("FFFFFFFFFFFF FF0780 69 FFFFFFFFFFFF")  # a trailer as it comes: common practice, no source


def plan(which: str = "staff", *changes: tuple[str, str]) -> CardPlan:
    """One of the plans, with texts in it changed."""
    text = TEXTS.get(which, which)
    for before, after in changes:
        assert before in text, before
        text = text.replace(before, after)
    with TemporaryDirectory() as folder:
        path = Path(folder) / "plan.toml"
        path.write_text(text, encoding="utf-8")
        return load_plan(path)


def rows(count: int, which: str = "staff") -> Iterator[dict[str, str]]:
    """Credentials that differ from each other, always the same ones."""
    random = Random(2026)
    for index in range(count):
        row = {"credential_id": f"C-{1000 + index}"}
        if which == "staff":
            row |= {
                "serial": f"{0x01000000 + 7 * index:08X}",
                "personnel_number": str(random.randrange(1 << 32)),
                "gate_facility": str(random.randrange(256)),
                "gate_number": str(random.randrange(1 << 16)),
                "secure_number": f"{random.randrange(10**12):012d}",
                "contact": f"mailto:staff{index}@brackwater.example",
                "note": NOTES[index % len(NOTES)],
            }
        else:
            row["serial"] = f"{0x04112233445500 + index:014X}" if which == "sticker" else f"E0040100{index:08X}"
            row["berth"] = str(random.randrange(1 << 32))
            if which == "sticker":
                row["contact"] = f"https://brackwater.example/{index}"
        yield row


ROW = next(rows(1))
SERIAL = bytes.fromhex(ROW["serial"])


def credentials(folder: Path, held: Sequence[Mapping[str, str]], name: str = "staff.csv") -> CsvFile:
    """A list of credentials as a file."""
    path = folder / name
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(held[0])
        writer.writerows(row.values() for row in held)
    return CsvFile(path=path, name=name)


def manufacturer(serial: bytes) -> bytes:
    """What a manufacturer leaves: the serial number with its check bytes (ISO/IEC 14443-3 clause 6), and more."""
    if len(serial) == 7:
        first, last = 0x88, 0
        for byte in serial[:3]:
            first ^= byte
        for byte in serial[3:]:
            last ^= byte
        return serial[:3] + bytes([first]) + serial[3:] + bytes([last, 0x48])
    check = 0
    for byte in serial:
        check ^= byte
    return serial + bytes([check]) + bytes.fromhex("080400") + b"HARBOUR1"


def dump(plan: CardPlan, row: Mapping[str, str], master: MasterKey | None = None, *, keys: bool = True) -> bytearray:
    """All bytes of a card after encoding; without ``keys`` its trailers read as a card shows them, keys as zeros."""
    geometry, serial = plan.geometry, bytes.fromhex(row["serial"])
    memory = bytearray(geometry.size)
    if geometry.keys or geometry.unit == "page":
        known = manufacturer(serial)
        memory[: len(known)] = known
    for sector in range(len(geometry.sectors) if geometry.keys else 0):
        at = geometry.trailer(sector) * geometry.block_size
        memory[at : at + geometry.block_size] = DELIVERED
    image = ImageBuilder(plan, master, keys=geometry.keys and keys).build_image(serial, row)
    for block, data in image.blocks.items():
        memory[block * len(data) : (block + 1) * len(data)] = data
    for block, data in image.locks.items():
        for index, byte in enumerate(data):
            memory[block * len(data) + index] |= byte
    for trailer in image.trailers:
        hidden = bytes(6) + trailer.access.bytes + b"\0" + bytes(6)
        memory[trailer.block * 16 : (trailer.block + 1) * 16] = trailer.data or hidden
    if not geometry.keys and geometry.unit == "block":
        memory[: len(plan.container)] = plan.container
    return memory


def back(memory: bytes | bytearray, name: str = "C-1000.bin") -> ReadBack:
    """A whole dump as it is read back."""
    return ReadBack(name=name, stem=name.rpartition(".")[0], data=bytes(memory), read_mask=b"\x01" * len(memory))


def unseen(read: ReadBack, *spans: range) -> ReadBack:
    """The same without the bytes of ``spans``."""
    seen, data = bytearray(read.read_mask), bytearray(read.data)
    for span in spans:
        for at in span:
            seen[at] = data[at] = 0
    return replace(read, read_mask=bytes(seen), data=bytes(data))
