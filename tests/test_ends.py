"""Ends: what is not expected, what has no end, what is too long, and names that look like markup."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from credkit import CredkitError, DefinitionError
from credkit.cards.keymatch import batch_check_values
from credkit.cards.listing import BATCH_FILE
from credkit.core.sentences import MAX_SENTENCE_CHARACTERS
from credkit.files.regularfiles import read_regular
from credkit.files.tomltable import read_toml
from tests.commandline import CHAIN, ENVIRONMENT, GOOD, on_a_terminal, run
from tests.sentences import refusal

UNEXPECTED = 70  # EX_SOFTWARE of sysexits.h (4.3BSD)
INTERRUPTED = 130  # 128 + SIGINT, as shells count

# ── unexpected errors ───────────────────────────────────────────────────────────────────────────


class Panic(BaseException):
    """What a library written in another language may raise: no `Exception`."""


@pytest.mark.parametrize("kind", [RuntimeError, RecursionError, AssertionError, KeyError, Panic])
def test_an_unexpected_error_is_one_sentence_without_what_it_says(
    monkeypatch: pytest.MonkeyPatch, kind: type[BaseException]
) -> None:
    """What an error says may hold a value of the user, a key among them."""

    def broken(*_: Any, **__: Any) -> Any:
        raise kind("secret 00112233445566778899")

    monkeypatch.setattr("credkit.cli.decode.decode_row", broken)
    result = run("decode", CHAIN, GOOD)
    assert result.exit_code == UNEXPECTED
    assert result.stdout == ""
    assert result.stderr.startswith(
        f"credkit: unexpected error, so there is no result: {kind.__name__} in credkit/cli/"
    )
    assert result.stderr.count("\n") == 1
    assert "secret" not in result.stderr


def test_a_lack_of_memory_is_said_so(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: Any, **__: Any) -> Any:
        raise MemoryError

    monkeypatch.setattr("credkit.cli.decode.decode_row", broken)
    result = run("decode", CHAIN, GOOD)
    assert (result.exit_code, result.stderr) == (
        UNEXPECTED,
        "credkit: there is not enough memory for this, so there is no result\n",
    )


@pytest.mark.parametrize("development", [False, True])
def test_in_the_development_mode_of_python_an_unexpected_error_has_its_traceback(development: bool) -> None:
    code = (
        "import credkit.cli.decode as command\n"
        "def broken(*given, **options): raise RuntimeError('here')\n"
        "command.decode_row = broken\n"
        "from credkit.__main__ import start\n"
        "start()"
    )
    mode = ["-X", "dev"] if development else []
    done = subprocess.run(
        [sys.executable, *mode, "-c", code, "decode", CHAIN, GOOD], capture_output=True, text=True, env=ENVIRONMENT
    )
    assert ("Traceback" in done.stderr) == development
    assert (done.returncode == UNEXPECTED) != development


@pytest.mark.parametrize("module", ["click", "credkit.cli.output", "credkit.cli.decode"])
def test_an_interrupt_while_modules_are_loaded_is_quiet(module: str) -> None:
    """The finder of modules is interrupted as a person would do it who presses Ctrl-C at once."""
    code = (
        "import sys\n"
        "class Finder:\n"
        "    def find_spec(self, name, path, target=None):\n"
        f"        if name == {module!r}: raise KeyboardInterrupt\n"
        "sys.meta_path.insert(0, Finder())\n"
        "from credkit.__main__ import start\n"
        "start()"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "decode", CHAIN, GOOD], capture_output=True, text=True, env=ENVIRONMENT
    )
    assert (done.returncode, done.stdout) == (INTERRUPTED, "")
    assert done.stderr.split() == ["credkit:", "interrupted"]


# ── pipes, devices and what is too long ─────────────────────────────────────────────────────────


def endless(folder: Path) -> tuple[Path, ...]:
    """A pipe that nobody writes to, and a device that never ends."""
    pipe = folder / "pipe.toml"
    os.mkfifo(pipe)
    return pipe, Path("/dev/zero")


COMMANDS: tuple[tuple[str, ...], ...] = (
    ("decode", CHAIN, "--file", "PATH"),
    ("convert", "--from", CHAIN, "--to", "hex:8", "--file", "PATH"),
    ("decode", CHAIN, GOOD, "--layouts", "PATH"),
    ("crosswalk", "PATH", "--out", "OUT"),
    ("census", "PATH"),
    ("audit", "--site", "PATH"),
    ("card", "plan", "PATH"),
    ("card", "check", "PATH", "PATH"),
)


@pytest.mark.skipif(os.name != "posix", reason="there are no such files elsewhere")
@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_no_command_reads_a_pipe_or_a_device(tmp_path: Path, command: tuple[str, ...]) -> None:
    for path in endless(tmp_path):
        words = [{"PATH": str(path), "OUT": str(tmp_path / "out")}.get(word, word) for word in command]
        result = run(*words)
        assert result.exit_code == 2
        assert "it is a pipe or a device, not a file" in result.stderr


@pytest.mark.skipif(os.name != "posix", reason="there are no such files elsewhere")
@pytest.mark.parametrize("named", ["credentials", "readings"])
def test_no_file_of_a_site_is_a_pipe_or_a_device(site_folder: Path, named: str) -> None:
    for path in endless(site_folder):
        site = (site_folder / "site.toml").read_text()
        (site_folder / "other.toml").write_text(site.replace(f'"{named}.csv"', f'"{path}"'))
        result = run("crosswalk", str(site_folder / "other.toml"), "--out", str(site_folder / "out"))
        assert (result.exit_code, result.stdout) == (2, "")
        assert "it is a pipe or a device, not a file" in result.stderr


@pytest.fixture
def site_folder(tmp_path: Path) -> Path:
    (tmp_path / "site.toml").write_text(
        f"""
        site = {{ name = "Brackwater Terminal", time_zone = "Europe/Amsterdam", as_of = 2026-03-31 }}
        kinds.staff = {{ value = "{CHAIN}", key = ["facility", "number"] }}
        readers.east = {{ kind = "staff", chain = "{CHAIN}" }}
        files.credentials.path = "credentials.csv"
        files.readings.path = "readings.csv"
        """
    )
    (tmp_path / "credentials.csv").write_text(
        "person_id,credential_id,kind,value,printed,issue,status,valid_from,valid_until,replaces,source\n"
        f"p1,c1,staff,{GOOD},,,active,,,,\n"
    )
    (tmp_path / "readings.csv").write_text("time,reader,text,presentation,expected\n")
    return tmp_path


def test_standard_input_may_be_a_device() -> None:
    with open(os.devnull, "rb") as nothing:
        done = subprocess.run(
            [sys.executable, "-m", "credkit", "decode", CHAIN, "--file", "-"], stdin=nothing, capture_output=True,
            env=ENVIRONMENT,
        )  # fmt: skip
    assert (done.returncode, b"there was no line to read" in done.stderr) == (0, True)


@pytest.mark.parametrize(
    ("name", "refusal"), [("none", "No such file"), ("", "directory"), ("a\0b", "cannot be that of a file")]
)
def test_what_cannot_be_opened(tmp_path: Path, name: str, refusal: str) -> None:
    with pytest.raises(OSError, match=refusal):
        read_regular(tmp_path / name)


def test_a_definition_that_is_too_large_is_not_read_whole(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    with path.open("wb") as file:
        file.truncate(3 << 30)  # three gigabytes of zeros that take no room on the disk
    with refusal(DefinitionError):
        read_toml(path, ())
    path = path.rename(tmp_path / BATCH_FILE)
    assert batch_check_values([tmp_path]) == {}
    path.unlink()


ZONES = (
    "x" * 600,
    "é" * 600,
    "a/" * 300,
    "a/" * 300 + "a",
    "/" * 600,
    "../" * 200,
    "Europe/" + "A" * 5000,
    "\\u0000",
    "",
)


@pytest.mark.parametrize("zone", ZONES, ids=range(len(ZONES)))
def test_a_time_zone_may_be_of_any_length(site_folder: Path, zone: str) -> None:
    site = site_folder / "site.toml"
    site.write_text(site.read_text().replace("Europe/Amsterdam", zone))
    for command in (
        ("census", str(site)),
        ("audit", "--chain", CHAIN, "--zone", zone, str(site_folder / "readings.csv")),
    ):
        result = run(*command)
        assert result.exit_code == 2
        assert "is not an IANA time zone" in result.stderr
        assert len(result.stderr) < 200


# ── names on a screen ───────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    "folder", ["mk[/bold]", *(pytest.param(name, marks=pytest.mark.survey) for name in ("[red]", "a[/]b", "[[bold"))]
)
def test_a_folder_may_look_like_markup(site_folder: Path, folder: str) -> None:
    """Progress is drawn on a terminal only; where a crosswalk is, its last line says."""
    home = site_folder / folder
    home.mkdir(parents=True)  # a slash makes two of it
    for file in list(site_folder.glob("*.*")):
        if file.is_file():
            file.rename(home / file.name)
    site = str(home / "site.toml")
    for command in (["crosswalk", site, "--out", str(home / "out")], ["census", site]):
        shown = on_a_terminal(command, COLUMNS="400")
        assert "Traceback" not in shown
        assert "unexpected" not in shown
        assert folder in shown or command[0] == "census"


# ── sentences ───────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    "args",
    [
        ("decode", "x" * 50_000, "1"),
        ("decode", "hex:8/" + "select:" + ",".join(f"field{i}" for i in range(5000)), "1"),
        ("decode", "/".join(["hex:8"] * 40), "1"),
        ("y" * 50_000,),
        ("decode", "--" + "y" * 50_000),
        ("decode", "hex:8", "--file", "z" * 50_000),
        ("decode", "hex:8", "--layouts", "z" * 50_000),
    ],
    ids=["name", "fields", "steps", "command", "option", "file", "layouts"],
)
def test_a_sentence_has_its_bounds(args: Sequence[str]) -> None:
    result = run(*args)
    assert result.exit_code == 2
    assert 20 < len(result.stderr.strip()) <= MAX_SENTENCE_CHARACTERS


def test_of_a_long_sentence_start_and_end_stay() -> None:
    error = CredkitError("gate 7: " + "x" * 10_000 + " write gate 8 instead")
    assert len(str(error)) == MAX_SENTENCE_CHARACTERS
    assert str(error).startswith("gate 7: xxx")
    assert str(error).endswith("xxx write gate 8 instead")
    assert " … " in str(error)


@pytest.mark.parametrize("place", [340, 350, 355, 357, 10_000 - 122, 10_000 - 130])
def test_the_bound_of_a_sentence_uncovers_no_account_number(place: int) -> None:
    """Wherever the cut falls, no more of a number is shown than its mask shows: six digits and four."""
    account = "4114360123456785"  # test number of the WHATWG HTML standard, autofill example
    text = "x " * 5_000
    sentence = str(CredkitError(f"{text[:place]} {account} {text[place:]}"))
    assert len(sentence) == MAX_SENTENCE_CHARACTERS
    assert account[:7] not in sentence
    assert account[-5:] not in sentence
