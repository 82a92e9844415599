"""Check characters at the end of a printed number: text to text.

Some numbers are printed with a check digit that the card does not hold, or two. `check-digit` demands that
it is right and takes it off; writing puts it on. It finds slips of the pen, nothing else.

It has no table of its own: which characters there are, and how the last ones are computed, stands in
`credkit.tables.checkcharacters`.

Source: ISO/IEC 7812-1 (luhn), ISO/IEC 7064 (mod-11-2, mod-37-2, mod-97-10, mod-11-10, mod-27-26,
mod-37-36); mod-10 with weights is common practice, no source.

>>> build_check_digit("luhn").decode("79927398713")
'7992739871'
>>> build_check_digit("mod-10", "3", "1").encode("400638133393")
'4006381333931'
>>> build_check_digit("luhn").decode("79927398714")
Traceback (most recent call last):
credkit.DecodeError: check-digit:luhn: the luhn check character fails: character 10 is '4', expected 3
"""

from __future__ import annotations

from dataclasses import dataclass

from credkit.codecs.arguments import parse_whole_number
from credkit.core.codec import AnyCodec, Codec, Entry, Example
from credkit.core.errors import EncodeError
from credkit.core.grammar import format_step
from credkit.core.origins import same_place
from credkit.core.reading import AnyReading, Check, Reading
from credkit.core.sentences import redacted_repr
from credkit.core.shapes import TEXT
from credkit.tables.checkcharacters import CheckCharacter, build_check_character
from credkit.tables.items import format_ranges


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class CheckDigit(Codec[str, str]):
    """Takes off the check characters at the end, which must be right."""

    character: CheckCharacter

    def inspect(self, value: str) -> AnyReading:
        """The text before the check characters; a failed check where these are wrong, or cannot be any."""
        rule, letters, size = self.character.rule, self.character.letters, self.character.size
        end = max(0, len(value) - size)
        strange = tuple(
            i for i, c in enumerate(value) if c not in (letters if i < end else self.character.check_letters)
        )
        if strange or len(value) < size:
            of = letters if strange and strange[0] < end else self.character.check_letters
            check = Check(
                codec=self.name, rule="alphabet" if strange else "length",
                claim="the alphabet" if strange else "the length", form="text", at=strange,
                expected=f"characters of {format_ranges(of)}" if strange else f"at least {size}",
                found=tuple(value[i] for i in strange) if strange else len(value),
            )  # fmt: skip
            return Reading(value=None, checks=(check,))
        check = Check(
            codec=self.name, rule=rule, claim=f"the {rule} check{' character' if size == 1 else ''}", form="text",
            at=tuple(range(end, len(value))), covers=tuple(range(end)),
            expected=self.character.compute(value[:end]), found=value[end:], evidence=self.character.evidence,
        )  # fmt: skip
        return Reading(value=value[:end], checks=(check,), origin=same_place)

    def encode(self, value: str) -> str:
        """The text with its check characters."""
        for place, char in enumerate(self.check_output(value)):
            if char not in self.character.letters:
                of = format_ranges(self.character.letters)
                raise EncodeError(
                    f"{self.name}: character {place} is {redacted_repr(char)}, expected characters of {of}"
                )
        return value + self.character.compute(value)


def build_check_digit(rule: str, *weights: str) -> AnyCodec:
    """``check-digit:luhn``, ``mod-11-2``, ``mod-10,W,W…`` and others: takes the check characters off the end.

    luhn, mod-11-2, mod-11-10, mod-97-10 and mod-10 take decimal digits, mod-27-26 capital letters, mod-37-2 and
    mod-37-36 both. The check of mod-11-2 may be an X, that of mod-37-2 an asterisk; that of mod-97-10 are two digits.
    The weights of mod-10 are repeated from the right: the first one belongs to the last digit before the check digit.
    """
    numbers = [parse_whole_number("check-digit", "a weight", weight, most=9) for weight in weights]
    character = build_check_character("check-digit", rule, numbers)
    return CheckDigit(name=format_step("check-digit", rule, *weights), input=TEXT, output=TEXT, character=character)


ENTRIES = (
    Entry(
        name="check-digit", signature="RULE[,WEIGHT,…]", title="check characters at the end of a printed number",
        source="ISO/IEC 7812-1 (luhn), ISO/IEC 7064 (the others); mod-10 is common practice, no source",
        build=build_check_digit,
        usual=(
            "luhn", "mod-11-10", "mod-11-2", "mod-97-10", "mod-37-36", "mod-37-2", "mod-27-26", "mod-10,3,1",
        ),
        examples=(
            Example(args="luhn", given="79927398713", gives="7992739871"),
            Example(args="mod-97-10", given="79444", gives="794"),
            Example(args="mod-37-36", given="A12425GABC1234002M", gives="A12425GABC1234002"),
        ),
    ),
)  # fmt: skip
