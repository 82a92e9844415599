"""The screen: its width, characters that take exactly one column of it, wrapped texts and tables.

Everything that people read in columns is printed by these functions, and by no others.

>>> print("\\n".join(table_lines(("reader", "rows"), [("gate 7", 1204), ("crane", 9)])))
  reader   rows
  gate 7  1,204
  crane       9
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

SCREEN_COLUMNS = 80  # columns of a screen
INDENT = 2  # columns before a row of a table
NARROWEST_NAME = 10  # columns of the first cell of a row, at least


def escape_unprintable(text: str) -> str:
    """``text`` with every character that does not take exactly one column written as an escape.

    >>> escape_unprintable("02F7\\r")
    '02F7\\\\r'
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(c if c.isascii() and c.isprintable() else _escape(c) for c in text)


def _escape(char: str) -> str:
    from unicodedata import combining, east_asian_width  # most texts are ASCII

    narrow = char.isprintable() and not combining(char) and east_asian_width(char) not in "WF"
    return char if narrow else char.encode("unicode_escape").decode()


def shorten(text: str, width: int, ellipsis: str = "…") -> str:
    """``text`` in at most ``width`` columns; where something is left out it ends in ``ellipsis``.

    >>> shorten("right-justified", 8)
    'right-j…'
    """
    return text if len(text) <= width else f"{text[: width - len(ellipsis)]}{ellipsis}"


def wrap_text(text: str, width: int = SCREEN_COLUMNS, *, first: str = "", rest: str = "") -> list[str]:
    """``text`` in lines of at most ``width`` columns, with ``first`` before the first and ``rest`` before the others.

    An empty text has no line.

    >>> wrap_text("Every row is in one place.", 16, first="- ", rest="  ")
    ['- Every row is', '  in one place.']
    """
    text = escape_unprintable(text).rstrip()
    if len(first) + len(text) <= width:
        return [first + text] if text else []
    from textwrap import wrap  # most texts fit

    return wrap(text, width, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False)


def label_text(label: str, text: str, column: int, width: int = SCREEN_COLUMNS) -> list[str]:
    """``label``, and from ``column`` on ``text``, wrapped; at least one line.

    >>> label_text("a", "block 1 byte 0 to block 2 byte 1", 3, 22)
    ['a  block 1 byte 0 to', '   block 2 byte 1']
    """
    lines = wrap_text(text, width - column) or [""]
    return [f"{'' if number else label:<{column}}{line}" for number, line in enumerate(lines)]


def table_lines(
    columns: Sequence[str], rows: Iterable[Sequence[str | int]], width: int = SCREEN_COLUMNS
) -> Iterator[str]:
    """Rows under their columns: first cells to the left, wrapped where they are too long; the others to the right.

    Where the others leave too little room, they stand on a line of their own below the first cell.

    >>> print(*table_lines(("where", "first-last"), [("Ausweisnummer 12", "345-9999")], 20), sep="\\n")
      where
        first-last
      Ausweisnummer 12
          345-9999
    """
    cells = [
        tuple(f"{cell:,}" if isinstance(cell, int) else escape_unprintable(cell) for cell in row)
        for row in (columns, *rows)
    ]
    sizes = [max(map(len, column)) for column in list(zip(*cells, strict=True))[1:]]
    room = width - INDENT - sum(size + 2 for size in sizes)
    is_stacked = room < min(NARROWEST_NAME, max(len(row[0]) for row in cells))
    if is_stacked:
        room = width - INDENT
    names = [wrap_text(row[0], min(room, width - 2 * INDENT)) or [""] for row in cells]
    widest = max(len(line) for name in names for line in name)
    for (first, *rest), row in zip(names, cells, strict=True):
        others = "".join(f"  {cell:>{size}}" for cell, size in zip(row[1:], sizes, strict=True))
        yield f"{'':{INDENT}}{first if is_stacked else f'{first:<{widest}}{others}'}".rstrip()
        yield from (f"{'':{2 * INDENT}}{line}" for line in rest)
        if is_stacked:
            yield f"{'':{INDENT}}{others}".rstrip()
