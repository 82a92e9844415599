"""Faults in the rows of files: every kind at once, counted, with its first lines; one wrong row is one sentence."""

from __future__ import annotations

import copy
import csv
import pickle
import re
import sys
import tracemalloc
from collections import Counter
from datetime import date, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit import DefinitionError
from credkit.audit import Audit, AuditPlan, Clock, ColumnNames, audit
from credkit.census.population import read_population
from credkit.cli.output import complain
from credkit.demo import Demo
from credkit.files.declaredfiles import CsvFile
from credkit.files.faults import MAX_LINES, MAX_WORDS, FaultOccurrence, FaultRule, FileFaults
from credkit.site import load_rows, load_site
from credkit.site.model import Site
from credkit.site.rows import read_credentials, read_readings
from tests.sentences import refusal
from tests.test_site import FILES, GOOD, load

AMSTERDAM = ZoneInfo("Europe/Amsterdam")
HEAD = "person_id,credential_id,kind,value,printed,issue,status,valid_from,valid_until,replaces,source\n"
ROW = "P-1,C-1,card,01200345,,1,active,2026-01-01,2026-12-31,,east\n"
TIMES = "time,reader,text,presentation,expected\n"
ACCOUNT = "4114360123456785"  # the test number of the WHATWG HTML standard
TRACK = f";{ACCOUNT}=30121010000?"


def credentials(folder: Path, *rows: str, head: str = HEAD, encoding: str = "utf-8") -> CsvFile:
    path = folder / "credentials.csv"
    path.write_text(head + "".join(rows), encoding=encoding)
    return CsvFile(path=path, name="credentials.csv", site_key="{} under [files.credentials]")


def readings(folder: Path, *rows: str, local: bool = False) -> CsvFile:
    path = folder / "readings.csv"
    path.write_text(TIMES + "".join(rows))
    return CsvFile(
        path=path, name="readings.csv", has_local_times=local, site_key="{} under [files.readings]"
    )  # fmt: skip


def refused_credentials(file: CsvFile) -> DefinitionError:
    with refusal(DefinitionError) as caught:
        read_credentials(file, ["card"], ["active", "lost", "returned"])
    assert isinstance(caught.value, DefinitionError)
    return caught.value


# ── files as strangers have them ────────────────────────────────────────────────────────────────


def test_dates_of_another_country_in_3000_rows(tmp_path: Path) -> None:
    days = [date(2024, 1, 1) + timedelta(days=number) for number in range(3000)]
    rows = (ROW.replace("2026-01-01", f"{day.day}.{day.month}.{day.year}").replace("2026-12-31", "") for day in days)
    error = refused_credentials(credentials(tmp_path, *rows))
    assert error.args == ("credentials.csv: 1 kind of fault in 3,000 rows",)
    assert "lines 2-21 and 2,980 more" in str(error)
    assert "'1.1.2024'" in str(error)


def test_a_status_in_another_language(tmp_path: Path) -> None:
    words = ["aktiv"] * 40 + ["verloren"] * 3 + ["zurueck"] + ["active"]
    error = refused_credentials(credentials(tmp_path, *(ROW.replace("active", word) for word in words)))
    assert "44 rows" in str(error)
    aktiv, verloren, zurueck = (line for line in error.details if line.lstrip().startswith("'"))
    assert "40 rows, lines 2-21 and 20 more" in aktiv
    assert aktiv.endswith("did you mean active?")
    assert "3 rows, lines 42-44" in verloren
    assert "line 45" in zurueck
    assert not any("did you mean" in line for line in (verloren, zurueck))


def test_white_space_at_the_end_of_every_cell(tmp_path: Path) -> None:
    row = ROW.replace(",", " ,").replace("\n", "\u00a0\n")
    file = credentials(tmp_path, row, row)
    error = refused_credentials(file)
    assert error.details[-1].endswith("strip = true under [files.credentials] takes it off")
    assert "Export" not in str(error)  # nothing else is wrong with the cells
    stripped = CsvFile(path=file.path, name=file.name, strip=frozenset(HEAD.strip().split(",")))
    (first, _) = read_credentials(stripped, ["card"], ["active"])
    assert (first.person, first.value, first.source) == ("P-1", "01200345", "east")


def test_white_space_around_one_word(tmp_path: Path) -> None:
    one = ROW.replace("active", "active ")
    sentence = str(refused_credentials(credentials(tmp_path, ROW, one)))
    assert sentence.startswith("credentials.csv line 3: status 'active ' is none of the words")
    assert sentence.endswith('it has a space at its end: strip = ["status"] under [files.credentials] takes it off')
    error = refused_credentials(credentials(tmp_path, one, one.replace("active", "Active")))
    assert error.details[-1].endswith('strip = ["status"] under [files.credentials] takes it off')
    blank = refused_credentials(credentials(tmp_path, ROW.replace("P-1", "\u00a0")))
    assert str(blank).startswith("credentials.csv line 2: person_id is '\\xa0', which is white space only")


@pytest.mark.parametrize("encoding", ["cp1252", "utf-16", "utf-16-le", "utf-16-be"])
def test_a_file_in_another_encoding(tmp_path: Path, encoding: str) -> None:
    file = credentials(tmp_path, ROW.replace("P-1", "P-é"), encoding=encoding)
    named = re.search(r'encoding = "(.*)" under \[files\.credentials\]', str(refused_credentials(file)))
    assert named is not None
    cured = CsvFile(path=file.path, name=file.name, encoding=named[1])
    assert read_credentials(cured, ["card"], ["active"])[0].person == "P-é"


@pytest.mark.parametrize("delimiter", [";", "\t", "|"])
def test_a_file_with_another_delimiter(tmp_path: Path, delimiter: str) -> None:
    """The sentence ends in what a site file needs."""
    file = credentials(tmp_path, ROW.replace(",", delimiter), head=HEAD.replace(",", delimiter))
    _, _, key = str(refused_credentials(file)).partition("can be declared: ")
    toml = GOOD.replace('path = "credentials.csv"', f'path = "credentials.csv"\n{key.partition(" under ")[0]}')
    assert load(tmp_path, toml).credentials.delimiter == delimiter


def test_the_hour_that_occurs_twice_in_many_rows(tmp_path: Path) -> None:
    # Summer time ends on 25 October 2026 at 01:00 UTC and begins on 29 March (Directive 2000/84/EC).
    times = [f"2026-10-25T02:{minute:02d}:00" for minute in range(60)] + ["2026-03-29T02:30:00", "2026-10-25T03:00:00"]
    file = readings(tmp_path, *(f"{time},gate,1,,\n" for time in times), local=True)
    with refusal(DefinitionError) as caught:
        read_readings(file, ["gate"], AMSTERDAM)
    first, *details = str(caught.value).split("\n")
    assert first == "readings.csv: 2 kinds of fault in 61 rows"
    assert details[0].startswith("- 60 rows: ")
    assert "twice" in details[0]
    assert any(line.startswith("- line 62: ") and "does not occur" in line for line in details)


def test_a_local_time_is_asked_for_without_an_offset(tmp_path: Path) -> None:
    """What the sentence and the cure show is accepted by the next run."""
    file = readings(tmp_path, "31.3.2026 8:15,gate,1,,\n", "1.4.2026 8:15,gate,1,,\n", local=True)
    with refusal(DefinitionError) as caught:
        read_readings(file, ["gate"], AMSTERDAM)
    assert "+02:00" not in str(caught.value)
    assert "2026-03-31T08:15:00" in str(caught.value)


# ── one error for all files ─────────────────────────────────────────────────────────────────────


def test_the_faults_of_all_files_are_told_at_once(tmp_path: Path) -> None:
    files = {name: f"{text}{text.splitlines()[1]}\n" for name, text in FILES.items() if name != "lockers.csv"}
    files = {**FILES, **files}
    files["credentials.csv"] = files["credentials.csv"].replace("active", "actve").replace("harbour-card", "locker", 1)
    files["readings.csv"] = files["readings.csv"].replace("yard", "yrd", 1).replace("expected", "expcted")
    files["gatehouse.csv"] += "P-2\n"
    site = load(tmp_path, GOOD, files)
    with refusal(DefinitionError) as caught:
        load_rows(site)
    text = str(caught.value)
    assert text.startswith("credentials.csv: 1 kind of fault in 2 rows\n")
    assert "\nreadings.csv line 1: the column 'expcted' is not one of" in text
    assert "\ngatehouse.csv line 4: the row has 1 cell, expected 2" in text


def test_a_file_that_cannot_be_read_on_tells_what_was_wrong_before(tmp_path: Path) -> None:
    file = credentials(tmp_path, ROW.replace("2026-01-01", "1.1.2026"), ROW, '"', ROW.replace("active", "actve"))
    error = refused_credentials(file)
    assert error.args == (
        "credentials.csv line 2: valid_from is '1.1.2026', not a date such as 2026-03-31",
    )  # fmt: skip
    assert error.details == (
        "credentials.csv line 4: a quotation mark that opens in the row that begins here is never closed; "
        "no row behind it was checked",
    )  # fmt: skip


def test_two_targets_with_one_export_tell_its_faults_once(tmp_path: Path) -> None:
    target = GOOD[GOOD.index("[targets.gatehouse]") : GOOD.index("[tables.lockers]")]
    files = {**FILES, "gatehouse.csv": "person_id,text\nP-1\nP-2\n"}
    site = load(tmp_path, GOOD + target.replace("gatehouse]", "second]"), files)
    with pytest.raises(DefinitionError) as caught:
        load_rows(site)
    assert str(caught.value).count("gatehouse.csv") == 1


def test_all_faults_of_a_row_are_told(tmp_path: Path) -> None:
    row = ",,crd,1,,1.0,actve,2026-31-03,31.12.2026,,\n"
    error = refused_credentials(credentials(tmp_path, row))
    assert error.args == ("credentials.csv: 7 kinds of fault in 1 row",)
    for part in ("person_id is empty", "credential_id is empty", "'crd'", "'1.0'", "'actve'", "'2026-31-03'"):
        assert sum(part in line for line in error.details) == 1


def test_a_list_tells_all_its_faults_when_the_site_is_read(tmp_path: Path) -> None:
    files = {**FILES, "lockers.csv": "printed,encoded\n101,7\n101,8\n102,x\n103,-9\n"}
    with refusal(DefinitionError):
        load(tmp_path, GOOD, files)


# ── what must not get out, and how much there may be ────────────────────────────────────────────


@pytest.mark.parametrize("bad", [ROW.replace("active", "actve"), ROW.replace("card", "crd"), "P-1\n"])
@pytest.mark.parametrize("cell", ["active", "card", "01200345", "2026-01-01"])
def test_a_payment_track_is_refused_at_once_and_never_quoted(tmp_path: Path, bad: str, cell: str) -> None:
    file = credentials(tmp_path, bad, bad, ROW.replace(cell, TRACK), bad)
    with pytest.raises(DefinitionError, match=r"^credentials\.csv line 4: payment track data") as caught:
        read_credentials(file, ["card"], ["active"])
    assert ACCOUNT not in str(caught.value)
    assert not caught.value.details


def test_account_numbers_are_masked_wherever_they_stand(tmp_path: Path) -> None:
    rows = [ROW.replace(cell, ACCOUNT) for cell in ("active", "card", "2026-01-01", ",1,") for _ in range(3)]
    error = refused_credentials(credentials(tmp_path, *rows))
    assert ACCOUNT not in str(error)
    assert "411436******6785" in str(error)


@pytest.mark.parametrize("fault", ["time", "reader"])
def test_many_wrong_rows_take_no_more_memory_than_few(tmp_path: Path, fault: str) -> None:
    """Each is another text: 40,000 rows of them would be megabytes."""
    rows = (
        f"{number:09d}x,gate,1,,\n" if fault == "time" else f"2026-03-31T08:15:00Z,gate-{number:09d},1,,\n"
        for number in range(40_000)
    )
    file = readings(tmp_path, *rows)
    faults = FileFaults()
    tracemalloc.start()
    try:
        assert not read_readings(file, ["gate"], AMSTERDAM, faults=faults)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 1_500_000
    with refusal(DefinitionError) as caught:
        faults.refuse()
    assert len(str(caught.value).split("\n")) < MAX_WORDS + 5
    assert "40,000 rows" in str(caught.value)


@given(
    marks=st.lists(st.sets(st.sampled_from("abc")), max_size=60), words=st.integers(1, 2 * MAX_WORDS),
)  # fmt: skip
def test_every_count_and_line_is_true(marks: list[set[str]], words: int) -> None:
    """Against a plain count of the same rows."""
    rules = {each: FaultRule(sentence=f"{each} {{}}", headline=f"{each} many", counts_words=True) for each in "abc"}
    file, faults = CsvFile(path=Path("f"), name="f.csv"), FileFaults()
    for line, broken in enumerate(marks, 2):
        if broken:
            faults.add(file, line, [FaultOccurrence(rules[each], (f"w{line % words}",)) for each in sorted(broken)])
    assert bool(faults) == any(marks)
    if not any(marks):
        faults.refuse()
        return
    with pytest.raises(DefinitionError) as caught:
        faults.refuse()
    text = str(caught.value)
    counts = Counter(each for broken in marks for each in broken)
    if sum(map(bool, marks)) == 1 == len(counts):
        assert "\n" not in text
        return
    said = re.findall(r"^- (?:([\d,]+) rows|line (\d+)): (\w)", text, re.MULTILINE)
    assert {rule: int(rows or 1) for rows, _, rule in said} == counts
    assert [int(rows or 1) for rows, _, _ in said] == sorted(counts.values(), reverse=True)


@given(lines=st.sets(st.integers(2, 99_999_999), min_size=2, max_size=40))
def test_the_first_lines_are_named(lines: set[int]) -> None:
    rule, file, faults = (
        FaultRule(sentence="it is wrong", headline="wrong"),
        CsvFile(path=Path("f"), name="f"),
        FileFaults(),
    )
    for line in sorted(lines):
        faults.add(file, line, [FaultOccurrence(rule)])
    with pytest.raises(DefinitionError) as caught:
        faults.refuse()
    said = re.fullmatch(r" *lines ([\d, -]+?)(?: and ([\d,]+) more)?", caught.value.details[1])
    assert said is not None
    spans = [(int(first), int(last or first)) for first, last in re.findall(r"(\d+)(?:-(\d+))?", said[1])]
    told = [line for first, last in spans for line in range(first, last + 1)]
    assert told == sorted(lines)[:MAX_LINES]
    assert len(told) + int(said[2] or 0) == len(lines)


def test_an_error_with_details_can_be_pickled_and_copied() -> None:
    error = DefinitionError("a.csv: 1 kind of fault in 2 rows", details=[f"- 2 rows: {ACCOUNT}", "    " + "x" * 9999])
    assert error.args == ("a.csv: 1 kind of fault in 2 rows",)
    assert ACCOUNT not in str(error)
    assert max(map(len, error.details)) == 480  # as any sentence
    for other in (pickle.loads(pickle.dumps(error)), copy.copy(error), copy.deepcopy(error)):
        assert isinstance(other, DefinitionError)
        assert (str(other), other.args, other.details) == (str(error), error.args, error.details)


def test_details_wrap_under_their_own_beginning(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    complain("a.csv: 1 kind of fault in 2 rows", details=[f"- 2 rows: {'word ' * 30}", f"    lines {'1234, ' * 30}"])
    first, *lines = capsys.readouterr().err.splitlines()
    assert first == "credkit: a.csv: 1 kind of fault in 2 rows"
    assert all(len(line) <= 80 for line in lines)
    starts = [re.match(r" *(- )?", line)[0] for line in lines]  # type: ignore[index]
    assert set(starts) == {"- ", "  ", "    ", "      "}


def test_a_site_that_strips_reads_what_a_clean_one_has(demo: Demo, tmp_path: Path) -> None:
    """Header and cells with white space of several kinds around them, in every file of the demo."""
    toml = demo.site.read_text().replace("[files.credentials]", "[files.credentials]\nstrip = true")
    toml = toml.replace("[files.readings]", "[files.readings]\nstrip = true")
    toml = re.sub('existing = ("[a-z-]+-export.csv")', r"existing = { path = \1, strip = true }", toml)
    sites = []
    for folder, ends in (("clean", ("", "")), ("blank", (" ", "\u00a0\t\u200b"))):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "site.toml").write_text(toml)
        for name in ("credentials.csv", "readings.csv", "gatehouse-export.csv", "laundry-export.csv"):
            with (
                (demo.folder / name).open(newline="") as given,
                (tmp_path / folder / name).open("w", newline="") as blank,
            ):
                csv.writer(blank).writerows([cell.join(ends) for cell in row] for row in csv.reader(given))
        sites.append(load_site(tmp_path / folder / "site.toml"))
    clean, stripped = sites
    assert load_rows(stripped) == load_rows(clean)
    assert read_population(stripped).equals(read_population(clean))

    def audited(site: Site) -> Audit:
        plan = AuditPlan(columns=ColumnNames(), clock=Clock(site.zone), site=site)
        return audit([site.readings.path], plan)

    one, other = audited(stripped), audited(clean)
    assert (one.good, one.failing, one.unreadable) == (other.good, other.failing, other.unreadable)
    assert other.good > 10_000


def test_faults_that_were_counted_elsewhere_are_added() -> None:
    """As by whoever reads batches of rows: the first lines of each, and how many there are."""
    rule = FaultRule(sentence="status {} is unknown", headline="the status is unknown", counts_words=True)
    file, faults = CsvFile(path=Path("f"), name="f.csv"), FileFaults()
    for start in (2, 1002):
        faults.add_rows(file, 600)
        faults.count(file, FaultOccurrence(rule, ("off",)), range(start, start + 500)[:MAX_LINES], 500)
        faults.count(file, FaultOccurrence(rule, ("on",)), range(start + 500, start + 510), 100)
    with pytest.raises(DefinitionError) as caught:
        faults.refuse()
    assert str(caught.value).split("\n") == [
        "f.csv: 1 kind of fault in 1,200 rows",
        "- 1,200 rows: the status is unknown",
        "    'off': 1,000 rows, lines 2-21 and 980 more",
        "    'on': 200 rows, lines 502-511, 1502-1511 and 180 more",
    ]


def test_the_audit_names_white_space_around_a_reader_with_its_cure(tmp_path: Path) -> None:
    files = {**FILES, "readings.csv": FILES["readings.csv"].replace(",yard,", ",yard ,")}
    site = load(tmp_path, GOOD, files)
    found = audit([site.readings.path], AuditPlan(columns=ColumnNames(), clock=Clock(site.zone), site=site))
    (fault,) = found.files[0].faults
    assert fault.endswith('it has a space at its end: strip = ["reader"] under [files.readings] takes it off')
