"""CRCs: the cyclic checks of bytes that standards define, one row each.

    message, byte after byte, as sent     CRC as sent: low byte first
    0A 12 34 56                           2C F6

A row holds the parameters, where they come from, and the value over the nine bytes "123456789"
by which catalogues tell parameters apart (two standards here share theirs). Registers of these CRCs
run with each byte's least significant bit first, as the bytes are sent, so their starting values
are given as they stand in that register. A CRC finds accidents: whoever changes a frame can compute
it anew.

`CrcCodec` takes the CRC off a frame and puts it on, whatever the frame's length. A CRC inside a
frame of one length is a check row of its layout.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from typing import NamedTuple

from bitstring import Bits

from credkit.codec import Tabled, Word, to_bits, to_word
from credkit.errors import EncodeError
from credkit.reading import Check, Part, Reading
from credkit.shapes import Shape, bits, meet, said
from credkit.spans import LIMIT, written

WIDTH = 16  # bits of every CRC here


class Crc(NamedTuple):
    """One CRC of 16 bits whose register is reflected.

    ``poly`` is the polynomial without its highest term, ``start`` the register before the first
    bit, ``xorout`` what the register is combined with at the end, ``check`` the value over
    "123456789".
    """

    title: str
    source: str
    poly: int
    start: int
    xorout: int
    check: int

    def of(self, message: bytes) -> bytes:
        """The CRC of ``message``, its two bytes as they are sent.

        >>> CRC_A.of(bytes.fromhex("1234")).hex()
        '26cf'
        """
        return _function(self)(message).to_bytes(WIDTH // 8, "little")


CRC_A = Crc(
    title="CRC_A", source="ISO/IEC 14443-3 Annex B", poly=0x1021, start=0x6363, xorout=0, check=0xBF05
)  # fmt: skip
CRC_B = Crc(
    title="CRC_B", source="ISO/IEC 14443-3 Annex B; ISO/IEC 13239", poly=0x1021, start=0xFFFF, xorout=0xFFFF,
    check=0x906E,
)  # fmt: skip
CRC_15693 = Crc(
    title="the CRC of ISO/IEC 15693", source="ISO/IEC 15693-3 Annex C; ISO/IEC 13239", poly=0x1021, start=0xFFFF,
    xorout=0xFFFF, check=0x906E,
)  # fmt: skip
CRCS = {"crc-a": CRC_A, "crc-b": CRC_B, "crc-15693": CRC_15693}


@cache
def _function(row: Crc) -> Callable[[bytes], int]:
    from crcmod import mkCrcFun  # only where a CRC is computed

    function: Callable[[bytes], int] = mkCrcFun(
        1 << WIDTH | row.poly, initCrc=row.start ^ row.xorout, rev=True, xorOut=row.xorout
    )
    return function


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CrcCodec(Tabled):
    """Bits to bits: whole bytes with a CRC behind them to the bytes without it."""

    crc: Crc

    @classmethod
    def of(cls, name: str, crc: Crc) -> CrcCodec:
        """The codec called ``name`` for ``crc``: at least one byte, and the CRC."""
        return cls(
            name=name, crc=crc, input=bits(range(8 + WIDTH, LIMIT + 1, 8)), output=bits(range(8, LIMIT - WIDTH + 1, 8))
        )

    @property
    def table(self) -> Crc:
        """The CRC."""
        return self.crc

    def after(self, flowing: Shape) -> CrcCodec:
        """The codec for the lengths that can flow here."""
        lengths = meet(flowing.lengths, self.input.lengths)
        output = range(lengths.start - WIDTH, lengths.stop - WIDTH, lengths.step)
        return replace(self, input=bits(lengths), output=bits(output))

    def before(self, flowing: Shape) -> Shape:
        """What encoding hands on: as many bits as it got, and the CRC."""
        lengths = meet(flowing.lengths, self.output.lengths)
        return bits(range(lengths.start + WIDTH, lengths.stop + WIDTH, lengths.step))

    def attempt(self, carried: Word) -> Word | None:
        """The bytes without the CRC, or None where the length is wrong or the CRC fails."""
        number, length = carried
        if length not in self.input.lengths:
            return None
        data = number.to_bytes(length // 8, "big")
        message = data[: -WIDTH // 8]
        if self.crc.of(message) != data[-WIDTH // 8 :]:
            return None
        return number >> WIDTH, length - WIDTH

    def write(self, carried: Word) -> Word:
        """The bytes with the CRC behind them; raises `EncodeError` for what is not whole bytes."""
        number, length = carried
        if length not in self.output.lengths:
            raise EncodeError(f"{self.name}: writes {said(self.output.lengths)} and a CRC, not {length}")
        crc = self.crc.of(number.to_bytes(length // 8, "big"))
        return number << WIDTH | int.from_bytes(crc, "big"), length + WIDTH

    def inspect(self, value: Bits) -> Reading:
        """The bytes without the CRC, whether it holds or not."""
        number, length = to_word(value)
        if length not in self.input.lengths:
            check = Check(
                codec=self.name, rule="length", claim="the length in bits", form="bits",
                expected=said(self.input.lengths) if length <= LIMIT else f"at most {LIMIT} bits", found=length,
            )  # fmt: skip
            return Reading(value=None, checks=(check,))
        size = length - WIDTH
        message, at = number >> WIDTH, tuple(range(size, length))
        expected = int.from_bytes(self.crc.of(message.to_bytes(size // 8, "big")), "big")
        found = number & (1 << WIDTH) - 1
        check = Check(
            codec=self.name, rule="crc", claim=f"{self.crc.title} over bits {written(range(size))}", form="bits", at=at,
            covers=tuple(range(size)), expected=f"{expected:0{WIDTH}b}", found=f"{found:0{WIDTH}b}", evidence=WIDTH,
        )  # fmt: skip
        parts = (
            Part(name="content", at=tuple(range(size)), value=None),
            Part(name="CRC", at=at, value=found),
        )
        return Reading(value=to_bits((message, size)), checks=(check,), parts=parts, origin=lambda place: (place,))
