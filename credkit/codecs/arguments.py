"""The arguments of a step, as text, to what a builder needs; every refusal names the codec."""

from __future__ import annotations

from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.core.spans import MAX_NUMBER_BITS


def parse_whole_number(codec: str, what: str, text: str, *, least: int = 1, most: int = MAX_NUMBER_BITS) -> int:
    """``text`` as a whole number from ``least`` to ``most``.

    >>> parse_whole_number("hex", "digits", "8")
    8
    >>> parse_whole_number("hex", "digits", "0")
    Traceback (most recent call last):
    credkit.DefinitionError: hex: digits must be a whole number from 1 to 4096, not '0'
    """
    digits = text.removeprefix("-") if least < 0 else text
    if digits.isascii() and digits.isdecimal() and len(digits) <= 20 and least <= int(text) <= most:
        return int(text)
    raise DefinitionError(f"{codec}: {what} must be a whole number from {least} to {most}, not {redacted_repr(text)}")
