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
from credkit.explain.candidates import ORDERS
from credkit.explain.presentations import Presentation
from credkit.tables.notation import Notation

OVERLAP = 12  # bits that two readings must have in common to be compared
MAKERS = {56: 8, 80: 8}  # first bits that cards of one maker share, ISO/IEC 14443-3
NEAR, ALIKE = 256, 24  # serials of one box are less apart than that; bits that must be compared to say so
VICINITY, VICINITY_BITS = 0xE0, 16  # the first byte of ISO/IEC 15693, and how many bits one maker's cards share


@dataclass(frozen=True, kw_only=True)
class Read:
    """A text read by a presentation of a serial of ``size`` bits: ``word`` is what it has of the serial.

    Masks are in the order of the serial, of which bit 0 is the last one.
    """

    row: Presentation
    size: int
    text: str
    word: int

    @classmethod
    def of(cls, row: Presentation, size: int, text: str, *, exact: bool = True) -> Read | None:
        """``text`` as ``row`` reads it, or None; ``exact`` if ``row`` would also have to write it so."""
        word = row.codec._decode_raw(text)
        if word is None or word[1] != row.bits or (exact and not row.digits and row.codec._encode_raw(word) != text):
            return None
        return cls(row=row, size=size, text=text, word=word[0])

    @cached_property
    def behind(self) -> int:
        """How many bits of the serial stand behind those that it has."""
        return self.size - self.row.bits if self.row.part == "high" else 0

    @cached_property
    def mask(self) -> int:
        """Which bits of the serial it has."""
        return ((1 << self.row.bits) - 1) << self.behind

    @cached_property
    def free(self) -> int:
        """Those of its bits that could be others in a serial of the same form."""
        number = self.word << self.behind
        inner = (1 << max(0, number.bit_length() - 1)) - 1 & ~((number & -number) - 1)
        if self.mask >> (self.size - 1):  # it has the first byte
            head = VICINITY_BITS if number >> (self.size - 8) == VICINITY else MAKERS.get(self.size, 0)
            inner &= (1 << (self.size - head)) - 1
        return inner & self.mask

    @cached_property
    def room(self) -> int:
        """How many bits the text itself can say: eight decimal digits are 26, whatever number they stand for."""
        if self.base != 10:
            return self.row.bits
        return min(self.row.bits, int(sum(c.isdigit() for c in self.text) * log2(10)))

    @cached_property
    def _orders(self) -> tuple[AnyCodec, ...]:
        return tuple(step for step in self.row.codec.steps if step.name in ORDERS)

    @cached_property
    def _notation(self) -> Notation:
        return next(step.table for step in self.row.codec.steps if isinstance(step.table, Notation))

    @property
    def base(self) -> int:
        """The base of the text's digits."""
        return self._notation.base

    def printed(self, serial: int) -> int:
        """Bits of a serial, in the order in which the text has them."""
        word = serial >> self.behind
        for order in reversed(self._orders):
            word = order._encode_raw((word, self.row.bits))[0]
        return word

    @cached_property
    def numbers(self) -> tuple[tuple[int, int, int], ...]:
        """The numbers that the text is made of: the bits behind each, and from where to where those of its form go."""
        printed, end, found = self.printed(self.word << self.behind), self.row.bits, []
        groups = self._notation.groups if self.base == 10 else ()
        for width, signed in [(group.bits, group.signed) for group in groups] or [(self.row.bits, False)]:
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

    def share(self, mask: int, serial: int) -> float:
        """Which share of the texts of this form has the bits of ``serial`` wherever ``mask`` is set."""
        mask, wanted, share = self.printed(mask), self.printed(serial), 1.0
        for end, low, high in self.numbers:
            share *= (_below(high, mask >> end, wanted >> end) - _below(low, mask >> end, wanted >> end)) / (high - low)
            mask, wanted = mask & ((1 << end) - 1), wanted & ((1 << end) - 1)
        return share


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Two readings that have enough in common: whether they agree, in how many bits, and what that is worth.

    ``near`` says that they differ by less than a byte, as cards of one box do. ``demand`` is what it
    demands of the second text: comparisons that demand the same are one.
    """

    first: Read
    second: Read
    bits: int
    agree: bool
    evidence: float
    demand: Hashable
    near: bool = False


def compare(first: Read, second: Read) -> Comparison | None:
    """What two readings of a serial of the same size have in common; None where that is too little, or never agrees."""
    if first.row.digits or second.row.digits:
        return _cut(first, second)
    mask = first.mask & second.mask
    bits = min(mask.bit_count(), first.room, second.room)
    if bits < OVERLAP:
        return None
    wanted = first.word << first.behind & mask
    if not second.share(mask, wanted):
        return None
    shift = (mask & -mask).bit_length() - 1
    difference = abs((second.word << second.behind & mask) - wanted) >> shift
    agree = not difference
    evidence = 0.0
    if agree:
        free = first.free & second.free & mask
        evidence = -log2(max(first.share(free, wanted), second.share(free, wanted)))
    highest = [(1 << (high - 1).bit_length()) - 1 << end for end, _, high in second.numbers]
    printed = second.printed(mask) & sum(highest)
    return Comparison(
        first=first, second=second, bits=bits, agree=agree, evidence=evidence,
        demand=(len(highest), printed, second.printed(wanted)), near=0 < difference < NEAR and bits >= ALIKE,
    )  # fmt: skip


def _cut(first: Read, second: Read) -> Comparison | None:
    """Whether one of two texts is the last digits of what the other is as a decimal number."""
    whole, cut = (first, second) if second.row.digits else (second, first)
    if not cut.row.digits or whole.row.digits or whole.row.part != "all":
        return None
    try:
        text = cut.row.write(to_bits((whole.word, whole.size)))
    except CredkitError:  # a number of fewer digits than are left
        return None
    count = min(high - low for each in (first, second) for _, low, high in each.numbers[-1:])
    return Comparison(
        first=first, second=second, bits=int(cut.row.digits * log2(10)), agree=text == cut.text, evidence=log2(count),
        demand=(cut is first, text),
    )  # fmt: skip


def ties(found: Comparison, near: Comparison) -> int:
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
        places = _places(near.first.mask & near.second.mask)
        same = {near.second.printed(place): near.first.printed(place) for place in places}
    for place in _places(found.first.free & found.second.free):
        bit = found.second.printed(place)
        one, other = root(found.first.printed(place)), root(same.get(bit, (bit,)))
        if one != other:
            roots[one] = other
    return len(roots)


def _places(mask: int) -> Iterator[int]:
    """The bits of ``mask``, one by one."""
    while mask:
        yield mask & -mask
        mask &= mask - 1


def _below(limit: int, mask: int, wanted: int) -> int:
    """How many numbers below ``limit`` have the bits of ``wanted`` where ``mask`` is set.

    >>> _below(10, 0b11, 0b01)  # 1, 5 and 9
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
