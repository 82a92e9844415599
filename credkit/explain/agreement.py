"""Agreement: what it is worth that two readings of a serial number agree.

Two texts agree where both have the same bits of a serial. What that is worth, in bits, is what could
have been otherwise: of the texts of the same form, some share would agree as well. The form of a
text is its notation, how many digits it has behind leading zeros, and how many bits its number has.
So zeros that fill a number up are worth nothing, wherever an order of bytes puts them, and eight
decimal digits are never worth more than 26 bits. Nor do the first bytes count that all serials of
one maker share.

Source: common practice, no source; the first bytes of a serial ISO/IEC 14443-3 and ISO/IEC 15693-3.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from dataclasses import dataclass
from functools import cached_property
from math import log2

from credkit.core.codec import AnyCodec
from credkit.core.errors import CredkitError
from credkit.core.forms import to_bits
from credkit.explain.candidates import ORDER_COSTS
from credkit.explain.presentations import Presentation
from credkit.tables.notation import Notation

MIN_COMMON_BITS = 12  # bits that two readings must have in common to be compared
MAKER_PREFIX_BITS = {56: 8, 80: 8}  # first bits that cards of one maker share, ISO/IEC 14443-3
NEIGHBOUR_DISTANCE, MIN_NEIGHBOUR_BITS = (
    256,
    24,
)  # serials of one box are less apart than that; bits that must be compared to say so
VICINITY_FIRST_BYTE, VICINITY_BITS = (
    0xE0,
    16,
)  # the first byte of ISO/IEC 15693, and how many bits one maker's cards share


@dataclass(frozen=True, kw_only=True)
class SerialReading:
    """A text read by a presentation of a serial of ``size`` bits: ``word`` is what it has of the serial.

    Masks are in the order of the serial, of which bit 0 is the last one.
    """

    presentation: Presentation
    size: int
    text: str
    word: int

    @classmethod
    def from_text(cls, row: Presentation, size: int, text: str, *, exact: bool = True) -> SerialReading | None:
        """The reading of ``text`` by ``presentation``, or None; ``exact`` demands that it encodes to the same text."""
        word = row.codec._decode_raw(text)
        if word is None or word[1] != row.bits or (exact and not row.digits and row.codec._encode_raw(word) != text):
            return None
        return cls(presentation=row, size=size, text=text, word=word[0])

    @cached_property
    def missing_low_bits(self) -> int:
        """How many bits of the serial stand behind those that it has."""
        return self.size - self.presentation.bits if self.presentation.part == "high" else 0

    @cached_property
    def mask(self) -> int:
        """Which bits of the serial it has."""
        return ((1 << self.presentation.bits) - 1) << self.missing_low_bits

    @cached_property
    def free_mask(self) -> int:
        """Those of its bits that could be others in a serial of the same form."""
        number = self.word << self.missing_low_bits
        inner = (1 << max(0, number.bit_length() - 1)) - 1 & ~((number & -number) - 1)
        if self.mask >> (self.size - 1):  # it has the first byte
            head = (
                VICINITY_BITS
                if number >> (self.size - 8) == VICINITY_FIRST_BYTE
                else MAKER_PREFIX_BITS.get(self.size, 0)
            )
            inner &= (1 << (self.size - head)) - 1
        return inner & self.mask

    @cached_property
    def text_bits(self) -> int:
        """How many bits the text itself can say: eight decimal digits are 26, whatever number they stand for."""
        if self.base != 10:
            return self.presentation.bits
        return min(self.presentation.bits, int(sum(c.isdigit() for c in self.text) * log2(10)))

    @cached_property
    def _orders(self) -> tuple[AnyCodec, ...]:
        return tuple(step for step in self.presentation.codec.steps if step.name in ORDER_COSTS)

    @cached_property
    def _notation(self) -> Notation:
        return next(step.table for step in self.presentation.codec.steps if isinstance(step.table, Notation))

    @property
    def base(self) -> int:
        """The base of the text's digits."""
        return self._notation.base

    def to_printed_order(self, serial: int) -> int:
        """Bits of a serial, in the order in which the text has them."""
        word = serial >> self.missing_low_bits
        for order in reversed(self._orders):
            word = order._encode_raw((word, self.presentation.bits))[0]
        return word

    @cached_property
    def printed_numbers(self) -> tuple[tuple[int, int, int], ...]:
        """The numbers that the text is made of: the bits behind each, and from where to where those of its form go."""
        printed, end, found = self.to_printed_order(self.word << self.missing_low_bits), self.presentation.bits, []
        groups = self._notation.groups if self.base == 10 else ()
        for width, signed in [(group.bits, group.is_signed) for group in groups] or [(self.presentation.bits, False)]:
            end -= width
            value = printed >> end & ((1 << width) - 1)
            negative = signed and bool(value >> (width - 1))
            size = (1 << width) - value if negative else value
            low, high = 1 << size.bit_length() >> 1, 1 << size.bit_length()
            if groups:
                low, high = max(low, 10 ** (len(str(size)) - 1) if size else 0), min(high, 10 ** len(str(size)))
            if negative:
                low, high = (1 << width) - high + 1, (1 << width) - low + 1
            found.append((end, low, high))
        return tuple(found)

    def matching_share(self, mask: int, serial: int) -> float:
        """Which share of the texts of this form has the bits of ``serial`` wherever ``mask`` is set."""
        mask, wanted, share = self.to_printed_order(mask), self.to_printed_order(serial), 1.0
        for end, low, high in self.printed_numbers:
            share *= (
                _count_below(high, mask >> end, wanted >> end) - _count_below(low, mask >> end, wanted >> end)
            ) / (high - low)
            mask, wanted = mask & ((1 << end) - 1), wanted & ((1 << end) - 1)
        return share


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Two readings that have enough in common: whether they agree, in how many bits, and what that is worth.

    ``is_near`` says that they differ by less than a byte, as cards of one box do. ``demand`` is what it
    demands of the second text: comparisons that demand the same are one.
    """

    first: SerialReading
    second: SerialReading
    bits: int
    agrees: bool
    evidence: float
    demand: Hashable
    is_near: bool = False


def compare(first: SerialReading, second: SerialReading) -> Comparison | None:
    """What two readings of a serial of the same size have in common; None where that is too little, or never agrees."""
    if first.presentation.digits or second.presentation.digits:
        return _compare_last_digits(first, second)
    mask = first.mask & second.mask
    bits = min(mask.bit_count(), first.text_bits, second.text_bits)
    if bits < MIN_COMMON_BITS:
        return None
    wanted = first.word << first.missing_low_bits & mask
    if not second.matching_share(mask, wanted):
        return None
    shift = (mask & -mask).bit_length() - 1
    difference = abs((second.word << second.missing_low_bits & mask) - wanted) >> shift
    agree = not difference
    evidence = 0.0
    if agree:
        free = first.free_mask & second.free_mask & mask
        evidence = -log2(max(first.matching_share(free, wanted), second.matching_share(free, wanted)))
    highest = [(1 << (high - 1).bit_length()) - 1 << end for end, _, high in second.printed_numbers]
    printed = second.to_printed_order(mask) & sum(highest)
    return Comparison(
        first=first, second=second, bits=bits, agrees=agree, evidence=evidence,
        demand=(len(highest), printed, second.to_printed_order(wanted)),
        is_near=0 < difference < NEIGHBOUR_DISTANCE and bits >= MIN_NEIGHBOUR_BITS,
    )  # fmt: skip


def _compare_last_digits(first: SerialReading, second: SerialReading) -> Comparison | None:
    """Whether one of two texts is the last digits of what the other is as a decimal number."""
    whole, cut = (first, second) if second.presentation.digits else (second, first)
    if not cut.presentation.digits or whole.presentation.digits or whole.presentation.part != "all":
        return None
    try:
        text = cut.presentation.encode(to_bits((whole.word, whole.size)))
    except CredkitError:  # a number of fewer digits than are left
        return None
    count = min(high - low for each in (first, second) for _, low, high in each.printed_numbers[-1:])
    return Comparison(
        first=first, second=second, bits=int(cut.presentation.digits * log2(10)), agrees=text == cut.text,
        evidence=log2(count),
        demand=(cut is first, text),
    )  # fmt: skip


def required_chance_bits(found: Comparison, near: Comparison) -> int:
    """How many bits must be equal by chance for ``found`` to agree, if the texts are of neighbours as ``near`` has it.

    Then both texts have nearly the same bits: a number and its neighbour turned round agree in twice
    as many bits as are equal by chance.
    """
    roots: dict[Hashable, Hashable] = {}

    def root(bit: Hashable) -> Hashable:
        while bit in roots:
            bit = roots[bit]
        return bit

    same = {}
    if (near.first.base, near.second.base) == (found.first.base, found.second.base):
        places = _set_bits(near.first.mask & near.second.mask)
        same = {near.second.to_printed_order(place): near.first.to_printed_order(place) for place in places}
    for place in _set_bits(found.first.free_mask & found.second.free_mask):
        bit = found.second.to_printed_order(place)
        one, other = root(found.first.to_printed_order(place)), root(same.get(bit, (bit,)))
        if one != other:
            roots[one] = other
    return len(roots)


def _set_bits(mask: int) -> Iterator[int]:
    """The bits of ``mask``, one by one."""
    while mask:
        yield mask & -mask
        mask &= mask - 1


def _count_below(limit: int, mask: int, wanted: int) -> int:
    """How many numbers below ``limit`` have the bits of ``wanted`` where ``mask`` is set.

    >>> _count_below(10, 0b11, 0b01)  # 1, 5 and 9
    3
    """
    if mask >> limit.bit_length() & wanted >> limit.bit_length():
        return 0
    count = 0
    for bit in range(limit.bit_length() - 1, -1, -1):
        one = 1 << bit
        fixed = mask & one
        if limit & one:
            if not fixed & wanted:  # those with the same bits before this one, and a zero here
                count += 1 << bit - (mask & (one - 1)).bit_count()
            if fixed and not wanted & one:
                return count
        elif fixed & wanted:
            return count
    return count
