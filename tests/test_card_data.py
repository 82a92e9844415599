"""Personalisation data: bytes made a second way, files and their modes, refusals that leave nothing behind."""

from __future__ import annotations

import csv
import json
import os
import signal
import stat
import subprocess
import sys
import tracemalloc
from collections.abc import Mapping, Sequence
from hashlib import sha256
from pathlib import Path
from unicodedata import normalize

import ndef
import pytest
from cryptography.hazmat.primitives.ciphers.algorithms import AES
from cryptography.hazmat.primitives.cmac import CMAC

from credkit import DefinitionError, EncodeError, __version__
from credkit.cards.credentials import file_name_problem
from credkit.cards.data import NoMasterKey, write_batch
from credkit.cards.image import ImageBuilder
from credkit.cards.listing import find_read_backs, format_listing, load_read_back
from credkit.cards.masters import check_value
from credkit.cards.plan import CardPlan
from credkit.files.declaredfiles import CsvFile
from tests.amounts import amounts
from tests.cards import ROW, SERIAL, STAFF, credentials, plan, rows
from tests.masters import KEY, MASTER, leaks
from tests.progress import RecordedProgress
from tests.sentences import refusal

STAFF_PLAN, STICKER_PLAN, TAG_PLAN = plan("staff"), plan("sticker"), plan("tag")


def written(
    folder: Path, held: Sequence[Mapping[str, str]], used: CardPlan = STAFF_PLAN, *, keys: bool = False
) -> Path:
    out = folder / "batch"
    batch = write_batch(used, credentials(folder, held), out, master=MASTER, keys=keys)
    assert (batch.out, batch.count, batch.keys) == (out, len(held), keys)
    return out


def blocks(data: bytes, size: int = 16) -> dict[int, bytes]:
    """What the encoding station reads in a .bin file, in its order; read here, not by credkit."""
    assert len(data) % (2 + size) == 0
    pieces = [data[at : at + 2 + size] for at in range(0, len(data), 2 + size)]
    found = {int.from_bytes(piece[:2], "big"): piece[2:] for piece in pieces}
    assert len(found) == len(pieces), "no block is written twice"
    return found


def cmac(key: bytes, data: bytes) -> bytes:
    made = CMAC(AES(key))
    made.update(data)
    return made.finalize()


def derived(label: str, context: bytes, size: int) -> bytes:
    """SP 800-108 in counter mode with AES-CMAC, one round: counter, label, 00, context, bits in four bytes."""
    return cmac(KEY, b"\1" + label.encode() + b"\0" + context + (8 * size).to_bytes(4, "big"))[:size]


# ── bytes, made a second way ────────────────────────────────────────────────────────────────────


def by_hand(row: Mapping[str, str]) -> dict[int, bytes]:
    """The data blocks of the staff card, without credkit: AC-01, BCD, RFC 4493, ndeflib, UTF-8."""
    serial = bytes.fromhex(row["serial"])
    bits = f"{int(row['gate_facility']):08b}{int(row['gate_number']):016b}"
    frame = f"{bits[:12].count('1') % 2}{bits}{1 - bits[12:].count('1') % 2}"  # SIA AC-01: even, then odd
    secure = bytes.fromhex(row["secure_number"])
    mac_key = derived("credkit mac Brackwater staff card/secure", b"\x08", 16)
    mac = cmac(mac_key, b"\4" + serial + secure)[:8]
    message = b"".join(ndef.message_encoder([ndef.UriRecord(row["contact"])]))
    head = bytes([3, len(message)]) if len(message) < 255 else b"\3\xff" + len(message).to_bytes(2, "big")
    area = (head + message + b"\xfe"[: 272 - len(head) - len(message)]).ljust(272, b"\0")
    free = [block for block in range(8, 36) if block % 4 != 3][: 272 // 16]
    note = row["note"].encode().ljust(32, b"\0")
    first = int(row["personnel_number"]).to_bytes(4, "big") + bytes(4) + int(frame, 2).to_bytes(4, "big") + bytes(4)
    return {
        4: first,
        5: secure + mac + bytes(2),
        **{block: area[16 * index : 16 * index + 16] for index, block in enumerate(free)},
        36: note[:16],
        37: note[16:],
    }


def test_the_bytes_are_those_of_other_hands(tmp_path: Path) -> None:
    """Two records in block 4, a MAC, a message across trailers, texts that are not ASCII, an empty text."""
    held = list(rows(12))
    out = written(tmp_path, held)
    assert {row["note"] for row in held} >= {"Kåre, dok 7 €", "潮位に注意", ""}
    for row in held:
        found = blocks((out / f"{row['credential_id']}.bin").read_bytes())
        assert found == by_hand(row)
        assert list(found) == sorted(found)


def test_trailers_come_last_and_have_their_own_keys(tmp_path: Path) -> None:
    """78 77 88 is data 100, trailer 011; sector 1 also has a free block of 011, so 3C 33 CC (common practice)."""
    found = blocks((written(tmp_path, [ROW], keys=True) / "C-1000.bin").read_bytes())
    trailers = [7, 11, 15, 19, 23, 27, 31, 39]
    assert list(found)[-8:] == trailers
    assert list(found)[:-8] == list(by_hand(ROW))
    access = {7: "3C33CC", 31: "3C33CC", 39: "3C33CC"}
    for block in trailers:
        keys = [
            derived("credkit key Brackwater staff card", b"\4" + SERIAL + bytes([block // 4]) + slot, 6)
            for slot in (b"A", b"B")
        ]
        assert found[block] == keys[0] + bytes.fromhex(access.get(block, "787788")) + b"\0" + keys[1]


def test_an_address_of_254_characters_fits_and_the_area_that_is_a_byte_too_small_is_named(tmp_path: Path) -> None:
    """254 characters are the longest e-mail address (RFC 5321 path of 256 with its brackets)."""
    address = f"{'a' * 64}@{'b' * 63}.{'c' * 63}.{'d' * 61}"
    assert len(address) == 254
    row = ROW | {"contact": f"mailto:{address}"}
    assert blocks((written(tmp_path, [row]) / "C-1000.bin").read_bytes()) == by_hand(row)
    # header and type 4 bytes, prefix code 1, address 254: 259; the TLV adds 1 + 3, since there are 255 or more
    exact = plan(STAFF.replace("size = 272", "size = 263"))
    assert len(ImageBuilder(exact, MASTER).build_image(SERIAL, row).blocks) > 10
    short = plan(STAFF.replace("size = 272", "size = 262"))
    with refusal(DefinitionError):
        write_batch(short, credentials(tmp_path, [row]), tmp_path / "short", master=MASTER)
    assert not (tmp_path / "short").exists()


def test_locks_and_container_of_a_sticker(tmp_path: Path) -> None:
    """E1 10 12 00 = 144 bytes (Type 2 Tag); page 36 is locked by bit 2 of the second dynamic byte (from memory)."""
    row = next(rows(1, "sticker"))
    out = written(tmp_path, [row], STICKER_PLAN)
    found = blocks((out / "C-1000.bin").read_bytes(), 4)
    assert list(found) == [*range(4, 28), 36, 3, 40], "container and locks last: they shut out what follows"
    assert found[3].hex() == "e1101200"
    assert found[36] == int(row["berth"]).to_bytes(4, "big")
    assert found[40].hex() == "00040000", "(36 - 16) / 2 = 10, the third bit of the second byte"
    message = b"".join(ndef.message_encoder([ndef.UriRecord(row["contact"])]))
    area = b"".join(found[page] for page in range(4, 28))
    assert area == (bytes([3, len(message)]) + message + b"\xfe").ljust(96, b"\0")
    assert (out / "C-1000.txt").read_text().splitlines()[-1] == "page 40: 00040000  # lock bytes, for good"


def test_static_lock_bytes_leave_their_page_alone(tmp_path: Path) -> None:
    """Byte 10 locks pages 4 to 7 by its bits 4 to 7; the other half of the page is the manufacturer's (from memory)."""
    used = plan("sticker", ('where = "page 36"', 'where = "page 5"'), ('where = "pages 4-27"', 'where = "pages 8-31"'))
    out = written(tmp_path, [next(rows(1, "sticker"))], used)
    assert blocks((out / "C-1000.bin").read_bytes(), 4)[2].hex() == "00002000"
    text = (out / "C-1000.txt").read_text()
    assert "page 2: ....2000  # lock bytes, for good" in text
    assert "# .. is a byte beside lock bytes: it is written as zero, which changes nothing" in text
    assert not load_read_back(out / "C-1000.txt", used).has_bytes(8, 10)


def test_every_lock_bit_lies_in_the_memory() -> None:
    """One bit for 8 bytes: 496 - 48 bytes need 56 bits, two pages (Type 2 Tag, from memory)."""
    used = plan(
        "sticker",
        ('"type2-144"', '"type2-496"\ndynamic_locks = "standard"'),
        ('where = "page 36"', 'where = "page 127"'),
    )
    image = ImageBuilder(used).build_image(bytes(7), next(rows(1, "sticker")))
    assert {block: data.hex() for block, data in image.locks.items()} == {129: "00008000"}
    assert used.geometry.blocks == 130
    assert used.geometry.duty_of_bytes[4 * 129] == "locks"


# ── the listing ─────────────────────────────────────────────────────────────────────────────────


SMALL = STAFF.partition("[records.secure]")[0]


def test_a_listing_as_a_person_reads_it() -> None:
    used = plan(SMALL)
    row = {"personnel_number": "123456", "gate_facility": "123", "gate_number": "45678"}
    image = ImageBuilder(used).build_image(SERIAL, row)
    # Conditions 100, 011, 011, 011: C1 is 0001, C2 and C3 are 1110; so 1E 11 EE (common practice, no source).
    assert (
        format_listing(image, used, credential="C-1", serial=SERIAL)
        == """\
# credential 'C-1', serial 01000000
# plan 'Brackwater staff card', sectors-16x4; blocks in the order of writing
# .. is a byte of a key: the keys are not written out, the encoding station derives them
block 4: 0001E240 00000000 02F764DD 00000000  # personnel number=123456, gate-card facility=123 number=45678
block 7: ........ ....1E11 EE00.... ........  # trailer
"""
    )


def comments(text: str) -> dict[str, str]:
    """The comment of each line of a listing, by what stands before the colon."""
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    return {line.partition(":")[0]: line.partition("  # ")[2] for line in lines}


def test_a_listing_says_what_each_record_means_where_it_begins(tmp_path: Path) -> None:
    """For the second person who compares it with the list; the bytes of MACs and keys are never said there."""
    row = ROW | {"secure_number": "000000417702", "personnel_number": "4711", "note": "Kåre, dok 7 €"}
    found = comments((written(tmp_path, [row], keys=True) / "C-1000.txt").read_text())
    assert found["block 4"] == (
        f"personnel number=4711, gate-card facility={row['gate_facility']} number={row['gate_number']}"
    )
    assert found["block 5"] == "secure number=417702"
    assert found["block 8"] == "contact contact=mailto:staff0@brackwater.example"
    assert found["block 9"] == "contact", "where it goes on there is only its name"
    assert (found["block 36"], found["block 37"]) == ("note 'Kåre, dok 7 €'", "note")
    assert {found[f"block {block}"] for block in (7, 11, 39)} == {"trailer"}


def test_a_meaning_cannot_break_a_listing(tmp_path: Path) -> None:
    """A line break, a character that does not print, a number like an account's (test number of WHATWG HTML)."""
    text = STAFF.partition("[records.secure]")[0] + (
        '[records.motto]\nconstant = "a\\nblock 5: 00 #b"\nstored = "characters:utf-8"\nsize = 16\nwhere = "block 5"\n'
        'read = ["gate", "issuer"]\nwrite = "issuer"\n'
        '[records.pass]\ncolumn = "pass"\nstored = "fields:number:64"\nwhere = "block 6"\n'
        'not_payment = "numbers of permits"\n'
        'read = ["gate", "issuer"]\nwrite = "issuer"\n'
        '[directory]\nwhere = "sector 2"\nread = ["gate", "issuer"]\nwrite = "issuer"\n'
        '[records.link]\ncolumns = { contact = "link" }\nstored = "tlv/ndef:contact:uri"\nsize = 32\n'
        'where = "sector 3"\nread = ["gate", "issuer"]\nwrite = "issuer"\n'
    )
    used = plan(text)
    row = {column: ROW.get(column, "") for column in used.columns}
    row |= {"pass": "4114360123456785", "link": "https://a.example/\u2028b"}
    out = written(tmp_path, [row], used)
    found = comments((out / "C-1000.txt").read_text())
    assert found["block 5"] == r"motto 'a\nblock 5: 00 #b'"
    assert found["block 6"] == "pass number=411436******6785"
    assert found["block 8"] == "directory"
    assert found["block 12"] == r"link contact=https://a.example/\u2028b"
    assert load_read_back(out / "C-1000.txt", used).has_bytes(5 * 16, 7 * 16)


def test_listings_and_station_files_say_the_same(tmp_path: Path) -> None:
    for used, which in ((STAFF_PLAN, "staff"), (STICKER_PLAN, "sticker"), (TAG_PLAN, "tag")):
        folder = tmp_path / which
        folder.mkdir()
        size = used.geometry.block_size
        out = written(folder, list(rows(3, which)), used, keys=True)
        for file in sorted(out.glob("*.bin")):
            back = load_read_back(file.with_suffix(".txt"), used)
            sent = blocks(file.read_bytes(), size)
            read = {at // size for at, seen in enumerate(back.read_mask) if seen}
            assert read == set(sent), which
            for block, data in sent.items():
                assert back.data[block * size : (block + 1) * size] == data
                assert back.has_bytes(block * size, (block + 1) * size), "with keys there is nothing that is not said"


def test_a_listing_with_keys_says_that_it_is_confidential(tmp_path: Path) -> None:
    with_keys = (written(tmp_path, [ROW], keys=True) / "C-1000.txt").read_text()
    assert "# confidential: the keys of this card stand below; whoever has them can read and rewrite it" in with_keys
    (tmp_path / "plain").mkdir()
    without = written(tmp_path / "plain", [ROW])
    assert "confidential" not in (without / "C-1000.txt").read_text()
    key = derived("credkit key Brackwater staff card", b"\4" + SERIAL + b"\1A", 6)
    assert key.hex().upper() in with_keys.replace(" ", "")
    for file in without.iterdir():
        assert key not in file.read_bytes()
        assert key.hex() not in file.read_bytes().replace(b" ", b"").decode("latin-1").lower()


# ── the folder ──────────────────────────────────────────────────────────────────────────────────


def test_the_folder_is_complete(tmp_path: Path) -> None:
    held = list(rows(5))
    out = written(tmp_path, held)
    names = {f"{row['credential_id']}.{ending}" for row in held for ending in ("bin", "txt")}
    assert {file.name for file in out.iterdir()} == names | {"manifest.csv", "batch.json"}
    with (out / "manifest.csv").open(newline="") as file:
        manifest = list(csv.DictReader(file))
    assert manifest == [
        {
            "credential_id": row["credential_id"], "serial": row["serial"], "file": f"{row['credential_id']}.bin",
            "sha256": sha256((out / f"{row['credential_id']}.bin").read_bytes()).hexdigest(),
        }
        for row in held
    ]  # fmt: skip
    assert json.loads((out / "batch.json").read_text()) == {
        "plan": "Brackwater staff card", "plan_sha256": sha256(STAFF.encode()).hexdigest(), "geometry": "sectors-16x4",
        "count": 5, "credkit": __version__, "keys": False, "check_value": check_value(MASTER),
        "before_use": [
            "encode one sacrificial card first", "let a second person compare it with the plan",
            "read it back and check it before the others are encoded",
        ],
    }  # fmt: skip


def test_a_check_value_is_told_only_of_a_key_that_is_used(tmp_path: Path) -> None:
    """A sticker has neither keys nor MACs: whatever key is given, nothing comes of it."""
    out = written(tmp_path, list(rows(1, "sticker")), STICKER_PLAN)
    assert json.loads((out / "batch.json").read_text())["check_value"] is None
    write_batch(plan(SMALL), credentials(tmp_path, [dict(list(ROW.items())[:5])]), tmp_path / "open")
    assert json.loads((tmp_path / "open" / "batch.json").read_text())["check_value"] is None


def test_the_same_again_gives_the_same_bytes(tmp_path: Path) -> None:
    found = []
    for name in ("first", "second"):
        (tmp_path / name).mkdir()
        out = written(tmp_path / name, list(rows(3)), keys=True)
        found.append({file.name: file.read_bytes() for file in out.iterdir()})
    assert found[0] == found[1]


@pytest.mark.skipif(os.name != "posix", reason="modes are those of POSIX")
@pytest.mark.parametrize("keys", [True, False])
def test_only_the_owner_can_read_it_from_the_first_byte_on(tmp_path: Path, keys: bool) -> None:
    seen: list[int] = []

    def look(count: int) -> None:
        (building,) = tmp_path.glob(".credkit.partial-*/new/batch")
        seen.extend(stat.S_IMODE(each.stat().st_mode) for each in (building, *building.iterdir()))

    before = os.umask(0)
    try:
        file = credentials(tmp_path, list(rows(2)))
        write_batch(STAFF_PLAN, file, tmp_path / "batch", master=MASTER, keys=keys, progress=RecordedProgress(look))
    finally:
        os.umask(before)
    assert set(seen) == {0o700, 0o600}
    assert stat.S_IMODE((tmp_path / "batch").stat().st_mode) == 0o700
    assert {stat.S_IMODE(file.stat().st_mode) for file in (tmp_path / "batch").iterdir()} == {0o600}


@pytest.mark.parametrize("keys", [True, False])
def test_the_master_key_is_in_no_file(tmp_path: Path, keys: bool) -> None:
    for file in written(tmp_path, list(rows(2)), keys=keys).iterdir():
        assert not leaks(file.read_bytes()), file.name


def test_an_empty_folder_is_taken_and_parents_are_made(tmp_path: Path) -> None:
    (tmp_path / "batch").mkdir()
    assert (written(tmp_path, [ROW]) / "batch.json").exists()
    deep = tmp_path / "a" / "b"
    write_batch(STAFF_PLAN, credentials(tmp_path, [ROW]), deep, master=MASTER)
    assert (deep / "C-1000.bin").exists()


def test_a_place_that_is_taken_is_refused_and_left_alone(tmp_path: Path) -> None:
    file = credentials(tmp_path, [ROW])
    (tmp_path / "taken").mkdir()
    (tmp_path / "taken" / "old.bin").write_text("old")
    (tmp_path / "file").write_text("old")
    for name, message in (
        ("taken", "taken' holds 'old.bin': name a folder that is new or empty"),
        ("file", "file' is not a folder: name a folder that is new or empty"),
        ("file/below", "cannot be written (Not a directory)"),
        ("nul\0", "is not the path of a folder"),
    ):
        with pytest.raises(DefinitionError) as caught:
            write_batch(STAFF_PLAN, file, tmp_path / name, master=MASTER)
        assert str(caught.value).endswith(message)
    assert (tmp_path / "taken" / "old.bin").read_text() == "old"
    assert {each.name for each in tmp_path.iterdir()} == {"taken", "file", "staff.csv"}


def test_an_interruption_leaves_nothing(tmp_path: Path) -> None:
    def stop(count: int) -> None:
        if count == 3:
            raise KeyboardInterrupt

    file = credentials(tmp_path, list(rows(9)))
    with pytest.raises(KeyboardInterrupt):
        write_batch(STAFF_PLAN, file, tmp_path / "batch", master=MASTER, progress=RecordedProgress(stop))
    assert [each.name for each in tmp_path.iterdir()] == ["staff.csv"]


KILLED = """
import os, signal, sys
from pathlib import Path
from credkit.cards.data import write_batch
from tests.cards import credentials, plan, rows
from tests.masters import MASTER
from tests.progress import RecordedProgress
folder = Path(sys.argv[1])
stop = lambda count: os.kill(os.getpid(), signal.SIGKILL) if count == 5 else None
file = credentials(folder, list(rows(9)))
write_batch(plan(), file, folder / "batch", master=MASTER, keys=True, progress=RecordedProgress(stop))
"""


@pytest.mark.skipif(os.name != "posix", reason="SIGKILL is of POSIX")
def test_a_killed_run_leaves_no_half_folder_and_what_it_left_is_removed_later(tmp_path: Path) -> None:
    root = Path(__file__).parents[1]
    done = subprocess.run([sys.executable, "-c", KILLED, str(tmp_path)], cwd=root, check=False)
    assert done.returncode == -signal.SIGKILL
    assert not (tmp_path / "batch").exists()
    (left,) = tmp_path.glob(".credkit.partial-*/new/batch")
    assert len(list(left.glob("*.bin"))) == 5
    assert {stat.S_IMODE(each.stat().st_mode) for each in (left, *left.iterdir())} == {0o700, 0o600}
    written(tmp_path, [ROW])
    assert {each.name for each in tmp_path.iterdir()} == {"batch", "staff.csv"}


@amounts("more", quick=100, whole=300)
def test_memory_stays_flat(tmp_path: Path, more: int) -> None:
    """Beside the list itself, which is read whole, a card leaves its id and its serial number."""
    peaks = []
    for run, count in enumerate((50 + more, 50, 50 + more)):  # the first fills what is kept of texts and layouts
        file = credentials(tmp_path, list(rows(count)), f"{count}.csv")
        tracemalloc.start()
        try:
            write_batch(STAFF_PLAN, file, tmp_path / str(run), master=MASTER)
            peaks.append(tracemalloc.get_traced_memory()[1])
        finally:
            tracemalloc.stop()
    assert peaks[2] - peaks[1] < more * 2200, "a card's own bytes are twice as much"


# ── refusals ────────────────────────────────────────────────────────────────────────────────────


def refused(folder: Path, held: Sequence[Mapping[str, str]], used: CardPlan = STAFF_PLAN) -> str:
    with pytest.raises(DefinitionError) as caught:
        write_batch(used, credentials(folder, held), folder / "batch", master=MASTER)
    assert [each.name for each in folder.iterdir()] == ["staff.csv"], "nothing is written"
    return str(caught.value)


MALFORMED_SERIAL = (
    "is not hexadecimal bytes of two digits, with nothing or one same separator between them (: - or space)"
)


@pytest.mark.parametrize("separator", [":", "-", " "])
def test_a_serial_number_with_separators_is_the_same_serial_number(tmp_path: Path, separator: str) -> None:
    """Separators as encoding stations print them: common practice, no source. Every file of the batch is the same."""
    folders = []
    for name, between in (("plain", ""), ("separated", separator)):
        folder = tmp_path / name
        folder.mkdir()
        held = [
            row | {"serial": bytes.fromhex(row["serial"]).hex(between) if between else row["serial"]} for row in rows(3)
        ]
        write_batch(STAFF_PLAN, credentials(folder, held), folder / "batch", master=MASTER)
        folders.append({each.name: each.read_bytes() for each in (folder / "batch").iterdir()})
    assert folders[0] == folders[1]


def test_one_serial_number_written_in_two_ways_is_a_duplicate(tmp_path: Path) -> None:
    held = list(rows(2))
    held[1] |= {"serial": bytes.fromhex(held[0]["serial"]).hex("-")}
    assert refused(tmp_path, held).endswith(f"serial '{held[0]['serial']}' is that of line 2: each is one card's")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"serial": "4A1B2C"}, "serial '4A1B2C' has 3 bytes, the plan expects 4"),
        ({"serial": "4A1B2C3D4E5F60"}, "serial '4A1B2C3D4E5F60' has 7 bytes, the plan expects 4"),
        ({"serial": "4A:1B-2C:3D"}, "serial '4A:1B-2C:3D' " + MALFORMED_SERIAL),
        ({"serial": "4A:1B2C:3D"}, "serial '4A:1B2C:3D' " + MALFORMED_SERIAL),
        ({"serial": "4A1:B2C:3D"}, "serial '4A1:B2C:3D' " + MALFORMED_SERIAL),
        ({"serial": "4A::1B::2C::3D"}, "serial '4A::1B::2C::3D' " + MALFORMED_SERIAL),
        ({"serial": "4A:1B:2C:3D:"}, "serial '4A:1B:2C:3D:' " + MALFORMED_SERIAL),
        ({"serial": " 4A 1B 2C 3D"}, "serial ' 4A 1B 2C 3D' " + MALFORMED_SERIAL),
        ({"serial": "4A.1B.2C.3D"}, "serial '4A.1B.2C.3D' " + MALFORMED_SERIAL),
        ({"serial": "1.23E+07"}, "serial '1.23E+07' " + MALFORMED_SERIAL),
        ({"serial": "٤A1B2C3D"}, "serial '٤A1B2C3D' " + MALFORMED_SERIAL),
        # ISO/IEC 14443-3: 08 is drawn anew at each power-up, 88 is the cascade tag
        ({"serial": "08112233"}, "serial '08112233' is refused: it begins with 08: the card draws another at each "
                                 "power-up, and no key or MAC would fit it again"),
        ({"serial": "88041122"}, "serial '88041122' is refused: it holds the cascade tag 88, so it is cut: only a part "
                                 "of a longer serial number is left"),
        ({"serial": "01000007"}, "serial '01000007' is that of line 3: each is one card's"),
        ({"credential_id": "C-1001"}, "credential_id 'C-1001' is that of line 3: each names files of its own"),
        ({"credential_id": "c-1001"}, "credential_id 'c-1001' is that of line 3: each names files of its own"),
        ({"credential_id": ""}, "credential_id '' is empty: it names files"),
        ({"credential_id": "../C"}, "credential_id '../C' holds '/': it names files, and no name of a file may"),
        ({"credential_id": "a\\b"}, "credential_id 'a\\\\b' holds '\\\\': it names files, and no name of a file may"),
        ({"credential_id": "a\tb"}, "credential_id 'a\\tb' holds the character U+0009: it names files, and no "
                                    "name of a file may"),
        ({"credential_id": "COM1"}, "credential_id 'COM1' is the name of a device on some systems: it names files"),
        ({"credential_id": "=1+1"}, "credential_id '=1+1' begins with '=': spreadsheets take that for a formula, and "
                                    "shells for an option"),
        ({"credential_id": "＝1+1"}, "credential_id '＝1+1' begins with '＝': spreadsheets take that for a formula, "
                                    "and shells for an option"),
        ({"credential_id": "C;@1"}, "credential_id 'C;@1' holds a formula behind a semicolon, where some spreadsheets "
                                    "begin a cell"),
        ({"personnel_number": "12a"}, "record personnel, column personnel_number: 4 bytes/fields:number:32: number is "
                                      "'12a', not a whole number in decimal digits"),
        ({"personnel_number": "4294967296"}, "record personnel, column personnel_number: fields:number:32: number is "
                                             "4294967296, outside 0 to 4294967295"),
        ({"note": "x" * 33}, "record note, column note: characters:utf-8: the text has 33 bytes in utf-8, the area "
                             "holds 32"),
        ({"note": "ß" * 17}, "record note, column note: characters:utf-8: the text has 34 bytes in utf-8, the area "
                             "holds 32"),
    ],
)  # fmt: skip
def test_a_row_that_cannot_be_written_is_named_and_nothing_is(
    tmp_path: Path, change: dict[str, str], message: str
) -> None:
    held = list(rows(4))
    held[2] |= change
    assert refused(tmp_path, held) == f"staff.csv line 4: {message}"


def test_faults_of_the_list_itself(tmp_path: Path) -> None:
    assert refused(tmp_path, [{"credential_id": "C-1"}]) == (
        "staff.csv line 1: the columns serial, personnel_number, gate_facility, gate_number, secure_number, contact, "
        "note are missing"
    )
    more = [ROW | {"nickname": "x"}]
    assert refused(tmp_path, more) == (
        f"staff.csv line 1: the column 'nickname' is not one of {', '.join(ROW)}; a column that no record uses can be "
        "named in the plan, in [plan] ignore"
    )
    typed = [{column.replace("note", "notes"): cell for column, cell in ROW.items()}]
    assert refused(tmp_path, typed) == (
        f"staff.csv line 1: the column 'notes' is not one of {', '.join(ROW)}; did you mean note?"
    )
    path = tmp_path / "staff.csv"
    header = ",".join(ROW)
    for text in (
        f"{header}\n",
        f"{header}\nC-1,01\n",
        f'{header}\n"C-1\n',
    ):
        path.write_text(text)
        with refusal(DefinitionError):
            write_batch(STAFF_PLAN, CsvFile(path=path, name="staff.csv"), tmp_path / "batch", master=MASTER)
        assert [each.name for each in tmp_path.iterdir()] == ["staff.csv"]


@pytest.mark.parametrize(
    "name", ["C-1", "C 1", "Zoë", "a.b", "コンテナ", "CONTAINER", "COM10", "x" * 200, "a=b", "#7", "$x", "a'b", "C_1"]
)
def test_ids_that_can_name_files(name: str, tmp_path: Path) -> None:
    assert not file_name_problem(name)
    (tmp_path / f"{name}.bin").write_bytes(b"")


@pytest.mark.parametrize(
    "name",
    [
        ".", "..", "...", ".hidden", "a.", " a", "a ", "a/b", "a:b", "a*", "a?", 'a"b', "<a>", "a|b",
        "\x7f", "\x00", "a\u202eb", "a\u200bb", "\ud800", "con", "Aux.txt", "LPT9", "COM¹", "nul", "-x", "+1", "@a",
        "x" * 201, "ß" * 101,
    ],
)  # fmt: skip
def test_ids_that_cannot(name: str) -> None:
    assert file_name_problem(name)


def test_ids_that_some_systems_take_for_one_name_are_equal(tmp_path: Path) -> None:
    held = list(rows(2))
    held[0]["credential_id"] = normalize("NFC", "Zoë")
    held[1]["credential_id"] = normalize("NFD", "ZOË")
    assert refused(tmp_path, held).endswith("is that of line 2: each names files of its own")


def test_random_serial_numbers_are_a_matter_of_type_a_alone(tmp_path: Path) -> None:
    """Vicinity cards (ISO/IEC 15693) have no random numbers that begin with 08: nothing is said of the first byte."""
    row = next(rows(1, "tag")) | {"serial": "0811223344556677"}
    assert (written(tmp_path, [row], TAG_PLAN) / "C-1000.bin").exists()


def test_a_master_key_is_asked_for_where_it_is_needed(tmp_path: Path) -> None:
    file = credentials(tmp_path, [ROW])
    with pytest.raises(NoMasterKey, match="record secure is protected by a MAC: a master key is needed to write it"):
        write_batch(STAFF_PLAN, file, tmp_path / "batch")
    used = plan(SMALL)
    with pytest.raises(NoMasterKey, match="a master key is needed to write them out"):
        write_batch(used, file, tmp_path / "batch", keys=True)
    assert not (tmp_path / "batch").exists()


def test_a_serial_number_of_another_size_is_refused_by_the_press_too() -> None:
    with refusal(EncodeError):
        ImageBuilder(STAFF_PLAN, MASTER).build_image(bytes(7), ROW)


def test_read_backs_are_found_in_folders(tmp_path: Path) -> None:
    out = written(tmp_path, list(rows(2)))
    assert [file.name for file in find_read_backs([out])] == ["C-1000.txt", "C-1001.txt"], (
        "a batch: its .bin is no dump"
    )
    other = tmp_path / "read"
    other.mkdir()
    for name in ("b.bin", "a.TXT", "c.csv"):
        (other / name).write_bytes(b"")
    assert [file.name for file in find_read_backs([other, out / "C-1000.bin"])] == ["a.TXT", "b.bin", "C-1000.bin"]
    (tmp_path / "empty").mkdir()
    for name, message in (
        ("empty", "there is no read-back in this folder: no file that ends in .txt or .bin"),
        ("nothing", "there is no such file or folder"),
    ):
        with pytest.raises(DefinitionError) as caught:
            find_read_backs([tmp_path / name])
        assert str(caught.value) == f"{tmp_path / name}: {message}"
