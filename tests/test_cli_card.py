"""The commands about cards: screens, JSON, exit codes, refusals, and that no key is ever shown."""

from __future__ import annotations

import json
import os
import pty
import shlex
import subprocess
import time
from contextlib import suppress
from pathlib import Path
from xml.etree import ElementTree

import pytest

from credkit.cards.access import DATA_RULES, TRAILER_RULES
from credkit.cards.geometry import COMMON_NAMES
from credkit.cards.keys import card_key, record_mac
from credkit.cards.masters import check_value
from tests.commandline import CREDKIT, ENVIRONMENT, on_a_terminal, records, run
from tests.masters import KEY, MASTER, OTHER, key_file, leaks
from tests.masters import KEY_32 as OTHER_KEY
from tests.progress import list_phases

# ── geometries ──────────────────────────────────────────────────────────────────────────────────


def test_the_group_shows_its_commands() -> None:
    shown = run("card")
    assert shown.exit_code == 0
    for name in ("geometries", "access", "plan", "data", "check"):
        assert f"\n  {name} " in shown.stdout
    wrong = run("card", "chekc")
    assert (wrong.exit_code, wrong.stdout) == (2, "")
    assert wrong.stderr == "credkit card: there is no command 'chekc'; did you mean check?\n"


def test_the_list_of_geometries() -> None:
    """Free bytes: 47 blocks of 16, and 3,440 of the larger kind (common practice, no source); type 2 by its name."""
    lines = run("card", "geometries").stdout.splitlines()
    assert [line.split()[0] for line in lines if line[:1].isalpha()][:-1] == list(COMMON_NAMES)
    assert "sectors-16x4        752 of 1,024 bytes free: 16 sectors of 4 blocks of 16 bytes," in lines
    assert "sectors-32x4+8x16   3,440 of 4,096 bytes free: 32 sectors of 4 and 8 sectors of" in lines
    assert "type2-144           144 of 164 bytes free: pages of 4 bytes, 144 bytes of data" in lines


def test_one_geometry_in_full() -> None:
    """Groups of a sector of 16 blocks: 0-4, 5-9, 10-14 and the trailer (common practice, no source)."""
    shown = run("card", "geometries", "sectors-32x4+8x16")
    assert shown.exit_code == 0
    assert (
        shown.stdout
        == """\
name      sectors-32x4+8x16
title     32 sectors of 4 and 8 sectors of 16 blocks of 16 bytes, the last of
          each its trailer
source    common practice, no source
size      4,096 bytes: 256 blocks of 16
free      3,440 bytes
serial    4 bytes, unless the plan says another size

Sectors, each with two keys:
  0-31    4 blocks; an access condition each for block 0, block 1, block 2, and
          the trailer, block 3
  32-39   16 blocks; an access condition each for blocks 0-4, blocks 5-9, blocks
          10-14, and the trailer, block 15

Reserved:
  manufacturer      sector 0 block 0
  trailer           the last block of each sector, 40 in all
"""
    )


@pytest.mark.parametrize(
    ("name", "wanted"),
    [
        ("type2-144", ["  manufacturer      page 0 byte 0 to page 2 byte 1", "  locks             page 2 bytes 2-3",
                       "  container         page 3", "  locks             page 40"]),
        ("type5-1024x8", ["  container         block 0", "A command of the reader locks a block, for good."]),
        ("type5-1024x4", ["  container         blocks 0-1"]),
        ("sectors-8x4", ["free      368 bytes"]),
    ],
)  # fmt: skip
def test_reserved_bytes_are_named(name: str, wanted: list[str]) -> None:
    """NFC Forum Type 2 Tag (from memory): ten bytes of the manufacturer, two of locks, four of the container."""
    lines = run("card", "geometries", name).stdout.splitlines()
    assert [line for line in wanted if line not in lines] == []


def test_geometries_in_json() -> None:
    rows = records(run("card", "geometries", "--json"))
    assert [row["name"] for row in rows] == list(COMMON_NAMES)
    (row,) = records(run("card", "geometries", "sectors-16x4", "--json"))
    assert list(row) == [
        "name", "title", "source", "size", "free", "blocks", "block_size", "unit", "serial", "sectors", "reserved",
    ]  # fmt: skip
    assert (row["size"], row["free"], row["blocks"], row["block_size"]) == (1024, 752, 64, 16)
    assert row["sectors"][1] == {"sector": 1, "blocks": "4-7", "groups": ["4", "5", "6", "7"]}
    assert row["reserved"][:2] == [{"duty": "manufacturer", "bytes": "0-15"}, {"duty": "trailer", "bytes": "48-63"}]


def test_a_geometry_that_cannot_be() -> None:
    shown = run("card", "geometries", "sectors-5x5")
    assert (shown.exit_code, shown.stdout) == (2, "")
    assert shown.stderr == "credkit: geometry 'sectors-5x5': a sector has 4 or 16 blocks, not 5\n"


# ── access ──────────────────────────────────────────────────────────────────────────────────────

POLICY = "read A or B, write B; trailer: keys B, access B"
CAREFUL = """
Locks, and access conditions that nobody may change, cannot be undone. Before a
batch: one sacrificial card first, a second person who compares, and a
read-back. A broken legacy cipher on the card is no protection, whatever the
keys are.
"""
GOOD = """\
bytes    78 77 88 (bytes 6 to 8 of the trailer)
block 0  100: read A or B, write B
block 1  100: read A or B, write B
block 2  100: read A or B, write B
trailer  011: set key A: B, read access: A or B, set access: B, set key B: B
"""
KEY_A, KEY_B = "8F3C51D2907A", "4B7E0AC95D16"  # made up for these tests


@pytest.mark.parametrize("args", [(POLICY,), ("787788",), ("78", "77", "88"), ("78 7788",)])
def test_access_both_ways(args: tuple[str, ...]) -> None:
    """78 77 88 means data 100, trailer 011 (common practice, no source)."""
    shown = run("card", "access", *args)
    assert (shown.exit_code, shown.stdout) == (0, f"{GOOD}{CAREFUL}")


def test_access_in_a_sector_of_sixteen_blocks() -> None:
    wide = run("card", "access", "--wide", "787788").stdout
    assert [line.split("  ")[0] for line in wide.splitlines()[:5]] == [
        "bytes", "blocks 0-4", "blocks 5-9", "blocks 10-14", "trailer",
    ]  # fmt: skip
    assert "blocks 10-14  100: read A or B, write B" in wide
    policy = "blocks 5-9: read B, write B; read A or B, write B; trailer: keys B, access B"
    assert "blocks 5-9    011: read B, write B" in run("card", "access", "--wide", policy).stdout


def test_dangers_are_told_once_for_all_their_blocks() -> None:
    shown = run("card", "access", "read A or B, write never; trailer: keys never, access never")
    assert shown.exit_code == 0
    assert "\nDangers:\n- trailer: nobody can ever change these access conditions again\n" in shown.stdout
    assert "\n- trailer: nobody can ever change the keys again, even when they leak\n" in shown.stdout
    assert shown.stdout.count("- block 0, block 1, block 2: ") == 1
    assert "cannot be undone" in shown.stdout


def test_a_whole_trailer_shows_no_key() -> None:
    for more in ((), ("--json",)):
        shown = run("card", "access", f"{KEY_A} 787788 00 {KEY_B}", *more)
        assert shown.exit_code == 0
        assert KEY_A not in shown.output
        assert KEY_B not in shown.output
    assert run("card", "access", f"{KEY_A}78778800{KEY_B}").stdout == f"{GOOD}{CAREFUL}"


def test_copies_that_disagree_are_the_exit_code() -> None:
    """One bit of 78 77 88 inverted: the copies disagree (common practice, no source)."""
    shown = run("card", "access", "787789")
    assert shown.exit_code == 1
    assert shown.stdout == (
        "FAILED    sector-access: complement over bits 20-23 fails: bits 0-3 are 0111,\n          expected 0110\n"
        f"A card that finds such bytes locks the sector for good: do not write them.\n{CAREFUL}"
    )
    (row,) = records(run("card", "access", "787789", "--json"))
    assert (row["ok"], row["bytes"], row["groups"]) == (False, None, [])
    assert "complement" in row["error"]


def test_access_in_json() -> None:
    """08 77 8F: data 110, trailer 011; all groups agree with the tables (common practice, no source)."""
    (row,) = records(run("card", "access", "08778F", "--json"))
    assert list(row) == ["ok", "bytes", "groups", "dangers", "error"]
    assert (row["ok"], row["bytes"], row["error"]) == (True, "08778F", None)
    assert [group["condition"] for group in row["groups"]] == ["110", "110", "110", "011"]
    assert [group["words"] for group in row["groups"]] == [DATA_RULES[6].description] * 3 + [
        TRAILER_RULES[3].description
    ]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("78 77", "access: 4 hexadecimal digits, expected 6 (the access bytes) or 32 (a trailer)"),
        ("read A, write B; trailer: keys B, access B", "no access condition means read A, write B; there are: "),
        ("read A or B, write B", "the policy says nothing of the trailer, such as 'trailer: keys B, access B'"),
        ("read A or B, wirte B; trailer: keys B, access B", "; did you mean write?"),
        ("block 7: read A or B, write B; trailer: keys B, access B", "'block 7' is no group of blocks"),
        ("something else", "access: this is neither three bytes (or a trailer of 16) in hexadecimal nor a policy"),
        ("", "access: 0 hexadecimal digits"),
        (f"{KEY_A} 787788 00 {KEY_B[:-1]}O", "access: this is neither three bytes"),
        (f"trailer {KEY_A} 787788 00 {KEY_B}", "access: this is neither three bytes"),
        (f"{KEY_A} 787788 00 {KEY_B}0", "access: 33 hexadecimal digits"),
    ],
)
def test_access_refuses_in_one_sentence_without_keys(text: str, said: str) -> None:
    shown = run("card", "access", text)
    assert (shown.exit_code, shown.stdout) == (2, "")
    assert said in shown.stderr
    assert len(shown.stderr.splitlines()) == 1
    assert KEY_A not in shown.stderr
    assert KEY_B[:-1] not in shown.stderr


# ── plan ────────────────────────────────────────────────────────────────────────────────────────

HEAD = """\
[plan]
name = "Brackwater staff card"
geometry = "sectors-16x4"
[roles]
gate = "A"
issuer = "B"
[keys]
A = "derived"
B = "derived"
[trailers]
keys = "issuer"
access = "issuer"
"""
STAFF = f"""{HEAD}
[records.personnel]
column = "personnel_number"
stored = "fields:number:32"
where = "sector 1"
read = ["gate", "issuer"]
write = "issuer"
[records.secure]
column = "secure_number"
stored = "bcd/template:{{number:012d}}"
size = 6
mac = 8
where = "block 5"
read = ["gate", "issuer"]
write = "issuer"
"""
VISITORS = """\
[plan]
name = "Visitor's card"
geometry = "type2-144"
container = "write"
[records.pass]
column = "pass"
stored = "fields:number:32"
where = "page 4"
lock = true
[records.site]
constant = "1"
stored = "fields:number:32"
where = "page 5"
"""
PURSE = f"""{HEAD}
[records.meals]
columns = {{ value = "meals", address = "place" }}
stored = "value-block"
where = "block 4"
read = ["gate", "issuer"]
write = "issuer"
increment = "issuer"
decrement = ["gate", "issuer"]
"""
PUBLISHED = "A0A1A2A3A4A5"  # a published default key (common practice, no source)


def plan_file(folder: Path, text: str = STAFF) -> str:
    path = folder / "staff-plan.toml"
    path.write_text(text)
    return str(path)


def test_a_plan_is_drawn_and_told(tmp_path: Path) -> None:
    """Block 4 bytes 0-3 and block 5 bytes 0-13: 4 bytes, then 6 and a MAC of 8; 752 - 18 = 734 stay free."""
    shown = run("card", "plan", plan_file(tmp_path))
    assert shown.exit_code == 0
    drawing, _, rest = shown.stdout.partition("\nWho may do what")
    lines = drawing.splitlines()
    assert lines[0] == "Brackwater staff card"
    assert "1024 bytes, 752 of them for data: 18 in records, 734 free" in lines
    assert " b  secure: block 5 bytes 0-13, 6 bytes, and a MAC of 8 (B)" in lines
    assert (
        f"Who may do what{rest}"
        == """\
Who may do what, and where it comes from:
  personnel  read gate, issuer; write issuer; from personnel_number
  secure     read gate, issuer; write issuer; from secure_number

Columns of the credentials: credential_id, serial, personnel_number,
  secure_number
A master key is needed: keys or MACs are derived from it.

Dangers:
- sectors 0,2-15: no record, so their keys stay as delivered, often published
  ones: anybody may write there

Locks, and access conditions that nobody may change, cannot be undone. Before a
batch: one sacrificial card first, a second person who compares, and a
read-back. A serial number is an identifier, not authentication. A MAC over data
and serial shows that data was moved to another card; a copy that also copies
the serial passes. A broken legacy cipher on the card is no protection, whatever
the keys are. Personal data on a card can be read by whoever holds the key: it
needs a lawful basis, and a date on which it is deleted.
"""
    )


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        (VISITORS, ["  pass  read anybody; write nobody, once it is locked; from pass",
                    "  site  read anybody; write anybody; the same on every card", "A master key is not needed.",
                    "- page 4: locked for good: no key opens them again"]),
        (PURSE, ["  meals  read gate, issuer; write issuer; increment issuer; decrement gate,",
                 "         issuer; from meals, place"]),
        (STAFF.replace('A = "derived"', f'A = "published {PUBLISHED}"'),
         ["- key A: it is a published default key: whoever reads about such cards has it"]),
        (STAFF.replace('gate = "A"\n', "").replace('["gate", "issuer"]', '"issuer"'),
         ["  secure     read issuer; write issuer; from secure_number"]),
        (STAFF.replace('write = "issuer"', 'write = "never"').replace('access = "issuer"', 'access = "never"'),
         ["  secure     read gate, issuer; write nobody; from secure_number",
          "- sector 1, the trailer: nobody can ever change these access conditions again"]),
    ],
)  # fmt: skip
def test_rights_and_dangers_of_plans(tmp_path: Path, text: str, wanted: list[str]) -> None:
    shown = run("card", "plan", plan_file(tmp_path, text))
    assert shown.exit_code == 0, shown.stderr
    assert [line for line in wanted if line not in shown.stdout.splitlines()] == []
    assert max(map(len, shown.stdout.splitlines())) <= 80
    assert PUBLISHED not in shown.output


def test_a_plan_in_json(tmp_path: Path) -> None:
    text = STAFF.replace('A = "derived"', f'A = "published {PUBLISHED}"')
    shown = run("card", "plan", plan_file(tmp_path, text), "--json")
    (row,) = records(shown)
    assert list(row) == [
        "name", "geometry", "serial", "label", "columns", "keys", "roles", "size", "free", "used", "records",
        "sectors", "locked", "container", "secret", "dangers",
    ]  # fmt: skip
    assert row["keys"] == {"A": "published", "B": "derived"}
    assert row["columns"] == ["credential_id", "serial", "personnel_number", "secure_number"]
    assert row["records"][1] == {
        "name": "secure", "where": "block 5 bytes 0-13", "bytes": "80-93", "size": 6, "mac": 8,
        "columns": ["secure_number"], "read": ["gate", "issuer"], "write": ["issuer"], "increment": [],
        "decrement": [], "condition": "100", "lock": False,
    }  # fmt: skip
    assert [sector["sector"] for sector in row["sectors"]] == [1]
    assert {danger["kind"] for danger in row["dangers"]} == {"published-key", "left-open"}
    assert PUBLISHED not in shown.output


def test_a_plan_is_drawn_into_a_file(tmp_path: Path) -> None:
    drawing = tmp_path / "card.svg"
    shown = run("card", "plan", plan_file(tmp_path), "--svg", str(drawing))
    assert shown.exit_code == 0
    assert "The drawing is in" in shown.stdout
    root = ElementTree.fromstring(drawing.read_text(encoding="utf-8"))
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert "personnel" in drawing.read_text(encoding="utf-8")


def test_the_drawing_is_not_written_over_the_plan(tmp_path: Path) -> None:
    plan = plan_file(tmp_path)
    shown = run("card", "plan", plan, "--svg", plan)
    assert (shown.exit_code, shown.stdout) == (2, "")
    assert "does not end in .svg" in shown.stderr
    assert Path(plan).read_text() == STAFF


def test_a_drawing_is_whole_or_absent_and_takes_the_place_of_a_former_one_alone(tmp_path: Path) -> None:
    """Nothing is followed, nothing of others overwritten; where no more can be written, the former one stays."""
    plan, drawing = plan_file(tmp_path), tmp_path / "card.svg"
    assert run("card", "plan", plan, "--svg", str(drawing)).exit_code == 0
    former = drawing.read_bytes()
    limited = f"ulimit -f 4 && exec {shlex.join(CREDKIT)} card plan {plan} --svg"  # in units of 1,024 bytes
    for out in (drawing, tmp_path / "other.svg"):
        done = subprocess.run(["bash", "-c", f"{limited} {out}"], capture_output=True, text=True, env=ENVIRONMENT)
        assert (done.returncode, done.stdout) == (2, "")
        assert "cannot be written (File too large)" in done.stderr
    assert drawing.read_bytes() == former
    assert not (tmp_path / "other.svg").exists()
    assert sorted(path.name for path in tmp_path.iterdir()) == [".card.svg.credkit", "card.svg", "staff-plan.toml"]
    assert run("card", "plan", plan, "--svg", str(drawing)).exit_code == 0, "a former drawing is replaced"

    (tmp_path / "mine.svg").write_text("drawn by hand")
    (tmp_path / "link.svg").symlink_to(tmp_path / "mine.svg")
    drawing.write_bytes(former + b"<!-- seen by the second person -->")
    for name, said in (
        ("mine", "has no mark of credkit, so it may be somebody's own"),
        ("link", "is a link"),
        ("card", "was changed after"),
    ):
        shown = run("card", "plan", plan, "--svg", str(tmp_path / f"{name}.svg"))
        assert (shown.exit_code, shown.stdout) == (2, "")
        assert said in shown.stderr
    assert (tmp_path / "mine.svg").read_text() == "drawn by hand"
    assert drawing.read_bytes().endswith(b"<!-- seen by the second person -->")


def test_a_number_in_the_name_of_a_plan_is_masked_everywhere(tmp_path: Path) -> None:
    """4114360123456785 is the test number of the WHATWG HTML standard; here a name, plain and in groups."""
    for name in ("Pass 4114360123456785", "Pass " + "of the port " * 5 + "4114 3601 2345 6785"):
        text = STAFF.replace('name = "Brackwater staff card"', f'name = "{name}"')
        text = text.replace('A = "derived"', 'label = "Brackwater"\nA = "derived"')
        assert name in text
        folder = tmp_path / str(len(name))
        folder.mkdir()
        plan, drawing, out = plan_file(folder, text), folder / "card.svg", folder / "batch"
        (folder / "staff.csv").write_text(ROWS)
        shown = run("card", "plan", plan, "--svg", str(drawing))
        as_json = run("card", "plan", plan, "--json")
        master = ("--master-file", str(key_file(folder)))
        assert run("card", "data", plan, str(folder / "staff.csv"), "--out", str(out), *master).exit_code == 0
        files = [drawing, *out.iterdir()]
        for said in (shown.output, as_json.output, *(file.read_bytes().decode("latin-1") for file in files)):
            assert "3601234567" not in "".join(char for char in said if char.isdigit())
        assert "6785" in drawing.read_text()
        assert "6785" in json.loads((out / "batch.json").read_text())["plan"]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("mac = 8", "mac = 3", "records.secure.mac: a MAC has 4 to 16 bytes, not 3"),
        ("mac = 8", "mac = 11", "record secure needs 17 bytes with its MAC of 11, but block 5 has 16 bytes for data"),
        ('where = "block 5"', 'where = "block 7"', "'block 7' holds no data: it is the trailer of sector 1"),
        ('write = "issuer"', 'write = "gate"', "no access condition means read A or B, write A"),
        ('read = ["gate"', 'read = ["gait"', "'gait' is not a role: gate, issuer or never; did you mean gate?"),
        ('geometry = "sectors-16x4"', 'geometry = "sectors-16x5"', "a sector has 4 or 16 blocks, not 5"),
        ("[trailers]", "[trailer]", "did you mean trailers?"),
        ('A = "derived"', f'A = "{KEY_A}"', "no other key stands in a plan"),
    ],
)
def test_a_plan_that_is_wrong_is_refused_in_one_sentence(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert old in STAFF
    shown = run("card", "plan", plan_file(tmp_path, STAFF.replace(old, new, 1)), "--svg", str(tmp_path / "card.svg"))
    assert (shown.exit_code, shown.stdout) == (2, "")
    assert shown.stderr.startswith("credkit: staff-plan.toml: ")
    assert said in shown.stderr
    assert len(shown.stderr.splitlines()) == 1
    assert KEY_A not in shown.stderr
    assert not (tmp_path / "card.svg").exists()


# ── data ────────────────────────────────────────────────────────────────────────────────────────

ROWS = """\
credential_id,serial,personnel_number,secure_number
C-1001,4A1B2C3D,100231,000000417702
C-1002,4A1B2C3E,100232,000000417703
"""
WRITTEN = """\
The data of 2 cards are in {}.

Before a batch: one sacrificial card first, a second person who compares, and a
read-back. Locks, and access conditions that nobody may change, cannot be
undone. A broken legacy cipher on the card is no protection, whatever the keys
are. Personal data on a card can be read by whoever holds the key: it needs a
lawful basis, and a date on which it is deleted.
"""


@pytest.fixture
def files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A plan, its credentials and a master key, in the folder that is the present one."""
    monkeypatch.chdir(tmp_path)
    plan_file(tmp_path)
    (tmp_path / "staff.csv").write_text(ROWS)
    key_file(tmp_path)
    return tmp_path


def written(home: Path) -> str:
    """Everything in the folder but the key, as one text."""
    found = [path for path in sorted(home.rglob("*")) if path.is_file() and path.name != "master.hex"]
    return "\n".join(f"{path.name}\n{path.read_bytes().decode('latin-1')}" for path in found)


DATA_COMMAND = ("card", "data", "staff-plan.toml", "staff.csv", "--out", "batch")
FROM_FILE = ("--master-file", "master.hex")


def test_data_are_written(files: Path) -> None:
    """100231 is 187 87 in hexadecimal; BCD as it stands (common practice, no source)."""
    shown = run(*DATA_COMMAND, *FROM_FILE)
    assert (shown.exit_code, shown.stdout) == (0, WRITTEN.format("batch"))
    assert shown.stderr == (
        f"credkit: the check value of the master key is {check_value(MASTER)}: the same for all who hold the same key\n"
    )
    names = ["C-1001.bin", "C-1001.txt", "C-1002.bin", "C-1002.txt", "batch.json", "manifest.csv"]
    assert sorted(path.name for path in Path("batch").iterdir()) == names
    data = Path("batch/C-1001.bin").read_bytes()
    assert data[:18] == bytes.fromhex("0004 00018787") + bytes(12)
    assert data[18:26] == bytes.fromhex("0005 000000417702")
    mac = record_mac(
        MASTER, label="Brackwater staff card/secure", serial=bytes.fromhex("4A1B2C3D"),
        data=bytes.fromhex("000000417702"), size=8,
    )  # fmt: skip
    assert data[26:] == mac + bytes(2), "and no trailer, since its keys are not written out"
    assert "block 7: ........ ....3C33 CC00.... ........  # trailer" in Path("batch/C-1001.txt").read_text()
    assert leaks(shown.output) == leaks(written(files)) == []


def test_data_in_json(files: Path) -> None:
    shown = run(*DATA_COMMAND, *FROM_FILE, "--json")
    assert records(shown) == [{"out": "batch", "count": 2, "keys": False, "notes": []}]
    assert leaks(shown.output) == []


def test_keys_are_written_only_when_asked(files: Path) -> None:
    shown = run(*DATA_COMMAND, *FROM_FILE, "--with-keys")
    assert (shown.exit_code, shown.stdout) == (0, WRITTEN.format("batch"))
    assert "These files hold the keys of cards, and have mode 600" in shown.stderr
    key = card_key(MASTER, label="Brackwater staff card", serial=bytes.fromhex("4A1B2C3D"), sector=1, slot="A")
    assert b"\x00\x07" + key in Path("batch/C-1001.bin").read_bytes()
    assert key.hex().upper() not in shown.output.upper()
    assert Path("batch").stat().st_mode & 0o777 == 0o700
    assert {path.stat().st_mode & 0o777 for path in Path("batch").iterdir()} == {0o600}
    assert leaks(shown.output) == leaks(written(files)) == []


def test_a_master_key_comes_from_the_environment(files: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BRACKWATER_KEY", KEY.hex())
    shown = run(*DATA_COMMAND, "--master-env", "BRACKWATER_KEY")
    assert (shown.exit_code, check_value(MASTER) in shown.stderr) == (0, True)
    assert leaks(shown.output) == leaks(written(files)) == []


def test_a_master_key_is_asked_for_unseen(files: Path) -> None:
    """A terminal shows the question, and nothing of what is typed."""
    master, slave = pty.openpty()
    command = [*CREDKIT, *DATA_COMMAND, "--master-prompt"]
    asked = subprocess.Popen(
        command, stdin=slave, stdout=slave, stderr=slave, env=ENVIRONMENT, start_new_session=True
    )  # fmt: skip
    os.close(slave)
    seen = b""
    while b"not shown" not in seen:
        seen += os.read(master, 1 << 12)
    time.sleep(0.3)  # until it listens
    os.write(master, KEY.hex().encode() + b"\n")
    with suppress(OSError):
        while piece := os.read(master, 1 << 12):
            seen += piece
    os.close(master)
    assert asked.wait(timeout=20) == 0
    assert f"the check value of the master key is {check_value(MASTER)}" in " ".join(seen.decode().split())
    assert leaks(seen) == leaks(written(files)) == []


def test_a_prompt_without_a_terminal_is_refused(files: Path) -> None:
    shown = run(*DATA_COMMAND, "--master-prompt", stdin=KEY.hex())
    assert (shown.exit_code, shown.stdout) == (2, "")
    assert "--master-prompt asks on a terminal, and there is none; see --master-file" in shown.stderr
    assert not Path("batch").exists()


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (
            (),
            "record secure is protected by a MAC: a master key is needed to write it (--master-file, --master-env, "
            "--master-prompt)\n",
        ),
        (("--master-file", "master.hex", "--master-env", "X"), "there is one master key, so one of these is enough"),
        (("--master-file", "nothing.hex"), "master key file 'nothing.hex': the file cannot be read"),
        (("--master-file", KEY.hex()), "(whose name may itself be a key)"),
        (("--master-env", KEY.hex()), "the name of an environment variable is needed here, never the key itself"),
        (("--master-env", "BRACKWATER_NO_KEY"), "it is not set"),
        (("--master-prompt", KEY.hex()), "Got unexpected extra argument"),
        ((f"--master={KEY.hex()}",), "No such option"),
        ((f"--master-prompt={KEY.hex()}",), "does not take a value"),
        (("--delimiter", "::"), "this is not one character that can stand between cells"),
        (("--encoding", "utf-99"), "this is not a text encoding that Python knows"),
        (
            ("--master-file", "master.hex", "--delimiter", "tab"),
            "staff.csv line 1: there is one column only: is the delimiter ','? Another can be declared: --delimiter\n",
        ),
        (
            ("--master-file", "master.hex", "--encoding", "utf-16"),
            "staff.csv: no byte order mark at its start, expected one of utf-16 (another encoding, such as utf-16-le, "
            "can be declared: --encoding)\n",
        ),
    ],
)
def test_data_refuses_in_one_sentence_without_the_key(files: Path, more: tuple[str, ...], said: str) -> None:
    shown = run(*DATA_COMMAND, *more)
    assert (shown.exit_code, shown.stdout) == (2, "")
    assert said in shown.stderr
    assert not Path("batch").exists()
    assert leaks(shown.output) == []


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("C-1002", "c-1001", "staff.csv line 3: "),
        ("4A1B2C3E", "4A1B2C3D", "staff.csv line 3: "),
        ("4A1B2C3E", "081B2C3E", "it begins with 08"),
        ("100232", "4294967296", "staff.csv line 3: record personnel, column personnel_number: "),
        ("000000417703", "1000000417703", "staff.csv line 3: record secure, column secure_number: "),
        ("secure_number", "secret_number", "the column 'secret_number' is not one of"),
    ],
)
def test_a_row_that_cannot_be_written_is_named_and_nothing_is(files: Path, old: str, new: str, said: str) -> None:
    assert old in ROWS
    Path("staff.csv").write_text(ROWS.replace(old, new))
    shown = run(*DATA_COMMAND, *FROM_FILE)
    assert (shown.exit_code, shown.stdout) == (2, "")
    assert said in shown.stderr
    assert len(shown.stderr.splitlines()) == 2, "the check value, and one sentence"
    assert [path.name for path in files.iterdir() if "batch" in path.name] == []


def test_what_helps_is_named_with_what_is_wrong_with_the_list(files: Path) -> None:
    """A column too many: the plan can ignore it. An encoding that is another: the option says so."""
    Path("staff.csv").write_text("\n".join(f"{line},x" for line in ROWS.splitlines()))
    shown = run(*DATA_COMMAND, *FROM_FILE)
    assert (shown.exit_code, shown.stdout) == (2, "")
    assert shown.stderr.endswith("; a column that no record uses can be named in the plan, in [plan] ignore\n")
    Path("staff.csv").write_bytes(ROWS.replace("C-1002", "Zoë").encode("iso-8859-1"))
    for command in ((*DATA_COMMAND, *FROM_FILE), ("card", "check", "staff-plan.toml", "staff.csv", *LISTED)):
        shown = run(*command)
        assert (shown.exit_code, shown.stdout) == (2, "")
        assert shown.stderr.endswith(" is not utf-8 (another encoding can be declared: --encoding)\n")


def test_a_folder_that_holds_something_is_not_touched(files: Path) -> None:
    Path("batch").mkdir()
    Path("batch/mine.txt").write_text("mine")
    shown = run(*DATA_COMMAND, *FROM_FILE)
    assert (shown.exit_code, shown.stdout) == (2, "")
    assert "name a folder that is new or empty" in shown.stderr
    assert [path.read_text() for path in Path("batch").iterdir()] == ["mine"]


def test_other_dialects_of_csv_are_declared(files: Path) -> None:
    Path("staff.csv").write_text(ROWS.replace(",", ";"), encoding="utf-16")
    shown = run(*DATA_COMMAND, *FROM_FILE, "--encoding", "utf-16", "--delimiter", ";")
    assert (shown.exit_code, shown.stdout) == (0, WRITTEN.format("batch"))


# ── check ───────────────────────────────────────────────────────────────────────────────────────

PASSED = "passed    2 read-backs checked: 2 without a difference, 0 different.\nEvery credential had a read-back.\n"
CHECKED = """\

Data checked: this says what the files hold and where they contradict each
other, and nothing about the doors. A serial number is an identifier, not
authentication. A MAC over data and serial shows that data was moved to another
card; a copy that also copies the serial passes. A broken legacy cipher on the
card is no protection, whatever the keys are.
"""
CHECK_COMMAND = ("card", "check", "staff-plan.toml")
LISTED = ("--credentials", "staff.csv")


@pytest.fixture
def batch(files: Path) -> Path:
    """The same, and a batch with keys that was made of it, and its listings as they come back in ``backs``."""
    assert run(*DATA_COMMAND, *FROM_FILE, "--with-keys").exit_code == 0
    (files / "backs").mkdir()
    for path in (files / "batch").glob("*.txt"):
        (files / "backs" / path.name).write_bytes(path.read_bytes())
    return files


def tamper(name: str, old: str, new: str) -> None:
    path = Path("backs") / name
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


def dump(card: int, serial: str) -> bytes:
    """All bytes of a card's memory: what the station wrote, and the manufacturer's block (serial, its XOR).

    Trailers that it did not write hold 78 77 88, and no key is shown.
    """
    memory = bytearray((bytes(48) + bytes(6) + bytes.fromhex("787788") + bytes(7)) * 16)
    first = bytes.fromhex(serial)
    memory[:5] = first + bytes((first[0] ^ first[1] ^ first[2] ^ first[3],))
    data = Path(f"batch/C-100{card}.bin").read_bytes()
    for at in range(0, len(data), 18):
        block = int.from_bytes(data[at : at + 2], "big")
        memory[16 * block : 16 * block + 16] = data[at + 2 : at + 18]
    return bytes(memory)


def test_a_batch_reads_back_as_planned(batch: Path) -> None:
    """Of a batch its listings are read: its .bin files are no dumps."""
    shown = run(*CHECK_COMMAND, "batch", *LISTED, *FROM_FILE)
    assert shown.exit_code == 0
    assert shown.stdout.startswith(PASSED + "\nNotes:\n")
    assert shown.stdout.endswith("\n" + CHECKED.lstrip("\n"))
    assert "(care; all of them)" in shown.stdout
    assert leaks(shown.output) == []


def test_whole_memories_read_back_without_a_word(batch: Path) -> None:
    Path("backs/C-1001.txt").unlink()
    Path("backs/C-1002.txt").unlink()
    Path("backs/first.bin").write_bytes(dump(1, "4A1B2C3D"))
    Path("backs/second.bin").write_bytes(dump(2, "4A1B2C3E"))
    shown = run(*CHECK_COMMAND, "backs", *LISTED, *FROM_FILE)
    assert (shown.exit_code, shown.stdout) == (
        0,
        PASSED + CHECKED,
    )


def test_one_read_back_says_what_it_holds(batch: Path) -> None:
    shown = run(*CHECK_COMMAND, "backs/C-1001.txt")
    assert shown.exit_code == 0
    assert shown.stdout.startswith(
        "passed    1 read-back checked: 1 without a difference, 0 different.\n\n"
        "Records of backs/C-1001.txt:\n  personnel: number=100231\n  secure: number=417702\n\nNotes:\n"
    )
    assert "- the MAC of record secure is not verified: no master key is given (care;\n" in shown.stdout


def test_a_difference_is_named_and_is_the_exit_code(batch: Path) -> None:
    """100231 is 18787 in hexadecimal, 100230 is 18786."""
    tamper("C-1001.txt", "block 4: 00018787", "block 4: 00018786")
    shown = run(*CHECK_COMMAND, "backs/C-1001.txt", *LISTED, *FROM_FILE)
    assert shown.exit_code == 1
    assert shown.stdout.startswith(
        "FAILED    1 read-back checked: 0 without a difference, 1 different.\n"
        "1 credential had no read-back: C-1002.\n\n"
        "backs/C-1001.txt (credential C-1001): 1 difference\n"
        "- sector 1 block 4 byte 3: record personnel is number=100230, the credentials\n"
        "  say number=100231; from there found '86', expected '87'\n\n"
    )
    assert leaks(shown.output) == []


def test_a_wrong_mac_is_a_difference_only_with_the_key(batch: Path) -> None:
    """The serial number is that of the other card, so its data was moved; no MAC is shown, found or expected."""
    Path("moved.bin").write_bytes(dump(1, "4A1B2C3E"))
    shown = run(*CHECK_COMMAND, "moved.bin", *FROM_FILE)
    assert shown.exit_code == 1
    assert "the MAC of record secure does not match" in " ".join(shown.stdout.split())
    for serial in ("4A1B2C3D", "4A1B2C3E"):
        mac = record_mac(
            MASTER, label="Brackwater staff card/secure", serial=bytes.fromhex(serial),
            data=bytes.fromhex("000000417702"), size=8,
        )  # fmt: skip
        assert mac.hex() not in shown.output.lower()
    without = run(*CHECK_COMMAND, "moved.bin")
    assert without.exit_code == 0
    assert "the MAC of record secure is not verified: no master key is given" in " ".join(without.stdout.split())


@pytest.mark.parametrize("more", [(), ("--json",)])
def test_a_published_key_makes_the_report_confidential(batch: Path, more: tuple[str, ...]) -> None:
    key = card_key(MASTER, label="Brackwater staff card", serial=bytes.fromhex("4A1B2C3D"), sector=1, slot="A")
    digits = key.hex().upper()
    tamper("C-1001.txt", f"{digits[:8]} {digits[8:]}", "FFFFFFFF FFFF")
    shown = run(*CHECK_COMMAND, "backs", *LISTED, *FROM_FILE, *more)
    assert shown.exit_code == 1
    assert "FFFFFFFF" not in shown.output
    if more:
        first, second, total = records(shown)
        assert (first["confidential"], second["confidential"], total["confidential"]) == (True, False, True)
        assert [each["kind"] for each in first["differences"]] == ["published-key"]
    else:
        lines = shown.stdout.splitlines()
        said = "Confidential: published default keys were found, and this report says on which"
        assert lines[0].startswith("FAILED    2 read-backs checked: ")
        assert lines[3] == lines[-2] == said
    assert leaks(shown.output) == []


def test_another_access_condition_is_told_in_words(batch: Path) -> None:
    """08 77 8F instead of 3C 33 CC: data 110, trailer 011; the third block is free (common practice, no source)."""
    tamper("C-1001.txt", "3C33 CC", "0877 8F")
    shown = run(*CHECK_COMMAND, "backs/C-1001.txt", *FROM_FILE)
    assert shown.exit_code == 1
    assert (
        "- sector 1 blocks 4-5: access 110 (read A or B, write B, increment B, decrement A or B), the plan says 100 "
        "(read A or B, write B)"
    ) in " ".join(shown.stdout.split())


def test_read_backs_in_json(batch: Path) -> None:
    tamper("C-1002.txt", "block 4: ", "# block 4: ")
    shown = run(*CHECK_COMMAND, "backs", *LISTED, *FROM_FILE, "--json")
    assert shown.exit_code == 1
    good, bad, total = records(shown)
    keys = ["name", "credential", "ok", "confidential", "differences", "notes", "values"]
    assert list(good) == list(bad) == keys
    assert (good["name"], good["credential"], good["ok"]) == ("backs/C-1001.txt", "C-1001", True)
    assert good["values"] == {"personnel": "number=100231", "secure": "number=417702"}
    (difference,) = bad["differences"]
    assert list(difference) == ["kind", "text", "place", "record"]
    assert (difference["kind"], difference["record"]) == ("record-missing", "personnel")
    assert list(bad["notes"][0]) == ["kind", "level", "text"]
    assert total == {"count": 2, "different": 1, "unread": [], "confidential": False, "key": []}
    (_, alone) = records(run(*CHECK_COMMAND, "backs/C-1001.txt", "--json"))
    assert alone["unread"] is None
    (_, other) = records(run(*CHECK_COMMAND, "backs/C-1001.txt", *LISTED, "--json"))
    assert other["unread"] == ["C-1002"]


def made(name: str) -> Path:
    """A new folder."""
    Path(name).mkdir()
    return Path(name)


def wholes(*cards: int) -> None:
    """Memories of these cards in the folder ``wholes``, as a reader gives them."""
    folder = made("wholes")
    for card in cards:
        (folder / f"{card}.bin").write_bytes(dump(card, f"4A1B2C{0x3C + card:02X}"))


def test_another_master_key_is_told_below_the_verdict(batch: Path) -> None:
    """The check value of the key that wrote the batch is in batch.json; the batch has keys and MACs of it."""
    wholes(1, 2)
    Path("wholes/batch.json").write_bytes(Path("batch/batch.json").read_bytes())
    key_file(made("other"), OTHER_KEY)
    own, other = check_value(MASTER), check_value(OTHER)
    first = (
        f"this batch was written with the master key of check value {own}, the one given has {other}: no key and no "
        "MAC can match."
    )
    last = (
        f"No MAC matches: is it another master key? The batch was written with check value {own}, this one has {other}."
    )
    paths = ("wholes/1.bin", "wholes/2.bin")
    shown = run(*CHECK_COMMAND, *paths, *LISTED, "--master-file", "other/master.hex")
    assert shown.exit_code == 1
    said = " ".join(shown.stdout.split())
    assert said.startswith(
        "FAILED 2 read-backs checked: 0 without a difference, 2 different. Every credential had a read-back. "
        f"{last} wholes: {first} wholes/1.bin (credential C-1001): 3 differences - "
    )
    assert said.count("No MAC matches") == 1
    assert leaks(shown.output) == []
    *_, total = records(run(*CHECK_COMMAND, *paths, *LISTED, "--master-file", "other/master.hex", "--json"))
    assert total["key"] == [f"wholes: {first}", last]
    *_, total = records(run(*CHECK_COMMAND, *paths, *LISTED, *FROM_FILE, "--json"))
    assert total["key"] == []


def test_a_batch_is_compared_with_its_own_check_value(batch: Path) -> None:
    key_file(made("other"), OTHER_KEY)
    shown = run(*CHECK_COMMAND, "batch", "--master-file", "other/master.hex")
    assert shown.exit_code == 0, "its listings leave the serial number out, and nothing can be verified"
    verdict, _, told, *_ = shown.stdout.splitlines()
    assert verdict == "care      2 read-backs checked: 2 without a difference, 0 different."
    assert told.startswith("batch: this batch was written with the master key of check value ")


def test_differences_that_are_alike_are_one_line_and_all_of_them_in_json(batch: Path) -> None:
    """A card whose trailers are all zeros, in a plan that protects every sector.

    Free blocks and trailers are 011, records 100, the manufacturer's block 010: C1, C2 and C3 are 0000, 1111, 1110 in
    sector 0, 0011, 1100, 1100 in sector 1, 0000, 1111, 1111 in the others (common practice, no source).
    """
    text = STAFF.replace('access = "issuer"', 'access = "issuer"\nunused = "protect"')
    plan_file(batch, text)
    Path("zeros.bin").write_bytes(bytes(1024))
    shown = run(*CHECK_COMMAND, "zeros.bin")
    assert shown.exit_code == 1
    said = " ".join(shown.stdout.split())
    assert (
        "- sectors 0-15, byte 6 of each trailer: the inverted copies of the access conditions disagree: found 000000, "
        "expected those of the plan; a card locks such a sector for good"
    ) in said
    assert said.count("inverted copies") == 1
    assert "zeros.bin: 16 differences " in said
    found, _ = records(run(*CHECK_COMMAND, "zeros.bin", "--json"))
    assert [each["place"] for each in found["differences"]] == [
        f"sector {sector} block {4 * sector + 3} byte 6" for sector in range(16)
    ]
    wanted = [each["text"].partition("expected ")[2][:6] for each in found["differences"]]
    assert wanted == ["0F01EF", "3C33CC", *["0F00FF"] * 14]


def test_pages_that_are_alike_are_one_line(files: Path) -> None:
    """Bytes 10 and 11 of a card lock its pages 4 to 15 (NFC Forum Type 2 Tag, from memory); page 4 is planned."""
    plan_file(files, VISITORS)
    Path("open.txt").write_text("page 2: ....F0FF\npage 4: 00000007\npage 5: 00000001\npage 3: E1101200\n")
    shown = run(*CHECK_COMMAND, "open.txt")
    assert shown.exit_code == 1
    assert "\n- pages 5-15: locked for good, and the plan leaves it open\n" in shown.stdout


def test_the_file_for_the_station_is_told_from_a_read_back(batch: Path) -> None:
    shown = run(*CHECK_COMMAND, "batch/C-1001.bin", *LISTED)
    assert shown.exit_code == 1
    said = " ".join(shown.stdout.split())
    assert "- batch/C-1001.bin: this is the file for the encoding station; its listing is C-1001.txt" in said


def test_account_numbers_are_shown_only_when_asked(files: Path) -> None:
    """4114360123456785 is the test number of the WHATWG HTML standard."""
    plan_file(
        files,
        f"""{HEAD}
[records.pass]
column = "pass"
stored = "characters:ascii"
size = 16
where = "block 4"
read = ["gate", "issuer"]
write = "issuer"
""",
    )
    number = "4114360123456785"
    Path("staff.csv").write_text("credential_id,serial,pass\nC-1,4A1B2C3D,Kran 3\n")
    Path("C-1.txt").write_text(f"block 4: {number.encode().hex()}\n")
    digits = number.encode().hex()[:16]
    for more in ((), ("--json",)):
        masked = run(*CHECK_COMMAND, "C-1.txt", *LISTED, *more)
        assert "8 bytes that may be an account number" in " ".join(masked.stdout.split())
        assert number not in masked.output
        assert digits not in masked.output
        shown = run(*CHECK_COMMAND, "C-1.txt", *LISTED, "--reveal", *more)
        assert shown.exit_code == masked.exit_code == 1
        assert f"from there found '{digits}'" in " ".join(shown.stdout.split())
        assert number in shown.stdout, "what the record says"


def test_a_note_names_the_read_backs_that_have_it(batch: Path) -> None:
    Path("backs/second.bin").write_bytes(dump(2, "4A1B2C3E"))
    Path("backs/C-1002.txt").unlink()
    shown = " ".join(run(*CHECK_COMMAND, "backs", *LISTED, *FROM_FILE).stdout.split())
    assert "its file says alone (care; backs/C-1001.txt)" in shown
    assert "not verified" not in shown
    shown = " ".join(run(*CHECK_COMMAND, "backs", *LISTED).stdout.split())
    assert "the MAC of record secure is not verified: no master key is given (care; all of them)" in shown


def test_a_file_that_is_no_read_back_is_a_difference(batch: Path) -> None:
    Path("short.bin").write_bytes(bytes(100))
    shown = run(*CHECK_COMMAND, "short.bin", "backs/C-1001.txt", *LISTED)
    assert shown.exit_code == 1
    assert "- short.bin: 100 bytes, but sectors-16x4 has 1024\n" in shown.stdout
    assert "2 read-backs checked: 1 without a difference, 1 different." in shown.stdout


@pytest.mark.parametrize(
    ("args", "said"),
    [
        ((), "Missing argument 'READ-BACK...'"),
        (("nothing.txt",), "'nothing.txt' does not exist"),
        (("empty",), "empty: there is no read-back in this folder"),
        (("backs", "--credentials", "nothing.csv"), "'nothing.csv' does not exist"),
        (("backs", "--credentials", "staff-plan.toml"), "staff-plan.toml line 1: 2 faults in the header"),
        (("backs", KEY.hex()), "Path '…' does not exist"),
        (("backs", "--master-prompt", "--master-env", "X"), "there is one master key, so one of these is enough"),
    ],
)
def test_check_refuses_in_one_sentence(batch: Path, args: tuple[str, ...], said: str) -> None:
    Path("empty").mkdir()
    shown = run(*CHECK_COMMAND, *args)
    assert (shown.exit_code, shown.stdout) == (2, "")
    assert said in shown.stderr
    assert len(shown.stderr.splitlines()) == (3 if said.endswith("faults in the header") else 1)
    assert leaks(shown.output) == []


def test_screens_fit(batch: Path) -> None:
    """In a folder with a long name, and with differences of every sort."""
    home = Path("the read-backs of the east harbour's gate office, first box of the new cards")
    Path("backs").rename(home)
    (home / "C-1003.txt").write_text("block 4: 00\n")
    text = (home / "C-1001.txt").read_text().replace("3C33 CC", "3C33 CD").replace("0001 8787", "0001 8786")
    (home / "C-1001.txt").write_text(text)
    shown = run(*CHECK_COMMAND, str(home), *LISTED)
    assert shown.exit_code == 1
    assert max(map(len, shown.stdout.splitlines())) <= 80


def test_a_terminal_sees_how_far_it_is(batch: Path) -> None:
    rows = "".join(f"C-{n},{0x4A000000 + n:08X},{n},{n:012d}\n" for n in range(1, 121))
    Path("many.csv").write_text(ROWS.partition("\n")[0] + "\n" + rows)
    command = ["card", "data", "staff-plan.toml", "many.csv", "--out", "many", *FROM_FILE]
    seen = on_a_terminal(command, TERM="xterm")
    assert list_phases(seen) == (["writing cards"], "The data of 120 cards are in many.")
    assert leaks(seen) == []


def test_a_card_without_keys_needs_no_master_key(files: Path) -> None:
    """Page 4 is locked by bit 4 of the first lock byte, page 2 byte 2 (NFC Forum Type 2 Tag, from memory)."""
    plan_file(files, VISITORS)
    Path("staff.csv").write_text("credential_id,serial,pass\nV-1,04112233445566,7\n")
    assert run(*DATA_COMMAND).exit_code == 0
    lines = Path("batch/V-1.txt").read_text().splitlines()
    assert "page 2: ....1000  # lock bytes, for good" in lines
    shown = run(*CHECK_COMMAND, "batch", *LISTED)
    assert shown.exit_code == 0
    assert "1 read-back checked: 1 without a difference, 0 different." in shown.stdout
    Path("batch/V-1.txt").write_text("\n".join(line for line in lines if not line.startswith("page 2")))
    Path("batch/V-1.txt").write_text(Path("batch/V-1.txt").read_text() + "\npage 2: ....0000\n")
    shown = run(*CHECK_COMMAND, "batch", *LISTED)
    assert shown.exit_code == 1
    assert "locks it" in " ".join(shown.stdout.split())
