"""Presentations: every way in which practice prints the serial number of a chip.

A serial is a row of bytes in the order in which the card sends them. A presentation is a chain
from a text to bits of it: all of them, its last (``low``) or its first (``high``) ones, for readers
that keep a part. The same rows write a serial (`Presentation.encode`), make the table in the docs,
and are what `credkit.explain` looks through.

Source: common practice, no source.

>>> from bitstring import Bits
>>> serial = Bits("0x04112233445566")
>>> for row in presentations(56)[:3]:
...     print(row.title, row.encode(serial))
hexadecimal 04112233445566
hexadecimal, small letters 04112233445566
hexadecimal, colon between bytes 04:11:22:33:44:55:66
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Literal

from bitstring import Bits

from credkit.catalogue.registry import chain, get
from credkit.core.codec import AnyCodec

Part = Literal["all", "low", "high"]
SERIAL_BITS = (32, 40, 56, 64, 80)  # bits of a serial: 4, 7 and 10 bytes; 5 of a 125 kHz frame; 8 of other cards
PADDED_DIGIT_COUNTS = (8, 10, 13, 15, 17, 20, 25)  # digits that decimal numbers are filled up to
ORDER_TITLES_AND_STEPS = (
    ("", ""),
    (", last byte first", "/reverse-bytes"),
    (", last bit first", "/reverse-bits"),
    (", last bit first in each byte", "/reverse-bits-in-bytes"),
    (", halves of each byte exchanged", "/swap-nibbles"),
)
BYTE_ORDER_TITLES_AND_STEPS = ORDER_TITLES_AND_STEPS[:2]


@dataclass(frozen=True, slots=True, kw_only=True)
class Presentation:
    """One way to print a serial: ``codec`` reads a text to ``bits`` bits, which are a ``part`` of it."""

    title: str
    codec: AnyCodec
    bits: int
    part: Part = "all"
    digits: int | None = None  # that are left of a decimal number, where digits are cut off

    def encode(self, serial: Bits) -> str:
        """The text for ``serial``."""
        piece = serial[: self.bits] if self.part == "high" else serial[len(serial) - self.bits :]
        return str(self.codec.encode(piece))


@cache
def serial_frames() -> tuple[tuple[str, AnyCodec], ...]:
    """The frames that a serial is sent in, and the codecs for what they hold."""
    return tuple((name, chain(f"data-of:{name}")) for name in get("data-of").usual)


@cache
def presentations(size: int) -> tuple[Presentation, ...]:
    """Every presentation of a serial of ``size`` bits; no two of them are the same chain and part."""
    return tuple(_all_presentations(size))


def _all_presentations(size: int) -> Iterator[Presentation]:
    digits = size // 4

    def row(title: str, text: str, bits: int = size, part: Part = "all", cut: int | None = None) -> Presentation:
        return Presentation(title=title, codec=chain(text), bits=bits, part=part, digits=cut)

    for title, style in (
        ("", ""), (", small letters", ",lower"), (", colon between bytes", ",colon"), (", hyphen", ",hyphen"),
        (", blank", ",space"), (", dot", ",dot"),
        (", colon, small letters", ",colon,lower"), (", hyphen, small letters", ",hyphen,lower"),
        (", blank, small letters", ",space,lower"), (", dot, small letters", ",dot,lower"),
    ):  # fmt: skip
        yield row(f"hexadecimal{title}", f"hex:{digits}{style}")
    yield row("hexadecimal behind 0x", f"strip:0x,/hex:{digits}")
    yield row("hexadecimal behind 0x, small letters", f"strip:0x,/hex:{digits},lower")
    yield row("hexadecimal behind a byte that counts the others", f"strip:{size // 8:02X},/hex:{digits}")
    for title, order in ORDER_TITLES_AND_STEPS[1:]:
        yield row(f"hexadecimal{title}", f"hex:{digits}{order}")
    yield row("hexadecimal, last byte first, colon between bytes", f"hex:{digits},colon/reverse-bytes")
    for title, order in BYTE_ORDER_TITLES_AND_STEPS:
        yield from (
            row(f"decimal{title}{filled}", f"decimal:{size}{width}{order}") for filled, width in _decimal_forms(size)
        )
        if size == 32:
            yield row(f"signed decimal{title}", f"signed-decimal:32{order}")
            yield row(f"two decimals of 16 bits{title}", f"split-decimal:16,16{order}")
        yield row(f"the last eight digits of the decimal{title}", f"last-digits:8/decimal:{size}{order}", cut=8)
    for held in (24, 32, 40):
        if held < size:
            for where, how, order, part in _truncations():
                title = f"the {where} {held // 8} bytes{how}"
                yield row(f"{title}, hexadecimal", f"hex:{held // 4}{order}", held, part)
                for filled, width in _decimal_forms(held):
                    yield row(f"{title}, decimal{filled}", f"decimal:{held}{width}{order}", held, part)
                if held == 24:
                    yield row(f"{title}, decimals of 8 and 16 bits", f"split-decimal:8,16{order}", held, part)
                if held == 32:
                    yield row(f"{title}, signed decimal", f"signed-decimal:32{order}", held, part)
                    yield row(f"{title}, two decimals of 16 bits", f"split-decimal:16,16{order}", held, part)
    for frame, data in serial_frames():
        held = data.output.lengths[0]
        if held == size:
            for how, order in BYTE_ORDER_TITLES_AND_STEPS:
                yield row(f"in a {frame} frame{how}", f"binary/data-of:{frame}{order}")
        elif held < size and held % 8 == 0:
            for where, how, order, part in _truncations():
                title = f"the {where} {held // 8} bytes{how}, in a {frame} frame"
                yield row(title, f"binary/data-of:{frame}{order}", held, part)


def _truncations() -> Iterator[tuple[str, str, str, Part]]:
    """Which bytes are left, and in which order: of a serial turned round, the last ones are its first."""
    yield "last", "", "", "low"
    yield "first", ", last byte first", "/reverse-bytes", "high"
    yield "last", ", last byte first", "/reverse-bytes", "low"
    yield "first", "", "", "high"


def _decimal_forms(size: int) -> Iterator[tuple[str, str]]:
    """Decimals of ``size`` bits: as they are, and filled up to each of `PADDED_DIGIT_COUNTS` that has room."""
    yield "", ""
    longest = len(str((1 << size) - 1))
    fitting = [width for width in PADDED_DIGIT_COUNTS if width >= longest]
    for width in fitting[:2]:
        yield f", {width} digits", f",{width}"
