"""Streams that repeat a frame: to the frame, found in them, and back.

    …0011 0100 0 111111111 00000 00011 00000 … 00011 0100 0 111111111 00000 00011 …
                 the frame begins here                      and here again

A read-only transponder sends its frame over and over for as long as it has power, so a record of
it begins anywhere, and may be inverted, as the demodulator had it. Every bit must be what it was one
frame earlier; then any stretch as long as the frame holds it all, and each place in both polarities
is tried. Exactly one must fit. A few frames, of ``read-only-64`` one in 175,000, fit in two ways
when they are repeated: they are not told apart, and not written.

It needs code, because where the frame stands depends on the value. A layout whose checks are too few
to find its beginning by is refused. Bits that disagree are not outvoted: read again.

Source: common practice, no source.

>>> from bitstring import Bits
>>> codec = build_cyclic("read-only-64")
>>> frame = Bits("0xFF80607C53E29468")
>>> codec.decode(frame[50:] + frame + frame[:7]) == frame
True
>>> [note.text for note in codec.inspect(~(frame[50:] + frame)).notes]
['the frame begins at bit 14', 'the bits are inverted']
>>> codec.decode(Bits.from_zeros(80))
Traceback (most recent call last):
credkit.DecodeError: cyclic:read-only-64: the place of a frame of read-only-64 fails: found none, expected one
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log2
from typing import NamedTuple

from bitstring import Bits

from credkit.codecs.frames import builtin_entries
from credkit.core.codec import PRACTICE, AnyCodec, Entry, Example, TableCodec
from credkit.core.errors import DefinitionError, EncodeError
from credkit.core.forms import Word, to_bits, to_word
from credkit.core.grammar import format_step
from credkit.core.origins import Place, Places
from credkit.core.reading import AnyReading, Check, Note, Part, Reading
from credkit.core.sentences import nearest, redacted_repr
from credkit.core.shapes import at_least, bits, exactly
from credkit.core.spans import MAX_BITS
from credkit.tables.layout import LayoutCodec

MIN_EVIDENCE_LEFT = 8.0  # bits of evidence that must be left when every place was tried
MOST_NAMED_PLACES = 8  # bits that disagree, and places that fit, are named by a check up to this many


class FrameFit(NamedTuple):
    """A place where a frame fits: its first bit, whether it is inverted, and the frame."""

    start: int
    inverted: bool
    frame: int


@dataclass(frozen=True, slots=True)
class _Repeated:
    """The origin of a frame of ``size`` bits that is repeated over ``length`` bits and begins at ``start``."""

    start: int
    size: int
    length: int

    def __call__(self, place: Place) -> Places:
        """The places."""
        return tuple(range((self.start + int(place)) % self.size, self.length, self.size))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Cyclic(TableCodec[Bits, Bits]):
    """Bits that repeat a frame of ``size`` bits to that frame."""

    frame: LayoutCodec
    size: int
    evidence: float

    def _decode_raw(self, raw: Word) -> Word | None:
        """The one frame, or None."""
        number, length = raw
        if length not in self.input.lengths or self._differing_bits(raw):
            return None
        found = self._find_frames(number >> (length - self.size))
        return (found[0].frame, self.size) if len(found) == 1 else None

    def _encode_raw(self, raw: Word) -> Word:
        """The frame, once; raises `EncodeError` for what is no frame, or would not be found again."""
        number, length = raw
        if length != self.size or self.frame._decode_raw(raw) is None:
            raise EncodeError(f"{self.name}: the bits are no frame of {self.frame.name}: {self._describe_failure(raw)}")
        if (count := len(self._find_frames(number))) > 1:
            raise EncodeError(
                f"{self.name}: this frame of {self.frame.name} reads in {count} ways when it is repeated, "
                "so it cannot be told from another one"
            )
        return raw

    def _describe_failure(self, raw: Word) -> str:
        failed = self.frame.inspect(to_bits(raw)).failed
        return failed.sentence() if failed else ""

    def _differing_bits(self, raw: Word) -> int:
        """The bits, as a number, that are not what they were one frame earlier."""
        number, length = raw
        return (number >> self.size) ^ number & (1 << (length - self.size)) - 1

    def _find_frames(self, window: int) -> list[FrameFit]:
        """Every place in ``window``, one frame long and closed to a ring, where a frame begins."""
        size, top = self.size, (1 << self.size) - 1
        found = []
        for inverted in (False, True):
            ring = window ^ top if inverted else window
            for start in range(size):
                turned = (ring << start | ring >> (size - start)) & top
                if self.frame._decode_raw((turned, size)) is not None:
                    found.append(FrameFit(start=start, inverted=inverted, frame=turned))
        return found

    def inspect(self, value: Bits) -> AnyReading:
        """The frame, where it begins and whether it is inverted; or why it is not found."""
        number, length = raw = to_word(value)
        if length not in self.input.lengths:
            limits = f"{self.size} to {MAX_BITS} bits"
            check = Check(
                codec=self.name, rule="length", claim="the length in bits", form="bits", expected=limits, found=length
            )
            return Reading(value=None, checks=(check,))
        repeats = (self._repetition_check(raw),) if length > self.size else ()
        if not all(check.passed for check in repeats):
            return Reading(value=None, checks=repeats)
        found = self._find_frames(number >> (length - self.size))
        checks = (*repeats, self._place_check(found))
        return self._reading_of(found[0], length, checks) if len(found) == 1 else Reading(value=None, checks=checks)

    def _reading_of(self, found: FrameFit, length: int, checks: tuple[Check, ...]) -> AnyReading:
        size, start = self.size, found.start
        notes = []
        if start:
            notes.append(Note(kind="rotated", level="info", text=f"the frame begins at bit {start}", at=(start,)))
        if found.inverted:
            notes.append(Note(kind="inverted", level="info", text="the bits are inverted"))

        whole = range(start, start + size)
        at = tuple(whole if whole.stop <= length else (place % size for place in whole))
        return Reading(
            value=to_bits((found.frame, size)), checks=checks, notes=tuple(notes),
            parts=(Part(name=self.frame.name, at=at, value=None),), origin=_Repeated(start, size, length),
        )  # fmt: skip

    def _repetition_check(self, raw: Word) -> Check:
        number, length = raw
        rest = length - self.size
        differing = f"{self._differing_bits(raw):0{rest}b}"
        wrong = [self.size + place for place, bit in enumerate(differing) if bit == "1"]
        at = wrong[:MOST_NAMED_PLACES]
        digits = f"{number:0{length}b}"
        more = f" ({len(wrong)} do not)" if len(wrong) > MOST_NAMED_PLACES else ""
        return Check(
            codec=self.name, rule="repeats", claim=f"every bit repeats the one {self.size} bits before it{more}",
            form="bits", at=tuple(at), covers=tuple(place - self.size for place in at),
            expected="".join(digits[place - self.size] for place in at), found="".join(digits[place] for place in at),
            evidence=float(rest),
        )  # fmt: skip

    def _place_check(self, found: list[FrameFit]) -> Check:
        ways = [f"bit {each.start}{' inverted' if each.inverted else ''}" for each in found[:MOST_NAMED_PLACES]]
        more = [f"{len(found) - MOST_NAMED_PLACES} more"] if len(found) > MOST_NAMED_PLACES else []
        several = f"{len(found)}: {', '.join([*ways, *more])}"
        return Check(
            codec=self.name, rule="one-place", claim=f"the place of a frame of {self.frame.name}", form="bits",
            expected="one", found={0: "none", 1: "one"}.get(len(found), several), evidence=self.evidence,
        )  # fmt: skip


def build_cyclic(name: str) -> AnyCodec:
    """``cyclic:LAYOUT``: bits that repeat a frame of a built-in layout, from any bit on and in either polarity.

    As many bits as the frame has, or more. Encoding writes the frame once.
    """
    entry = next((entry for entry in builtin_entries() if entry.name == name), None)
    frame = entry.build() if entry else None
    if not isinstance(frame, LayoutCodec):
        known = [entry.name for entry in builtin_entries()]
        raise DefinitionError(f"cyclic: {redacted_repr(name)} is not a built-in layout{nearest(name, known)}")
    size = frame.layout.length
    evidence = sum(check.evidence for check in frame.layout.checks) - log2(2 * size)
    if evidence < MIN_EVIDENCE_LEFT:
        raise DefinitionError(
            f"cyclic: the checks of {name} are too few to tell where it begins among {2 * size} places; "
            "a layout such as read-only-64 has enough"
        )
    return Cyclic(
        name=format_step("cyclic", name), input=bits(at_least(size)), output=bits(exactly(size)), frame=frame,
        size=size,
        evidence=evidence,
    )  # fmt: skip


ENTRIES = (
    Entry(
        name="cyclic", signature="LAYOUT", title="a stream that repeats a frame, to the frame", source=PRACTICE,
        build=build_cyclic, usual=("read-only-64",),
        examples=(
            Example(
                args="read-only-64", given="1111111110000000011000000111110001010011111000101001010001101000",
                gives="1111111110000000011000000111110001010011111000101001010001101000",
            ),
        ),
    ),
)  # fmt: skip
