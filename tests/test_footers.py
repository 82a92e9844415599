"""Footers: totals and notes below a table, declared in a site file and proposed by init.

The exports are invented; what must come of them is worked out here from what was written into them. Words of totals are
common practice, no source.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from credkit import DefinitionError
from credkit.files.csvcolumns import NeedsStrictReader, read_frame
from credkit.files.csvfiles import find_footer, read_rows
from credkit.files.declaredfiles import CsvFile
from credkit.proposal.exporttable import read_exports
from credkit.proposal.statuswords import status_meaning
from credkit.site import load_rows, load_site
from tests.test_foreignfolders import ZONE, make_people, prox, write_columns, write_german
from tests.test_init import doubts, first_result, proposed
from tests.workbooks import write_workbook

COLUMNS = ("person", "number")
ROWS = "".join(f"P-{place};{place * 37}\r\n" for place in range(1, 200))


def declare(path: Path, footer: str, encoding: str = "utf-8") -> CsvFile:
    site_key = "{} under [files.credentials]"
    return CsvFile(
        path=path, name=path.name, delimiter=";", header_line=2, footer=footer, encoding=encoding, site_key=site_key
    )


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "utf-16"])
@pytest.mark.parametrize(
    "foot", ["Summe;7\r\n", "Summe: 199\r\n;;;\r\n\r\nSeite 1 von 1", ';"Summe, alle";199\r\n;;\r\n', 'Summe "199\r\n']
)
def test_both_readers_stop_above_the_footer(foot: str, encoding: str, tmp_path: Path) -> None:
    path = tmp_path / "people.csv"
    path.write_bytes(f"Müller GmbH\r\nperson;number\r\n{ROWS}{foot}".encode(encoding))
    file = declare(path, "Summe", encoding)
    wanted = [(place + 2, [f"P-{place}", str(place * 37)]) for place in range(1, 200)]
    assert [*read_rows(file, COLUMNS)] == wanted
    assert read_frame(file, COLUMNS).rows() == [(line, *cells) for line, cells in wanted]
    found = find_footer(file)
    assert found is not None
    assert (found.first, found.last) == (202, 201 + len(foot.splitlines()))


@pytest.mark.parametrize("end", ["", "\n"])
def test_a_blank_line_above_the_footer_lets_no_line_of_it_in(end: str, tmp_path: Path) -> None:
    """Spreadsheets write all delimiters, and the last line may lack its end: it looks like a row."""
    path = tmp_path / "people.csv"
    path.write_text(f"\nperson;number\n{ROWS}\nSumme;199\nStand;2026{end}", encoding="utf-8")
    file = declare(path, "Summe")
    wanted = [*read_rows(file, COLUMNS)]
    assert (len(wanted), wanted[-1]) == (199, (201, ["P-199", str(199 * 37)]))
    assert read_frame(file, COLUMNS).rows() == [(line, *cells) for line, cells in wanted]


def test_a_row_that_begins_with_the_word_far_above_the_end_is_a_row(tmp_path: Path) -> None:
    path = tmp_path / "people.csv"
    path.write_text(f"\nperson;number\nSumme;1\n{ROWS}Summe;2\n", encoding="utf-8")
    rows = [*read_rows(declare(path, "Summe"), COLUMNS)]
    assert (rows[0], len(rows)) == ((3, ["Summe", "1"]), 200)


def test_a_person_with_the_word_as_name_near_the_end_is_a_row_in_both_readers(tmp_path: Path) -> None:
    """Nobody vanishes: rows that fill all columns stand between that person and the totals."""
    path = tmp_path / "people.csv"
    people = ROWS.replace("P-195;", "Summe, Jo;")
    path.write_text(f"\nperson;number\n{people}Summe 199;\n", encoding="utf-8")
    file = declare(path, "Summe")
    rows = [*read_rows(file, COLUMNS)]
    assert [*read_frame(file, COLUMNS).rows()] == [(line, *cells) for line, cells in rows]
    assert (len(rows), rows[194]) == (199, (197, ["Summe, Jo", str(195 * 37)]))


@pytest.mark.parametrize(
    "foot", ["Summe 3;\nSumme 199;\n", "Summe;3\nSumme;199\n", "Summe;3\ndavon gesperrt;2\nSumme;199\n"]
)
def test_a_footer_of_several_totals_begins_with_the_first(foot: str, tmp_path: Path) -> None:
    path = tmp_path / "people.csv"
    path.write_text(f"\nperson;number\n{ROWS}{foot}", encoding="utf-8")
    assert len([*read_rows(declare(path, "Summe"), COLUMNS)]) == 199


def test_a_footer_that_is_missing_is_refused_by_both_readers(tmp_path: Path) -> None:
    path = tmp_path / "people.csv"
    path.write_text(f"\nperson;number\n{ROWS}", encoding="utf-8")
    file = declare(path, "Summe")
    with pytest.raises(
        DefinitionError, match=r"none of the last lines begins with 'Summe'.*take out footer = \"Summe\""
    ):
        [*read_rows(file, COLUMNS)]
    with pytest.raises(NeedsStrictReader):
        read_frame(file, COLUMNS)


@pytest.mark.parametrize("above", [b"M\xfcller GmbH", b"a\0b", b"a\rb"])
def test_lines_above_the_header_are_refused_by_both_readers_where_they_are_no_text(
    above: bytes, tmp_path: Path
) -> None:
    path = tmp_path / "people.csv"
    path.write_bytes(above + b"\nperson;number\n" + ROWS.encode())
    with pytest.raises(DefinitionError):
        [*read_rows(declare(path, ""), COLUMNS)]
    with pytest.raises(NeedsStrictReader):
        read_frame(declare(path, ""), COLUMNS)


TOTALS = {
    "word": "Summe;;150\r\n",
    "word and nothing else": "Gesamt: 150;;\r\nErstellt am 01.03.2026;;\r\n;;\r\n",
    "Dutch, fewer cells": "\r\nTotaal 150\r\n",
    "count without a word": ";;150\r\n",
    "note": "Erstellt am 01.03.2026\r\n",
}


@pytest.mark.parametrize("name", TOTALS)
def test_a_footer_is_proposed_and_never_a_credential(name: str, tmp_path: Path) -> None:
    register, log = write_columns(tmp_path, {"Status": lambda person: "aktiv", "Transponder": prox})
    register.write_text(register.read_text("utf-8") + TOTALS[name], "utf-8")
    made = proposed(tmp_path / "site", register, log, options=ZONE)
    credentials = tomllib.loads(made["toml"])["files"]["credentials"]
    assert credentials["footer"] == {"word": "Summe", "word and nothing else": "Gesamt", "Dutch, fewer cells": "Totaal",
                                     "count without a word": "150", "note": "Erstellt"}[name]  # fmt: skip
    (doubt,) = (each for each in made["doubts"] if each.startswith("files.credentials.footer"))
    assert re.search("lines? 15[23]", doubt)
    assert "not read" in doubt
    assert made["refused"] is None
    rows = load_rows(load_site(tmp_path / "site" / "site.toml")).credentials
    assert len(rows) == sum(person.prox is not None for person in make_people()) or len(rows) == 150
    assert {row.status for row in rows} == {"active"}
    first_result(tmp_path / "site")
    summary = (tmp_path / "site" / "result" / "summary.txt").read_text("utf-8")
    assert "not read" in " ".join(summary.split())


def test_a_list_without_a_footer_gets_none(tmp_path: Path) -> None:
    register, log = write_german(tmp_path)
    made = proposed(tmp_path / "site", register, log, options=ZONE)
    assert "footer" not in made["toml"]


@pytest.mark.parametrize("first", [0, 1])
@pytest.mark.parametrize("prefix", ["", "C-"])
def test_a_last_row_with_few_cells_is_no_footer_where_rows_are_numbered(
    prefix: str, first: int, tmp_path: Path
) -> None:  # fmt: skip
    """Numbered from 0, the last row has the count of the rows above, as a footer may have."""
    path = tmp_path / "people.csv"
    rows = [[f"{prefix}{place}", f"Person {place}", f"{7000 + place}", "x"] for place in range(first, first + 40)]
    rows[-1][1:] = ["", "7999", ""]
    path.write_text("\n".join(";".join(row) for row in [["Nr", "Name", "Karte", "Notiz"], *rows]), encoding="utf-8")
    (table,) = read_exports(path)
    assert (table.rows, table.doubts.get("footer")) == (40, None)


def test_a_person_whose_name_is_a_word_of_totals_is_a_row_of_a_numbered_list(tmp_path: Path) -> None:
    path = tmp_path / "people.csv"
    rows = [["Name", "Nr", "Karte", "Notiz"], *([f"Person {n}", f"{n}", f"{7000 + n}", "x"] for n in range(1, 40))]
    rows.append(["Som Chai", "40", "7999", ""])
    path.write_text("\n".join(map(";".join, rows)), encoding="utf-8")
    (table,) = read_exports(path)
    assert (table.rows, table.doubts.get("footer")) == (40, None)


def test_a_sheet_has_a_footer_too(tmp_path: Path) -> None:
    register, log = write_columns(tmp_path, {"Status": lambda person: "aktiv", "Transponder": prox})
    rows = [line.split(";") for line in register.read_text("utf-8").splitlines()]
    book = write_workbook(tmp_path / "people.xlsx", {"Liste": [*rows, ["Anzahl", "", 150], ["Seite 1"]]})
    made = proposed(tmp_path / "site", book, log, options=ZONE)
    assert tomllib.loads(made["toml"])["files"]["credentials"]["footer"] == "Anzahl"
    assert "files.credentials.footer" in doubts(made)
    assert made["refused"] is None
    first_result(tmp_path / "site")
    assert "lines 152-153" in " ".join((tmp_path / "site" / "result" / "summary.txt").read_text("utf-8").split())


@pytest.mark.parametrize(
    ("word", "meaning"),
    [("ausgeschieden", "expired"), ("ruhend", "suspended"), ("zgubiona", "lost"), ("spærret", "blocked"),
     ("Attivo", "active"), ("voimassa", "active"), ("perdida", "lost"), ("in Klärung", None)],
)  # fmt: skip
def test_words_of_status_in_twelve_languages(word: str, meaning: str | None) -> None:
    assert status_meaning(word) == meaning
