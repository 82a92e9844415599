"""What a block check is, once found: where it stands, what it covers, how it is computed, how sure that is."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal, TypeAlias

from credkit.core.checks import crc_rows
from credkit.core.frozen import FieldsOnly
from credkit.core.reading import describe_places
from credkit.core.sentences import format_count
from credkit.core.spans import format_span
from credkit.discover.polynomials import advance, reverse_bits
from credkit.tables.crcs import ALGORITHMS
from credkit.tables.layout import Sum, bit_runs_at

Kind: TypeAlias = Literal["xor", "sum", "crc"]
MIN_EVIDENCE_BITS = 12.0  # bits of evidence of a claim: chance makes one in 4096 samples at most


def blocks(places: tuple[int, ...], width: int) -> list[tuple[int, ...]]:
    """``places`` in blocks of ``width``.

    >>> blocks((0, 1, 2, 3), 2)
    [(0, 1), (2, 3)]
    """
    return [places[start : start + width] for start in range(0, len(places), width)]


@dataclass(frozen=True, kw_only=True, repr=False)
class BlockCheck(FieldsOnly):
    """A block of bits that is computed from others: an XOR, a sum or a CRC.

    ``at`` are the bits of the check, most significant first, ``covers`` those that it is computed from, in the order
    in which they are taken. ``undecided`` are the covered bits that are the same in every frame: they may be covered
    or not. ``evidence`` counts in bits what could have been otherwise, less what was tried. ``outliers`` are the
    frames, by their index, that fail. ``alternatives`` fit the sample just as well.

    A CRC has ``poly`` without its highest term. ``starts`` are pairs of initial value and final XOR, as the register
    has them: at one length of frame all of them give the same check, and so do others. Blocks of ``block`` bits
    are combined with ``constant``: ``sign`` times their sum and the constant, modulo ``modulus``.
    """

    kind: Kind
    length: int
    at: tuple[int, ...]
    covers: tuple[int, ...]
    evidence: float
    undecided: tuple[int, ...] = ()
    poly: int = 0
    starts: tuple[tuple[int, int], ...] = ()
    block: int = 0
    constant: int = 0
    sign: Literal[1, -1] = 1
    modulus: int = 0
    outliers: tuple[int, ...] = ()
    alternatives: tuple[BlockCheck, ...] = ()

    def __repr__(self) -> str:
        return f"<BlockCheck {self.describe().split(', or')[0]}>"

    @property
    def width(self) -> int:
        """How many bits the check has."""
        return len(self.at)

    @cached_property
    def parities(self) -> tuple[tuple[int, int], ...]:
        """The check as parities: the mask of the frame's bits in each, check bit included, and 1 where it is odd.

        A sum has none.
        """
        if self.kind == "sum":
            return ()
        if self.kind == "xor":
            columns = list(zip(*blocks(self.covers, self.block), strict=True))
            odd = [self.constant >> (self.width - 1 - i) & 1 for i in range(self.width)]
        else:
            init, xorout = self.starts[0]
            rows = crc_rows(len(self.covers), width=self.width, poly=self.poly, init=init, xorout=xorout)
            columns = [tuple(self.covers[i] for i in cover) for cover, _ in rows]
            odd = [row[1] for row in rows]
        return tuple(
            (sum(1 << (self.length - 1 - place) for place in (*column, at)), bit)
            for column, at, bit in zip(columns, self.at, odd, strict=True)
        )

    @property
    def relations(self) -> tuple[int, ...]:
        """The parities as affine relations: ``1 << position`` for each position, ``1 << length`` where one is odd.

        >>> check = BlockCheck(kind="xor", length=12, at=(8, 9, 10, 11), covers=tuple(range(8)), evidence=30, block=4,
        ...                    constant=1)
        >>> [f"{relation:013b}" for relation in check.relations]
        ['0000100010001', '0001000100010', '0010001000100', '1100010001000']
        """
        return tuple(reverse_bits(mask, self.length) | odd << self.length for mask, odd in self.parities)

    def fails(self, frame: int) -> bool:
        """Whether ``frame`` has another check than it should have."""
        if self.kind != "sum":
            return any((frame & mask).bit_count() & 1 != odd for mask, odd in self.parities)
        return bool(self._sum.fails(frame, None))

    @cached_property
    def _sum(self) -> Sum:
        """The sum as a row of a layout has it."""
        return Sum(
            rule="sum", claim="sum", at=self.at, covers=self.covers, evidence=self.evidence,
            bit_runs=bit_runs_at(self.length, self.at),
            blocks=tuple(bit_runs_at(self.length, places) for places in blocks(self.covers, self.block)),
            modulus=self.modulus, constant=self.constant, negated=self.sign < 0,
        )  # fmt: skip

    @property
    def reflected(self) -> bool:
        """Whether the bits of a CRC's bytes are taken from the last to the first."""
        return self.kind == "crc" and len(self.covers) > 1 and self.covers[0] > self.covers[1]

    @cached_property
    def algorithm(self) -> str:
        """The name under which a layout knows a CRC with these parameters and start values, or an empty text."""
        if self.kind != "crc" or len(self.covers) % 8:
            return ""
        at, covers = sorted(self.at), sorted(self.covers)
        for name, row in ALGORITHMS.items():
            if row.width == self.width:
                rows = row.parities(len(covers) // 8)
                masks = (sum(1 << (self.length - 1 - covers[i]) for i in cover) for cover, _ in rows)
                bits = (1 << (self.length - 1 - place) for place in at)
                odd = (odd for _, odd in rows)
                if {(mask | bit, one) for mask, bit, one in zip(masks, bits, odd, strict=True)} == {*self.parities}:
                    return name
        return ""

    @property
    def toml_rows(self) -> tuple[str, ...]:
        """Its rows for ``checks`` of a layout."""
        at, covers = format_span(self.at), format_span(self.covers)
        spans = ", ".join(f'"{format_span(block)}"' for block in blocks(self.covers, self.block or self.width))
        if self.kind == "sum":
            more = f", add = {self.constant}" * bool(self.constant) + ", negate = true" * (self.sign < 0)
            more += f", modulus = {self.modulus}" * (self.modulus != 1 << self.width)
            return (f'{{ bits = "{at}", sum = [{spans}]{more} }}',)
        if self.kind == "xor" and not self.constant:
            return (f'{{ bits = "{at}", xor = [{spans}] }}',)
        if self.kind == "xor":  # a constant start value: XOR is the CRC of x^width + 1
            return (f'{{ bits = "{at}", crc = "{covers}", poly = 0x1, xorout = {_hexadecimal(self.constant)} }}',)
        if self.algorithm:
            at, covers = format_span(sorted(self.at)), format_span(sorted(self.covers))
            return (f'{{ bits = "{at}", crc = "{covers}", algorithm = "{self.algorithm}" }}',)
        init, xorout = self.starts[0]
        constants = [f"{key} = {_hexadecimal(value)}" for key, value in (("init", init), ("xorout", xorout)) if value]
        row = ", ".join([f'bits = "{at}"', f'crc = "{covers}"', f"poly = {_hexadecimal(self.poly)}", *constants])
        return (f"{{ {row} }}",)

    def describe(self) -> str:
        """The check in a sentence.

        >>> BlockCheck(kind="xor", length=24, at=(16, 17, 18, 19), covers=tuple(range(16)), evidence=30, block=4,
        ...            constant=15).describe()
        'bits 16-19: XOR of 4 blocks of 4 bits, bits 0-15, and 0xf'
        """
        if self.algorithm:
            place, of = (describe_places("bits", tuple(sorted(places))) for places in (self.at, self.covers))
            return f"{place}: CRC of {of}, {self.algorithm}"
        place, of = describe_places("bits", self.at), describe_places("bits", self.covers)
        if self.kind == "crc":
            init, xorout = self.starts[0]
            return (
                f"{place}: CRC of {of}, polynomial {_hexadecimal(self.poly)} with initial value {_hexadecimal(init)} "
                f"and final XOR {_hexadecimal(xorout)}, or any pair that gives the same at this length"
            )
        count = format_count(len(self.covers) // self.block, "block")
        words = f"{count} of {format_count(self.block, 'bit')}, {of}"
        constant = f", and {_hexadecimal(self.constant)}" if self.constant else ""
        if self.kind == "xor":
            return f"{place}: XOR of {words}{constant}"
        sum_name = "sum" if self.sign == 1 else "negated sum"
        return f"{place}: {sum_name} of {words}{constant}, modulo {self.modulus}"


def crc_starts(constant: int, generator: int, length: int) -> tuple[tuple[int, int], ...]:
    """Usual pairs of initial value and final XOR that give the CRC of ``length`` zero bits as ``constant``.

    Pairs of zeros and ones alone stand first; the others have one of both as usual.

    >>> crc_starts(0, 0x107, 24)[0]
    (0, 0)
    """
    ones = (1 << (generator.bit_length() - 1)) - 1
    pairs = [(init, constant ^ advance(init, generator, length)) for init in (0, ones)]
    pairs += [(advance(constant ^ xorout, generator, -length), xorout) for xorout in (0, ones)]
    unique = dict.fromkeys(pairs)
    return tuple(sorted(unique, key=lambda pair: (not is_usual(pair, ones), pairs.index(pair))))


def is_usual(pair: tuple[int, int], ones: int) -> bool:
    """Whether both values are nothing but zeros or nothing but ones.

    >>> is_usual((0, 255), 255), is_usual((0, 1), 255)
    (True, False)
    """
    return all(value in (0, ones) for value in pair)


def _hexadecimal(value: int) -> str:
    return f"{value:#x}"
