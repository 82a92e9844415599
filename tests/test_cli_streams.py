"""Streams, pipes and terminals, as whole processes."""

from __future__ import annotations

import json
import shlex
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from credkit.core.textlines import LONGEST_LINE
from tests.commandline import BAD, CHAIN, CREDKIT, ENVIRONMENT, GOOD, PLAIN, on_a_terminal, process, records, run


@pytest.mark.parametrize(
    ("args", "sent", "got"),
    [
        (["decode", CHAIN], f"{GOOD}\n", f"{GOOD}          facility=123 number=45678\n"),
        (["convert", "--from", CHAIN, "--to", PLAIN], f"{GOOD}\n", "8106606\n"),
        (["encode", CHAIN], "facility=123 number=45678\n", f"{GOOD}\n"),
    ],
)
def test_a_line_is_answered_before_the_next_one_comes(args: list[str], sent: str, got: str) -> None:
    stream = process(args)
    assert stream.stdin
    assert stream.stdout
    for _ in range(3):
        stream.stdin.write(sent.encode())
        stream.stdin.flush()
        assert stream.stdout.readline().decode() == got
    stream.stdin.close()
    assert stream.wait(timeout=20) == 0
    stream.stdout.close()
    assert stream.stderr
    assert stream.stderr.read() == b""
    stream.stderr.close()


def test_json_lines_are_answered_one_by_one_too() -> None:
    stream = process(["decode", CHAIN, "--json"])
    assert stream.stdin
    assert stream.stdout
    stream.stdin.write(f"{BAD}\n".encode())
    stream.stdin.flush()
    assert json.loads(stream.stdout.readline())["ok"] is False
    stream.communicate(timeout=20)
    assert stream.returncode == 1


def test_empty_lines_and_line_ends() -> None:
    rows = records(run("decode", "strip", "--json", stdin=b"\xef\xbb\xbfa\r\n\nb \n\xef\xbb\xbfc\rd"))
    assert [row["input"] for row in rows] == ["a", "", "b ", "\ufeffc\rd"]
    assert run("decode", "strip", "--json", stdin=b"a\n").stdout.count("\n") == 1


def test_bytes_that_are_no_text_are_a_row() -> None:
    result = run("decode", CHAIN, "--json", stdin=b"02\xff7\n02F764DD\n")
    bad, good = records(result)
    assert (bad["input"], bad["error"]) == ("02\\xff7", "byte 2 of the line is not UTF-8: 0xff")
    assert good["ok"]
    assert result.exit_code == 1
    assert "FAILED byte 2 of the line" in run("decode", CHAIN, stdin=b"02\xff7\n").stdout
    assert run("encode", CHAIN, stdin=b"\xff\n").stdout == "\n"


def test_the_longest_value_is_read_and_a_longer_line_is_a_row() -> None:
    longest = "1" * LONGEST_LINE
    rows = records(run("decode", "strip", "--json", stdin=f"{longest}\n{longest}1\nx\n{longest}1"))
    assert [row["ok"] for row in rows] == [True, False, True, False]
    assert rows[0]["value"] == longest
    assert rows[1]["input"] == "11111111…"
    assert "longer than" in str(rows[1]["error"])


def test_memory_stays_flat_on_a_line_without_end() -> None:
    limited = (
        "import resource; resource.setrlimit(resource.RLIMIT_AS, (400 << 20, 400 << 20));"
        "from credkit.cli import main; main()"
    )
    command = [sys.executable, "-c", limited, "decode", CHAIN]
    stream = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=ENVIRONMENT)
    assert stream.stdin
    for _ in range(500):
        stream.stdin.write(b"1" * (1 << 20))
    stream.stdin.write(f"\n{GOOD}\n".encode())
    out, _ = stream.communicate(timeout=60)
    assert stream.returncode == 1
    assert [line.split()[1][:8] for line in out.decode().splitlines()] == ["FAILED", "facility"]


def test_a_file_is_read_like_a_stream(tmp_path: Path) -> None:
    path = tmp_path / "gate.txt"
    path.write_text(f"{GOOD}\n{BAD}\n")
    assert run("decode", CHAIN, "--file", str(path)).stdout == run("decode", CHAIN, stdin=path.read_bytes()).stdout
    assert run("decode", CHAIN, "--file", "-", stdin=path.read_bytes()).exit_code == 1


def test_an_empty_stream_says_so() -> None:
    result = run("decode", CHAIN)
    assert (result.exit_code, result.stdout) == (0, "")
    assert "no line" in result.stderr


def test_a_closed_pipe_ends_quietly() -> None:
    stream = process(["decode", CHAIN])
    assert stream.stdin
    assert stream.stdout
    assert stream.stderr
    stream.stdin.write(f"{GOOD}\n".encode())
    stream.stdin.flush()
    assert stream.stdout.readline()
    stream.stdout.close()
    try:
        for _ in range(100):
            stream.stdin.write(f"{GOOD}\n".encode())
            stream.stdin.flush()
        stream.stdin.close()
    except BrokenPipeError:
        pass
    assert stream.wait(timeout=20) == 141
    assert stream.stderr.read() == b""
    stream.stderr.close()


def test_an_interrupt_is_one_word() -> None:
    stream = process(["decode", CHAIN])
    assert stream.stdin
    assert stream.stdout
    stream.stdin.write(f"{GOOD}\n".encode())
    stream.stdin.flush()
    assert stream.stdout.readline()  # it is at work
    stream.send_signal(signal.SIGINT)
    _, errors = stream.communicate(timeout=20)
    assert stream.returncode == 130
    assert errors.decode().split() == ["credkit:", "interrupted"]


def test_standard_input_may_be_closed() -> None:
    command = f"{shlex.join([*CREDKIT, 'decode', CHAIN])} <&-"
    done = subprocess.run(command, shell=True, capture_output=True, env=ENVIRONMENT)
    assert done.returncode == 2
    assert done.stderr.decode().startswith("credkit decode: there are no values")


def test_colour_on_a_terminal_only() -> None:
    assert "\x1b[31m" in on_a_terminal(["decode", CHAIN, BAD])
    assert "\x1b" not in on_a_terminal(["decode", CHAIN, BAD], NO_COLOR="1")
    assert "\x1b" not in subprocess.run([*CREDKIT, "decode", CHAIN, BAD], capture_output=True).stdout.decode()


def test_errors_wrap_on_a_terminal() -> None:
    shown = on_a_terminal(["decode", "hex:8/wiegand-26"])
    assert len(shown.splitlines()) == 2
    assert max(map(len, shown.splitlines())) <= 80


def test_what_a_reader_types_cannot_steer_a_terminal() -> None:
    for args in (("decode", CHAIN, "\x1b[2J"), ("decode", CHAIN, "\x1b[2J", "\x9b"), ("explain", CHAIN, "\x1b[2J")):
        result = run(*args)
        assert "\x1b" not in result.output
        assert "\\x1b[2J" in result.output
    assert "\x1b" not in run("convert", "--from", CHAIN, "--to", PLAIN, "\x1b[2J").output


def test_a_narrow_character_set_is_no_fault() -> None:
    ascii_only = {**ENVIRONMENT, "PYTHONIOENCODING": "ascii"}
    for args in (["formats"], ["decode", "strip", "é…"]):
        done = subprocess.run([*CREDKIT, *args], capture_output=True, env=ascii_only)
        assert done.returncode == 0
        assert not done.stderr


def test_an_argument_that_is_not_utf_8_is_one_failed_row() -> None:
    done = subprocess.run([*CREDKIT, "decode", "strip", b"\xff"], capture_output=True, env=ENVIRONMENT)
    assert done.returncode == 1
    assert b"bytes that are not UTF-8" in done.stdout
    assert b"\\xff" in done.stdout


SWIPE = "110100000111111001" + "00"  # ;0? of a published example, and its LRC


def test_a_stream_cuts_swipes_and_counts_frames() -> None:
    zeros = "0" * 20
    record = [zeros + SWIPE[:7], SWIPE[7:] + zeros, zeros, zeros + SWIPE[::-1] + zeros + "1011" + zeros]
    result = run("decode", "--stream", "swipes:binary", "binary/track-2-bits", "--json", stdin="\n".join(record))
    rows = records(result)
    assert [row.get("value") for row in rows] == [";0?", None, ";0?", None]
    assert rows[1]["error"] == "nothing but zeros: no swipe"
    assert [note["kind"] for note in rows[2]["notes"]] == ["backwards"]
    plain = run("convert", "--stream", "swipes:binary", "--from", "binary/track-2-bits", "--to", "strip", *record)
    assert plain.stdout == ";0?\n\n;0?\n\n"
    assert "frame 2: nothing but zeros" in plain.stderr
    assert "2 of 4 frames failed" in plain.stderr


def test_a_stream_joins_keys() -> None:
    result = run("decode", "--stream", "keypad:hex:1/keypad-4", "template:{number:02d}", "--json", "1", "2", "B", "7")
    assert [row["fields"] for row in records(result)] == [{"number": 12}, None]


def test_a_stream_that_is_none_is_refused() -> None:
    result = run("decode", "--stream", "morse:binary", "binary", "1")
    assert result.exit_code == 2
    assert "is not written keypad:CHAIN or swipes:CHAIN" in result.stderr
