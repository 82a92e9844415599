"""Stretches: the neighbours in an order that gain most together.

Source: the largest sum of neighbours, general arithmetic.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray


def find_largest_sum(gains: NDArray[Any]) -> tuple[int, int, int]:
    """The neighbours with the largest sum of whole ``gains``: from where to where, and their sum.

    They begin and end with a gain. Of equal sums the one that ends first counts, from its last beginning. Without a
    gain all three are 0.

    >>> find_largest_sum(np.array([-1, 1, 0, -1, 1, 1, 0, -1, 1]))
    (4, 6, 2)
    """
    sums = np.concatenate(([0], np.cumsum(gains)))
    lowest = np.minimum.accumulate(sums)
    stop = int(np.argmax(sums - lowest))
    start = int(np.flatnonzero(sums[: stop + 1] == lowest[stop])[-1])
    return start, stop, int(sums[stop] - lowest[stop])


def find_largest_rounded_sum(gains: NDArray[np.float64]) -> tuple[int, int]:
    """From where to where `find_largest_sum` is for broken ``gains``, whose sums are rounded in the order of adding.

    >>> find_largest_rounded_sum(np.array([-0.1, 0.1, -0.1, 0.1, 0.1]))
    (3, 5)
    """
    steps: list[float] = gains.tolist()
    best, most, stop = (0, 0), 0.0, 0
    for start in np.flatnonzero(gains > 0).tolist():
        if start < stop:
            continue
        total, stop = 0.0, start
        while stop < len(steps) and (total > 0 or stop == start):
            total += steps[stop]
            stop += 1
            if total > most:
                best, most = (start, stop), total
    return best
