"""Files of captures: CSV, compressed CSV, JSON lines and Parquet, in pieces of a bounded size; and workbooks.

A piece is cheap to cut out, one after the other, and costly to make a table of: that is done
elsewhere, several at a time. A row that is wrong in itself becomes a fault with its line and a
sentence; it is counted, and the rows around it are read. What makes the whole file useless (no
such column, a Parquet file of other types) is a `DefinitionError` before anything is counted.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from stat import S_ISDIR, S_ISREG
from typing import Any, NamedTuple, Protocol

import numpy as np
import polars as pl

from credkit.bulk.words import Array
from credkit.core.errors import DefinitionError
from credkit.core.sentences import nearest, redacted_repr
from credkit.files.columnmaps import JOINT
from credkit.files.declaredfiles import WORKBOOK_SUFFIXES
from credkit.files.linerows import RowFault, SplitLines
from credkit.files.regularfiles import NOT_REGULAR

BROKEN_ROW = "the row is broken off: the file ends within it"
ENDINGS = (
    ".csv", ".csv.gz", ".jsonl", ".jsonl.gz", ".ndjson", ".ndjson.gz", ".parquet", *WORKBOOK_SUFFIXES
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnNames:
    """The names of the columns; an empty name means no such column.

    ``clock`` is the column of the time of day where that stands apart from the day, which ``time`` has then.
    """

    text: str = "text"
    reader: str = "reader"
    time: str = "time"
    clock: str = ""

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
        return tuple(filter(None, (self.text, self.reader, self.time, self.clock)))

    def join_times(self, series: Mapping[str, Any]) -> Any:
        """The series of times among those of the columns, the time of day put behind the day; None without any."""
        if not self.clock:
            return series.get(self.time)
        day, clock = series[self.time], series[self.clock]
        return pl.select(pl.concat_str(day, clock, separator=JOINT)).to_series()


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

    @classmethod
    def of_lines(cls, split: SplitLines, columns: ColumnNames, series: Mapping[str, Any], broken: str) -> RowTable:
        """The rows of ``split`` lines; ``broken`` is a last line that is broken off, if there is one."""
        faults = split.faults + [RowFault(split.height, BROKEN_ROW, broken)] * bool(broken)
        return cls(
            lines=split.lines, text=series[columns.text], reader=series.get(columns.reader),
            time=columns.join_times(series), faults=faults, height=split.height + bool(broken),
        )  # fmt: skip


class FilePiece(Protocol):
    """A part of a file that can become a table."""

    @property
    def size(self) -> int:
        """How much of the file it is, in the units of `Source.size`."""

    def table(self, readers: Any) -> RowTable:
        """Its rows; the column of readers may come as ``readers``, an enumeration of those that are known."""


class FileLabel(NamedTuple):
    """A file as sentences name it, its size in bytes, and how its rows are numbered."""

    name: str
    path: Path
    size: int
    unit: str


@dataclass(slots=True, kw_only=True)
class CaptureFile(ABC):
    """A file that is being read. ``ended`` says why it could not be read to its end, once that shows."""

    name: str
    path: Path
    unit: str = "line"
    first: int = 1  # the number of the first row of the first piece
    size: int = 0
    start: int = 0  # where the part of the file begins that is read: a byte, or a row of Parquet
    stop: int | None = None  # where it ends, if not with the file
    ended: str = ""

    @property
    def label(self) -> FileLabel:
        """What stands for the file where it is not read any more."""
        return FileLabel(self.name, self.path, self.size, self.unit)

    @abstractmethod
    def pieces(self) -> Iterator[FilePiece]:
        """The parts of the file, in their order."""

    @abstractmethod
    def cuts(self, size: int) -> list[int]:
        """Where the file can be cut into parts of about ``size`` bytes that can be read on their own."""

    def check(self) -> None:
        """Raise `DefinitionError` for what makes the whole file useless, as far as its beginning shows it."""
        next(iter(self.pieces()), None)


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


def find_columns(name: str, header: Sequence[str], columns: ColumnNames, options: str) -> dict[str, int]:
    """The places of the wanted columns in ``header``; raises `DefinitionError` for a missing one."""
    for column, option in (
        (columns.text, "text"), (columns.reader, "reader"), (columns.time, "time"), (columns.clock, "time"),
    ):  # fmt: skip
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
