"""Runs compared: planted changes are found and nothing else; the order of rows is nothing; damage is refused.

What a target is to hold is worked out here: a 26-bit frame (SIA AC-01-1996.10) has a facility code of 8 bits and a
number of 16, and the gatehouse of the demo takes both as one decimal.
"""

from __future__ import annotations

import csv
import random
import shutil
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from credkit import DefinitionError
from credkit.crosswalk import Crosswalk, compare_runs, crosswalk, read_run, write_outputs
from credkit.crosswalk.comparing import EXCEPTION_KEY, FINDING_KEY, LINE_KEY, OUTCOMES, RunComparison, match_rows
from credkit.crosswalk.comparisontext import comparison_text, describe_difference, describe_since
from credkit.crosswalk.outputs import EXCEPTIONS, FINDINGS, LINES, MAKER
from credkit.demo import Demo
from credkit.files.outputs import write_folder
from credkit.files.outputs.runs import list_runs, name_new_run, remove_old_runs
from credkit.report import report_comparison
from credkit.site import load_site
from tests.commandline import ACCOUNT, records, run

INPUTS = ("credentials.csv", "readings.csv", "gatehouse-export.csv", "laundry-export.csv")
Tables = dict[str, list[dict[str, str]]]


def load(folder: Path) -> Tables:
    tables = {}
    for name in INPUTS:
        with (folder / name).open(newline="", encoding="utf-8") as file:
            tables[name] = list(csv.DictReader(file))
    return tables


def save(tables: Tables, folder: Path) -> None:
    for name, rows in tables.items():
        with (folder / name).open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)


@pytest.fixture
def again(demo: Demo, tmp_path: Path) -> Path:
    """A copy of the demo's files, to be changed."""
    folder = tmp_path / "again"
    folder.mkdir()
    for name in ("site.toml", *INPUTS):
        shutil.copyfile(demo.folder / name, folder / name)
    return folder


@pytest.fixture
def first(demo_crosswalk: Crosswalk, tmp_path: Path) -> Path:
    """The demo's crosswalk, as it is written."""
    write_outputs(demo_crosswalk, tmp_path / "first")
    return tmp_path / "first"


def gatehouse_text(facility: int, number: int) -> str:
    return str(facility << 16 | number)


def differences(table: pl.DataFrame, key: tuple[str, ...], *names: str) -> set[tuple[object, ...]]:
    """The change, the key, and these columns before and after."""
    return set(
        table.select("change", *key, *(f"{side}_{name}" for side in ("before", "after") for name in names)).rows()
    )


def test_ten_changes_are_found_and_nothing_else(
    demo_crosswalk: Crosswalk, first: Path, again: Path, crosswalks: Callable[..., Crosswalk], tmp_path: Path
) -> None:
    tables = load(again)
    register, readings, export = (tables[name] for name in INPUTS[:3])
    cards = {row["credential_id"]: row for row in register}

    def pick(action: str, count: int) -> list[tuple[str, str, str]]:
        """Cards that no reading shows, each the only one of its person, in the gatehouse alone."""
        lines = demo_crosswalk.lines.frame
        lone = lines.filter(pl.col("person").is_unique() & pl.col("credential").is_unique())
        fit = lone.filter(kind="harbour-card", target="gatehouse", action=action, proof="on paper only", replaces="")
        found = [row for row in fit.select("person", "credential", "text").rows() if row[1].startswith("E-12-1")]
        return found[:count]

    deleted, lost, written, renumbered, twin, other_twin = pick("add", 6)
    dropped, replaced = pick("keep", 2)
    assert not {"01209401", "01209402", "01209403"} & {row["value"] for row in register}

    template = cards[renumbered[1]]
    register.append({  # 1: a new person with a new card
        **template, "person_id": "P-9401", "credential_id": "E-12-9401", "value": "01209401", "printed": "09401",
    })  # fmt: skip
    register.remove(cards[deleted[1]])  # 2: a card that is no longer in the register
    cards[lost[1]]["status"] = "lost"  # 3
    export.append({"person_id": written[0], "text": written[2]})  # 4: the gatehouse holds what was to be added
    export[:] = [row for row in export if row["person_id"] != dropped[0]]  # 5: and no longer what it held
    for row in export:
        if row["person_id"] == replaced[0]:
            row["text"] = gatehouse_text(12, 9402)  # 6: it holds a number of no card
    cards[renumbered[1]].update(value="01209403", printed="09403")  # 7: a corrected number
    cards[other_twin[1]].update({name: cards[twin[1]][name] for name in ("value", "printed")})  # 8: a duplicate
    unknown = next(row for row in demo_crosswalk.exceptions if row.code == "unknown-card" and row.reader == "east-gate")
    place = unknown.line - 2
    readings.append({**readings[place], "time": "2026-03-30T12:34:56+02:00"})  # 9: an unknown card is read once more
    unreadable = next(
        row for row in demo_crosswalk.exceptions if row.code == "unreadable" and row.reader == "east-gate"
    )
    gone = readings.pop(unreadable.line - 2)  # 10: a row that no chain reads is gone
    save(tables, again)

    write_outputs(crosswalks(load_site(again / "site.toml")), tmp_path / "second")
    found = compare_runs(read_run(first), read_run(tmp_path / "second"))

    def line(card: tuple[str, str, str]) -> tuple[str, ...]:
        return (card[0], "gatehouse", card[1], "harbour-card")

    new = gatehouse_text(12, 9401)
    nothing = (None, None, None)
    assert differences(found.lines, LINE_KEY, "action", "text", "code") == {
        ("new", "P-9401", "gatehouse", "E-12-9401", "harbour-card", *nothing, "add", new, ""),
        ("gone", *line(deleted), "add", deleted[2], "", *nothing),
        ("changed", *line(lost), "add", lost[2], "", "none", "", "not-active"),
        ("changed", *line(written), "add", written[2], "", "keep", written[2], ""),
        ("changed", *line(dropped), "keep", dropped[2], "", "add", dropped[2], ""),
        ("changed", *line(replaced), "keep", replaced[2], "", "change", replaced[2], ""),
        ("changed", *line(renumbered), "add", renumbered[2], "", "add", gatehouse_text(12, 9403), ""),
        ("changed", *line(twin), "add", twin[2], "", "hold", "", "duplicate-number"),
        ("changed", *line(other_twin), "add", other_twin[2], "", "hold", "", "duplicate-number"),
    }
    assert {row[:2] for row in found.people.select("person", "outcome").rows()} == {
        ("P-9401", "gained"), (deleted[0], "lost"), (lost[0], "lost"), (written[0], "other"), (dropped[0], "other"),
        (replaced[0], "other"), (renumbered[0], "exchanged"), (twin[0], "lost"), (other_twin[0], "lost"),
    }  # fmt: skip
    assert [found.count_people(outcome) for outcome in OUTCOMES] == [1, 4, 1, 3]
    assert differences(found.exceptions, EXCEPTION_KEY, "code") == {
        ("new", "readings.csv", "east-gate", "2026-03-30T12:34:56+02:00", readings[-1]["text"], None, "unknown-card"),
        ("new", "gatehouse-export.csv", "", "", gatehouse_text(12, 9402), None, "existing-unmatched"),
        ("fixed", "readings.csv", "east-gate", gone["time"], gone["text"], "unreadable", None),
    }
    counts = {(each.code, each.subject): each.count for each in demo_crosswalk.findings}
    facility, card = map(int, twin[1].removeprefix("E-").split("-"))
    number = f"harbour {facility:03d}{card:05d}"  # as the register writes it
    seen = counts["never-seen", "harbour-card"]
    held = counts["existing-unmatched", "gatehouse"]
    unknowns, unreadables = counts["unknown-card", "east-gate"], counts["unreadable", "east-gate"]
    assert differences(found.findings, FINDING_KEY, "count") == {
        ("new", "duplicate-number", number, None, 2),
        ("changed", "never-seen", "harbour-card", seen, seen - 1),  # one card more, two fewer that are active
        ("changed", "unknown-card", "east-gate", unknowns, unknowns + 1),
        ("changed", "existing-unmatched", "gatehouse", held, held + 1),
        ("changed", "unreadable", "east-gate", unreadables, unreadables - 1),
    }
    assert found.inputs == ("credentials.csv", "readings.csv", "gatehouse-export.csv")
    assert describe_difference(found) == (
        "1 person gained a number, 4 lost one, 1 got another, 3 changed otherwise, 1 new finding, 4 changed, "
        "1 exception fixed, 2 new"
    )


def test_the_order_of_rows_and_the_same_input_again_change_nothing(
    first: Path, again: Path, crosswalks: Callable[..., Crosswalk], tmp_path: Path
) -> None:
    before = read_run(first)
    assert before.lines.height > 6000
    assert compare_runs(before, read_run(first)).is_same
    tables = load(again)
    for rows in tables.values():
        random.Random(7).shuffle(rows)
    save(tables, again)
    write_outputs(crosswalks(load_site(again / "site.toml")), tmp_path / "second")
    found = compare_runs(before, read_run(tmp_path / "second"))
    assert found.is_same
    assert not found.people.height
    assert found.inputs == INPUTS
    assert describe_difference(found).startswith("Nothing changed")


def compare_again(first: Path, again: Path, out: Path) -> RunComparison:
    write_outputs(crosswalk(load_site(again / "site.toml")), out)
    return compare_runs(read_run(first), read_run(out))


def test_a_file_of_another_name_is_the_same_file(first: Path, again: Path, tmp_path: Path) -> None:
    """Exports have the day in their names; the bytes are the same, and so is all that is found."""
    text = (again / "site.toml").read_text(encoding="utf-8")
    for name in INPUTS:
        later = name.replace(".csv", "-2026-04.csv")
        (again / name).rename(again / later)
        assert f'"{name}"' in text
        text = text.replace(f'"{name}"', f'"{later}"')
    (again / "site.toml").write_text(text, encoding="utf-8")
    found = compare_again(first, again, tmp_path / "second")
    assert found.is_same
    renamed = {f"{name[:-4]}-2026-04.csv, before {name} with the same bytes" for name in INPUTS}
    assert set(found.inputs) == {"site.toml", *renamed}
    since = describe_since(found)
    assert since.startswith("Nothing changed since")
    assert all(since.count(f"{name[:-4]}-2026-04.csv, before {name}") == 1 for name in INPUTS)
    page = report_comparison(found)
    assert all(page.count(f"<code>{name[:-4]}-2026-04.csv, before {name}</code>") == 1 for name in INPUTS)
    assert '<td data-label="is">gone' not in page
    assert '<td data-label="is">new' not in page


def test_another_time_zone_makes_no_reading_another(first: Path, again: Path, tmp_path: Path) -> None:
    """The demo's readings have offsets: what another zone shows of them is the same instant."""
    site = again / "site.toml"
    text = site.read_text(encoding="utf-8")
    site.write_text(text.replace('"Europe/Amsterdam"', '"Atlantic/Azores"'), encoding="utf-8")
    found = compare_again(first, again, tmp_path / "second")
    assert found.times == "by their instants"
    assert any("The time zone is another" in line for line, _ in comparison_text(found))
    shown = {row["input"] for row in found.exceptions.rows(named=True) if row["time"]}
    changed_days = crosswalk(load_site(site)).exceptions  # a few status days begin at other hours
    assert len(shown) < len(changed_days) / 20


def test_readings_without_an_offset_are_known_by_the_clock(tmp_path: Path) -> None:
    runs = []
    for zone in ("Etc/UTC", "Europe/Amsterdam"):
        folder = tmp_path / zone.replace("/", "-")
        folder.mkdir()
        (folder / "site.toml").write_text(
            f"[site]\nname = 'Brackwater Terminal'\nas_of = 2026-03-31\ntime_zone = '{zone}'\n"
            "[files.credentials]\npath = 'c.csv'\n[files.readings]\npath = 'r.csv'\ntime = 'YYYY-MM-DD hh:mm'\n"
            "[kinds.card]\nkey = ['number']\nvalue = 'decimal:16/fields:number:16'\n"
            "[readers.gate]\nkind = 'card'\nchain = 'decimal:16/fields:number:16'\n"
        )
        (folder / "c.csv").write_text("person_id,credential_id,kind,value,status\nP-1,C-1,card,7,active\n")
        (folder / "r.csv").write_text("time,reader,text\n2026-03-10 06:58,gate,8\n2026-03-11 06:58,gate,9\n")
        write_outputs(crosswalk(load_site(folder / "site.toml")), folder / "out")
        runs.append(read_run(folder / "out"))
    found = compare_runs(*runs)
    assert (found.is_same, found.times) == (True, "by the clock")
    told = "The time zone is another: readings are compared by the clock."
    assert describe_since(found).endswith(f" {told}")
    assert report_comparison(found).count(told) == 1


def test_a_run_written_twice_has_the_same_bytes(demo_crosswalk: Crosswalk, first: Path, tmp_path: Path) -> None:
    write_outputs(demo_crosswalk, tmp_path / "second")
    assert {file.name: file.read_bytes() for file in first.iterdir()} == {
        file.name: file.read_bytes() for file in (tmp_path / "second").iterdir()
    }


def test_rows_are_matched_as_often_as_they_are_there() -> None:
    """Against counting by hand: every way of having up to three rows of two values on each side."""
    values = ["", "a", "b", "aa", "ab", "bb", "aab", "abb"]
    for one in values:
        for other in values:
            before, after = (
                pl.DataFrame({"k": ["k"] * len(it), "v": list(it)}, schema={"k": pl.String, "v": pl.String})
                for it in (one, other)
            )
            found = match_rows(before, after, ["k"], ["v"])
            equal = sum(min(one.count(letter), other.count(letter)) for letter in "ab")
            left, come = len(one) - equal, len(other) - equal
            pairs = min(left, come)
            expected = ["new"] * (come - pairs) + ["changed"] * pairs + ["gone"] * (left - pairs)
            assert found["change"].to_list() == expected, (one, other)
            assert all(row[1] != row[2] for row in found.select("change", "before_v", "after_v").rows())


@pytest.mark.parametrize("name", ["crosswalk.csv", "exceptions.csv", "findings.csv", "run.json"])
def test_a_run_that_was_changed_since_is_refused(first: Path, name: str) -> None:
    with (first / name).open("ab") as file:
        file.write(b"\n")
    with pytest.raises(DefinitionError, match=f"holds '{name}', which was changed after credkit wrote it"):
        read_run(first)
    (first / name).unlink()
    with pytest.raises(DefinitionError, match=f"lacks '{name}'"):
        read_run(first)


def test_what_is_no_run_is_refused(first: Path, tmp_path: Path) -> None:
    (first / "notes.txt").write_text("mine")
    assert read_run(first).site == "Brackwater Terminal"  # a file beside them says nothing against them
    with pytest.raises(DefinitionError, match="cannot be read"):
        read_run(tmp_path / "nothing")
    with pytest.raises(DefinitionError, match="has no mark of credkit"):
        read_run(tmp_path)
    mark = first / "credkit.sha256"
    text = mark.read_text()
    mark.write_text(text.replace("crosswalk.", "census.", 1))
    with pytest.raises(DefinitionError, match="holds the files of a census, not of a crosswalk"):
        read_run(first)
    mark.write_text("".join(line for line in text.splitlines(keepends=True) if "findings" not in line))
    with pytest.raises(DefinitionError, match=r"has no 'findings[.]csv': an earlier version of credkit wrote it"):
        read_run(first)


SITE = """
[site]
name = "{name}"
time_zone = "Europe/Amsterdam"
as_of = 2026-03-31
[files.credentials]
path = "credentials.csv"
[files.readings]
path = "readings.csv"
[kinds.card]
value = "template:{{facility:03d}}{{number:05d}}"
key = ["facility", "number"]
[readers.gate]
kind = "card"
chain = "template:{{facility:03d}}{{number:05d}}"
[targets.gatehouse]
kind = "card"
chain = "decimal:24/fields:facility:8,number:16"
column = "int32"
"""
HEADER = "person_id,credential_id,kind,value,printed,issue,status,valid_from,valid_until,replaces,source\n"


def write_site(home: Path, *cards: str, name: str = "Brackwater Terminal") -> Path:
    home.mkdir(exist_ok=True)
    (home / "site.toml").write_text(SITE.format(name=name), encoding="utf-8")
    pairs = [card.split() for card in cards]
    rows = "".join(f"{person},C-{person},card,{value},,,active,,,,\n" for person, value in pairs)
    (home / "credentials.csv").write_text(HEADER + rows, encoding="utf-8")
    (home / "readings.csv").write_text("time,reader,text,presentation,expected\n", encoding="utf-8")
    return home / "site.toml"


def crosswalk_of(site: Path, out: Path, *options: str) -> None:
    done = run("crosswalk", str(site), "--out", str(out), *options)
    assert done.exit_code == 0, done.output


def test_cells_with_quotes_commas_and_formulas_come_back(tmp_path: Path) -> None:
    site = write_site(tmp_path / "site")
    site.with_name("credentials.csv").write_text(
        HEADER + '"P ""1"", a",C-1,card,01200345,,,active,,,,\n=P-2,C-2,card,01200346,,,active,,,,\n'
        "Ж,C-3,card,01200347,,,active,,,,\n", encoding="utf-8",
    )  # fmt: skip
    crosswalk_of(site, tmp_path / "a")
    persons = read_run(tmp_path / "a").lines["person"].to_list()
    assert persons == ['P "1", a', "'=P-2", "Ж"]


def test_the_command_says_the_verdict_first(tmp_path: Path) -> None:
    site = write_site(tmp_path / "site", "P-1 01200345", "P-2 01200346", "P-3 01200347")
    crosswalk_of(site, tmp_path / "a")
    write_site(tmp_path / "site", "P-1 01200345", "P-2 01200999", "P-4 01200348", "P-5 0120034x")
    crosswalk_of(site, tmp_path / "b")
    done = run("compare", str(tmp_path / "a"), str(tmp_path / "b"))
    lines = done.output.splitlines()
    assert done.exit_code == 1
    assert max(map(len, lines)) <= 80
    text = " ".join(done.output.split())
    assert text.startswith("1 person gained a number, 1 lost one, 1 got another, 1 changed otherwise, ")
    assert "input files that differ: credentials.csv" in text
    assert f"new: P-4, gatehouse, C-P-4: add {gatehouse_text(12, 348)}" in text
    *found, last = records(run("compare", str(tmp_path / "a"), str(tmp_path / "b"), "--json"))
    assert {each["what"] for each in found} == {"finding", "line", "exception", "person"}
    assert {(each["person"], each["outcome"]) for each in found if each["what"] == "person"} == {
        ("P-2", "exchanged"), ("P-3", "lost"), ("P-4", "gained"), ("P-5", "other"),
    }  # fmt: skip
    assert {(each["person"], each["change"]) for each in found if each["what"] == "line"} == {
        ("P-2", "changed"), ("P-3", "gone"), ("P-4", "new"), ("P-5", "new"),
    }  # fmt: skip
    assert (last["site"], last["inputs"]) == ("Brackwater Terminal", ["credentials.csv"])
    assert [Path(each["path"]).name for each in last["runs"]] == ["a", "b"]
    same = run("compare", str(tmp_path / "b"), str(tmp_path / "b"))
    assert (same.exit_code, same.output.splitlines()[0][:15]) == (0, "Nothing changed")


def test_a_run_of_another_site_is_refused(tmp_path: Path) -> None:
    for name, site in (("a", "Brackwater Terminal"), ("b", "Brackwater East")):
        crosswalk_of(write_site(tmp_path / "site", "P-1 01200345", name=site), tmp_path / name)
    done = run("compare", str(tmp_path / "a"), str(tmp_path / "b"))
    assert done.exit_code == 2
    assert "two runs of one site can be compared" in done.stderr
    assert "'Brackwater East'" in done.stderr


def test_runs_are_kept_and_the_two_newest_compared(tmp_path: Path) -> None:
    home = tmp_path / "runs"
    lone = run("compare", str(home))
    assert (lone.exit_code, "is not a folder" in lone.stderr) == (2, True)
    home.mkdir()
    (home / "notes.txt").write_text("mine")
    (home / "2020-01-01T000000Z").mkdir()  # named like a run, and nobody's
    made = []
    for number in range(4):
        cards = [f"P-{place} 0120034{place}" for place in range(number + 1)]
        crosswalk_of(write_site(tmp_path / "site", *cards), home, "--keep", "2")
        made.append(
            max((path for path in home.iterdir() if path.name > "2021"), key=lambda path: path.stat().st_ctime_ns)
        )
        if number == 0:
            few = run("compare", str(home))
            assert (few.exit_code, "holds 1 run of a crosswalk" in few.stderr) == (2, True)
    left = {path.name for path in home.iterdir()}
    assert left == {"notes.txt", "2020-01-01T000000Z", made[2].name, made[3].name}
    done = run("compare", str(home))
    assert (done.exit_code, done.output.splitlines()[0].partition(",")[0]) == (1, "1 person gained a number")
    assert made[3].name in done.output
    assert run("compare", str(made[3])).exit_code == 2  # one run alone

    (made[2] / "notes.txt").write_text("mine")  # what somebody added to is never removed
    done = run("crosswalk", str(tmp_path / "site" / "site.toml"), "--out", str(home), "--keep", "1")
    assert done.exit_code == 0
    assert "stays: it holds 'notes.txt', which no mark of credkit lists" in done.stderr
    assert (made[2] / "crosswalk.csv").is_file()
    assert not made[3].exists()


def test_runs_are_not_kept_in_a_result_and_what_is_read_stays(tmp_path: Path) -> None:
    site = write_site(tmp_path / "site", "P-1 01200345")
    crosswalk_of(site, tmp_path / "a")
    done = run("crosswalk", str(site), "--out", str(tmp_path / "a"), "--keep", "2")
    assert (done.exit_code, "is a result itself" in done.stderr) == (2, True)
    home = tmp_path / "runs"
    crosswalk_of(site, home, "--keep", "1")
    (kept,) = home.iterdir()
    assert remove_old_runs(home, "crosswalk", 0, [kept / "crosswalk.csv"]) == [
        f"run '{kept.name}' stays: it holds a file that is read"
    ]
    assert remove_old_runs(home, "census", 0) == []
    assert (kept / "crosswalk.csv").is_file()
    assert remove_old_runs(home, "crosswalk", 0) == []
    assert not kept.exists()


def test_a_removal_that_was_interrupted_is_finished_by_the_next(tmp_path: Path) -> None:
    times = [datetime(2026, 3, day, tzinfo=UTC) for day in (29, 30, 31)]
    old, middle, new = (name_new_run(tmp_path, time) for time in times)
    for place in (old, middle, new):
        write_folder({"run.json": b"{}", "crosswalk.csv": b"person"}, place, "crosswalk")
    (old / "crosswalk.csv").unlink()  # the mark goes last
    assert remove_old_runs(tmp_path, "crosswalk", 2) == []
    assert sorted(tmp_path.iterdir()) == [middle, new]


@pytest.mark.parametrize(
    ("name", "data"),
    [("run.json", b"{"), ("run.json", b"[]"), ("run.json", b'{"site": "x"}'), ("findings.csv", b"code\n"),
     ("findings.csv", b"code,subject,count,people,text,lines\na,b,c,1,,\n"), ("crosswalk.csv", b"")],
)  # fmt: skip
def test_files_of_another_form_are_refused(tmp_path: Path, name: str, data: bytes) -> None:
    files: dict[str, bytes | Iterable[bytes]] = {
        "run.json": b'{"site": "Brackwater Terminal", "as_of": "2026-03-31", "inputs": []}',
        "crosswalk.csv": LINES.encode([]), "exceptions.csv": EXCEPTIONS.encode([]), "findings.csv": FINDINGS.encode([]),
    }  # fmt: skip
    write_folder(files, tmp_path / "good", MAKER)
    assert compare_runs(read_run(tmp_path / "good"), read_run(tmp_path / "good")).is_same
    write_folder(files | {name: data}, tmp_path / "bad", MAKER)
    with pytest.raises(DefinitionError, match="of another form than this version of credkit writes"):
        read_run(tmp_path / "bad")


def test_the_newest_run_is_found_by_its_number_within_a_second(tmp_path: Path) -> None:
    now = datetime(2026, 3, 31, 23, 0, 0, tzinfo=UTC)
    for _ in range(11):
        write_folder({"run.json": b"{}"}, name_new_run(tmp_path, now), "crosswalk")
    stem = "2026-03-31T230000Z"
    expected = [f"{stem}-{number}" for number in range(11, 1, -1)] + [stem]
    assert [path.name for path in list_runs(tmp_path, "crosswalk")] == expected
    assert list_runs(tmp_path, "census") == []
    with pytest.raises(DefinitionError, match=f"holds a run of a later time, {stem}, and it is 2026-03-31T2259"):
        name_new_run(tmp_path, now - timedelta(seconds=1))


def test_without_details_a_list_is_cut_and_says_so(tmp_path: Path) -> None:
    crosswalk_of(write_site(tmp_path / "site", "P-0 01200300"), tmp_path / "a")
    cards = [f"P-{number} {12_00300 + number:08d}" for number in range(30)]
    crosswalk_of(write_site(tmp_path / "site", *cards), tmp_path / "b")
    found = compare_runs(read_run(tmp_path / "a"), read_run(tmp_path / "b"))
    short, long = ("\n".join(text for text, _ in comparison_text(found, details=each)) for each in (False, True))
    assert "and 19 more (--details)" in short
    assert "more (--details)" not in long
    assert sum(line.startswith("  new: P-") for line in long.splitlines()) == 29


def test_account_numbers_are_masked_on_the_screen_and_in_json(tmp_path: Path) -> None:
    """Files may have such numbers in full, where a kind is declared as none of payment; a screen has not."""
    for name, text in (("a", ""), ("b", ACCOUNT)):
        cells = {"person": "P-1", "target": "gatehouse", "action": "add", "text": text}
        files: dict[str, bytes | Iterable[bytes]] = {
            "run.json": b'{"site": "Brackwater Terminal", "as_of": "2026-03-31", "inputs": []}',
            "crosswalk.csv": LINES.encode([[cells.get(column, "") for column in LINES.columns]]),
            "exceptions.csv": EXCEPTIONS.encode([]),
            "findings.csv": FINDINGS.encode([("never-seen", ACCOUNT, 1, 1, "text", "")] if text else []),
        }
        write_folder(files, tmp_path / name, MAKER)
    assert ACCOUNT in (tmp_path / "b" / "crosswalk.csv").read_text()
    assert ACCOUNT in (tmp_path / "b" / "findings.csv").read_text()
    for options in ((), ("--json",), ("--details",)):
        done = run("compare", str(tmp_path / "a"), str(tmp_path / "b"), *options)
        assert (done.exit_code, ACCOUNT in done.output, ACCOUNT[:6] in done.output) == (1, False, True)
    assert ACCOUNT in run("compare", str(tmp_path / "a"), str(tmp_path / "b"), "--reveal").output
