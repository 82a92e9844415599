"""Polynomials over GF(2): whole numbers whose bit i is the coefficient of x^i.

The CRC of a message is a remainder: a frame that ends in its CRC, less what start value and final XOR
add, is a multiple of the generator. So is the difference of any two frames of one length, in which
both constants cancel: the greatest common divisor of the differences has the generator as a factor.

Source: common practice, no source (textbook arithmetic of cyclic codes).
"""

from __future__ import annotations

from collections.abc import Iterable

_REVERSED_BYTES = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))


def remainder(dividend: int, divisor: int) -> int:
    """``dividend`` modulo ``divisor``, which is not zero.

    >>> bin(remainder(0b10000, 0b111))  # x^4 modulo x^2 + x + 1 is x
    '0b10'
    """
    size = divisor.bit_length()
    excess = dividend.bit_length() - size
    while excess >= 0:
        dividend ^= divisor << excess
        excess = dividend.bit_length() - size
    return dividend


def greatest_common_divisor(one: int, other: int) -> int:
    """The common divisor of the highest degree; the other one where one is zero.

    >>> bin(greatest_common_divisor(0b101, 0b110))  # (x + 1)^2 and x (x + 1)
    '0b11'
    """
    while other:
        one, other = other, remainder(one, other)
    return one


def common_divisor(polynomials: Iterable[int], least_degree: int) -> int:
    """The greatest common divisor of all, or 0 as soon as its degree is below ``least_degree``."""
    found = 0
    for polynomial in polynomials:
        found = greatest_common_divisor(found, polynomial)
        if 0 < found < 1 << least_degree:
            return 0
    return found


def advance(register: int, generator: int, count: int) -> int:
    """``register`` times x^count modulo ``generator``: a CRC register after ``count`` zero bits.

    >>> hex(advance(0x80, 0x107, 1)), hex(advance(0x07, 0x107, -1))
    ('0x7', '0x80')
    """
    width = generator.bit_length() - 1
    for _ in range(count):
        register <<= 1
        if register >> width:
            register ^= generator
    for _ in range(-count):
        if register & 1:
            register ^= generator
        register >>= 1
    return register


def reverse_bits(word: int, length: int) -> int:
    """``word`` of ``length`` bits with its bits in the other order.

    >>> bin(reverse_bits(0b0011, 4))
    '0b1100'
    """
    size = -(-length // 8)
    reversed_word = int.from_bytes(word.to_bytes(size, "little").translate(_REVERSED_BYTES), "big")
    return reversed_word >> (8 * size - length)


def reverse_bits_in_bytes(word: int, length: int) -> int:
    """``word`` of ``length`` bits, whole bytes, with the bits of each byte in the other order.

    >>> hex(reverse_bits_in_bytes(0x0180, 16))
    '0x8001'
    """
    return int.from_bytes(word.to_bytes(length // 8, "big").translate(_REVERSED_BYTES), "big")
