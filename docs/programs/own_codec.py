"""A codec of Brackwater Terminal's own: visitors' stickers, a number and two check digits (ISO/IEC 7064, MOD 97-10)."""

from dataclasses import dataclass

import credkit
from credkit import Check, Codec, DefinitionError, EncodeError, Entry, Example, Reading, Shape


def same_place(place: int | str) -> tuple[int | str, ...]:
    """Digit 0 of the number is digit 0 of the sticker."""
    return (place,)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)  # those of Codec serve
class Sticker(Codec[str, str]):
    """The number before two check digits."""

    size: int

    def inspect(self, value: str) -> Reading[str]:
        """The number; what is wrong with a sticker is a failed check, never an exception."""
        if problem := self.problem(value, self.size + 2):
            check = Check(codec=self.name, rule="form", claim="the form", form="text", expected=problem, found=value)
            return Reading(value=None, checks=(check,))
        number = value[: self.size]
        check = Check(
            codec=self.name,
            rule="mod-97",
            claim="MOD 97-10",
            form="text",
            at=(self.size, self.size + 1),  # what is judged
            covers=tuple(range(self.size)),  # what it is judged by
            expected=self.check_digits(number),
            found=value[self.size :],
            evidence=6.6,  # bits: a random pair of digits passes once in 97
        )
        return Reading(value=number, checks=(check,), origin=same_place)

    def encode(self, value: str) -> str:
        """The sticker for a number."""
        if problem := self.problem(value, self.size):
            raise EncodeError(f"{self.name}: expected {problem}, not {value!r}")
        return value + self.check_digits(value)

    def problem(self, value: str, size: int) -> str | None:
        """What the text should be, if it is something else."""
        return None if value.isascii() and value.isdigit() and len(value) == size else f"{size} digits"

    def check_digits(self, number: str) -> str:
        """The two digits that make the whole number 1 modulo 97."""
        return f"{98 - int(number) * 100 % 97:02}"


def build_sticker(size: str) -> Sticker:
    """``sticker:SIZE``; arguments of a chain are texts."""
    if size not in ("3", "5"):
        raise DefinitionError(f"sticker: 3 or 5 digits, not {size!r}")
    return Sticker(name=f"sticker:{size}", input=Shape("text"), output=Shape("text"), size=int(size))


STICKER = Entry(
    name="sticker",
    signature="SIZE",
    title="a visitor's number, with two check digits",
    source="ISO/IEC 7064, MOD 97-10",
    build=build_sticker,
    examples=(Example(args="3", given="79444", gives="794"),),
)
VISITOR = credkit.chain("strip:V/sticker:3/decimal:16,3/fields:number:16", codecs=STICKER, takes="text", gives="fields")


def main() -> None:
    """The worked example of ISO/IEC 7064 is 79444; a swapped pair of digits is found where it was typed."""
    print(VISITOR.decode("V79444"), VISITOR.encode({"number": 794}))
    try:
        VISITOR.decode("V97444")
    except credkit.DecodeError as error:
        print(error)


if __name__ == "__main__":
    main()
