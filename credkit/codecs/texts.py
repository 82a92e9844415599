"""Text to text: what stands around a number, and how much of it is left.

`strip` takes off what a keyboard-emulating reader adds; `last-digits` is the cut that a back end
makes when its column is too narrow. Neither has a table: they work on characters, whose number is
not fixed.

Source: common practice, no source.

>>> build_strip("ID<space>", "<enter>").decode("ID 02F764DD\\r")
'02F764DD'
>>> build_last_digits("4").decode("0049767645")
'7645'
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from credkit.codecs.arguments import parse_whole_number
from credkit.core.codec import PRACTICE, AnyCodec, Codec, Entry, Example
from credkit.core.errors import DefinitionError, EncodeError
from credkit.core.grammar import format_step
from credkit.core.origins import Shifted
from credkit.core.reading import AnyReading, Check, Reading
from credkit.core.sentences import redacted_repr
from credkit.core.shapes import TEXT

NAMED_KEYS = {
    "<enter>": ("\r", "\n", "\r\n"),
    "<tab>": ("\t",),
    "<space>": (" ",),
    "<stx>": ("\x02",),
    "<etx>": ("\x03",),
}
BLANKS = " \t\r\n"


def _slice_reading(value: str, start: int, stop: int) -> AnyReading:
    """The reading of ``value`` from ``start`` to ``stop``."""
    return Reading(value=value[start:stop], origin=Shifted(start))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Strip(Codec[str, str]):
    """Takes off a fixed prefix and suffix, which must be there; without either, white space at both ends."""

    pattern: re.Pattern[str] | None = None
    prefix: str = ""
    suffix: str = ""

    def inspect(self, value: str) -> AnyReading:
        """The text between prefix and suffix; a failed check where one of them is missing."""
        span = self._span(value)
        if span:
            return _slice_reading(value, *span)
        check = Check(
            codec=self.name,
            rule="form",
            claim="the form",
            form="text",
            expected=(self.prefix, self.suffix),
            found=value,
        )
        return Reading(value=None, checks=(check,))

    def encode(self, value: str) -> str:
        """The text with prefix and suffix put on."""
        text = f"{self.prefix}{self.check_output(value)}{self.suffix}"
        span = self._span(text)
        if not span or text[slice(*span)] != value:
            raise EncodeError(f"{self.name}: {redacted_repr(value)} would not be read back the same")
        return text

    def _span(self, value: str) -> tuple[int, int] | None:
        if self.pattern is None:
            start = len(value) - len(value.lstrip(BLANKS))
            return start, max(start, len(value.rstrip(BLANKS)))
        match = self.pattern.fullmatch(value)
        return match.span(1) if match else None


def _key_alternatives(key: str) -> str:
    return f"(?:{'|'.join(sorted(NAMED_KEYS[key], key=len, reverse=True))})"


def build_strip(prefix: str = "", suffix: str = "") -> AnyCodec:
    """``strip``, ``strip:PREFIX,SUFFIX``: what a keyboard-emulating reader types around a number.

    Keys that are not characters are written ``<enter>`` (CR, LF or both; CR is written), ``<tab>``,
    ``<space>``, ``<stx>`` and ``<etx>``.
    """
    if not prefix and not suffix:
        return Strip(name="strip", input=TEXT, output=TEXT)
    patterns, texts = [], []
    for what, spec in (("prefix", prefix), ("suffix", suffix)):
        pieces = re.split(r"(<[a-z]+>)", spec)
        for piece in pieces[1::2]:
            if piece not in NAMED_KEYS:
                raise DefinitionError(f"strip: {piece} in the {what} is not one of {', '.join(NAMED_KEYS)}")
        patterns.append("".join(_key_alternatives(p) if p in NAMED_KEYS else re.escape(p) for p in pieces))
        texts.append("".join(NAMED_KEYS[p][0] if p in NAMED_KEYS else p for p in pieces))
    if prefix.endswith("<enter>"):
        patterns[0] += "(?!\n)"  # or it would be unclear which line end belongs to what
    return Strip(
        name=format_step("strip", prefix, suffix), input=TEXT, output=TEXT,
        pattern=re.compile(f"{patterns[0]}(.*?){patterns[1]}", re.DOTALL), prefix=texts[0], suffix=texts[1],
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class LastDigits(Codec[str, str]):
    """Keeps the last ``count`` digits of a decimal text: a truncation that no slice of bits equals."""

    count: int

    def inspect(self, value: str) -> AnyReading:
        """The last digits; a failed check for other characters, or for fewer digits than are kept."""
        strange = tuple(i for i, c in enumerate(value) if c not in "0123456789")
        if strange:
            check = Check(
                codec=self.name, rule="alphabet", claim="the alphabet", form="text", at=strange,
                expected="decimal digits", found=tuple(value[i] for i in strange),
            )  # fmt: skip
        elif len(value) < self.count:
            check = Check(
                codec=self.name, rule="length", claim="the length", form="text",
                expected=f"at least {self.count}", found=len(value),
            )  # fmt: skip
        else:
            return _slice_reading(value, len(value) - self.count, len(value))
        return Reading(value=None, checks=(check,))

    def encode(self, value: str) -> str:
        """The same cut, for a value on its way out."""
        reading = self.inspect(self.check_output(value))
        if reading.failed:
            raise EncodeError(f"{reading.failed.sentence()} (decimal:B,D writes leading zeros)")
        return str(reading.value)


def build_last_digits(count: str) -> AnyCodec:
    """``last-digits:N``: a projection to the last N decimal digits."""
    size = parse_whole_number("last-digits", "the number of digits", count)
    return LastDigits(name=format_step("last-digits", count), input=TEXT, output=TEXT, is_projection=True, count=size)


ENTRIES = (
    Entry(
        name="strip", signature="[PREFIX][,SUFFIX]", title="what a keyboard-emulating reader types around a number",
        source=PRACTICE, build=build_strip, usual=("",),
        examples=(Example(given=" 02F764DD\r", gives="02F764DD"), Example(args="ID,#", given="ID77#", gives="77")),
    ),
    Entry(
        name="last-digits", signature="N", title="cut to the last N decimal digits", source=PRACTICE,
        build=build_last_digits, usual=("8",),
        examples=(Example(args="4", given="0049767645", gives="7645"),),
    ),
)  # fmt: skip
