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
