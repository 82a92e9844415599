"""Digests: what pins a result to the bytes it was made of.

A file is counted first and digested after, in a second pass; so it must not change from before the
one until after the other. Whether it did is seen in its size, its number on the disk, and the times of
change of its bytes and of what the disk notes of it: the latter cannot be set back.

Source: FIPS 180-4 (SHA-256).
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Sequence
from pathlib import Path

from credkit.core.errors import DefinitionError
from credkit.files.bytestreams import FileRange
from credkit.files.regularfiles import open_regular

CHUNK_BYTES = 1 << 20  # bytes


def file_stamp(path: Path) -> tuple[int, ...]:
    """A stamp that differs once the file was changed; empty for a missing file."""
    try:
        found = os.stat(path)
    except OSError:
        return ()
    return found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino, found.st_dev


def sha256_parts(path: Path, parts: Sequence[FileRange]) -> tuple[str, list[str]]:
    """The digest of the file at ``path``, and that of each of the ``parts`` it is cut into, in one pass.

    Of some neighbouring parts, the first digest is that of their bytes.
    """
    found, whole = [], hashlib.sha256()
    try:
        with open_regular(path, buffering=0) as file:
            at = file.seek(parts[0].start)
            for _, stop in parts:
                own = hashlib.sha256()
                while chunk := file.read(CHUNK_BYTES if stop is None else min(CHUNK_BYTES, stop - at)):
                    own.update(chunk)
                    whole.update(chunk)
                    at += len(chunk)
                found.append(own.hexdigest())
    except OSError as error:
        raise DefinitionError(f"{path}: the file cannot be read ({error.strerror})") from None
    return whole.hexdigest(), found


def sha256(path: Path, tell: Callable[[int], None] = lambda at: None, *, size: int | None = None) -> str:
    """The SHA-256 digest of a file in hexadecimal digits; ``tell`` hears how many bytes are done.

    Of a file that grows all the time no more is read than about ``size``.
    """
    found, at = hashlib.sha256(), 0
    try:
        with open_regular(path, buffering=0) as file:
            while (size is None or at <= size) and (chunk := file.read(CHUNK_BYTES)):
                found.update(chunk)
                at += len(chunk)
                tell(at)
    except OSError as error:
        raise DefinitionError(f"{path}: the file cannot be read ({error.strerror})") from None
    return found.hexdigest()
