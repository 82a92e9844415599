"""The screen: its width, and characters that take exactly one column of it."""

from __future__ import annotations

WIDTH = 80


def plain(text: str) -> str:
    """``text`` with every character that does not take exactly one column written as an escape.

    >>> plain("02F7\\r")
    '02F7\\\\r'
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(c if c.isascii() and c.isprintable() else _escape(c) for c in text)


def _escape(char: str) -> str:
    from unicodedata import combining, east_asian_width  # most texts are ASCII

    narrow = char.isprintable() and not combining(char) and east_asian_width(char) not in "WF"
    return char if narrow else char.encode("unicode_escape").decode()
