"""White space around a text: what it is, what it is called, and the text without it.

White space is what Python's `str.strip` takes off (spaces, no-break spaces and tabs among it) and the characters
without width that copying from documents and windows leaves behind: byte order marks, zero-width spaces and
joiners, soft hyphens, marks of writing direction.

Source: the Unicode Standard, 6.2 (space characters) and 23.2 (layout controls).
"""

from __future__ import annotations

import sys
import unicodedata
from functools import cache
from itertools import groupby

# The first and the last of each range of characters without width.
_RANGES = (
    (0x00AD, 0x00AD), (0x061C, 0x061C), (0x180E, 0x180E), (0x200B, 0x200F), (0x202A, 0x202E), (0x2060, 0x2064),
    (0x2066, 0x2069), (0xFEFF, 0xFEFF),
)  # fmt: skip
ZERO_WIDTH = frozenset(chr(code) for first, last in _RANGES for code in range(first, last + 1))
_NAMES = {
    "\t": "tab", "\n": "line feed", "\r": "carriage return", "\v": "vertical tab", "\f": "form feed",
    "\ufeff": "byte order mark",
}  # fmt: skip
MAX_NAMES = 3  # kinds of white space that are named at one end of a text


def is_white_space(character: str) -> bool:
    """Whether ``character`` is white space, or has no width.

    >>> [is_white_space(each) for each in (" ", "\\u00a0", "\\t", "\\ufeff", "-")]
    [True, True, True, True, False]
    """
    return character.isspace() or character in ZERO_WIDTH


@cache
def white_space() -> str:
    """Every character that is white space, or has no width, in the order of their numbers.

    >>> white_space()[:6]
    '\\t\\n\\x0b\\x0c\\r\\x1c'
    """
    return "".join(filter(is_white_space, map(chr, range(sys.maxunicode + 1))))


def strip_white_space(text: str) -> str:
    """``text`` without the white space at both ends.

    >>> strip_white_space(" \\ufeff 02F7 64DD\\u00a0")
    '02F7 64DD'
    """
    if text.isascii():
        return text.strip()
    start, end = 0, len(text)
    while start < end and is_white_space(text[start]):
        start += 1
    while end > start and is_white_space(text[end - 1]):
        end -= 1
    return text[start:end]


def describe_ends(text: str) -> str | None:
    """Which white space stands at the ends of ``text``, by name; None where there is none.

    >>> describe_ends("02F764DD "), describe_ends("\\u00a0\\u00a0P-1\\t"), describe_ends("P 1")
    ('a space at its end', '2 no-break spaces at its start and a tab at its end', None)
    >>> describe_ends("  ")
    'only white space (2 spaces)'
    """
    bare = strip_white_space(text)
    if len(bare) == len(text):
        return None
    if not bare:
        return f"only white space ({_name_all(text)})"
    start = text.index(bare)
    ends = ((text[:start], "start"), (text[start + len(bare) :], "end"))
    return " and ".join(f"{_name_all(blanks)} at its {end}" for blanks, end in ends if blanks)


def _name_all(blanks: str) -> str:
    """What white space this is, such as "2 spaces and a tab"."""
    named = [_name(character, len(list(run))) for character, run in groupby(blanks)]
    if len(named) > MAX_NAMES:
        return f"{len(blanks)} characters of white space"
    return f"{', '.join(named[:-1])} and {named[-1]}" if len(named) > 1 else named[0]


def _name(character: str, count: int) -> str:
    other = unicodedata.name(character, "").lower() or f"control character U+{ord(character):04X}"
    name = _NAMES.get(character, other)
    if count == 1:
        return f"an {name}" if name[0] in "aeio" else f"a {name}"
    return f"{count} {name}{'' if name[-1].isdigit() else 's'}"
