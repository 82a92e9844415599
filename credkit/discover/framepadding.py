"""Zeros at the start of frames that fill their hex digits up: the layout of the frame without them."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from bitstring import Bits

from credkit.core.forms import raw_of
from credkit.discover.foundlayout import FoundLayout
from credkit.discover.layoutsearch import equivalent_layouts

Search = Callable[[Sequence[Bits]], FoundLayout]


def count_leading_zeros(frames: Sequence[Bits]) -> int:
    """How many bits at the start of ``frames`` are 0 in every frame; 0 where all bits are.

    >>> count_leading_zeros([Bits("0b00101"), Bits("0b00110")])
    2
    """
    longest = max((raw_of("bits", frame)[0].bit_length() for frame in frames), default=0)
    return len(frames[0]) - longest if longest else 0


def find_unpadded(found: FoundLayout, frames: Sequence[Bits], search: Search) -> FoundLayout | None:
    """The layout of the frames without zeros at their start, where it fits better than ``found``; else None.

    It fits better where a catalogued layout reads every shorter frame and none reads the longer one; or where the
    first bit that is not always 0 is a parity, as the first bit of a frame often is. ``search`` finds a layout.

    >>> from credkit import chain
    >>> from credkit.discover.layoutsearch import layout
    >>> cards = [chain("wiegand-26").encode({"facility": 17, "number": n * 40503 % 65536}) for n in range(1, 25)]
    >>> padded = [Bits('0b000000') + card for card in cards]
    >>> find_unpadded(layout(padded), padded, layout).equivalents
    ('wiegand-26',)
    """
    if found.equivalents:
        return None
    outliers = {*found.outliers}
    good = [raw_of("bits", frame)[0] for place, frame in enumerate(frames) if place not in outliers]
    zeros = count_leading_zeros(frames)
    for padding in range(zeros, 0, -1):
        if equivalent_layouts(good, found.length - padding):
            return search([frame[padding:] for frame in frames])
    if not zeros:
        return None
    shorter = search([frame[zeros:] for frame in frames])
    return shorter if any(check.cover.bit == 0 for check in shorter.checks) else None
