"""Parity and CRC over bits: pure arithmetic on whole numbers.

A CRC is linear: each of its bits is a parity over some of the message bits, perhaps inverted. So
a layout needs one operation only, and `crc_rows` turns a CRC into the parities it consists of.
Parity, LRC and CRC find accidents; none of them is security.
"""

from __future__ import annotations


def parity(word: int) -> int:
    """1 when ``word`` has an odd number of ones.

    >>> parity(0b1011), parity(0b11)
    (1, 0)
    """
    return word.bit_count() & 1


def crc(message: int, length: int, *, width: int, poly: int, init: int = 0, xorout: int = 0) -> int:
    """The CRC of ``length`` bits, fed in the order they are sent, first bit most significant.

    Not reflected; a reflected CRC is the same register with each byte's bits fed, and the result
    read, in the opposite order. Source of the example: the catalogue check value of the CRC that
    IEC 60839-11-5 uses (polynomial 1021h, start 1D0Fh over "123456789" gives E5CCh).

    >>> hex(crc(int.from_bytes(b"123456789", "big"), 72, width=16, poly=0x1021, init=0x1D0F))
    '0xe5cc'
    """
    top, mask = 1 << (width - 1), (1 << width) - 1
    register = init
    for index in range(length - 1, -1, -1):
        feedback = bool(register & top) ^ (message >> index & 1)
        register = (register << 1 & mask) ^ (poly if feedback else 0)
    return register ^ xorout


def crc_rows(
    length: int, *, width: int, poly: int, init: int = 0, xorout: int = 0
) -> list[tuple[tuple[int, ...], int]]:
    """The CRC as parities: for each of its bits, the message positions it covers and its inversion.

    Positions count from the first message bit.

    >>> crc_rows(3, width=1, poly=1)  # a CRC of one bit is even parity
    [((0, 1, 2), 0)]
    """
    constant = crc(0, length, width=width, poly=poly, init=init, xorout=xorout)
    top, mask = 1 << (width - 1), (1 << width) - 1
    columns = [poly]  # what the last message bit changes; each bit before it is shifted once more
    while len(columns) < length:
        columns.append((columns[-1] << 1 & mask) ^ (poly if columns[-1] & top else 0))
    columns.reverse()
    return [
        (tuple(i for i, column in enumerate(columns) if column >> bit & 1), constant >> bit & 1)
        for bit in range(width - 1, -1, -1)
    ]
