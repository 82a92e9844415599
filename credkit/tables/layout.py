"""Layouts: frames of a fixed length, with fields, fixed bits and checks.

    wiegand-26      P FFFFFFFF NNNNNNNNNNNNNNNN P
    bit             0 1      8 9             24 25

A field is a number in one or several spans of bits, binary or BCD; a span written downwards has
its least significant bit first. Every check is one of three tests on the frame as a whole number:
bits that are fixed (`FixedBits`), a digit or a value that is too large (`Limit`), and bits that are
parities of other bits (`Parity`: single parity bits, complements, XOR blocks and CRCs alike, since
a CRC bit is a parity too). The same operations serve a whole number and an array of numbers; only
the function that takes the parity differs.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

from bitstring import Bits

from credkit.core.checks import parity
from credkit.core.codec import TableCodec
from credkit.core.contract import check_fields
from credkit.core.fields import FieldMapping, Fields, owned_fields
from credkit.core.forms import Word, to_word
from credkit.core.frozen import FieldsOnly, FrozenMapping
from credkit.core.hooks import draw
from credkit.core.origins import Place
from credkit.core.reading import AnyReading, Check, Field, Level, Note, Part, Reading, Schema
from credkit.core.shapes import Shape, bits, exactly
from credkit.core.spans import runs


class BitRun(NamedTuple):
    """Neighbouring bits of a frame and their worth in a number.

    Reading adds ``((word >> shift & mask) << low) * unit``; writing takes the value, or its decimal
    digit ``value // unit % 10`` where ``digit`` says so, and puts its bits from ``low`` on to ``shift``.
    """

    shift: int
    mask: int
    low: int
    unit: int
    digit: bool


def bit_runs_at(length: int, places: tuple[int, ...], *, bcd: bool = False) -> tuple[BitRun, ...]:
    """The pieces of a number that stands in ``places`` of a frame of ``length`` bits.

    The first place holds the most significant bit. ``places`` of BCD are four for each digit.

    >>> bit_runs_at(8, (0, 1, 2, 3))
    (BitRun(shift=4, mask=15, low=0, unit=1, digit=False),)
    """
    found = []
    size = 4 if bcd else len(places)
    for start in range(0, len(places), size):
        digit = places[start : start + size]
        unit = 10 ** (len(places) // 4 - 1 - start // 4) if bcd else 1
        left = size
        for first, last in runs(digit):
            count = abs(last - first) + 1
            left -= count
            if last >= first:
                found.append(BitRun(length - 1 - last, (1 << count) - 1, left, unit, bcd))
            else:
                found += [BitRun(length - 1 - first + i, 1, left + count - 1 - i, unit, bcd) for i in range(count)]
    return tuple(found)


def decode_number(bit_runs: tuple[BitRun, ...], word: Any) -> Any:
    """The number that ``bit_runs`` of the frame ``word`` hold."""
    total: Any = None
    for shift, mask, low, unit, _ in bit_runs:
        piece = word >> shift & mask
        if low:
            piece = piece << low
        if unit > 1:
            piece = piece * unit
        total = piece if total is None else total + piece
    return total


def encode_number(bit_runs: tuple[BitRun, ...], value: Any) -> Any:
    """The inverse of `decode_number`: the frame's bits for ``value``, zero elsewhere."""
    word = 0
    for shift, mask, low, unit, digit in bit_runs:
        word |= ((value // unit % 10 if digit else value) >> low & mask) << shift
    return word


class LayoutField(NamedTuple):
    """A number in a frame: its places, first bit most significant, and how it is coded."""

    name: str
    places: tuple[int, ...]
    bit_runs: tuple[BitRun, ...]
    most: int
    bcd: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class LayoutCheck(ABC):
    """A test on a frame: the stable ``rule``, the ``claim`` in words, what is judged by what.

    ``evidence`` is in bits: a random frame passes with probability 2 ** -evidence.
    """

    rule: str
    claim: str
    at: tuple[int, ...]
    covers: tuple[int, ...]
    evidence: float

    @abstractmethod
    def fails(self, word: Any, parity: Any) -> Any:
        """Whether the frame ``word`` fails; ``parity`` takes the parity of a masked frame."""

    @abstractmethod
    def verdict(self, word: int) -> tuple[object, object]:
        """What is expected and what is found in ``word``; equal when it passes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FixedBits(LayoutCheck):
    """Bits that always have the same value: those of ``mask`` are those of ``value``."""

    bit_runs: tuple[BitRun, ...]
    mask: int
    value: int

    def fails(self, word: Any, parity: Any) -> Any:
        """Whether the bits differ."""
        return (word & self.mask) != self.value

    def verdict(self, word: int) -> tuple[object, object]:
        """The bits as they should be, and as they are."""
        size = len(self.at)
        return f"{decode_number(self.bit_runs, self.value):0{size}b}", f"{decode_number(self.bit_runs, word):0{size}b}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit(LayoutCheck):
    """A digit, or a whole field, that may not exceed ``most``."""

    bit_runs: tuple[BitRun, ...]
    most: int

    def fails(self, word: Any, parity: Any) -> Any:
        """Whether the value is too large."""
        return decode_number(self.bit_runs, word) > self.most

    def verdict(self, word: int) -> tuple[object, object]:
        """The bound, and the value."""
        value = decode_number(self.bit_runs, word)
        return (value if value <= self.most else f"at most {self.most}"), value


@dataclass(frozen=True, slots=True, kw_only=True)
class Parity(LayoutCheck):
    """Check bits, each a parity over other bits.

    A row says where the check bit stands (counted from the last bit), the mask of what it covers,
    and 1 where the parity is odd.
    """

    bit_runs: tuple[BitRun, ...]
    rows: tuple[tuple[int, int, int], ...]

    def fails(self, word: Any, parity: Any) -> Any:
        """Whether any of the bits is not what its cover says."""
        wrong: Any = None
        for shift, mask, odd in self.rows:
            bit = parity(word & (mask | 1 << shift))
            if odd:
                bit = bit ^ 1
            wrong = bit if wrong is None else wrong | bit
        return wrong

    def fill(self, word: Any, parity: Any) -> Any:
        """``word`` with the check bits, zero before, put in."""
        for shift, mask, odd in self.rows:
            word |= (parity(word & mask) ^ odd) << shift
        return word

    def verdict(self, word: int) -> tuple[object, object]:
        """The check bits as they should be, and as they are."""
        expected = "".join(str(parity(word & mask) ^ odd) for _, mask, odd in self.rows)
        return expected, f"{decode_number(self.bit_runs, word):0{len(self.at)}b}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sum(LayoutCheck):
    """Check bits that are the sum of ``blocks``, perhaps ``negated``, plus ``constant``, modulo ``modulus``."""

    bit_runs: tuple[BitRun, ...]
    blocks: tuple[tuple[BitRun, ...], ...]
    modulus: int
    constant: int = 0
    negated: bool = False

    def compute(self, word: Any) -> Any:
        """The check bits as they should be, as a number."""
        total: Any = sum(decode_number(block, word) for block in self.blocks) % self.modulus
        return (self.constant + (self.modulus - total if self.negated else total)) % self.modulus

    def fails(self, word: Any, parity: Any) -> Any:
        """Whether the bits are another number."""
        return decode_number(self.bit_runs, word) != self.compute(word)

    def fill(self, word: Any, parity: Any) -> Any:
        """``word`` with the check bits, zero before, put in."""
        return word | encode_number(self.bit_runs, self.compute(word))

    def verdict(self, word: int) -> tuple[object, object]:
        """The check bits as they should be, and as they are."""
        size = len(self.at)
        return f"{self.compute(word):0{size}b}", f"{decode_number(self.bit_runs, word):0{size}b}"


class Remark(NamedTuple):
    """A note earned by a frame in which ``places`` hold one of ``values`` (any value if None).

    A value that counts ``times`` of a ``unit`` is told in that unit, behind the text.
    """

    kind: str
    level: Level
    text: str
    places: tuple[int, ...]
    bit_runs: tuple[BitRun, ...]
    values: tuple[int, ...] | None
    times: int = 1
    unit: str = ""

    def note(self, word: int) -> Note | None:
        """The note that the frame ``word`` earns, or None."""
        value = decode_number(self.bit_runs, word)
        if self.values is not None and value not in self.values:
            return None
        told = f": {value} is {value * self.times} {self.unit}" if self.unit else ""
        return Note(kind=self.kind, level=self.level, text=self.text + told, at=self.places)


@dataclass(frozen=True, kw_only=True)
class Layout(FieldsOnly):
    """A frame format: what each of its ``length`` bits is.

    Bits are counted from 0, the first bit sent. ``checks`` are in the order in which they are
    reported and, on encoding, filled in.
    """

    name: str
    title: str
    source: str
    length: int
    fields: tuple[LayoutField, ...]
    checks: tuple[LayoutCheck, ...] = ()
    remarks: tuple[Remark, ...] = ()

    @cached_property
    def schema(self) -> Schema:
        """The fields, with their ranges."""
        return FrozenMapping({f.name: Field(name=f.name, most=f.most) for f in self.fields})

    @cached_property
    def _reads(self) -> tuple[tuple[str, tuple[BitRun, ...]], ...]:
        return tuple((field.name, field.bit_runs) for field in self.fields)

    @cached_property
    def _runs(self) -> tuple[tuple[str, int, int], ...]:
        """Name, shift and mask of every field, where each is one run of bits; nothing where one is not."""
        whole = all(len(parts) == 1 and not parts[0].low and parts[0].unit == 1 for _, parts in self._reads)
        return tuple((name, parts[0].shift, parts[0].mask) for name, parts in self._reads) if whole else ()

    @cached_property
    def _tests(self) -> tuple[int, tuple[tuple[int, int], ...], tuple[LayoutCheck, ...]]:
        """The length; the mask of every parity, its check bit included, and 1 where it is odd; the other checks."""
        rows = (row for check in self.checks if isinstance(check, Parity) for row in check.rows)
        others = tuple(check for check in self.checks if not isinstance(check, Parity))
        return self.length, tuple((mask | 1 << shift, odd) for shift, mask, odd in rows), others

    @cached_property
    def _frame(self) -> tuple[Any, tuple[Parity | Sum, ...]]:
        """The fixed bits, and the checks whose bits are computed."""
        fixed = sum(check.value for check in self.checks if isinstance(check, FixedBits))
        return fixed, tuple(check for check in self.checks if isinstance(check, Parity | Sum))

    def decode(self, word: Any) -> dict[str, Any]:
        """The value of every field of the frame ``word``, whatever its checks say."""
        fields: dict[str, Any] = {}
        for name, shift, mask in self._runs:
            fields[name] = word >> shift & mask
        return fields or {name: decode_number(parts, word) for name, parts in self._reads}

    def read(self, raw: Word) -> Fields | None:
        """The fields of one frame, or None where its length is wrong or a check fails; `faults` says which."""
        word, given = raw
        length, parities, others = self._tests
        if given != length:
            return None
        for mask, odd in parities:
            if (word & mask).bit_count() & 1 != odd:
                return None
        for check in others:
            if check.fails(word, parity):
                return None
        return owned_fields(self.decode(word))

    def faults(self, word: Any, parity: Any = parity) -> list[Any]:
        """For every check in order, whether ``word`` fails it."""
        return [check.fails(word, parity) for check in self.checks]

    def encode(self, fields: Mapping[str, Any], parity: Any = parity) -> Any:
        """The frame for ``fields``, which are in range: fixed bits set, check bits computed."""
        word, filled = self._frame
        for name, parts in self._reads:
            word |= encode_number(parts, fields[name])
        for check in filled:
            word = check.fill(word, parity)
        return word

    def _repr_svg_(self) -> str | None:
        """The layout as a drawing, for notebooks."""
        return draw(self)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class LayoutCodec(TableCodec[Bits, FieldMapping]):
    """Bits to fields by a `Layout`."""

    layout: Layout

    @classmethod
    def for_layout(cls, layout: Layout) -> LayoutCodec:
        """The codec for ``layout``."""
        return cls(
            name=layout.name, input=bits(exactly(layout.length)),
            output=Shape("fields", schema=layout.schema), layout=layout,
        )  # fmt: skip

    @property
    def table(self) -> Layout:
        """The layout."""
        return self.layout

    @property
    def never_notes(self) -> bool:
        """Whether the layout has no remarks."""
        return not self.layout.remarks

    def _decode_raw(self, raw: Word) -> Fields | None:
        """The fields, or None where the length is wrong or a check fails."""
        return self.layout.read(raw)

    @property
    def raw_decoder(self) -> Callable[[Any], Any]:
        """That of the layout."""
        return self.layout.read

    def _encode_raw(self, raw: Mapping[str, int]) -> Word:
        """The frame, with its check bits; raises `EncodeError` for fields that do not fit."""
        layout = self.layout
        check_fields(self.name, layout.schema, raw)
        return layout.encode(raw), layout.length

    def inspect(self, value: Bits) -> AnyReading:
        """The fields, every check with what it covers, and the notes that the values earn."""
        layout = self.layout
        word, length = to_word(value)
        if length != layout.length:
            check = Check(
                codec=self.name, rule="length", claim="the length in bits", form="bits",
                expected=layout.length, found=length,
            )  # fmt: skip
            return Reading(value=None, checks=(check,))
        fields = layout.decode(word)
        return Reading(
            value=Fields(fields),
            checks=tuple(self._check(check, word) for check in layout.checks),
            notes=tuple(note for remark in layout.remarks if (note := remark.note(word)) is not None),
            parts=tuple(Part(name=f.name, at=f.places, value=fields[f.name]) for f in layout.fields),
            origin=self._origin,
        )

    def _check(self, check: LayoutCheck, word: int) -> Check:
        expected, found = check.verdict(word)
        return Check(
            codec=self.name, rule=check.rule, claim=check.claim, form="bits", at=check.at,
            covers=check.covers, expected=expected, found=found, evidence=check.evidence,
        )  # fmt: skip

    def _origin(self, place: Place) -> tuple[Place, ...]:
        return next(field.places for field in self.layout.fields if field.name == place)
