"""The line of an export that has its header: exports have titles above it, which fill fewer cells.

Source: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence

from credkit.core.whitespace import strip_white_space

SEARCHED_LINES = 50
TITLE_SHARE = 0.6  # of the cells of the fullest row, which a title fills less of
HEADER_SHARE = 0.75  # of the cells of the fullest row, which a header fills


def find_header_line(rows: Sequence[Sequence[str]]) -> int:
    """The place of the header among the first rows of a file, from 0: the first row, unless that is a title.

    A header fills most of the cells that the fullest row fills, with different names: a letter is in each.

    >>> find_header_line([["Brackwater Terminal", ""], [], ["Nr", "Saldo"], ["1", "12,50"]])
    2
    >>> find_header_line([["Nr", "Saldo"], ["1", "12,50"]])
    0
    """
    filled = [[text for text in map(strip_white_space, row) if text] for row in rows[:SEARCHED_LINES]]
    most = max(map(len, filled), default=0)
    if most < 2 or len(filled[0]) >= TITLE_SHARE * most:
        return 0
    for place, names in enumerate(filled):
        is_named = len(set(names)) == len(names) and all(any(map(str.isalpha, name)) for name in names)
        if is_named and len(names) >= HEADER_SHARE * most:
            return place
    return 0


def describe_header_line(line: int, width: int) -> str:
    """The evidence for a header on another line than the first."""
    return f"line {line} is the first with names in most of {width} columns; the lines above it are not read"
