"""The CSV files of a site: read exactly as declared, every fault in a file one sentence with its line."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit import DefinitionError
from credkit.files.csvcolumns import read_frame
from credkit.files.csvfiles import read_rows
from credkit.files.declaredfiles import CsvFile
from credkit.site.rows import (
    CREDENTIALS,
    READINGS,
    describe_white_space,
    read_credentials,
    read_existing,
    read_list,
    read_readings,
)
from tests.sentences import refusal

AMSTERDAM = ZoneInfo("Europe/Amsterdam")
HEAD = "person_id,credential_id,kind,value,printed,issue,status,valid_from,valid_until,replaces,source\n"
ROW = "P-1,C-1,card,01200345,,1,active,2026-01-01,2026-12-31,C-0,east-register\n"
TIMES = "time,reader,text,presentation,expected\n"


def written(
    folder: Path, text: str | bytes, encoding: str = "utf-8", delimiter: str = ",", local: bool = False
) -> CsvFile:
    path = folder / "rows.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode(encoding))
    return CsvFile(path=path, name="rows.csv", encoding=encoding, delimiter=delimiter, has_local_times=local)


def fault(read: object) -> str:
    """The one sentence that ``read``, a function without arguments, is refused with."""
    assert callable(read)
    with pytest.raises(DefinitionError) as caught:
        read()
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_a_row_of_credentials(tmp_path: Path) -> None:
    (row,) = read_credentials(written(tmp_path, HEAD + ROW), ["card"], ["active"])
    assert (row.line, row.person, row.credential, row.kind, row.value) == (2, "P-1", "C-1", "card", "01200345")
    assert (row.issue, row.status, row.replaces, row.source) == (1, "active", "C-0", "east-register")
    assert (row.valid_from, row.valid_until) == (date(2026, 1, 1), date(2026, 12, 31))


def test_empty_cells(tmp_path: Path) -> None:
    (row,) = read_credentials(written(tmp_path, HEAD + "P-1,C-1,card,,,,active,,,,\n"), ["card"], ["active"])
    assert (row.value, row.issue, row.valid_from, row.valid_until, row.replaces) == ("", None, None, None, "")


def test_a_date_that_stands_for_no_end_is_a_date(tmp_path: Path) -> None:
    (row,) = read_credentials(written(tmp_path, HEAD + ROW.replace("2026-12-31", "9999-12-31")), ["card"], ["active"])
    assert row.valid_until == date(9999, 12, 31)


def test_columns_may_stand_in_any_order(tmp_path: Path) -> None:
    file = written(tmp_path, "expected,text,time,presentation,reader\nC-1,02F764DD,2026-03-01T00:00:00Z,D-1,gate\n")
    (row,) = read_readings(file, ["gate"], AMSTERDAM)
    assert (row.reader, row.text, row.presentation, row.expected) == ("gate", "02F764DD", "D-1", "C-1")


@pytest.mark.parametrize(
    ("encoding", "delimiter", "before"),
    [("utf-8", ",", ""), ("utf-8", ";", "\ufeff"), ("iso-8859-1", "\t", ""), ("utf-16", ",", "")],
)
def test_dialects(tmp_path: Path, encoding: str, delimiter: str, before: str) -> None:
    text = f'{before}person_id,text\r\nP-é,"a,""b"""\r\n\r\nP-2,\r\n'.replace(",", delimiter)
    held = read_existing(written(tmp_path, text, encoding, delimiter))
    assert [(row.line, row.person, row.text) for row in held] == [(2, "P-é", f'a{delimiter}"b"'), (4, "P-2", "")]


def test_a_text_is_left_as_it_is(tmp_path: Path) -> None:
    (row,) = read_existing(written(tmp_path, "person_id,text\nP-1, 00123 \n"))
    assert row.text == " 00123 "


@pytest.mark.parametrize("strip", [("text",), ("person_id", "text"), ()])
def test_a_column_that_the_site_strips(tmp_path: Path, strip: tuple[str, ...]) -> None:
    file = replace(written(tmp_path, "\ufeff person_id,text \u00a0\n P-1\t, 001 23\u00a0\n"), strip=frozenset(strip))
    if not strip:
        with refusal(DefinitionError):
            read_existing(file)
        return
    (row,) = read_existing(file)
    assert row.person == ("P-1" if "person_id" in strip else " P-1\t")
    assert row.text == "001 23"
    assert read_frame(file, ["person_id", "text"]).rows() == [(2, row.person, row.text)]


def test_white_space_around_a_cell_is_named_with_its_cure(tmp_path: Path) -> None:
    file = replace(written(tmp_path, "person_id,text\n"), site_key="{} under [files.readings]")
    assert describe_white_space(file, "text", "123") is None
    assert describe_white_space(file, "text", "123\u00a0") == (
        "'123\\xa0' has a no-break space at its end: strip = [\"text\"] under [files.readings] takes it off"
    )
    also = replace(file, strip=frozenset({"reader"}))
    assert 'strip = ["reader", "text"] under' in str(describe_white_space(also, "text", "\t123"))
    # A file that no site file declares has no such key.
    assert describe_white_space(written(tmp_path, ""), "text", " 1") == "' 1' has a space at its start: remove it"


def test_a_quotation_mark_takes_in_no_rows(tmp_path: Path) -> None:
    """Typed under a French layout the digit 3 is a quotation mark: two of them would join the rows between."""
    text = 'person_id,text\nP-1,"\'(\nP-2,c\nP-3,&é"\n'
    with refusal(DefinitionError):
        read_existing(written(tmp_path, text))
    with refusal(DefinitionError):
        read_existing(written(tmp_path, 'person_id,text\nP-1,"a\nb"\nP-2,c\n'))


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "rows.csv line 1: the file is empty, expected the columns person_id"),
        (HEAD.replace("value,", ""), "rows.csv line 1: the column value is missing"),
        (HEAD.replace("printed", "printd"), "rows.csv line 1: the column 'printd' is not one of person_id"),
        (HEAD.replace("\n", ",name\n"), "rows.csv line 1: the column 'name' is not one of"),
        (HEAD.replace("printed", "value"), "rows.csv line 1: the column value appears twice"),
        (HEAD.replace(",", ";"), "rows.csv line 1: there is one column only: is the delimiter ';'?"),
        (HEAD + ROW.replace("01200345", "012,00345"), "rows.csv line 2: the row has 12 cells, expected 11 (a cell"),
        (HEAD + ROW + "P-1\n", "rows.csv line 3: the row has 1 cell, expected 11"),
        (HEAD + ROW + ROW.replace("C-0", '"C-0') + ROW, "rows.csv line 3: a quotation mark that opens in the row that"),
        (
            HEAD + ROW.replace("C-0", '"C-0') + ROW * 2000,
            "rows.csv line 2: the row that begins here has a cell of more than 131,072 characters; is a quotation mark",
        ),
        (HEAD + ROW.replace("C-0", '"C"-0'), "rows.csv line 2: the row that begins here is not CSV: ',' expected"),
        (HEAD + ROW + ROW.replace("card", "crd"), "rows.csv line 3: no kind is called 'crd' in the site file; did you"),
        (HEAD + ROW.replace("P-1", ""), "rows.csv line 2: person_id is empty"),
        (HEAD + ROW.replace("C-1", ""), "rows.csv line 2: credential_id is empty"),
        (HEAD + ROW.replace("active", ""), "rows.csv line 2: status is empty"),
        (HEAD + ROW + ROW.replace("active", "actve"), "rows.csv line 3: status 'actve' is none of the words that"),
        (HEAD + ROW.replace(",1,", ",1.0,"), "rows.csv line 2: issue is '1.0', not a whole number or empty"),
        (HEAD + ROW.replace("2026-01-01", "01.02.2026"), "rows.csv line 2: valid_from is '01.02.2026', not a date"),
        (HEAD + ROW.replace("2026-01-01", "20260101"), "rows.csv line 2: valid_from is '20260101', not a date"),
        (HEAD + ROW.replace("2026-12-31", "2026-02-30"), "rows.csv line 2: valid_until is '2026-02-30', not a date"),
        (HEAD + ROW.replace("2026-12-31", "2025-12-31"), "rows.csv line 2: valid_until 2025-12-31 is before valid"),
        (HEAD + ROW + "\0", "rows.csv line 3: there is a NUL character, number"),
        (
            (HEAD + ROW).encode() + ROW.replace("P-1", "P-\u00e9").encode("cp1252"),
            "rows.csv line 3: byte E9h at offset 169 is not utf-8 (another encoding",
        ),
        ((HEAD + ROW).encode("utf-16"), "rows.csv line 1: byte FFh at offset 0 is not utf-8"),
        (b"\xef\xbb\xbf" + HEAD.encode() + b"\xff", "rows.csv line 2: byte FFh at offset 98 is not utf-8"),
    ],
)  # fmt: skip
def test_faults_of_a_file(tmp_path: Path, text: str | bytes, sentence: str) -> None:
    file = written(tmp_path, text)
    assert fault(lambda: read_credentials(file, ["card"], ["active"])).startswith(sentence)


@pytest.mark.parametrize(
    ("status", "hint"), [("actve", "; did you mean active?"), ("Active", "; did you mean active?"), ("zzz", "")]
)
def test_a_status_that_nobody_declares_is_refused_with_the_nearest_one(
    tmp_path: Path, status: str, hint: str
) -> None:  # fmt: skip
    file = written(tmp_path, HEAD + ROW.replace("active", status))
    assert fault(lambda: read_credentials(file, ["card"], ["active", "lost"])) == (
        f"rows.csv line 2: status '{status}' is none of the words that [rules] of the site file declares as active, "
        f"inactive or gone{hint}"
    )
    (row,) = read_credentials(file, ["card"], ["active", status])
    assert row.status == status


def test_a_quotation_mark_that_takes_in_other_rows_is_suspected(tmp_path: Path) -> None:
    def said(*rows: str) -> str:
        file = written(tmp_path, "".join((HEAD, *rows)))
        return fault(lambda: read_credentials(file, ["card"], ["active"]))

    opened = ROW.replace("C-0", '"C-0')
    assert said(opened) == "rows.csv line 2: a quotation mark that opens in the row that begins here is never closed"
    # The next quotation mark closes it, in another row.
    assert said(opened, ROW, ROW.replace("C-0", '"C-0"')).startswith("rows.csv line 2: the row that begins here is not")
    assert said(opened, ROW, ROW.replace("C-0", '"C-0"')).endswith("; is a quotation mark in it never closed?")
    assert "never closed" not in said(ROW.replace("C-0", '"C"-0'), ROW)


def test_the_offset_of_a_wrong_byte_is_where_it_is(tmp_path: Path) -> None:
    data = b"\xef\xbb\xbfperson_id,text\nP-1,\xe9\n"
    sentence = fault(lambda: read_existing(written(tmp_path, data)))
    assert f"offset {data.index(0xE9)} " in sentence


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    file = CsvFile(path=tmp_path / "rows.csv", name="rows.csv")
    assert fault(lambda: read_existing(file)) == "rows.csv: the file cannot be read (No such file or directory)"


def test_account_numbers_do_not_get_into_sentences(tmp_path: Path) -> None:
    # 4114360123456785 is the test number of the WHATWG HTML standard.
    file = written(tmp_path, HEAD + ROW.replace(",card,", ",4114360123456785,"))
    assert "4114360123456785" not in fault(lambda: read_credentials(file, ["card"], ["active"]))


def moment(folder: Path, time: str, *, local: bool = False) -> datetime:
    (row,) = read_readings(written(folder, f'{TIMES}"{time}",gate,1,,\n', local=local), ["gate"], AMSTERDAM)
    return row.time


@pytest.mark.parametrize(
    ("text", "hour", "minute"),
    [
        ("2026-03-31T08:15:00+02:00", 6, 15),
        ("2026-03-31 08:15+02:00", 6, 15),
        ("2026-03-31T08:15:00Z", 8, 15),
        ("2026-03-31T08:15:00-0330", 11, 45),
        ("2026-03-31T08:15:00,000+02", 6, 15),
    ],
)
def test_times_with_an_offset(tmp_path: Path, text: str, hour: int, minute: int) -> None:
    assert moment(tmp_path, text) == datetime(2026, 3, 31, hour, minute, tzinfo=UTC)


def test_local_times(tmp_path: Path) -> None:
    # Summer time begins on the last Sunday of March at 01:00 UTC (Directive 2000/84/EC): 29 March 2026.
    assert moment(tmp_path, "2026-03-29T01:59:59", local=True) == datetime(2026, 3, 29, 0, 59, 59, tzinfo=UTC)
    assert moment(tmp_path, "2026-03-29T03:00:00", local=True) == datetime(2026, 3, 29, 1, 0, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "local", "part"),
    [
        ("2026-03-31T08:15:00", False, "has no offset from UTC"),
        ("2026-03-31T08:15:00+02:00", True, "has an offset, but the site file declares local times"),
        ("2026-03-29T02:30:00", True, "does not occur in Europe/Amsterdam"),
        ("2026-10-25T02:30:00", True, "occurs twice in Europe/Amsterdam"),
        ("", False, "time is '', not a time such as"),
        ("31.03.2026 08:15", False, "not a time such as"),
        ("2026-02-30T08:15:00Z", False, "not a time such as"),
        ("2026-03-31T24:15:00Z", False, "not a time such as"),
        ("2026-03-31T08:15:00+25:00", False, "not a time such as"),
        ("0001-01-01T00:00:00+14:00", False, "not a time such as"),
        ("2026-W14-2T08:15:00Z", False, "not a time such as"),
        ("1774937700", False, "not a time such as"),
        ("２026-03-31T08:15:00Z", False, "not a time such as"),
    ],
)
def test_times_that_are_refused(tmp_path: Path, text: str, local: bool, part: str) -> None:
    sentence = fault(lambda: moment(tmp_path, text, local=local))
    assert sentence.startswith("rows.csv line 2: ")
    assert part in sentence


@pytest.mark.parametrize("minutes", range(0, 180, 15))
def test_the_hour_that_occurs_twice_is_exactly_one(tmp_path: Path, minutes: int) -> None:
    # Summer time ends on 25 October 2026 at 01:00 UTC: 02:00 to 03:00 by the clock is shown twice.
    clock = datetime(2026, 10, 25, 1) + timedelta(minutes=minutes)
    if 60 <= minutes < 120:
        assert "twice" in fault(lambda: moment(tmp_path, clock.isoformat(), local=True))
    else:
        hours = 2 if minutes < 60 else 1
        assert moment(tmp_path, clock.isoformat(), local=True) == clock.replace(tzinfo=UTC) - timedelta(hours=hours)


def test_an_unknown_reader(tmp_path: Path) -> None:
    file = written(tmp_path, TIMES + "2026-03-31T08:15:00Z,gatr,1,,\n")
    sentence = fault(lambda: read_readings(file, ["gate"], AMSTERDAM))
    assert sentence == "rows.csv line 2: no reader is called 'gatr' in the site file; did you mean gate?"


def test_a_list(tmp_path: Path) -> None:
    assert read_list(written(tmp_path, "encoded,printed\n7,101\n009,102\n")) == {101: 7, 102: 9}
    assert "line 2: encoded is '-7'" in fault(lambda: read_list(written(tmp_path, "printed,encoded\n101,-7\n")))


cells = st.text(st.characters(codec="utf-8", exclude_characters="\0\r\n"), max_size=6)


@given(rows=st.lists(st.tuples(cells, cells), max_size=8), delimiter=st.sampled_from(",;\t|"))
def test_what_any_csv_writer_quotes_is_read_back(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[str, str]], delimiter: str
) -> None:
    def quoted(row: tuple[str, str]) -> str:  # every cell quoted, quotes doubled: RFC 4180, section 2
        return delimiter.join('"' + each.replace('"', '""') + '"' for each in row) + "\r\n"

    text = f"person_id{delimiter}text\r\n" + "".join(map(quoted, rows))
    file = written(tmp_path_factory.mktemp("csv"), text, delimiter=delimiter)
    assert [(row.person, row.text) for row in read_existing(file)] == rows


@given(data=st.binary(max_size=60))
def test_any_bytes_are_rows_or_one_sentence(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    folder = tmp_path_factory.mktemp("bytes")
    for columns, start in ((CREDENTIALS, HEAD), (READINGS, TIMES)):
        file = written(folder, start.encode() + data)
        try:
            assert all(len(row) == len(columns) for _, row in read_rows(file, columns))
        except DefinitionError as error:
            assert str(error).startswith("rows.csv line ")
            assert "\n" not in str(error)
