"""The order of time: rows of a reader that sends parts, sorted within a window of bounded size.

The window holds the latest rows of a reader. The earliest of them leaves it when another row comes in; a row
that is earlier than one that has left can no longer take its place, so the file is refused. What leaves, and
what is refused, depends on the rows alone and not on the pieces in which they are read.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from heapq import heappush, heappushpop

import numpy as np

from credkit.bulk.words import Array
from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.files.captures import FileLabel
from credkit.files.times import to_datetime

MOST_ROWS_REORDERED = 8192  # rows of a reader in the window


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryParts:
    """Rows that are parts of entries: their times in µs since 1970 if they have any, their lines in the file, texts."""

    moments: Array | None
    lines: Array
    texts: Array

    @property
    def size(self) -> int:
        """How many they are."""
        return len(self.lines)

    def only(self, some: Array | slice) -> EntryParts:
        """Some of them, by their places or as a slice."""
        moments = None if self.moments is None else self.moments[some]
        return EntryParts(moments=moments, lines=self.lines[some], texts=self.texts[some])


def join_parts(parts: Sequence[EntryParts]) -> EntryParts:
    """All ``parts``, at least one, one after the other."""
    moments = [each.moments for each in parts if each.moments is not None]
    return EntryParts(
        moments=np.concatenate(moments) if moments else None,
        lines=np.concatenate([each.lines for each in parts]), texts=np.concatenate([each.texts for each in parts]),
    )  # fmt: skip


class LateRow(Exception):
    """A row that can no longer take its place: its line, and the error that says so."""

    def __init__(self, line: int, error: DefinitionError) -> None:
        super().__init__(line)
        self.line, self.error = line, error


_Part = tuple[int, int, str]  # time, line and text of a row, by which rows are in order


class TimeOrder:
    """The window of one reader; rows of the same time, and rows without times, stay in the order of the file."""

    __slots__ = ("_file", "_last", "_reader", "_window", "_zone")

    def __init__(self, file: FileLabel, reader: str, zone: tzinfo) -> None:
        self._file, self._reader, self._zone = file, reader, zone
        self._window: EntryParts | None = None  # in order
        self._last: _Part | None = None  # the last row that left

    def copy(self) -> TimeOrder:
        """A window with the same rows."""
        found = TimeOrder(self._file, self._reader, self._zone)
        found._window, found._last = self._window, self._last
        return found

    def push(self, parts: EntryParts) -> EntryParts:
        """Take the next rows of the file, and return the rows that leave the window.

        Raises `LateRow` for a row that is earlier than one that has left.
        """
        if parts.moments is None or not parts.size:
            return parts
        rows = parts if self._window is None else join_parts([self._window, parts])
        if self._window is None and self._last is not None and _listed(parts.only(slice(1)))[0] < self._last:
            return self._push_one_by_one(parts)
        if not _is_in_order(rows):
            return self._push_one_by_one(parts)
        leaving = max(rows.size - MOST_ROWS_REORDERED, 0)
        self._window = rows.only(slice(leaving, None))
        if leaving:
            self._last = _listed(rows.only(slice(leaving - 1, leaving)))[0]
        return rows.only(slice(leaving))

    def _push_one_by_one(self, parts: EntryParts) -> EntryParts:
        """Take rows in whatever order they are."""
        heap = [] if self._window is None else _listed(self._window)
        left: list[_Part] = []
        for part in _listed(parts):
            if self._last is not None and part < self._last:
                self._refuse(part, self._last)
            if len(heap) < MOST_ROWS_REORDERED:
                heappush(heap, part)
            else:
                self._last = heappushpop(heap, part)
                left.append(self._last)
        self._window = _in_columns(sorted(heap))
        return _in_columns(left)

    def drain(self) -> EntryParts | None:
        """The rows that are left, in order, None if there never was one; the window is empty afterwards."""
        rest, self._window = self._window, None
        return rest

    def _refuse(self, part: _Part, last: _Part) -> None:
        error = DefinitionError(
            f"{self._file.name} {self._file.unit} {part[1]}: the time {self._format_time(part)} comes after more "
            f"than {MOST_ROWS_REORDERED:,} rows of the reader {redacted_repr(self._reader)} with later times, such as "
            f"{self._format_time(last)} in {self._file.unit} {last[1]}; these rows are joined in the order of "
            "their times: sort the file by time"
        )
        raise LateRow(part[1], error)

    def _format_time(self, part: _Part) -> str:
        return to_datetime(part[0]).astimezone(self._zone).isoformat()


def _is_in_order(rows: EntryParts) -> bool:
    """Whether each row has a later time than the one before, or the same and a later line."""
    assert rows.moments is not None
    later = np.diff(rows.moments)
    return bool(((later > 0) | ((later == 0) & (np.diff(rows.lines) > 0))).all())


def _listed(rows: EntryParts) -> list[_Part]:
    assert rows.moments is not None
    return list(zip(rows.moments.tolist(), rows.lines.tolist(), rows.texts.tolist(), strict=True))


def _in_columns(rows: Sequence[_Part]) -> EntryParts:
    moments, lines, texts = zip(*rows, strict=True) if rows else ((), (), ())
    found = np.empty(len(texts), object)
    found[:] = texts
    return EntryParts(moments=np.array(moments, np.int64), lines=np.array(lines, np.int64), texts=found)
