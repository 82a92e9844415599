"""CRCs: the cyclic checks of bytes that standards define, one row each.

    message, byte after byte, as sent     CRC as sent: low byte first
    0A 12 34 56                           2C F6

A row holds the parameters, where they come from, and the value over the nine bytes "123456789"
by which catalogues tell parameters apart (two standards here share theirs). The register of a
reflected CRC runs with each byte's least significant bit first, and its low byte stands first
behind the message; the others run most significant bit first, and their high byte stands first.
Starting values are given as they stand in the register. The XOR of all bytes is a row too: it is
the CRC of the polynomial x^8 + 1.

`Crc.compute` runs a row over bytes of any number, by crcmod; `Crc.parities` derives from the same
row the parities of a layout, in which a check row names it: ``{ …, crc = "0-23", algorithm = "crc-b" }``.

A CRC finds accidents: whoever changes a frame can compute it anew. Where the register starts from
zero, nothing but zeros passes too: `CrcCodec` notes that.

`CrcCodec` takes the CRC off a frame and puts it on, whatever the frame's length. A CRC inside a
frame of one length is a check row of its layout.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from typing import Literal, NamedTuple

from bitstring import Bits

from credkit.core.checks import crc_rows
from credkit.core.codec import PRACTICE, TableCodec
from credkit.core.errors import EncodeError
from credkit.core.forms import Word, to_bits, to_word
from credkit.core.origins import same_place
from credkit.core.reading import AnyReading, Check, Note, Part, Reading
from credkit.core.shapes import Shape, bits, common_lengths, describe_lengths
from credkit.core.spans import MAX_BITS, format_span

CCITT = 0x1021  # the polynomial x^16 + x^12 + x^5 + 1 of ITU-T V.41
CATALOGUE = "parameters as in the public catalogue of CRCs (from memory, recomputed)"


class Crc(NamedTuple):
    """One CRC of whole bytes.

    ``poly`` is the polynomial without its highest term, ``init`` the register before the first
    bit, ``xorout`` what the register is combined with at the end, ``check`` the value over
    "123456789". ``kind`` is what sentences call it.
    """

    title: str
    source: str
    poly: int
    init: int
    xorout: int
    check: int
    width: int = 16
    reflected: bool = True
    kind: Literal["CRC", "BCC"] = "CRC"

    @property
    def order(self) -> Literal["little", "big"]:
        """Which of its bytes is sent first."""
        return "little" if self.reflected else "big"

    def compute(self, message: bytes) -> bytes:
        """The CRC of ``message``, its bytes as they are sent.

        >>> CRC_A.compute(bytes.fromhex("1234")).hex(), XOR.compute(bytes.fromhex("1234")).hex()
        ('26cf', '26')
        """
        return _function(self)(message).to_bytes(self.width // 8, self.order)

    def parities(self, size: int) -> list[tuple[tuple[int, ...], int]]:
        """The CRC of ``size`` bytes as parities, as `crc_rows` gives them: bits of message and CRC as they are sent.

        >>> XOR.parities(2)[0]
        ((0, 8), 0)
        """
        if not self.reflected:
            return crc_rows(8 * size, width=self.width, poly=self.poly, init=self.init, xorout=self.xorout)
        init, xorout = (int(f"{number:0{self.width}b}"[::-1], 2) for number in (self.init, self.xorout))
        rows = crc_rows(8 * size, width=self.width, poly=self.poly, init=init, xorout=xorout)
        turned = [(tuple(sorted(place ^ 7 for place in cover)), odd) for cover, odd in rows]
        return [turned[place ^ 7] for place in range(self.width)]  # ^ 7: the same place counted from a byte's other end


CRC_A = Crc(
    title="CRC_A", source="ISO/IEC 14443-3 Annex B", poly=CCITT, init=0x6363, xorout=0, check=0xBF05
)  # fmt: skip
CRC_B = Crc(
    title="CRC_B", source="ISO/IEC 14443-3 Annex B; ISO/IEC 13239", poly=CCITT, init=0xFFFF, xorout=0xFFFF,
    check=0x906E,
)  # fmt: skip
CRC_15693 = CRC_B._replace(
    title="the CRC of ISO/IEC 15693", source="ISO/IEC 15693-3 Annex C; ISO/IEC 13239"
)  # the same parameters
CRC_16_IBM_3740 = Crc(
    title="CRC-16/IBM-3740", source=f"{PRACTICE}; {CATALOGUE}", poly=CCITT, init=0xFFFF, xorout=0, check=0x29B1,
    reflected=False,
)  # fmt: skip
CRC_16_ARC = Crc(
    title="CRC-16/ARC", source=f"{PRACTICE}; {CATALOGUE}", poly=0x8005, init=0, xorout=0, check=0xBB3D
)  # fmt: skip
CRC_32_ISO_HDLC = Crc(
    title="CRC-32/ISO-HDLC", source=f"ISO/IEC 13239, the FCS of 32 bits; {CATALOGUE}", poly=0x04C11DB7,
    init=0xFFFFFFFF, xorout=0xFFFFFFFF, check=0xCBF43926, width=32,
)  # fmt: skip
CRC_8_SMBUS = Crc(
    title="CRC-8/SMBUS", source=f"System Management Bus specification, packet error code; {CATALOGUE}", poly=0x07,
    init=0, xorout=0, check=0xF4, width=8, reflected=False,
)  # fmt: skip
CRCS = {
    "crc-a": CRC_A, "crc-b": CRC_B, "crc-15693": CRC_15693, "crc-16-ibm-3740": CRC_16_IBM_3740,
    "crc-16-arc": CRC_16_ARC, "crc-32-iso-hdlc": CRC_32_ISO_HDLC, "crc-8-smbus": CRC_8_SMBUS,
}  # fmt: skip
XOR = Crc(
    title="the XOR of all bytes", source=PRACTICE, poly=0x01, init=0, xorout=0, check=0x31, width=8, reflected=False,
    kind="BCC",
)  # fmt: skip
ALGORITHMS = {**CRCS, "xor-byte": XOR}  # every row, by the name of its codec


@cache
def _function(row: Crc) -> Callable[[bytes], int]:
    from crcmod import mkCrcFun  # only where a CRC is computed

    function: Callable[[bytes], int] = mkCrcFun(
        1 << row.width | row.poly, initCrc=row.init ^ row.xorout, rev=row.reflected, xorOut=row.xorout
    )
    return function


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class CrcCodec(TableCodec[Bits, Bits]):
    """Bits to bits: whole bytes with a CRC behind them to the bytes without it."""

    crc: Crc

    @classmethod
    def of(cls, name: str, crc: Crc) -> CrcCodec:
        """The codec called ``name`` for ``crc``: at least one byte, and the CRC."""
        return cls(
            name=name, crc=crc, input=bits(range(8 + crc.width, MAX_BITS + 1, 8)),
            output=bits(range(8, MAX_BITS - crc.width + 1, 8)),
        )  # fmt: skip

    @property
    def table(self) -> Crc:
        """The CRC."""
        return self.crc

    def bind_input(self, flowing: Shape) -> CrcCodec:
        """The codec for the lengths that can flow here."""
        lengths = common_lengths(flowing.lengths, self.input.lengths)
        width = self.crc.width
        output = range(lengths.start - width, lengths.stop - width, lengths.step)
        return replace(self, input=bits(lengths), output=bits(output))

    def input_for(self, flowing: Shape) -> Shape:
        """What encoding hands on: as many bits as it got, and the CRC."""
        lengths = common_lengths(flowing.lengths, self.output.lengths)
        width = self.crc.width
        return bits(range(lengths.start + width, lengths.stop + width, lengths.step))

    def _decode_raw(self, raw: Word) -> Word | None:
        """The bytes without the CRC, or None where the length is wrong or the CRC fails."""
        number, length = raw
        if length not in self.input.lengths:
            return None
        data = number.to_bytes(length // 8, "big")
        size = self.crc.width // 8
        if self.crc.compute(data[:-size]) != data[-size:]:
            return None
        return number >> self.crc.width, length - self.crc.width

    def _encode_raw(self, raw: Word) -> Word:
        """The bytes with the CRC behind them; raises `EncodeError` for what is not whole bytes."""
        number, length = raw
        if length not in self.output.lengths:
            raise EncodeError(
                f"{self.name}: writes {describe_lengths(self.output.lengths)} and a {self.crc.kind}, not {length}"
            )
        crc = self.crc.compute(number.to_bytes(length // 8, "big"))
        return number << self.crc.width | int.from_bytes(crc, "big"), length + self.crc.width

    def inspect(self, value: Bits) -> AnyReading:
        """The bytes without the CRC, whether it holds or not."""
        number, length = to_word(value)
        width = self.crc.width
        if length not in self.input.lengths:
            check = Check(
                codec=self.name, rule="length", claim="the length in bits", form="bits",
                found=length,
                expected=describe_lengths(self.input.lengths) if length <= MAX_BITS else f"at most {MAX_BITS} bits",
            )  # fmt: skip
            return Reading(value=None, checks=(check,))
        size = length - width
        message, at = number >> width, tuple(range(size, length))
        expected = int.from_bytes(self.crc.compute(message.to_bytes(size // 8, "big")), "big")
        found = number & (1 << width) - 1
        check = Check(
            codec=self.name, rule=self.crc.kind.lower(), claim=f"{self.crc.title} over bits {format_span(range(size))}",
            form="bits", at=at, covers=tuple(range(size)), expected=f"{expected:0{width}b}",
            found=f"{found:0{width}b}", evidence=width,
        )  # fmt: skip
        parts = (
            Part(name="content", at=tuple(range(size)), value=None),
            Part(name=self.crc.kind, at=at, value=found),
        )
        return Reading(
            value=to_bits((message, size)), checks=(check,), notes=() if number or expected else (_blank(self.crc),),
            parts=parts, origin=same_place,
        )  # fmt: skip


def _blank(crc: Crc) -> Note:
    """The note for zeros alone, which pass a check that starts from zero."""
    text = f"nothing but zeros, which pass {crc.title}: the bytes may never have been written"
    return Note(kind="blank", level="care", text=text)
