"""Dice: draws that come out the same on every platform and in every version of Python.

Of the standard generator only ``random()`` is promised to give the same sequence for a seed, so
everything is drawn from it here.

Source: the documentation of Python's module ``random``, notes on reproducibility.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from typing import TypeVar

T = TypeVar("T")


class Dice:
    """Draws from a seed.

    >>> Dice(7).below(1000) == Dice(7).below(1000)
    True
    """

    def __init__(self, seed: int) -> None:
        self._draw = random.Random(seed).random

    def below(self, count: int) -> int:
        """A whole number from 0 to ``count`` - 1."""
        return int(self._draw() * count)

    def chance(self, percent: int) -> bool:
        """True in ``percent`` of a hundred draws."""
        return self.below(100) < percent

    def one(self, items: Sequence[T]) -> T:
        """One of ``items``."""
        return items[self.below(len(items))]

    def some(self, items: Sequence[T], count: int) -> list[T]:
        """``count`` of ``items``, none twice, in the order drawn.

        >>> sorted(Dice(7).some("abc", 3))
        ['a', 'b', 'c']
        """
        left, drawn = list(items), []
        for _ in range(count):
            place = self.below(len(left))
            left[place], left[-1] = left[-1], left[place]
            drawn.append(left.pop())
        return drawn
