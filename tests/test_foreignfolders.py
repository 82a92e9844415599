"""Folders of foreign exports: two commands, without editing, to the verdict that their maker knows.

The exports are invented; what must come of them is worked out here from what was written into them.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from random import Random
from typing import NamedTuple

import pytest

from credkit import encode
from credkit.site import load_rows, load_site
from tests.test_init import doubts, first_result, proposed, table, write

WIEGAND = "hex:8/right-justified:26/wiegand-26"
LITTLE_ENDIAN = "decimal:32/reverse-bytes/serial-32"
PEOPLE = 150
ZONE = ("--time-zone", "Europe/Berlin")


class Person(NamedTuple):
    """A person with two cards, each of which may be missing, and a locker."""

    number: str
    prox: tuple[int, int] | None
    chip: int | None
    locker: str
    is_active: bool
    joined: datetime


def make_people() -> list[Person]:
    """A person without any card, some without one of the two, and each number once."""
    random = Random(18)
    numbers, chips = random.sample(range(1, 60_000), PEOPLE), random.sample(range(1 << 31, 1 << 32), PEOPLE)
    return [
        Person(
            str(7000 + place), (random.choice((12, 40)), numbers[place]) if place % 9 else None,
            chips[place] if place % 4 and place != 27 else None, str(300 + place) if place % 3 else "", place % 11 > 0,
            datetime(2024, 1, 1) + timedelta(days=place * 5),
        )
        for place in range(PEOPLE)
    ]  # fmt: skip


def make_log(people: Sequence[Person], form: Callable[[datetime], str], readings: int = 1200) -> list[list[str]]:
    """Two gates that give frames, and a canteen that gives serial numbers with their bytes turned round."""
    random = Random(19)
    rows = []
    for place in range(readings):
        person = random.choice(people)
        time = form(datetime(2026, 3, 2, 5) + timedelta(minutes=21 * place, seconds=place % 60))
        if place % 3 and person.prox:
            facility, number = person.prox
            text = str(encode(WIEGAND, {"facility": facility, "number": number}))
            rows.append([time, "Tor Ost" if place % 2 else "Tor West", text])
        elif person.chip:
            rows.append([time, "Kantine", str(int.from_bytes(person.chip.to_bytes(4, "big"), "little"))])
    return rows


GERMAN = ("Jan", "Feb", "Mrz", "Apr", "Mai", "Jun", "Jul", "Aug", "Sep", "Okt", "Nov", "Dez")
FRENCH = (
    "janv.",
    "f\u00e9vr.",
    "mars",
    "avr.",
    "mai",
    "juin",
    "juil.",
    "ao\u00fbt",
    "sept.",
    "oct.",
    "nov.",
    "d\u00e9c.",
)


def german_day(day: datetime) -> str:
    return f"{day.day:02d}-{GERMAN[day.month - 1]}-{day.year}"


def french_day(day: datetime) -> str:
    return f"{day.day} {FRENCH[day.month - 1]} {day.year}"


def write_german(folder: Path) -> tuple[Path, Path]:
    """Semicolons, Windows letters, names of months, a column for each kind of number."""
    people = make_people()
    rows = [
        [
            person.number, f"Müller{place}, Jörg", f"{person.prox[0]:03d}{person.prox[1]:05d}" if person.prox else "",
            f"{person.chip:08X}" if person.chip else "", person.locker, "gültig" if person.is_active else "gesperrt",
            german_day(person.joined),
        ]
        for place, person in enumerate(people)
    ]  # fmt: skip
    header = ("Personalnr", "Name", "Transponder", "Chip-UID", "Spindnr", "Status", "gültig ab")
    log = make_log(people, lambda time: f"{german_day(time)} {time:%H:%M:%S}")
    return (
        write(folder / "personal.csv", header, rows, "cp1252", ";"),
        write(folder / "buchungen.csv", ("Zeitpunkt", "Leser", "Rohdaten"), log, "cp1252", ";"),
    )


def write_french(folder: Path) -> tuple[Path, Path]:
    """Tabs, UTF-16, a day and a clock apart, the abbreviated months with their points."""
    people = make_people()
    rows = [
        [
            f"{person.chip:08X}" if person.chip else "", person.number,
            f"{person.prox[0]:03d}{person.prox[1]:05d}" if person.prox else "", french_day(person.joined),
            "actif" if person.is_active else "perdu",
        ]
        for person in people
    ]  # fmt: skip
    log = make_log(people, lambda time: f"{french_day(time)} {time:%H:%M}")
    return (
        write(folder / "personnel.txt", ("UID", "Matricule", "N° de badge", "Début", "Statut"), rows, "utf-16", "\t"),
        write(folder / "passages.txt", ("Horodatage", "Lecteur", "Trame"), log, "utf-16", "\t"),
    )


FOLDERS = {"german": write_german, "french": write_french}
KINDS = {"german": ("Transponder", "Chip-UID"), "french": ("N° de badge", "UID")}
FORMS = {
    "german": ("cp1252", ";", "DD-MMM-YYYY", "DD-MMM-YYYY hh:mm:ss"),
    "french": ("utf-16", "\t", "D MMM YYYY", "D MMM YYYY hh:mm"),
}


@pytest.mark.parametrize("name", FOLDERS)
def test_two_commands_from_a_folder_to_the_verdict(name: str, tmp_path: Path) -> None:
    people, (prox, chip) = make_people(), KINDS[name]
    register, log = FOLDERS[name](tmp_path)
    made = proposed(tmp_path / "site", register, log, options=ZONE)
    files = tomllib.loads(made["toml"])["files"]
    credentials = files["credentials"]
    encoding, delimiter, day, time = FORMS[name]
    assert (credentials["encoding"], credentials["delimiter"], credentials["date"]) == (encoding, delimiter, day)
    assert files["readings"]["time"] == time
    assert {each["columns"]["value"] for each in credentials["numbers"]} == {prox, chip}
    assert credentials["credential_id"] == "{person_id}-{kind}"
    assert "files.credentials.credential_id" in doubts(made)  # one card, or two?
    assert made["refused"] is None

    first_result(tmp_path / "site")
    lines = table(tmp_path / "site" / "result" / "crosswalk.csv")
    wanted = {
        (f"{person.number}-{kind}", str(place + 2), "add" if person.is_active else "none")
        for place, person in enumerate(people)
        for kind, number in ((prox, person.prox), (chip, person.chip)) if number
    }  # fmt: skip
    assert {(line["credential"], line["line"], line["action"]) for line in lines} == wanted
    assert len(lines) == len(wanted)
    exceptions = table(tmp_path / "site" / "result" / "exceptions.csv")
    assert {row["code"] for row in exceptions} == {"inactive-read"}
    assert {row["person"] for row in exceptions} <= {person.number for person in people if not person.is_active}
    rows = load_rows(load_site(tmp_path / "site" / "site.toml")).credentials
    joined = {person.number: person.joined.date() for person in people}
    assert all(row.valid_from == joined[row.person] for row in rows)


def write_held(folder: Path, people: Sequence[Person], form: Callable[[int, int], str], name: str = "gate.csv") -> Path:
    """What a target holds of every second person with a card of the gates."""
    rows = [[person.number, "x", form(*person.prox)] for person in people[::2] if person.prox]
    return write(folder / name, ("Personalnr", "Bemerkung", "Ausweis"), rows, "utf-8", ";")


HELD: dict[str, Callable[[int, int], str]] = {
    "decimal": lambda facility, number: str(facility << 16 | number),
    "ten-digits": lambda facility, number: f"{facility << 16 | number:010d}",
    "frame": lambda facility, number: str(encode(WIEGAND, {"facility": facility, "number": number})),
    "two-numbers": lambda facility, number: f"{facility:03d},{number:05d}",
    "bytes-turned": lambda facility, number: (facility << 16 | number).to_bytes(3, "little").hex().upper(),
    "prefixed": lambda facility, number: f"K{facility:03d}-{number:05d}",
    "as-registered": lambda facility, number: f"{facility:03d}{number:05d}",
}  # fmt: skip


@pytest.mark.parametrize("name", HELD)
def test_what_a_target_holds_gives_its_chain(name: str, tmp_path: Path) -> None:
    """Three persons have another card there: one of somebody else, one of nobody, and an old one."""
    people = make_people()
    register, log = write_german(tmp_path)
    held = write_held(tmp_path, people, HELD[name])
    wrong = {"7002": HELD[name](*people[1].prox or (0, 0)), "7004": HELD[name](99, 1), "7006": HELD[name](12, 60_001)}
    lines = [line.split(";") for line in held.read_text("utf-8").splitlines()]
    rows = [";".join([*cells[:2], wrong.get(cells[0], cells[2])]) for cells in lines]
    held.write_text("\n".join(rows) + "\n", "utf-8")

    made = proposed(tmp_path / "site", register, log, held, options=ZONE)
    assert (made["unused"], made["held"]) == ([], {"gate": str(held)})
    target = tomllib.loads(made["toml"])["targets"]["gate"]
    assert target["kind"] == "Transponder"
    assert target["existing"]["columns"] == {"person_id": "Personalnr", "text": "Ausweis"}
    total = len(rows) - 1
    assert f"it writes {total - 3} of {total} texts of gate.csv" in made["toml"].replace("\n#  ", "")
    assert "targets.gate.chain" in doubts(made)
    first_result(tmp_path / "site")
    found = [line for line in table(tmp_path / "site" / "result" / "crosswalk.csv") if line["target"] == "gate"]
    wanted = {person.number: person for person in people if person.prox}
    assert {line["person"] for line in found} == {*wanted}
    for line in found:
        person = wanted[line["person"]]
        assert person.prox is not None
        if person.is_active and line["action"] != "hold":
            assert line["text"] == HELD[name](*person.prox)
            is_there = int(person.number) % 2 == 0
            assert line["action"] == ("add" if not is_there else "change" if person.number in wrong else "keep")


TRUNCATED: dict[str, Callable[[int, int], str]] = {
    "last digits as registered": lambda facility, number: f"{facility:03d}{number:05d}"[-6:],
    "last digits of the decimal": lambda facility, number: f"{facility << 16 | number:010d}"[-5:],
    "last digits of the card number": lambda facility, number: f"{number:05d}"[-4:],
}  # fmt: skip


@pytest.mark.parametrize("name", TRUNCATED)
def test_a_target_that_holds_the_last_digits_gets_a_chain_with_its_doubt(name: str, tmp_path: Path) -> None:
    people = make_people()
    register, log = write_german(tmp_path)
    made = proposed(tmp_path / "site", register, log, write_held(tmp_path, people, TRUNCATED[name]), options=ZONE)
    target = tomllib.loads(made["toml"])["targets"]["gate"]
    assert target["chain"].startswith("last-digits:")
    texts = [TRUNCATED[name](*person.prox) for person in people if person.prox]
    alike = sum(texts.count(text) > 1 for text in texts)
    (doubt,) = (each for each in made["doubts"] if each.startswith("targets.gate.chain"))
    assert f"only the last digits of the numbers: {alike} of {len(texts)} numbers" in doubt
    first_result(tmp_path / "site")
    found = [line for line in table(tmp_path / "site" / "result" / "crosswalk.csv") if line["target"] == "gate"]
    held = {person.number: TRUNCATED[name](*person.prox) for person in people if person.prox}
    assert {line["person"] for line in found} == {*held}
    assert {line["text"] for line in found if line["text"]} <= {*texts}
    assert all(line["text"] == held[line["person"]] for line in found if line["action"] in ("keep", "add"))


def test_an_export_that_no_chain_fits_is_left_out_with_a_reason(tmp_path: Path) -> None:
    random = Random(3)
    register, log = write_german(tmp_path)
    held = write_held(tmp_path, make_people(), lambda facility, number: str(random.randrange(10**7)))
    made = proposed(tmp_path / "site", register, log, held, options=ZONE)
    assert (made["unused"], made["held"]) == ([str(held)], {})
    assert any(each.startswith("targets: gate.csv is left out") for each in made["doubts"])


def test_an_export_of_other_people_is_not_used(tmp_path: Path) -> None:
    register, log = write_german(tmp_path)
    people = [person._replace(number=f"X{person.number}") for person in make_people()]
    held = write_held(tmp_path, people, HELD["decimal"])
    made = proposed(tmp_path / "site", register, log, held, options=ZONE)
    assert (made["unused"], made["held"]) == ([str(held)], {})


def write_columns(folder: Path, columns: dict[str, Callable[[Person], str]]) -> tuple[Path, Path]:
    """A register with these columns beside the person, and its log."""
    people = make_people()
    rows = [[person.number, *(cell(person) for cell in columns.values())] for person in people]
    log = make_log(people, lambda time: f"{time:%d.%m.%Y %H:%M:%S}")
    return (
        write(folder / "people.csv", ("Personalnr", *columns), rows, "utf-8", ";"),
        write(folder / "log.csv", ("Zeit", "Leser", "Rohdaten"), log, "utf-8", ";"),
    )


def prox(person: Person) -> str:
    return f"{person.prox[0]:03d}{person.prox[1]:05d}" if person.prox else ""


def chip(person: Person) -> str:
    return f"{person.chip:08X}" if person.chip else ""


def test_one_number_written_in_two_ways_is_one_card(tmp_path: Path) -> None:
    register, log = write_columns(
        tmp_path, {"Chip hex": chip, "Chip dez": lambda person: str(person.chip) if person.chip else ""}
    )
    credentials = tomllib.loads(proposed(tmp_path / "site", register, log)["toml"])["files"]["credentials"]
    assert "numbers" not in credentials
    assert credentials["columns"]["value"] in ("Chip hex", "Chip dez")


def test_a_card_with_two_numbers_and_an_id_is_one_card(tmp_path: Path) -> None:
    register, log = write_columns(
        tmp_path, {"Kartennr": lambda person: f"K{person.number}x", "Transponder": prox, "UID": chip}
    )
    made = proposed(tmp_path / "site", register, log)
    credentials = tomllib.loads(made["toml"])["files"]["credentials"]
    assert credentials["columns"]["credential_id"] == "Kartennr"
    assert len(credentials["numbers"]) == 2
    assert "files.credentials.credential_id" in doubts(made)
    assert made["refused"] is None


def test_a_column_that_is_called_a_card_and_that_no_reader_gives(tmp_path: Path) -> None:
    """Its numbers are of another kind, with a doubt; what is printed on the card is that number once more."""
    register, log = write_columns(
        tmp_path,
        {
            "Transponder": prox, "Aufdruck": lambda person: f"{person.prox[1]:05d}" if person.prox else "",
            "Ausweis Kantine": lambda person: str(9000000 + 37 * int(person.number)) if person.locker else "",
        },
    )  # fmt: skip
    people = make_people()
    rows = [row for row in make_log(people, lambda time: f"{time:%d.%m.%Y %H:%M:%S}") if row[1] != "Kantine"]
    log = write(log, ("Zeit", "Leser", "Rohdaten"), rows, "utf-8", ";")
    made = proposed(tmp_path / "site", register, log)
    numbers = tomllib.loads(made["toml"])["files"]["credentials"]["numbers"]
    assert [each["columns"] for each in numbers] == [
        {"value": "Transponder", "printed": "Aufdruck"}, {"value": "Ausweis Kantine"},
    ]  # fmt: skip
    assert "no reader gives these numbers" in made["toml"]
    assert made["refused"] is None


def test_persons_with_several_lines_get_ids_of_their_numbers(tmp_path: Path) -> None:
    register, log = write_columns(tmp_path, {"Transponder": prox, "UID": chip})
    text = register.read_text("utf-8").replace("7001;", "7002;")
    register.write_text(text, "utf-8")
    made = proposed(tmp_path / "site", register, log)
    assert tomllib.loads(made["toml"])["files"]["credentials"]["credential_id"] == "{kind}-{value}"
    assert made["refused"] is None


def test_a_column_whose_header_names_no_card_is_marked_and_taken_when_it_is_declared(tmp_path: Path) -> None:
    register, log = write_columns(
        tmp_path, {"Transponder": prox, "Feld 7": lambda person: str(9000000 + 37 * int(person.number))}
    )
    made = proposed(tmp_path / "site", register, log, options=ZONE)
    (doubt,) = (each for each in made["doubts"] if each.startswith("files.credentials.columns"))
    assert "'Feld 7' is left out, and 150 of 150 cells look like numbers of cards" in doubt
    assert doubt.endswith("--card 'Feld 7'")
    again = proposed(tmp_path / "again", register, log, options=(*ZONE, "--card", "Feld 7"))
    numbers = tomllib.loads(again["toml"])["files"]["credentials"]["numbers"]
    assert [each["columns"]["value"] for each in numbers] == ["Transponder", "Feld 7"]
    assert again["refused"] is None
