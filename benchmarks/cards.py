"""A batch of cards: their data written and their read-backs checked, beside a script for just this one plan.

Every contender writes the same bytes for the encoding station, one file a card, and finds the same
cards that were tampered with. The script does no more than that: it has no listing, trusts the
list, reads no meaning, and knows of no other plan.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path
from tempfile import TemporaryDirectory

from cryptography.hazmat.primitives.ciphers.algorithms import AES
from cryptography.hazmat.primitives.cmac import CMAC

from credkit.cards.data import write_batch
from credkit.cards.listing import find_read_backs
from credkit.cards.masters import MasterKey
from credkit.cards.readback import check_all
from credkit.files.declaredfiles import CsvFile
from tests.cards import STAFF, credentials, dump, plan, rows

KEY = bytes.fromhex("2B7E151628AED2A6ABF7158809CF4F3C")  # a published test value (SP 800-38B), never a key to use
MASTER = MasterKey.from_bytes(KEY, "argument of a function")
AREA = 96
PLAN = plan(STAFF.replace("size = 272", f"size = {AREA}"))
SPOILT = 50  # of so many cards one is tampered with
ACCESS = {7: "3C33CC", 11: "787788", 15: "787788", 39: "3C33CC"}
Answer = int


class Batch:
    """A list of credentials and a folder of read-backs, some of which were tampered with."""

    def __init__(self, folder: Path, count: int) -> None:
        self.folder = folder
        self.count = count
        self.file: CsvFile = credentials(folder, list(rows(count)))
        self.read = folder / "read"
        self.read.mkdir()
        self.spoilt = 0
        for index, row in enumerate(rows(count)):
            memory = dump(PLAN, row, MASTER, keys=False)
            if index % SPOILT == 0:
                memory[(64, 80, 118, 128)[index // SPOILT % 4]] ^= 1
                self.spoilt += 1
            (self.read / f"{row['credential_id']}.bin").write_bytes(memory)
        self.digest = sum(_number(data) for _, data in by_hand(self.file.path))


def _number(data: bytes) -> int:
    return int.from_bytes(sha256(data).digest()[:4], "big")


def _written(folder: Path) -> Answer:
    return sum(_number(file.read_bytes()) for file in folder.glob("*.bin"))


# ── what is measured ────────────────────────────────────────────────────────────────────────────


def credkit_writes(batch: Batch, out: Path) -> None:
    """The data of all cards: station files, listings, manifest."""
    write_batch(PLAN, batch.file, out, master=MASTER)


def credkit_checks(batch: Batch) -> Answer:
    """How many read-backs differ from plan and list."""
    checks = check_all(PLAN, find_read_backs([batch.read]), batch.file, master=MASTER)
    for _ in checks:
        pass
    return checks.different


# ── the script ──────────────────────────────────────────────────────────────────────────────────


def cmac(key: bytes, data: bytes) -> bytes:
    made = CMAC(AES(key))
    made.update(data)
    return made.finalize()


def by_hand(path: Path) -> Iterator[tuple[dict[str, str], bytes]]:
    """Each row of the list, and what the station gets for it."""
    label = f"credkit mac {PLAN.name}/secure".encode()
    mac_key = cmac(KEY, b"\1" + label + b"\0\x08" + (128).to_bytes(4, "big"))
    with path.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            bits = f"{int(row['gate_facility']):08b}{int(row['gate_number']):016b}"
            frame = int(f"{bits[:12].count('1') % 2}{bits}{1 - bits[12:].count('1') % 2}", 2)
            secure = bytes.fromhex(row["secure_number"].zfill(12))
            mac = cmac(mac_key, b"\4" + bytes.fromhex(row["serial"]) + secure)[:8]
            uri = b"\6" + row["contact"].removeprefix("mailto:").encode()
            message = b"\xd1\1" + bytes([len(uri)]) + b"U" + uri
            area = (b"\3" + bytes([len(message)]) + message + b"\xfe").ljust(AREA, b"\0")
            note = row["note"].encode().ljust(32, b"\0")
            first = int(row["personnel_number"]).to_bytes(4, "big") + bytes(4) + frame.to_bytes(4, "big") + bytes(4)
            blocks = [(4, first), (5, secure + mac + bytes(2))]
            blocks += [(block, area[16 * i : 16 * i + 16]) for i, block in enumerate((8, 9, 10, 12, 13, 14))]
            blocks += [(36, note[:16]), (37, note[16:])]
            yield row, b"".join(block.to_bytes(2, "big") + data for block, data in blocks)


def script_writes(batch: Batch, out: Path) -> None:
    """Station files and a manifest."""
    out.mkdir()
    with (out / "manifest.csv").open("w", newline="") as manifest:
        listed = csv.writer(manifest)
        for row, data in by_hand(batch.file.path):
            (out / f"{row['credential_id']}.bin").write_bytes(data)
            listed.writerow((row["credential_id"], row["serial"], sha256(data).hexdigest()))


def script_checks(batch: Batch) -> Answer:
    """How many read-backs have other bytes in their blocks, or other access bytes."""
    different = 0
    for row, data in by_hand(batch.file.path):
        memory = (batch.read / f"{row['credential_id']}.bin").read_bytes()
        pieces = (data[at : at + 18] for at in range(0, len(data), 18))
        blocks = ((16 * int.from_bytes(piece[:2], "big"), piece[2:]) for piece in pieces)
        good = memory[:4].hex().upper() == row["serial"] and all(memory[at : at + 16] == block for at, block in blocks)
        good = good and all(memory[16 * at + 6 : 16 * at + 9].hex().upper() == said for at, said in ACCESS.items())
        different += not good
    return different


WRITES = {"credkit": credkit_writes, "script": script_writes}
CHECKS = {"credkit": credkit_checks, "script": script_checks}


def writing(contender: str, batch: Batch) -> Answer:
    """The checksum over the station files that a contender writes; reading them again is measured along."""
    with TemporaryDirectory(dir=batch.folder) as folder:
        out = Path(folder) / "out"
        WRITES[contender](batch, out)
        return _written(out)
