"""What stands below a table: totals, notes and empty cells, which fill fewer cells than the rows above."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from credkit.core.whitespace import strip_white_space

MOST_FOOT_LINES = 20  # at the end of a file that are looked at


class Footer(NamedTuple):
    """The footer that a file declares: its first line and its last, which are not read."""

    first: int
    last: int

    def describe(self) -> str:
        """Where it is.

        >>> Footer(152, 153).describe(), Footer(152, 152).describe()
        ('lines 152-153', 'line 152')
        """
        return f"line {self.first}" if self.first == self.last else f"lines {self.first}-{self.last}"


def starts_footer(cells: Iterable[str], word: str) -> bool:
    """Whether the first text of a row begins with the word that the footer begins with.

    >>> starts_footer(["", "Summe: 150"], "Summe"), starts_footer(["Summer, Jo"], "Summe"), starts_footer([], "Summe")
    (True, False, False)
    """
    first = next(filter(None, map(strip_white_space, cells)), "")
    return first.startswith(word) and not first[len(word) : len(word) + 1].isalnum()


def find_footer_start(rows: Sequence[tuple[int, Sequence[str]]], word: str) -> int | None:
    """The first line of the footer among the last rows of a file; None where no row begins one.

    Where several rows do, and a short one has a full row of the table above it, it is that one: those above that row
    are rows of the table.

    >>> find_footer_start([(151, ["P-150", "02F764DD"]), (152, ["Summe", "150"]), (153, ["Seite 1", ""])], "Summe")
    152
    >>> find_footer_start([(1, ["Summe, Jo", "7001"]), (2, ["Berg, Al", "7002"]), (3, ["Summe 2", ""])], "Summe")
    3
    """
    last = rows[-MOST_FOOT_LINES:]
    filled = [sum(map(bool, map(strip_white_space, cells))) for _, cells in last]
    begins = [place for place, (_, cells) in enumerate(last) if starts_footer(cells, word)]
    most = max(filled, default=0)
    full = max((place for place, count in enumerate(filled) if count == most and place not in begins), default=-1)
    start = next((place for place in begins if place > full and filled[place] < most), min(begins, default=None))
    return None if start is None else last[start][0]


class TableFoot:
    """The last lines of a file that fill less than half the cells that the fullest row fills.

    >>> foot = TableFoot()
    >>> for line, filled in ((2, 6), (3, 5), (4, 0), (5, 2)):
    ...     foot.note_row(line, filled)
    >>> for line in (3, 4, 5):
    ...     foot.note_fault(line)
    >>> foot.find_lines()
    [4, 5]
    """

    def __init__(self) -> None:
        self._most = 0
        self._lines: dict[int, None] = {}
        self._at_fault: deque[int] = deque(maxlen=MOST_FOOT_LINES)

    def clear(self) -> None:
        """Forget all rows: the file is read again."""
        self._most = 0
        self._lines.clear()
        self._at_fault.clear()

    def note_row(self, line: int, filled: int) -> None:
        """Note how many cells of the next row are filled."""
        self._most = max(self._most, filled)
        if filled * 2 >= self._most:
            self._lines.clear()
        else:
            self._lines[line] = None

    def note_fault(self, line: int) -> None:
        """Note that a row is at fault."""
        self._at_fault.append(line)

    def find_lines(self) -> list[int]:
        """The last lines, if they fill few cells and are at fault, all of them."""
        lines = list(self._lines)
        return lines if lines and len(lines) <= MOST_FOOT_LINES and {*lines} <= {*self._at_fault} else []
