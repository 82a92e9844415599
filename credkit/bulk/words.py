"""Bits of many rows at once: one unsigned 64-bit number a row, or several of them.

The tables of credkit compute with whole numbers (shift, mask, or, exclusive or), and the same
operations serve an array of numbers. Frames longer than 64 bits are a `Wide`: it has the same
operations, so that a table does not notice what it is given.

>>> import numpy as np
>>> frames = pack([(1 << 99) + 5, 7], 100)
>>> unpack(frames >> 98), unpack(frames & 7)
([2, 0], [5, 7])
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[Any]
LIMB_BITS = 64
LIMB_MASK = (1 << LIMB_BITS) - 1


class Wide:
    """Numbers of more than 64 bits, one a row, in ``limbs`` of 64 bits, the least significant first."""

    __slots__ = ("limbs",)

    def __init__(self, limbs: Sequence[Array]) -> None:
        self.limbs = tuple(limbs)

    def __len__(self) -> int:
        return len(self.limbs[0])

    def _limbs_of(self, number: int) -> list[int]:
        return [number >> LIMB_BITS * i & LIMB_MASK for i in range(len(self.limbs))]

    def __rshift__(self, count: int) -> Wide:
        skip, shift = divmod(count, LIMB_BITS)
        limbs = self.limbs[skip:] or (np.zeros_like(self.limbs[0]),)
        if shift:
            above = (*limbs[1:], np.zeros_like(limbs[0]))
            limbs = tuple(low >> shift | high << (LIMB_BITS - shift) for low, high in zip(limbs, above, strict=True))
        return type(self)(limbs)

    def __lshift__(self, count: int) -> Wide:
        skip, shift = divmod(count, LIMB_BITS)
        zero = np.zeros_like(self.limbs[0])
        limbs = (*[zero] * skip, *self.limbs)
        if shift:
            whole = zip((*limbs, zero), (zero, *limbs), strict=True)
            limbs = tuple(high << shift | low >> (LIMB_BITS - shift) for high, low in whole)
        return type(self)(limbs)

    def __and__(self, mask: int) -> Any:
        return type(self)([limb & bits for limb, bits in zip(self.limbs, self._limbs_of(mask), strict=True)])

    def _limbwise(self, other: Any, operation: Any) -> Wide:
        if isinstance(other, int):
            limbs = max(len(self.limbs), -(-other.bit_length() // LIMB_BITS))
            theirs: list[Any] = [other >> LIMB_BITS * i & LIMB_MASK for i in range(limbs)]
        else:
            theirs = list(other.limbs)
        zero = np.zeros_like(self.limbs[0])
        count = max(len(self.limbs), len(theirs))
        mine = [*self.limbs, *[zero] * (count - len(self.limbs))]
        theirs += [zero] * (count - len(theirs))
        return type(self)([operation(a, b) for a, b in zip(mine, theirs, strict=True)])

    def __or__(self, other: Any) -> Wide:
        return self._limbwise(other, np.bitwise_or)

    def __xor__(self, other: Any) -> Wide:
        return self._limbwise(other, np.bitwise_xor)

    __ror__ = __or__
    __rxor__ = __xor__

    def __ne__(self, other: object) -> Any:  # a mask, as for an array
        # what is no number is a Wide: nothing else is compared with one
        wanted = self._limbs_of(other) if isinstance(other, int) else list(other.limbs)  # type: ignore[attr-defined]  # a Wide, as said
        differ = np.zeros(len(self), bool)
        for limb, bits in zip(self.limbs, wanted, strict=True):
            differ |= limb != bits
        return differ

    __hash__ = None  # type: ignore[assignment]  # this is how Python says that there is none


class WideFrame(Wide):
    """A `Wide` that is only read: what is masked out of it fits in 64 bits, and is a plain array."""

    __slots__ = ()

    def __and__(self, mask: int) -> Any:
        """The bits under ``mask``: an array where they lie in the lowest 64."""
        return self.limbs[0] & mask if mask <= LIMB_MASK else super().__and__(mask)


def parity(word: Any) -> Array:
    """1 for each row with an odd number of ones, as small numbers: for checks."""
    if isinstance(word, Wide):
        folded = word.limbs[0]
        for limb in word.limbs[1:]:
            folded = folded ^ limb
        word = folded
    odd: Array = np.bitwise_count(word) & 1
    return odd


def parity_bit(word: Any) -> Any:
    """The same, in numbers that can be shifted into a frame."""
    bit = parity(word).astype(np.uint64)
    return Wide([bit]) if isinstance(word, Wide) else bit


def pack(numbers: Sequence[int | None], length: int) -> Any:
    """Whole numbers of ``length`` bits as an array, or as a `Wide`; None is zero."""
    limbs = [
        np.fromiter(((n or 0) >> LIMB_BITS * i & LIMB_MASK for n in numbers), np.uint64, len(numbers))
        for i in range(max(1, -(-length // LIMB_BITS)))
    ]
    return limbs[0] if len(limbs) == 1 else Wide(limbs)


def unpack(words: Any) -> list[int]:
    """The inverse of `pack`."""
    if not isinstance(words, Wide):
        return [int(n) for n in words.tolist()]
    return [
        sum(n << LIMB_BITS * i for i, n in enumerate(row))
        for row in zip(*(limb.tolist() for limb in words.limbs), strict=True)
    ]


def resized(words: Any, length: int) -> Any:
    """``words`` of ``length`` bits in as many limbs as they need: an array up to 64 bits."""
    if not isinstance(words, Wide):
        return words if length <= LIMB_BITS else Wide([words, *[np.zeros_like(words)] * (-(-length // LIMB_BITS) - 1)])
    count = max(1, -(-length // LIMB_BITS))
    zero = np.zeros_like(words.limbs[0])
    limbs = (*words.limbs, *[zero] * (count - len(words.limbs)))[:count]
    return limbs[0] if count == 1 else Wide(limbs)
