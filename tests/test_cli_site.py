"""The crosswalk and the demo on the command line."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.brackwater import SITE as HARBOUR
from tests.brackwater import Files
from tests.commandline import ACCOUNT, on_a_terminal, records, run
from tests.pages import Page
from tests.progress import list_phases

COLUMNS = "person_id,credential_id,kind,value,printed,issue,status,valid_from,valid_until,replaces,source"
SITE = f"""
[site]
name = "Brackwater Terminal"
time_zone = "Europe/Amsterdam"
as_of = 2026-03-31
[files.credentials]
path = "credentials.csv"
[files.readings]
path = "readings.csv"
[kinds.card]
value = "decimal:56/fields:number:56"
key = ["number"]
expect = {{ number = [{ACCOUNT}] }}
[readers.gate]
kind = "card"
chain = "decimal:56/fields:number:56"
[targets.gatehouse]
kind = "card"
chain = "decimal:56/fields:number:56"
column = "int32"
existing = "export.csv"
"""


@pytest.mark.usefixtures("known_crosswalk")
def test_the_demo_runs_and_says_where_things_are(
    demo_command: tuple[Path, subprocess.CompletedProcess[bytes]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home, done = demo_command
    text = done.stdout.decode()
    assert (done.returncode, done.stderr) == (0, b"")  # no progress where no terminal looks on
    assert max(map(len, text.splitlines())) <= 80
    assert "Data checked" in text
    assert len(text.splitlines()) <= 3 * 24, "three pages of a terminal"
    result = home / "brackwater" / "result"
    assert sorted(path.name for path in result.iterdir()) == [
        "credkit.sha256", "crosswalk.csv", "exceptions.csv", "findings.csv", "readiness.csv", "run.json", "summary.txt",
    ]  # fmt: skip
    assert re.match(r"[0-9,]+ cards ready, [0-9]+ need a decision, [0-9] reader settings to change\n", text)
    summary = (result / "summary.txt").read_text().splitlines()
    before, rest, _ = text.partition("The 42 other items and all findings are in brackwater/result/summary.txt.")
    assert rest, "a screen does not show all of it"
    assert set(before.splitlines()) < set(summary)
    commands = [line.split() for line in text.partition("To try next:")[2].splitlines() if line]
    assert [command[0] for command in commands] == ["less", "credkit", "credkit", "credkit"]
    assert (home / commands[0][1]).is_file()
    home = shutil.copytree(home, tmp_path / "home")
    monkeypatch.chdir(home)
    for command in commands[1:]:
        again = run(*command[1:])
        assert (again.exit_code, again.stderr) == (int(command[1] == "explain"), "")


@pytest.mark.usefixtures("known_world", "known_crosswalk")
def test_the_demo_and_the_crosswalk_in_json(
    demo_command: tuple[Path, subprocess.CompletedProcess[bytes]], tmp_path: Path
) -> None:
    home = shutil.copytree(demo_command[0], tmp_path / "home")
    site = str(home / "brackwater" / "site.toml")
    *findings, total = records(run("crosswalk", site, "--out", str(home / "again"), "--json"))
    assert {tuple(finding) for finding in findings} == {("code", "subject", "count", "text", "people", "lines")}
    keys = ["site", "as_of", "out", "summary", "shared", "verdict", "readiness", "since", "work"]
    assert list(total) == keys
    assert list(total["verdict"]) == ["ready", "held", "idle", "text"]
    assert {tuple(item) for item in total["work"]} == {(
        "task", "subject", "title", "act", "people", "credentials", "readings", "readers", "sure", "evidence", "lines",
        "rows", "ends",
    )}  # fmt: skip
    assert (total["site"], total["as_of"]) == ("Brackwater Terminal", "2026-03-31")
    *same, other, paged, last, audited = records(run("demo", str(home / "brackwater"), "--json"))
    assert (same, other["summary"], other["work"]) == (findings, total["summary"], total["work"])
    assert paged == {"page": str(home / "brackwater" / "result.html")}
    assert list(last) == ["cards"]
    assert list(audited) == ["report"]
    assert list(audited["report"]) == ["path", "rows", "failing", "unreadable"]
    assert {name: last["cards"][name] for name in ("written", "clean", "data")} == {
        "written": 50, "clean": 50, "data": None,
    }  # fmt: skip
    assert [list(each) for each in last["cards"]["caught"]] == [["name", "done", "kind", "place", "text"]] * 5


def test_the_demo_says_what_it_caught_and_fits_two_screens(
    demo_command: tuple[Path, subprocess.CompletedProcess[bytes]],
) -> None:
    home, done = demo_command
    part = done.stdout.decode().partition("New staff cards\n")[2].partition("To try next:")[0]
    said = " ".join(part.split())
    assert "50 cards were written by brackwater/cards/staff-plan.toml and read back: 50 are as planned." in said
    assert (
        "5 read-backs are bad on purpose, and all are caught: a flipped bit, a copied number, open access conditions, "
        "damaged access bits, a published key." in said
    )
    assert len(done.stdout.decode().splitlines()) <= 55
    assert "What the station gets is in brackwater/cards/data, a file and a listing for each card." in said
    assert "The master key was drawn for this run and is gone: it was neither shown nor written." in said
    assert len(list((home / "brackwater" / "cards" / "data").glob("*.bin"))) == 50


@pytest.mark.usefixtures("known_world", "known_crosswalk")
def test_a_second_demo_leaves_the_cards_of_the_first_alone(
    demo_command: tuple[Path, subprocess.CompletedProcess[bytes]], tmp_path: Path
) -> None:
    home = shutil.copytree(demo_command[0], tmp_path / "home")
    again = run("demo", str(home / "brackwater"))
    assert again.exit_code == 0
    assert "holds beside plan and list is an earlier run's, and was left alone." in " ".join(again.stdout.split())


@pytest.mark.usefixtures("known_world", "known_crosswalk")
def test_without_the_extra_the_rest_of_the_demo_is_as_before(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "cryptography.hazmat.primitives.cmac", None)
    home = tmp_path / "brackwater"
    result = run("demo", str(home))
    assert (result.exit_code, result.stderr) == (0, "")
    said = " ".join(result.stdout.split())
    assert (
        "The part about new staff cards is left out: keys and MACs need the extra keys: pip install 'credkit[keys]' "
        "Audit of the readings"
    ) in said
    assert "credkit card" not in said
    assert not (home / "cards").exists()
    *_, total, _, last, _ = records(run("demo", str(home), "--json"))
    assert total["site"] == "Brackwater Terminal"
    assert last["cards"] is None
    assert "credkit[keys]" in last["why"]


def test_the_demo_ends_with_a_report(demo_command: tuple[Path, subprocess.CompletedProcess[bytes]]) -> None:
    home, done = demo_command
    said = " ".join(done.stdout.decode().partition("Audit of the readings")[2].split())
    rows = (home / "brackwater" / "readings.csv").read_text().count("\n") - 1
    assert re.match(rf"Of {rows:,} rows [0-9]+ fail and 0 are unreadable. The report, to print and sign, is ", said)
    assert "is brackwater/report.html. To try next:" in said
    assert (home / "brackwater" / "report.html").read_text().startswith("<!DOCTYPE html>")


def test_the_demo_names_the_page_of_its_crosswalk(
    demo_command: tuple[Path, subprocess.CompletedProcess[bytes]], tmp_path: Path
) -> None:
    """The page stands beside the site file, is written anew, and is left alone where it is another's."""
    home, done = demo_command
    page = home / "brackwater" / "result.html"
    said = " ".join(done.stdout.decode().split())
    assert "The page for the one who decides is brackwater/result.html. Data checked" in said
    headings = Page(page.read_text(encoding="utf-8")).headings
    assert headings[:3] == [(1, "Result of a crosswalk: Brackwater Terminal"), (2, "Not yet"), (2, "What to do")]
    other = shutil.copytree(home, tmp_path / "home") / "brackwater" / "result.html"
    other.write_text("notes")
    again = run("demo", str(other.parent))
    assert again.exit_code == 0
    assert "result.html is there, and is no unchanged page of a crosswalk: it was left alone. Data checked" in " ".join(
        again.stdout.split()
    )
    assert other.read_text() == "notes"


def test_a_terminal_sees_that_work_is_going_on(tmp_path: Path) -> None:
    seen = on_a_terminal(["demo", str(tmp_path / "brackwater")], TERM="xterm")
    shown, stayed = list_phases(seen)
    assert shown[0] == "[1/4] making up Brackwater Terminal"
    assert all(each.startswith("[2/4] ") for each in shown[1:])
    assert re.match("[0-9,]+ cards ready, [0-9]+ need a decision, ", stayed)
    for part in ("[3/4] writing cards", "[3/4] checking read-backs", "[4/4] reading the files"):
        assert part in seen


def test_a_terminal_sees_how_much_is_done_and_then_nothing_of_it(tmp_path: Path) -> None:
    rows = tmp_path / "reads.csv"
    rows.write_text("time,reader,text\n2026-03-14T12:00:00Z,gate 7,02F764DD\n")
    seen = on_a_terminal(["audit", "--chain", "hex:8/right-justified:26/wiegand-26", str(rows)], TERM="xterm")
    assert list_phases(seen) == (
        ["[1/2] reading the files", "[2/2] looking for causes and changes"],
        "1 of 1 reading passes a check, nothing to do",
    )  # fmt: skip


@pytest.mark.usefixtures("known_world")
@pytest.mark.parametrize("directory", ["it is mine", "brackwater"])
def test_the_demo_overwrites_nothing(tmp_path: Path, directory: str) -> None:
    mine = tmp_path / directory
    mine.mkdir()
    (mine / "site.toml").write_text("mine")
    result = run("demo", str(mine))
    assert (result.exit_code, result.stdout) == (2, "")
    assert len(result.stderr.splitlines()) == 1
    assert [path.read_text() for path in mine.iterdir()] == ["mine"]


def small_site(home: Path, **changed: str) -> str:
    files = {
        "site.toml": SITE,
        "credentials.csv": f"{COLUMNS}\nP-1,C-1,card,{ACCOUNT},,1,active,2026-01-01,,,east\n"
        f"P-2,C-2,card,{ACCOUNT},,1,active,2026-01-01,,,east\nP-3,C-3,card,x{ACCOUNT},,1,active,2026-01-01,,,east\n",
        "readings.csv": "time,reader,text,presentation,expected\n"
        f"2026-03-01T08:00:00+01:00,gate,{ACCOUNT},,C-9\n2026-03-01T08:00:00+01:00,gate,;{ACCOUNT}?,,\n"
        f"2026-03-01T08:00:00+01:00,gate,{int(ACCOUNT) + 9},,\n",
        "export.csv": f"person_id,text\nP-9,{ACCOUNT}\n",
    }
    for name, text in {**files, **changed}.items():
        (home / name).write_text(text)
    return str(home / "site.toml")


@pytest.mark.parametrize("more", [(), ("--details",), ("--json",)])
def test_an_account_number_never_leaves_a_crosswalk(tmp_path: Path, more: tuple[str, ...]) -> None:
    result = run("crosswalk", small_site(tmp_path), "--out", str(tmp_path / "out"), *more)
    assert result.exit_code == 0
    assert ("411436******6785" in result.stdout) == bool(more)
    assert ACCOUNT not in "".join(result.output.split())


@pytest.mark.parametrize(
    ("name", "old", "new", "said"),
    [
        ("site.toml", "[readers.gate]", f"[readers.gate]\n{ACCOUNT} = 1", "411436******6785"),
        ("site.toml", 'column = "int32"', f'column = "{ACCOUNT}"', "411436******6785"),
        ("site.toml", 'kind = "card"', 'kind = "crad"', "did you mean card?"),
        ("site.toml", 'name = "Brackwater', "name = Brackwater", "site.toml"),
        ("readings.csv", ",gate,", f",{ACCOUNT},", "411436******6785"),
        ("readings.csv", "+01:00", "", "readings.csv"),
        ("credentials.csv", "2026-01-01", ACCOUNT, "411436******6785"),
        ("credentials.csv", "person_id", "person", "person_id"),
    ],
)
def test_a_site_that_is_wrong_is_refused_and_nothing_is_written(
    tmp_path: Path, name: str, old: str, new: str, said: str
) -> None:
    site = small_site(tmp_path)
    text = (tmp_path / name).read_text()
    assert old in text
    (tmp_path / name).write_text(text.replace(old, new))
    result = run("crosswalk", site, "--out", str(tmp_path / "out"))
    assert (result.exit_code, result.stdout) == (2, "")
    assert said in result.stderr
    assert ACCOUNT not in result.stderr
    first, *details = result.stderr.splitlines()  # those of more than one wrong row
    assert first.startswith("credkit: ")
    assert not details or (name != "site.toml" and details[0].startswith("- "))
    assert not (tmp_path / "out").exists()


def test_the_faults_of_all_files_are_on_one_screen(tmp_path: Path) -> None:
    """In the credentials a day and the kind of one row; a time without an offset; an export that is not UTF-8."""
    site = small_site(tmp_path)
    for name, old, new in (
        ("credentials.csv", "2026-01-01", "1.1.2026"),
        ("credentials.csv", "C-2,card", "C-2,crad"),
        ("readings.csv", "+01:00", ""),
    ):
        text = (tmp_path / name).read_text()
        assert old in text
        (tmp_path / name).write_text(text.replace(old, new))
    (tmp_path / "export.csv").write_bytes(b"person_id,text\nP-\xe9,1\n")
    result = run("crosswalk", site, "--out", str(tmp_path / "out"))
    assert (result.exit_code, result.stdout) == (2, "")
    assert not (tmp_path / "out").exists()
    assert ACCOUNT not in result.stderr
    first, *details = result.stderr.splitlines()
    assert first == "credkit: credentials.csv: 2 kinds of fault in 3 rows"
    heads = [line for line in details if not line.startswith(" ")]
    assert [head.partition(":")[0] for head in heads] == [
        "- 3 rows", "- line 3", "readings.csv", "- 3 rows", "export.csv line 2",
    ]  # fmt: skip
    census = run("census", site)  # which does not read the readings
    assert census.stderr.splitlines()[: len(details)] == [first, *details[: len(census.stderr.splitlines()) - 1]]


def test_the_faults_of_a_list_are_on_one_screen(tmp_path: Path) -> None:
    site = small_site(tmp_path)
    with Path(site).open("a") as file:
        file.write('\n[tables.lockers]\npath = "lockers.csv"\n')
    (tmp_path / "lockers.csv").write_text("printed,encoded\n101,x\n101,7\n101,8\n")
    result = run("decode", "--layouts", site, "decimal/map:lockers,number", "7")
    assert (result.exit_code, result.stdout) == (2, "")
    first, *details = result.stderr.splitlines()
    assert first == f"credkit: {site}: lockers.csv: 2 kinds of fault in 2 rows"
    assert [line[:8] for line in details if not line.startswith(" ")] == ["- line 2", "- line 4"]


def test_a_site_that_is_not_there() -> None:
    result = run("crosswalk", "/nonexistent/site.toml", "--out", "/nonexistent/out")
    assert (result.exit_code, result.stdout) == (2, "")
    assert len(result.stderr.splitlines()) == 1


def test_layouts_reads_the_plans_and_tables_of_a_site_file(tmp_path: Path) -> None:
    """What a site defines is known to every command, and the rest of its file is not read."""
    plan = Path(__file__).with_name("plans") / "staff.toml"
    (tmp_path / "plan.toml").write_text(plan.read_text(encoding="utf-8"), encoding="utf-8")
    (tmp_path / "lockers.csv").write_text("printed,encoded\n101,7\n", encoding="utf-8")
    site = tmp_path / "site.toml"
    site.write_text('[plans.staff]\nfile = "plan.toml"\n[tables.lockers]\npath = "lockers.csv"\n', encoding="utf-8")
    block = "00018787" + "00" * 12
    result = run("decode", "--layouts", str(site), "hex:32/memory:staff,personnel", block)
    assert result.exit_code == 0, result.stderr
    assert "100231" in result.stdout, "00018787h, by Python's int"
    result = run("decode", "--layouts", str(site), "template:{number:d}/map:lockers,number", "101")
    assert (result.exit_code, "7" in result.stdout) == (0, True)
    site.write_text('[plans.staff]\nfile = "no.toml"\n', encoding="utf-8")
    result = run("decode", "--layouts", str(site), "binary", "1")
    assert result.exit_code == 2
    assert "plans.staff.file: no.toml: the file cannot be read" in result.stderr


def test_what_is_missing_to_allocate_is_named(tmp_path: Path) -> None:
    files = Files().card("C-1", "01200345")
    files.write(tmp_path)
    (tmp_path / "site.toml").write_text(HARBOUR, encoding="utf-8")
    sentence = "card has facility codes (12, 40, 57): choose one with --facility"
    assert sentence in run("census", str(tmp_path / "site.toml"), "--allocate", "5", "--kind", "card").stderr


def test_an_output_is_never_the_folder_one_stands_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    home = tmp_path / "here" / "inner"
    home.mkdir(parents=True)
    Files().card("C-1", "01200345").write(tmp_path)
    (tmp_path / "site.toml").write_text(HARBOUR, encoding="utf-8")
    monkeypatch.chdir(home)
    for out in (".", ""):
        for tool in ("census", "crosswalk"):
            result = run(tool, str(tmp_path / "site.toml"), "--out", out)
            assert result.exit_code == 2
            assert "is the folder that you are in, or one around it" in result.stderr
    assert not list(home.iterdir())
