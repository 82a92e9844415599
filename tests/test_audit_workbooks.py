"""Audits of workbooks: the same counts as of a CSV file with the same texts, and how files are called."""

from __future__ import annotations

import zipfile
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from credkit import DefinitionError, chain
from credkit.audit import Audit, AuditPlan, Clock, ColumnNames, audit
from credkit.crosswalk import crosswalk
from credkit.site import load_site
from credkit.work.filelines import NO_LINES
from tests.commandline import run
from tests.sentences import refusal
from tests.test_workbooks import EXPORTS, LOG_HEADER, LOG_ROW, make_site
from tests.workbooks import as_workbooks, edit_sheet, write_workbook

GATES = "hex:8/right-justified:26/wiegand-26"
GOOD, BAD = "001802B2", "001802B3"  # 12 and 345 in 26 bits, by hand; and its last parity bit inverted


def audit_site(site: Path) -> Audit:
    described = load_site(site)
    file = described.readings
    clock = Clock(described.zone, local=file.has_local_times, pattern=file.mapping.time_pattern)
    return audit([file.path], AuditPlan(columns=ColumnNames(), clock=clock, site=described))


def audit_log(path: Path, rows: list[list[Any]]) -> Audit:
    write_workbook(path, {"Log": rows})
    clock = Clock(UTC, either=True)
    return audit([path], AuditPlan(columns=ColumnNames(), clock=clock, codec=chain(GATES)))


def counts(found: Audit) -> list[Any]:
    """All counts of an audit, without the names and bytes of its files."""
    files = [(each.rows, each.good, each.failing, each.unreadable) for each in found.files]
    work = [replace(item, rows=NO_LINES, evidence="", title="", subject="") for item in found.work]
    return [files, found.readers, found.chains, found.blind, found.register, work]


def test_a_workbook_gives_the_audit_of_the_csv(tmp_path: Path) -> None:
    wanted = audit_site(EXPORTS / "own" / "site.toml")
    found = audit_site(as_workbooks(EXPORTS / "own", tmp_path / "own"))
    assert found.files[0].name == "readings.xlsx"
    assert counts(found) == counts(wanted)
    assert found.rows > 0


def test_every_row_of_a_sheet_is_in_one_place(tmp_path: Path) -> None:
    when = "2026-03-10T06:58:00+01:00"
    rows: list[list[Any]] = [
        LOG_HEADER, [when, "gate", GOOD], [when, "gate", BAD], [], [when, "gate", True], [None, "gate", GOOD],
        [when, "gate", GOOD, "", "behind"], [when, "gate", GOOD],
    ]  # fmt: skip
    found = audit_log(tmp_path / "log.xlsx", rows)
    (file,) = found.files
    assert (file.rows, file.good, file.failing, file.unreadable) == (6, 2, 1, 3)
    name = tmp_path / "log.xlsx"
    boolean, empty, behind = file.faults
    assert boolean.startswith(f"{name} row 5: the cell in column C ('text') of the sheet 'Log' is ")
    assert empty.startswith(f"{name} row 6: ")
    assert behind == f"{name} row 7: the row has 5 cells, expected 3"
    assert not file.ended


def test_a_cell_without_a_text_counts_where_its_column_is_read(tmp_path: Path) -> None:
    when = "2026-03-10T06:58:00+01:00"
    found = audit_log(tmp_path / "log.xlsx", [[*LOG_HEADER, "door"], [when, "gate", GOOD, True], [when, "gate", GOOD]])
    assert (found.rows, found.good) == (2, 2)


def test_times_are_read_as_cells_store_them(tmp_path: Path) -> None:
    at = datetime(2026, 3, 10, 6, 58)
    found = audit_log(tmp_path / "log.xlsx", [LOG_HEADER, [at, "gate", GOOD]])
    assert [reader.first for reader in found.readers] == [at.replace(tzinfo=UTC)]


def test_failing_rows_of_a_sheet_are_listed_by_their_rows(tmp_path: Path) -> None:
    when = "2026-03-10T06:58:00+01:00"
    path = write_workbook(tmp_path / "log.xlsx", {"Log": [LOG_HEADER, [when, "gate", GOOD], [], [when, "gate", BAD]]})
    done = run("audit", str(path), "--chain", GATES, "--failures", str(tmp_path / "failing.csv"))
    assert done.exit_code == 1
    assert (tmp_path / "failing.csv").read_text().splitlines()[1].split(",")[1:4:2] == ["4", "gate"]


def test_the_sheet_and_header_line_that_the_site_declares_are_read(tmp_path: Path) -> None:
    log = {"Deckblatt": [["Brackwater Terminal"]], "Protokoll": [["Stand"], LOG_HEADER, LOG_ROW, LOG_ROW]}
    site = make_site(tmp_path, log=log, readings='sheet = "Protokoll"\nheader_line = 2')
    found = audit_site(site)
    assert (found.files[0].name, found.rows, found.good) == ("log.xlsx", 2, 2)


def test_an_audit_counts_the_lines_of_a_footer(tmp_path: Path) -> None:
    log = {"Protokoll": [LOG_HEADER, LOG_ROW, LOG_ROW, ["", "Summe", "2"]]}
    site = make_site(tmp_path, log=log, readings='footer = "Summe"')
    found = audit_site(site)
    assert (found.rows, found.good) == (3, 2)


@pytest.mark.parametrize("rows", [[], [["Stand"]], [["time", "reader", "txet"]]])
def test_a_sheet_without_the_columns_is_refused(rows: list[list[str]], tmp_path: Path) -> None:
    with pytest.raises(DefinitionError, match=r"log\.xlsx"):
        audit_log(tmp_path / "log.xlsx", rows)


def test_a_damaged_workbook_is_refused_in_words(tmp_path: Path) -> None:
    path = edit_sheet(write_workbook(tmp_path / "log.xlsx", {"Log": [LOG_HEADER]}), lambda text: text[:-30])
    with pytest.raises(DefinitionError, match="a part of it is not well-formed XML"):
        audit([path], AuditPlan(columns=ColumnNames(), clock=Clock(UTC), codec=chain(GATES)))


def test_a_workbook_without_its_sheet_is_refused_in_words(tmp_path: Path) -> None:
    path = write_workbook(tmp_path / "log.xlsx", {"Log": [LOG_HEADER]})
    with zipfile.ZipFile(path) as package:
        parts = {name: package.read(name) for name in package.namelist()}
    with zipfile.ZipFile(path, "w") as package:
        for name, data in parts.items():
            if not name.startswith("xl/worksheets/"):
                package.writestr(name, data)
    data = path.read_bytes()
    site = make_site(tmp_path)
    path.write_bytes(data)
    with refusal(DefinitionError) as caught:
        audit_site(site)
    assert "Error" not in str(caught.value)


def test_a_file_is_called_as_the_crosswalk_calls_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "hafen"
    folder.mkdir()
    site = make_site(folder)
    (folder / "log.xlsx").rename(tmp_path / "leser.xlsx")
    site.write_text(site.read_text().replace('"log.xlsx"', '"../leser.xlsx"'))
    found, walked = audit_site(site), crosswalk(load_site(site))
    assert [file.name for file in found.files] == ["../leser.xlsx"]
    assert {file.name for file in walked.inputs} == {"site.toml", "people.xlsx", "../leser.xlsx"}
    monkeypatch.chdir(tmp_path)
    done = run("audit", "--site", "hafen/site.toml", "--report", "page.html")
    page = (tmp_path / "page.html").read_text()
    assert done.exit_code == 0
    assert "../leser.xlsx" in page
    assert "hafen/" not in page
    assert all(f">{name}" in page for name in ("site.toml", "people.xlsx"))
    other = write_workbook(tmp_path / "april.xlsx", {"Log": [LOG_HEADER, LOG_ROW]})
    described = load_site(site)
    plan = AuditPlan(columns=ColumnNames(), clock=Clock(described.zone), site=described)
    assert [file.name for file in audit([other], plan).files] == [str(other)]  # none of the site: as it was given
