"""Rows of input files as a set: eight bytes a row, where a set of pairs takes two hundred."""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Set
from typing import NamedTuple, Self, TypeVar

T = TypeVar("T")
_NONE = array("q")


class FileLine(NamedTuple):
    """A row of an input file."""

    file: str
    line: int


class FileLines(Set[FileLine]):
    """An immutable set of rows, made of the lines of each file; it equals a `frozenset` of the same rows.

    >>> rows = FileLines({"credentials.csv": [7, 2, 7], "readings.csv": []})
    >>> rows
    FileLines({'credentials.csv': [2, 7]})
    >>> len(rows), FileLine("credentials.csv", 7) in rows, rows > {FileLine("credentials.csv", 2)}
    (2, True, True)
    """

    __slots__ = ("_lines",)

    def __init__(self, lines: Mapping[str, Iterable[int]] | None = None) -> None:
        self._lines = {file: array("q", each) for file, them in (lines or {}).items() if (each := sorted(set(them)))}

    @classmethod
    def _from_iterable(cls, it: Iterable[T]) -> frozenset[T]:
        """What the operators of sets make."""
        return frozenset(it)

    def union(self, other: FileLines) -> FileLines:
        """The rows of both.

        >>> FileLines({"readings.csv": [5, 3]}).union(FileLines({"readings.csv": [4], "credentials.csv": [2]}))
        FileLines({'readings.csv': [3, 4, 5], 'credentials.csv': [2]})
        """
        files = dict.fromkeys((*self._lines, *other._lines))
        return FileLines({file: (*self.of(file), *other.of(file)) for file in files})

    def of(self, file: str) -> Iterator[int]:
        """The lines of a file, in order.

        >>> list(FileLines({"readings.csv": [5, 3]}).of("readings.csv"))
        [3, 5]
        """
        return iter(self._lines.get(file, _NONE))

    def by_file(self) -> dict[str, list[int]]:
        """The lines of each file, in order.

        >>> FileLines({"readings.csv": [5, 3]}).by_file()
        {'readings.csv': [3, 5]}
        """
        return {file: list(lines) for file, lines in self._lines.items()}

    def __contains__(self, row: object) -> bool:
        if not isinstance(row, tuple) or len(row) != 2 or not isinstance(row[0], str):
            return False
        lines = self._lines.get(row[0], _NONE)
        place = bisect_left(lines, row[1])
        return place < len(lines) and lines[place] == row[1]

    def __iter__(self) -> Iterator[FileLine]:
        return (FileLine(file, line) for file, lines in self._lines.items() for line in lines)

    def __len__(self) -> int:
        return sum(map(len, self._lines.values()))

    def __hash__(self) -> int:
        return self._hash()

    def __deepcopy__(self, _: object) -> Self:
        return self

    def __repr__(self) -> str:
        return f"FileLines({self.by_file()})"


NO_LINES = FileLines()
