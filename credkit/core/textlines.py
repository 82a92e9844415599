"""Lines of bytes: how long one may be, and why it is not text."""

from __future__ import annotations

from credkit.core.spans import MAX_BITS

LONGEST_LINE = 2 * MAX_BITS  # bytes: nothing that credkit reads as one value is longer


def utf8_problem(line: bytes) -> str | None:
    """Why ``line`` is not UTF-8, or None if it is.

    >>> utf8_problem(b"02\\xff7"), utf8_problem(b"02F7")
    ('byte 2 of the line is not UTF-8: 0xff', None)
    """
    try:
        line.decode()
    except UnicodeDecodeError as error:
        return f"byte {error.start} of the line is not UTF-8: {line[error.start]:#04x}"
    return None
