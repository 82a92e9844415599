"""The output of the crosswalk: files that are there as a whole or not at all, and the summary."""

from __future__ import annotations

import csv
import json
import re
import stat
from dataclasses import replace
from importlib import import_module
from pathlib import Path

import pytest

from credkit import DefinitionError
from credkit.crosswalk import crosswalk, screen_text, summary_text, write_outputs
from credkit.crosswalk.exports import TargetExport
from credkit.crosswalk.judging import judge_sightings
from credkit.crosswalk.outputs import FILE_NAMES
from credkit.crosswalk.unresolved import list_unresolved
from credkit.crosswalk.verdicts import Verdicts
from credkit.files.csvtables import format_cell
from credkit.files.outputs.marks import FOLDER_MARK
from credkit.site.model import Site
from tests.brackwater import Files, hexed, made, two, walk
from tests.sentences import refusal

walked = import_module("credkit.crosswalk.pipeline")
placed = TargetExport.match_rows


@pytest.fixture(scope="module")
def site() -> Site:
    return made()


def table(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_output_files(site: Site, tmp_path: Path) -> None:
    files = two().read("gate", hexed(12, 999), "=1+1", expected="=C").card("C-3", "01200347", person="@P-3")
    result = walk(site, files)
    out = tmp_path / "deep" / "result"
    write_outputs(result, out)
    assert sorted(path.name for path in out.iterdir()) == sorted([*FILE_NAMES, FOLDER_MARK])
    assert stat.S_IMODE(out.stat().st_mode) == 0o700
    assert {stat.S_IMODE(path.stat().st_mode) for path in out.iterdir()} == {0o600}
    assert [path.name for path in out.parent.iterdir()] == ["result"]
    lines = table(out / "crosswalk.csv")
    assert lines[0] == {
        "line": "2", "person": "P-C-1", "credential": "C-1", "kind": "card", "number": "12-345",
        "value": "01200345", "printed": "",
        "status": "active", "valid_from": "", "valid_until": "", "replaces": "", "source": "west",
        "target": "gatehouse", "held": "", "text": "786777", "action": "add", "code": "", "proof": "seen",
        "readers": "gate 1", "certain": "1", "shared": "0", "first_seen": "2026-03-10T08:00:00+01:00",
        "last_seen": "2026-03-10T08:00:00+01:00", "reason": "",
    }  # fmt: skip
    assert lines[2]["person"] == "'@P-3"
    exceptions = table(out / "exceptions.csv")
    assert exceptions[0] == {
        "file": "readings.csv", "line": "4", "code": "unknown-card", "reader": "gate",
        "time": "2026-03-10T08:00:00+01:00", "person": "", "credential": "", "input": hexed(12, 999),
        "reason": "no credential has the number '01200999'", "candidates": "'=C (expected)",
    }  # fmt: skip
    assert [(row["line"], row["code"], row["input"]) for row in exceptions] == [
        ("4", "unknown-card", hexed(12, 999)),
        ("5", "unreadable", "'=1+1"),
    ]
    assert exceptions[1]["candidates"] == "'=C (expected)"
    assert (out / "summary.txt").read_text(encoding="utf-8") == summary_text(result)
    assert [(row["code"], row["subject"], row["count"]) for row in table(out / "findings.csv")] == [
        (finding.code, finding.subject, str(finding.count)) for finding in result.findings
    ]
    assert {row["code"] for row in table(out / "findings.csv")} >= {"unknown-card", "unreadable"}
    run = json.loads((out / "run.json").read_text(encoding="utf-8"))
    assert (run["site"], run["as_of"]) == (site.name, site.as_of.isoformat())


@pytest.mark.parametrize(
    ("value", "written"),
    [
        ("=1", "'=1"),
        ("+31 20", "'+31 20"),
        ("-A1", "'-A1"),
        ("@x", "'@x"),
        ("\t1", "'\t1"),
        ("\r1", "'\r1"),
        ("-2147483648", "-2147483648"),
        ("+1.5", "+1.5"),
        ("--1", "'--1"),
        (" =1", "' =1"),
        ("＝1+1", "'＝1+1"),  # full-width signs: common practice, no source
        ("＋31 20", "'＋31 20"),
        ("－A1", "'－A1"),
        ("＠x", "'＠x"),
        ("a;=1+1", "a;'=1+1"),  # a spreadsheet with ; as its delimiter begins a cell there
        ("a; @b;-5;c", "a;' @b;-5;c"),
        ("a;-5-1", "a;'-5-1"),
        ("-5;-7 ; +8\t9", "-5;-7 ; +8\t9"),
        (("C-1", "=C"), "C-1;' =C"),
        ("a\t=1", "a\t'=1"),
        ("a\r\n＝1", "a\r\n'＝1"),
        ("a=b-c+d@e＝f", "a=b-c+d@e＝f"),
        ("a;b", "a;b"),
        ("786777", "786777"),
        ("", ""),
        (7, "7"),
    ],
)
def test_cells_that_a_spreadsheet_would_run_are_guarded(value: object, written: str) -> None:
    assert format_cell(value) == written


def test_a_former_output_is_replaced(site: Site, tmp_path: Path) -> None:
    write_outputs(walk(site, two()), tmp_path / "result")
    write_outputs(walk(site, two().card("C-3", "01200347")), tmp_path / "result")
    assert len(table(tmp_path / "result" / "crosswalk.csv")) == 3
    assert [path.name for path in tmp_path.iterdir()] == ["result"]


def test_an_empty_directory_is_taken(site: Site, tmp_path: Path) -> None:
    (tmp_path / "result").mkdir()
    write_outputs(walk(site, two()), tmp_path / "result")
    assert stat.S_IMODE((tmp_path / "result").stat().st_mode) == 0o700


@pytest.mark.parametrize("foreign", ["notes.txt", ".hidden", "summary.txt/"])
def test_a_directory_with_anything_else_is_refused(site: Site, tmp_path: Path, foreign: str) -> None:
    out = tmp_path / "result"
    write_outputs(walk(site, two()), out)
    if foreign.endswith("/"):
        (out / "summary.txt").unlink()
        (out / foreign).mkdir()
    else:
        (out / foreign).write_text("mine")
    before = {path.name: path.stat().st_mtime_ns for path in out.iterdir()}
    with pytest.raises(DefinitionError, match=f"holds '{foreign.rstrip('/')}'"):
        write_outputs(walk(site, two().card("C-3", "01200347")), out)
    assert {path.name: path.stat().st_mtime_ns for path in out.iterdir()} == before
    assert [path.name for path in tmp_path.iterdir()] == ["result"]


def test_what_is_no_directory_is_refused(site: Site, tmp_path: Path) -> None:
    (tmp_path / "result").write_text("mine")
    with refusal(DefinitionError):
        write_outputs(walk(site, two()), tmp_path / "result")
    with refusal(DefinitionError):
        write_outputs(walk(site, two()), tmp_path / "result" / "deeper")


def test_a_path_that_none_can_be_is_refused(site: Site, tmp_path: Path) -> None:
    with refusal(DefinitionError):
        write_outputs(walk(site, two()), f"{tmp_path}/a\0b")
    assert not list(tmp_path.iterdir())


def test_a_failure_while_writing_leaves_the_former_output(
    site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "result"
    write_outputs(walk(site, two()), out)
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    real = Path.rename

    def refuse(path: Path, target: Path) -> Path:
        if "new" in path.parts and target == out:
            raise OSError(28, "No space left on device")
        return real(path, target)

    monkeypatch.setattr(Path, "rename", refuse)
    with pytest.raises(DefinitionError, match="No space left on device"):
        write_outputs(walk(site, two().card("C-3", "01200347")), out)
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    assert [path.name for path in tmp_path.iterdir()] == ["result"]


def test_the_summary_as_text(site: Site) -> None:
    result = walk(site, two().read("gate", hexed(12, 999)).card("C-3", "x"))
    text = summary_text(result)
    rows = text.splitlines()
    assert rows[:2] == [
        "2 cards ready, 1 needs a decision",
        "Crosswalk of Brackwater Terminal, status as of 2026-03-31",
    ]
    assert all(len(row) <= 80 for row in rows)
    assert "  credentials.csv            3         2           1          0" in rows
    assert "Every row is in one place: rows = resolved + exceptions." in text
    assert "unknown-card (1): a good number that no credential has" in text
    end = " ".join(text[text.index("Before you use this") :].split())
    for caution in (
        "Data checked", "the number is the key", "keep them private", "fresh sightings", "lawful basis",
        "emergency egress",
    ):  # fmt: skip
        assert caution in end
    assert "secure" not in text
    short = screen_text(result)
    assert "Before you use this" not in short
    assert short.endswith(
        "\nData was checked, not doors. A number can be copied, readings are personal data,\n"
        "and nobody is deactivated from a list alone.\n"
    )
    assert end in " ".join(screen_text(result, details=True).split())


def test_readings_that_several_credentials_explain_are_counted(site: Site) -> None:
    def said(files: Files) -> str:
        text = " ".join(summary_text(walk(site, files)).split())
        return " ".join(re.findall(r"(?<=rows = resolved \+ exceptions\. )\d+ resolved readings? [^.]*\.", text))

    twins = two().card("C-3", "01200345")  # C-1's number, read once
    assert said(twins) == "1 resolved reading is ambiguous: several credentials have the number."
    twins.read("gate", hexed(12, 345))
    assert said(twins).startswith("2 resolved readings are ambiguous")
    assert not said(two().card("C-3", "01200999"))
    known = Files().card("C-1", "01200345").card("C-3", "01200345").read("gate", hexed(12, 345), expected="C-3")
    assert not said(known)  # the desk says which
    gone = Files().card("C-1", "01200345", status="returned").card("C-3", "01200345").read("gate", hexed(12, 345))
    assert not said(gone)  # nobody holds the other
    unread = Files().card("C-1", "01200345").card("C-3", "01200345")
    assert not said(unread)


def test_identifiers_are_not_broken_between_lines(site: Site) -> None:
    ids = [f"EAST-{'x' * length}-GATE-{length:03d}" for length in range(1, 25)]
    files = Files()
    for name in ids:
        files.card(name, "01200345").card(f"{name}-B", f"012{len(name):05d}").card(f"{name}-C", f"012{len(name):05d}")
    words = {word.strip("',;") for word in summary_text(walk(site, files)).split()}
    assert {f"{name}-{end}" for name in ids for end in "BC"} <= words


def without_the_first(verdicts: Verdicts) -> Verdicts:
    """The verdicts, but for the first reading against which nothing speaks."""
    return replace(verdicts, clear=verdicts.clear[1:], cards=verdicts.cards[1:])


def test_a_row_that_got_lost_would_show(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    files = two().read("gate", hexed(12, 999), hexed(12, 998)).export("P-C-1", "786777").export("Q", "1")

    def amiss() -> list[int]:
        result = crosswalk(site, files.rows())
        left = [int(row[-1]) for row in result.summary[0].rows]
        words = "1 unaccounted row" if sum(left) == 1 else f"{sum(left)} unaccounted rows"
        text = summary_text(result)
        assert ("Every row is in one place" in text) is not any(left)
        assert (f"{words}: this is a fault in credkit" in " ".join(text.split())) is any(left)
        return left

    assert amiss() == [0, 0, 0]
    with monkeypatch.context() as patch:  # a reading that is resolved is lost
        patch.setattr(walked, "judge_sightings", lambda *given: without_the_first(judge_sightings(*given)))
        assert amiss() == [0, 1, 0]
    with monkeypatch.context() as patch:  # one that is not resolved is lost
        patch.setattr(walked, "list_unresolved", lambda *given: list_unresolved(*given)[1:])
        assert amiss() == [0, 1, 0]
    with monkeypatch.context() as patch:  # one is lost, and another is there twice: the numbers would add up
        patch.setattr(walked, "list_unresolved", lambda *given: list_unresolved(*given)[:1] * 2)
        assert amiss() == [0, 2, 0]
    with monkeypatch.context() as patch:  # a row of the export that is explained, and one that is not
        patch.setattr(TargetExport, "match_rows", lambda export: ([], placed(export)[1]))
        assert amiss() == [0, 0, 1]
        patch.setattr(TargetExport, "match_rows", lambda export: (placed(export)[0], []))
        assert amiss() == [0, 0, 1]


def test_names_of_any_length_and_script_keep_the_width(site: Site) -> None:
    long = "東" * 40 + "-" + "x" * 90
    result = walk(replace(site, name=long), two().card(long, "01200347", person=long).card("C-4", "01200347"))
    assert all(len(row) <= 80 and row.isprintable() for row in summary_text(result).splitlines())
