"""Positions that somebody wrote as a span, such as ``1-4,9`` (see `credkit.core.spans`)."""

from __future__ import annotations

import re

from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.core.spans import MAX_BITS

_PIECE = re.compile(r"([0-9]{1,5})(?:-([0-9]{1,5}))?")


def positions(text: str, what: str) -> tuple[int, ...]:
    """The positions that the span ``text`` names, in its order; ``what`` opens the error sentence.

    >>> positions("1-4,9", "field number"), positions("3-0", "field number")
    ((1, 2, 3, 4, 9), (3, 2, 1, 0))
    >>> positions("1..4", "field number")
    Traceback (most recent call last):
    credkit.DefinitionError: field number: '1..4' is not a span such as 1-8 or 1-4,9
    """
    found: dict[int, None] = {}
    for piece in str(text).replace(" ", "").split(","):
        match = _PIECE.fullmatch(piece)
        if not match:
            raise DefinitionError(f"{what}: {redacted_repr(text)} is not a span such as 1-8 or 1-4,9")
        first = int(match[1])
        last = int(match[2] or first)
        if max(first, last) >= MAX_BITS:
            raise DefinitionError(f"{what}: {redacted_repr(text)} goes beyond position {MAX_BITS - 1}")
        for position in range(first, last + 1) if first <= last else range(first, last - 1, -1):
            if position in found:
                raise DefinitionError(f"{what}: {redacted_repr(text)} names position {position} twice")
            found[position] = None
    return tuple(found)
