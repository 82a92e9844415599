"""Check characters at the end of a printed number: text to text.

Some numbers are printed with a check digit that the card does not hold. `check-digit` demands that
it is right and takes it off; writing puts it on. It finds slips of the pen, nothing else.

It has no table of its own: which characters there are, and how the last one is computed, stands in
`credkit.tables.checkcharacters`.

Source: ISO/IEC 7812-1 (luhn), ISO/IEC 7064 (mod-11-10, mod-37-36); mod-10 with weights is common
practice, no source.

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
    """Takes off a check character that must be right."""

    character: CheckCharacter

    def inspect(self, value: str) -> AnyReading:
        """The text before the check character; a failed check where that is wrong, or cannot be one."""
        rule, letters = self.character.rule, self.character.letters
        strange = tuple(i for i, c in enumerate(value) if c not in letters)
        if strange or not value:
            check = Check(
                codec=self.name, rule="alphabet" if strange else "length",
                claim="the alphabet" if strange else "the length", form="text", at=strange,
                expected=f"characters of {format_ranges(letters)}" if strange else "at least 1",
                found=tuple(value[i] for i in strange) if strange else 0,
            )  # fmt: skip
            return Reading(value=None, checks=(check,))
        last = len(value) - 1
        check = Check(
            codec=self.name, rule=rule, claim=f"the {rule} check character", form="text", at=(last,),
            covers=tuple(range(last)), expected=self.character.compute(value[:last]), found=value[last],
            evidence=self.character.evidence,
        )  # fmt: skip
        return Reading(value=value[:last], checks=(check,), origin=same_place)

    def encode(self, value: str) -> str:
        """The text with its check character."""
        for place, char in enumerate(self.check_output(value)):
            if char not in self.character.letters:
                of = format_ranges(self.character.letters)
                raise EncodeError(
                    f"{self.name}: character {place} is {redacted_repr(char)}, expected characters of {of}"
                )
        return value + self.character.compute(value)


def build_check_digit(rule: str, *weights: str) -> AnyCodec:
    """``check-digit:luhn``, ``mod-11-10``, ``mod-37-36``, ``mod-10,W,W…``: takes a check character off the end.

    luhn, mod-11-10 and mod-10 take decimal digits, mod-37-36 capital letters too. The weights of
    mod-10 are repeated from the right: the first one belongs to the last digit before the check digit.
    """
    numbers = [parse_whole_number("check-digit", "a weight", weight, most=9) for weight in weights]
    character = build_check_character("check-digit", rule, numbers)
    return CheckDigit(name=format_step("check-digit", rule, *weights), input=TEXT, output=TEXT, character=character)


ENTRIES = (
    Entry(
        name="check-digit", signature="RULE[,WEIGHT,…]", title="a check character at the end of a printed number",
        source="ISO/IEC 7812-1 (luhn), ISO/IEC 7064 (mod-11-10, mod-37-36); mod-10 is common practice, no source",
        build=build_check_digit, usual=("luhn", "mod-11-10", "mod-37-36", "mod-10,3,1"),
        examples=(
            Example(args="luhn", given="79927398713", gives="7992739871"),
            Example(args="mod-37-36", given="A12425GABC1234002M", gives="A12425GABC1234002"),
        ),
    ),
)  # fmt: skip
