"""The fields of a frame: known numbers, bits that count up, constant bits, and bits of which nothing is known.

Every bit that is no check bit belongs to exactly one field. What is not known is called so.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal, TypeAlias

from credkit.core.spans import runs
from credkit.discover.evidence import Confidence, confidence_of
from credkit.discover.knownfields import Coding, KnownField

FieldKind: TypeAlias = Literal["known", "count", "constant", "unknown"]
FEWEST_COUNTED = 8  # frames in a row that count up; so many random ones do once in 20,000 samples
MOST_COUNTED = 2000  # frames in a row that are looked at
MOST_OUT_OF_ORDER = 0.05  # of the steps
MOST_ENCLOSED = 3  # constant bits between varying ones, which are taken to be of one field with them


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundField:
    """A stretch of bits with a name: ``places``, the most significant bit first.

    ``number`` is the known number that stands there. ``value`` is the value of a constant, as binary digits.
    ``confidence`` is None for constant and unknown bits, of which nothing is claimed but what the frames show.
    """

    name: str
    kind: FieldKind
    places: tuple[int, ...]
    coding: Coding = "binary"
    value: str = ""
    evidence: float = 0.0
    number: KnownField | None = None

    @property
    def confidence(self) -> Confidence | None:
        """How sure the name is."""
        return confidence_of(self.evidence)


def find_fields(
    frames: Sequence[int],
    length: int,
    *,
    known: Sequence[KnownField],
    constants: Sequence[tuple[int, int]],
    check_bits: Collection[int],
) -> tuple[FoundField, ...]:
    """The fields of ``frames``, in issue order, beside ``check_bits``; none of the ``known`` overlap.

    >>> fields = find_fields(range(64, 80), 8, known=(), constants=[(0, 0), (1, 1), (2, 0), (3, 0)], check_bits=())
    >>> [(field.name, field.places[0], field.value) for field in fields]
    [('constant_0', 0, '0100'), ('count_4', 4, '')]
    """  # fmt: skip
    found = []
    taken = set(check_bits)
    for each in known:
        places = (*each.spare, *each.places)
        taken |= set(places)
        found.append(
            FoundField(
                name=each.name, kind="known", places=places, coding=each.coding, evidence=each.evidence, number=each
            )
        )
    still = {place: bit for place, bit in constants if place not in taken}
    for run in _enclosed_runs(sorted(still), taken, length):
        for place in run:
            del still[place]
    for first, last in runs(sorted(still)):
        value = "".join(str(still[place]) for place in range(first, last + 1))
        found.append(
            FoundField(name=f"constant_{first}", kind="constant", places=tuple(range(first, last + 1)), value=value)
        )
    free = [place for place in range(length) if place not in taken and place not in still]
    for first, last in runs(free):
        places = tuple(range(first, last + 1))
        if counts_up(frames, length, places):
            found.append(FoundField(name=f"count_{first}", kind="count", places=places))
        elif counts_up(frames, length, places[::-1]):
            found.append(FoundField(name=f"count_{first}", kind="count", places=places[::-1]))
        else:
            found.append(FoundField(name=f"unknown_{first}", kind="unknown", places=places))
    return tuple(sorted(found, key=lambda field: min(field.places)))


def _enclosed_runs(places: Sequence[int], taken: Collection[int], length: int) -> list[range]:
    """Short runs of constant bits between bits that vary: a field of which few values were seen has such."""
    free = set(range(length)) - set(places) - set(taken)
    return [
        range(first, last + 1)
        for first, last in runs(places)
        if last - first < MOST_ENCLOSED and first - 1 in free and last + 1 in free
    ]


def counts_up(frames: Sequence[int], length: int, places: tuple[int, ...]) -> bool:
    """Whether the number in ``places`` goes one way from frame to frame, up or down.

    >>> counts_up([3, 5, 8, 9, 12, 20, 22, 31], 8, tuple(range(8)))
    True
    """
    if len(places) < 2 or len(frames) < FEWEST_COUNTED:
        return False
    low, high = min(places), max(places)
    width = high - low + 1
    values = [frame >> (length - 1 - high) & ((1 << width) - 1) for frame in frames[:MOST_COUNTED]]
    if places[0] > places[-1]:
        values = [int(f"{value:0{width}b}"[::-1], 2) for value in values]
    steps = [after - before for before, after in pairwise(values) if after != before]
    if len(steps) + 1 < FEWEST_COUNTED:
        return False
    up = sum(step > 0 for step in steps)
    return min(up, len(steps) - up) <= len(steps) * MOST_OUT_OF_ORDER
