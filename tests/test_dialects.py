"""Tables for spreadsheets, read by readers that are not ours: the same rows, and no number of a card is converted.

XLSX files are read by openpyxl, CSV files by Python's csv and by Polars, whose inference of types stands for that of a
spreadsheet: it takes less for numbers and dates than a spreadsheet does.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
import shutil
from collections.abc import Iterator, Sequence
from datetime import UTC
from itertools import cycle, islice
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import openpyxl
import polars as pl
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from credkit import DefinitionError, chain
from credkit.audit import AuditPlan, Clock, ColumnNames, audit
from credkit.census import AllocationRequest, census, write_census
from credkit.crosswalk import Crosswalk, compare_runs, read_run, write_outputs
from credkit.demo import Demo
from credkit.files import spreadsheets
from credkit.files.csvtables import CsvTable, FilledTable, split_rows
from credkit.files.dialects import DIALECTS, PLAIN, Dialect
from credkit.files.outputs.marks import FOLDER_MARK
from credkit.files.spreadsheets import encode_table, guard_texts
from credkit.site import load_site
from tests.brackwater import shown
from tests.commandline import CHAIN, GOOD, run
from tests.sentences import refusal
from tests.test_csvtables import TEXTS

SHEETS = [dialect for dialect in DIALECTS.values() if dialect != PLAIN]
NUMBERS = ["0012", "88-00999", "04112233445566", "9007199254740993", "1E5", "-7", "+4", "1,5", "1.5", "12:30", "2-11"]
DAYS = [
    "2026-03-14",
    "14.3.2026",
    "3/14",
    "Mar 14",
    "SEP2",
    "1 2/3",
    "10:30 PM",
    "50%",
    "€ 12",
    "(12)",
    "true",
    "FALSE",
]
WORDS = ["", "C-1", "P-12", "hex:8", "a;b", 'say "x"', "two\nlines", "'quoted' text", "3 rows are held, look", "-", "é"]
CELLS = TEXTS | st.sampled_from([*NUMBERS, *DAYS, *WORDS])
STEMS = ("crosswalk", "exceptions", "findings", "readiness")
ESCAPED = re.compile("_x([0-9A-Fa-f]{4})_")  # ECMA-376 part 1, 22.9.2.19: a character of a text in XML


def filled(rows: Sequence[Sequence[object]], width: int) -> FilledTable:
    columns = tuple(f"column {place}" for place in range(width))
    table = CsvTable(columns=columns, unmasked=columns)
    return FilledTable(table=table, blocks=lambda: split_rows(rows))


def encoded(table: FilledTable, dialect: Dialect) -> bytes:
    with TemporaryDirectory() as folder:
        return b"".join(encode_table(table, dialect, lambda: Path(folder)))


def plain_rows(data: bytes, delimiter: str = ",") -> list[list[str]]:
    return [*csv.reader(io.StringIO(data.decode("utf-8-sig"), newline=""), delimiter=delimiter)]


def unescaped(text: str) -> str:
    return ESCAPED.sub(lambda found: chr(int(found[1], 16)), text)


def sheet_rows(data: bytes) -> list[list[str]]:
    """The cells of all sheets as texts, with one header."""
    rows: list[list[str]] = []
    for sheet in openpyxl.load_workbook(io.BytesIO(data)).worksheets:
        here = [["" if cell is None else unescaped(str(cell)) for cell in row] for row in sheet.values]
        assert not rows or here[0] == rows[0]
        rows += here[bool(rows) :]
    return rows


def read_back(data: bytes, dialect: Dialect) -> list[list[str]]:
    return sheet_rows(data) if dialect.delimiter is None else plain_rows(data, dialect.delimiter)


def without_guard(rows: list[list[str]]) -> list[list[str]]:
    return [[cell.removeprefix("'") for cell in row] for row in rows]


@pytest.mark.parametrize("dialect", SHEETS, ids=lambda dialect: dialect.name)
@given(drawn=st.integers(1, 4).flatmap(lambda width: st.lists(st.tuples(*[CELLS] * width), min_size=1, max_size=6)))
@example(drawn=[("0012", "=1+1"), ("a\rb", 'x"; \t=1')])
@example(drawn=[("_x0041_", "\ufffe"), ("\0", "\x1b")])
def test_any_table_is_read_back_as_the_plain_one(dialect: Dialect, drawn: list[tuple[str, ...]]) -> None:
    table = filled(drawn, len(drawn[0]))
    plain = plain_rows(b"".join(table.encode()))
    data = encoded(table, dialect)
    found = read_back(data, dialect)
    assert len(found) == len(drawn) + 1
    if dialect.delimiter is None:
        assert found == plain
        return
    assert without_guard(found) == without_guard(plain)
    frame = pl.read_csv(data, separator=dialect.delimiter, infer_schema=False, has_header=False).fill_null("")
    assert [list(row) for row in frame.rows()] == found


def is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return "nan" not in text.lower() and "inf" not in text.lower()


@given(st.lists(CELLS | st.from_regex(r"[ +-]?[0-9]{1,20}([.,eE/:-][0-9]{1,4}){0,2} ?", fullmatch=True), min_size=1))
def test_what_python_or_polars_take_for_a_number_or_a_day_is_guarded(texts: list[str]) -> None:
    for text, guarded in zip(texts, guard_texts(pl.Series([*map(printable, texts)])).to_list(), strict=True):
        assert guarded in (printable(text), f"'{printable(text)}")
        if is_number(printable(text)):
            assert guarded.startswith("'")
        if guarded:
            data = f'text\n"{guarded.replace(chr(34), chr(34) * 2)}"\n'.encode()
            assert pl.read_csv(data, try_parse_dates=True, quote_char='"').dtypes == [pl.String]


def printable(text: str) -> str:
    return text.encode("utf-8", "backslashreplace").decode()


@pytest.mark.parametrize("text", [*NUMBERS, *DAYS])
def test_numbers_and_days_are_guarded(text: str) -> None:
    """What a spreadsheet converts when it opens a file: common practice, no source."""
    assert guard_texts(pl.Series([text])).item() == f"'{text}"


@pytest.mark.parametrize("text", [*WORDS, "2026-03-14T12:00:00+01:00", "'0012"])
def test_texts_and_times_with_an_offset_are_not(text: str) -> None:
    assert guard_texts(pl.Series([text])).item() == text


@pytest.mark.parametrize("dialect", SHEETS, ids=lambda dialect: dialect.name)
def test_counts_are_numbers_as_far_as_a_spreadsheet_keeps_their_digits(dialect: Dialect) -> None:
    counts = [7, -7, 999_999_999_999_999, 1_000_000_000_000_000, None]
    data = encoded(filled([(count, "x") for count in counts], 2), dialect)
    if dialect.delimiter is None:
        _, *rows = openpyxl.load_workbook(io.BytesIO(data)).worksheets[0].values
        assert [row[0] for row in rows] == [7, -7, 999_999_999_999_999, "1000000000000000", None]
    else:
        _, *found = read_back(data, dialect)
        assert [row[0] for row in found] == ["7", "-7", "999999999999999", "'1000000000000000", ""]


def test_numbers_in_a_sheet_are_texts_that_stay_texts() -> None:
    data = encoded(filled([(text,) for text in NUMBERS], 1), DIALECTS["xlsx"])
    _, *rows = openpyxl.load_workbook(io.BytesIO(data)).worksheets[0].iter_rows()
    assert [(cell.value, cell.data_type, cell.number_format) for (cell,) in rows] == [
        (text, "s", "@") for text in NUMBERS
    ]


def test_csv_files_begin_with_a_byte_order_mark_and_only_there() -> None:
    rows = [(str(place),) for place in range(10_000)]
    for dialect in SHEETS[:3]:
        data = encoded(filled(rows, 1), dialect)
        assert data.startswith(b"\xef\xbb\xbfcolumn 0\n")
        assert data.count(b"\xef\xbb\xbf") == 1


def test_a_full_sheet_is_followed_by_another(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spreadsheets, "MOST_ROWS", 4)
    rows = [(place, f"C-{place}") for place in range(7)]
    data = encoded(filled(rows, 2), DIALECTS["xlsx"])
    assert [len([*sheet.values]) for sheet in openpyxl.load_workbook(io.BytesIO(data)).worksheets] == [4, 4, 2]
    assert sheet_rows(data) == [["column 0", "column 1"], *([str(place), text] for place, text in rows)]


def test_columns_are_as_wide_as_what_they_hold_and_rows_can_be_chosen(monkeypatch: pytest.MonkeyPatch) -> None:
    """As another library reads it; no row of a second sheet makes the columns of the first wider."""
    monkeypatch.setattr(spreadsheets, "MOST_ROWS", 3)
    rows = [("C-1", "x" * 20), ("C-2", "x" * 500), ("Brackwater", None)]
    one, two = openpyxl.load_workbook(io.BytesIO(encoded(filled(rows, 2), DIALECTS["xlsx"]))).worksheets
    assert [round(one.column_dimensions[name].width) for name in "AB"] == [12, 61]  # 11 of "column 0" and a button
    assert [round(two.column_dimensions[name].width) for name in "AB"] == [12, 61]
    assert [(sheet.auto_filter.ref, sheet.freeze_panes) for sheet in (one, two)] == [("A1:B3", "A2"), ("A1:B2", "A2")]


def test_a_sheet_holds_as_many_rows_as_one_can() -> None:
    """Of XLSX, from memory: 1,048,576 rows, and 32,767 characters a cell, of UTF-16."""
    assert (spreadsheets.MOST_ROWS, spreadsheets.MOST_CHARACTERS) == (1_048_576, 32_767)


@pytest.mark.parametrize("char", ["x", "𝟒"])
def test_a_text_that_a_cell_cannot_hold_says_so(char: str) -> None:
    size = 32_767 // len(char.encode("utf-16-le")) * 2
    whole, long = char * (size if char == "x" else 16_383), char * 33_000
    (_, *found) = sheet_rows(encoded(filled([(whole,), (long,)], 1), DIALECTS["xlsx"]))
    assert found[0] == [whole]
    kept, told = found[1][0].split("…")
    assert set(kept) == {char}
    assert len(found[1][0].encode("utf-16-le")) // 2 <= 32_767
    assert told == f" ({33_000 - len(kept):,} more characters are in the plain table, a CSV file)"


@pytest.mark.parametrize("dialect", SHEETS, ids=lambda dialect: dialect.name)
def test_the_same_table_is_the_same_bytes(dialect: Dialect) -> None:
    table = filled([*islice(zip(cycle(NUMBERS), cycle(WORDS), strict=False), 500)], 2)
    first, second = encoded(table, dialect), encoded(table, dialect)
    assert first == second


# ── commands ────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("dialect", SHEETS, ids=lambda dialect: dialect.name)
def test_a_crosswalk_has_its_tables_twice_and_is_compared_as_ever(
    dialect: Dialect, demo_crosswalk: Crosswalk, tmp_path: Path
) -> None:
    write_outputs(demo_crosswalk, tmp_path / "plain")
    write_outputs(demo_crosswalk, tmp_path / "twice", dialect)
    plain = shown(demo_crosswalk)
    assert {name: (tmp_path / "twice" / name).read_bytes().decode() for name in plain} == plain
    more = [dialect.rename(f"{stem}.csv") for stem in STEMS]
    assert sorted(path.name for path in (tmp_path / "twice").iterdir()) == sorted([*plain, *more, FOLDER_MARK])
    for name, stem in zip(more, STEMS, strict=True):
        found = read_back((tmp_path / "twice" / name).read_bytes(), dialect)
        assert without_guard(found) == without_guard(plain_rows(plain[f"{stem}.csv"].encode()))
    digests = (tmp_path / "twice" / FOLDER_MARK).read_text()
    for name in more:
        assert f"{hashlib.sha256((tmp_path / 'twice' / name).read_bytes()).hexdigest()}  {name}\n" in digests
    assert compare_runs(read_run(tmp_path / "plain"), read_run(tmp_path / "twice")).is_same
    write_outputs(demo_crosswalk, tmp_path / "twice")  # in place of what has other files
    assert sorted(path.name for path in (tmp_path / "twice").iterdir()) == sorted([*plain, FOLDER_MARK])


def test_a_crosswalk_in_a_dialect_leaves_nothing_behind(
    demo_crosswalk: Crosswalk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_outputs(demo_crosswalk, tmp_path / "out", DIALECTS["xlsx"])
    assert [path.name for path in tmp_path.iterdir()] == ["out"]
    write_outputs(demo_crosswalk, tmp_path / "out", DIALECTS["spreadsheet-tab"])
    finish = spreadsheets.XlsxEncoder.finish

    def fail(encoder: spreadsheets.XlsxEncoder) -> Iterator[bytes]:
        yield from finish(encoder)
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(spreadsheets.XlsxEncoder, "finish", fail)
    with refusal(DefinitionError):
        write_outputs(demo_crosswalk, tmp_path / "out", DIALECTS["xlsx"])
    assert [path.name for path in tmp_path.iterdir()] == ["out"]
    assert (tmp_path / "out" / "crosswalk-spreadsheet.tsv").is_file()


@pytest.fixture
def site_folder(demo: Demo, tmp_path: Path) -> Path:
    """A copy of the demo's files, whose site file declares a dialect."""
    folder = tmp_path / "site"
    folder.mkdir()
    for path in demo.folder.iterdir():
        if path.suffix in (".csv", ".toml"):
            shutil.copyfile(path, folder / path.name)
    toml = folder / "site.toml"
    toml.write_text(f'{toml.read_text()}\n[output]\ndialect = "spreadsheet-semicolon"\n')
    return folder


def test_a_census_by_the_setting_of_its_site(site_folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "census"
    done = run("census", str(site_folder / "site.toml"), "--out", str(out), "--allocate", "3", "--facility", "12")
    assert "\nFor a spreadsheet: duplicates-spreadsheet.csv, reissue-spreadsheet.csv," in done.stdout
    tables = [path for path in out.glob("*.csv") if not path.stem.endswith("-spreadsheet")]
    assert len(tables) == 6
    for path in tables:
        found = plain_rows((out / f"{path.stem}-spreadsheet.csv").read_bytes(), ";")
        assert without_guard(found) == without_guard(plain_rows(path.read_bytes()))
    _, first, *_ = plain_rows((out / "allocation-spreadsheet.csv").read_bytes(), ";")
    assert first[1:3] == ["'12", "'1"]  # a facility code and a card number are texts
    write_census(census(load_site(site_folder / "site.toml")), out)
    assert not [path.name for path in out.iterdir() if "spreadsheet" in path.name]
    asked = AllocationRequest(count=3, facility=12)
    write_census(census(load_site(site_folder / "site.toml"), wanted=asked), out, DIALECTS["xlsx"])
    assert sheet_rows((out / "allocation.xlsx").read_bytes()) == plain_rows((out / "allocation.csv").read_bytes())


def test_an_option_is_stronger_than_the_setting(site_folder: Path, tmp_path: Path) -> None:
    site, out = site_folder / "site.toml", tmp_path / "failing.csv"
    assert load_site(site).dialect == DIALECTS["spreadsheet-semicolon"]
    done = run("audit", "--site", str(site), "--failures", str(out), "--dialect", "xlsx")
    assert f"Written:{out},{tmp_path}/failing.xlsx." in "".join(done.stdout.split())  # wrapped
    assert sheet_rows((tmp_path / "failing.xlsx").read_bytes()) == plain_rows(out.read_bytes())
    run("audit", "--site", str(site), "--failures", str(tmp_path / "other.csv"), "--dialect", "plain")
    names = {path.name for path in tmp_path.iterdir() if not path.name.startswith(".")}
    assert names == {"site", "failing.csv", "failing.xlsx", "other.csv"}


def test_an_audit_in_python(tmp_path: Path) -> None:
    plan = AuditPlan(columns=ColumnNames(), clock=Clock(UTC), codec=chain(CHAIN))
    path = tmp_path / "reads.csv"
    path.write_text(f"time,reader,text\n2026-03-14T12:00:00Z,gate,{GOOD}\n2026-03-14T12:00:00Z,gate,0012\n")
    audit([path], plan, failures=tmp_path / "failing.csv", dialect=DIALECTS["spreadsheet-tab"])
    found = plain_rows((tmp_path / "failing-spreadsheet.tsv").read_bytes(), "\t")
    assert without_guard(found) == without_guard(plain_rows((tmp_path / "failing.csv").read_bytes()))
    assert "'0012" in found[1]


@pytest.mark.parametrize(
    "args",
    [
        ("audit", "--chain", CHAIN, "reads.csv", "--dialect", "xlsx"),
        ("audit", "--chain", CHAIN, "reads.csv", "--failures", "failing.xlsx", "--dialect", "xlsx"),
        ("census", "site.toml", "--dialect", "xlsx"),
        ("crosswalk", "site.toml", "--out", "x", "--dialect", "spreadsheet"),
    ],
)
def test_what_cannot_be(args: tuple[str, ...], site_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(site_folder)
    Path("reads.csv").write_text(f"time,reader,text\n2026-03-14T12:00:00Z,gate,{GOOD}\n")
    before = sorted(path.name for path in site_folder.iterdir())
    done: Any = run(*args)
    assert (done.exit_code, done.stdout) == (2, "")
    assert "dialect" in done.stderr
    assert sorted(path.name for path in site_folder.iterdir()) == before


def test_a_dialect_that_nobody_knows(site_folder: Path) -> None:
    toml = site_folder / "site.toml"
    toml.write_text(toml.read_text().replace("spreadsheet-semicolon", "spreadsheet-semikolon"))
    with refusal(DefinitionError):
        load_site(toml)
