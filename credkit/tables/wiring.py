"""Wirings: which input bit goes to which output bit.

Every reordering, inversion, alignment and cut of bits is one table: for each output bit the input
bit it comes from, which outputs are inverted, and the input bits that go nowhere. In a padding
those *spare* bits must be zero; in a projection they are cut.

       input   0 1 2 3 4 5 6 7        right-justified:6 of 8 bits:
               . . │ │ │ │ │ │        bits 0 and 1 are spare and must be 0
       output      0 1 2 3 4 5
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, NamedTuple

from bitstring import Bits

from credkit.core.codec import TableCodec
from credkit.core.errors import EncodeError
from credkit.core.forms import Word, to_bits, to_word
from credkit.core.origins import OneByOne
from credkit.core.reading import AnyReading, Check, Part, Reading
from credkit.core.shapes import Shape, bits, common_lengths, describe_lengths, exactly, single_length
from credkit.core.spans import MAX_NUMBER_BITS, format_span, runs


class Move(NamedTuple):
    """A run of neighbouring bits and where it goes, counted from the last bit of each side.

    A run that is read downwards has a `turn`, after it was moved up by ``lead``.
    """

    start: int
    mask: int
    end: int
    lead: int = 0
    turn: tuple[tuple[int, int], ...] = ()

    def reverse(self, run: int) -> int:
        """The bits of the run in the other order."""
        run <<= self.lead
        for half, mask in self.turn:
            run = run >> half & mask | (run & mask) << half
        return run

    @classmethod
    def reversing(cls, start: int, size: int, end: int) -> Move:
        """A run of ``size`` bits whose order changes: all neighbours change places, then all pairs, and so on."""
        width = 1 << (size - 1).bit_length()
        halves = [1 << step for step in range(width.bit_length() - 1)]
        turn = tuple((half, ((1 << width) - 1) // ((1 << half) + 1)) for half in halves)
        return cls(start, (1 << size) - 1, end, width - size, turn)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wiring:
    """``source[i]`` is the input position that output bit ``i`` comes from; positions from the first bit.

    ``flip`` inverts every output bit. ``kept_places`` are the input positions that come out, ``spare_places`` the
    others, ``spare`` the mask of those. The same operations serve a whole number and an array of them. In one that
    ``stays``, the bits that are not spare stand at the end already.
    """

    takes: int
    source: tuple[int, ...]
    flip: bool
    moves: tuple[Move, ...]
    kept_places: tuple[int, ...]
    spare_places: tuple[int, ...]
    spare: int
    stays: bool

    @classmethod
    def from_source(cls, takes: int, source: tuple[int, ...], *, flip: bool = False) -> Wiring:
        """The table, with its moves and the mask of its spare bits worked out."""
        moves, done = [], 0
        for first, last in runs(source):
            size = abs(last - first) + 1
            if last >= first:
                moves.append(Move(takes - 1 - last, (1 << size) - 1, len(source) - done - size))
            else:
                moves.append(Move.reversing(takes - 1 - first, size, len(source) - done - size))
            done += size
        used = set(source)
        spare_places = tuple(i for i in range(takes) if i not in used)
        stays = not flip and source == tuple(range(takes - len(source), takes))
        return cls(
            takes=takes, source=source, flip=flip, moves=tuple(moves), kept_places=tuple(sorted(used)),
            spare_places=spare_places, spare=sum(1 << (takes - 1 - i) for i in spare_places), stays=stays,
        )  # fmt: skip

    @property
    def gives(self) -> int:
        """How many bits come out."""
        return len(self.source)

    def decode(self, word: int) -> int:
        """The output bits for the input bits ``word``."""
        out = 0
        for move in self.moves:
            start, mask, end, _, turn = move
            run = word >> start & mask
            out |= (move.reverse(run) if turn else run) << end
        return out ^ ((1 << len(self.source)) - 1) if self.flip else out

    def rewire(self, raw: Word) -> Word | None:
        """The output bits, or None where the length is wrong or a spare bit is not zero."""
        word, length = raw
        if length != self.takes or word & self.spare:
            return None
        return word if self.stays else self.decode(word), len(self.source)

    def cut(self, raw: Word) -> Word | None:
        """The output bits, or None where the length is wrong; the spare bits are dropped."""
        word, length = raw
        return (self.decode(word), len(self.source)) if length == self.takes else None

    def encode(self, word: int) -> int:
        """The input bits for the output bits ``word``; spare bits are zero."""
        if self.flip:
            word ^= (1 << len(self.source)) - 1
        out = 0
        for move in self.moves:
            run = word >> move.end & move.mask
            out |= (move.reverse(run) if move.turn else run) << move.start
        return out


Rule = Callable[[int], tuple[int, ...]]  # from an input length to the source of each output bit


def wiring_for(rule: Rule, length: int, flip: bool) -> Wiring:
    """The wiring for one input length; kept for the next value unless it is a very long one."""
    return (
        _cached_wiring(rule, length, flip)
        if length <= MAX_NUMBER_BITS
        else Wiring.from_source(length, rule(length), flip=flip)
    )


@lru_cache(maxsize=512)
def _cached_wiring(rule: Rule, length: int, flip: bool) -> Wiring:
    return Wiring.from_source(length, rule(length), flip=flip)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class WiredCodec(TableCodec[Bits, Bits]):
    """Bits to bits by a `Wiring` for each input length.

    ``keeps_length`` says that output and input are equally long; ``total``, of an alignment, is
    the input length that encoding pads to (whole bytes until a chain fixes it).
    """

    rule: Rule
    flip: bool = False
    keeps_length: bool = False
    total: int | None = None

    @property
    def table(self) -> Wiring | None:
        """The wiring, once the input length is fixed."""
        length = single_length(self.input.lengths)
        return None if length is None else wiring_for(self.rule, length, self.flip)

    def bind_input(self, flowing: Shape) -> WiredCodec:
        """The codec for the lengths that can flow here."""
        lengths = common_lengths(flowing.lengths, self.input.lengths)
        if self.keeps_length:
            return replace(self, input=bits(lengths), output=bits(lengths))
        if self.is_projection or self.input.lengths == lengths:
            return self
        whole = common_lengths(lengths, range(0, lengths.stop, 8)) or lengths
        return replace(self, input=bits(lengths), total=whole[0])

    def input_for(self, flowing: Shape) -> Shape:
        """What encoding hands on: as many bits as it got, what it cuts to, or what it pads to."""
        if self.keeps_length:
            return bits(common_lengths(flowing.lengths, self.output.lengths))
        if self.is_projection:
            return self.output
        return bits(exactly(self.padded(0)))

    def padded(self, length: int) -> int:
        """How many bits encoding makes of ``length``."""
        return length if self.keeps_length else self.total or -(-self.output.lengths[0] // 8) * 8

    @property
    def never_notes(self) -> bool:
        """No bits earn a note."""
        return True

    def _decode_raw(self, raw: Word) -> Word | None:
        """The rewired bits, or None where the length is wrong or padding is not zero."""
        length = raw[1]
        if length not in self.input.lengths:
            return None
        table = wiring_for(self.rule, length, self.flip)
        return table.cut(raw) if self.is_projection else table.rewire(raw)

    @property
    def raw_decoder(self) -> Callable[[Any], Any]:
        """That of the wiring, once the input length is fixed."""
        table = self.table
        if table is None:
            return self._decode_raw
        return table.cut if self.is_projection else table.rewire

    def _encode_raw(self, raw: Word) -> Word:
        """The bits before the rewiring; a projection cuts in this direction too."""
        word, length = raw
        if self.is_projection:
            result = self._decode_raw(raw)
            if result is None:
                raise EncodeError(f"{self.name}: cuts {describe_lengths(self.input.lengths)}, not {length}")
            return result
        if length not in self.output.lengths:
            raise EncodeError(f"{self.name}: writes {describe_lengths(self.output.lengths)}, not {length}")
        takes = self.padded(length)
        return wiring_for(self.rule, takes, self.flip).encode(word), takes

    def inspect(self, value: Bits) -> AnyReading:
        """The rewired bits, each traced to where it came from; wrong padding is a failed check."""
        word, length = to_word(value)
        if length not in self.input.lengths:
            check = Check(
                codec=self.name, rule="length", claim="the length in bits", form="bits",
                expected=describe_lengths(self.input.lengths), found=length,
            )  # fmt: skip
            return Reading(value=None, checks=(check,))
        table = wiring_for(self.rule, length, self.flip)
        source, spare = table.source, table.spare_places
        checks: tuple[Check, ...] = ()
        parts = [Part(name="kept", at=table.kept_places, value=None)]
        if spare and not self.is_projection:
            digits = value.bin
            found = "".join([digits[i] for i in spare])
            checks = (
                Check(
                    codec=self.name, rule="padding", claim=f"zero padding in bits {format_span(spare)}",
                    form="bits", at=spare, covers=spare, expected="0" * len(spare), found=found,
                    evidence=float(len(spare)),
                ),
            )  # fmt: skip
        if spare:
            parts.append(Part(name="cut" if self.is_projection else "padding", at=spare, value=None))
        return Reading(
            value=to_bits((table.decode(word), len(source))),
            checks=checks,
            parts=tuple(parts),
            origin=OneByOne(source),
        )
