"""Orders, alignment and cuts: bits to bits.

Readers disagree on which byte or bit comes first, on whether the lines are inverted, and on where
in a wider word a frame stands. Each habit is a rule that gives, for an input length, the input
position of every output bit; the rest is `Wiring`.

The orders undo themselves. The alignments demand zeros and restore them. The projections
(`keep-low`, `keep-high`, `slice`) cut, in whichever direction the value travels.

Source: common practice, no source.

>>> from bitstring import Bits
>>> build_order("reverse-bytes").decode(Bits("0x01020304")).hex
'04030201'
>>> build_justified("right-justified", "4").decode(Bits("0x0b")).bin
'1011'
>>> build_justified("right-justified", "4").decode(Bits("0x1b"))
Traceback (most recent call last):
credkit.DecodeError: right-justified:4: zero padding in bits 0-3 fails: bits 0-3 are 0001, expected 0000
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

from credkit.codecs.arguments import parse_whole_number
from credkit.core.codec import PRACTICE, AnyCodec, Entry, Example
from credkit.core.grammar import format_step
from credkit.core.positions import positions
from credkit.core.shapes import at_least, bits, exactly, multiples
from credkit.tables.wiring import Rule, WiredCodec


class Order(NamedTuple):
    """A reordering: the unit its lengths are multiples of, its rule, whether it inverts."""

    unit: int
    rule: Rule
    flip: bool = False


def _bytes_reversed(length: int) -> tuple[int, ...]:
    return tuple(length - 8 - i + 2 * (i % 8) for i in range(length))


def _bits_reversed(length: int) -> tuple[int, ...]:
    return tuple(range(length - 1, -1, -1))


def _bits_reversed_in_bytes(length: int) -> tuple[int, ...]:
    return tuple(i + 7 - 2 * (i % 8) for i in range(length))


def _nibbles_swapped(length: int) -> tuple[int, ...]:
    return tuple(i + 4 - 8 * (i % 8 > 3) for i in range(length))


def _in_place(length: int) -> tuple[int, ...]:
    return tuple(range(length))


ORDERS = {
    "reverse-bytes": Order(8, _bytes_reversed),
    "reverse-bits": Order(1, _bits_reversed),
    "reverse-bits-in-bytes": Order(8, _bits_reversed_in_bytes),
    "swap-nibbles": Order(8, _nibbles_swapped),
    "invert": Order(1, _in_place, flip=True),
}


@dataclass(frozen=True, slots=True)
class FirstBits:
    """The rule that keeps the first ``count`` bits."""

    count: int

    def __call__(self, length: int) -> tuple[int, ...]:
        """The positions that are kept."""
        return tuple(range(self.count))


@dataclass(frozen=True, slots=True)
class LastBits:
    """The rule that keeps the last ``count`` bits."""

    count: int

    def __call__(self, length: int) -> tuple[int, ...]:
        """The positions that are kept."""
        return tuple(range(length - self.count, length))


@dataclass(frozen=True, slots=True)
class Positions:
    """The rule that keeps the bits at ``places``, in their order."""

    places: tuple[int, ...]

    def __call__(self, length: int) -> tuple[int, ...]:
        """The positions that are kept."""
        return self.places


def build_order(name: str) -> AnyCodec:
    """One of `ORDERS`: as many bits out as in, and its own inverse."""
    unit, rule, flip = ORDERS[name]
    shape = bits(multiples(unit))
    return WiredCodec(name=name, input=shape, output=shape, rule=rule, flip=flip, keeps_length=True)


def build_justified(name: str, count: str) -> AnyCodec:
    """``right-justified:N``, ``left-justified:N``: N bits at one end, zeros at the other.

    Encoding pads to the length that the step before fixes, or else to whole bytes.
    """
    size = parse_whole_number(name, "the number of bits", count)
    rule: Rule = LastBits(size) if name == "right-justified" else FirstBits(size)
    return WiredCodec(name=format_step(name, count), input=bits(at_least(size)), output=bits(exactly(size)), rule=rule)


def build_keep(name: str, count: str) -> AnyCodec:
    """``keep-low:N``, ``keep-high:N``: a projection to the last or the first N bits."""
    size = parse_whole_number(name, "the number of bits", count)
    rule: Rule = LastBits(size) if name == "keep-low" else FirstBits(size)
    return WiredCodec(
        name=format_step(name, count),
        input=bits(at_least(size)),
        output=bits(exactly(size)),
        is_projection=True,
        rule=rule,
    )


def build_slice(span: str) -> AnyCodec:
    """``slice:A-B``: a projection to bits A to B, both included."""
    kept = positions(span, "slice")
    return WiredCodec(
        name=format_step("slice", span), input=bits(at_least(max(kept) + 1)), output=bits(exactly(len(kept))),
        is_projection=True,
        rule=Positions(kept),
    )  # fmt: skip


def _entry(name: str, title: str, given: str, gives: str) -> Entry:
    return Entry(
        name=name, title=title, source=PRACTICE, build=partial(build_order, name),
        examples=(Example(given=given, gives=gives),),
    )  # fmt: skip


ENTRIES = (
    _entry("reverse-bytes", "last byte first", "0000000111110000", "1111000000000001"),
    _entry("reverse-bits", "last bit first", "0000000111110000", "0000111110000000"),
    _entry("reverse-bits-in-bytes", "last bit first within each byte", "0000000111110000", "1000000000001111"),
    _entry("swap-nibbles", "the halves of each byte exchanged", "0000000111110000", "0001000000001111"),
    _entry("invert", "every bit inverted", "0000000111110000", "1111111000001111"),
    Entry(
        name="right-justified", signature="N", title="N bits at the end, zeros before them", source=PRACTICE,
        build=partial(build_justified, "right-justified"), usual=("26", "34", "37"),
        examples=(Example(args="5", given="00010110", gives="10110"),),
    ),
    Entry(
        name="left-justified", signature="N", title="N bits at the start, zeros behind them", source=PRACTICE,
        build=partial(build_justified, "left-justified"), usual=("26", "34", "37"),
        examples=(Example(args="5", given="10110000", gives="10110"),),
    ),
    Entry(
        name="keep-low", signature="N", title="cut to the last N bits", source=PRACTICE,
        build=partial(build_keep, "keep-low"), usual=("24", "32"),
        examples=(Example(args="4", given="10110011", gives="0011"),),
    ),
    Entry(
        name="keep-high", signature="N", title="cut to the first N bits", source=PRACTICE,
        build=partial(build_keep, "keep-high"), usual=("24", "32"),
        examples=(Example(args="4", given="10110011", gives="1011"),),
    ),
    Entry(
        name="slice", signature="A-B", title="cut to bits A to B", source=PRACTICE, build=build_slice, usual=(),
        examples=(Example(args="2-4", given="10110011", gives="110"),),
    ),
)  # fmt: skip
