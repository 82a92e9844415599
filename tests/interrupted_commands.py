"""Commands that write, ended at steps that are drawn: killed, and told to end.

    .venv/bin/python -m tests.interrupted_commands --count 60      # takes a quarter of an hour
    .venv/bin/python -m tests.interrupted_commands --count 5 --only census

Each command runs over its own former output, with inputs that were changed meanwhile. See `tests.interruptions` for
what must hold; it prints how often the former and the new outputs were found.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import signal
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from random import Random
from typing import Any

from credkit.cli import CARD_COMMANDS, COMMANDS, main
from credkit.files.outputs.staging import settle_killed_runs
from tests import captures
from tests.brackwater import SITE, Files, hexed
from tests.cards import STAFF, credentials, rows
from tests.interruptions import FOREIGN, State, interrupt_at, snapshot, staged
from tests.masters import key_file

MINUTE = re.compile(rb"[0-9]{4}(?:(?:[- :]|\\0000[0-9a-f]{2})[0-9]{2}){4}")  # in a style sheet, too; when it was made


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """A command line; ``inputs`` writes what it reads, in a former and a new version; ``outs`` is what it writes."""

    line: tuple[str, ...]
    inputs: Callable[[Path, int], None]
    outs: tuple[str, ...]
    over: bool = True  # an earlier output is there, and is replaced
    together: bool = True  # a signal to end leaves all of ``outs`` former, or all new
    again: int = 1  # so many runs are ended for one that runs again


def _site(home: Path, version: int) -> None:
    (home / "site.toml").write_text(SITE)
    files = Files().export("P-C-1", "786777")
    for number in range(3 + version):
        files.card(f"C-{number}", f"012{345 + number:05d}").read("gate", hexed(12, 345 + number), hexed(12, 999))
    files.card("C-twin", "01200345").write(home)


def _captures(home: Path, version: int) -> None:
    captures.written(home, captures.made(300 + 50 * version), "csv")


def _cards(home: Path, version: int) -> None:
    (home / "plan.toml").write_text(STAFF)
    credentials(home, list(rows(3)))
    key_file(home)


def _plan(home: Path, version: int) -> None:
    (home / "plan.toml").write_text(STAFF.replace("staff card", f"staff card {version}"))


def _nothing(home: Path, version: int) -> None:
    """The demo reads nothing."""


BATCH = ("card", "data", "plan.toml", "staff.csv", "--out", "batch", "--master-file", "master.hex")
LINES = {
    "crosswalk": Command(line=("crosswalk", "site.toml", "--out", "result"), inputs=_site, outs=("result",)),
    "census": Command(line=("census", "site.toml", "--out", "result"), inputs=_site, outs=("result",)),
    "audit": Command(
        line=("audit", "captures.csv", "--chain", captures.CHAIN, "--failures", "failing.csv", "--parquet", "counts",
              "--report", "report.html"),
        inputs=_captures, outs=("failing.csv", "counts", "report.html"),
    ),
    "card data": Command(line=BATCH, inputs=_cards, outs=("batch",), over=False),
    "card plan": Command(
        line=("card", "plan", "plan.toml", "--svg", "card.svg"), inputs=_plan, outs=("card.svg",),
    ),
    "demo": Command(
        line=("demo", "port"), inputs=_nothing, over=False, together=False, again=20,
        outs=("port/site.toml", "port/credentials.csv", "port/readings.csv", "port/gatehouse-export.csv", "port/result",
              "port/cards/staff.csv", "port/cards/data", "port/report.html", "port/result.html"),
    ),
}  # fmt: skip


def run(command: Command, home: Path, point: int = -1, act: str = "term") -> tuple[int, int]:
    """Run ``command`` in ``home``, in a process of its own, ended at ``point``: its exit code, and its steps."""
    reader, writer = os.pipe()
    pid = os.fork()
    if not pid:
        os.chdir(home)
        nowhere = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):
            os.dup2(nowhere, stream)
        steps = interrupt_at(point, act)
        code: Any = 0
        try:
            main(list(command.line))
        except SystemExit as error:
            code = error.code
        os.write(writer, str(steps()).encode())
        os._exit(int(code or 0))
    os.close(writer)
    with open(reader, encoding="ascii") as told:
        steps_taken = int(told.read() or -1)
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]), steps_taken


def found(command: Command, home: Path) -> State:
    """The outputs; of a report without its times, of a batch with a drawn key only its names."""
    here = {path: snapshot(home / path) for path in command.outs}
    for path, what in here.items():
        if path.endswith(".html") and what is not None:
            here[path] = MINUTE.sub(b"", what)
        if path == "port/cards/data" and what is not None:
            here[path] = {name: bool(data) for name, data in what.items()}
    return here


def ended(command: Command, count: int, home: Path, draw: Random) -> dict[str, Counter[str]]:
    """End ``command`` so many times in each way; how often the former, the new, or no outputs were found."""
    start, peace = home / "start", home / "peace"
    start.mkdir(parents=True)
    if command.over:
        command.inputs(start, 0)
        code, _ = run(command, start)
        assert code in (0, 1), code
    command.inputs(start, 1)
    (start / "notes.txt").write_text("mine")
    (start / FOREIGN).mkdir()
    (start / FOREIGN / "notes.txt").write_text("mine")
    former = found(command, start)
    shutil.copytree(start, peace, symlinks=True)
    code, steps = run(command, peace)
    assert code in (0, 1), code
    new = found(command, peace)
    assert all(new[path] is not None and new[path] != former[path] for path in new), "nothing to tell them apart by"
    result: dict[str, Counter[str]] = {}
    for act, ends in (("kill", -signal.SIGKILL), ("term", 128 + signal.SIGTERM)):
        result[act] = Counter()
        for turn in range(count):
            work = home / "work"
            shutil.copytree(start, work, symlinks=True)
            point = draw.randrange(steps)
            code, _ = run(command, work, point, act)
            assert code == ends, (act, point, code)
            where = (act, point)
            here = found(command, work)
            if act == "kill":
                for folder in (work, *(each for each in sorted(work.rglob("*")) if each.is_dir())):
                    settle_killed_runs(folder)
            mended = found(command, work)
            assert not staged(work), (*where, staged(work))
            for path in command.outs:
                assert mended[path] in (former[path], new[path]), (*where, path, "neither former nor new")
                assert here[path] in (former[path], new[path], None), (*where, path, "in part")
            if act == "term":
                assert here == mended, (*where, "not brought back")
                assert not command.together or here in (former, new), (*where, "some are former, some new")
            assert (work / "notes.txt").read_text() == (work / FOREIGN / "notes.txt").read_text() == "mine", where
            result[act]["former" if here == former else "new" if here == new else "between"] += 1
            if turn % command.again == 0 and (command.over or mended == former or not command.together):
                code, _ = run(command, work)
                assert code in (0, 1), (*where, code)
                wrong = [path for path, what in found(command, work).items() if what != new[path]]
                assert not wrong, (*where, wrong, "not written again")
            shutil.rmtree(work)
    return result


def by_hand(args: list[str] | None = None) -> None:
    """The command."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=60, help="kills, and as many signals to end, for each command")
    parser.add_argument("--only", choices=LINES, help="this command only")
    parser.add_argument("--seed", type=int, default=1)
    wanted = parser.parse_args(args)
    for module, _ in (*COMMANDS.values(), *CARD_COMMANDS.values()):
        import_module(module)  # once, not in each process
    draw = Random(wanted.seed)
    for name, command in LINES.items():
        if wanted.only in (None, name):
            with tempfile.TemporaryDirectory() as folder:
                counts = ended(command, wanted.count, Path(folder) / "home", draw)
            told = "; ".join(
                f"{sum(each.values())} {act}: {', '.join(f'{number} {what}' for what, number in sorted(each.items()))}"
                for act, each in counts.items()
            )
            print(f"{name:10} {told}", flush=True)


if __name__ == "__main__":
    by_hand(sys.argv[1:])
