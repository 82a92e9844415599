"""Files of captures: CSV, compressed CSV, JSON lines and Parquet, in pieces of a bounded size.

A piece is cheap to cut out, one after the other, and costly to make a table of: that is done
elsewhere, several at a time. A row that is wrong in itself becomes a fault with its line and a
sentence; it is counted, and the rows around it are read. What makes the whole file useless (no
such column, a Parquet file of other types) is a `DefinitionError` before anything is counted.
"""

from __future__ import annotations

import os
import zlib
from abc import ABC, abstractmethod
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from stat import S_ISDIR, S_ISREG
from typing import Any, NamedTuple, Protocol

import numpy as np

from credkit.bulk.words import Array
from credkit.core.errors import DefinitionError
from credkit.core.sentences import nearest, redacted_repr
from credkit.files.regularfiles import LONGEST_LINE_BYTES, NOT_REGULAR, open_regular

PIECE_BYTES = 1 << 23  # bytes of a piece: large enough that its overhead is small, small enough to hold several
BYTES_SEARCHED_FOR_END = 1 << 12  # bytes in which an end of a line is looked for
CHUNK_BYTES = 1 << 18  # bytes that are read at once of compressed data, and of a file in which a header is looked for
GZIP_WINDOW = 16 + zlib.MAX_WBITS  # what tells zlib that a header of gzip stands before the data
BOM = b"\xef\xbb\xbf"  # a byte order mark
BROKEN_ROW = "the row is broken off: the file ends within it"
DAMAGED_DATA = "its compressed data is damaged"
ROWS_BEFORE_DAMAGE = ", and rows shortly before that may be wrong, too"
WRONG_CHECKSUM = "its check value is wrong, so any of its rows may be"
ENDINGS = (".csv", ".csv.gz", ".jsonl", ".jsonl.gz", ".ndjson", ".ndjson.gz", ".parquet")


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnNames:
    """The names of the columns; an empty name means no such column."""

    text: str = "text"
    reader: str = "reader"
    time: str = "time"

    def __post_init__(self) -> None:
        if not self.text:
            raise DefinitionError("the column of texts needs a name")
        if len(set(self.wanted)) < len(self.wanted):
            raise DefinitionError(
                f"text, reader and time are columns of their own, not {redacted_repr(', '.join(self.wanted))}"
            )

    @property
    def wanted(self) -> tuple[str, ...]:
        """The columns that a file must have, the text first."""
        return tuple(filter(None, (self.text, self.reader, self.time)))


class RowFault(NamedTuple):
    """A row that is wrong in itself: its line (from the start of the piece), a sentence, what was there."""

    line: int
    problem: str
    raw: str = ""


@dataclass(slots=True, kw_only=True)
class RowTable:
    """The rows of a piece: series of texts (``time`` may be one of times), and the faults beside them.

    ``lines`` has the line of each row, counted from 0 at the start of the piece, which has ``height``.
    ``ended`` says why the file cannot be read any further, if so.
    """

    lines: Array
    text: Any
    reader: Any = None
    time: Any = None
    faults: list[RowFault] = field(default_factory=list)
    height: int = 0
    ended: str = ""


class FilePiece(Protocol):
    """A part of a file that can become a table."""

    @property
    def size(self) -> int:
        """How much of the file it is, in the units of `Source.size`."""

    def table(self, readers: Any) -> RowTable:
        """Its rows; the column of readers may come as ``readers``, an enumeration of those that are known."""


@dataclass(slots=True, kw_only=True)
class CaptureFile(ABC):
    """A file that is being read. ``ended`` says why it could not be read to its end, once that shows."""

    name: str
    path: Path
    unit: str = "line"
    first: int = 1  # the number of the first row of the first piece
    size: int = 0
    ended: str = ""

    @abstractmethod
    def pieces(self) -> Iterator[FilePiece]:
        """The parts of the file, in their order."""

    def check(self) -> None:
        """Raise `DefinitionError` for what makes the whole file useless, as far as its beginning shows it."""
        next(iter(self.pieces()), None)


class ByteStream:
    """The bytes of a file, decompressed if need be, as far as they go.

    ``broken`` says why its end was not reached, once that shows. What came before is given out first.
    """

    def __init__(self, path: Path, *, compressed: bool) -> None:
        self.broken = ""
        try:
            self._file = open_regular(path, buffering=0)
        except OSError as error:
            raise DefinitionError(f"{path}: the file cannot be read ({error.strerror})") from None
        self._inflate = zlib.decompressobj(GZIP_WINDOW) if compressed else None
        self._begun = False

    def __enter__(self) -> ByteStream:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def tell(self) -> int:
        """How far the file on the disk is read."""
        return self._file.tell()

    def read(self, size: int = PIECE_BYTES) -> bytes:
        """The next bytes, about ``size`` of them; none at the end."""
        try:
            return self._file.read(size) if self._inflate is None else self._inflate_some(self._inflate, size)
        except OSError as error:
            self.broken = f"it cannot be read any further ({error.strerror})"
        return b""

    def read_some(self) -> bytes:
        """The next bytes, enough for most headers."""
        return self.read(min(CHUNK_BYTES, PIECE_BYTES))

    def read_lines(self) -> bytes:
        """The next bytes, up to an end of a line if one is near: that spares copying the rest of it about."""
        if self._inflate is None and self._file.seekable():
            at = self._file.tell() + PIECE_BYTES
            try:
                near = os.pread(self._file.fileno(), BYTES_SEARCHED_FOR_END, at)
                if (end := near.find(b"\n")) >= 0:
                    return self._file.read(PIECE_BYTES + end + 1)
            except (AttributeError, OSError):  # no such call on this system, or the disk is at fault
                pass
        return self.read()

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


def file_ending(path: Path) -> str:
    """The ending that names a file's format; raises `DefinitionError` for an unknown one.

    >>> file_ending(Path("march.CSV.gz"))
    '.csv.gz'
    """
    name = path.name.lower()
    found = max((end for end in ENDINGS if name.endswith(end)), key=len, default=None)
    if found is None:
        raise DefinitionError(f"{path}: what kind of file it is shows in its name, which ends in {', '.join(ENDINGS)}")
    return found


def file_size(path: Path) -> int:
    """The bytes of a file; raises `DefinitionError` where there is none."""
    try:
        found = path.stat()
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else error
        raise DefinitionError(f"{path}: the file cannot be read ({why})") from None
    if not S_ISREG(found.st_mode):
        what = "it is a directory, not a file" if S_ISDIR(found.st_mode) else NOT_REGULAR
        raise DefinitionError(f"{path}: {what}")
    return found.st_size


class LineBlock(NamedTuple):
    """Whole lines of a file, how far the file is read, and whether the last line is broken off."""

    data: bytes
    size: int
    broken: bool = False


def cut_at_lines(source: CaptureFile, stream: ByteStream, begun: bytes) -> Iterator[LineBlock]:
    """The bytes of a file cut behind ends of lines; ``begun`` is what was read of it before.

    A little compressed data can become empty lines without end: so many without a row between are refused.
    """
    rest, empty = begun, 0
    while more := stream.read_lines():
        empty = 0 if more[:1] not in b"\r\n" or more.strip(b"\r\n") else empty + len(more)
        if empty > LONGEST_LINE_BYTES:
            raise DefinitionError(
                f"{source.name}: more than {LONGEST_LINE_BYTES:,} bytes without a row between: is this a file of rows?"
            )
        end = len(more) if more.endswith(b"\n") else more.rfind(b"\n") + 1
        if end:
            yield LineBlock(rest + more[:end], stream.tell())
            rest = more[end:]
        else:
            rest += more
        if len(rest) > PIECE_BYTES + LONGEST_LINE_BYTES:
            raise DefinitionError(f"{source.name}: a line has more than {PIECE_BYTES:,} bytes: is this a file of rows?")
    source.ended = stream.broken
    if rest:
        yield LineBlock(rest, stream.tell(), bool(stream.broken) and not rest.endswith(b"\n"))


def find_columns(name: str, header: Sequence[str], columns: ColumnNames, options: str) -> dict[str, int]:
    """The places of the wanted columns in ``header``; raises `DefinitionError` for a missing one."""
    for column, option in ((columns.text, "text"), (columns.reader, "reader"), (columns.time, "time")):
        if not column:
            continue
        if column not in header:
            none = "" if option == "text" else f"; --{option} '' says that there is none"
            raise DefinitionError(
                f"{name} {options}: the column {redacted_repr(column)} is missing{nearest(column, header)} "
                f"(--{option} NAME names another{none})"
            )
        if list(header).count(column) > 1:
            raise DefinitionError(f"{name} {options}: the column {redacted_repr(column)} appears twice")
    return {column: list(header).index(column) for column in columns.wanted}


def line_numbers(count: int) -> Array:
    """Lines 0, 1, 2 …, not to be written to."""
    return _numbers(1 << count.bit_length())[:count]


@lru_cache(maxsize=1)
def _numbers(count: int) -> Array:
    found = np.arange(count, dtype=np.int64)
    found.flags.writeable = False
    return found
