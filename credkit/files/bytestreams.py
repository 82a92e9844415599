"""Bytes of regular files, decompressed if need be, in blocks of whole lines of a bounded size.

A file that is damaged or cut off gives everything before the damage, and `ByteStream.broken` says why it ends there.
"""

from __future__ import annotations

import os
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np

from credkit.core.errors import DefinitionError
from credkit.files.regularfiles import LONGEST_LINE_BYTES, open_regular

PIECE_BYTES = 1 << 23  # bytes of a piece: large enough that its overhead is small, small enough to hold several
SMALL_PIECE_BYTES = 1 << 20  # bytes of a piece where the rows of all pieces are kept
BYTES_SEARCHED_FOR_END = 1 << 12  # bytes in which an end of a line is looked for
CHUNK_BYTES = 1 << 18  # bytes that are read at once of compressed data, and of a file in which a header is looked for
GZIP_WINDOW = 16 + zlib.MAX_WBITS  # what tells zlib that a header of gzip stands before the data
BOM = b"\xef\xbb\xbf"  # a byte order mark
DAMAGED_DATA = "its compressed data is damaged"
ROWS_BEFORE_DAMAGE = ", and rows shortly before that may be wrong, too"
WRONG_CHECKSUM = "its check value is wrong, so any of its rows may be"


class ByteStream:
    """The bytes of a file, decompressed if need be, as far as they go.

    ``broken`` says why its end was not reached, once that shows. What came before is given out first. ``piece_bytes``
    are the bytes of a piece.
    """

    def __init__(self, path: Path, *, compressed: bool) -> None:
        self.broken = ""
        self.piece_bytes = PIECE_BYTES
        try:
            self._file = open_regular(path, buffering=0)
        except OSError as error:
            raise DefinitionError(f"{path}: the file cannot be read ({error.strerror})") from None
        self._inflate = zlib.decompressobj(GZIP_WINDOW) if compressed else None
        self._begun = False
        self._stop: int | None = None  # the byte at which reading ends, if not with the file

    def __enter__(self) -> ByteStream:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def go_to(self, start: int, stop: int | None) -> None:
        """Read on at byte ``start`` of a file that is not compressed, and end at byte ``stop``, the end of a line."""
        self._file.seek(start)
        self._stop = stop

    def tell(self) -> int:
        """How far the file on the disk is read."""
        return self._file.tell()

    def read(self, size: int) -> bytes:
        """The next bytes, about ``size`` of them; none at the end."""
        try:
            if self._stop is not None:
                size = max(min(size, self._stop - self._file.tell()), 0)
            return self._file.read(size) if self._inflate is None else self._inflate_some(self._inflate, size)
        except OSError as error:
            self.broken = f"it cannot be read any further ({error.strerror})"
        return b""

    def read_piece(self) -> bytes:
        """The next bytes, as many as a piece has."""
        return self.read(self.piece_bytes)

    def read_some(self) -> bytes:
        """The next bytes, enough for most headers."""
        return self.read(min(CHUNK_BYTES, self.piece_bytes))

    def read_lines(self) -> bytes:
        """The next bytes, up to an end of a line if one is near: that spares copying the rest of it about."""
        if self._inflate is None and self._file.seekable():
            at = self._file.tell() + self.piece_bytes
            try:
                near = os.pread(self._file.fileno(), BYTES_SEARCHED_FOR_END, at)
                if (end := near.find(b"\n")) >= 0 and (self._stop is None or at + end < self._stop):
                    return self._file.read(self.piece_bytes + end + 1)
            except (AttributeError, OSError):  # no such call on this system, or the disk is at fault
                pass
        return self.read_piece()

    def _inflate_some(self, inflate: Any, size: int) -> bytes:
        while not self.broken:
            if inflate.eof:  # another member may follow, as gzip allows; zeros behind the last are padding
                more = inflate.unused_data.lstrip(b"\0") or self._file.read(CHUNK_BYTES).lstrip(b"\0")
                if not more:
                    return b""
                inflate = self._inflate = zlib.decompressobj(GZIP_WINDOW)
            else:
                more = inflate.unconsumed_tail or self._file.read(CHUNK_BYTES)
                if not more:
                    self.broken = "its compressed data ends too early" if self._begun else "it is empty"
                    return bytes(inflate.flush())
            self._begun = True
            before = inflate.copy()
            try:
                found = inflate.decompress(more, size)
            except zlib.error:
                return self._salvage(before, more)
            if found:
                return bytes(found)
        return b""

    def _salvage(self, inflate: Any, data: bytes) -> bytes:
        """What comes before the damage in ``data``, byte by byte; what a whole call finds is lost with it."""
        found = bytearray()
        try:
            for place in range(len(data)):
                found += inflate.decompress(data[place : place + 1])
        except zlib.error as error:
            checked = str(error).endswith(("incorrect data check", "incorrect length check"))
            within = bool(found) or not str(error).endswith("incorrect header check")
            self.broken = WRONG_CHECKSUM if checked else DAMAGED_DATA + ROWS_BEFORE_DAMAGE * within
        return bytes(found)


class FileRange(NamedTuple):
    """A part of a file, from ``start`` on and before ``stop``, or to the end: of its bytes, or its rows of Parquet."""

    start: int = 0
    stop: int | None = None


WHOLE_FILE: Final = FileRange()


def ranges_between(cuts: Sequence[int]) -> list[FileRange]:
    """The parts of a file that is cut at ``cuts``.

    >>> ranges_between([64, 130])
    [FileRange(start=0, stop=64), FileRange(start=64, stop=130), FileRange(start=130, stop=None)]
    """
    return [FileRange(*each) for each in zip([0, *cuts], [*cuts, None], strict=True)]


def line_cuts(path: Path, size: int) -> list[int]:
    """The bytes behind ends of lines that cut the file at ``path`` into parts of ``size`` bytes or a little more."""
    found: list[int] = []
    with open_regular(path, buffering=0) as file:
        at, whole = size, file.seek(0, os.SEEK_END)
        while at < whole:
            file.seek(at - 1)
            near = file.read(BYTES_SEARCHED_FOR_END)
            end = near.find(b"\n")
            if end < 0:
                at += len(near)
            elif at + end < whole:
                found.append(at + end)
                at += end + size
            else:
                break
    return found


class LineBlock(NamedTuple):
    """Whole lines of a file, how far the file is read, and whether the last line is broken off."""

    data: bytes
    size: int
    broken: bool = False

    def separate_broken_line(self) -> tuple[bytes, bytes]:
        """The lines that are whole, and the one that is broken off, if there is one."""
        end = self.data.rfind(b"\n") + 1 if self.broken else len(self.data)
        return self.data[:end], self.data[end:]


def cut_at_lines(
    name: str, stream: ByteStream, begun: bytes = b"", *, returns_end_lines: bool = False
) -> Iterator[LineBlock]:
    """The bytes of the file ``name`` cut behind ends of lines; ``begun`` is what was read of it before.

    With ``returns_end_lines``, a carriage return alone ends a line, too; each end of a line becomes a line feed.

    A little compressed data can become empty lines without end: so many without a row between are refused.
    """
    rest, empty = begun, 0
    pieces = iter(stream.read_lines, b"")
    for more in _unify_line_ends(pieces) if returns_end_lines else pieces:
        empty = 0 if more[:1] not in b"\r\n" or more.strip(b"\r\n") else empty + len(more)
        if empty > LONGEST_LINE_BYTES:
            raise DefinitionError(
                f"{name}: more than {LONGEST_LINE_BYTES:,} bytes without a row between: is this a file of rows?"
            )
        end = len(more) if more.endswith(b"\n") else more.rfind(b"\n") + 1
        if end:
            yield LineBlock(rest + more[:end], stream.tell())
            rest = more[end:]
        else:
            rest += more
        if len(rest) > PIECE_BYTES + LONGEST_LINE_BYTES:
            raise DefinitionError(f"{name}: a line has more than {PIECE_BYTES:,} bytes: is this a file of rows?")
    if rest:
        yield LineBlock(rest, stream.tell(), bool(stream.broken) and not rest.endswith(b"\n"))


def drop_returns(data: bytes) -> bytes:
    r"""``data`` without the carriage returns before line feeds.

    >>> drop_returns(b"a\r\nb\rc\r\n")
    b'a\nb\rc\n'
    """
    signs = np.frombuffer(data, np.uint8)
    places = np.flatnonzero(signs == ord("\r"))
    if len(places) and places[-1] + 1 < len(signs) and (signs[places + 1] == ord("\n")).all():
        return data.translate(None, b"\r")  # several times faster
    return data.replace(b"\r\n", b"\n")


def _unify_line_ends(pieces: Iterator[bytes]) -> Iterator[bytes]:
    """``pieces`` with a line feed at each end of a line."""
    held = b""  # a carriage return that a line feed may follow
    for piece in pieces:
        piece = held + piece if held else piece
        held = b"\r" if piece.endswith(b"\r") else b""
        if b"\r" in piece:
            piece = drop_returns(piece[: len(piece) - len(held)]).replace(b"\r", b"\n")
        if piece:
            yield piece
    if held:
        yield b"\n"
