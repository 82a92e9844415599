"""Where known numbers stand in frames: position, width, order of bits, coding, and what is added.

For each card a number is known, from its print or from a back end. Every stretch of bits is tried in each order and
coding; one fits if the number minus the stretch's value is the same for every card: zero, or a constant that is added.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from math import log2
from typing import Literal, NamedTuple, TypeAlias

Order: TypeAlias = Literal["first bit highest", "last bit highest", "last byte highest"]
Coding: TypeAlias = Literal["binary", "bcd"]
MOST_WRONG = 0.05  # of the known numbers may be mistyped
FEWEST_FOR_WRONG = 20  # cards; with fewer every number must fit
SEARCH_SAMPLE = 200  # cards that every stretch is tried on
OFFSET_COST = 6.0  # bits, for a constant other than zero, beside what the first card takes to fix it
PLACES_PER_BIT = 2  # orders of bits that are tried at each end of a number; other codings are seldom
BYTE = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownField:
    """Where the number called ``name`` stands: ``places`` with the most significant bit first.

    The known number is the value of the places plus ``offset``. ``wrong`` are the cards (by index) whose number does
    not fit. ``spare`` are constant zero bits in front, which may belong to the number; ``rivals`` other places that fit
    as well.
    """

    name: str
    places: tuple[int, ...]
    order: Order
    coding: Coding
    offset: int
    cards: int
    wrong: tuple[int, ...]
    evidence: float
    spare: tuple[int, ...] = ()
    rivals: tuple[tuple[int, ...], ...] = ()


class Stretch(NamedTuple):
    """Bits in which a number may stand, the most significant one first, with their order and coding."""

    places: tuple[int, ...]
    order: Order
    coding: Coding


def find_known(name: str, numbers: Sequence[int | None], frames: Sequence[int], length: int) -> KnownField | None:
    """The stretch of bits that holds ``numbers``, one for each frame or None where unknown; None if none does.

    >>> numbers = [45678, 1234, 60000, 77, 31000]
    >>> field = find_known("number", numbers, [9 << 16 | n for n in numbers], 24)
    >>> field.places == tuple(range(8, 24)), field.offset, field.coding
    (True, 0, 'binary')
    """
    cards = [i for i, number in enumerate(numbers) if number is not None]
    if not cards:
        return None
    step = max(1, len(cards) // SEARCH_SAMPLE)
    sample = cards[::step]
    values = [numbers[i] for i in sample]
    words = [frames[i] for i in sample]
    same = len(set(values)) == 1  # then any bits fit with some constant
    found = []
    for row in stretches(length):
        offset = _offset(values, (decode_stretch(row, word, length) for word in words))
        if offset is not None and not (offset and same):
            found.append((row, offset))
    if not found:
        return None
    best = min(_rank(row, offset) for row, offset in found)
    equal = [(row, offset) for row, offset in found if _rank(row, offset)[:2] == best[:2]]
    row, offset = min(equal, key=lambda each: (_rank(*each), each[0].places))
    wrong = tuple(
        i for i in cards if (value := decode_stretch(row, frames[i], length)) is None or value + offset != numbers[i]
    )
    low = -len(row.places)
    bits = set(row.places)
    rivals = tuple(other.places for other, _ in equal if other.places[low:] != row.places and set(other.places) != bits)
    distinct = {numbers[i] for i in cards} - {numbers[i] for i in wrong}
    ends = _constant_bits(frames, length) if same else length
    evidence = _tested(distinct, offset) - log2(PLACES_PER_BIT * max(ends, 1))
    if offset:
        evidence -= OFFSET_COST + log2(length)  # leading zeros no longer fix the width
    return KnownField(
        name=name, places=row.places, order=row.order, coding=row.coding, offset=offset, cards=len(cards), wrong=wrong,
        evidence=evidence, rivals=rivals,
    )  # fmt: skip


def _constant_bits(frames: Sequence[int], length: int) -> int:
    """How many bits are the same in every frame."""
    changed = 0
    for frame in frames:
        changed |= frame ^ frames[0]
    return length - changed.bit_count()


def _rank(row: Stretch, offset: int) -> tuple[int, bool, int, int]:
    """What is preferred: no offset, binary, few bits, the usual order."""
    return abs(offset), row.coding == "bcd", len(row.places), _ORDERS.index(row.order)


_ORDERS: tuple[Order, ...] = ("first bit highest", "last bit highest", "last byte highest")


def stretches(length: int) -> Iterator[Stretch]:
    """Every stretch of a frame that is tried, in each order and coding.

    >>> [(each.places, each.coding) for each in stretches(2)]
    [((0,), 'binary'), ((0, 1), 'binary'), ((1, 0), 'binary'), ((1,), 'binary')]
    """
    for first in range(length):
        for last in range(first, length):
            up = tuple(range(first, last + 1))
            yield Stretch(up, "first bit highest", "binary")
            if len(up) > 1:
                yield Stretch(up[::-1], "last bit highest", "binary")
            if len(up) % 4 == 0:
                yield Stretch(up, "first bit highest", "bcd")
            if len(up) % BYTE == 0 and len(up) > BYTE:
                turned = [up[i : i + BYTE] for i in range(0, len(up), BYTE)][::-1]
                yield Stretch(tuple(place for byte in turned for place in byte), "last byte highest", "binary")


def decode_stretch(row: Stretch, word: int, length: int) -> int | None:
    """The value of the stretch in a frame, or None where it has a digit above nine.

    >>> decode_stretch(Stretch((4, 5, 6, 7), "first bit highest", "bcd"), 0xA7, 8)
    7
    """
    places = row.places
    first, last = min(places), max(places)
    width = last - first + 1
    value = word >> (length - 1 - last) & ((1 << width) - 1)
    if row.order == "last bit highest":
        return int(f"{value:0{width}b}"[::-1], 2)
    if row.order == "last byte highest":
        return int.from_bytes(value.to_bytes(width // BYTE, "little"), "big")
    if row.coding == "bcd":
        text = f"{value:0{width // 4}x}"
        return int(text) if text.isdecimal() else None
    return value


def _offset(numbers: Sequence[int | None], decoded: Iterable[int | None]) -> int | None:
    """What is added to the decoded values to give the numbers; None where it differs between more than a few cards."""
    count = len(numbers)
    allowed = int(count * MOST_WRONG) if count >= FEWEST_FOR_WRONG else 0
    differences: Counter[int] = Counter()
    for done, (number, value) in enumerate(zip(numbers, decoded, strict=True), 1):
        if number is not None and value is not None:
            differences[number - value] += 1
        if done <= allowed + 2 or done % 16 == 0:
            most = max(differences.values(), default=0)
            if done - most > allowed:
                return None
    offset, most = max(differences.items(), key=lambda pair: (pair[1], -abs(pair[0])), default=(0, 0))
    return offset if most and count - most <= allowed else None


def _tested(numbers: set[int | None], offset: int) -> float:
    """How many bits of the numbers had to agree; with an offset, of their differences."""
    whole = sorted(number for number in numbers if number is not None)
    if not offset:
        return float(sum(number.bit_length() for number in whole))
    return float(sum((number - whole[0]).bit_length() for number in whole[1:]))


def with_spare_bits(
    field: KnownField, constants: Sequence[tuple[int, int]], taken: Sequence[int], length: int
) -> KnownField:
    """The field with the constant zero bits in front of its most significant bit that nothing else holds.

    >>> numbers = [5, 9, 12, 3, 14]
    >>> field = find_known("number", numbers, [1 << 7 | n for n in numbers], 8)
    >>> with_spare_bits(field, [(0, 1), (1, 0), (2, 0), (3, 0)], (), 8).spare
    (1, 2, 3)
    """
    if field.order == "last byte highest" or field.coding == "bcd" or field.offset < 0:
        return field
    step = -1 if field.order == "first bit highest" else 1
    zeros = {place for place, bit in constants if not bit} - set(taken)
    spare: list[int] = []
    place = field.places[0] + step
    while place in zeros and 0 <= place < length:
        spare.append(place)
        place += step
    return replace(field, spare=tuple(spare[::-1]))
