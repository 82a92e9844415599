"""Positions, written as standards write them.

A span names bit or character positions from 0, ends included: ``1-8`` is eight positions,
``8-1`` the same ones read downwards, ``1-4,9`` several pieces in that order.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from credkit.errors import DefinitionError, shown

LIMIT = 65536  # bits; nothing credkit reads as one value is longer
WIDEST = 4096  # bits of one number, or of one frame

_PIECE = re.compile(r"([0-9]{1,5})(?:-([0-9]{1,5}))?")


def positions(text: str, what: str) -> tuple[int, ...]:
    """The positions that the span ``text`` names, in its order; ``what`` opens the error sentence.

    >>> positions("1-4,9", "field number"), positions("3-0", "field number")
    ((1, 2, 3, 4, 9), (3, 2, 1, 0))
    >>> positions("1..4", "field number")
    Traceback (most recent call last):
    credkit.errors.DefinitionError: field number: '1..4' is not a span such as 1-8 or 1-4,9
    """
    found: dict[int, None] = {}
    for piece in str(text).replace(" ", "").split(","):
        match = _PIECE.fullmatch(piece)
        if not match:
            raise DefinitionError(f"{what}: {shown(text)} is not a span such as 1-8 or 1-4,9")
        first = int(match[1])
        last = int(match[2] or first)
        if max(first, last) >= LIMIT:
            raise DefinitionError(f"{what}: {shown(text)} goes beyond position {LIMIT - 1}")
        for position in range(first, last + 1) if first <= last else range(first, last - 1, -1):
            if position in found:
                raise DefinitionError(f"{what}: {shown(text)} names position {position} twice")
            found[position] = None
    return tuple(found)


def runs(places: Iterable[int]) -> list[tuple[int, int]]:
    """``places`` as runs of neighbours: first and last of each, upwards or downwards.

    >>> runs([1, 2, 3, 9, 8, 7]), runs([5])
    ([(1, 3), (9, 7)], [(5, 5)])
    """
    found: list[tuple[int, int]] = []
    for place in places:
        if found:
            first, last = found[-1]
            step = place - last
            if abs(step) == 1 and (first == last or (last > first) == (step > 0)):
                found[-1] = (first, place)
                continue
        found.append((place, place))
    return found


def written(places: Iterable[int]) -> str:
    """``places`` as a span, the inverse of `positions`.

    >>> written([1, 2, 3, 4, 9])
    '1-4,9'
    """
    return ",".join(str(a) if a == b else f"{a}-{b}" for a, b in runs(places))
