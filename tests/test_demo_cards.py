"""The demo's cards: who they are for, what is written on them, and what is planted and caught."""

from __future__ import annotations

import csv
import io
import shlex
import stat
from functools import reduce
from operator import xor
from pathlib import Path

import pytest

from credkit import CredkitError, DefinitionError
from credkit.cards.listing import find_read_backs
from credkit.cards.plans import load_plan
from credkit.cards.readback import check_all
from credkit.cli.demo import show_cards as show_cards
from credkit.cli.output import Console
from credkit.demo import cards
from credkit.demo.cards import CARDS_WRITTEN, DemoCards, staff_csv, write_demo_cards
from credkit.files.declaredfiles import CsvFile
from tests.commandline import run


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("demo")


@pytest.fixture(scope="module")
def made(home: Path) -> DemoCards:
    return write_demo_cards(home)


def rows() -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(staff_csv().decode())))


# ── who gets a card ─────────────────────────────────────────────────────────────────────────────


def test_fifty_people_get_a_card_each() -> None:
    listed = rows()
    assert len(listed) == CARDS_WRITTEN == 50
    for column in ("credential_id", "serial", "personnel_number", "secure_number", "contact"):
        assert len({row[column] for row in listed}) == CARDS_WRITTEN, column


def test_nobody_in_it_exists() -> None:
    for row in rows():
        assert row["contact"].startswith("mailto:")
        assert row["contact"].endswith("@example.org")  # RFC 2606: reserved for examples


def test_texts_are_those_of_people_of_many_languages() -> None:
    listed = rows()
    assert sum(not row["contact"].isascii() for row in listed) > 10
    assert sum(not row["note"].isascii() for row in listed) > 10
    assert max(len(row["note"].encode()) for row in listed) <= 48


def test_serial_numbers_are_a_cards_own() -> None:
    # ISO/IEC 14443-3 (from memory): x8 as first byte is random, cut or reserved, xF is fixed but not unique.
    for row in rows():
        first = bytes.fromhex(row["serial"])[0]
        assert len(row["serial"]) == 8
        assert first % 16 < 8


def test_the_list_comes_from_the_seed_alone() -> None:
    assert staff_csv() == staff_csv()
    assert staff_csv(7) != staff_csv()


# ── what is written and read back ───────────────────────────────────────────────────────────────


def test_every_card_is_written_and_reads_back_clean(home: Path, made: DemoCards) -> None:
    assert (made.written, made.clean) == (CARDS_WRITTEN, CARDS_WRITTEN)
    assert made.plan == home / "cards" / "staff-plan.toml"
    assert made.data == home / "cards" / "data"
    names = {path.name for path in made.data.iterdir()}
    assert {f"{row['credential_id']}.{kind}" for row in rows() for kind in ("bin", "txt")} < names


def test_the_plan_fits_its_columns() -> None:
    plan = load_plan(cards.PLAN)
    assert plan.columns == tuple(rows()[0])
    assert plan.needs_master_key


def test_cards_hold_what_the_list_says(home: Path, made: DemoCards) -> None:
    """Read by hand: personnel number in block 4, digits in block 5, texts where the plan has them."""
    for row in rows():
        memory = (home / "cards" / "read-backs" / f"{row['credential_id']}.bin").read_bytes()
        assert len(memory) == 1024
        assert memory[:5] == bytes.fromhex(row["serial"]) + bytes([reduce(xor, bytes.fromhex(row["serial"]))])
        assert int.from_bytes(memory[64:68], "big") == int(row["personnel_number"])
        assert memory[80:86].hex() == row["secure_number"]
        assert memory[86:94] != bytes(8), "a MAC"
        assert memory[94:96] == bytes(2)
        # NFC Forum: TLV 03, a record of type U, prefix code 06 for mailto:
        address = row["contact"].removeprefix("mailto:").encode()
        assert memory[128:].startswith(b"\x03" + bytes((len(address) + 5,)) + b"\xd1\x01" + bytes((len(address) + 1,)))
        assert b"U\x06" + address in memory[128:176] + memory[192:240], "two sectors, the trailer between them apart"
        assert memory[256:304].rstrip(b"\0").decode() == row["note"]
        # conditions 100, 100, 011 (the free block is the issuer's alone), trailer 011: C1 0011, C2 1100, C3 1100
        assert memory[112:128] == bytes(6) + bytes.fromhex("3C33CC") + bytes(7)


def test_files_are_private(home: Path, made: DemoCards) -> None:
    for name in ("staff-plan.toml", "staff.csv", "read-backs/N-0001.bin", "bad-read-backs/N-0001.bin"):
        assert stat.S_IMODE((home / "cards" / name).stat().st_mode) == 0o600, name


# ── what is planted ─────────────────────────────────────────────────────────────────────────────


PLANTED = [
    ("N-0001", "a flipped bit", "record-differs"),
    ("N-0002", "a copied number", "mac-wrong"),
    ("N-0003", "open access conditions", "access-differs"),
    ("N-0004", "damaged access bits", "access-copies"),
    ("N-0005", "a published key", "published-key"),
]


def test_everything_planted_is_caught_with_its_reason(made: DemoCards) -> None:
    assert [(each.name, each.done, each.difference.kind) for each in made.caught] == PLANTED
    for each in made.caught:
        assert each.difference.place
        assert each.difference.text


def test_planted_read_backs_differ_in_what_they_say(home: Path, made: DemoCards) -> None:
    """Compared byte by byte with the good ones, without credkit."""
    changed = {}
    for each in made.caught:
        good = (home / "cards" / "read-backs" / f"{each.name}.bin").read_bytes()
        bad = (home / "cards" / "bad-read-backs" / f"{each.name}.bin").read_bytes()
        changed[each.name] = [at for at in range(1024) if good[at] != bad[at]]
    flipped, swapped, opened, broken, published = changed.values()
    assert flipped == [67]
    assert set(swapped) <= set(range(80, 94))
    assert set(swapped) & set(range(86, 94))
    assert opened == [118, 119]
    assert broken == [118]
    assert published == list(range(122, 128))


def test_bad_read_backs_are_left_to_be_checked_by_anybody(home: Path, made: DemoCards) -> None:
    """Without the master key, which is gone: each of the five differs all the same."""
    assert made.listed == home / "cards" / "staff.csv"
    assert made.bad == home / "cards" / "bad-read-backs"
    assert sorted(path.name for path in made.bad.iterdir()) == [f"{name}.bin" for name, _, _ in PLANTED]
    plan, listed = load_plan(made.plan), CsvFile(path=made.listed, name="staff.csv")
    found = list(check_all(plan, find_read_backs([made.bad]), listed))
    assert [(each.credential, len(each.differences)) for each in found] == [(name, 1) for name, _, _ in PLANTED]
    good = list(check_all(plan, find_read_backs([home / "cards" / "read-backs"]), listed))
    assert [each.is_as_planned for each in good] == [True] * CARDS_WRITTEN, "they are in a folder of their own"


@pytest.mark.parametrize("kind", ["one", "good"])
def test_it_fails_loudly_if_a_fault_were_missed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str) -> None:
    real = cards.plant_readbacks

    def harmless(plan: object, good: dict[str, bytes]) -> object:
        first, *rest = real(plan, good)  # type: ignore[arg-type]  # it is handed on as it came
        from dataclasses import replace

        return (replace(first, data=good[first.name]), *rest)

    def spoilt(plan: object, serial: bytes, data: bytes) -> bytes:
        memory = bytearray(read_from(plan, serial, data))  # type: ignore[arg-type]  # likewise
        memory[67] ^= 1
        return bytes(memory)

    read_from = cards.dump_card
    if kind == "one":
        monkeypatch.setattr(cards, "plant_readbacks", harmless)
    else:
        monkeypatch.setattr(cards, "dump_card", spoilt)
    with pytest.raises(CredkitError, match="a fault of credkit itself"):
        write_demo_cards(tmp_path)


def test_the_master_key_is_nowhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    key = bytes(range(100, 132))
    monkeypatch.setattr("credkit.demo.cards.secrets.token_bytes", lambda size: key[:size])
    result = write_demo_cards(tmp_path)
    forms = (key, key.hex().encode(), key.hex().upper().encode())
    for path in tmp_path.rglob("*"):
        if path.is_file():
            assert not [form for form in forms if form in path.read_bytes()], path
    assert key.hex() not in repr(result).lower()


def test_keys_of_cards_are_not_written(home: Path, made: DemoCards) -> None:
    assert made.data is not None
    for path in made.data.glob("*.bin"):
        blocks = path.read_bytes()
        numbers = [int.from_bytes(blocks[at : at + 2], "big") for at in range(0, len(blocks), 18)]
        assert len(blocks) % 18 == 0
        assert numbers
        assert not [number for number in numbers if number % 4 == 3], "no trailer"


def test_each_run_draws_a_key_of_its_own(tmp_path: Path) -> None:
    one, other = write_demo_cards(tmp_path / "one"), write_demo_cards(tmp_path / "other")
    assert one.data is not None
    assert other.data is not None
    first, second = ((made.data / "N-0001.bin").read_bytes() for made in (one, other) if made.data)
    assert first != second, "the MACs differ"
    assert len(first) == len(second)


def test_a_second_run_leaves_the_data_of_the_first_alone(tmp_path: Path) -> None:
    first = write_demo_cards(tmp_path)
    assert first.data is not None
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    second = write_demo_cards(tmp_path)
    assert second.data is None
    assert second.bad == first.bad
    assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == before
    assert (second.written, second.clean, len(second.caught)) == (CARDS_WRITTEN, CARDS_WRITTEN, 5)


def test_the_screen_says_how_to_check_them_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The command is three lines that a shell takes as one, and it runs: five read-backs, five that differ."""
    monkeypatch.chdir(tmp_path)
    show_cards(Console(), Path("my port"))
    said = capsys.readouterr().out.partition("What is found of each:\n")[2]
    command = shlex.split(said.partition("What the station gets")[0].replace("\\\n", " "))
    assert command == [
        "credkit", "card", "check", "my port/cards/staff-plan.toml", "my port/cards/bad-read-backs", "--credentials",
        "my port/cards/staff.csv",
    ]  # fmt: skip
    shown = run(*command[1:])
    assert shown.exit_code == 1
    assert shown.stdout.startswith("FAILED    5 read-backs checked: 0 without a difference, 5 different.\n")


def test_read_backs_that_somebody_took_away_are_not_named(tmp_path: Path) -> None:
    first = write_demo_cards(tmp_path)
    assert first.bad is not None
    for path in first.bad.iterdir():
        path.unlink()
    first.bad.rmdir()
    assert write_demo_cards(tmp_path).bad is None


@pytest.mark.parametrize("name", ["staff-plan.toml", "staff.csv"])
def test_a_foreign_file_is_never_overwritten(tmp_path: Path, name: str) -> None:
    (tmp_path / "cards").mkdir()
    (tmp_path / "cards" / name).write_text("mine\n")
    with pytest.raises(DefinitionError, match=f"{name} is there already"):
        write_demo_cards(tmp_path)
    assert [path.name for path in (tmp_path / "cards").iterdir()] == [name]


def test_without_the_extra_it_says_which(monkeypatch: pytest.MonkeyPatch) -> None:
    assert cards.keys_obstacle() == ""
    monkeypatch.setitem(__import__("sys").modules, "cryptography.hazmat.primitives.cmac", None)
    assert cards.keys_obstacle() == (
        "The part about new staff cards is left out: keys and MACs need the extra keys: pip install 'credkit[keys]'"
    )
