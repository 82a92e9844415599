"""Notations: numbers in digits, as readers print them, to bits.

A notation is one or several groups of digits; each group is a number of a fixed count of bits,
and the bits of the groups follow one another. ``02F764DD`` is one group of eight hexadecimal
digits and 32 bits; ``123,45678`` is two decimal groups of 8 and 16 bits.

Source: common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any, NamedTuple

from bitstring import Bits

from credkit.core.codec import TableCodec
from credkit.core.errors import EncodeError
from credkit.core.forms import Word, to_bits
from credkit.core.frozen import FieldsOnly
from credkit.core.origins import OneByOne, Origin, Place, Places, Several
from credkit.core.reading import AnyReading, Check, Part, Reading
from credkit.core.sentences import redacted_repr
from credkit.core.shapes import TEXT, describe_lengths, exactly, multiples
from credkit.core.shapes import bits as bits_shape
from credkit.core.spans import MAX_BITS

DIGITS = {2: "01", 10: "0123456789", 16: "0123456789ABCDEF"}
SEPARATORS = {"colon": ":", "hyphen": "-", "space": " ", "dot": "."}  # between bytes, by name
GROUP_SEPARATORS = {"comma": ",", "slash": "/", "hyphen": "-", "colon": ":", "dot": ".", "semicolon": ";", "space": " "}
BASES = {2: "binary", 10: "decimal", 16: "hexadecimal"}


class DigitGroup(NamedTuple):
    """One number: ``bits`` wide, read from ``least`` to ``most`` digits.

    It is written with zeros before it up to ``least`` digits, or up to ``most`` if ``pad`` is set.
    ``is_signed`` takes the bits as a two's complement number, as a signed database column holds them.
    """

    bits: int
    least: int
    most: int
    pad: bool = False
    is_signed: bool = False


@dataclass(frozen=True)
class Notation(FieldsOnly):
    """How numbers are written: the base, the groups, what stands between groups and between bytes.

    ``groups`` is empty for a notation whose length is not fixed (base 2 or 16 only): then every
    digit is worth one or four bits. ``group_separator`` stands between groups, ``byte_separator`` between the
    bytes of a hexadecimal text. ``is_lower_case`` writes a-f instead of A-F; reading takes both.
    """

    base: int
    groups: tuple[DigitGroup, ...] = ()
    group_separator: str = ""
    byte_separator: str = ""
    is_lower_case: bool = False

    @cached_property
    def pattern(self) -> str:
        """One regular expression, portable between engines, that takes every text of the right form."""
        digit = "[0-9A-Fa-f]" if self.base == 16 else f"[{DIGITS[self.base][0]}-{DIGITS[self.base][-1]}]"
        between = re.escape(self.byte_separator)
        if not self.groups:
            return f"(?:{digit}{{2}}(?:{between}{digit}{{2}})*)?" if between else f"{digit}*"
        return re.escape(self.group_separator).join(
            ("-?" if g.is_signed else "")
            + (between.join([digit + "{2}"] * (g.least // 2)) if between else f"{digit}{{{g.least},{g.most}}}")
            for g in self.groups
        )

    @cached_property
    def _fullmatch(self) -> Callable[[str], re.Match[str] | None]:
        return re.compile(self.pattern).fullmatch

    @cached_property
    def bits(self) -> int | None:
        """How many bits a text holds, or None where that depends on the text."""
        return sum(g.bits for g in self.groups) if self.groups else None

    @cached_property
    def _size(self) -> int:
        return self.bits or 0

    @cached_property
    def _digit_bits(self) -> int:
        return self.base.bit_length() - 1

    @cached_property
    def decode(self) -> Callable[[str], Word | None]:
        """From a text to the bits that it writes, or None where it is malformed or a number is too large.

        >>> Notation(16).decode("0F"), Notation(16).decode("0G")
        ((15, 8), None)
        """
        plain = len(self.groups) == 1 and not self.byte_separator and not self.groups[0].is_signed
        return self._decode_number if plain else self._decode_groups

    def _decode_number(self, text: str) -> Word | None:
        """`decode` where there is one group of digits only."""
        if not self._fullmatch(text):
            return None
        value, size = int(text, self.base), self._size
        return None if value >> size else (value, size)

    def _decode_groups(self, text: str) -> Word | None:
        """`decode` for every notation."""
        if not self._fullmatch(text):
            return None
        plain = text.replace(self.byte_separator, "") if self.byte_separator else text
        if not self.groups:
            length = len(plain) * self._digit_bits
            return (int(plain, self.base) if plain else 0, length) if length <= MAX_BITS else None
        word = length = 0
        for group, number in zip(
            self.groups, plain.split(self.group_separator) if self.group_separator else (plain,), strict=True
        ):
            value = int(number, self.base)
            if group.is_signed:
                if value >> (group.bits - 1) not in (0, -1):
                    return None
                value &= (1 << group.bits) - 1
            elif value >> group.bits:
                return None
            word = word << group.bits | value
            length += group.bits
        return word, length

    def encode(self, word: Word) -> str | None:
        """The text for these bits, or None where a number has more digits than its group takes."""
        number, length = word
        groups = self.groups
        if not groups:
            count = length // self._digit_bits
            groups = (DigitGroup(bits=length, least=count, most=count),)
        texts = []
        for group in groups:
            length -= group.bits
            value = number >> length & ((1 << group.bits) - 1)
            if group.is_signed and value >> (group.bits - 1):
                value -= 1 << group.bits
            text = self._digits(value, group.most if group.pad else group.least)
            if len(text.lstrip("-")) > group.most:
                return None
            texts.append(self.byte_separator.join(_split_pairs(text)) if self.byte_separator else text)
        return self.group_separator.join(texts)

    def _digits(self, value: int, least: int) -> str:
        if not least:
            return ""
        kind = {2: "b", 10: "d", 16: "x" if self.is_lower_case else "X"}[self.base]
        return f"{'-' if value < 0 else ''}{abs(value):0{least}{kind}}"

    def explain(self, codec: str, text: str) -> Check:
        """The check that ``text`` fails when `read` gives None for it."""
        legal = DIGITS[self.base] + ("abcdef" if self.base == 16 else "") + self.group_separator + self.byte_separator
        legal += "-" if any(g.is_signed for g in self.groups) else ""
        strange = [i for i, c in enumerate(text) if c not in legal]
        if strange:
            found = tuple(text[i] for i in strange)  # a tuple: no text can equal what is expected
            extra = self.group_separator + self.byte_separator
            expected = f"{BASES[self.base]} digits" + (f" and {extra!r}" if extra else "")
            return self._fault(codec, "alphabet", expected, found, at=tuple(strange))
        if self._fullmatch(text):
            return self._fault(codec, "range", self._bounds(), text, at=tuple(range(len(text))))
        return self._fault(codec, "form", self.describe_form(), text)

    def _fault(self, codec: str, rule: str, expected: object, found: object, at: tuple[Place, ...] = ()) -> Check:
        return Check(codec=codec, rule=rule, claim=f"the {rule}", form="text", at=at, expected=expected, found=found)

    def describe_form(self) -> str:
        """The form of a text, in words.

        >>> Notation(16, (DigitGroup(bits=32, least=8, most=8),)).describe_form()
        '8 hexadecimal digits'
        """
        if not self.groups:
            return f"{BASES[self.base]} digits" + (", two at a time" if self.byte_separator else "")
        counts = (f"{g.least}" if g.least == g.most else f"{g.least} to {g.most}" for g in self.groups)
        text = f"{f' {self.group_separator} '.join(counts)} {BASES[self.base]} digits"
        return text + (f" in pairs with {self.byte_separator!r} between" if self.byte_separator else "")

    def _bounds(self) -> str:
        return (
            f" {self.group_separator} ".join(
                f"{-1 << (g.bits - 1)} to {(1 << (g.bits - 1)) - 1}" if g.is_signed else f"0 to {(1 << g.bits) - 1}"
                for g in self.groups
            )
            or f"at most {MAX_BITS} bits"
        )

    def origin(self, text: str) -> Origin:
        """Which characters each bit of ``text`` came from: its digit, or the whole decimal number."""
        spots = tuple(i for i, c in enumerate(text) if c not in self.byte_separator + self.group_separator)
        if self.base != 10:
            per_digit = self._digit_bits
            return OneByOne(spots, per_digit)
        numbers: list[Places] = []
        start = 0
        for number in text.split(self.group_separator) if self.group_separator else [text]:
            numbers.append(tuple(range(start, start + len(number))))
            start += len(number) + len(self.group_separator)
        return Several(
            tuple(number for number, group in zip(numbers, self.groups, strict=True) for _ in range(group.bits))
        )


def _split_pairs(text: str) -> list[str]:
    return [text[i : i + 2] for i in range(0, len(text), 2)]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class NotationCodec(TableCodec[str, Bits]):
    """Text to bits by a `Notation`."""

    notation: Notation

    @classmethod
    def for_notation(cls, name: str, notation: Notation) -> NotationCodec:
        """The codec for ``notation``; its output length follows from the table."""
        per_digit = 8 if notation.byte_separator else notation.base.bit_length() - 1
        lengths = multiples(per_digit) if notation.bits is None else exactly(notation.bits)
        return cls(name=name, input=TEXT, output=bits_shape(lengths), notation=notation)

    @property
    def table(self) -> Notation:
        """The notation."""
        return self.notation

    @property
    def never_notes(self) -> bool:
        """No text earns a note."""
        return True

    def _decode_raw(self, raw: str) -> Word | None:
        """The bits, or None."""
        return self.notation.decode(raw)

    @property
    def raw_decoder(self) -> Callable[[Any], Any]:
        """That of the notation."""
        return self.notation.decode

    def _encode_raw(self, raw: Word) -> str:
        """The digits; raises `EncodeError` where the bits are too many or too few, or the digits too many."""
        length = raw[1]
        if length not in self.output.lengths:
            raise EncodeError(f"{self.name}: writes {describe_lengths(self.output.lengths)}, not {length}")
        text = self.notation.encode(raw)
        if text is None:
            form = self.notation.describe_form()
            raise EncodeError(f"{self.name}: {redacted_repr(raw[0])} does not fit in {form}; nothing is cut off")
        return text

    def inspect(self, value: str) -> AnyReading:
        """The bits with, for each of them, the character it came from."""
        word = self.notation.decode(value)
        if word is None:
            return Reading(value=None, checks=(self.notation.explain(self.name, value),))
        bits = to_bits(word)
        part = Part(name=BASES[self.notation.base], at=tuple(range(len(value))), value=bits)
        return Reading(value=bits, parts=(part,), origin=self.notation.origin(value))


@lru_cache(maxsize=1024)
def digits_for(bits: int) -> int:
    """How many decimal digits the largest number of ``bits`` bits has.

    >>> digits_for(32), digits_for(26)
    (10, 8)
    """
    return len(str((1 << bits) - 1))
