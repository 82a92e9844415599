"""The area of a record: a known number of whole bytes, which the chain behind it reads and must fill.

It needs code, because it changes nothing: it is there so that a chain of any length (text, BCD, a
message) learns how long it is in this record, and pads to that.

Source: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from bitstring import Bits

from credkit.core.codec import AnyCodec, TableCodec
from credkit.core.errors import EncodeError
from credkit.core.forms import Word
from credkit.core.origins import same_place
from credkit.core.reading import AnyReading, Check, Part, Reading
from credkit.core.shapes import bits, describe_lengths, exactly


def area_step(size: int) -> AnyCodec:
    """The step that hands on just ``size`` bytes, in both directions.

    >>> area_step(4).decode(Bits("0x02F764DD")).hex
    '02f764dd'
    >>> area_step(4).decode(Bits("0x02F764"))
    Traceback (most recent call last):
    credkit.DecodeError: 4 bytes: the length in bits fails: found 24, expected 32 bits
    """
    shape = bits(exactly(8 * size))
    return AreaCodec(name=f"{size} byte{'s' * (size > 1)}", input=shape, output=shape)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class AreaCodec(TableCodec[Bits, Bits]):
    """Bits to the same bits, if there are as many as there should be."""

    @property
    def never_notes(self) -> bool:
        """No bits earn a note."""
        return True

    def _decode_raw(self, raw: Word) -> Word | None:
        """The same, or None where the length is another."""
        return raw if raw[1] in self.input.lengths else None

    def _encode_raw(self, raw: Word) -> Word:
        """The same; raises `EncodeError` where the length is another."""
        if raw[1] not in self.input.lengths:
            raise EncodeError(f"{self.name}: writes {describe_lengths(self.input.lengths)}, not {raw[1]}")
        return raw

    def inspect(self, value: Bits) -> AnyReading:
        """The same, each bit traced to itself."""
        if len(value) not in self.input.lengths:
            check = Check(
                codec=self.name, rule="length", claim="the length in bits", form="bits",
                expected=describe_lengths(self.input.lengths), found=len(value),
            )  # fmt: skip
            return Reading(value=None, checks=(check,))
        return Reading(value=value, parts=_whole_parts(len(value)), origin=same_place)


@lru_cache(maxsize=64)
def _whole_parts(length: int) -> tuple[Part, ...]:
    """The one part of a record of so many bits."""
    return (Part(name="record", at=tuple(range(length)), value=None),)
