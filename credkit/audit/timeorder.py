"""The order of time: rows of a reader that sends parts, sorted within a window of bounded size.

The window holds the latest rows of a reader. The earliest of them leaves it when another row comes in; a row
that is earlier than one that has left can no longer take its place, so the file is refused. What leaves, and
what is refused, depends on the rows alone and not on the pieces in which they are read.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from heapq import heappush, heappushpop
from operator import le
from typing import NamedTuple

from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.files.captures import FileLabel
from credkit.files.times import to_datetime

MOST_ROWS_REORDERED = 8192  # rows of a reader in the window


class EntryPart(NamedTuple):
    """A row that is part of an entry: its time in µs since 1970, its line in the file, its text."""

    moment: int | None
    line: int
    text: str


class LateRow(Exception):
    """A row that can no longer take its place: its line, and the error that says so."""

    def __init__(self, line: int, error: DefinitionError) -> None:
        super().__init__(line)
        self.line, self.error = line, error


class TimeOrder:
    """The window of one reader; rows of the same time, and rows without times, stay in the order of the file."""

    __slots__ = ("_file", "_heap", "_last", "_reader", "_zone")

    def __init__(self, file: FileLabel, reader: str, zone: tzinfo) -> None:
        self._file, self._reader, self._zone = file, reader, zone
        self._heap: list[EntryPart] = []
        self._last: EntryPart | None = None  # the last row that left

    def copy(self) -> TimeOrder:
        """A window with the same rows."""
        found = TimeOrder(self._file, self._reader, self._zone)
        found._heap, found._last = [*self._heap], self._last
        return found

    def push(self, parts: Sequence[EntryPart]) -> list[EntryPart]:
        """Take the next rows of the file, and return the rows that leave the window.

        Raises `LateRow` for a row that is earlier than one that has left.
        """
        if not parts or parts[0].moment is None:
            return [*parts]
        self._heap.sort()  # it stays a heap
        last = self._heap[-1] if self._heap else self._last
        if all(map(le, parts[:-1], parts[1:])) and (last is None or last <= parts[0]):
            rows = [*self._heap, *parts]
            left = rows[:-MOST_ROWS_REORDERED]
            self._heap = rows[len(left) :]
        else:
            left = [part for row in parts if (part := self._push_one(row)) is not None]
        self._last = left[-1] if left else self._last
        return left

    def _push_one(self, part: EntryPart) -> EntryPart | None:
        """Take one row, whenever it was, and return the row that leaves the window, if one does."""
        if self._last is not None and part < self._last:
            self._refuse(part, self._last)
        if len(self._heap) < MOST_ROWS_REORDERED:
            heappush(self._heap, part)
            return None
        self._last = heappushpop(self._heap, part)
        return self._last

    def drain(self) -> list[EntryPart]:
        """The rows that are left, in order; the window is empty afterwards."""
        rest, self._heap = sorted(self._heap), []
        return rest

    def _refuse(self, part: EntryPart, last: EntryPart) -> None:
        error = DefinitionError(
            f"{self._file.name} {self._file.unit} {part.line}: the time {self._format_time(part)} comes after more "
            f"than {MOST_ROWS_REORDERED:,} rows of the reader {redacted_repr(self._reader)} with later times, such as "
            f"{self._format_time(last)} in {self._file.unit} {last.line}; these rows are joined in the order of "
            "their times: sort the file by time"
        )
        raise LateRow(part.line, error)

    def _format_time(self, part: EntryPart) -> str:
        assert part.moment is not None  # rows without times are not put in order
        return to_datetime(part.moment).astimezone(self._zone).isoformat()
