"""Linear algebra over GF(2): sets of bit positions as whole numbers, and the sums that hold for every frame.

A position of a frame is a bit of a mask, ``1 << position``; position 0 is the first bit sent. An affine relation has
one more bit, ``1 << length``, for the constant: the mask ``0b1_0011`` of a frame of four bits states that the bits at 0
and 1 and the constant one have an even sum, so that the two bits always differ.

>>> found = null_space(columns([0b0100, 0b1000, 0b0111, 0b1011], 4), 4)
>>> [f"{mask:05b}" for mask in found]
['10011', '01100']
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence


def columns(frames: Sequence[int], length: int) -> list[int]:
    """One whole number for each position: its bits are the frames' bits there, the first frame's the highest.

    >>> columns([0b10, 0b11], 2)
    [3, 1]
    """
    if not frames:
        return [0] * length
    text = "".join(f"{frame:0{length}b}" for frame in frames)
    return [int(text[place::length], 2) for place in range(length)]


def coordinates(vectors: Sequence[int]) -> list[int]:
    """The vectors in a basis of their own span: as many bits as their rank, with the same sums equal to zero.

    >>> coordinates([0b1100, 0b0011, 0b1111])
    [1, 2, 3]
    """
    basis: dict[int, tuple[int, int]] = {}  # by highest bit: the vector, its coordinates
    found = []
    for vector in vectors:
        place = 0
        while vector:
            top = vector.bit_length()
            if top not in basis:
                unit = 1 << len(basis)
                basis[top] = vector, place ^ unit
                place = unit  # of the whole vector: what was subtracted is in the entry
                break
            vector, place = vector ^ basis[top][0], place ^ basis[top][1]
        found.append(place)
    return found


def null_space(vectors: Sequence[int], count: int) -> list[int]:
    """A basis of all sums of ``vectors`` and the constant, ``count`` ones, that are zero: masks in echelon form."""
    basis: dict[int, tuple[int, int]] = {}
    found = Span()
    for place, vector in enumerate([*vectors, (1 << count) - 1]):
        mask = 1 << place
        while vector:
            top = vector.bit_length()
            if top not in basis:
                basis[top] = vector, mask
                break
            vector, mask = vector ^ basis[top][0], mask ^ basis[top][1]
        else:
            found.add(mask)
    return list(found)


class Span:
    """A space of masks that grows: what is in it, and what is left of a mask modulo the space.

    >>> space = Span([0b011, 0b110])
    >>> len(space), 0b101 in space, 0b111 in space
    (2, True, False)
    """

    def __init__(self, masks: Iterable[int] = ()) -> None:
        self._rows: dict[int, int] = {}  # by lowest bit; no other row has that bit
        for mask in masks:
            self.add(mask)

    def add(self, mask: int) -> bool:
        """Add ``mask``; whether the space is larger now."""
        mask = self.reduce(mask)
        if not mask:
            return False
        low = mask & -mask
        for key, row in self._rows.items():
            if row & low:
                self._rows[key] = row ^ mask
        self._rows[low] = mask
        return True

    def reduce(self, mask: int) -> int:
        """The one mask that stands for all that differ from ``mask`` by a member."""
        for low, row in self._rows.items():
            if mask & low:
                mask ^= row
        return mask

    def __contains__(self, mask: int) -> bool:
        return not self.reduce(mask)

    def __len__(self) -> int:
        return len(self._rows)

    def __iter__(self) -> Iterator[int]:
        """The rows, the one with the lowest bit first."""
        return iter([self._rows[low] for low in sorted(self._rows)])

    def copy(self) -> Span:
        """A space with the same members, which grows on its own."""
        made = Span()
        made._rows = dict(self._rows)
        return made


def sums(masks: Sequence[int]) -> Iterator[int]:
    """The sum of every set of ``masks``, of none first, each once: two to the power of their number.

    >>> list(sums([1, 2]))
    [0, 1, 3, 2]
    """
    total = 0
    yield total
    for count in range(1, 1 << len(masks)):
        total ^= masks[(count & -count).bit_length() - 1]
        yield total


def positions_of(mask: int) -> tuple[int, ...]:
    """The positions whose bits are in ``mask``, upwards.

    >>> positions_of(0b1011)
    (0, 1, 3)
    """
    found = []
    while mask:
        low = mask & -mask
        found.append(low.bit_length() - 1)
        mask ^= low
    return tuple(found)


def mask_of(places: Iterable[int]) -> int:
    """The mask of ``places``, the inverse of `positions_of`.

    >>> mask_of((0, 1, 3))
    11
    """
    total = 0
    for place in places:
        total |= 1 << place
    return total


def parity_of(frames: Sequence[int], length: int, mask: int) -> list[int]:
    """For each frame, whether the affine relation ``mask`` is broken in it: 0 where it holds, 1 where not.

    >>> parity_of([0b0100, 0b1100], 4, 0b10011)
    [0, 1]
    """
    over = sum(1 << (length - 1 - place) for place in positions_of(mask & ~(1 << length)))
    constant = mask >> length & 1
    return [((frame & over).bit_count() ^ constant) & 1 for frame in frames]
