"""Marks: which files credkit wrote, each with its SHA-256.

    # credkit: crosswalk. A file is replaced or removed only while it is as listed here.
    9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08  crosswalk.csv

A folder has its mark in it, `credkit.sha256`. A single file has it beside it, hidden: `.NAME.credkit`. That mark may
list two digests, of the file and of the former one: it takes its place first, and whenever a run is killed, the file
that is there is listed. A file that differs from its digests, or a mark that differs from its form, is somebody's own.

Source: FIPS 180-4 (SHA-256).
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import BinaryIO

from credkit.core.sentences import redacted_repr

FOLDER_MARK = "credkit.sha256"
LARGEST_MARK_BYTES = 1 << 20  # bytes of a mark
CHUNK_BYTES = 1 << 20  # bytes that are read at once
MARK_HEAD = "# credkit: {maker}. A file is replaced or removed only while it is as listed here.\n"
_HEAD = re.compile(re.escape(MARK_HEAD).replace(re.escape("{maker}"), "([a-z -]+)"))
_ROW = re.compile("([0-9a-f]{64})  (.+)\n")


class Obstacle(Exception):
    """What is wrong with a path that credkit did not write as it is: a clause whose subject is that path."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """What ``maker`` wrote: pairs of a name and a SHA-256 in hexadecimal digits.

    >>> print(Mark(maker="census", digests=(("summary.txt", "00" * 32),)).encode().decode(), end="")
    # credkit: census. A file is replaced or removed only while it is as listed here.
    0000000000000000000000000000000000000000000000000000000000000000  summary.txt
    """

    maker: str
    digests: tuple[tuple[str, str], ...]

    def encode(self) -> bytes:
        """The mark as it is in a file."""
        rows = (f"{digest}  {ascii(name)[1:-1]}\n" for name, digest in self.digests)
        return "".join((MARK_HEAD.format(maker=self.maker), *rows)).encode()

    def lists(self, name: str, digest: str) -> bool:
        """Whether ``name`` was written with this ``digest``."""
        return (ascii(name)[1:-1], digest) in self.digests


def read_mark(path: Path) -> Mark | None:
    """The mark at ``path``; None where there is none, or where a byte of it is not as credkit writes it."""
    try:
        with open_unlinked(path) as file:
            data = file.read(LARGEST_MARK_BYTES)
        text = data.decode("ascii")
    except (OSError, Obstacle, UnicodeDecodeError):
        return None
    head = _HEAD.match(text)
    if not head:
        return None
    pairs = tuple((name, digest) for digest, name in _ROW.findall(text, head.end()))
    found = Mark(maker=head[1], digests=pairs)
    written = "".join((head[0], *(f"{digest}  {name}\n" for name, digest in pairs)))
    return found if written == text else None


def mark_beside(path: Path) -> Path:
    """Where the mark of the single file at ``path`` is.

    >>> mark_beside(Path("audit/failing.csv")).name
    '.failing.csv.credkit'
    """
    return path.with_name(f".{path.name}.credkit")


@contextmanager
def open_unlinked(path: Path) -> Iterator[BinaryIO]:
    """The regular file at ``path``, opened for reading; raises `Obstacle` for a link, a device or a pipe."""
    refuse_kind(path.lstat(), folder=False)
    with open(path, "rb", opener=_open_unfollowed) as file:
        refuse_kind(os.fstat(file.fileno()), folder=False)
        yield file


def _open_unfollowed(path: str, flags: int) -> int:
    """Open ``path``, no link, and do not wait for a pipe."""
    return os.open(path, flags | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0))


def refuse_kind(info: os.stat_result, *, folder: bool) -> None:
    """Raise `Obstacle` for what is not a regular file, or not a ``folder``."""
    if stat.S_ISLNK(info.st_mode):
        raise Obstacle("is a link, which is neither followed nor replaced")
    if folder and not stat.S_ISDIR(info.st_mode):
        raise Obstacle("is not a folder")
    if not folder and stat.S_ISDIR(info.st_mode):
        raise Obstacle("is a folder")
    if not folder and not stat.S_ISREG(info.st_mode):
        raise Obstacle("is a device or a pipe, which is never replaced")


def digest_of(path: Path) -> str:
    """The SHA-256 of the regular file at ``path``, in hexadecimal digits."""
    made = sha256()
    with open_unlinked(path) as file:
        while data := file.read(CHUNK_BYTES):
            made.update(data)
    return made.hexdigest()


def verify_file(path: Path, mark: Path, maker: str | None = None, *, name: str = "") -> str:
    """The digest of the file at ``path`` if credkit wrote it as it is, and ``mark`` lists it; else raises `Obstacle`.

    ``maker`` is the only one that may have written it, ``name`` what the mark calls it.
    """
    refuse_kind(path.lstat(), folder=False)
    listed = read_mark(mark)
    if listed is None:
        raise Obstacle("has no mark of credkit, so it may be somebody's own")
    if maker is not None and listed.maker != maker:
        raise Obstacle(f"is a {listed.maker}, not a {maker}")
    digest = digest_of(path)
    if not listed.lists(name or path.name, digest):
        raise Obstacle("was changed after credkit wrote it")
    return digest


def verify_folder(path: Path, maker: str | None = None, *, marked: bool = True) -> tuple[str, ...]:
    """The names in the folder at ``path`` if credkit wrote all of them as they are; else raises `Obstacle`.

    ``maker`` is the only one that may have written them. Of a folder that is never ``marked`` only an empty one passes.
    """
    refuse_kind(path.lstat(), folder=True)
    names = sorted(entry.name for entry in os.scandir(path))
    if not names:
        return ()
    listed = read_mark(path / FOLDER_MARK) if marked else None
    if listed is None:
        first = next((name for name in names if name != FOLDER_MARK or not marked), FOLDER_MARK)
        raise Obstacle(f"holds {redacted_repr(first)}{', which no mark of credkit lists' if marked else ''}")
    if maker is not None and listed.maker != maker:
        raise Obstacle(f"holds the files of a {listed.maker}, not of a {maker}")
    known = {name for name, _ in listed.digests}
    for name in names:
        if name == FOLDER_MARK:
            continue
        if ascii(name)[1:-1] not in known:
            raise Obstacle(f"holds {redacted_repr(name)}, which no mark of credkit lists")
        try:
            same = listed.lists(name, digest_of(path / name))
        except Obstacle:
            same = False
        if not same:
            raise Obstacle(f"holds {redacted_repr(name)}, which was changed after credkit wrote it")
    return tuple(names)
