"""Output files: crosswalk.csv, exceptions.csv, summary.txt, written as a whole or not at all.

The files are built in a hidden directory beside the one that is asked for, which nobody else can
read, and take its place when all of them are safely on the disk. Whoever looks sees the former
output, none, or the new one, never a part. A directory that holds anything else is not touched.

Source: RFC 4180 (common form of CSV).
"""

from __future__ import annotations

import csv
import glob
import io
import os
import re
import time
from abc import abstractmethod
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from tempfile import mkdtemp

from credkit.accounts import masked
from credkit.crosswalk.result import Crosswalk, Exceptional, Line
from credkit.crosswalk.summary import summary_text
from credkit.errors import DefinitionError, shown

LINES = (
    "person", "credential", "kind", "number", "status", "target", "text", "action", "proof", "readers", "last_seen",
    "reason",
)  # fmt: skip
EXCEPTIONS = ("file", "line", "code", "input", "reason", "candidates")
SAFE = ("number", "text", "input", "reason")  # cells from which account numbers were taken where they were made
NAMES = ("crosswalk.csv", "exceptions.csv", "summary.txt")
FORMULA = ("=", "+", "-", "@", "\t", "\r")
STALE = 3600  # seconds after which what a killed run left behind is removed
_NUMBER = re.compile(r"[+-]?[0-9]+(?:\.[0-9]+)?")


class Written(Sequence[Line]):
    """Lines that know how to stand in a file."""

    @abstractmethod
    def written(self) -> str:
        """What `csv_text` makes of them."""


def write_outputs(result: Crosswalk, out: str | Path) -> None:
    """Write ``result`` into the directory ``out``, in place of a former output.

    Raises `DefinitionError` where ``out`` is something else, or cannot be written.
    """
    lines = result.lines
    texts = {
        "crosswalk.csv": lines.written() if isinstance(lines, Written) else csv_text(LINES, lines),
        "exceptions.csv": csv_text(EXCEPTIONS, result.exceptions),
        "summary.txt": summary_text(result),
    }
    write_folder(texts, out, NAMES, "crosswalk")


def apart(outs: Sequence[Path], kept: Iterable[Path]) -> None:
    """Raise `DefinitionError` if an output would replace one of the files ``kept``, or another output."""
    files = list(kept)
    for place, out in enumerate(outs):
        if "\0" in str(out):
            raise DefinitionError(f"output {shown(str(out))} is not the path of a file")
        if any(_same(out, file) for file in files):
            raise DefinitionError(f"output {shown(str(out))} is one of the files that are read, or that the site names")
        if any(_same(out, other) for other in outs[:place]):
            raise DefinitionError(f"output {shown(str(out))} is asked for twice")


def _same(one: Path, other: Path) -> bool:
    """Whether two paths are, or would be, one file."""
    try:
        return one.samefile(other)
    except OSError:  # one of them is not there
        return os.path.realpath(one.parent) == os.path.realpath(other.parent) and one.name == other.name


def write_folder(texts: Mapping[str, str], out: str | Path, names: Sequence[str], maker: str) -> None:
    """Write files, ``texts`` by name, into the directory ``out``; ``names`` are all that a ``maker`` ever writes.

    Raises `DefinitionError` where ``out`` is something else, or cannot be written.
    """
    if "\0" in str(out):
        raise DefinitionError(f"output {shown(str(out))} is not the path of a directory")
    try:
        out = Path(out).resolve()
        _admit(out, names, maker)
        out.parent.mkdir(parents=True, exist_ok=True)
        _place(_build(out, texts), out, names)
        _tidy(out, names)
    except OSError as error:
        raise DefinitionError(f"output {shown(str(out))} cannot be written ({error.strerror})") from None


def _admit(out: Path, names: Sequence[str], maker: str) -> None:
    """Refuse ``out`` if anything is there that no ``maker`` wrote."""
    if not os.path.lexists(out):
        return
    if not out.is_dir():
        raise DefinitionError(f"output {shown(str(out))} is not a directory")
    for entry in sorted(os.scandir(out), key=lambda entry: entry.name):
        if entry.name not in names or not entry.is_file(follow_symlinks=False):
            raise DefinitionError(
                f"output {shown(str(out))} holds {shown(entry.name)}, which no {maker} wrote: name another directory"
            )


def _build(out: Path, texts: Mapping[str, str]) -> Path:
    """A hidden directory beside ``out`` with all files in it, safely on the disk."""
    partial = Path(mkdtemp(prefix=f".{out.name}.partial-", dir=out.parent))  # mode 700
    try:
        for name, text in texts.items():
            with open(os.open(partial / name, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
                file.write(text.encode("utf-8", "backslashreplace"))
                file.flush()
                os.fsync(file.fileno())
        _settle(partial)
    except BaseException:
        _remove(partial, texts)
        raise
    return partial


def _place(partial: Path, out: Path, names: Iterable[str]) -> None:
    """Put ``partial`` in the place of ``out``, which is away for a moment if it was there."""
    former = partial.with_name(partial.name.replace(".partial-", ".former-"))
    try:
        with suppress(FileNotFoundError):
            out.rename(former)
        try:
            partial.rename(out)
        except OSError:
            if former.exists():
                former.rename(out)
            raise
    except BaseException:
        _remove(partial, names)
        raise
    _settle(out.parent)
    _remove(former, names)


def _settle(folder: Path) -> None:
    """Wait until the names in ``folder`` are on the disk, where a system can say so."""
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _remove(folder: Path, names: Iterable[str]) -> None:
    """Take away the files called ``names``, and the directory if nothing else is in it."""
    for name in names:
        with suppress(OSError):
            (folder / name).unlink()
    with suppress(OSError):
        folder.rmdir()


def _tidy(out: Path, names: Iterable[str]) -> None:
    """Take away what runs that were killed long ago left beside ``out``: it is private data."""
    for kind in ("partial", "former"):
        for left in out.parent.glob(f"{glob.escape(f'.{out.name}.{kind}-')}*"):
            with suppress(OSError):
                if time.time() - left.stat().st_mtime > STALE:
                    _remove(left, names)


def csv_text(columns: Sequence[str], rows: Iterable[Line | Exceptional], *, head: bool = True) -> str:
    """Rows as they stand in a file, account numbers masked."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    if head:
        writer.writerow(columns)
    for row in rows:
        cells = ((column, cell(getattr(row, column))) for column in columns)
        writer.writerow([text if column in SAFE else masked(text) for column, text in cells])
    return buffer.getvalue()


def cell(value: object) -> str:
    """A value as a cell; a text that a spreadsheet would take for a formula gets an apostrophe before it.

    >>> cell("=1+1"), cell("-2147483648"), cell("-A"), cell(("C-1", "C-2")), cell(None)
    ("'=1+1", '-2147483648', "'-A", 'C-1; C-2', '')
    """
    if isinstance(value, datetime):
        return value.isoformat(timespec="seconds")
    if isinstance(value, tuple):
        value = "; ".join(map(str, value))
    text = "" if value is None else str(value)
    return f"'{text}" if text.startswith(FORMULA) and not _NUMBER.fullmatch(text) else text
