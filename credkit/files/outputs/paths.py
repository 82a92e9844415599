"""Paths of outputs: whether two are one file, and whether an output would replace what is read."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import BinaryIO

from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr


def refuse_overlaps(outs: Sequence[Path], kept: Iterable[Path]) -> None:
    """Raise `DefinitionError` if an output would replace one of the files ``kept``, or another output.

    >>> refuse_overlaps([Path("a.csv"), Path("b.csv")], [Path("c.csv")])
    >>> refuse_overlaps([Path("a.csv")], [Path("a.csv")])
    Traceback (most recent call last):
    credkit.DefinitionError: output 'a.csv' is one of the files that are read, or that the site names
    """
    files = list(kept)
    for place, out in enumerate(outs):
        if "\0" in str(out):
            raise DefinitionError(f"output {redacted_repr(str(out))} is not the path of a file")
        if any(_is_same_file(out, file) for file in files):
            raise DefinitionError(
                f"output {redacted_repr(str(out))} is one of the files that are read, or that the site names"
            )
        if any(_is_same_file(out, other) for other in outs[:place]):
            raise DefinitionError(f"output {redacted_repr(str(out))} is asked for twice")


def _is_same_file(one: Path, other: Path) -> bool:
    """Whether two paths are, or would be, one file."""
    try:
        return one.samefile(other)
    except OSError:  # one of them is not there
        return os.path.realpath(one.parent) == os.path.realpath(other.parent) and one.name == other.name


def resolve_output(out: Path) -> Path:
    """``out`` from the root on. Links on the way to it are followed, and one in its place is not."""
    if out.name in ("", ".."):
        return Path(os.path.realpath(out))
    return Path(os.path.realpath(out.parent)) / out.name


def file_identity(path: Path) -> tuple[int, int] | None:
    """What a file or folder is, whatever its name is; None where there is none."""
    try:
        info = path.lstat()
    except OSError:
        return None
    return info.st_dev, info.st_ino


def open_private(path: Path) -> BinaryIO:
    """A new file for its owner alone, opened for writing."""
    return open(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o600), "wb")


def write_private(path: Path, data: bytes) -> None:
    """Write a new file for its owner alone, and wait until it is on the disk."""
    with open_private(path) as file:
        file.write(data)
        flush_file(file)


def flush_file(file: BinaryIO) -> None:
    """Wait until what was written to ``file`` is on the disk."""
    file.flush()
    os.fsync(file.fileno())
