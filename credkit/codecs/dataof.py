"""The data bits of a frame: bits to bits, for what a frame wraps that has a form of its own.

>>> from bitstring import Bits
>>> build_data_of("wiegand-26").decode(Bits("0b10111101110110010011011101")).bin
'011110111011001001101110'
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from bitstring import Bits

from credkit.codecs.frames import builtin_entries
from credkit.core.codec import PRACTICE, AnyCodec, Entry, Example, TableCodec
from credkit.core.errors import DefinitionError, EncodeError
from credkit.core.forms import Word
from credkit.core.grammar import format_step
from credkit.core.origins import OneByOne
from credkit.core.reading import AnyReading, Reading
from credkit.core.sentences import nearest, redacted_repr
from credkit.core.shapes import bits, exactly
from credkit.tables.layout import Layout, LayoutCodec


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class DataOf(TableCodec[Bits, Bits]):
    """Bits to bits: the data bits of a frame, field after field, without its fixed bits and checks."""

    frame: LayoutCodec

    @property
    def table(self) -> Layout:
        """The layout of the frame."""
        return self.frame.layout

    def _decode_raw(self, raw: Word) -> Word | None:
        """The data bits, or None where a check of the frame fails."""
        fields: Any = self.frame._decode_raw(raw)
        if fields is None:
            return None
        word, length = 0, 0
        for field in self.table.fields:
            word = word << len(field.places) | fields[field.name]
            length += len(field.places)
        return word, length

    def _encode_raw(self, raw: Word) -> Word:
        """The frame around the data bits; raises `EncodeError` for a value that a field of it cannot have."""
        word, length = raw
        if length != self.output.lengths[0]:
            raise EncodeError(f"{self.name}: the data are {self.output.lengths[0]} bits, not {length}")
        fields = {}
        for field in reversed(self.table.fields):
            fields[field.name] = word & (1 << len(field.places)) - 1
            word >>= len(field.places)
        return self.frame._encode_raw(fields)

    def inspect(self, value: Bits) -> AnyReading:
        """The data bits, with the checks, notes and parts of the frame."""
        reading = self.frame.inspect(value)
        if reading.value is None:
            return replace(reading, checks=tuple(replace(check, codec=self.name) for check in reading.checks))
        places = tuple(place for field in self.table.fields for place in field.places)
        given = value.bin
        digits = "".join([given[place] for place in places])
        return Reading(
            value=Bits(f"0b{digits}"), checks=tuple(replace(check, codec=self.name) for check in reading.checks),
            notes=reading.notes, parts=reading.parts, origin=OneByOne(places),
        )  # fmt: skip


def build_data_of(name: str) -> AnyCodec:
    """``data-of:LAYOUT``: what a built-in layout holds, as bits again.

    For a serial number that a reader sends as the data of a frame: its bytes may then be put in
    order before they are read, as in ``binary/data-of:wiegand-34/reverse-bytes/serial-32``.
    """
    entry = next((entry for entry in builtin_entries() if entry.name == name), None)
    codec = entry.build() if entry else None
    if not isinstance(codec, LayoutCodec) or any(field.bcd for field in codec.layout.fields):
        known = [entry.name for entry in builtin_entries()]
        raise DefinitionError(
            f"data-of: {redacted_repr(name)} is not a built-in layout of binary fields{nearest(name, known)}"
        )
    size = sum(len(field.places) for field in codec.layout.fields)
    return DataOf(name=format_step("data-of", name), input=codec.input, output=bits(exactly(size)), frame=codec)


ENTRIES = (
    Entry(
        name="data-of", signature="LAYOUT", title="the data bits of a frame, as bits again", source=PRACTICE,
        build=build_data_of, usual=("wiegand-26", "wiegand-34", "serial-56-parity"),
        examples=(
            Example(args="wiegand-26", given="10111101110110010011011101", gives="011110111011001001101110"),
        ),
    ),
)  # fmt: skip
