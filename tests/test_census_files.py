"""The census and its files: the two ways of reading agree, broken files are refused, outputs are whole; the command."""

from __future__ import annotations

import csv
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmarks.census import main as benchmark
from credkit.census import AllocationRequest, census, census_text, write_census
from credkit.census.outputs import FILE_NAMES
from credkit.census.population import read_population
from credkit.core.errors import DefinitionError
from credkit.demo import Demo
from credkit.files.csvcolumns import NeedsStrictReader
from credkit.files.outputs.marks import FOLDER_MARK
from credkit.site.columns import load_credentials
from credkit.site.model import Site
from tests.amounts import examples
from tests.commandline import ACCOUNT, records, run
from tests.populations import SITE, row, site, written
from tests.sentences import refusal


@contextmanager
def kernel_only() -> Iterator[None]:
    """The strict reader may not be asked."""
    with pytest.MonkeyPatch.context() as patch:
        patch.delattr("credkit.site.columns.read_credentials")
        yield


def load_strictly(described: Site) -> pl.DataFrame:
    """The credentials as the strict reader has them."""

    def refuse(*_: object) -> None:
        raise NeedsStrictReader

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("credkit.site.columns.read_frame", refuse)
        return load_credentials(described)


HEAD = "person_id,credential_id,kind,value,printed,issue,status,valid_from,valid_until,replaces,source"
GOOD = "P-1,C-1,card,01200001,,,active,2026-01-01,,,west"
CLASH = [row("C-1", "12-1"), row("C-2", "01200001", person_id="=P"), row("C-3", "x"), row("C-4", "40-2", status="lost")]


def table(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


# ── reading ─────────────────────────────────────────────────────────────────────────────────────

CELLS = st.sampled_from(
    ["", "P-1", " ", "\u00a0", "\u200b",
     "card", "serial", "crad", "active", "lost", "gone?", "12-1", "5", "2026-01-01", "2026-02-30",
     "0000-01-01", "1", "0123456789", "é", '"a"', '"', "a b", "\t", "\r", "\n", ",",
     ";4114360123456785=30121010000?", "\0", "１"]
)  # fmt: skip
LINES = st.one_of(
    st.just(GOOD),
    st.builds(
        lambda *cells: ",".join(cells), st.sampled_from(["P-1", "", '"P"', " ", "\u200b", "\u00e9"]),
        st.sampled_from(["C-2", '"C', 'C"', '"C"', 'C"2"']), st.sampled_from(["card", "serial", "crad"]),
        st.sampled_from(["5", "12-1", "é", '"a,b"', '"5"', '""', '"5', '"a""b"']),
        st.just(""), st.sampled_from(["", "1", "x", "１"]), st.sampled_from(["active", "lost", "off"]),
        st.sampled_from(["", "2026-01-01", "2026-02-30"]), st.sampled_from(["", "2025-01-01", "2026-12-31"]),
        st.just(""), st.sampled_from(["west", ""]),
    ),
    st.lists(CELLS, max_size=12).map(",".join),
)  # fmt: skip


@given(
    st.lists(LINES, max_size=6), st.sampled_from(["\n", "\r\n", "\r"]),
    st.sampled_from([b"", b"\xef\xbb\xbf", b"\xff"]),
    st.booleans(), st.sampled_from([HEAD, ",".join(reversed(HEAD.split(","))), HEAD + ",more", HEAD[:-7]]),
)  # fmt: skip
@examples(300)
def test_kernels_read_what_the_strict_reader_reads(
    lines: list[str], end: str, start: bytes, last: bool, head: str
) -> None:  # fmt: skip
    """The rows of the strict reader, without it where nothing is at fault, and its error where something is."""
    with TemporaryDirectory() as home:
        described = site(Path(home), [])
        data = start + (end.join([head, *lines]) + end * last).encode()
        (Path(home) / "credentials.csv").write_bytes(data)
        try:
            wanted = load_strictly(described)
        except DefinitionError as error:
            assert str(error).startswith("credentials.csv")
            assert "\n" not in error.args[0]
            with pytest.raises(DefinitionError) as caught:
                load_credentials(described)
            assert (str(caught.value), caught.value.details) == (str(error), error.details)
            return
        with kernel_only():
            assert load_credentials(described).equals(wanted)


def test_the_strict_reader_reads_only_files_with_faults(tmp_path: Path) -> None:
    described = site(tmp_path, CLASH)
    path = tmp_path / "credentials.csv"
    plain = path.read_text()
    quoted = "".join(",".join(f'"{cell}"' for cell in line.split(",")) + "\n" for line in plain.splitlines())
    for other in (
        plain,
        quoted,
        plain.replace("C-1", '"C-1"'),
        plain.replace("C-1", '"C,1"'),
        plain.replace("C-1", 'C"1'),
        plain.replace("C-1", 'C"1"'),
        plain.replace("C-1", '"C""1"'),
        plain.replace("\n", "\n\n", 1),
    ):
        path.write_text(other)
        with kernel_only():
            found = load_credentials(described)
        assert found.height == len(CLASH)
        assert found.equals(load_strictly(described))


BROKEN = {
    "no columns": (b"", "line 1: the file is empty"),
    "a column missing": (f"{HEAD.replace(',status', '')}\n".encode(), "line 1: the column status is missing"),
    "too few cells": (f"{HEAD}\n{GOOD}\nP-1,C-2\n".encode(), "line 3: the row has 2 cells, expected 11"),
    "too many cells": (f"{HEAD}\n{GOOD},\n".encode(), "line 2: the row has 12 cells, expected 11"),
    "a NUL": (f"{HEAD}\n{GOOD}\0\n".encode(), "line 2: there is a NUL character"),
    "not UTF-8": (f"{HEAD}\n{GOOD}".encode() + b"\xe9\n", "line 2: byte E9h at offset"),
    "a quotation mark": (f'{HEAD}\n"{GOOD}\n'.encode(), "line 2: a quotation mark that opens"),
    "a line break": (f'{HEAD}\n"P\n1{GOOD[3:]}\n'.encode(), "line 2: "),
    "a semicolon": (f"{HEAD}\n{GOOD}\n".replace(",", ";").encode(), "line 1: there is one column only"),
    "an unknown kind": (f"{HEAD}\n{GOOD.replace('card', 'crad')}\n".encode(), "line 2: no kind is called 'crad'"),
    "an unknown status": (f"{HEAD}\n{GOOD.replace('active', 'off')}\n".encode(), "line 2: status 'off'"),
    "no such day": (f"{HEAD}\n{GOOD.replace('2026-01-01', '2026-02-30')}\n".encode(), "line 2: valid_from is"),
    "a track": (f"{HEAD}\n{GOOD.replace('C-1', f';{ACCOUNT}=3012?')}\n".encode(), "line 2: payment track data"),
}


def test_cells_that_moved_to_the_next_row(tmp_path: Path) -> None:
    """As many cells as the rows need, but in the wrong ones."""
    described = site(tmp_path, [])
    (tmp_path / "credentials.csv").write_text(f"{HEAD}\n{GOOD},\n{GOOD[:-5]}\n")
    with refusal(DefinitionError):
        read_population(described)


@pytest.mark.parametrize("case", BROKEN)
def test_broken_files_are_one_sentence(case: str, tmp_path: Path) -> None:
    data, said = BROKEN[case]
    path = written(tmp_path, [])
    (tmp_path / "credentials.csv").write_bytes(data)
    result = run("census", str(path), "--out", str(tmp_path / "out"))
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr.startswith(f"credkit: credentials.csv {said}")
    assert len(result.stderr.splitlines()) == 1
    assert ACCOUNT not in result.stderr
    assert not (tmp_path / "out").exists()


def test_a_track_in_another_notation_is_refused(tmp_path: Path) -> None:
    """The characters of a track as hexadecimal digits (ASCII): a chain that gets to them shows what they are."""
    toml = SITE.replace('"template:{number:04d}"', '"hex/characters:ascii/template:{number:04d}"').replace(STUB, "")
    value = f";{ACCOUNT}=3012101?".encode().hex()
    path = written(tmp_path, [row("C-1", "30303031", kind="badge"), row("C-2", value, kind="badge")], toml)
    result = run("census", str(path))
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr.startswith("credkit: credentials.csv line 3: payment track data")


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    path = written(tmp_path, [])
    (tmp_path / "credentials.csv").unlink()
    result = run("census", str(path))
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr == "credkit: credentials.csv: the file cannot be read (No such file or directory)\n"


# ── outputs ─────────────────────────────────────────────────────────────────────────────────────


def test_output_files(tmp_path: Path) -> None:
    result = census(site(tmp_path / "site", CLASH), wanted=AllocationRequest(count=2, facility=12))
    out = tmp_path / "deep" / "out"
    write_census(result, out)
    assert sorted(path.name for path in out.iterdir()) == sorted([*FILE_NAMES, FOLDER_MARK])
    assert stat.S_IMODE(out.stat().st_mode) == 0o700
    assert {stat.S_IMODE(path.stat().st_mode) for path in out.iterdir()} == {0o600}
    first, second, *more = table(out / "duplicates.csv")
    assert first == {
        "group": "1", "where": "harbour", "what": "number", "shared": "12-1", "credential": "C-1", "person": "P",
        "kind": "card", "number": "12-1", "value": "12-1", "line": "2", "state": "active", "readers": "gate; east-only",
    }  # fmt: skip
    assert second["person"] == "'=P"  # a spreadsheet would run it
    assert {each["where"] for each in more} == {"canteen", "east-only"}
    assert [each["credential"] for each in table(out / "reissue.csv")] == ["C-2"]
    unread = table(out / "unreadable.csv")
    assert [(each["line"], each["code"], each["input"], each["credential"]) for each in unread] == [
        ("4", "unreadable-value", "x", "C-3")
    ]
    assert [each["number"] for each in table(out / "allocation.csv")] == ["3", "4"]
    assert table(out / "allocation.csv")[0]["gatehouse"] == str(12 << 16 | 3)
    assert [each["reason"] for each in table(out / "skipped.csv")] == [
        "number 0 is not given out", "issued", "target canteen would have the same text for another card",
    ]  # fmt: skip
    assert sum(int(each["count"]) for each in table(out / "ranges.csv") if each["facility"] == "12") == 65536
    assert (out / "summary.txt").read_text(encoding="utf-8") == census_text(result)


def test_outputs_take_the_place_of_the_former_ones_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    described = site(tmp_path / "site", CLASH)
    out = tmp_path / "out"
    write_census(census(described, wanted=AllocationRequest(count=1, facility=12)), out)
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    real = Path.rename

    def refuse(path: Path, target: Path) -> Path:
        if "new" in path.parts and target == out:
            raise OSError(28, "No space left on device")
        return real(path, target)

    monkeypatch.setattr(Path, "rename", refuse)
    with pytest.raises(DefinitionError, match="No space left on device"):
        write_census(census(described), out)
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    monkeypatch.undo()
    write_census(census(described), out)
    assert {path.name for path in out.iterdir()} == {FOLDER_MARK, *FILE_NAMES} - {"allocation.csv", "skipped.csv"}
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".")] == []
    (out / "notes.txt").write_text("mine")
    with pytest.raises(DefinitionError, match=r"holds 'notes\.txt', which no mark of credkit lists"):
        write_census(census(described), out)


def test_numbers_that_look_like_account_numbers_are_masked(tmp_path: Path) -> None:
    toml = SITE.replace('"template:{number:04d}"', '"decimal:56/fields:number:56"').replace(STUB, "")
    drawn = [row(f"C-{n}", ACCOUNT, kind="badge") for n in range(3)]
    path = written(tmp_path, [*drawn, row("C-9", f"x{ACCOUNT}", kind="badge")], toml)
    for more in (("--details",), ("--json",), ("--details", "--out", str(tmp_path / "out"))):
        result = run("census", str(path), *more)
        assert result.exit_code == 1
        assert ACCOUNT not in result.output
        assert "411436******6785" in result.output
    assert not any(ACCOUNT in file.read_text() for file in (tmp_path / "out").iterdir())
    plain = toml.replace("[kinds.badge]", '[kinds.badge]\nnot_payment = "made up"')
    write_census(census(site(tmp_path, drawn, plain)), tmp_path / "plain")
    assert table(tmp_path / "plain" / "duplicates.csv")[0]["shared"] == ACCOUNT


def test_numbers_of_a_kind_that_is_no_payment_card_are_whole_in_every_file(tmp_path: Path) -> None:
    """Two new badges would otherwise stand there as one: the middle digits are what tells them apart."""
    toml = SITE.replace('"template:{number:04d}"', '"template:{number:016d}"').replace(STUB, "")
    toml = toml.replace("[kinds.badge]", '[kinds.badge]\nnot_payment = "locker numbers"')
    drawn = [row(f"C-{n}", ACCOUNT, kind="badge") for n in range(2)]
    more = [row(f"D-{n}", f"411436{n:09d}5", kind="badge") for n in range(40)]
    result = census(site(tmp_path, [*drawn, *more], toml), wanted=AllocationRequest(count=30, kind="badge"))
    write_census(result, tmp_path / "out")
    for name, column in (("duplicates", "number"), ("duplicates", "shared"), ("reissue", "number")):
        assert {each[column] for each in table(tmp_path / "out" / f"{name}.csv")} == {ACCOUNT}
    assert ACCOUNT in {each["first"] for each in table(tmp_path / "out" / "ranges.csv")}
    wide = toml.replace('"template:{number:016d}"', '"template:411436{number:010d}"')
    result = census(site(tmp_path, [], wide), wanted=AllocationRequest(count=30, kind="badge"))
    write_census(result, tmp_path / "out")
    badges = table(tmp_path / "out" / "allocation.csv")
    assert [each["value"] for each in badges] == [f"411436{int(each['number']):010d}" for each in badges]
    assert len({each["value"] for each in badges}) == 30
    assert not any("*" in path.read_text() for path in (tmp_path / "out").iterdir())


STUB = """[readers.stub]
kind = "badge"
chain = "hex:4/keep-low:6/fields:number:6"
"""


# ── the command ─────────────────────────────────────────────────────────────────────────────────


def test_the_demo(demo: Demo) -> None:
    path = str(demo.site)
    result = run("census", path, "--allocate", "3", "--facility", "57", "--details")
    assert (result.exit_code, result.stderr) == (1, "")
    assert max(map(len, result.stdout.splitlines())) <= 80
    assert "Data checked" in result.stdout
    assert "target turnstile" in result.stdout
    assert "and 21 more" in result.stdout  # of 26 numbers that two harbours gave out twice
    *groups, total = records(run("census", path, "--json"))
    assert [*total] == [
        "site", "as_of", "room", "rows", "places", "readers", "reissue", "ranges", "plans", "unreadable", "unknown",
        "allocation", "verdict", "work", "out",
    ]  # fmt: skip
    assert {tuple(each) for each in groups} == {("what", "place", "text", "members", "readers")}
    assert sum(each["groups"] for each in total["places"]) == len(groups)
    assert total["rows"]["rows"] == sum(
        total["rows"][name] for name in (*["active", "inactive", "gone"], "superseded", "unreadable")
    )
    assert total["allocation"] is None


def test_nothing_found_is_good(tmp_path: Path) -> None:
    path = str(written(tmp_path, [row("C-1", "12-1"), row("C-2", "12-2", status="lost")]))
    result = run("census", path)
    assert result.exit_code == 0
    assert result.stdout.splitlines()[0] == "2 cards, no duplicates, nothing to do"


def test_credentials_of_another_file(tmp_path: Path) -> None:
    path = written(tmp_path, [row("C-1", "12-1")])
    other = written(tmp_path / "other", CLASH).with_name("credentials.csv")
    result = run("census", str(path), "--credentials", str(other), "--json")
    assert result.exit_code == 1
    assert records(result)[-1]["rows"]["file"] == str(other)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (("--facility", "12"), "credkit census: --facility, --kind and --reserve go with --allocate"),
        (("--allocate", "0"), "credkit census: Invalid value for '--allocate'"),
        (("--allocate", "1", "--reserve", "9-1"), "'9-1' is not a range such as 500-599"),
        (("--allocate", "1", "--reserve", "1" * 5000 + "-" + "2" * 5000), "…22222' is not a range such as 500-599"),
        (("--allocate", "1", "--reserve", "１-２"), "is not a range such as 500-599"),
        (("--allocate", "1", "--reserve", ""), "'' is not a range such as 500-599"),
        (("--allocate", "1", "--reserve", "-5"), "'-5' is not a range such as 500-599"),
        (("--allocate", "1", "--facility", "9" * 5000), "Invalid value for '--facility'"),
        (("--allocate", "1", "--facility", "9" * 20), "facility 99999999999999999999 has more than 64 bits"),
        (("--allocate", "9" * 20), "allocate: 99999999999999999999 is not a count from 1 to 1,000,000"),
        (("--allocate", "1", "--kind", "é"), "no kind is called 'é'"),
        (("--room", "9" * 5000), "Invalid value for '--room'"),
        (
            ("--allocate", "1", "--facility", "13"),
            "credkit: allocate: facility 13 is not expected of card, only 12, 40",
        ),
        (("--room", "-1"), "Invalid value for '--room'"),
    ],
)
def test_wrong_usage(tmp_path: Path, more: tuple[str, ...], said: str) -> None:
    result = run("census", str(written(tmp_path, CLASH)), *more)
    assert (result.exit_code, result.stdout) == (2, "")
    assert said in result.stderr
    assert len(result.stderr.splitlines()) == 1


def test_the_benchmark_runs_and_asserts_its_answers(capsys: pytest.CaptureFixture[str]) -> None:
    assert benchmark(["--rows", "4000", "--turns", "1", "--json"]) == 0
    assert '"duplicates"' in capsys.readouterr().out
