"""Agreements over many cards: what it is worth that the same numbers stand in the texts of two readers.

Only what could have been otherwise counts. Of the first card that is the bits of its number behind
the leading one and before trailing zeros, or ones, since it may be inverted. Of every further card it
is no more than the spread of the cards leaves open: a box of consecutive cards counts up in every list,
so it is worth next to nothing that two lists count up together. Since an order of bytes may hide that a
list counts up, and so may decimal numbers that are read as hexadecimal ones, the spread is taken in the
form in which it is smallest.

Source: common practice, no source; the first bytes of a serial ISO/IEC 14443-3 and ISO/IEC 15693-3.

>>> round(agreement_bits((0x123456, 0x9ABCDE, 0x4F0123))), round(agreement_bits((1000, 1001, 1002)))
(62, 7)
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from functools import lru_cache
from math import log2

from credkit.catalogue.registry import chain
from credkit.core.codec import AnyCodec

_ORDERS = ("reverse-bytes", "reverse-bits", "reverse-bits-in-bytes")
MAKER_PREFIX_BITS = {56: 8, 80: 8}  # first bits that cards of one maker share, ISO/IEC 14443-3
INVERTED_BITS = 2  # that a number has less when inverted: the leading one, and those that follow it
VICINITY_BITS, VICINITY_FIRST_BYTE, VICINITY_PREFIX_BITS = 64, 0xE0, 16  # and those of ISO/IEC 15693-3
_HEXADECIMAL = re.compile("[0-9A-Fa-f]+")
NEIGHBOUR_BITS = 8  # numbers of one box differ by less than that many bits


@lru_cache(maxsize=4096)
def agreement_bits(values: tuple[int, ...], offset: int = 0) -> float:
    """The bits that chance would have to guess for another text to have the same ``values``.

    Where there is a constant ``offset`` between them, the first card is what it was taken from.
    """
    distinct = list(dict.fromkeys(values))
    whole = -(-max(distinct).bit_length() // 8) * 8
    forms = [distinct]
    for order in _ORDERS:
        codec: AnyCodec = chain(order)
        forms.append([codec._decode_raw((value, whole))[0] for value in distinct])
    as_decimal = [f"{value:x}" for value in distinct]
    if all(text.isdecimal() for text in as_decimal):  # they may be decimal numbers, read as hexadecimal ones
        forms.append(list(map(int, as_decimal)))
    if offset:  # a constant is added to numbers in their own order, or as their digits have it
        rest = min(_box_bits(distinct), _box_bits(forms[-1])) if len(forms) > 1 + len(_ORDERS) else _box_bits(distinct)
        return min(rest, NEIGHBOUR_BITS * (len(distinct) - 1)) if abs(offset) < 1 << NEIGHBOUR_BITS else rest
    rest = min(map(_box_bits, forms))
    single = [
        min(*map(_inner_bits, row), _inner_bits(row[0] ^ ((1 << row[0].bit_length()) - 1)) + INVERTED_BITS)
        for row in zip(*forms, strict=True)
    ]
    first = sum(single) / len(single)
    return max(0.0, first - _maker_prefix(distinct, whole)) + min(rest, first * (len(single) - 1))


def shifted_bits(values: tuple[int, ...]) -> float:
    """The bits that the same ``values`` are worth at most where a constant is added to them.

    >>> shifted_bits((7, 8, 9)), agreement_bits((7, 8, 9), 5)
    (1.0, 1.0)
    """
    return _box_bits(list(dict.fromkeys(values)))


def _maker_prefix(values: Sequence[int], whole: int) -> int:
    """The first bits of serials of ``whole`` bits that all cards of one maker share."""
    if whole == VICINITY_BITS and all(value >> (whole - 8) == VICINITY_FIRST_BYTE for value in values):
        return VICINITY_PREFIX_BITS
    return MAKER_PREFIX_BITS.get(whole, 0)


def _inner_bits(value: int) -> int:
    """The bits of a number behind the leading one and before trailing zeros."""
    return max(0, value.bit_length() - (value & -value).bit_length())


def _box_bits(values: Sequence[int]) -> float:
    """The bits that say every number but the first, if all of them are of one box or count up."""
    if len(values) < 2:
        return 0.0
    spread = log2(max(values) - min(values) + 1) * (len(values) - 1)
    counted = []
    for row in (values, sorted(values)):
        steps = [abs(after - before) for before, after in itertools.pairwise(row)]
        counted.append(log2(min(steps) + 1) + (len(steps) - 1) * log2(max(steps) - min(steps) + 1))
    return min(spread, *counted)


def spread_bits(texts: Sequence[str]) -> float:
    """The bits that say every text but the first, as numbers in the base in which they count up best.

    >>> round(spread_bits(["7", "8", "9"])), spread_bits([f"{n * n * 7919 % 65536}" for n in range(9)]) > 90
    (1, True)
    """
    bare = ["".join(char for char in text if char.isascii() and char.isalnum()) or "0" for text in texts]
    bases = [10] * all(map(str.isdecimal, bare)) + [16] * all(map(_HEXADECIMAL.fullmatch, bare)) + [36]
    return min(_box_bits(list(dict.fromkeys(int(text, base) for text in bare))) for base in bases)
