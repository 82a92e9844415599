"""Samples of frames: what is linear about them, and which of them do not belong.

The differences between the frames of a sample span a space over GF(2). Its rank, not the count of the
frames, is what the sample is worth: a hundred consecutive cards have a rank of seven. A relation is a
set of bits whose parity is the same in every frame.

Source: common practice, no source (linear algebra; the relations of a window of bits are counted by a
basis of least spans, as they are in the minimal trellis of a block code).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from random import Random

from credkit.discover.gf2 import Span

DAMAGED_SHARE = 0.05  # of the frames at most may fail what the others have in common
MIN_DAMAGED_SAMPLE = 40  # frames; in fewer no frame is left out
_DRAWS = 200  # random subsets at most, one of which must be without damage
_DRAWN_BITS = 20_000  # draws times the length of a frame: a longer frame takes longer, and is damaged more often
_CONFIRMATIONS = 5  # frames in a row that add nothing to a subset


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameSample:
    """Distinct frames of ``length`` bits, a basis of their differences, and the relations of their bits.

    ``varying`` has a one for each bit that is not the same in all frames. ``relations`` are masks over
    varying bits only: a basis of which no two start, and no two end, at the same bit.
    """

    length: int
    frames: tuple[int, ...]
    differences: tuple[int, ...]
    varying: int
    relations: tuple[int, ...]

    @classmethod
    def from_frames(cls, frames: Iterable[int], length: int) -> FrameSample:
        """The sample of ``frames``, of which there is at least one.

        >>> sample = FrameSample.from_frames([0b0011, 0b0110, 0b0101], 4)
        >>> sample.rank, bin(sample.varying), [bin(mask) for mask in sample.relations]
        (2, '0b111', ['0b111'])
        """
        distinct = tuple(dict.fromkeys(frames))
        basis = Span(frame ^ distinct[0] for frame in distinct)
        varying = 0
        for vector in basis:
            varying |= vector
        return cls(
            length=length, frames=distinct, differences=tuple(basis), varying=varying,
            relations=_least_spans(_null_space(basis, varying)),
        )  # fmt: skip

    @property
    def rank(self) -> int:
        """How many differences are independent."""
        return len(self.differences)

    def rank_at(self, mask: int) -> int:
        """How many differences are independent in the bits of ``mask``."""
        return len(Span(difference & mask for difference in self.differences))

    def relations_within(self, first: int, stop: int) -> int:
        """How many independent relations have all their bits at positions from ``first`` to before ``stop``."""
        low, high = self.length - stop, self.length - first
        return sum(mask.bit_length() <= high and (mask & -mask).bit_length() > low for mask in self.relations)


def _null_space(basis: Span, varying: int) -> list[int]:
    """A basis of the masks over ``varying`` whose parity is even in each vector of ``basis``."""
    rows = {row & -row: row for row in basis}  # the lowest bit of a row stands in no other
    bits = (1 << place for place in range(varying.bit_length()))
    free = [bit for bit in bits if bit & varying and bit not in rows]  # each has a mask of its own
    return [sum((low for low, row in rows.items() if row & bit), bit) for bit in free]


def _least_spans(masks: list[int]) -> tuple[int, ...]:
    """A basis of the same space in which neither two first bits nor two last bits are the same."""
    rows = list(Span(masks))  # no two last bits are
    by_first: dict[int, int] = {}
    while rows:
        row = rows.pop()
        other = by_first.get(row.bit_length())
        if other is None:
            by_first[row.bit_length()] = row
        else:  # the longer one is shortened at its start; its last bit stays
            long, short = sorted((row, other), key=lambda each: each & -each)
            by_first[row.bit_length()] = short
            rows.append(long ^ short)
    return tuple(sorted(by_first.values(), reverse=True))


def undamaged_frames(frames: Sequence[int], length: int, seed: int = 0) -> list[int]:
    """The frames that have more relations in common than all of them have; all where none have.

    Random subsets are drawn until one adds nothing to itself any more: a subset without damage has the
    least rank. No more than one frame in twenty is left out.

    >>> doubled = [number << 8 | number for number in range(50)]
    >>> undamaged_frames([*doubled, 0x0001], 16) == doubled
    True
    """
    if len(frames) < MIN_DAMAGED_SAMPLE:
        return list(frames)
    source = Random(seed)
    best, best_rank = list(frames), len(Span(frame ^ frames[0] for frame in frames))
    for _ in range(min(_DRAWS, _DRAWN_BITS // length)):
        basis, first = _drawn_basis(frames, best_rank, source)
        if basis is None:
            continue
        inside = [frame for frame in frames if frame ^ first in basis]
        if len(inside) >= (1 - DAMAGED_SHARE) * len(frames):
            best, best_rank = inside, len(basis)
    return best


def _drawn_basis(frames: Sequence[int], below: int, source: Random) -> tuple[Span | None, int]:
    """The basis of a random subset that has stopped growing at a rank ``below`` that, and the frame it starts from."""
    first = frames[source.randrange(len(frames))]
    basis = Span()
    confirmed = 0
    while confirmed < _CONFIRMATIONS:
        if basis.add(frames[source.randrange(len(frames))] ^ first):
            confirmed = 0
            if len(basis) >= below:
                return None, first
        else:
            confirmed += 1
    return basis, first
