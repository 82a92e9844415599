"""Regular files: opened and read within bounds; a pipe or a device has no end, or makes its reader wait.

Standard input is no file in this sense: a command that reads it takes whatever it is.
"""

from __future__ import annotations

import errno
import os
from pathlib import Path
from stat import S_ISDIR, S_ISREG
from typing import BinaryIO

LONGEST_LINE_BYTES = 1 << 20  # bytes; a file with a longer line is not a file of rows
LARGEST_DEFINITION_BYTES = 1 << 24  # bytes of a file that defines something
NOT_REGULAR = "it is a pipe or a device, not a file"


def open_regular(path: Path, *, buffering: int = -1) -> BinaryIO:
    """The regular file ``path``, opened for reading bytes; raises `OSError` for everything else.

    >>> open_regular(Path(os.devnull))
    Traceback (most recent call last):
    OSError: [Errno 22] it is a pipe or a device, not a file: '/dev/null'
    """
    try:
        return open(path, "rb", buffering=buffering, opener=_open_descriptor)
    except ValueError:  # a zero character, or half a character
        raise OSError(errno.EINVAL, "its name cannot be that of a file") from None


def _open_descriptor(path: str, flags: int) -> int:
    """A file descriptor; a pipe is not waited for until somebody writes to it."""
    descriptor = os.open(path, flags | getattr(os, "O_NONBLOCK", 0))
    mode = os.fstat(descriptor).st_mode
    if not S_ISREG(mode) and not S_ISDIR(mode):  # Python itself refuses a directory
        os.close(descriptor)
        raise OSError(errno.EINVAL, NOT_REGULAR, path)
    return descriptor


def read_regular(path: Path, longest: int = LARGEST_DEFINITION_BYTES) -> bytes:
    """The bytes of the regular file ``path``; raises `OSError` for everything else, and for more than ``longest``.

    >>> len(read_regular(Path(__file__))) > 1000
    True
    """
    with open_regular(path) as file:
        found = file.read(longest + 1)
    if len(found) > longest:
        raise OSError(errno.EFBIG, f"it has more than {longest:,} bytes", str(path))
    return found
