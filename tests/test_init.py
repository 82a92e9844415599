"""The first site file: the sample, and what is proposed from exports, beside what their makers know of them."""

from __future__ import annotations

import csv
import io
import json
import os
import pty
import subprocess
import tomllib
from collections.abc import Callable, Sequence
from datetime import date, datetime, time, timedelta
from pathlib import Path
from random import Random
from typing import Any

import pytest

from credkit import DefinitionError, encode
from credkit.proposal import propose_site
from credkit.proposal.sitelines import LOOK
from credkit.site import load_rows, load_site
from tests.amounts import amounts
from tests.commandline import ACCOUNT, CREDKIT, ENVIRONMENT, on_a_terminal, records, run
from tests.sentences import refusal
from tests.workbooks import read_csv, write_workbook

EXPORTS = Path(__file__).parent / "exports"
WIEGAND = "hex:8/right-justified:26/wiegand-26"


def proposed(folder: Path, *exports: Path, options: Sequence[str] = ()) -> dict[str, Any]:
    """What is proposed for these exports, written to ``folder``."""
    found = run("init", str(folder), *(word for path in exports for word in ("--from", str(path))), "--json", *options)
    assert found.exit_code == 0, found.output
    (record,) = records(found)
    assert (folder / "site.toml").read_text(encoding="utf-8") == record["toml"]
    return record


def first_result(folder: Path) -> list[dict[str, Any]]:
    """The crosswalk of a proposed site as it is: the second of two commands."""
    found = run("crosswalk", str(folder / "site.toml"), "--out", str(folder / "result"), "--json")
    assert found.exit_code == 0, found.output
    return records(found)


def doubts(record: dict[str, Any]) -> set[str]:
    """The places that must be looked at."""
    return {each.partition(": ")[0] for each in record["doubts"]}


def table(path: Path) -> list[dict[str, str]]:
    """The rows of a file that a crosswalk wrote."""
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))


def write(path: Path, header: Sequence[str], rows: Sequence[Sequence[str]], encoding: str, delimiter: str) -> Path:
    buffer = io.StringIO()
    csv.writer(buffer, delimiter=delimiter, lineterminator="\r\n").writerows([header, *rows])
    path.write_bytes(buffer.getvalue().encode(encoding))
    return path


# ── the sample ──────────────────────────────────────────────────────────────────────────────────


def test_the_sample_is_a_site_that_a_crosswalk_accepts_as_it_is(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "site"
    assert run("init", str(folder)).exit_code == 0
    rows = load_rows(load_site(folder / "site.toml"))
    assert (len(rows.credentials), len(rows.readings)) == (2, 2)
    first_result(folder)
    # By hand: facility code 12 and card number 345 in 24 bits; the other card is lost.
    lines = table(folder / "result" / "crosswalk.csv")
    assert [(row["credential"], row["action"], row["text"]) for row in lines] == [
        ("C-1", "add", str(12 << 16 | 345)), ("C-2", "none", ""),
    ]  # fmt: skip


@pytest.mark.parametrize("name", ["site.toml", "credentials.csv", "readings.csv"])
def test_nothing_is_overwritten(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_text("mine")
    found = run("init", str(tmp_path))
    assert found.exit_code == 2
    assert f"{name}: there is a file already, and nothing is overwritten" in found.stderr
    assert {path.name: path.read_text() for path in tmp_path.iterdir()} == {name: "mine"}
    if name == "site.toml":
        exports = ("--from", str(EXPORTS / "own" / "credentials.csv"), "--from", str(EXPORTS / "own" / "readings.csv"))
        assert run("init", str(tmp_path), *exports).exit_code == 2
        assert (tmp_path / name).read_text() == "mine"


def test_a_folder_that_is_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "site").write_text("mine")
    found = run("init", str(tmp_path / "site"))
    assert (found.exit_code, (tmp_path / "site").read_text()) == (2, "mine")
    assert "expected a folder" in found.stderr


# ── the exports of the import maps ──────────────────────────────────────────────────────────────

TIMES_WITHOUT_OFFSET = {"german", "french", "dutch"}
OLD_ENCODING = {"german"}
KEYS = ("encoding", "delimiter", "date", "time", "strip")


@pytest.mark.parametrize("name", ["german", "french", "dutch", "english", "own"])
def test_an_export_gets_the_site_file_that_was_written_for_it(tmp_path: Path, name: str) -> None:
    folder = EXPORTS / name
    made = proposed(tmp_path / "site", folder / "credentials.csv", folder / "readings.csv")
    site, wanted = tomllib.loads(made["toml"]), tomllib.loads((folder / "site.toml").read_text(encoding="utf-8"))
    for file in ("credentials", "readings"):
        ours, theirs = site["files"][file], wanted["files"][file]
        usual = {"encoding": "utf-8", "delimiter": ",", "time": "offset"}
        for key in KEYS:
            midnight = theirs.get(key, usual.get(key, "")) == "DD/MM/YYYY 00:00"
            assert ours.get(key, usual.get(key, "")) == (
                "DD/MM/YYYY hh:mm" if midnight else theirs.get(key, usual.get(key, ""))
            )
        columns = {**{column: column for column in ours["columns"]}, **theirs.get("columns", {})}
        missing = {"issue", "source"} | ({"expected"} if name == "english" else set())
        assert ours["columns"] == {column: header for column, header in columns.items() if column in ours["columns"]}
        assert set(theirs.get("columns", {})) - set(ours["columns"]) <= missing
    assert site["files"]["credentials"].get("words", {}).get("status", {}) == (
        wanted["files"]["credentials"].get("words", {}).get("status", {})
    )
    ((_, kind),) = site["kinds"].items()
    card = wanted["kinds"]["card"]
    assert (kind["value"], kind["printed"], kind["key"]) == (card["value"], card["printed"], card["key"])
    assert {reader["chain"] for reader in site["readers"].values()} == {WIEGAND}
    assert len(site["readers"]) == 2
    looked_at = doubts(made)
    assert ("site.time_zone" in looked_at) == (name in TIMES_WITHOUT_OFFSET)
    assert ("files.credentials.encoding" in looked_at) == (name in OLD_ENCODING)
    assert {"site.as_of", "files.credentials.columns.value", "targets"} <= looked_at  # 1.2E+07 is a spreadsheet's
    assert "files.readings.columns.expected" in looked_at  # in English its header is "Badge": it is left out
    assert ('add expected = "Badge"' in made["toml"].replace("\n#  ", "")) == (name == "english")
    assert any(each.startswith("readers.") and "too few texts" in each for each in made["doubts"])  # five texts
    assert made["toml"].count(LOOK) - 1 <= len(made["doubts"])
    assert made["refused"] is None


@pytest.mark.parametrize("name", ["german", "french", "dutch", "english"])
def test_the_first_result_is_that_of_the_site_file_written_by_hand(tmp_path: Path, name: str) -> None:
    """In all that no decision of a person is needed for: which card was seen where."""
    folder = EXPORTS / name
    zone = ("--time-zone", "Europe/Amsterdam")
    proposed(tmp_path / "site", folder / "credentials.csv", folder / "readings.csv", options=zone)
    first_result(tmp_path / "site")
    assert run("crosswalk", str(folder / "site.toml"), "--out", str(tmp_path / "hand")).exit_code == 0

    def seen(path: Path) -> list[tuple[str, ...]]:
        names = ("line", "person", "credential", "printed", "status", "number", "certain", "first_seen", "last_seen")
        return [tuple(row[name] for name in names) for row in table(path)]

    ours, theirs = seen(tmp_path / "site" / "result" / "crosswalk.csv"), seen(tmp_path / "hand" / "crosswalk.csv")
    assert len(ours) == 12
    assert ours == theirs


def test_no_names_of_people_and_no_amounts_are_in_the_proposal(tmp_path: Path) -> None:
    made = proposed(tmp_path / "s", EXPORTS / "german" / "credentials.csv", EXPORTS / "german" / "readings.csv")
    assert "Müller" not in made["toml"]
    assert "12,50" not in made["toml"]
    assert "# left out: 'Name', 'Guthaben €'" in made["toml"]


def test_an_export_stays_where_and_as_it_is(tmp_path: Path) -> None:
    people, log = EXPORTS / "dutch" / "credentials.csv", EXPORTS / "dutch" / "readings.csv"
    before = people.read_bytes(), log.read_bytes()
    proposed(tmp_path / "site", people, log)
    assert [path.name for path in (tmp_path / "site").iterdir()] == ["site.toml"]
    assert load_site(tmp_path / "site" / "site.toml").credentials.path.resolve() == people
    assert (people.read_bytes(), log.read_bytes()) == before


# ── exports made here, of which the maker knows everything ──────────────────────────────────────

START = datetime(2026, 3, 2, 6)
CARDS = 60


def serials(dice: Random) -> list[int]:
    return dice.sample(range(1 << 24, 1 << 32), CARDS)


def day_of(place: int, dice: Random, most: int) -> datetime:
    """A day whose number is at most ``most``, in a month that runs on with the place."""
    return datetime(2025, 1 + place % 12, dice.randint(1, most))


def made_here(
    folder: Path, *, encoding: str = "utf-8", delimiter: str = ";", day: str = "%d/%m/%Y", clock: str = "%H:%M:%S",
    most_day: int = 28, states: Sequence[str] = ("valide", "perdu"), seed: int = 7,
) -> tuple[Path, Path]:  # fmt: skip
    """A register of serial numbers in decimal digits, a log of two readers: hexadecimal digits, one of them turned."""
    dice = Random(seed)
    numbers = serials(dice)
    people = [
        [f"{4000 + place}", f"Élise Béranger {place}", f"{number:010d}", states[place % len(states)],
         day_of(place, dice, most_day).strftime(day), f"{place},50"]
        for place, number in enumerate(numbers)
    ]  # fmt: skip
    log = []
    for place in range(3 * CARDS):
        at, number = START + timedelta(hours=3 * place), dice.choice(numbers)
        at = at.replace(day=1 + place * most_day // (3 * CARDS)) if most_day <= 12 else at
        text = f"{number:08X}" if place % 2 else number.to_bytes(4, "little").hex().upper()
        log.append([at.strftime(day), at.strftime(clock), "Porte Est" if place % 2 else "Porte Ouest", text])
    header = ["Matricule", "Nom", "N° de badge", "État", "Début", "Solde"]
    register = write(folder / "titulaires.csv", header, people, encoding, delimiter)
    return register, write(folder / "passages.csv", ["Date", "Heure", "Lecteur", "Trame"], log, encoding, delimiter)


def test_both_readers_get_the_chain_by_which_their_texts_were_written(tmp_path: Path) -> None:
    made = proposed(tmp_path / "site", *made_here(tmp_path, encoding="cp850"))
    site = tomllib.loads(made["toml"])
    assert site["files"]["credentials"]["encoding"] == "cp850"
    assert site["files"]["readings"]["encoding"] == "utf-8"  # it is ASCII
    assert site["files"]["credentials"]["date"] == "DD/MM/YYYY"
    assert site["files"]["readings"]["time"] == "DD/MM/YYYY hh:mm:ss"
    assert site["files"]["readings"]["columns"]["time"] == ["Date", "Heure"]
    columns = site["files"]["credentials"]["columns"]
    assert columns == {"person_id": "Matricule", "credential_id": "N° de badge", "value": "N° de badge",
                       "status": "État", "valid_from": "Début"}  # fmt: skip
    number = 0x01020304
    assert encode(site["readers"]["Porte Est"]["chain"], {"number": number}) == "01020304"
    assert encode(site["readers"]["Porte Ouest"]["chain"], {"number": number}) == "04030201"
    assert "# 60 of 60 cells are 10 digits, 60 different" in made["toml"]
    assert not any(each.startswith(("readers", "kinds")) for each in made["doubts"])
    *findings, summary = first_result(tmp_path / "site")
    assert not {"unknown-card", "unreadable", "other-chain"} & {each["code"] for each in findings}
    assert summary["site"] == "site"
    lines = table(tmp_path / "site" / "result" / "crosswalk.csv")
    # Every other card is lost; all were registered on some day of 2025, and nothing else is wrong.
    assert [row["action"] for row in lines] == ["add", "none"] * (CARDS // 2)
    assert [row["text"] for row in lines[::2]] == [f"{number:010d}" for number in serials(Random(7))[::2]]


def test_the_printed_number_of_a_card_hides_none_of_the_cards_of_a_line(tmp_path: Path) -> None:
    """Readers of two cards, and a column with a part of one number: by hand, 24 bits are facility code, then number."""
    dice = Random(18)
    people = [(7000 + place, dice.choice((12, 40)), 345 + 7 * place, dice.randrange(1 << 32)) for place in range(40)]
    register = write(
        tmp_path / "people.csv", ["Personalnummer", "Ausweisnummer", "Chip-UID", "Aufdruck", "Status"],
        [[str(one), f"{facility << 16 | number:08d}", f"{uid:08X}", f"{number:05d}", "aktiv"]
         for one, facility, number, uid in people], "utf-8", ";",
    )  # fmt: skip
    texts = [
        each for _, facility, number, uid in people
        for each in (("Tor Ost", str(encode(WIEGAND, {"facility": facility, "number": number}))),
                     ("Tor West", f"{facility << 16 | number:010d}"),
                     ("Halle", uid.to_bytes(4, "little").hex().upper()))
    ]  # fmt: skip
    log = write(
        tmp_path / "log.csv", ["Zeit", "Leser", "Rohdaten"],
        [[f"2026-03-{1 + place // 12:02d} {8 + place % 12:02d}:00:00", *text] for place, text in enumerate(texts)],
        "utf-8", ";",
    )  # fmt: skip
    site = tomllib.loads(proposed(tmp_path / "site", register, log)["toml"])
    assert {name: reader["kind"] for name, reader in site["readers"].items()} == {
        "Tor Ost": "Ausweisnummer", "Tor West": "Ausweisnummer", "Halle": "Chip-UID",
    }  # fmt: skip
    assert [each["columns"] for each in site["files"]["credentials"]["numbers"]] == [
        {"value": "Ausweisnummer", "printed": "Aufdruck"}, {"value": "Chip-UID"},
    ]  # fmt: skip
    first_result(tmp_path / "site")
    lines = table(tmp_path / "site" / "result" / "crosswalk.csv")
    written = {row["text"] for row in lines if row["kind"] == "Ausweisnummer"}
    assert written == {f"{facility << 16 | number:08d}" for _, facility, number, _ in people}  # with their zeros
    assert all(row["readers"] for row in lines)


def test_one_number_in_two_notations_is_one_card(tmp_path: Path) -> None:
    dice = Random(4)
    people = [(7000 + place, dice.randrange(1 << 32)) for place in range(40)]
    register = write(tmp_path / "people.csv", ["Personalnummer", "Chip-UID", "Kartennummer", "Status"],
                     [[str(one), f"{uid:08X}", f"{uid:010d}", "aktiv"] for one, uid in people],
                     "utf-8", ";")  # fmt: skip
    texts = [(reader, form.format(uid)) for _, uid in people
             for reader, form in (("A", "{:08X}"), ("B", "K{:010d}X7"), ("C", "{:010d}"))]  # fmt: skip
    log = write(
        tmp_path / "log.csv", ["Zeit", "Leser", "Rohdaten"],
        [[f"2026-03-{1 + place // 12:02d} {8 + place % 12:02d}:00:00", *text] for place, text in enumerate(texts)],
        "utf-8", ";",
    )  # fmt: skip
    site = tomllib.loads(proposed(tmp_path / "site", register, log)["toml"])
    assert "numbers" not in site["files"]["credentials"]
    assert site["readers"]["B"] == {"kind": "card", "chain": "template:K{number:010d}X7"}


def test_a_log_in_which_each_card_comes_many_times_needs_no_known_header(tmp_path: Path) -> None:
    dice = Random(5)
    numbers = [dice.randrange(1000, 60000) for _ in range(30)]
    texts = [str(encode(WIEGAND, {"facility": 12, "number": number})) for number in numbers]
    people = [[str(1000 + place), f"012{number:05d}", "active"] for place, number in enumerate(numbers)]
    register = write(tmp_path / "people.csv", ["Personalnr", "Kartennummer", "Zustand"], people, "utf-8", ";")
    log = write(
        tmp_path / "log.csv", ["Zeit", "Leser", "Spalte 7"],
        [[f"2026-03-{day:02d} {8 + place % 9:02d}:00:00", "Tor Ost", dice.choice(texts)]
         for day in range(14, 24) for place in range(30)], "utf-8", ";",
    )  # fmt: skip
    record = proposed(tmp_path / "site", register, log, options=["--time-zone", "Europe/Amsterdam"])
    (reader,) = load_site(tmp_path / "site" / "site.toml").readers.values()
    assert (reader.name, reader.periods[0].codec.name) == ("Tor Ost", WIEGAND)
    assert 'text = "Spalte 7"' in record["toml"]


@pytest.mark.parametrize("day", ["%d/%m/%Y", "%m/%d/%Y"])
def test_a_day_that_may_be_the_month_is_a_doubt_with_the_other_pattern_named(tmp_path: Path, day: str) -> None:
    """No day is above 12, and the rows rise by either pattern: both lines are doubts, whatever is taken."""
    made = proposed(tmp_path / "site", *made_here(tmp_path, day=day, most_day=12))
    files = tomllib.loads(made["toml"])["files"]
    others = {"DD/MM/YYYY": "MM/DD/YYYY", "MM/DD/YYYY": "DD/MM/YYYY"}
    for file, key in (("credentials", "date"), ("readings", "time")):
        (told,) = (each for each in made["doubts"] if each.startswith(f"files.{file}.{key}:"))
        other = files[file][key].replace(files[file][key][:10], others[files[file][key][:10]])
        assert f"reads as {other}, too" in told
        assert f"{LOOK}every {'day' if key == 'date' else 'time'} reads as {other}" in made["toml"]
    first_result(tmp_path / "site")


def test_the_order_of_the_rows_speaks_for_one_of_two_patterns(tmp_path: Path) -> None:
    """Five days over a month's end: by the wrong pattern, the rows jump back and forth between months."""
    register, log = made_here(tmp_path)
    days = [datetime(2026, month, day) for month, day in ((2, 10), (2, 11), (2, 12), (3, 1), (3, 2))]
    cells = [line.split(";") for line in log.read_text().splitlines()]
    for place, row in enumerate(cells[1:]):
        row[0] = days[place * len(days) // CARDS // 3].strftime("%m/%d/%Y")
        row[1] = f"{6 + place // 12 % 12:02d}:{place % 12:02d}:00"
    log.write_text("\n".join(map(";".join, cells)))
    made = proposed(tmp_path / "site", register, log)
    assert tomllib.loads(made["toml"])["files"]["readings"]["time"] == "MM/DD/YYYY hh:mm:ss"
    assert "files.readings.time" in doubts(made)


def test_a_status_that_nobody_knows_is_no_active_card(tmp_path: Path) -> None:
    made = proposed(tmp_path / "site", *made_here(tmp_path, states=("valide", "Z9", "")))
    words = tomllib.loads(made["toml"])["files"]["credentials"]["words"]["status"]
    assert words == {"valide": "active", "Z9": "suspended", "": "suspended"}
    assert any("'Z9'" in each for each in made["doubts"])
    first_result(tmp_path / "site")
    lines = table(tmp_path / "site" / "result" / "crosswalk.csv")
    assert {row["status"] for row in lines} == {"active", "suspended"}
    assert sum(row["status"] == "active" for row in lines) == CARDS // 3


def test_a_reader_that_nothing_explains_gets_a_stand_in_that_reads_nothing(tmp_path: Path) -> None:
    register, log = made_here(tmp_path)
    dice = Random(3)
    more = [f"05/03/2026;10:00:{place:02d};Quai 7;{dice.randrange(1 << 64):016X}" for place in range(20)]
    log.write_text(log.read_text() + "\n".join(more) + "\n")
    made = proposed(tmp_path / "site", register, log)
    assert 'readers."Quai 7".chain' in doubts(made)
    findings = first_result(tmp_path / "site")
    rows = table(tmp_path / "site" / "result" / "exceptions.csv")
    quay = [row["code"] for row in rows if row["reader"] == "Quai 7"]
    assert quay == ["unreadable"] * 20
    assert findings


def test_columns_that_are_absent_are_doubts(tmp_path: Path) -> None:
    register, log = made_here(tmp_path)
    cells = [line.split(";") for line in register.read_text().splitlines()]
    register.write_text("\n".join(row[2] for row in cells) + "\n")
    rows = [line.split(";") for line in log.read_text().splitlines()]
    log.write_text("\n".join(f"{row[0]};{row[1]};{row[3]}" for row in rows if row[2] != "Porte Ouest") + "\n")
    made = proposed(tmp_path / "site", register, log)
    assert {"files.credentials.constants", "files.credentials.columns.person_id",
            "files.readings.constants"} <= doubts(made)  # fmt: skip
    first_result(tmp_path / "site")


def test_cards_without_a_holder_are_a_pool(tmp_path: Path) -> None:
    register, log = made_here(tmp_path)
    register.write_text(register.read_text().replace("\n4001;", "\n;").replace("\n4003;", "\n;"))
    made = proposed(tmp_path / "site", register, log)
    assert any("2 rows have no holder" in each for each in made["doubts"])
    first_result(tmp_path / "site")
    assert load_site(tmp_path / "site" / "site.toml").rules.pools == ("unassigned",)


def test_what_a_crosswalk_refuses_is_told_at_once(tmp_path: Path) -> None:
    register, log = made_here(tmp_path)
    register.write_text(register.read_text() + "4999;x\n")
    made = proposed(tmp_path / "site", register, log)
    assert "files.credentials.path" in doubts(made)
    assert "2 cells" in " ".join(made["refused"])


# ── what may not be shown, and what is no site ──────────────────────────────────────────────────


def test_numbers_that_look_like_payment_accounts_are_masked(tmp_path: Path) -> None:
    register, log = made_here(tmp_path)
    register.write_text(register.read_text().replace("valide", ACCOUNT, 1))
    found = run("init", str(tmp_path / "site"), "--from", str(register), "--from", str(log))
    assert found.exit_code == 0
    assert ACCOUNT not in found.output
    comments = [line for line in (tmp_path / "site" / "site.toml").read_text().splitlines() if line.startswith("#")]
    assert not any(ACCOUNT in line for line in comments)
    assert any("411436******6785" in line for line in comments)


def test_a_payment_track_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    register, log = made_here(tmp_path)
    track = f";{ACCOUNT}=30121010000000000?"
    register.write_text(register.read_text().replace("Élise Béranger 5;", f'"{track}";'))
    found = run("init", str(tmp_path / "site"), "--from", str(register), "--from", str(log))
    assert found.exit_code == 2
    assert "payment track data" in found.stderr
    assert ACCOUNT not in found.output + found.stderr
    assert not (tmp_path / "site").exists()


PRICES = [
    "Artikelnr;Bezeichnung;Preis;gültig ab",
    *(f"{n};Teil {n};{n % 90},20;01.02.2026" for n in range(10001, 10040)),
]
STOCK = ["Zeit;Lager;Artikelnr;Menge", *(f"01.02.2026 08:{n % 60:02d};Nord;{n};5" for n in range(10001, 10040))]


@pytest.mark.parametrize("files", [[PRICES], [PRICES, STOCK], [STOCK, STOCK], [["a;b", "1;2"]], [["word"]]])
def test_files_that_are_no_register_and_no_log_give_no_site(tmp_path: Path, files: list[list[str]]) -> None:
    paths = []
    for place, lines in enumerate(files):
        paths.append(tmp_path / f"{place}.csv")
        paths[-1].write_text("\n".join(lines) + "\n", encoding="utf-8")
    found = run("init", str(tmp_path / "site"), *(word for path in paths for word in ("--from", str(path))))
    assert found.exit_code == 2
    assert "no site file can be proposed: a list of credentials" in found.stderr
    assert not (tmp_path / "site").exists()


@pytest.mark.parametrize("content", [b"", b"\n\n", b"\x00\x01\x02\xff" * 20, b"\xff\xfe\x00"])
def test_what_is_no_table_is_refused(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "x.csv").write_bytes(content)
    found = run("init", str(tmp_path / "site"), "--from", str(tmp_path / "x.csv"))
    assert found.exit_code == 2
    assert "x.csv" in found.stderr
    assert not (tmp_path / "site").exists()


def test_a_time_zone_that_does_not_exist_is_refused(tmp_path: Path) -> None:
    register, log = made_here(tmp_path)
    found = run(
        "init", str(tmp_path / "site"), "--from", str(register), "--from", str(log), "--time-zone", "Europe/Amsterdm"
    )
    assert (found.exit_code, "did you mean Europe/Amsterdam?" in found.stderr) == (2, True)


# ── any tables ──────────────────────────────────────────────────────────────────────────────────

MAKERS: dict[str, Callable[[Random], str]] = {
    "Personalnr": lambda dice: f"P-{dice.randrange(40)}",
    "Ausweisnummer": lambda dice: f"{dice.randrange(1 << 32):010d}",
    "Typ": lambda dice: dice.choice(["A", 'b"c', "{n}", "a/b"]),
    "Status": lambda dice: dice.choice(["gültig", "verloren", "Z"]),
    "gültig bis": lambda dice: f"{dice.randrange(1, 13)}/{dice.randrange(1, 13)}/2026",
    "Ausgabe": lambda dice: str(dice.randrange(3)),
    "Zeit": lambda dice: f"2026-03-{dice.randrange(1, 29):02d} 08:{dice.randrange(60):02d}:00",
    "Leser": lambda dice: dice.choice(["Tor Ost", 'Tor "West"', "x.y", "", "#"]),
    "Rohdaten": lambda dice: f"{dice.randrange(1 << 32):08X}",
    "Soll": lambda dice: f"P-{dice.randrange(40)}",
    " reader ": lambda dice: dice.choice(["\u2028", "\\", "'", "1.2E+07", "{}"]),
    "": lambda dice: "x",
}


def drawn(dice: Random, always: Sequence[str]) -> bytes:
    """A table of some of these columns, under other headers now and then, with cells of any column among them."""
    names = [*always, *dice.sample(sorted(MAKERS), dice.randrange(5))]
    dice.shuffle(names)
    header = [name if dice.random() < 0.9 else dice.choice(sorted(MAKERS)) for name in names]
    rows = [
        [MAKERS[name if dice.random() < 0.95 else dice.choice(sorted(MAKERS))](dice) * (dice.random() > 0.03)
         for name in names]
        for _ in range(dice.randrange(40))
    ]  # fmt: skip
    buffer = io.StringIO()
    csv.writer(buffer, delimiter=dice.choice(";,\t|")).writerows([header, *rows])
    return buffer.getvalue().encode(dice.choice(["utf-8", "utf-8-sig", "cp1252", "utf-16", "cp850"]), "replace")


@amounts("seeds", quick=20, whole=300)
def test_whatever_is_proposed_is_a_site_file(tmp_path: Path, seeds: int) -> None:
    """The crosswalk may refuse rows of the files, never the site file."""
    count = 0
    for seed in range(seeds):
        dice, folder = Random(seed), tmp_path / str(seed)
        folder.mkdir()
        (folder / "a.csv").write_bytes(drawn(dice, ["Personalnr", "Ausweisnummer"]))
        (folder / "b.csv").write_bytes(drawn(dice, ["Zeit", "Leser", "Rohdaten"]))
        try:
            made = propose_site([folder / "a.csv", folder / "b.csv"], folder)
        except DefinitionError:
            continue
        (folder / "site.toml").write_text(made.toml, encoding="utf-8")
        load_site(folder / "site.toml")
        count += 1
    assert count >= seeds // 3


# ── on a terminal ───────────────────────────────────────────────────────────────────────────────


def test_on_a_terminal_it_asks_once_and_writes_without_asking_when_told(tmp_path: Path) -> None:
    register, log = made_here(tmp_path)
    words = ["init", str(tmp_path / "site"), "--from", str(register), "--from", str(log)]
    shown = on_a_terminal([*words, "--yes"])
    assert "Write this to" not in shown
    assert json.dumps("Porte Est") not in shown.partition("Written")[2]
    (tmp_path / "site" / "site.toml").unlink()
    for answer, is_written in ((b"n\n", False), (b"y\n", True)):
        master, slave = pty.openpty()
        with subprocess.Popen([*CREDKIT, *words], stdin=slave, stdout=subprocess.PIPE, env=ENVIRONMENT) as process:
            os.close(slave)
            os.write(master, answer)
            assert process.stdout is not None
            text = process.stdout.read().decode()
        os.close(master)
        assert text.count("Write this to") == 1
        assert "[files.credentials]" in text
        assert (tmp_path / "site" / "site.toml").exists() == is_written


def test_who_reads_no_further_than_the_first_line_has_the_site_file_all_the_same(tmp_path: Path) -> None:
    register, log = made_here(tmp_path)
    words = ["init", str(tmp_path / "site"), "--from", str(register), "--from", str(log)]
    with subprocess.Popen(
        [*CREDKIT, *words], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, env=ENVIRONMENT
    ) as process:
        assert process.stdout is not None
        process.stdout.close()
    load_site(tmp_path / "site" / "site.toml")


# ── workbooks, and titles above the header ──────────────────────────────────────────────────────


def as_title_lines(path: Path, encoding: str, folder: Path) -> Path:
    """A copy of an export with the lines above its header that exports have."""
    mark = "\ufeff" if encoding == "utf-16" else ""
    text = path.read_bytes().decode(encoding).removeprefix("\ufeff")
    titles = '"Brackwater Terminal, Hafen"\r\nStand: 31.03.2026 um 08:15\r\n\r\n'
    made = folder / path.name
    made.write_bytes((titles + text).encode("utf-16") if mark else (titles + text).encode(encoding))
    return made


@pytest.mark.parametrize(("name", "encoding"), [("german", "cp1252"), ("dutch", "utf-16"), ("french", "utf-8")])
def test_titles_above_the_header_are_found(tmp_path: Path, name: str, encoding: str) -> None:
    exports = [EXPORTS / name / f"{stem}.csv" for stem in ("credentials", "readings")]
    copies = [as_title_lines(path, encoding, tmp_path) for path in exports]
    made = proposed(tmp_path / "titled", *copies)
    plain = proposed(tmp_path / "plain", *exports)
    ours, theirs = tomllib.loads(made["toml"]), tomllib.loads(plain["toml"])
    for file in ("credentials", "readings"):
        assert ours["files"][file].pop("header_line") == 4
        del ours["files"][file]["path"], theirs["files"][file]["path"]
    assert (ours["files"], ours["readers"], made["refused"]) == (theirs["files"], theirs["readers"], None)
    assert ours["site"]["as_of"] == date(2026, 3, 31)  # the day of the title
    (told,) = (each for each in made["doubts"] if each.startswith("site.as_of"))
    assert told.endswith("is it the day on which the register was exported?")
    assert "# line 2 of credentials.csv, above the header, has this day" in made["toml"]


def as_cells(name: str, text: str) -> Any:
    """What a spreadsheet makes of the cells of the German export, without the zeros of two columns."""
    if name in ("Ausweisnummer", "Aufdruck") and text.isdecimal():
        return int(text)
    if name in ("gültig ab", "gültig bis") and text and not text.endswith("9999"):
        return datetime.strptime(text, "%d.%m.%Y").date()
    return time.fromisoformat(text) if name == "Uhrzeit" else text


def test_a_workbook_with_both_lists_below_titles_gets_a_verdict_in_two_commands(tmp_path: Path) -> None:
    sheets: dict[str, list[list[Any]]] = {"Deckblatt": [["Brackwater Terminal"]]}
    for sheet, stem in (("Personen", "credentials"), ("Buchungen", "readings")):
        header, *rows = read_csv(EXPORTS / "german" / f"{stem}.csv", "cp1252", ";")
        cells: list[list[Any]] = [[as_cells(*cell) for cell in zip(header, row, strict=True)] for row in rows]
        sheets[sheet] = [["Brackwater Terminal"], ["Stand", "31.03.2026"], [], header, *cells]
    book = write_workbook(tmp_path / "export.xlsx", sheets)
    made = proposed(tmp_path / "site", book, options=("--time-zone", "Europe/Amsterdam"))
    files = tomllib.loads(made["toml"])["files"]
    assert [(each["sheet"], each["header_line"]) for each in files.values()] == [("Personen", 4), ("Buchungen", 4)]
    assert not {"encoding", "delimiter"} & {*files["credentials"], *files["readings"]}
    assert made["refused"] is None
    (told,) = (each for each in made["doubts"] if each.startswith("files.credentials.columns.value"))
    assert "stored as numbers, leading zeros may be lost" in told
    first_result(tmp_path / "site")
    # The numbers lost a zero each, which their template demands: the crosswalk says it by the rules that it has.
    exceptions = table(tmp_path / "site" / "result" / "exceptions.csv")
    assert {row["code"] for row in exceptions if row["file"].endswith("xlsx")} >= {"spreadsheet-damage"}


def test_a_workbook_of_texts_gets_the_site_file_of_the_csv(tmp_path: Path) -> None:
    books = []
    for stem in ("credentials", "readings"):
        rows = read_csv(EXPORTS / "german" / f"{stem}.csv", "cp1252", ";")
        books.append(write_workbook(tmp_path / f"{stem}.xlsx", {"Liste": rows}))
    made = proposed(tmp_path / "book", *books)
    plain = proposed(tmp_path / "plain", *(EXPORTS / "german" / f"{stem}.csv" for stem in ("credentials", "readings")))
    ours, theirs = tomllib.loads(made["toml"]), tomllib.loads(plain["toml"])
    for file in ("credentials", "readings"):
        del ours["files"][file]["path"]
        for key in ("path", "encoding", "delimiter"):
            del theirs["files"][file][key]
    ours["site"]["name"] = theirs["site"]["name"]
    assert ours == theirs
    assert made["refused"] is None


def test_a_workbook_without_a_table_is_one_sentence(tmp_path: Path) -> None:
    book = write_workbook(tmp_path / "a.xlsx", {"A": [["x"]], "B": [["a", "b"], ["1", "2"]]}, hidden=["B"])
    with refusal(DefinitionError):
        propose_site([book], tmp_path)


def test_cells_without_a_text_are_a_doubt_and_told_by_the_crosswalk(tmp_path: Path) -> None:
    books = []
    for stem in ("credentials", "readings"):
        rows: list[list[Any]] = [*read_csv(EXPORTS / "german" / f"{stem}.csv", "cp1252", ";")]
        rows[2] = [True, *rows[2][1:]]
        books.append(write_workbook(tmp_path / f"{stem}.xlsx", {"Liste": rows}))
    made = proposed(tmp_path / "site", *books)
    assert any("1 row has cells without a text (lines 3)" in each for each in made["doubts"])
    assert any("is a truth value, not a text: 'TRUE'" in each for each in made["refused"])


# ── what a spreadsheet did to the numbers ───────────────────────────────────────────────────────


def hexadecimal_cards(folder: Path, spread: Callable[[str], str]) -> tuple[Path, Path]:
    """A register of 300 serial numbers of four bytes, and a log of two readers that give them whole."""
    dice = Random(20)
    numbers = [f"{dice.randrange(1 << (27 if place % 3 else 32)):08X}" for place in range(300)]
    register = write(folder / "staff.csv", ["PersNr", "Chip-Nr", "Status"],
                     [[str(1000 + place), spread(text), "aktiv"] for place, text in enumerate(numbers)],
                     "utf-8", ";")  # fmt: skip
    rows = []
    for place in range(900):
        text, at = dice.choice(numbers), START + timedelta(hours=3 * place)
        rows.append([at.isoformat(sep=" "), "Crane" if place % 2 else "Quay",
                     text if place % 2 else str(int(text, 16)).zfill(10)])  # fmt: skip
    return register, write(folder / "log.csv", ["Zeit", "Leser", "Code"], rows, "utf-8", ";")


def as_integer(text: str) -> str:
    """What a spreadsheet leaves of digits alone: a number, without the zeros in front (common practice, no source)."""
    return str(int(text)) if text.isdecimal() else text


def test_integers_among_hexadecimal_numbers_are_no_second_form_but_lost_zeros(tmp_path: Path) -> None:
    """Known from the maker: which values lost their zeros; they are not ready, and the others are as they are."""
    register, log = hexadecimal_cards(tmp_path, as_integer)
    made = proposed(tmp_path / "site", register, log)
    lost = [cells[1] for cells in csv.reader(register.read_text().splitlines()[1:], delimiter=";")
            if len(cells[1]) < 8]  # fmt: skip
    assert len(lost) >= 3
    site = tomllib.loads(made["toml"])
    assert site["kinds"]["card"]["value"] == site["targets"]["as-registered"]["chain"] == "hex:8/fields:number:32"
    assert any("leading zeros lost" in each and f"{len(lost)} values" in each for each in made["doubts"])
    first_result(tmp_path / "site")
    rows = table(tmp_path / "site" / "result" / "crosswalk.csv")
    ready = [row for row in rows if row["text"]]
    assert len(ready) > 200
    assert all(len(row["text"]) == 8 for row in ready)


def test_decimal_numbers_that_readers_confirm_are_a_second_form(tmp_path: Path) -> None:
    """Null test: a merged register has both notations, of any length, and nothing was lost."""
    register, log = hexadecimal_cards(tmp_path, lambda text: str(int(text, 16)) if text[0] == "0" else text)
    made = proposed(tmp_path / "site", register, log)
    assert isinstance(tomllib.loads(made["toml"])["kinds"]["card"]["value"], list)
    assert not any("leading zeros" in each for each in made["doubts"])


def with_printed_dates(folder: Path, header: str) -> tuple[Path, Path]:
    """The same cards, each with a printed number such as 12-76, of which a spreadsheet made a month and a year."""
    register, log = hexadecimal_cards(folder, str)
    months = ("", "Jan", "Feb", "Mrz", "Apr", "Mai", "Jun", "Jul", "Aug", "Sep", "Okt", "Nov", "Dez")
    _, *rows = csv.reader(register.read_text().splitlines(), delimiter=";")
    some = [[one, f"{months[1 + at % 12]} {at // 3:02d}" if at % 2 else f"{1 + at % 12}-{500 + at}", uid, status]
            for at, (one, uid, status) in enumerate(rows)]  # fmt: skip
    return write(register, [header, "Kartennummer", "Chip", "Zustand"], some, "utf-8", ";"), log


def test_a_matrikel_is_the_person_and_months_in_a_number_are_dates_of_a_spreadsheet(tmp_path: Path) -> None:
    made = proposed(tmp_path / "site", *with_printed_dates(tmp_path, "Matrikel"))
    columns = tomllib.loads(made["toml"])["files"]["credentials"]["columns"]
    assert (columns["person_id"], columns["credential_id"], columns["value"]) == ("Matrikel", "Kartennummer", "Chip")
    (found,) = [each for each in made["doubts"] if "a spreadsheet made dates of" in each]
    assert found.startswith("files.credentials.columns.credential_id: ")
    assert "'Feb 00'" in found


def test_a_number_of_cards_is_no_person_without_a_doubt(tmp_path: Path) -> None:
    made = proposed(tmp_path / "site", *with_printed_dates(tmp_path, "Stapel"))  # a word that says nothing of people
    assert tomllib.loads(made["toml"])["files"]["credentials"]["columns"]["person_id"] == "Kartennummer"
    assert "files.credentials.columns.person_id" in doubts(made)


def test_each_card_column_of_an_export_is_a_target(tmp_path: Path) -> None:
    """A system that holds two numbers of each person: the maker wrote both from the register's."""
    dice = Random(23)
    people = [(str(5000 + place), dice.randrange(1 << 27, 1 << 32), dice.randrange(1 << 27, 1 << 32))
              for place in range(80)]  # fmt: skip
    register = write(tmp_path / "staff.csv", ["PersNr", "Art", "Nummer", "Status"],
                     [[one, kind, f"{number:010d}", "aktiv"] for one, *numbers in people
                      for kind, number in zip(("Chip", "Funk"), numbers, strict=True)],
                     "utf-8", ";")  # fmt: skip
    rows = [[(START + timedelta(hours=place)).isoformat(sep=" "), reader, f"{number:08X}"]
            for place, (_, *numbers) in enumerate(people)
            for reader, number in zip(("Crane", "Yard"), numbers, strict=True)]  # fmt: skip
    log = write(tmp_path / "log.csv", ["Zeit", "Leser", "Code"], rows, "utf-8", ";")
    system = write(tmp_path / "canteen.csv", ["PersNr", "Chip-Nr", "Funk-Nr", "Chip dezimal"],
                   [[one, f"{chip:08X}", f"{radio:08X}", f"{chip:010d}" if chip % 4 else ""]
                    for one, chip, radio in people], "utf-8", ";")  # fmt: skip
    made = proposed(tmp_path / "site", register, log, system)
    targets = tomllib.loads(made["toml"])["targets"]
    assert {each["kind"]: each["existing"]["columns"]["text"] for each in targets.values()} == {
        "Chip": "Chip-Nr", "Funk": "Funk-Nr",
    }  # fmt: skip
    assert any("chains fit 'Chip dezimal', too" in each for each in made["doubts"])
    first_result(tmp_path / "site")
