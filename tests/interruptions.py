"""Writers that are ended at every step at which they change a folder: killed, told to end, or refused by the disk.

`every_step` does so with every kind of output, in processes of their own; the tests run it. `interrupted_commands` has
whole commands. After each, the outputs must be the former or the new ones, whole; nothing else may have changed; and
the next run must write as if nothing had happened. Where a folder is away for a moment, the next run brings it back.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
import signal
import stat
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from credkit.files.outputs import FileOutput, FolderOutput, add_files, place_outputs, write_folder
from credkit.files.outputs.staging import Staging, settle_killed_runs

CALLS = ("mkdir", "link", "rename", "replace", "fsync", "unlink", "rmdir")  # of the module os; pathlib calls these, too
SIGNALS = {"kill": signal.SIGKILL, "term": signal.SIGTERM, "interrupt": signal.SIGINT, "twice": signal.SIGTERM}
FREEING = ("unlink", "rmdir")  # which need no room on a disk
ACTS = ("kill", "term", "interrupt", "full", "twice")  # SIGKILL, SIGTERM, SIGINT, a disk that refuses one call, and
LATER = 3  # steps after a SIGTERM, a SIGKILL: while the former output is being brought back
STAGED = ".credkit.partial-"
FOREIGN = Path(f"{STAGED}foreign")  # has such a name, and is of no run of credkit
State = dict[str, Any]


def interrupt_at(point: int, act: str) -> Callable[[], int]:
    """Let ``act`` happen at step ``point``: before (even) or behind (odd) a call from `credkit.files.outputs`.

    What is given back counts the steps so far.
    """
    steps = 0

    def reached(call: Callable[..., Any], *args: Any, **options: Any) -> Any:
        nonlocal steps
        if not _is_output(sys._getframe(2)) or (act == "full" and call.__name__ in FREEING):
            return call(*args, **options)
        before = steps
        steps += 2
        if before == point or (act == "twice" and before == point + LATER):
            end("kill" if before > point else act)
        try:
            return call(*args, **options)
        finally:
            if before + 1 == point and act != "full":
                end(act)
            elif act == "twice" and before + 1 == point + LATER:
                end("kill")

    for name in CALLS:
        real = getattr(os, name)
        setattr(os, name, lambda *args, real=real, **options: reached(real, *args, **options))
    return lambda: steps


def _is_output(frame: Any) -> bool:
    while frame is not None:
        if frame.f_globals.get("__name__", "").startswith("credkit.files.outputs"):
            return True
        frame = frame.f_back
    return False


def end(act: str) -> None:
    """What happens to this process."""
    if act == "full":
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    os.kill(os.getpid(), SIGNALS[act])


def told_to_end(number: int, frame: object) -> None:
    sys.exit(128 + number)


def snapshot(path: Path) -> Any:
    """What is at ``path``: bytes, names and what they hold, or what it is; marks and hidden folders left out."""
    if not os.path.lexists(path):
        return None
    info = path.lstat()
    if stat.S_ISDIR(info.st_mode):
        return {
            each.name: snapshot(each)
            for each in sorted(path.iterdir())
            if not each.name.startswith(STAGED) and not each.name.endswith((".credkit", "credkit.sha256"))
        }
    return os.readlink(path) if stat.S_ISLNK(info.st_mode) else path.read_bytes()


def staged(home: Path) -> list[Path]:
    """The hidden folders below ``home`` that hold anything, but for that of another program."""
    found = (each for each in home.rglob(f"{STAGED}*") if each.name != FOREIGN.name)
    return sorted(each for each in found if any(each.iterdir()))


# ── every step of every kind of output ──────────────────────────────────────────────────────────


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A kind of output: the paths it has, how its ``former`` and new ones are written, whether a former is replaced."""

    paths: tuple[str, ...]
    write: Callable[[Path, bytes], None]
    former: bytes | None
    is_replaced: bool = True


def _folder(home: Path, data: bytes) -> None:
    write_folder({"one.csv": data, "two.csv": data * 2}, home / "result", "crosswalk")


def _batch(home: Path, data: bytes) -> None:
    with FolderOutput(home / "batch", "batch", marked=False) as folder:
        for name in ("C-1.bin", "C-2.bin"):
            (folder.path / name).write_bytes(data)


def _files(home: Path, data: bytes) -> None:
    (home / "paper").mkdir(exist_ok=True)
    outs = {"failing.csv": "list of failing rows", "paper/page.html": "report"}
    with ExitStack() as stack:
        files = [stack.enter_context(FileOutput(home / out, maker)) for out, maker in outs.items()]
        for file in files:
            file.write(data)
        place_outputs(files)


def _added(home: Path, data: bytes) -> None:
    names = ("site.toml", "readings.csv", "credentials.csv")
    add_files(home, {name: data for name in names if not (home / name).exists()})


FILES = ("failing.csv", "paper/page.html")
CASES = {
    "a folder over a former one": Case(paths=("result",), write=_folder, former=b"former"),
    "a folder": Case(paths=("result",), write=_folder, former=None),
    "a batch": Case(paths=("batch",), write=_batch, former=None, is_replaced=False),
    "files over former ones": Case(paths=FILES, write=_files, former=b"former"),
    "files": Case(paths=FILES, write=_files, former=None),
    "files that are added": Case(paths=("site.toml", "readings.csv", "credentials.csv"), write=_added, former=None),
}


def every_step(case: Case, home: Path, every: int = 1) -> dict[str, Counter[str]]:
    """End ``case`` at each of its steps in each way; how often the former, the new, or no output was found.

    It is killed, and refused by the disk, at each step, and ended at each ``every``-th step in the other ways.
    """
    found: dict[str, Counter[str]] = {}
    os.fsync = os.sync = lambda *_: None  # type: ignore[assignment]  # it takes long, and no power is cut here
    for act in ACTS:
        found[act] = Counter()
        point = 0
        while True:
            shutil.rmtree(home, ignore_errors=True)
            mine = prepared(case, home)
            with_live = Staging(home).make()  # that of a run that is at work
            with_live.new("theirs").write_bytes(b"theirs")
            former = {path: snapshot(home / path) for path in case.paths}
            if not ended(case, home, point, act):
                break
            here = {path: snapshot(home / path) for path in case.paths}
            others = {name: snapshot(home / name) for name in mine}
            assert others == mine, (act, point, "something else was touched")
            is_killed = act in ("kill", "twice")
            if is_killed:
                next_run(home)
            mended = {path: snapshot(home / path) for path in case.paths}
            with_live.close()
            assert not staged(home), (act, point, staged(home))
            if case.is_replaced or not mended[case.paths[0]]:
                case.write(home, b"new")
            else:
                next_run(home)
            new = {path: snapshot(home / path) for path in case.paths}
            assert all(b"new" in repr(each).encode() for each in new.values()), (act, point, "not written")
            assert [each.name for each in home.rglob(f"{STAGED}*")] == [FOREIGN.name], (act, point)
            for path in case.paths:
                assert mended[path] in (former[path], new[path]), (act, point, path, "neither former nor new")
                assert here[path] in (former[path], new[path], None), (act, point, path, "in part")
                if not isinstance(new[path], dict) and act != "twice":
                    assert here[path] in (former[path], new[path]), (act, point, path, "a file was away")
            if not is_killed:
                assert here in (former, new), (act, point, "some are former, some new")
            found[act]["former" if here == former else "new" if here == new else "mended"] += 1
            point += (2 if act == "full" else 1) * (1 if act in ("kill", "full") else every)
    return found


def prepared(case: Case, home: Path) -> State:
    """``home`` with the former output, and things of other people beside it; what those are."""
    home.mkdir()
    if case.former is not None:
        case.write(home, case.former)
    (home / "notes.txt").write_text("mine")
    (home / ".result.mine").mkdir()
    (home / ".result.mine" / "notes.txt").write_text("mine")
    (home / FOREIGN).mkdir()
    (home / FOREIGN / "notes.txt").write_text("mine")
    (home / "link").symlink_to(home / "notes.txt")
    return {name: snapshot(home / name) for name in ("notes.txt", ".result.mine", FOREIGN.name, "link")}


def next_run(home: Path) -> None:
    """What the next run does first."""
    for folder in (home, *(each for each in home.iterdir() if each.name == "paper")):
        settle_killed_runs(folder)


def ended(case: Case, home: Path, point: int, act: str) -> bool:
    """Write ``case`` in a process of its own, ended at ``point``; whether it came that far."""
    pid = os.fork()
    if not pid:
        signal.signal(signal.SIGTERM, told_to_end)
        steps = interrupt_at(point, act)
        try:
            case.write(home, b"new")
        except BaseException:
            os._exit(3)
        os._exit(0 if steps() <= point else 3)
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) != 0


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        counts = every_step(CASES[sys.argv[1]], Path(folder) / "home", int(sys.argv[2]))
    print(json.dumps(counts))
