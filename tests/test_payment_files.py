"""Payment data in files: captures that are refused, sites whose numbers look like it, and what a crosswalk writes."""

from __future__ import annotations

import csv
import json
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import pytest
from click.testing import Result

from credkit import DefinitionError, chain
from credkit.crosswalk import crosswalk, write_outputs
from credkit.privacy.accounts import holds_account
from credkit.site import load_rows, load_site
from tests.brackwater import HEADER, HEADS, Files, walk
from tests.brackwater import SITE as HARBOUR
from tests.brackwater import made as site_of
from tests.commandline import ACCOUNT, CHAIN, process, records, run
from tests.sentences import refusal
from tests.tracks import BITS_1, BITS_2, TRACK_1, TRACK_2, hexadecimal, inverted, leaks

WRONG = TRACK_2.replace(ACCOUNT, f"{ACCOUNT[:-2]}95")  # its check digit is wrong
SENTENCE = "payment track data must not be kept after authorisation"
CAPTURES = [  # a chain, and a line that holds a track for it
    ("track-2:number,rest", TRACK_2),
    ("track-2:number,rest", WRONG),
    ("financial-track-2", WRONG),
    ("track:1/financial-track-1", TRACK_1 + TRACK_2),
    ("strip", f"07:15:02 {TRACK_1}"),
    ("strip:;,?", TRACK_2),
    ("hex:8", TRACK_2),
    (CHAIN, TRACK_1),
    ("keyboard:fr/track:2/track-2", chain("keyboard:fr").encode(TRACK_2)),
    ("track-2", chain("keyboard:fr").encode(TRACK_2)),
    ("binary/track-2-bits", BITS_2),
    ("binary/track-2-bits", BITS_2[::-1]),
    ("binary/track-2-bits/track-2:number,rest", inverted(BITS_2)),
    ("binary/track-1-bits/track-1", BITS_2),
    ("hex/track-1-bits/track-1", hexadecimal(BITS_1)),
    ("hex/track-2-bits", hexadecimal(BITS_1)),
]
IDS = [f"{name} {text[:12]}" for name, text in CAPTURES]


def capture(folder: Path, *lines: str) -> str:
    path = folder / "gate.txt"
    path.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
    return str(path)


def stopped(result: Result, where: str) -> str:
    """The one sentence that ended the run."""
    assert result.exit_code == 2
    sentences = [line for line in result.stderr.splitlines() if "something is left out" not in line]
    (sentence,) = sentences
    assert where in sentence
    assert SENTENCE in sentence
    return sentence


# Captures that decode and convert read.


@pytest.mark.parametrize(("name", "text"), CAPTURES, ids=IDS)
@pytest.mark.parametrize("more", [(), ("--json",), ("--hints",)])
def test_a_file_with_a_track_ends_the_run(tmp_path: Path, name: str, text: str, more: tuple[str, ...]) -> None:
    path = capture(tmp_path, text)
    result = run("decode", name, "--file", path, *more)
    assert result.stdout == ""
    assert "--reveal" in stopped(result, f"{path} line 1: ")
    assert not leaks(result.output, text)


def test_lines_before_a_track_are_read_and_none_behind_it(tmp_path: Path) -> None:
    path = capture(tmp_path, ";1=2?", f";{ACCOUNT}?", ";3=4?", WRONG, ";5=6?")
    result = run("decode", "track-2", "--file", path)
    assert [line.split()[0] for line in result.stdout.splitlines()] == [";1=2?", "*411436******6785*", ";3=4?"]
    stopped(result, f"{path} line 4: ")
    result = run("convert", "--from", "track-2:a,b", "--to", "template:{a}/{b}", "--file", path)
    assert result.exit_code == 2
    result = run("convert", "--from", "strip", "--to", "strip", "--file", path)
    assert result.stdout.splitlines() == [";1=2?", "", ";3=4?"]
    stopped_at = [line for line in result.stderr.splitlines() if SENTENCE in line]
    assert len(stopped_at) == 1
    assert f"{path} line 4: " in stopped_at[0]


@pytest.mark.parametrize(
    "target", ["strip", "binary/track-2-bits", "hex/invert/track-2-bits", "strip:;,?", "keyboard:fr", "last-digits:4"]
)
def test_convert_refuses_a_file_with_a_track_whatever_it_would_write(tmp_path: Path, target: str) -> None:
    for source, text in (("strip", TRACK_2), ("binary/track-2-bits", BITS_2), ("track:2", TRACK_1 + WRONG)):
        path = capture(tmp_path, text)
        for more in ((), ("--json",)):
            result = run("convert", "--from", source, "--to", target, "--file", path, *more)
            assert result.stdout == ""
            stopped(result, f"{path} line 1: ")
            assert not leaks(result.output, text)


def test_fields_that_a_target_makes_a_track_of_are_refused(tmp_path: Path) -> None:
    path = capture(tmp_path, f"{ACCOUNT[:-2]}95=3012101")
    target = "binary/track-2-bits/track-2:n,r/digits:n,16/digits:r,7"
    result = run("convert", "--from", "template:{n:016d}={r:07d}", "--to", target, "--file", path)
    assert result.stdout == ""
    stopped(result, f"{path} line 1: ")


@pytest.mark.parametrize(("name", "text"), CAPTURES, ids=IDS)
def test_standard_input_goes_on_behind_a_track(name: str, text: str) -> None:
    stdin = f"\n{text}\n\n"
    result = run("decode", name, stdin=stdin)
    assert result.exit_code == 1
    lines = result.stdout.splitlines()
    assert len(lines) == 3
    assert "FAILED payment track data" in lines[1]
    assert not leaks(result.output, text)
    (_, record, _) = records(run("decode", name, "--json", "--file", "-", stdin=stdin))
    assert record["error"].startswith(SENTENCE)
    assert record["fields"] is None
    assert (record["ok"], record["checks"], record["hints"], record["notes"][:0]) == (False, [], [], [])
    assert not leaks(json.dumps(record), text)


def test_a_stream_writes_an_empty_line_for_a_track() -> None:
    result = run("convert", "--from", "strip", "--to", "strip", stdin=f"1\n{TRACK_2}\n2\n")
    assert (result.exit_code, result.stdout) == (1, "1\n\n2\n")
    assert f"line 2: {SENTENCE}" in result.stderr
    assert not leaks(result.output)


def test_standard_input_of_a_process_is_no_file() -> None:
    started = process(["decode", "track-2", "--file", "-"])
    out, err = started.communicate(f"{TRACK_2}\n;1=2?\n".encode(), timeout=20)
    assert started.returncode == 1
    assert len(out.splitlines()) == 2
    assert not leaks(out.decode() + err.decode())


@pytest.mark.parametrize(("name", "text"), [CAPTURES[0], CAPTURES[3], CAPTURES[10]])
def test_reveal_reads_a_file_for_this_run(tmp_path: Path, name: str, text: str) -> None:
    result = run("decode", name, "--reveal", "--json", "--file", capture(tmp_path, text))
    assert result.exit_code == 0
    assert ACCOUNT in result.stdout


def test_a_line_that_is_not_utf_8_can_hold_a_track_too(tmp_path: Path) -> None:
    path = tmp_path / "gate.txt"
    path.write_bytes(TRACK_2.encode() + b"\xff\n")
    result = run("decode", "track-2", "--file", str(path))
    stopped(result, f"{path} line 1: ")
    assert not leaks(result.output)


def test_a_number_alone_ends_no_run(tmp_path: Path) -> None:
    path = capture(tmp_path, ACCOUNT, f";{ACCOUNT}?", ";636000987654321=301220010101?", ";1987654320987654=3012?")
    result = run("decode", "strip", "--file", path)
    assert result.exit_code == 0
    assert result.stdout.splitlines()[2].count("636000987654321") == 2
    assert not leaks(result.output)


def test_the_name_of_the_file_is_masked(tmp_path: Path) -> None:
    path = tmp_path / f"{ACCOUNT}.txt"
    path.write_text(TRACK_2)
    assert not leaks(run("decode", "track-2", "--file", str(path)).output)


# Sites.

SITE = (
    HEADER
    + """
[kinds.card]
namespace = "harbour"
value = "decimal:56/fields:number:56"
key = ["number"]
[kinds.stripe]
value = "track-2:number,rest"
key = ["number"]
[kinds.coded]
value = "hex/track-1-bits/track-1:number,name,rest"
key = ["number"]
[readers.gate]
kind = "card"
chain = "decimal:56/fields:number:56"
[readers.yard]
kind = "card"
chain = "hex:14/fields:number:56"
[readers.kiosk]
kind = "stripe"
chain = "track-2:number,rest"
[readers.head]
kind = "stripe"
chain = "binary/track-2-bits/track-2:number,rest"
[readers.swipes]
kind = "stripe"
stream = "swipes:binary"
chain = "binary/track-2-bits/track-2:number,rest"
[targets.gatehouse]
kind = "card"
chain = "decimal:56/fields:number:56"
column = "text"
existing = "export.csv"
[targets.turnstile]
kind = "card"
chain = "hex:14/fields:number:56"
column = "text"
"""
)
Rows = Sequence[str]
REASON = "berth numbers of the port, sixteen digits"
PLAIN = f'key = ["number"]\nnot_payment = "{REASON}"\n'
TIME = "2026-03-01T08:00:00+01:00"
OTHER = "4000000000000002"  # its check digit is right (ISO/IEC 7812-1); made up
HIDDEN, OTHER_HIDDEN = "411436******6785", "400000******0002"


def made(
    folder: Path, credentials: Rows = (), readings: Rows = (), export: Rows = (), *, plain: bool = False
) -> Path:  # fmt: skip
    """A site file with its tables; of each only the rows are given."""
    for (name, head), rows in zip(HEADS.items(), (credentials, readings, export), strict=True):
        (folder / name).write_text("".join(f"{row}\n" for row in (head, *rows)), encoding="utf-8")
    path = folder / "site.toml"
    path.write_text(SITE.replace('key = ["number"]\n', PLAIN) if plain else SITE, encoding="utf-8")
    return path


def card(name: str, value: str, kind: str = "card") -> str:
    return f"P-{name},C-{name},{kind},{value},,,active,,,,west"


def reading(reader: str, text: str, more: str = ",") -> str:
    return f"{TIME},{reader},{text},{more}"


ROWS: tuple[Rows, Rows, Rows] = (
    [
        card("1", ACCOUNT), card("2", ACCOUNT), card("3", OTHER), card("4", "1234567"), card("5", f"x{ACCOUNT}"),
        f"{ACCOUNT},{ACCOUNT},card,7654321,,,active,,,,{OTHER}",
    ],
    [
        reading("gate", ACCOUNT), reading("gate", OTHER), reading("gate", f"{ACCOUNT}x"),
        reading("gate", f"0{ACCOUNT}"), reading("yard", f"{int(ACCOUNT):014X}"),
        reading("yard", f"{int(ACCOUNT):013X}"),
        reading("gate", "5500000000000004", f",{ACCOUNT}"), reading("yard", f"{5500000000000004:014X}"),
        reading("kiosk", f";{ACCOUNT}?"),
    ],
    [f"P-9,{ACCOUNT}", f"P-1,{ACCOUNT}", f"{OTHER},12", f"P-4,{OTHER}"],
)  # fmt: skip  # 5500000000000004: its check digit is right, too; nobody has it


def outputs(out: Path) -> dict[str, str]:
    return {path.name: path.read_text(encoding="utf-8") for path in out.iterdir()}


def table(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(text.splitlines()))


def test_files_hold_no_account_number(tmp_path: Path) -> None:
    site = made(tmp_path, *ROWS)
    for more in ((), ("--json",), ("--reveal",)):
        result = run("crosswalk", str(site), "--details", "--out", str(tmp_path / "out"), *more)
        assert result.exit_code == 0, result.output
        written = outputs(tmp_path / "out")
        for text in (*written.values(), result.output):
            assert not leaks(text)
            assert OTHER not in text
        inputs = {each["line"]: each for each in table(written["exceptions.csv"]) if each["file"] == "readings.csv"}
        assert inputs["8"]["input"] == "550000******0004"  # typed digits; the same number computed from bits is none:
        assert inputs["9"]["reason"] == "no credential has the number '5500000000000004'"
        assert HIDDEN in written["crosswalk.csv"]
        assert HIDDEN in written["exceptions.csv"]
        assert HIDDEN in written["summary.txt"]
        summary = " ".join(written["summary.txt"].split())
        assert "card: 4 credentials held and 2 unresolved readings masked." in summary
        assert 'under [kinds.card]: not_payment = "what these numbers are"' in summary


def test_no_target_gets_a_number_that_looks_like_an_account(tmp_path: Path) -> None:
    run("crosswalk", str(made(tmp_path, *ROWS)), "--details", "--out", str(tmp_path / "out"))
    lines = table(outputs(tmp_path / "out")["crosswalk.csv"])
    for line in lines:
        secret = line["credential"] in ("C-1", "C-2", "C-3")
        unreadable = line["code"] == "unreadable-value"
        assert unreadable == (line["credential"] == "C-5")
        contradicted = line["code"] == "conflict"  # the desk expected it, and 5500000000000004 was read
        assert contradicted == (line["credential"] == HIDDEN)
        assert (line["action"] == "hold") == (secret or unreadable or contradicted), line
        assert (line["text"] == "") == (secret or unreadable or contradicted)
        secret |= unreadable
        assert ("looks like a payment account number" in line["reason"]) == secret
        assert line["number"] == {"C-1": HIDDEN, "C-2": HIDDEN, "C-3": OTHER_HIDDEN, "C-4": "1234567", "C-5": ""}.get(
            line["credential"], "7654321"
        )
    assert {line["target"] for line in lines} == {"gatehouse", "turnstile"}
    assert {line["person"] for line in lines if line["number"] == "7654321"} == {HIDDEN}


def test_a_kind_that_is_no_payment_data_is_shown_in_files_and_on_screens_only_by_reveal(tmp_path: Path) -> None:
    site = made(tmp_path, *ROWS, plain=True)
    hidden = run("crosswalk", str(site), "--details", "--out", str(tmp_path / "out"))
    written = outputs(tmp_path / "out")
    assert hidden.exit_code == 0, hidden.output
    assert not leaks(hidden.output)
    assert not leaks(run("crosswalk", str(site), "--details", "--out", str(tmp_path / "out"), "--json").output)
    revealed = run("crosswalk", str(site), "--details", "--out", str(tmp_path / "out"), "--reveal")
    assert f"harbour {ACCOUNT}" in revealed.stdout

    lines = {(line["credential"], line["target"]): line for line in table(written["crosswalk.csv"])}
    assert lines["C-1", "gatehouse"]["number"] == ACCOUNT
    assert lines["C-3", "gatehouse"]["action"] == "hold"  # the export has this text for somebody else
    assert "looks like" not in lines["C-3", "gatehouse"]["reason"]
    assert lines["C-3", "turnstile"]["text"] == f"{int(OTHER):014X}"
    assert lines["C-3", "turnstile"]["action"] == "add"
    assert {line["person"] for line in lines.values() if line["number"] == "7654321"} == {HIDDEN}
    inputs = {(each["file"], each["line"]): each["input"] for each in table(written["exceptions.csv"])}
    assert inputs["credentials.csv", "6"] == f"x{ACCOUNT}"
    assert inputs["readings.csv", "4"] == f"{ACCOUNT}x"
    assert inputs["readings.csv", "8"] == "5500000000000004"
    assert inputs["readings.csv", "9"] == f"{5500000000000004:014X}"
    assert inputs["export.csv", "2"] == ACCOUNT
    summary = " ".join(written["summary.txt"].split())
    assert f"duplicate-number (1): one number, several credentials: all are held harbour {ACCOUNT}: " in summary
    assert summary.count(f"Numbers of kind card look like payment account numbers and are shown: {REASON}") == 1
    assert REASON in " ".join(hidden.stdout.split())


def test_the_reason_is_said_only_where_a_number_looks_like_one(tmp_path: Path) -> None:
    site = made(tmp_path, plain=True, credentials=[card("1", "1234567")], readings=[reading("gate", "1234567")])
    run("crosswalk", str(site), "--details", "--out", str(tmp_path / "out"))
    assert REASON not in outputs(tmp_path / "out")["summary.txt"]
    site = made(tmp_path, plain=True, readings=[reading("gate", OTHER)])
    run("crosswalk", str(site), "--details", "--out", str(tmp_path / "out"))
    assert outputs(tmp_path / "out")["summary.txt"].count("Numbers of kind card") == 1


TRACKS = [
    ("credentials", card("1", TRACK_2)),
    ("credentials", card("1", WRONG, "stripe")),
    ("credentials", card("1", f'"{TRACK_1}"')),
    ("credentials", f"{TRACK_2},C-1,card,1,,,active,,,,west"),
    ("credentials", f"P-1,C-1,card,1,{WRONG},,active,,,,west"),
    ("credentials", f"P-1,C-1,card,1,,,active,,,,{TRACK_1}"),
    ("credentials", card("1", hexadecimal(BITS_1), "coded")),
    ("readings", reading("gate", TRACK_2)),
    ("readings", reading("kiosk", WRONG)),
    ("readings", reading("kiosk", TRACK_1 + TRACK_2)),
    ("readings", reading("gate", "1", f"{TRACK_2},")),
    ("readings", reading("head", BITS_2)),
    ("readings", reading("head", BITS_2[::-1])),
    ("readings", reading("head", inverted(BITS_2))),
    ("readings", reading("head", BITS_1)),
    ("readings", reading("swipes", BITS_2)),
    ("readings", reading("swipes", BITS_2 + "0" * 40 + BITS_2)),
    ("export", f"P-1,{TRACK_2}"),
    ("export", f"{WRONG},1"),
]


@pytest.mark.parametrize(("file", "row"), TRACKS, ids=[f"{file} {row[:40]}" for file, row in TRACKS])
def test_a_site_with_a_track_is_refused(tmp_path: Path, file: str, row: str) -> None:
    site = made(tmp_path, [card("9", "9")])
    text = (tmp_path / f"{file}.csv").read_text(encoding="utf-8")
    (tmp_path / f"{file}.csv").write_text(f"{text}{row}\n", encoding="utf-8")
    where = f"{file}.csv line {3 if file == 'credentials' else 2}: "
    for more in ((), ("--json",), ("--reveal",)):
        result = run("crosswalk", str(site), "--details", "--out", str(tmp_path / "out"), *more)
        assert result.stdout == ""
        sentence = stopped(result, where)
        assert "--reveal is about screens" in sentence
        assert not leaks(result.output, row)
        assert not (tmp_path / "out").exists()
    with refusal(DefinitionError):
        crosswalk(load_site(site))


@pytest.mark.parametrize(("file", "row"), TRACKS, ids=[f"{file} {row[:40]}" for file, row in TRACKS])
def test_a_kind_that_is_no_payment_data_may_look_like_tracks(tmp_path: Path, file: str, row: str) -> None:
    site = made(tmp_path, plain=True, credentials=[card("9", "9")])
    text = (tmp_path / f"{file}.csv").read_text(encoding="utf-8")
    (tmp_path / f"{file}.csv").write_text(f"{text}{row}\n", encoding="utf-8")
    result = run("crosswalk", str(site), "--details", "--out", str(tmp_path / "out"))
    assert result.exit_code == 0, result.output
    assert not leaks(result.output)


def test_tracks_on_two_lines_of_a_stream_are_found(tmp_path: Path) -> None:
    half = len(BITS_2) // 2
    site = made(tmp_path, readings=[reading("swipes", BITS_2[:half]), reading("swipes", BITS_2[half:])])
    stopped(run("crosswalk", str(site), "--details", "--out", str(tmp_path / "out")), "readings.csv line 2: ")


@pytest.mark.parametrize("chars", ["0", pytest.param("0x= ?", marks=pytest.mark.survey)])
def test_garbled_tracks_that_are_none_any_more_show_no_digits(tmp_path: Path, chars: str) -> None:
    """One character changed, at every place: what does not read well as a track is masked."""
    refused: Counter[str] = Counter()
    for place in range(len(TRACK_2)):
        for char in chars:
            text = TRACK_2[:place] + char + TRACK_2[place + 1 :]
            site = made(tmp_path, readings=[reading("kiosk", f'"{text}"'), reading("gate", f'"{text}"')])
            result = run("crosswalk", str(site), "--details", "--out", str(tmp_path / "out"))
            assert not leaks(result.output, text)
            where = "number" if 1 <= place < 17 else "date" if 18 <= place < 25 else "rest" if 25 <= place < 35 else ""
            refused[where] += result.exit_code == 2
            if result.exit_code == 0:
                assert "unresolved reading masked" in " ".join(result.output.split()), text
    assert refused["rest"] == 10 * len(chars), "what stands behind the service code may be anything"
    assert refused["number"] > 0, "a wrong digit is a wrong digit of a payment track"
    assert sum(refused.values()) < len(TRACK_2) * len(chars)


@pytest.mark.parametrize(
    "written",
    [
        '""',
        '"  "',
        "true",
        '["a"]',
        "12",
    ],
)
def test_not_payment_needs_a_reason(tmp_path: Path, written: str) -> None:
    path = made(tmp_path)
    path.write_text(SITE.replace('key = ["number"]\n', f'key = ["number"]\nnot_payment = {written}\n', 1))
    with refusal(DefinitionError):
        load_site(path)


def test_a_kind_has_its_reason(tmp_path: Path) -> None:
    kinds = load_site(made(tmp_path, plain=True)).kinds
    assert {kind.not_payment for kind in kinds.values()} == {REASON}
    assert {kind.not_payment for kind in load_site(made(tmp_path)).kinds.values()} == {None}


def test_an_account_number_in_a_reason_is_masked(tmp_path: Path) -> None:
    path = made(tmp_path, plain=True, credentials=[card("1", OTHER)])
    path.write_text(path.read_text().replace(REASON, f"like {ACCOUNT}"))
    result = run("crosswalk", str(path), "--details", "--out", str(tmp_path / "out"))
    assert not leaks(result.output + outputs(tmp_path / "out")["summary.txt"])


def test_names_that_look_like_numbers_are_masked_in_tables_too(tmp_path: Path) -> None:
    path = made(tmp_path, [card("1", "7")], [reading(OTHER, "7")])
    path.write_text(path.read_text().replace("[readers.gate]", f"[readers.{OTHER}]"))
    run("crosswalk", str(path), "--details", "--out", str(tmp_path / "out"))
    written = outputs(tmp_path / "out")
    assert f"{OTHER_HIDDEN}     1" in written["summary.txt"]
    assert all(OTHER not in text for text in written.values())


def test_rows_that_come_from_no_file_are_checked_too(tmp_path: Path) -> None:
    site = load_site(made(tmp_path, [card("1", WRONG, "stripe")], [reading("head", BITS_2)], plain=True))
    rows = load_rows(site)
    strict = load_site(made(tmp_path))
    with refusal(DefinitionError):
        crosswalk(strict, rows)


def test_files_without_anything_like_it_are_written_as_ever(tmp_path: Path) -> None:
    rows = [card("1", "1234567")], [reading("gate", "1234567")]
    for plain in (False, True):
        result = crosswalk(load_site(made(tmp_path, *rows, plain=plain)))
        write_outputs(result, tmp_path / f"out-{plain}")
    written = [outputs(tmp_path / f"out-{plain}") for plain in (False, True)]
    for each in written:
        del each["credkit.sha256"], each["run.json"]
        each["summary.txt"] = each["summary.txt"].partition("Made by credkit")[0]  # the site files differ
    assert written[0] == written[1]
    assert {line["text"] for line in table(outputs(tmp_path / "out-True")["crosswalk.csv"])} == {
        "1234567", f"{1234567:014X}",
    }  # fmt: skip


SPLIT = """
[kinds.label]
value = "template:{facility:06d}{number:010d}"
key = ["facility", "number"]
[targets.vault]
kind = "label"
chain = "template:{facility:06d}.{number:010d}"
column = "text"
[readers.desk]
kind = "label"
chain = "template:{facility:06d}{number:010d}"
"""


def test_an_account_number_in_two_fields_goes_nowhere(tmp_path: Path) -> None:
    files = Files().card("C-1", ACCOUNT, kind="label").card("C-2", ACCOUNT, kind="label").read("desk", ACCOUNT)
    files.read("desk", "4114360123456793")  # its check digit is right too (Luhn), and nobody has it
    result = walk(site_of(HARBOUR + SPLIT), files)
    write_outputs(result, tmp_path / "out")
    text = "".join(file.read_text() for file in (tmp_path / "out").iterdir())
    for part in (ACCOUNT[6:], ACCOUNT[6:-4], "123456785", "123456793"):
        assert part not in text
    assert [each.action for each in result.lines if each.target == "vault"] == ["hold", "hold"]


EITHER = """
[kinds.badge]
value = {value}
key = ["number"]
[targets.vault]
kind = "badge"
chain = "template:{{number:016d}}"
column = "text"
[readers.desk]
kind = "badge"
chain = {value}
[kinds.pass]
value = "track-2:number,rest"
key = ["number"]
[readers.slot]
kind = "pass"
chain = {chain}
"""
NARROW = "hex:8/fields:number:32"  # a number of 32 bits has no room for an account number
TYPED = "keyboard:fr/template:{number:016d}"
NO_BITS = "track-2:number,rest"  # what is typed is the same in any order of bits
SWIPED = "binary/track-2-bits/track-2:number,rest"


@pytest.mark.parametrize("order", [1, -1])
def test_what_one_of_several_chains_reads_is_looked_at_as_if_it_were_the_only_one(tmp_path: Path, order: int) -> None:
    typed, other, zeros = (chain("keyboard:fr").encode(number) for number in (ACCOUNT, OTHER, "0" * 16))
    held: list[list[str]] = []
    unknown: list[str] = []
    refused: list[str] = []
    for values, chains in (([TYPED], [SWIPED]), ([NARROW, TYPED], [NO_BITS, SWIPED])):
        site = site_of(HARBOUR + EITHER.format(value=json.dumps(values[::order]), chain=json.dumps(chains[::order])))
        files = Files().card("C-1", typed, kind="badge").card("C-2", zeros, kind="badge").read("desk", typed)
        files = files.read("desk", other)
        write_outputs(walk(site, files), tmp_path / "out")
        written = outputs(tmp_path / "out")
        held.append([line["action"] for line in table(written["crosswalk.csv"]) if line["target"] == "vault"])
        unknown += [each["input"] for each in table(written["exceptions.csv"])]
        found = leaks("".join(written.values()), typed, other)
        assert not [each for each in found if each not in zeros]  # a number of zeros is none of a payment card
        try:
            write_outputs(walk(site, files.read("slot", inverted(BITS_2))), tmp_path / "out")
            refused.append(table(outputs(tmp_path / "out")["exceptions.csv"])[-1]["input"])
        except DefinitionError as error:
            refused.append(str(error))
        assert not leaks(refused[-1], inverted(BITS_2))
    assert held == [["hold", "add"]] * 2
    assert unknown[0] == unknown[1] != other
    assert refused[0] == refused[1]


def test_a_number_in_the_name_of_a_namespace_or_target_is_masked_beside_computed_ones(tmp_path: Path) -> None:
    kind = f'[kinds.wide]\nnamespace = "berth {ACCOUNT}"\nvalue = "decimal:56/uid-a-7"\nkey = ["uid"]\n'
    target = f'[targets."desk {ACCOUNT}"]\nkind = "wide"\nchain = "decimal:56/keep-low:56/uid-a-7"\ncolumn = "text"\n'
    number = next(
        text for text in (f"{(0x10 << 48) + step}" for step in range(1000)) if text[-1] != "0" and holds_account(text)
    )
    files = Files().card("C-1", number, kind="wide").card("C-2", number, kind="wide")
    result = walk(site_of(HARBOUR + kind + target), files)
    write_outputs(result, tmp_path / "out")
    summary = (tmp_path / "out" / "summary.txt").read_text(encoding="utf-8")
    assert f"berth 411436******6785 {number}: " in " ".join(summary.split())
    assert ACCOUNT not in summary
