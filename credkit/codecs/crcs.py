"""Bytes with a CRC, or the XOR of them all, at their end: to the same bytes without it, and back.

    crc-b       50 00 01 02 03 …   CRC low, CRC high
    xor-byte    50 00 01 02 03 …   XOR
                as sent, byte 0 first; a byte's most significant bit is its first one here

Bytes stand as standards print them. A logger that records the bits of the air has each byte's
least significant bit first: ``reverse-bits-in-bytes`` in front puts that right. The CRCs are rows
of `credkit.tables.crcs`; which byte of a CRC stands first follows from them: the low one of a
reflected CRC, the high one of another. They find accidents and authenticate nothing; the XOR does
not even notice bytes that changed places.

Source: ISO/IEC 14443-3 Annex B, ISO/IEC 15693-3 Annex C; the others are common on cards, without a
source for their use there.

>>> from bitstring import Bits
>>> codec = CrcCodec.of("crc-a", ALGORITHMS["crc-a"])
>>> codec.encode(Bits("0x1234")).hex
'123426cf'
>>> codec.decode(Bits("0x123426cf")).hex
'1234'
>>> codec.decode(Bits("0x123526cf"))
Traceback (most recent call last):
credkit.DecodeError: crc-a: CRC_A over bits 0-15 fails: bits 16-31 are 0010011011001111, \
expected 1010111111011110
"""

from __future__ import annotations

from functools import partial

from credkit.core.codec import Entry, Example
from credkit.tables.crcs import ALGORITHMS, CrcCodec


def _entry(name: str, given: str, gives: str) -> Entry:
    crc = ALGORITHMS[name]
    return Entry(
        name=name, title=f"whole bytes with {crc.title} behind them, to the bytes without it", source=crc.source,
        build=partial(CrcCodec.of, name, crc), examples=(Example(given=given, gives=gives),),
    )  # fmt: skip


ENTRIES = (
    _entry("crc-a", "00010010001101000010011011001111", "0001001000110100"),
    _entry("crc-b", "0000111110101010111111111111110011010001", "000011111010101011111111"),
    _entry("crc-15693", "000000010000001000000011000001001001000100111001", "00000001000000100000001100000100"),
    _entry("crc-16-ibm-3740", "00010010001101000000111011001001", "0001001000110100"),
    _entry("crc-16-arc", "00010010001101000000110101110111", "0001001000110100"),
    _entry("crc-32-iso-hdlc", "000100100011010010011001100101101001100100011000", "0001001000110100"),
    _entry("crc-8-smbus", "000100100011010011110001", "0001001000110100"),
    _entry("xor-byte", "000100100011010000100110", "0001001000110100"),
)
