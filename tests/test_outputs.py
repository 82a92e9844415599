"""Outputs: what is replaced and what never is, what a run that ends early leaves, and what the next run makes of it."""

from __future__ import annotations

import errno
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from hashlib import sha256
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from credkit import DefinitionError
from credkit.files.outputs import FileOutput, FolderOutput, ForeignOutput, add_files, write_file, write_folder
from credkit.files.outputs.marks import FOLDER_MARK, mark_beside
from credkit.files.outputs.staging import HIDDEN_PREFIX, Staging, move_into, settle_killed_runs
from tests.amounts import amounts
from tests.brackwater import SITE, Files, hexed
from tests.captures import CHAIN, made, written
from tests.cards import STAFF, credentials, rows
from tests.commandline import ENVIRONMENT, run
from tests.interruptions import CASES, snapshot
from tests.masters import key_file
from tests.sentences import refusal

FILES = {"crosswalk.csv": b"person\n", "summary.txt": b"all good\n"}
ROOT = Path(__file__).parents[1]


def fold(out: Path, **more: bytes) -> None:
    write_folder({**FILES, **more}, out, "crosswalk")


def hidden(home: Path) -> list[str]:
    return [path.name for path in home.iterdir() if path.name.startswith(HIDDEN_PREFIX)]


# ── marks ───────────────────────────────────────────────────────────────────────────────────────


def test_a_mark_lists_every_file_with_its_digest(tmp_path: Path) -> None:
    fold(tmp_path / "result")
    head, *lines = (tmp_path / "result" / FOLDER_MARK).read_text().splitlines()
    assert head.startswith("# credkit: crosswalk.")
    assert lines == [f"{sha256(data).hexdigest()}  {name}" for name, data in FILES.items()]


def test_a_file_may_come_in_pieces(tmp_path: Path) -> None:
    fold(tmp_path / "whole")
    pieces = {name: [data[:3], b"", data[3:]] for name, data in FILES.items()}
    write_folder({**pieces, "none": iter(())}, tmp_path / "pieces", "crosswalk")
    assert snapshot(tmp_path / "pieces") == {**FILES, "none": b""}
    mark = (tmp_path / "whole" / FOLDER_MARK).read_text()
    assert (tmp_path / "pieces" / FOLDER_MARK).read_text() == f"{mark}{sha256(b'').hexdigest()}  none\n"


def test_pieces_that_end_with_a_fault_leave_the_former_folder(tmp_path: Path) -> None:
    def pieces() -> Iterator[bytes]:
        yield b"new"
        raise ZeroDivisionError

    fold(tmp_path / "result")
    with pytest.raises(ZeroDivisionError):
        write_folder({"summary.txt": pieces()}, tmp_path / "result", "crosswalk")
    assert snapshot(tmp_path / "result") == FILES
    assert not hidden(tmp_path)


@pytest.mark.skipif(not shutil.which("sha256sum"), reason="the command is not there")
def test_another_program_reads_the_mark_of_a_folder(tmp_path: Path) -> None:
    fold(tmp_path / "result")
    command = ["sha256sum", "--check", FOLDER_MARK]
    assert subprocess.run(command, cwd=tmp_path / "result", capture_output=True, check=False).returncode == 0
    (tmp_path / "result" / "summary.txt").write_bytes(b"changed\n")
    assert subprocess.run(command, cwd=tmp_path / "result", capture_output=True, check=False).returncode == 1


@pytest.mark.parametrize(
    "name", ["two\nlines", "it's", 'a "b"', "back\\slash", "Übersicht", "\udcff\udcfe", "-", "a  b"]
)
def test_files_of_any_name_are_known_again(tmp_path: Path, name: str) -> None:
    out = tmp_path / "x" if name == "-" else tmp_path / name
    for data in (b"one", b"two", b"two"):
        write_file(data, out, "report")
        assert out.read_bytes() == data
    out.write_bytes(b"mine")
    with refusal(ForeignOutput):
        write_file(b"three", out, "report")


# ── what is replaced, and what never is ─────────────────────────────────────────────────────────


def test_an_unchanged_folder_is_replaced(tmp_path: Path) -> None:
    out = tmp_path / "result"
    fold(out, old=b"a file that is not written again")
    os.utime(out / "summary.txt", (1, 1))
    (out / "summary.txt").chmod(0o644)
    fold(out)
    assert snapshot(out) == FILES
    (out / "summary.txt").unlink()  # what its owner deleted is in nobody's way
    fold(out)
    assert snapshot(out) == FILES
    assert [path.name for path in tmp_path.iterdir()] == ["result"]


def _own_folder(out: Path) -> None:
    shutil.rmtree(out)
    out.mkdir()
    (out / "summary.txt").write_text("what I think of it")


def _added_note(out: Path) -> None:
    with (out / "crosswalk.csv").open("a") as file:
        file.write("a note\n")


def _added_file(out: Path) -> None:
    (out / "notes.txt").write_text("mine")


def _no_mark(out: Path) -> None:
    (out / FOLDER_MARK).unlink()


def _changed_mark(out: Path) -> None:
    with (out / FOLDER_MARK).open("a") as file:
        file.write("# a note\n")


def _mark_of_own(out: Path) -> None:
    (out / FOLDER_MARK).write_text("crosswalk.csv is good\n")


def _link_within(out: Path) -> None:
    (out / "summary.txt").rename(out.parent / "kept.txt")
    (out / "summary.txt").symlink_to(out.parent / "kept.txt")


def _pipe_within(out: Path) -> None:
    (out / "summary.txt").unlink()
    os.mkfifo(out / "summary.txt")


def _folder_within(out: Path) -> None:
    (out / "summary.txt").unlink()
    (out / "summary.txt").mkdir()


def _link(out: Path) -> None:
    out.rename(out.parent / "elsewhere")
    out.symlink_to(out.parent / "elsewhere")


def _dangling(out: Path) -> None:
    shutil.rmtree(out)
    out.symlink_to(out.parent / "nowhere")


def _pipe(out: Path) -> None:
    shutil.rmtree(out)
    os.mkfifo(out)


def _file(out: Path) -> None:
    shutil.rmtree(out)
    out.write_text("mine")


CHANGED = "which was changed after credkit wrote it"


@pytest.mark.parametrize(
    "change",
    [
        _own_folder,
        _added_note,
        _added_file,
        _no_mark,
        _changed_mark,
        _mark_of_own,
        _link_within,
        _pipe_within,
        _folder_within,
        _link,
        _dangling,
        _pipe,
        _file,
    ],
    ids=lambda value: value.__name__ if callable(value) else "",
)
def test_anything_else_in_a_folder_is_left_alone(tmp_path: Path, change: Callable[[Path], None]) -> None:
    out = tmp_path / "result"
    fold(out)
    change(out)
    before = inodes(tmp_path)
    with refusal(ForeignOutput) as caught:
        fold(out)
    assert re.fullmatch(r"output '.*' (.*): name another folder, or move it away", str(caught.value))
    assert inodes(tmp_path) == before


def inodes(home: Path) -> dict[str, tuple[int, int, int]]:
    """Everything below ``home``: the same file, of the same size, written at the same time."""
    found = {}
    for path in home.rglob("*"):
        info = path.lstat()
        if path != home:
            found[str(path)] = (info.st_ino, info.st_size, info.st_mtime_ns)
    return found


def test_a_folder_of_another_command_is_left_alone(tmp_path: Path) -> None:
    fold(tmp_path / "result")
    with refusal(ForeignOutput):
        write_folder(FILES, tmp_path / "result", "census")
    assert snapshot(tmp_path / "result") == FILES


def test_what_is_changed_while_a_run_is_at_work_is_left_alone(tmp_path: Path) -> None:
    out, file, fresh = tmp_path / "result", tmp_path / "failing.csv", tmp_path / "fresh.csv"
    fold(out)
    write_file(b"former", file, "report")

    def change_a_folder() -> None:
        with FolderOutput(out, "crosswalk") as folder:
            folder.write("crosswalk.csv", b"new")
            (out / "crosswalk.csv").write_bytes(b"mine")

    def change(path: Path) -> None:
        with FileOutput(path, "report") as output:
            output.write(b"new")
            path.write_bytes(b"mine")

    with pytest.raises(ForeignOutput, match="changed after"):
        change_a_folder()
    with pytest.raises(ForeignOutput, match="changed after"):
        change(file)
    with pytest.raises(ForeignOutput, match="has no mark of credkit, so it may be somebody's own"):
        change(fresh)
    assert (out / "crosswalk.csv").read_bytes() == file.read_bytes() == fresh.read_bytes() == b"mine"
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        ".failing.csv.credkit", "failing.csv", "fresh.csv", "result",
    ]  # fmt: skip


def test_what_is_added_at_the_last_moment_is_not_removed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By a program, say, that was at work in the former folder when that was put aside."""
    fold(tmp_path / "result")

    def late(source: Path, place: Path) -> None:
        (aside,) = tmp_path.glob(f"{HIDDEN_PREFIX}*/former/result")
        (aside / "notes.txt").write_text("mine")
        move_into(source, place)

    monkeypatch.setattr("credkit.files.outputs.replacing.move_into", late)
    fold(tmp_path / "result", more=b"new")
    assert snapshot(tmp_path / "result") == {**FILES, "more": b"new"}
    monkeypatch.undo()
    fold(tmp_path / "result")
    (left,) = tmp_path.glob(f"{HIDDEN_PREFIX}*/former/result/*")
    assert left.read_text() == "mine"


def test_a_mark_that_somebody_else_wrote_is_left_alone(tmp_path: Path) -> None:
    mark_beside(tmp_path / "failing.csv").write_text("mine")
    with refusal(ForeignOutput):
        write_file(b"new", tmp_path / "failing.csv", "report")
    assert snapshot(tmp_path) == {}
    assert mark_beside(tmp_path / "failing.csv").read_text() == "mine"


def test_added_files_replace_nothing(tmp_path: Path) -> None:
    (tmp_path / "readings.csv").write_text("mine")
    with pytest.raises(FileExistsError):
        add_files(tmp_path, {"site.toml": b"x", "readings.csv": b"x"})
    assert snapshot(tmp_path) == {"readings.csv": b"mine"}
    assert not hidden(tmp_path)


# ── refused before the work ─────────────────────────────────────────────────────────────────────


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """What every command that writes can read."""
    (tmp_path / "site.toml").write_text(SITE)
    Files().card("C-1", "01200345").read("gate", hexed(12, 345)).export("P-C-1", "786777").write(tmp_path)
    written(tmp_path, made(2000), "csv")
    (tmp_path / "plan.toml").write_text(STAFF)
    credentials(tmp_path, list(rows(3)))
    key_file(tmp_path)
    return tmp_path


def line(home: Path, command: str) -> list[str]:
    """A command that writes ``home/out``."""
    site, out = str(home / "site.toml"), str(home / "out")
    if command in ("crosswalk", "census"):
        return [command, site, "--out", out]
    if command == "card data":
        names = [str(home / name) for name in ("plan.toml", "staff.csv")]
        return ["card", "data", *names, "--out", out, "--master-file", str(home / "master.hex")]
    return ["audit", str(home / "captures.csv"), "--chain", CHAIN, command, out]


COMMANDS = {
    "crosswalk": "credkit.crosswalk.crosswalk",
    "census": "credkit.census.census",
    "card data": "credkit.cards.data.read_credentials",
    "--failures": "credkit.audit.pipeline._audit",
    "--parquet": "credkit.audit.pipeline._audit",
    "--report": "credkit.audit.pipeline._audit",
}


@pytest.mark.parametrize("command", COMMANDS)
def test_a_command_refuses_before_it_works(home: Path, command: str, monkeypatch: pytest.MonkeyPatch) -> None:
    (home / "out").mkdir()
    (home / "out" / "summary.txt").write_text("mine")
    module, _, name = COMMANDS[command].rpartition(".")

    begun: list[str] = []

    def work(*given: Any, **more: Any) -> Any:
        begun.append(command)
        raise DefinitionError("it began to work")

    monkeypatch.setattr(import_module(module), name, work)
    done = run(*line(home, command))
    assert (done.exit_code, done.stdout) == (2, ""), done.exception
    expected = "is a folder" if command.startswith("--") else "holds 'summary.txt'"
    assert expected in done.stderr
    assert snapshot(home / "out") == {"summary.txt": b"mine"}
    shutil.rmtree(home / "out")
    assert not begun
    assert "it began to work" in run(*line(home, command)).stderr, "where nothing is in the way"


@pytest.mark.parametrize("command", [each for each in COMMANDS if each != "card data"])
def test_a_command_replaces_its_own_output_until_somebody_changes_it(home: Path, command: str) -> None:
    out = home / "out"
    for _ in range(2):
        assert run(*line(home, command)).exit_code in (0, 1)
    file = out / "summary.txt" if out.is_dir() else out
    file.write_bytes(file.read_bytes() + b"a note\n")
    before = snapshot(home)
    done = run(*line(home, command))
    assert (done.exit_code, done.stdout) == (2, "")
    assert "changed after credkit wrote it: name another " in done.stderr
    assert snapshot(home) == before


# ── runs that end early ─────────────────────────────────────────────────────────────────────────


@pytest.mark.skipif(os.name != "posix", reason="signals are those of POSIX")
@pytest.mark.parametrize("case", CASES)
@amounts("every", quick=4, whole=1)
def test_ended_at_any_step_the_outputs_are_former_or_new(case: str, every: int) -> None:
    """Killed, told to end, interrupted, on a full disk, and told to end and then killed: at every system call.

    The quick run kills and fills the disk at every one, and does the others at every fourth.
    """
    command = [sys.executable, "-m", "tests.interruptions", case, str(every)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert list(found) == ["kill", "term", "interrupt", "full", "twice"]
    for act, counts in found.items():
        tried = 1 if act in ("kill", "full") else every
        assert counts["former"] * tried >= 5, act
        assert counts.get("new") or tried > 1, act
        assert sum(counts.values()) * tried > (5 if act == "full" else 20), act
    if case == "a folder over a former one":
        assert found["kill"]["mended"], "it was killed when neither was there, too"


@pytest.mark.survey
@pytest.mark.skipif(os.name != "posix", reason="signals are those of POSIX")
def test_whole_commands_are_ended(tmp_path: Path) -> None:
    """What is run by hand with larger numbers."""
    command = [sys.executable, "-m", "tests.interrupted_commands", "--count", "2", "--only", "census"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert re.match(r"census +2 kill: .*; 2 term: ", done.stdout)


HOLDS = """
import sys
from pathlib import Path
from credkit.files.outputs.staging import Staging
staging = Staging(Path(sys.argv[1])).make()
staging.new("failing.csv").write_bytes(b"half")
print(staging.root, flush=True)
sys.stdin.read()
"""


@pytest.mark.skipif(os.name != "posix", reason="locks are those of POSIX")
def test_a_hidden_folder_is_its_runs_own_as_long_as_that_lives(tmp_path: Path) -> None:
    """However old it is; and when the process is gone, it is tidied, however young it is."""
    pipes: dict[str, Any] = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "text": True}
    with subprocess.Popen([sys.executable, "-c", HOLDS, str(tmp_path)], cwd=ROOT, **pipes) as holder:
        assert holder.stdout is not None
        root = Path(holder.stdout.readline().strip())
        for path in (root, root / "lock", root / "new", root / "new" / "failing.csv"):
            os.utime(path, (1, 1))
        write_file(b"new", tmp_path / "other.csv", "report")
        assert (root / "new" / "failing.csv").read_bytes() == b"half"
        holder.send_signal(signal.SIGKILL)
        holder.wait()
    write_file(b"new", tmp_path / "other.csv", "report")
    assert not root.exists()


def test_hidden_folders_of_others_are_left_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / f"{HIDDEN_PREFIX}file").write_text("mine")
    (tmp_path / f"{HIDDEN_PREFIX}link").symlink_to(tmp_path)
    (tmp_path / f"{HIDDEN_PREFIX}folder").mkdir()
    (tmp_path / f"{HIDDEN_PREFIX}folder" / "notes.txt").write_text("mine")
    abandoned = tmp_path / f"{HIDDEN_PREFIX}killed"
    for name in ("new", "former"):
        (abandoned / name).mkdir(parents=True)
    (abandoned / "lock").touch()
    (abandoned / "former" / "result").write_text("somebody's")
    with monkeypatch.context() as patch:
        patch.setattr(os, "geteuid", lambda: os.getuid() + 1, raising=False)
        settle_killed_runs(tmp_path)
    assert len(hidden(tmp_path)) == 4
    settle_killed_runs(tmp_path)
    assert sorted(hidden(tmp_path)) == [f"{HIDDEN_PREFIX}file", f"{HIDDEN_PREFIX}folder", f"{HIDDEN_PREFIX}link"]
    assert (tmp_path / "result").read_text() == "somebody's"


def test_a_former_output_that_is_not_credkits_is_never_removed(tmp_path: Path) -> None:
    """A run was killed when it had put something aside, and since then another output was written."""
    fold(tmp_path / "result")
    staging = Staging(tmp_path).make()
    staging.former("result").mkdir()
    (staging.former("result") / "summary.txt").write_text("mine")
    os.close(staging._lock)  # as a process that is killed does
    fold(tmp_path / "result")
    fold(tmp_path / "result")
    assert (staging.former("result") / "summary.txt").read_text() == "mine"
    assert snapshot(tmp_path / "result") == FILES


def test_parts_of_files_are_gone_with_the_run_whether_it_ends_or_is_killed(tmp_path: Path) -> None:
    def make(scratch: Callable[[], Path]) -> Iterator[bytes]:
        (scratch() / "part").write_bytes(b"whole")
        yield (scratch() / "part").read_bytes()

    left = Staging(tmp_path).make()
    (left.scratch() / "part").write_bytes(b"x")
    os.close(left._lock)
    assert len(hidden(tmp_path)) == 1
    write_folder({"sheet": make}, tmp_path / "result", "crosswalk")
    assert not hidden(tmp_path)
    assert snapshot(tmp_path / "result") == {"sheet": b"whole"}


@pytest.mark.parametrize("missing", ["links", "locks"])
def test_file_systems_without_links_or_locks(tmp_path: Path, missing: str, monkeypatch: pytest.MonkeyPatch) -> None:
    fcntl = pytest.importorskip("fcntl")

    def refuse(*given: Any, **more: Any) -> None:
        raise OSError(errno.ENOTSUP, os.strerror(errno.ENOTSUP))

    left = Staging(tmp_path).make()
    left.new("x").write_text("x")
    os.close(left._lock)
    if missing == "links":
        monkeypatch.setattr(os, "link", refuse)
    else:
        monkeypatch.setattr(fcntl, "flock", refuse)
    for data in (b"one", b"two"):
        write_file(data, tmp_path / "page.html", "report")
        fold(tmp_path / "result", more=data)
    add_files(tmp_path, {"site.toml": b"x"})
    with pytest.raises(FileExistsError):
        add_files(tmp_path, {"a": b"x", "site.toml": b"y"})
    assert (tmp_path / "page.html").read_bytes() == b"two"
    assert snapshot(tmp_path) == {"page.html": b"two", "result": {**FILES, "more": b"two"}, "site.toml": b"x"}
    assert len(hidden(tmp_path)) == (missing == "locks"), "without locks nothing can be known of it"


def test_several_runs_at_once_leave_one_whole_output(tmp_path: Path) -> None:
    def work(data: bytes) -> None:
        for _ in range(20):
            with suppress(DefinitionError):  # another one was faster
                write_folder({"one": data, "two": data * 2}, tmp_path / "result", "crosswalk")

    threads = [threading.Thread(target=work, args=(data,)) for data in (b"a", b"b", b"c")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    settle_killed_runs(tmp_path)
    found = snapshot(tmp_path / "result")
    assert found["two"] == found["one"] * 2
    assert [path.name for path in tmp_path.iterdir()] == ["result"]


FULL = """
import resource, signal, sys
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv.pop(1)),) * 2)
from credkit.cli import main
main()
"""


@pytest.mark.skipif(os.name != "posix", reason="the limit is that of POSIX")
@pytest.mark.parametrize("size", [100, pytest.param(0, marks=pytest.mark.survey)])
@pytest.mark.parametrize("command", COMMANDS)
def test_a_full_disk_leaves_the_former_output(home: Path, command: str, size: int) -> None:
    if command != "card data":
        assert run(*line(home, command)).exit_code in (0, 1)
    before = {path: path.read_bytes() for path in home.rglob("*") if path.is_file()}
    done = subprocess.run(
        [sys.executable, "-c", FULL, str(size), *line(home, command)],
        capture_output=True, text=True, env=ENVIRONMENT, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (2, ""), done.stderr
    assert re.search(r"^credkit: output '.*' cannot be written \(File too large\)\n\Z", done.stderr, re.MULTILINE)
    assert {path: path.read_bytes() for path in home.rglob("*") if path.is_file()} == before
    assert not hidden(home)
