"""Positions, written as standards write them.

A span names bit or character positions from 0, ends included: ``1-8`` is eight positions,
``8-1`` the same ones read downwards, ``1-4,9`` several pieces in that order.
"""

from __future__ import annotations

from collections.abc import Iterable

MAX_BITS = 65536  # bits; nothing credkit reads as one value is longer
MAX_NUMBER_BITS = 4096  # bits of one number, or of one frame


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


def format_span(places: Iterable[int]) -> str:
    """``places`` as a span, the inverse of `credkit.core.positions.positions`.

    >>> format_span([1, 2, 3, 4, 9])
    '1-4,9'
    """
    return ",".join(str(a) if a == b else f"{a}-{b}" for a, b in runs(places))
