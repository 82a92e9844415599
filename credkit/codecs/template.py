"""Templates: fields in a text, at fixed widths or between literals.

``{facility:03d}{number:05d}`` is three decimal digits and five; ``{number:d}`` is a number
without leading zeros, ``{number:06X}`` six hexadecimal digits. Unlike a format string, a width is
exact in both directions: a value that needs more digits is refused, never widened or cut.

Its table is a `Pattern`, which arrays of texts are read by.

Source: common practice, no source.

>>> card = build_template("{facility:03d}-{number:05d}")
>>> dict(card.decode("123-00678"))
{'facility': 123, 'number': 678}
>>> card.encode({"facility": 1, "number": 45678})
'001-45678'
>>> card.encode({"facility": 1000, "number": 1})
Traceback (most recent call last):
credkit.EncodeError: template:{facility:03d}-{number:05d}: facility is 1000, outside 0 to 999
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import log2
from string import Formatter
from typing import ClassVar

from credkit.core.codec import PRACTICE, AnyCodec, Entry, Example, TableCodec
from credkit.core.contract import check_fields
from credkit.core.errors import DefinitionError
from credkit.core.fields import FieldMapping, Fields, Item, owned_fields
from credkit.core.frozen import FrozenMapping
from credkit.core.grammar import format_step
from credkit.core.origins import ByName, Place
from credkit.core.reading import AnyReading, Check, Field, Level, Note, Part, Reading
from credkit.core.sentences import redacted_repr
from credkit.core.shapes import TEXT, Shape
from credkit.tables.pattern import TextPattern

ANIMAL_NUMBER_END = 1 << 38  # identifications of a country, ISO 11784
COUNTRIES: tuple[tuple[range, str, Level, str], ...] = (  # ISO 11784
    (range(900, 999), "manufacturer-code", "info", "from 900 to 998: a manufacturer's code, not a country of ISO 3166"),
    (range(999, 1000), "test-code", "care", "country 999 is for tests: such a number may be there twice (from memory)"),
)
MOST_FREE_DIGITS = 20  # digits of a field whose width is not given
_SPEC = re.compile(r"(?:0([1-9][0-9]{0,2}))?([dxX])")
_DIGITS = {"d": "[0-9]", "x": "[0-9A-Fa-f]", "X": "[0-9A-Fa-f]"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Template(TableCodec[str, FieldMapping]):
    """Text to fields by a pattern; ``bases`` holds the base in which each field is written."""

    pattern: re.Pattern[str]
    text: str
    bases: Mapping[str, int]

    @property
    def table(self) -> TextPattern | None:
        """The pattern and the bases."""
        return TextPattern(regex=self.pattern.pattern, bases=self.bases)

    def _numbers(self, match: re.Match[str]) -> dict[str, Item]:
        return {name: int(match[name], base) for name, base in self.bases.items()}

    @property
    def never_notes(self) -> bool:
        """No text earns a note."""
        return True

    def _decode_raw(self, raw: str) -> Fields | None:
        """The fields, or None where the text has another form."""
        match = self.pattern.fullmatch(raw)
        return owned_fields(self._numbers(match)) if match else None

    def _encode_raw(self, raw: FieldMapping) -> str:
        """The text; raises `EncodeError` for a field that is missing, unknown or too wide."""
        check_fields(self.name, self.schema, raw)
        return self.text.format(**raw)

    def inspect(self, value: str) -> AnyReading:
        """The fields, each traced to its digits; a failed check where the text has another form."""
        match = self.pattern.fullmatch(value)
        if not match:
            check = Check(
                codec=self.name, rule="form", claim="the form", form="text",
                expected=(self.text,), found=value,
            )  # fmt: skip
            return Reading(value=None, checks=(check,))
        at: dict[str, tuple[Place, ...]] = {name: tuple(range(*match.span(name))) for name in self.bases}
        fields = self._numbers(match)
        parts = tuple(Part(name=name, at=at[name], value=fields[name]) for name in fields)
        return Reading(value=Fields(fields), parts=parts, origin=ByName(at))


def build_template(*pieces: str) -> AnyCodec:
    """``template:TEXT``: literals and fields ``{NAME:0Nd}``, ``{NAME:0NX}``, ``{NAME:0Nx}``, ``{NAME:d}``.

    In TEXT a slash is written ``%2F``, since / ends a step, and a percent sign ``%25``.
    """
    text = ",".join(pieces)
    pattern, schema, bases = "", {}, {}
    open_end = False  # a field of any width came before, and no literal that ends it
    try:
        parsed = list(Formatter().parse(text))
    except ValueError as error:
        raise DefinitionError(f"template: {redacted_repr(text)} is not a template: {error}") from None
    for literal, name, spec, conversion in parsed:
        pattern += re.escape(literal)
        open_end = open_end and not re.search("[^0-9A-Fa-f]", literal)
        if name is None:
            continue
        match = _SPEC.fullmatch(spec or "")
        if not match or conversion or not re.fullmatch("[a-z][a-z0-9_]*", name) or name in schema:
            raise DefinitionError(
                f"template: {{{name}:{spec}}} is not a field such as {{number:05d}}, {{number:d}} or {{number:06X}}, "
                "each name once"
            )
        width, kind = match.groups()
        if not width and open_end:
            raise DefinitionError(f"template: nothing says where {name} begins: a letter or sign must stand before it")
        open_end = open_end or not width
        base = 10 if kind == "d" else 16
        pattern += f"(?P<{name}>{_DIGITS[kind]}{{{width or f'1,{MOST_FREE_DIGITS}'}}})"
        digits = int(width) if width and base == 10 else 0
        schema[name] = Field(name=name, most=base ** int(width or MOST_FREE_DIGITS) - 1, digits=digits)
        bases[name] = base
    if not schema:
        raise DefinitionError(f"template: {redacted_repr(text)} holds no field such as {{number:05d}}")
    return Template(
        name=format_step("template", text), input=TEXT, output=Shape("fields", schema=FrozenMapping(schema)),
        pattern=re.compile(pattern), text=text, bases=bases,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class AnimalNumber(Template):
    """The 15 digits that are printed of an animal's code: 12 digits have room for more than its 38 bits."""

    declares: ClassVar[bool] = True

    @property
    def table(self) -> None:
        """None: a pattern says nothing about the range."""
        return None

    @property
    def never_notes(self) -> bool:
        """Some countries earn one."""
        return False

    def _decode_raw(self, raw: str) -> Fields | None:
        """The country and the identification, or None where that has more than 38 bits."""
        fields = Template._decode_raw(self, raw)
        return None if fields is None or int(fields["identification"]) >= ANIMAL_NUMBER_END else fields

    def inspect(self, value: str) -> AnyReading:
        """The country and the identification; a failed check where that has more than 38 bits."""
        reading = Template.inspect(self, value)
        if reading.value is None:
            return reading
        country, number = reading.parts
        found, most = reading.value["identification"], ANIMAL_NUMBER_END - 1
        check = Check(
            codec=self.name, rule="range", claim="the range of identification", form="text", at=number.at,
            expected=f"0 to {most}", found=f"0 to {most}" if found <= most else found,
            evidence=log2(10**12 / ANIMAL_NUMBER_END),
        )  # fmt: skip
        notes = [
            Note(kind=kind, level=level, text=text, at=country.at)
            for countries, kind, level, text in COUNTRIES
            if country.value in countries
        ]
        if not check.passed:
            return replace(reading, value=None, checks=(check,), notes=tuple(notes))
        return replace(reading, checks=(check,), notes=tuple(notes))


def build_animal() -> AnyCodec:
    """``animal-number``: three digits of a country or manufacturer, and twelve of a number of 38 bits."""
    made = build_template("{country:03d}{identification:012d}")
    assert isinstance(made, Template)
    schema = {**made.schema, "identification": Field(name="identification", most=ANIMAL_NUMBER_END - 1)}
    return AnimalNumber(
        name="animal-number", input=TEXT, output=Shape("fields", schema=FrozenMapping(schema)),
        pattern=made.pattern, text=made.text, bases=made.bases,
    )  # fmt: skip


ENTRIES = (
    Entry(
        name="template", signature="TEXT", title="fields at fixed widths in a text, such as {number:05d}",
        source=PRACTICE, build=build_template, usual=(),
        examples=(
            Example(args="{facility:03d}{number:05d}", given="12345678", gives="facility=123 number=45678"),
            Example(args="{facility:03d}%2F{number:05d}", given="017/51739", gives="facility=17 number=51739"),
            Example(args="{number:06X}", given="7BB26E", gives="number=8106606"),
        ),
    ),
    Entry(
        name="animal-number", title="an animal's code in 15 digits: 3 of a country or manufacturer, 12 of a number",
        source="ISO 11784 (the printed form is common practice)", build=build_animal,
        examples=(Example(given="998123456789012", gives="country=998 identification=123456789012"),),
    ),
)  # fmt: skip
