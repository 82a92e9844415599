"""What stands below a table: totals, notes and empty cells, which fill fewer cells than the rows above."""

from __future__ import annotations

from collections import deque

MOST_FOOT_LINES = 20  # at the end of a file that are looked at


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
