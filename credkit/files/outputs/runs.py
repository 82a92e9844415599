"""Runs: folders named by the time of their making below one folder, of which the newest are kept.

    runs/2026-11-30T215000Z/      a folder that credkit wrote, with its mark
    runs/2026-11-30T215000Z-2/    another of the same second
    runs/2026-12-07T090214Z/      the newest

Whatever has another name or another mark is nobody's run, and is left alone.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.files.outputs.marks import FOLDER_MARK, Obstacle, read_mark, verify_folder
from credkit.files.outputs.replacing import ForeignOutput

TIME_FORM = "%Y-%m-%dT%H%M%SZ"
_NAME = re.compile("([0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{6}Z)(?:-([1-9][0-9]{0,5}))?")


def name_new_run(home: Path, now: datetime) -> Path:
    """A free place for the run of this moment in ``home``; raises `DefinitionError` where a run is of a later time.

    >>> name_new_run(Path("runs"), datetime(2026, 11, 30, 21, 50, tzinfo=UTC)).name
    '2026-11-30T215000Z'
    """
    if os.path.lexists(home / FOLDER_MARK):
        raise ForeignOutput(f"output {redacted_repr(str(home))} is a result itself: name another folder for runs")
    stamp = now.astimezone(UTC).strftime(TIME_FORM)
    last, number = max(map(_age, _list_names(home)), default=("", 0))
    if last > stamp:
        raise DefinitionError(
            f"output {redacted_repr(str(home))} holds a run of a later time, {last}, and it is {stamp}: "
            "set the clock, or move that run away"
        )
    return home / (f"{stamp}-{number + 1}" if last == stamp else stamp)


def list_runs(home: Path, maker: str) -> list[Path]:
    """The runs of ``maker`` in ``home``, the newest first."""
    found = []
    for name in sorted(_list_names(home), key=_age, reverse=True):
        mark = read_mark(home / name / FOLDER_MARK)
        if not (home / name).is_symlink() and mark is not None and mark.maker == maker:
            found.append(home / name)
    return found


def remove_old_runs(home: Path, maker: str, keep: int, needed: Iterable[Path] = ()) -> list[str]:
    """Remove all but the ``keep`` newest runs of ``maker`` in ``home``; a sentence for each that had to stay.

    A run stays where anything in it was added or changed, or one of the files ``needed`` is in it.
    """
    kept = [Path(os.path.realpath(file)) for file in needed]
    stayed = []
    for run in list_runs(home, maker)[keep:]:
        try:
            names = verify_folder(run, maker)
            if any(file.is_relative_to(os.path.realpath(run)) for file in kept):
                raise Obstacle("holds a file that is read")
            for name in sorted(names, key=lambda name: name == FOLDER_MARK):  # the mark last, for another try
                (run / name).unlink(missing_ok=True)
            run.rmdir()
        except Obstacle as error:
            stayed.append(f"run {redacted_repr(run.name)} stays: it {error}")
        except OSError as error:
            stayed.append(f"run {redacted_repr(run.name)} stays ({error.strerror or error})")
    return stayed


def newest_two(home: Path, maker: str) -> tuple[Path, Path]:
    """The newest run but one in ``home``, and the newest."""
    if read_mark(home / FOLDER_MARK) is not None:
        raise DefinitionError(
            f"{redacted_repr(str(home))} is one result: name a second one to compare it with, or a folder of runs"
        )
    if not home.is_dir():
        raise DefinitionError(f"{redacted_repr(str(home))} is not a folder")
    found = list_runs(home, maker)
    if len(found) < 2:
        raise DefinitionError(
            f"{redacted_repr(str(home))} holds {len(found)} {'run' if len(found) == 1 else 'runs'} of a {maker}, "
            "and two are compared: runs are kept with --keep"
        )
    return found[1], found[0]


def _list_names(home: Path) -> list[str]:
    names: list[str] = []
    with suppress(FileNotFoundError, NotADirectoryError):
        names = [entry.name for entry in os.scandir(home) if _NAME.fullmatch(entry.name)]
    return names


def _age(name: str) -> tuple[str, int]:
    """What runs are ordered by."""
    parts = _NAME.fullmatch(name)
    assert parts is not None
    return parts[1], int(parts[2] or 1)
