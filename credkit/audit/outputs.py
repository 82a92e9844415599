"""Output files of an audit: whole or not there, and never in the place of anything else.

A file is written beside the place that is asked for, hidden and readable by its owner alone, and
takes that place when all of it is on the disk. A run that is stopped leaves what was there before.
What is there already is replaced only if it is an output of the same sort, or empty.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from secrets import token_hex
from types import TracebackType

from credkit.crosswalk.outputs import STALE
from credkit.errors import DefinitionError, shown

PARTIAL = ".credkit.partial-"  # how the names of files begin that are not whole yet
START = 4096  # bytes in which the sort of a file shows


class Output:
    """A file that is whole or not there: bytes go to a hidden one that takes its place at the end.

    ``what`` it is called in a sentence; ``ours`` tells whether a file is an earlier one. Raises `DefinitionError`
    for a place that holds anything else, or cannot be written.
    """

    def __init__(self, out: Path, what: str, ours: Callable[[Path], bool]) -> None:
        self.out = out
        self._admit(what, ours)
        self._tidy()
        self._partial = out.parent / f"{PARTIAL}{token_hex(8)}"

    def _admit(self, what: str, ours: Callable[[Path], bool]) -> None:
        """Refuse a place where anything is but an output of ours."""
        out = self.out
        if str(out) == "-" or "\0" in str(out) or out.is_dir():
            raise DefinitionError(f"output {shown(str(out))} is not the path of a file")
        if not os.path.lexists(out):
            return
        if out.is_symlink() or not out.is_file():
            raise DefinitionError(f"output {shown(str(out))} is a link or a device, and would be replaced by a file")
        try:
            former = not out.stat().st_size or ours(out)
        except OSError as error:
            raise self.refusal(error) from None
        if not former:
            raise DefinitionError(f"output {shown(str(out))} is there, and is no {what} of an audit: name another file")

    def refusal(self, error: OSError) -> DefinitionError:
        """The sentence for a disk that is full, and the like."""
        return DefinitionError(f"output {shown(str(self.out))} cannot be written ({error.strerror or error})")

    def __enter__(self) -> Output:
        try:
            self.file = open(os.open(self._partial, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb")
        except OSError as error:
            raise self.refusal(error) from None
        except BaseException:  # a signal to end
            self._partial.unlink(missing_ok=True)
            raise
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None) -> None:
        try:
            if kind is None:
                self.file.flush()
                os.fsync(self.file.fileno())
                self.file.close()
                self._partial.replace(self.out)
        except OSError as wrong:
            raise self.refusal(wrong) from None
        finally:
            with suppress(OSError):
                self.file.close()
            with suppress(OSError):
                self._partial.unlink()
        if isinstance(error, OSError):
            raise self.refusal(error) from None

    def _tidy(self) -> None:
        """Take away what runs that were killed long ago left in the folder: it is private data."""
        for left in self.out.parent.glob(f"{PARTIAL}*"):
            with suppress(OSError):
                if time.time() - left.stat().st_mtime > STALE:
                    left.unlink()

    def write(self, data: bytes) -> None:
        """Put ``data`` behind what is there."""
        try:
            self.file.write(data)
        except OSError as error:
            raise self.refusal(error) from None


def starts(path: Path) -> bytes:
    """The first bytes of a file."""
    with path.open("rb") as file:
        return file.read(START)
