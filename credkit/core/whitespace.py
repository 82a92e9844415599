"""White space around a text: what it is, what it is called, and the text without it.

White space is what Python's `str.strip` takes off (spaces, no-break spaces and tabs among it) and the characters
without width that copying from documents and windows leaves behind: byte order marks, zero-width spaces and
joiners, soft hyphens, marks of writing direction.

Source: the Unicode Standard, 6.2 (space characters) and 23.2 (layout controls).
"""

from __future__ import annotations

import unicodedata
from itertools import groupby

# The first and the last of each range of characters: those that `str.isspace` is true of, and those without width.
_SPACES = (
    (0x0009, 0x000D), (0x001C, 0x0020), (0x0085, 0x0085), (0x00A0, 0x00A0), (0x1680, 0x1680), (0x2000, 0x200A),
    (0x2028, 0x2029), (0x202F, 0x202F), (0x205F, 0x205F), (0x3000, 0x3000),
)  # fmt: skip
_ZERO_WIDTH = (
    (0x00AD, 0x00AD), (0x061C, 0x061C), (0x180E, 0x180E), (0x200B, 0x200F), (0x202A, 0x202E), (0x2060, 0x2064),
    (0x2066, 0x2069), (0xFEFF, 0xFEFF),
)  # fmt: skip
ZERO_WIDTH = "".join(chr(code) for first, last in _ZERO_WIDTH for code in range(first, last + 1))
WHITE_SPACE = "".join(chr(code) for first, last in _SPACES for code in range(first, last + 1)) + ZERO_WIDTH
_NAMES = {
    "\t": "tab", "\n": "line feed", "\r": "carriage return", "\v": "vertical tab", "\f": "form feed",
    "\ufeff": "byte order mark",
}  # fmt: skip
MAX_NAMES = 3  # kinds of white space that are named at one end of a text


def strip_white_space(text: str) -> str:
    """``text`` without the white space at both ends.

    >>> strip_white_space(" \\ufeff 02F7 64DD\\u00a0")
    '02F7 64DD'
    """
    return text.strip(WHITE_SPACE)


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
