"""Folders of exports as systems of several countries write them: two commands to the verdict that their maker knows.

The exports are invented: headers, words of status, titles and totals are common practice, no source; what must come of
them is worked out here from what was written into them.
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
from tests.test_foreignfolders import WIEGAND
from tests.test_init import doubts, first_result, proposed, table
from tests.workbooks import write_workbook

PEOPLE, READINGS = 80, 480
ZONE = ("--time-zone", "Etc/UTC")
START = datetime(2026, 1, 8, 6)


class Folder(NamedTuple):
    """How a country writes a register and a log, and what the site file must have for it.

    ``words`` are those of status, the first that of active cards; ``foot`` is what stands below the register, with
    braces for the number of its rows.
    """

    register: tuple[str, ...]  # headers of person, name, number, status, first and last day, amount
    log: tuple[str, ...]  # of time (or day and clock), reader and text
    words: dict[str, str]
    day: Callable[[datetime], str]
    time: Callable[[datetime], tuple[str, ...]]
    number: Callable[[int], str]
    text: Callable[[int], str]
    encoding: str
    patterns: tuple[str, str]
    titles: tuple[str, ...] = ()
    foot: tuple[str, ...] = ()
    footer: str = ""
    delimiter: str = ";"
    is_workbook: bool = False


def frame(number: int) -> str:
    return str(encode(WIEGAND, {"facility": 5, "number": number & 0xFFFF}))


FOLDERS = {
    "polish": Folder(
        ("Nr ewid.", "Nazwisko", "Nr karty", "Stan", "Ważna od", "Ważna do", "Saldo"),
        ("Data", "Godzina", "Czytnik", "Kod karty"),
        {"aktywna": "active", "zgubiona": "lost", "zablokowana": "blocked"},
        lambda day: f"{day:%d.%m.%Y}", lambda time: (f"{time:%d.%m.%Y}", f"{time:%H:%M}"), str, "{:08X}".format,
        "cp1250", ("DD.MM.YYYY", "DD.MM.YYYY hh:mm"), titles=("Wykaz kart pracowników", ""),
        foot=("Razem;;{};;;;4 050,00",), footer="Razem",
    ),
    "italian": Folder(
        ("Matricola", "Cognome e nome", "Numero badge", "Stato", "Data inizio", "Data fine", "Costo"),
        ("Data e ora", "Varco", "Lettura"), {"Attivo": "active", "Sospeso": "suspended", "Smarrito": "lost"},
        lambda day: f"{day:%d/%m/%Y}", lambda time: (f"{time:%d/%m/%Y %H.%M.%S}",),
        lambda number: f"{number & 0xFFFF:05d}", frame, "utf-8-sig", ("DD/MM/YYYY", "DD/MM/YYYY hh.mm.ss"),
        foot=("Totale badge: {}", "Stampato il 01/03/2026"), footer="Totale badge",
    ),
    "spanish": Folder(
        ("N.º empleado", "Apellidos", "Tarjeta", "Situación", "Alta", "Baja", "Importe"),
        ("Fecha/hora", "Lector", "Tarjeta leída"), {"Activa": "active", "De baja": "expired", "Extraviada": "lost"},
        lambda day: f"{day:%d/%m/%Y}", lambda time: (f"{time:%d/%m/%Y %H:%M}",), "{:010d}".format, "{:08X}".format,
        "utf-16", ("DD/MM/YYYY", "DD/MM/YYYY hh:mm"), foot=("Total\t\t{}\t\t\t\t",), footer="Total", delimiter="\t",
    ),
    "swedish": Folder(
        ("Anst.nr", "Namn", "Kortnummer", "Status", "Giltig fr.o.m.", "Giltig t.o.m.", "Avgift"),
        ("Tidpunkt", "Läsare", "Kort"), {"Giltig": "active", "Spärrad": "blocked", "Borttappad": "lost"},
        lambda day: f"{day:%Y-%m-%d}", lambda time: (f"{time:%Y-%m-%d %H:%M:%S}",), "{:08X}".format, str, "cp1252",
        ("", "local"), titles=("Kortlista",), foot=("Summa;;{};;;;",), footer="Summa", is_workbook=True,
    ),
    "finnish": Folder(
        ("Henkilönumero", "Nimi", "Kulkukortti", "Tila", "Voimassa alkaen", "Voimassa asti", "Hinta"),
        ("Aika", "Ovi", "Tunniste"), {"voimassa": "active", "kadonnut": "lost", "estetty": "blocked"},
        lambda day: f"{day.day}.{day.month}.{day.year}",
        lambda time: (f"{time.day}.{time.month}.{time.year} {time:%H.%M}",), "{:08X}".format, "{:08X}".format, "cp1252",
        ("D.M.YYYY", "D.M.YYYY hh.mm"), foot=("Yhteensä;{};;;;;",), footer="Yhteensä",
    ),
    "danish": Folder(
        ("Medarbejdernr", "Navn", "Adgangskort", "Tilstand", "Gyldig fra", "Gyldig til", "Beløb"),
        ("Dato", "Klokkeslæt", "Læser", "Kortkode"), {"aktiv": "active", "spærret": "blocked", "tabt": "lost"},
        lambda day: f"{day:%d-%m-%Y}", lambda time: (f"{time:%d-%m-%y}", f"{time:%H.%M}"), "{:010d}".format,
        "{:08X}".format, "cp1252", ("DD-MM-YYYY", "DD-MM-YY hh.mm"),
    ),
    "two-digit years": Folder(
        ("Personalnummer", "Name", "Kartennummer", "Status", "gültig ab", "gültig bis", "Pfand"),
        ("Datum", "Zeit", "Leser", "Karte"), {"aktiv": "active", "ausgeschieden": "expired", "ruhend": "suspended"},
        lambda day: f"{day:%d.%m.%y}", lambda time: (f"{time:%d.%m.%y}", f"{time:%H:%M}"), str, "{:08X}".format,
        "utf-8-sig", ("DD.MM.YY", "DD.MM.YY hh:mm"), foot=("Summe;;{};;;;800,00", ";;;;;;"), footer="Summe",
    ),
    "month first": Folder(
        ("Employee ID", "Name", "Badge Number", "Status", "Activation Date", "Expiration Date", "Deposit"),
        ("Event Time", "Door", "Card Data"), {"Active": "active", "Terminated": "expired", "Lost": "lost"},
        lambda day: f"{day:%m/%d/%Y}", lambda time: (f"{time:%m/%d/%Y} {time.hour % 12 or 12}:{time:%M} {time:%p}",),
        str, "{:08X}".format, "utf-8", ("MM/DD/YYYY", "MM/DD/YYYY h:mm AM"), foot=("Total records: {}",),
        footer="Total records", delimiter=",",
    ),
}  # fmt: skip


def make_numbers() -> list[int]:
    """Numbers that differ in their low 16 bits, too."""
    random = Random(181)
    low = random.sample(range(1, 1 << 16), PEOPLE)
    return [random.randrange(1 << 14, 1 << 16) << 16 | each for each in low]


def write_folder(folder: Path, style: Folder, start: datetime = START) -> tuple[Path, Path, list[str]]:
    """The register, the log, and the status of each person in turn."""
    numbers, words = make_numbers(), [*style.words]
    status = [words[1] if place % 10 == 3 else words[2] if place % 16 == 5 else words[0] for place in range(PEOPLE)]
    rows = [
        [f"{4000 + place}", "Ż" if style.encoding == "cp1250" else "Öå", style.number(numbers[place]), status[place],
         style.day(datetime(2024, 1, 1) + timedelta(days=3 * place)), style.day(datetime(2026, 12, 31)),
         f"{place}.50" if style.delimiter == "," else f"{place},50"]
        for place in range(PEOPLE)
    ]  # fmt: skip
    random = Random(182)
    log = [
        [*style.time(start + timedelta(minutes=17 * place)), ("A", "B")[place % 2], style.text(random.choice(numbers))]
        for place in range(READINGS)
    ]
    foot = [line.format(PEOPLE) for line in style.foot]
    lines = [*style.titles, *map(style.delimiter.join, (style.register, *rows)), *foot]
    if style.is_workbook:
        register = write_workbook(folder / "people.xlsx", {"1": [line.split(style.delimiter) for line in lines]})
    else:
        register = write_lines(folder / "people.csv", lines, style.encoding)
    events = write_lines(folder / "log.csv", [*map(style.delimiter.join, (style.log, *log))], style.encoding)
    return register, events, status


def write_lines(path: Path, lines: Sequence[str], encoding: str) -> Path:
    path.write_bytes(("\r\n".join(lines) + "\r\n").encode(encoding))
    return path


@pytest.mark.parametrize("name", FOLDERS)
def test_two_commands_from_the_exports_of_a_country_to_the_verdict(name: str, tmp_path: Path) -> None:
    style = FOLDERS[name]
    register, log, status = write_folder(tmp_path, style)
    made = proposed(tmp_path / "site", register, log, options=ZONE)
    assert made["refused"] is None
    files = tomllib.loads(made["toml"])["files"]
    credentials, readings = files["credentials"], files["readings"]
    person, _, number, state, begins, ends, _ = style.register
    assert credentials["columns"] | {"credential_id": ""} == {
        "credential_id": "", "person_id": person, "value": number, "status": state, "valid_from": begins,
        "valid_until": ends,
    }  # fmt: skip
    times = [*style.log[:-2]]
    assert readings["columns"] == {
        "time": times if len(times) > 1 else times[0], "reader": style.log[-2], "text": style.log[-1],
    }  # fmt: skip
    assert (credentials.get("date", ""), readings["time"]) == style.patterns
    assert (credentials.get("header_line", 1), credentials.get("footer", "")) == (len(style.titles) + 1, style.footer)
    encoding = style.encoding.removesuffix("-sig")
    assert credentials.get("encoding", encoding) == encoding
    told = doubts(made)
    assert ("files.credentials.footer" in told) is bool(style.footer)
    assert "files.credentials.columns.value" not in told
    assert not any(each.startswith(("files.credentials.words", "kinds", "readers")) for each in told)

    first_result(tmp_path / "site")
    lines = table(tmp_path / "site" / "result" / "crosswalk.csv")
    assert {(line["person"], line["action"]) for line in lines} == {
        (str(4000 + place), "add" if style.words[word] == "active" else "none") for place, word in enumerate(status)
    }
    exceptions = table(tmp_path / "site" / "result" / "exceptions.csv")
    assert {row["code"] for row in exceptions} == {"inactive-read"}
    summary = " ".join((tmp_path / "site" / "result" / "summary.txt").read_text("utf-8").split())
    assert ("of footer, which begins with" in summary) is bool(style.footer)


def test_days_of_the_register_show_which_number_of_a_log_is_the_month(tmp_path: Path) -> None:
    """Readings of the first days of a month read both ways, and turn back in neither."""
    style = FOLDERS["month first"]
    register, log, _ = write_folder(tmp_path, style, datetime(2026, 1, 2, 6))
    made = proposed(tmp_path / "site", register, log, options=ZONE)
    assert tomllib.loads(made["toml"])["files"]["readings"]["time"] == style.patterns[1]
    (doubt,) = (each for each in made["doubts"] if each.startswith("files.readings.time"))
    assert "DD/MM/YYYY h:mm AM" in doubt
    assert "as in the other file" in doubt
