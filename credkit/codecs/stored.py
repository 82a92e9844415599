"""Texts and digits as a card's memory holds them: bits to text.

    characters:utf-8    50 69 65 72 20 37 00 00     Pier 7
    bcd:F               12 34 5F                    12345

A memory area has a fixed length, so what is shorter is filled up behind its end. Where the chain
before one of these steps leaves exactly so many bits, encoding fills them all; where it does not
say, encoding writes whole bytes and no more. A text that would not come back the same is refused.

They have no tables: how many characters there are follows from the length, and in some encodings
from the characters.

Source: common practice, no source; the encodings are those of ISO/IEC 646 (ascii), ISO/IEC 8859-1
(latin-1) and ISO/IEC 10646 (the others).

>>> from bitstring import Bits
>>> build_characters("ascii").decode(Bits("0x506965722037000000"))
'Pier 7'
>>> build_bcd("F").encode("12345").hex
'12345f'
>>> build_bcd().decode(Bits("0x12a4"))
Traceback (most recent call last):
credkit.DecodeError: bcd: a decimal digit in every four bits fails: bits 8-11 are 1010, expected at most 1001
"""

from __future__ import annotations

import re
from abc import abstractmethod
from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import accumulate
from math import log2

from bitstring import Bits

from credkit.core.checks import DIGITS
from credkit.core.codec import PRACTICE, AnyCodec, Codec, Entry, Example
from credkit.core.errors import DefinitionError, EncodeError
from credkit.core.forms import to_bits
from credkit.core.grammar import format_step
from credkit.core.origins import Between, Place
from credkit.core.reading import AnyReading, Check, Part, Reading
from credkit.core.sentences import nearest, redacted_repr
from credkit.core.shapes import TEXT, Shape, bits, common_lengths, describe_lengths, multiples

MIN_BYTES_PER_CHARACTER = {
    "ascii": 1,
    "latin-1": 1,
    "utf-8": 1,
    "utf-16-be": 2,
    "utf-16-le": 2,
}  # bytes that a character has at least
ERASED_BYTE = b"\xff"  # what memory holds that was never written, or was erased
FILLER = "F"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Stored(Codec[Bits, str]):
    """Bits to text: what an area of memory holds. Encoding fills the area that the chain leaves."""

    def bind_input(self, flowing: Shape) -> Stored:
        """The codec for the lengths that can flow here."""
        return replace(self, input=bits(common_lengths(flowing.lengths, self.input.lengths)))

    def inspect(self, value: Bits) -> AnyReading:
        """The text; a failed check for bits of a length that this cannot be, or that hold no text."""
        if len(value) in self.input.lengths:
            return self.inspect_area(value)
        lengths = self.input.lengths
        beyond = len(value) > lengths[-1] and len(lengths) > 1
        check = Check(
            codec=self.name, rule="length", claim="the length in bits", form="bits",
            expected=f"at most {lengths[-1]} bits" if beyond else describe_lengths(lengths), found=len(value),
        )  # fmt: skip
        return Reading(value=None, checks=(check,))

    @abstractmethod
    def inspect_area(self, value: Bits) -> AnyReading:
        """The reading of bits whose length fits."""

    def area_bits(self, needed: int) -> int | None:
        """How many bits are written for ``needed`` ones: all of the area, or whole bytes; None if they do not fit."""
        lengths = self.input.lengths
        lengths = common_lengths(lengths, multiples(8)) or lengths
        at = max(0, -((lengths.start - needed) // lengths.step))
        return lengths[at] if at < len(lengths) else None

    def failed_reading(self, rule: str, claim: str, value: Bits, at: range, expected: str) -> AnyReading:
        """The reading of bits that hold no text because of those ``at``."""
        check = Check(
            codec=self.name, rule=rule, claim=claim, form="bits", at=tuple(at), covers=tuple(at), expected=expected,
            found=value.bin[at.start : at.stop],
        )  # fmt: skip
        return Reading(value=None, checks=(check,))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Characters(Stored):
    """Characters of an encoding, padding behind them.

    ``letter`` is the padding as a character, where it is one.
    """

    encoding: str
    pad: bytes
    letter: str

    @property
    def pad_character(self) -> str:
        """The padding as a character that no text holds; a space may stand between words."""
        return self.letter if self.letter != " " else ""

    def inspect_area(self, value: Bits) -> AnyReading:
        """The text before the padding; a failed check for what is no character, and for padding within the text."""
        data, size = value.bytes, len(self.pad)
        stop = len(data)
        while data.endswith(self.pad, 0, stop):
            stop -= size
        for at in range(0, stop if self.pad_character else 0, size):
            if data[at : at + size] == self.pad:
                claim = f"a text without its padding {self.pad.hex().upper()} inside"
                return self.failed_reading("padding", claim, value, range(8 * at, 8 * (at + size)), "a character")
        try:
            text = data[:stop].decode(self.encoding)
        except UnicodeDecodeError as error:
            at, end = 8 * error.start, 8 * min(error.end, stop)
            return self.failed_reading(
                "encoding", f"the encoding {self.encoding}", value, range(at, end), "a character of it"
            )
        ends = [0, *accumulate(8 * len(char.encode(self.encoding)) for char in text)]
        parts = [Part(name="text", at=tuple(range(8 * stop)), value=text)] if text else []
        if stop < len(data):
            parts.append(Part(name="padding", at=tuple(range(8 * stop, len(value))), value=None))
        return Reading(
            value=text,
            parts=tuple(parts),
            origin=Between(tuple(ends)),
        )

    def encode(self, value: str) -> Bits:
        """The bytes of the text, and padding; raises `EncodeError` for what would not come back the same."""
        try:
            data = self.check_output(value).encode(self.encoding)
        except UnicodeEncodeError as error:
            char = value[error.start]
            why = "half of a surrogate pair" if "\ud800" <= char <= "\udfff" else f"which {self.encoding} lacks"
            raise EncodeError(f"{self.name}: character {error.start} is {redacted_repr(char)}, {why}") from None
        padding = self.pad.hex().upper()
        if self.pad_character and (place := value.find(self.pad_character)) >= 0:
            raise EncodeError(
                f"{self.name}: character {place} is {redacted_repr(self.pad_character)}, the padding {padding}: "
                "a text may not hold it"
            )
        if self.letter and value.endswith(self.letter):
            raise EncodeError(f"{self.name}: the text ends with {redacted_repr(self.letter)}, the padding {padding}")
        room = self.area_bits(8 * len(data))
        if room is None:
            most = self.input.lengths[-1] // 8
            raise EncodeError(f"{self.name}: the text has {len(data)} bytes in {self.encoding}, the area holds {most}")
        return Bits.from_bytes(data + self.pad * ((room // 8 - len(data)) // len(self.pad)))


def build_characters(encoding: str, pad: str = "") -> AnyCodec:
    """``characters:ENCODING``, ``characters:ENCODING,PAD``: a text, padding behind it.

    Encodings: ``ascii``, ``latin-1``, ``utf-8``, ``utf-16-be``, ``utf-16-le``. PAD are the bytes of
    one padding character as they are stored, in hexadecimal: ``00`` if nothing is said, ``20`` for
    spaces, ``FF`` as in erased memory; in the two of utf-16 ``0000``, ``0020`` or ``2000``, ``FFFF``.

    Reading takes the padding off the end. A text never ends with it, nor holds it inside: what
    stands behind padding is often left of a longer text. Only a space may stand between words.
    """
    if encoding not in MIN_BYTES_PER_CHARACTER:
        known = f"{', '.join(MIN_BYTES_PER_CHARACTER)}{nearest(encoding, MIN_BYTES_PER_CHARACTER)}"
        raise DefinitionError(f"characters: {redacted_repr(encoding)} is not an encoding here; known are {known}")
    size = MIN_BYTES_PER_CHARACTER[encoding]
    if pad and not re.fullmatch(f"[0-9A-Fa-f]{{{2 * size}}}", pad):
        raise DefinitionError(
            f"characters: the padding of {encoding} is {2 * size} hexadecimal digits such as {'00' * size}, "
            f"not {redacted_repr(pad)}"
        )
    padding = bytes.fromhex(pad) if pad else bytes(size)
    try:
        letter = padding.decode(encoding)
    except UnicodeDecodeError:
        letter = ""
        if padding != ERASED_BYTE:
            raise DefinitionError(f"characters: {pad} is no character of {encoding}, and not FF: no padding") from None
    return Characters(
        name=format_step("characters", encoding, pad), input=bits(multiples(8 * size)), output=TEXT, encoding=encoding,
        pad=padding, letter=letter,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Bcd(Stored):
    """Every four bits a decimal digit; ``has_filler`` if filler digits may stand behind them."""

    has_filler: bool

    def inspect_area(self, value: Bits) -> AnyReading:
        """The digits; a failed check for four bits that are more than nine."""
        digits = value.hex.upper()
        text = digits.rstrip(FILLER) if self.has_filler else digits
        strange = [place for place, digit in enumerate(text) if digit > "9"]
        judged, wanted = _digit_bits(strange or range(len(text))), "at most 1001"
        check = Check(
            codec=self.name, rule="digit", claim="a decimal digit in every four bits", form="bits",
            at=judged, covers=judged, expected=wanted, evidence=log2(16 / 10) * len(text),
            found="".join(f"{int(text[place], 16):b}" for place in strange) or wanted,
        )  # fmt: skip
        return Reading(
            value=None if strange else text,
            checks=(check,),
            origin=Between(range(0, 4 * len(text) + 1, 4)),
        )

    def encode(self, value: str) -> Bits:
        """The digits, and filler up to the end of the area; raises `EncodeError` for too many, or too few."""
        for place, digit in enumerate(self.check_output(value)):
            if digit not in DIGITS:
                raise EncodeError(f"{self.name}: character {place} is {redacted_repr(digit)}, expected a decimal digit")
        needed, lengths = 4 * len(value), self.input.lengths
        room = self.area_bits(needed) if self.has_filler else needed if needed in lengths else None
        if room is None:
            most = lengths[-1] // 4
            wanted = "fewer" if needed > lengths[-1] else f"digits for {describe_lengths(lengths)}"
            if len(lengths) == 1:
                wanted = f"{'at most' if self.has_filler else 'exactly'} {most}"
            raise EncodeError(f"{self.name}: the text has {len(value)} digits, expected {wanted}")
        return to_bits((int(f"0{value}{FILLER * ((room - needed) // 4)}", 16), room))


def _digit_bits(places: Iterable[int]) -> tuple[Place, ...]:
    """The bits of the digits at ``places``."""
    if isinstance(places, range):
        return tuple(range(4 * places.start, 4 * places.stop))
    return tuple(bit for place in places for bit in range(4 * place, 4 * place + 4))


def build_bcd(filler: str = "") -> AnyCodec:
    """``bcd``, ``bcd:F``: every four bits a decimal digit, first digit first.

    The area has exactly as many digits as the text; with F there may be fewer, and digits F fill
    up the rest. Leading zeros are a part of the text.
    """
    if filler not in ("", FILLER):
        raise DefinitionError(f"bcd: the filler is {FILLER} or nothing, not {redacted_repr(filler)}")
    return Bcd(name=format_step("bcd", filler), input=bits(multiples(4)), output=TEXT, has_filler=bool(filler))


ENTRIES = (
    Entry(
        name="characters", signature="ENCODING[,PAD]", title="a text in an encoding, padding behind it",
        source=f"{PRACTICE}; ISO/IEC 646, ISO/IEC 8859-1, ISO/IEC 10646 (encodings)", build=build_characters, usual=(),
        examples=(
            Example(args="ascii", given="010100000110100101100101011100100010000000110111", gives="Pier 7"),
            Example(args="utf-8,20", given="010010111100001110100100", gives="Kä"),
            Example(args="utf-16-le", given="0011011100000000", gives="7"),
        ),
    ),
    Entry(
        name="bcd", signature="[F]", title="every four bits a decimal digit", source=PRACTICE, build=build_bcd,
        usual=(),
        examples=(
            Example(given="00000001001000110100", gives="01234"),
            Example(args="F", given="000100100011010001011111", gives="12345"),
        ),
    ),
)  # fmt: skip
