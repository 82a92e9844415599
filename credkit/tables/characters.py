"""Character sets of magnetic stripes: which bits stand for which character.

    5 bits  ; is 11010   data bits 1101, least significant first: 11; then the parity bit
    7 bits  % is 1010001 data bits 101000, least significant first: 5; then the parity bit

A character's number is its ASCII code less that of the first character of the set. Every character
has an odd number of ones. The track begins with the start sentinel and ends with the end sentinel
and the LRC, a character of its own: its data bits make the number of ones in each column of data
bits even, sentinels included, and its parity bit is its own parity, not that of a column.

Source: ISO/IEC 7811-2 and 7811-6 (tracks 1 and 2), ISO/IEC 4909 (track 3).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property


@dataclass(frozen=True, kw_only=True)
class CharacterSet:
    """A set of 2 ** ``data_bits`` characters from ``first`` on, each with an odd parity bit behind its data bits."""

    name: str
    data_bits: int
    first: str
    start: str
    end: str
    separator: str

    @property
    def width(self) -> int:
        """Bits of a character, its parity bit included."""
        return self.data_bits + 1

    @cached_property
    def letters(self) -> str:
        """Every character, in the order of its number."""
        return "".join(chr(ord(self.first) + number) for number in range(1 << self.data_bits))

    @cached_property
    def content_letters(self) -> str:
        """The characters that may stand between the sentinels."""
        return "".join(char for char in self.letters if char not in (self.start, self.end))

    @cached_property
    def bits_by_character(self) -> Mapping[str, str]:
        """The bits of each character, in the order in which they are written.

        >>> digits, letters = NUMERIC.bits_by_character, ALPHANUMERIC.bits_by_character
        >>> digits[";"], digits["?"], digits["0"], letters["%"]
        ('11010', '11111', '00001', '1010001')
        """
        found = {}
        for number, char in enumerate(self.letters):
            found[char] = f"{number:0{self.data_bits}b}"[::-1] + str(1 - number.bit_count() % 2)
        return found

    @cached_property
    def start_bits(self) -> str:
        """The bits of the start sentinel."""
        return self.bits_by_character[self.start]

    @cached_property
    def characters_by_bits(self) -> Mapping[str, str]:
        """The character that bits stand for, by their data bits; a wrong parity bit changes nothing."""
        return {bits[:-1] + parity: char for char, bits in self.bits_by_character.items() for parity in "01"}

    @cached_property
    def code_table(self) -> bytes:
        """The ASCII code for every number whose bit n is the bit n of a character; 0 where its parity is wrong."""
        codes = bytearray(256)
        for char, bits in self.bits_by_character.items():
            codes[int(bits[::-1], 2)] = ord(char)
        return bytes(codes)

    def lrc(self, text: str) -> str:
        """The LRC of ``text``, which is all characters from the start sentinel to the end sentinel.

        Source of the examples: worked examples in a reader hardware manual.

        >>> NUMERIC.bits_by_character[NUMERIC.lrc(";0?")], NUMERIC.bits_by_character[NUMERIC.lrc(";01?")]
        ('00100', '10101')
        """
        number = 0
        for char in text:
            number ^= ord(char) - ord(self.first)
        return self.letters[number]


NUMERIC = CharacterSet(name="5-bit", data_bits=4, first="0", start=";", end="?", separator="=")
ALPHANUMERIC = CharacterSet(name="7-bit", data_bits=6, first=" ", start="%", end="?", separator="^")
SETS_BY_NAME = {each.name: each for each in (ALPHANUMERIC, NUMERIC)}
SETS_BY_TRACK = {1: ALPHANUMERIC, 2: NUMERIC, 3: NUMERIC}  # the set that each track usually has
