"""Workbooks: a sheet has the rows of a CSV file with the same texts; whatever is no text is told with its cell.

The workbooks are written by XlsxWriter, or their parts by hand from ECMA-376 (Office Open XML), part 1.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit import DefinitionError
from credkit.census import census
from credkit.crosswalk import Crosswalk, crosswalk
from credkit.crosswalk.outputs import encode_outputs
from credkit.files import workbooks
from credkit.files.csvfiles import read_rows
from credkit.files.declaredfiles import CsvFile
from credkit.files.sheetcells import describe_column
from credkit.files.workbooks import load_sheet
from credkit.proposal import propose_site
from credkit.site import load_rows, load_site
from credkit.site.columns import load_frames
from tests.amounts import examples
from tests.sentences import assert_sentence, refusal
from tests.test_extras import without
from tests.test_sitecolumns import TRACK, as_wanted, by_kernel
from tests.workbooks import TITLES, as_workbooks, edit_sheet, write_workbook

EXPORTS = Path(__file__).parent / "exports"
FOREIGN = ("german", "french", "dutch", "english", "own")
HEADER = ["person_id", "credential_id", "kind", "value", "status", "valid_from"]
ROW = ["P-1", "C-1", "card", "01200345", "active", "2026-01-01"]
SITE = """\
[site]
name = "Brackwater Terminal"
time_zone = "Europe/Amsterdam"
as_of = 2026-03-31
[files.credentials]
path = "people.xlsx"
{credentials}
[files.readings]
path = "log.xlsx"
{readings}
[kinds.card]
value = "template:{{facility:03d}}{{number:05d}}"
key = ["facility", "number"]
[readers.gate]
kind = "card"
chain = "hex:8/right-justified:26/wiegand-26"
"""
LOG_HEADER = ["time", "reader", "text"]
LOG_ROW = ["2026-03-10T06:58:00+01:00", "gate", "001802B2"]  # 12 and 345 in 26 bits, by hand


@pytest.fixture(scope="module")
def own() -> Crosswalk:
    return crosswalk(load_site(EXPORTS / "own" / "site.toml"))


def written(result: Crosswalk) -> dict[str, bytes]:
    """The files of a result, as if its inputs were CSV files; without their digests."""
    found = {name: b"".join(pieces) for name, pieces in encode_outputs(result).items()}
    for name in found:
        for file in result.inputs:
            found[name] = found[name].replace(file.sha256.encode(), b"").replace(b".xlsx", b".csv")
    return {name: b" ".join(text.split()) for name, text in found.items()}  # sentences are wrapped by names of files


def make_site(
    folder: Path, people: Any = None, log: Any = None, credentials: str = "", readings: str = ""
) -> Path:  # fmt: skip
    """A site of two workbooks."""
    write_workbook(folder / "people.xlsx", people or {"Personen": [HEADER, ROW]})
    write_workbook(folder / "log.xlsx", log or {"Protokoll": [LOG_HEADER, LOG_ROW]})
    (folder / "site.toml").write_text(SITE.format(credentials=credentials, readings=readings), encoding="utf-8")
    return folder / "site.toml"


def fault(path: Path) -> str:
    """What the rows of a site are refused with, by kernels and by the strict reader alike; it is recorded."""
    with refusal(DefinitionError) as caught:
        load_frames(load_site(path))
    with pytest.raises(DefinitionError) as strict:
        load_rows(load_site(path))
    assert (str(strict.value), strict.value.details) == (str(caught.value), caught.value.details)
    return "\n".join([str(caught.value.args[0]), *caught.value.details])


# ── the same table as CSV and as a sheet ────────────────────────────────────────────────────────


@pytest.mark.parametrize("titles", [(), TITLES])
@pytest.mark.parametrize("name", FOREIGN)
def test_a_sheet_of_texts_gives_the_crosswalk_of_the_csv(
    name: str, titles: tuple[str, ...], own: Crosswalk, tmp_path: Path
) -> None:
    site = load_site(as_workbooks(EXPORTS / name, tmp_path / name, titles=titles))
    assert by_kernel(site) == as_wanted(load_rows(site))  # the kernels need no strict reader for it
    if titles:  # lines are those of the sheet
        read, wanted = as_wanted(load_rows(site)), as_wanted(load_rows(load_site(EXPORTS / "own" / "site.toml")))
        for file, rows in wanted.items():
            assert read[file] == [{**row, "line": row["line"] + len(titles)} for row in rows]
    else:
        assert written(crosswalk(site)) == written(own)


def typed(name: str, cell: str) -> Any:
    """What a spreadsheet makes of the cells of the German export."""
    if name in ("gültig ab", "gültig bis", "Datum") and cell and not cell.endswith("9999"):
        return datetime.strptime(cell, "%d.%m.%Y").date()
    if name == "Uhrzeit":
        return time.fromisoformat(cell)
    if name in ("Ausweisnummer", "Aufdruck") and cell.isdecimal():
        return int(cell), "0" * len(cell)
    return cell


def test_dates_and_padded_numbers_give_the_crosswalk_of_their_texts(own: Crosswalk, tmp_path: Path) -> None:
    site = load_site(as_workbooks(EXPORTS / "german", tmp_path / "german", convert=typed))
    assert by_kernel(site) == as_wanted(load_rows(site))
    assert written(crosswalk(site)) == written(own)


TEXTS = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Cn"], exclude_characters="_"), max_size=8)


@given(rows=st.lists(st.lists(TEXTS, min_size=3, max_size=3).filter(any), max_size=6))
@examples(30)
def test_law_any_texts_are_the_same_rows(rows: list[list[str]], tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = tmp_path_factory.mktemp("law")
    path = write_workbook(folder / "list.xlsx", {"Liste": [["a", "b", "c"], *rows]})
    read = list(read_rows(CsvFile(path=path, name="list.xlsx"), ["c", "a", "b"]))
    assert [cells for _, cells in read] == [[c, a, b] for a, b, c in rows]
    assert [line for line, _ in read] == list(range(2, len(rows) + 2))


# ── what a cell is ──────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("cell", "text"),
    [
        ("007", "007"), (7, "7"), ((7, "000"), "007"), ((7, "0"), "7"), ((1234, "000"), "1234"), ((-7, "000"), "-007"),
        ((7, "000;[Red]-000"), "007"), ((7, '"B"000'), "7"), (0, "0"), (1.5, "1.5"), (0.1, "0.1"),
        (123456789012345, "123456789012345"), (date(2026, 3, 31), "2026-03-31"),
        (datetime(2026, 3, 31, 8, 15), "2026-03-31T08:15:00"),
        (datetime(2026, 3, 31, 8, 15, 1, 250000), "2026-03-31T08:15:01.250"), (time(8, 15), "08:15:00"),
        ((0.34375, "hh:mm"), "08:15"), ((46112.34375, "yyyy-mm-dd"), "2026-03-31T08:15:00"),
        ((46112, "YYYY/MM/DD"), "2026-03-31"), ((46112, "mmm yy"), "2026-03-31"),
        ((46112, "[$-407]d. mmmm yyyy"), "2026-03-31"),
        ((1.125, "[h]:mm:ss"), "27:00:00"), ((46112, '0" days"'), "46112"), (" 7 ", " 7 "), ("=1+1", "=1+1"),
    ],
)  # fmt: skip
def test_the_text_of_a_cell(cell: Any, text: str, tmp_path: Path) -> None:
    # Serial number 46112 is 31 March 2026, counted from 30 December 1899: (date(2026, 3, 31) - date(1899, 12, 30)).
    assert (date(2026, 3, 31) - date(1899, 12, 30)).days == 46112
    sheet = load_sheet(write_workbook(tmp_path / "a.xlsx", {"A": [["x"], [cell]]}), "a.xlsx")
    assert sheet.frame["0"].to_list() == ["x", text]
    assert not sheet.faults


def test_dates_since_1904(tmp_path: Path) -> None:
    path = write_workbook(tmp_path / "a.xlsx", {"A": [["x"], [(44650, "yyyy-mm-dd")]]})
    edit_sheet(path, lambda text: text.replace("<workbookPr ", '<workbookPr date1904="1" '), "xl/workbook.xml")
    assert (date(2026, 3, 31) - date(1904, 1, 1)).days == 44650  # ECMA-376, part 1, 18.17.4.1
    assert load_sheet(path, "a.xlsx").frame["0"].to_list() == ["x", "2026-03-31"]


def test_parts_that_other_programs_write(tmp_path: Path) -> None:
    # Inline texts with runs and their pronunciation, cells and rows without a place, results of formulas, an ISO date.
    rows = (
        '<row><c t="inlineStr"><is><t>a</t></is></c><c t="inlineStr"><is><r><t>b</t></r><r><t>c</t></r>'
        '<rPh sb="0" eb="1"><t>z</t></rPh></is></c></row>'
        '<row r="7"><c r="B7" t="str"><f>A1</f><v>7</v></c><c r="D7" t="d"><v>2026-03-31</v></c></row>'
        '<row r="9"><c t="n"><v>1.5E+3</v></c><c t="n"><f>1+1</f><v>2</v></c></row>'
        '<row><c s="0"/><c><v>3</v></c><c/><c r="D10"><v>4</v></c></row>'  # empty cells count
    )
    path = write_workbook(tmp_path / "a.xlsx", {"A": [["x"]]})
    edit_sheet(path, lambda text: f"{text.partition('<sheetData>')[0]}<sheetData>{rows}</sheetData></worksheet>")
    assert load_sheet(path, "a.xlsx").frame.rows() == [
        (1, "a", "bc", "", ""), (7, "", "7", "", "2026-03-31"), (9, "1500", "2", "", ""),
        (10, "", "3", "", "4"),
    ]  # fmt: skip


def test_numbers_that_may_have_lost_digits_and_those_without_zeros(tmp_path: Path) -> None:
    cells: list[Any] = ["x", 3602879701896397, 1.5, 7, (7, "000"), "3602879701896397", 123456789012345]
    sheet = load_sheet(write_workbook(tmp_path / "a.xlsx", {"A": [[cell] for cell in cells]}), "a.xlsx")
    assert sheet.unsure == ((2, 0), (3, 0))
    assert {place: list(lines) for place, lines in sheet.bare.items()} == {0: [4, 7]}


@pytest.mark.parametrize(("place", "letters"), [(0, "A"), (25, "Z"), (26, "AA"), (701, "ZZ"), (702, "AAA")])
def test_letters_of_columns(place: int, letters: str) -> None:
    assert describe_column(place) == letters


# ── faults, each with its cell ──────────────────────────────────────────────────────────────────


def broken_cells(text: str) -> str:
    """Put an error, and a formula without its result, in place of two cells."""
    text = text.replace('<c r="D2" t="s"><v>9</v></c>', '<c r="D2" t="e"><f>Liste!A1</f><v>#REF!</v></c>')
    return text.replace('<c r="D3" t="s"><v>9</v></c>', '<c r="D3"><f>VLOOKUP(A3,Liste!A:B,2)</f></c>')


def test_cells_that_are_no_text_are_told_all_at_once(tmp_path: Path) -> None:
    rows = [HEADER, ROW, ROW, [*ROW[:4], True, ROW[5]], [*ROW[:5], (3000000, "dd.mm.yyyy")], ["P\n1", *ROW[1:]], ROW]
    site = make_site(tmp_path, {"Personen": rows})
    edit_sheet(tmp_path / "people.xlsx", broken_cells)
    text = fault(site)
    for cell in (
        "column D ('value')",
        "'#REF!'",
        "column E ('status')",
        "'TRUE'",
        "column F ('valid_from')",
        "'Personen'",
    ):
        assert cell in text
    assert [f"line {line}" in text for line in range(2, 8)] == [True, True, True, True, True, False]


def test_one_wrong_cell_is_one_sentence(tmp_path: Path) -> None:
    site = make_site(tmp_path, {"Personen": [HEADER, [*ROW[:4], True, ROW[5]]]})
    assert fault(site).startswith("people.xlsx line 2: the cell in column E ('status') of the sheet 'Personen'")


def test_a_wrong_cell_in_a_column_that_is_left_out_is_no_fault(tmp_path: Path) -> None:
    rows = [[*HEADER, "Saldo"], [*ROW, True]]
    site = load_site(make_site(tmp_path, {"Personen": rows}, credentials="ignore_other_columns = true"))
    assert by_kernel(site) == as_wanted(load_rows(site))
    assert [row.line for row in load_rows(site).credentials] == [2]


def test_a_row_of_nothing_else_is_a_row(tmp_path: Path) -> None:
    rows = [[*HEADER, "Saldo"], [*ROW, "1"], ["", "", "", "", "", "", True]]
    assert "line 3: person_id is empty" in fault(
        make_site(tmp_path, {"Personen": rows}, credentials="ignore_other_columns = true")
    )


def test_merged_cells_are_a_fault_where_rows_need_them(tmp_path: Path) -> None:
    rows = [["Personen"], HEADER, ROW, [*ROW[:2], "", *ROW[3:]], ROW]
    site = make_site(tmp_path, {"Personen": rows}, credentials="header_line = 2")
    merge = '</sheetData><mergeCells count="2"><mergeCell ref="A1:F1"/><mergeCell ref="C3:C4"/></mergeCells>'
    edit_sheet(tmp_path / "people.xlsx", lambda text: text.replace("</sheetData>", merge))
    text = fault(site)
    assert "2 rows: the cell in column C ('kind') of the sheet 'Personen' is merged with others" in text
    assert "1 kind of fault" in text  # that one of them is empty is no other fault


def test_texts_behind_the_header_are_a_fault(tmp_path: Path) -> None:
    assert "line 3" in fault(make_site(tmp_path, {"Personen": [HEADER, ROW, [*ROW, "", "sic"]]}))


def test_empty_rows_and_formatted_ones_are_no_rows(tmp_path: Path) -> None:
    site = make_site(tmp_path, {"Personen": [HEADER, ROW, [""] * 6, [], ROW]})
    rows = '<row r="9" s="1"><c r="A9" s="0"/></row></sheetData>'
    edit_sheet(tmp_path / "people.xlsx", lambda text: text.replace("</sheetData>", rows))
    assert [row.line for row in load_rows(load_site(site)).credentials] == [2, 5]
    assert by_kernel(load_site(site)) == as_wanted(load_rows(load_site(site)))


def test_a_date_in_any_row_needs_no_pattern(tmp_path: Path) -> None:
    rows = [HEADER, ROW, [*ROW[:5], date(2026, 1, 2)], [*ROW[:5], datetime(2026, 1, 3, 23, 59)]]
    log = [LOG_HEADER, [datetime(2026, 3, 10, 6, 58), *LOG_ROW[1:]], ["2026-03-10 06:59:00", *LOG_ROW[1:]]]
    site = load_site(make_site(tmp_path, {"Personen": rows}, {"Protokoll": log}, readings='time = "local"'))
    assert by_kernel(site) == as_wanted(load_rows(site))
    read = load_rows(site)
    assert [row.valid_from for row in read.credentials] == [date(2026, 1, day) for day in (1, 2, 3)]
    # Amsterdam is an hour before UTC on 10 March.
    assert [row.time for row in read.readings] == [datetime(2026, 3, 10, 5, minute, tzinfo=UTC) for minute in (58, 59)]


def test_a_pattern_is_for_the_texts_between_dates(tmp_path: Path) -> None:
    rows = [HEADER, [*ROW[:5], "1.2.2026"], [*ROW[:5], date(2026, 2, 3)], [*ROW[:5], datetime(2026, 2, 4, 12)]]
    log = [LOG_HEADER, [datetime(2026, 3, 10, 6, 58), *LOG_ROW[1:]], ["10.03.2026 06:59", *LOG_ROW[1:]]]
    site = load_site(
        make_site(
            tmp_path, {"A": rows}, {"B": log}, credentials='date = "D.M.YYYY"', readings='time = "DD.MM.YYYY hh:mm"'
        )
    )
    assert by_kernel(site) == as_wanted(load_rows(site))
    assert [row.valid_from for row in load_rows(site).credentials] == [date(2026, 2, day) for day in (1, 3, 4)]
    assert [row.time.minute for row in load_rows(site).readings] == [58, 59]


def test_a_stored_time_without_offset_is_told_as_one(tmp_path: Path) -> None:
    log = [LOG_HEADER, [datetime(2026, 3, 10, 6, 58), *LOG_ROW[1:]]]
    assert 'time = "local"' in fault(make_site(tmp_path, None, {"Protokoll": log}))


@pytest.mark.parametrize(
    "lines",
    [
        'encoding = "cp1252"', 'delimiter = ";"', 'date = "YYYY-DD-MM"', "header_line = 0", 'sheet = "Persone"',
        'sheet = 1',
    ],
)  # fmt: skip
def test_what_a_workbook_has_no_use_for(lines: str, tmp_path: Path) -> None:
    path = make_site(tmp_path, credentials=lines)
    with refusal(DefinitionError):
        load_frames(load_site(path))


def test_a_csv_file_has_no_sheets(tmp_path: Path) -> None:
    path = make_site(tmp_path, credentials='sheet = "Personen"')
    path.write_text(path.read_text(encoding="utf-8").replace("people.xlsx", "people.csv"), encoding="utf-8")
    with refusal(DefinitionError):
        load_site(path)


def test_a_payment_track_in_a_sheet_is_refused(tmp_path: Path) -> None:
    assert "payment track" in fault(make_site(tmp_path, {"A": [HEADER, [*ROW[:3], TRACK, *ROW[4:]]]}))


# ── what the texts do not show ──────────────────────────────────────────────────────────────────


def long_site(folder: Path, cells: list[Any], titles: int = 0) -> Path:
    """A site whose credentials have these values, one each."""
    rows = [[f"P-{n}", f"C-{n}", "card", cell, "active", ""] for n, cell in enumerate(cells)]
    head = [["Personen"]] * titles
    path = make_site(
        folder, {"Personen": [*head, HEADER, *rows], "Archiv": [["x"]]}, credentials=f"header_line = {titles + 1}"
    )
    text = path.read_text(encoding="utf-8").replace("template:{facility:03d}{number:05d}", "template:{number:d}")
    text = text.replace('key = ["facility", "number"]', 'key = ["number"]')
    path.write_text(text.replace("fields", "").replace("wiegand-26", "wiegand-26/select:number"), encoding="utf-8")
    return path


def remarks(path: Path) -> list[str]:
    """The sentences about the sheets of a site; they are recorded."""
    found = list(load_frames(load_site(path)).remarks)
    for text in found:
        assert_sentence(text)
    return found


def test_a_long_number_that_a_sheet_stores_as_one_is_held(tmp_path: Path) -> None:
    # 2^53 + 1 is the first whole number that no double holds (IEEE 754): XlsxWriter itself writes 9007199254740992.
    site = load_site(long_site(tmp_path, [float(2**53 + 1), 3602879701896390, "3602879701896391", 7], titles=2))
    result = crosswalk(site)
    held = {finding.code: sorted(row.line for row in finding.rows) for finding in result.findings}
    assert held["maybe-rounded"] == [4, 5]
    assert any("2 numbers of card may be rounded" in text for text in census(site).unknown)


def test_cells_stored_as_numbers_hidden_rows_and_other_sheets_are_counted(tmp_path: Path) -> None:
    path = long_site(tmp_path, [3602879701896390, 7, 8, (9, "000"), "0007", 1.5])
    edit_sheet(tmp_path / "people.xlsx", lambda text: text.replace('<row r="4"', '<row r="4" hidden="1"'))
    told = remarks(path)
    assert len(told) == 4
    assert "2 cells of value are stored as numbers with more than 15 digits or a fraction (lines 2 and 7)" in told[0]
    assert "2 cells of value are stored as numbers (lines 3 and 4)" in told[1]
    assert "1 row is hidden (line 4), and read as all others" in told[2]
    assert "other sheets are not read: 'Archiv'" in told[3]
    assert [row.line for row in load_rows(load_site(path)).credentials] == [2, 3, 4, 5, 6, 7]


def test_white_space_around_a_number_is_none_of_it(tmp_path: Path) -> None:
    # XML Schema part 2, 4.3.6: of the value of a double, white space is collapsed
    path = make_site(tmp_path, {"Personen": [HEADER, [*ROW[:3], 1200345, *ROW[4:]]]})
    edit_sheet(tmp_path / "people.xlsx", lambda text: text.replace("<v>1200345</v>", "<v>\n 1200345 </v>"))
    assert [row.value for row in load_rows(load_site(path)).credentials] == ["1200345"]


def test_hidden_columns_are_told_and_read(tmp_path: Path) -> None:
    # ECMA-376 part 1, 18.3.1.13: col has the first and the last column that it is about, and whether these are hidden
    path = make_site(tmp_path, {"Personen": [[*HEADER, "", "spare"], ROW]}, credentials="ignore_other_columns = true")
    hidden = '<cols><col min="4" max="4" hidden="1"/><col min="7" max="9" hidden="1"/></cols><sheetData>'
    edit_sheet(tmp_path / "people.xlsx", lambda text: text.replace("<sheetData>", hidden))
    (told,) = remarks(path)
    assert "2 columns are hidden, and read as all others: 'value' and 'spare'" in told
    assert [row.value for row in load_rows(load_site(path)).credentials] == ["01200345"]


def test_dates_between_texts_are_what_a_spreadsheet_of_another_country_leaves(tmp_path: Path) -> None:
    # 03/04/2026, written day first, becomes 4 March where the month stands first; 17/04/2026 stays a text there.
    rows = [HEADER, [*ROW[:5], date(2026, 3, 4)], [*ROW[:5], "17/04/2026"], [*ROW[:5], ""]]
    (told,) = remarks(make_site(tmp_path, {"Personen": rows}, credentials='date = "DD/MM/YYYY"'))
    assert "of valid_from, 1 cell is stored as a date, 1 as a text (line 3)" in told


def test_a_sheet_that_another_file_of_the_site_is_on_is_read(tmp_path: Path) -> None:
    both = {"Personen": [HEADER, ROW], "Protokoll": [LOG_HEADER, LOG_ROW]}
    path = make_site(tmp_path, both, readings='sheet = "Protokoll"')
    path.write_text(path.read_text(encoding="utf-8").replace("log.xlsx", "people.xlsx"), encoding="utf-8")
    assert remarks(path) == []


def test_several_numbers_a_line_are_each_looked_at(tmp_path: Path) -> None:
    rows: list[list[Any]] = [["id", "Prox", "Chip"], ["P-1", "01200345", 1200346], ["P-2", None, "01200347"]]
    numbers = "".join(f'[[files.credentials.numbers]]\ncolumns = {{ value = "{name}" }}\n' for name in ("Prox", "Chip"))
    common = 'columns = { person_id = "id" }\nconstants = { kind = "card", status = "active" }\n'
    path = make_site(tmp_path, {"A": rows}, credentials=f'{common}credential_id = "{{value}}"\n{numbers}')
    site = load_site(path)
    assert by_kernel(site) == as_wanted(load_rows(site))
    assert [row.value for row in load_rows(site).credentials] == ["01200345", "1200346", "01200347"]
    (told,) = remarks(path)
    assert "1 cell of value (column 'Chip') is stored as a number (line 2)" in told


def test_nothing_is_said_of_texts(tmp_path: Path) -> None:
    assert load_frames(load_site(make_site(tmp_path))).remarks == ()


# ── sheets ──────────────────────────────────────────────────────────────────────────────────────


def test_the_first_visible_sheet_is_read_unless_another_is_declared(tmp_path: Path) -> None:
    other = [HEADER, [*ROW[:1], "C-2", *ROW[2:]]]
    path = write_workbook(tmp_path / "a.xlsx", {"Alt": [["x"]], "Neu": [HEADER, ROW], "Mehr": other}, hidden=["Alt"])
    assert load_sheet(path, "a.xlsx").name == "Neu"
    assert load_sheet(path, "a.xlsx", "Mehr").frame["1"].to_list() == ["credential_id", "C-2"]
    assert [tuple(each) for each in load_sheet(path, "a.xlsx").sheets] == [
        ("Alt", True),
        ("Neu", False),
        ("Mehr", False),
    ]


def test_a_workbook_that_changed_is_read_again(tmp_path: Path) -> None:
    assert load_sheet(write_workbook(tmp_path / "a.xlsx", {"A": [["x"]]}), "a.xlsx").frame["0"].to_list() == ["x"]
    assert load_sheet(write_workbook(tmp_path / "a.xlsx", {"A": [["long"]]}), "a.xlsx").frame["0"].to_list() == ["long"]


# ── the line of the header ──────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("declared", ["", "header_line = 2", "header_line = 9"])
def test_a_header_on_another_row_is_found_and_the_rows_below_are_judged(declared: str, tmp_path: Path) -> None:
    rows = [["Brackwater Terminal"], [], [], HEADER, ROW, [*ROW[:4], "lost?", ROW[5]]]
    text = fault(make_site(tmp_path, {"Personen": rows}, credentials=declared))
    assert "header_line = 4 under [files.credentials]" in text
    assert "line 6: status 'lost?'" in text


def test_a_header_on_another_sheet_is_found(tmp_path: Path) -> None:
    people = {"Deckblatt": [["Personen, Stand 31.03.2026"]], "Liste": [["Personen"], HEADER, ROW]}
    assert 'header_line = 2 and sheet = "Liste" under [files.credentials]' in fault(make_site(tmp_path, people))


# ── what is no workbook ─────────────────────────────────────────────────────────────────────────


def compound(part: str, before: int = 1016) -> bytes:
    """The start of a file of the older form, with the entry of a part of it in its directory."""
    # [MS-CFB] 2.2 (header), 2.6.1 (names of 64 bytes in UTF-16, and how many of them are taken): from memory.
    name = part.encode("utf-16-le")
    entry = name.ljust(64, b"\0") + (len(name) + 2).to_bytes(2, "little") + b"\2"
    return bytes.fromhex("D0CF11E0A1B11AE1") + bytes(before) + entry.ljust(128, b"\0")


def package(parts: dict[str, bytes]) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as made:
        for name, data in parts.items():
            made.writestr(name, data)
    return stream.getvalue()


WHOLE: dict[str, Callable[[], bytes]] = {
    "a CSV file": lambda: b"person_id,text\r\nP-1,7\r\n",
    "an empty file": bytes,
    "an old workbook": lambda: compound("Workbook"),
    "an encrypted workbook": lambda: compound("EncryptedPackage"),
    "a text document": lambda: package({"mimetype": b"application/vnd.oasis.opendocument.spreadsheet"}),
    "a binary workbook": lambda: package({"[Content_Types].xml": b"", "xl/workbook.bin": b"\0"}),
    "a strict workbook": lambda: package(
        {"xl/workbook.xml": b'<workbook xmlns="http://purl.oclc.org/ooxml/spreadsheetml/main"/>'}
    ),
    "a workbook without parts": lambda: package({"[Content_Types].xml": b"<Types/>"}),
}


@pytest.mark.parametrize("what", WHOLE)
def test_what_is_no_workbook_is_one_sentence(what: str, tmp_path: Path) -> None:
    path = tmp_path / "a.xlsx"
    path.write_bytes(WHOLE[what]())
    with refusal(DefinitionError):
        load_sheet(path, "a.xlsx")


@pytest.mark.parametrize("cut", [0, 1, 31, 32, 64, 65, 66])
def test_an_encrypted_workbook_is_told_wherever_its_mark_stands(cut: int, tmp_path: Path) -> None:
    path = tmp_path / "a.xlsx"  # it is read in pieces of 1 MiB
    path.write_bytes(compound("EncryptedPackage", (1 << 20) - 8 - cut))
    with pytest.raises(DefinitionError, match="the workbook is encrypted"):
        load_sheet(path, "a.xlsx")


def test_an_old_workbook_with_that_word_in_a_cell_is_not_encrypted(tmp_path: Path) -> None:
    path = tmp_path / "a.xlsx"
    path.write_bytes(compound("Workbook") + "EncryptedPackage".encode("utf-16-le") + b"A\0" * 40)
    with pytest.raises(DefinitionError, match="the workbook has the old form"):
        load_sheet(path, "a.xlsx")


def test_a_missing_workbook_is_one_sentence(tmp_path: Path) -> None:
    with refusal(DefinitionError):
        load_sheet(tmp_path / "none.xlsx", "none.xlsx")


def test_a_workbook_that_swells_is_not_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_workbook(tmp_path / "a.xlsx", {"A": [["x"]]})
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as made:
        made.writestr("xl/more.bin", bytes(1 << 27))
    with refusal(DefinitionError):
        load_sheet(path, "a.xlsx")
    monkeypatch.setattr(workbooks, "LARGEST_UNPACKED_BYTES", 1 << 26)
    with refusal(DefinitionError):
        load_sheet(path, "b.xlsx")


LAUGHS = "".join(f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">' for n in range(1, 10))


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("</sheetData>", ""),
        ("<sheetData>", '<sheetData><row r="x"/>'),
        ("<sheetData>", '<sheetData><row r="2"/><row r="2"/>'),
        ("<sheetData>", '<sheetData><row r="0"/>'),
        ('t="s"><v>0', 't="s"><v>99'),
        ('t="s"><v>0', 't="s"><v>-1'),
        ('t="s"><v>0', 't="s"><v>0_0'),
        ('t="s"><v>0', 't="n"><v>1_4'),
        ('t="s"><v>0', 't="n"><v>\u0661'),
        ('t="s"><v>0', 't="n"><v>1e' + "9" * 30),
        ('<c r="A1"', '<c r="A1"><v>1</v></c><c r="A1"'),
        ('t="s"><v>0', 's="99"><v>0'),
        ('t="s"><v>0', 't="n"><v>nan'),
        ('r="A1"', 'r="1A"'),
        ('r="A1"', 'r="XFD1"'),
        ("</sheetData>", '</sheetData><mergeCells><mergeCell ref="A"/></mergeCells>'),
        ("<worksheet", f'<!DOCTYPE w [<!ENTITY a0 "laugh">{LAUGHS}]><worksheet'),
    ],
)
def test_a_damaged_sheet_is_one_sentence(before: str, after: str, tmp_path: Path) -> None:
    path = write_workbook(tmp_path / "a.xlsx", {"A": [["x"]]})

    def edit(text: str) -> str:
        changed = text.replace(before, after, 1)
        return changed.replace("<sheetData>", "<sheetData>&a9;", 1) if "laugh" in after else changed

    edit_sheet(path, edit)
    rows = read_rows(CsvFile(path=path, name="a.xlsx"), ["x"])
    with refusal(DefinitionError):
        list(rows)


def test_law_a_damaged_package_is_read_or_refused(tmp_path: Path) -> None:
    whole = write_workbook(tmp_path / "a.xlsx", {"A": [["x"], ["y"]]}).read_bytes()
    for place in range(0, len(whole), 37):
        path = tmp_path / f"{place}.xlsx"
        path.write_bytes(whole[:place] + bytes([whole[place] ^ 0x55]) + whole[place + 1 :])
        try:
            list(read_rows(CsvFile(path=path, name="a.xlsx"), ["x"]))
        except DefinitionError:
            continue
    for length in range(0, len(whole), 211):
        path = tmp_path / "short.xlsx"
        path.write_bytes(whole[:length])
        with pytest.raises(DefinitionError):
            list(read_rows(CsvFile(path=path, name="a.xlsx"), ["x"]))


def test_without_the_library_it_is_one_sentence(tmp_path: Path) -> None:
    found = without("openpyxl", "crosswalk", str(make_site(tmp_path)), "--out", "out", home=tmp_path)
    assert found.returncode == 2
    assert "reading a workbook (.xlsx) needs the extra site: pip install 'credkit[site]'" in found.stderr


@pytest.mark.parametrize("name", ["people.csv", "people.xls"])
@pytest.mark.parametrize("what", ["a workbook", "an old workbook"])
def test_a_workbook_with_the_name_of_another_file_is_told(name: str, what: str, tmp_path: Path) -> None:
    site = make_site(tmp_path)
    data = (tmp_path / "people.xlsx").read_bytes() if what == "a workbook" else compound("Workbook")
    (tmp_path / name).write_bytes(data)
    site.write_text(site.read_text(encoding="utf-8").replace("people.xlsx", name), encoding="utf-8")
    assert "not a CSV" in fault(site)
    with refusal(DefinitionError):
        propose_site([tmp_path / name], tmp_path)
