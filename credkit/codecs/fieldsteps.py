"""Fields to fields: select, offset, digits and map.

`select` renames and keeps (see `credkit.tables.select`). `offset` is for cards whose printed number
is the encoded one plus a constant, `map` for cards that came with a list. The lists are a site's
own, so ``map`` is not in the catalogue: `map_entry` makes the row that is passed in ``codecs=``.
`digits` takes a text of digits, as a track has it, for a number.
These three have no table of the five kinds: they compute with values, not with places.

Source: common practice, no source.

>>> dict(build_select("site=facility", "card=number").decode({"facility": 123, "number": 45678}))
{'site': 123, 'card': 45678}
>>> dict(build_offset("number", "20000").decode({"number": 45}))
{'number': 20045}
>>> dict(build_digits("number", "5").decode({"number": "00045"}))
{'number': 45}
>>> lockers = map_entry({"lockers": {101: 7, 102: 9}}).build("lockers", "number")
>>> dict(lockers.decode({"number": 102})), dict(lockers.encode({"number": 7}))
({'number': 9}, {'number': 101})
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

from credkit.codecs.arguments import parse_whole_number
from credkit.core.codec import PRACTICE, AnyCodec, Codec, Entry, Example
from credkit.core.errors import DefinitionError, EncodeError
from credkit.core.fields import FieldMapping, Fields, with_ints
from credkit.core.forms import is_number
from credkit.core.frozen import FrozenMapping
from credkit.core.grammar import format_step
from credkit.core.origins import same_place
from credkit.core.reading import AnyReading, Check, Field, Reading, SchemaRow, TextField
from credkit.core.sentences import nearest, redacted_repr
from credkit.core.shapes import FIELDS, Shape
from credkit.core.spans import MAX_NUMBER_BITS
from credkit.tables.select import Select, SelectCodec

_LARGEST = (1 << MAX_NUMBER_BITS) - 1
_MOST_DIGITS = 40  # of a text that is taken as a number


def build_select(*rows: str) -> AnyCodec:
    """``select:OUTER=INNER,NAME,NAME=VALUE,VALUE=INNER``: rename, keep, add and demand constants."""
    kept: dict[str, str] = {}
    added: dict[str, int] = {}
    demanded: dict[str, int] = {}
    outers: list[str] = []
    inners: list[str] = []
    for row in rows:
        outer, equals, inner = row.partition("=")
        inner = inner if equals else outer
        if outer.isdecimal():
            demanded[inner] = parse_whole_number("select", f"the value of {inner}", outer, least=0, most=_LARGEST)
            inners.append(inner)
        elif inner.isdecimal():
            added[outer] = parse_whole_number("select", f"the value of {outer}", inner, least=0, most=_LARGEST)
            outers.append(outer)
        else:
            kept[outer] = inner
            outers.append(outer)
            inners.append(inner)
    for name in (*outers, *inners):
        if not (name.isascii() and name.isidentifier() and name == name.lower()):
            raise DefinitionError(
                f"select: {redacted_repr(name)} is not a field; rows are NAME, OUTER=INNER, NAME=5 or 5=NAME"
            )
        if outers.count(name) > 1 or inners.count(name) > 1:
            raise DefinitionError(f"select: {name} appears twice")
    if not kept:
        raise DefinitionError("select: at least one field must be kept, such as select:number")
    return SelectCodec(
        name=format_step("select", *rows), input=FIELDS, output=FIELDS, drops_extra_fields=True,
        select=Select(kept=kept, added=added, demanded=demanded),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class FieldStep(Codec[FieldMapping, FieldMapping]):
    """A step that changes the value of one field and lets the others pass.

    Subclasses say what a value becomes, and which values can come out.
    """

    field: str

    @abstractmethod
    def decode_value(self, value: object) -> int | None:
        """The outer value, or None where there is none."""

    @abstractmethod
    def encode_value(self, value: object) -> int | str | None:
        """The inner value, or None where there is none."""

    @abstractmethod
    def outer_row(self, field: SchemaRow) -> Field | None:
        """The schema row of the outer field; None where there is none for such an inner one."""

    @abstractmethod
    def rule_and_expectation(self) -> tuple[str, str]:
        """The check: its key, and what is expected."""

    def bind_input(self, flowing: Shape) -> FieldStep:
        """The step for the fields that flow here; its field must be among them."""
        schema = flowing.schema
        if schema is None:
            return self
        if self.field not in schema:
            known = ", ".join(schema)
            raise DefinitionError(f"the field {self.field}, but there is only {known}{nearest(self.field, schema)}")
        outer = self.outer_row(schema[self.field])
        if outer is None:
            raise DefinitionError(f"{self.rule_and_expectation()[1]}, but {self.field} is {schema[self.field].allowed}")
        changed = dict(schema) | {self.field: outer}
        return replace(self, input=flowing, output=Shape("fields", schema=FrozenMapping(changed)))

    def inspect(self, value: Mapping[str, Any]) -> AnyReading:
        """The fields with the one changed; a failed check where its value has no counterpart."""
        inner = value.get(self.field)
        outer = self.decode_value(inner)
        if outer is not None:
            return Reading(value=Fields({**value, self.field: outer}), origin=same_place)
        rule, expected = self.rule_and_expectation()
        check = Check(
            codec=self.name, rule=rule, claim=f"the value of {self.field}", form="fields", at=(self.field,),
            expected=expected, found=inner if isinstance(inner, int) else (inner,),
        )  # fmt: skip
        return Reading(value=None, checks=(check,))

    def encode(self, value: Mapping[str, Any]) -> Mapping[str, Any]:
        """The fields with the one changed back."""
        outer = self.check_output(value).get(self.field)
        inner = self.encode_value(outer)
        if inner is None:
            raise EncodeError(
                f"{self.name}: {self.field} is {redacted_repr(outer)}, expected {self.rule_and_expectation()[1]}"
            )
        return Fields({**value, self.field: inner})


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Offset(FieldStep):
    """Adds a constant on decoding."""

    amount: int

    def decode_value(self, value: object) -> int | None:
        """The sum, unless it is negative."""
        return value + self.amount if is_number(value) and is_number(value + self.amount) else None

    def encode_value(self, value: object) -> int | None:
        """The difference, unless it is negative."""
        return value - self.amount if is_number(value) and is_number(value - self.amount) else None

    def outer_row(self, field: SchemaRow) -> Field | None:
        """The range, shifted."""
        if isinstance(field, TextField) or field.most + self.amount < 0:
            return None
        return replace(field, least=max(0, field.least + self.amount), most=field.most + self.amount, digits=0)

    def rule_and_expectation(self) -> tuple[str, str]:
        """The sum may not be negative."""
        return "range", f"a number from {abs(self.amount)} on"


def build_offset(field: str, amount: str) -> AnyCodec:
    """``offset:FIELD,N``: the outer number is the inner one plus N (which may be negative)."""
    size = parse_whole_number("offset", "the amount", amount, least=-(10**18), most=10**18)
    return Offset(name=format_step("offset", field, amount), input=FIELDS, output=FIELDS, field=field, amount=size)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class LookUp(FieldStep):
    """Looks a value up in a list, printed to encoded on decoding."""

    title: str
    encoded: Mapping[int, int]
    printed: Mapping[int, int]

    def decode_value(self, value: object) -> int | None:
        """The encoded number for a printed one."""
        return self.encoded.get(value) if is_number(value) else None

    def encode_value(self, value: object) -> int | None:
        """The printed number for an encoded one."""
        return self.printed.get(value) if is_number(value) else None

    def outer_row(self, field: SchemaRow) -> Field | None:
        """The range of the encoded numbers."""
        return None if isinstance(field, TextField) else replace(
            field, least=min(self.printed), most=max(self.printed), digits=0
        )  # fmt: skip

    def rule_and_expectation(self) -> tuple[str, str]:
        """The value must stand in the list."""
        return "listed", f"a number of the list {self.title}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class DigitsToNumber(FieldStep):
    """Takes a text of ``count`` decimal digits as a whole number."""

    count: int

    def decode_value(self, value: object) -> int | None:
        """The number, if the text has just as many digits."""
        if not isinstance(value, str) or len(value) != self.count or not value.isascii() or not value.isdigit():
            return None
        return int(value)

    def encode_value(self, value: object) -> str | None:
        """The digits, zeros in front."""
        return f"{value:0{self.count}d}" if is_number(value) and value < 10**self.count else None

    def outer_row(self, field: SchemaRow) -> Field | None:
        """Every number of so many digits."""
        if isinstance(field, Field) or self.count not in field.lengths:
            return None
        return Field(name=field.name, most=10**self.count - 1, digits=self.count)

    def rule_and_expectation(self) -> tuple[str, str]:
        """The text must be so many digits."""
        return "digits", f"{self.count} decimal digits"


def build_digits(field: str, count: str) -> AnyCodec:
    """``digits:FIELD,N``: a field that is a text of N decimal digits, as a whole number."""
    size = parse_whole_number("digits", "the number of digits", count, most=_MOST_DIGITS)
    return DigitsToNumber(
        name=format_step("digits", field, count), input=FIELDS, output=FIELDS, field=field, count=size
    )


def map_entry(tables: Mapping[str, Mapping[int, int]]) -> Entry:
    """The catalogue row for ``map:TABLE,FIELD`` over a site's own lists, each printed → encoded.

    Raises `DefinitionError` for an empty list, and for one in which two printed numbers share an
    encoded one.

    Cards of Brackwater Terminal's old pier hold other numbers than are printed on them:

    >>> from credkit import decode
    >>> pier = map_entry({"pier": {1001: 45678, 1002: 45679}})
    >>> decode("decimal:16/fields:number:16/map:pier,number", "1001", codecs=pier)
    Fields(number=45678)
    """
    if not isinstance(tables, Mapping):
        raise DefinitionError(f"map: lists by name are needed, not {redacted_repr(tables)}")
    made: dict[str, tuple[Mapping[int, int], Mapping[int, int]]] = {}
    for title, table in tables.items():
        back: dict[int, int] = {}
        if not isinstance(table, Mapping):
            raise DefinitionError(
                f"map {redacted_repr(title)}: numbers by printed number are needed, not {redacted_repr(table)}"
            )
        table = with_ints(table)
        for printed, encoded in table.items():
            if not is_number(printed) or not is_number(encoded):
                pair = f"{redacted_repr(printed)} → {redacted_repr(encoded)}"
                raise DefinitionError(f"map {redacted_repr(title)}: {pair} must be whole numbers that are not negative")
            if encoded in back:
                raise DefinitionError(f"map {title}: {back[encoded]} and {printed} both have the number {encoded}")
            back[encoded] = printed
        if not table:
            raise DefinitionError(f"map {title}: the list is empty")
        made[title] = FrozenMapping(table), FrozenMapping(back)

    return Entry(
        name="map", signature="TABLE,FIELD", title="a number looked up in a site's list, printed to encoded",
        source="defined by the site", build=partial(_build_map, FrozenMapping(made)), usual=(), examples=(),
    )  # fmt: skip


def _build_map(made: Mapping[str, tuple[Mapping[int, int], Mapping[int, int]]], title: str, field: str) -> AnyCodec:
    """``map:TABLE,FIELD``: the field looked up in one of the lists."""
    if title not in made:
        raise DefinitionError(
            f"map: there is no list {redacted_repr(title)}, only {', '.join(made)}{nearest(title, made)}"
        )
    encoded, printed = made[title]
    return LookUp(
        name=format_step("map", title, field), input=FIELDS, output=FIELDS, field=field, title=title,
        encoded=encoded, printed=printed,
    )  # fmt: skip


ENTRIES = (
    Entry(
        name="select", signature="ROW,…", title="fields kept, renamed, added or demanded", source=PRACTICE,
        build=build_select, usual=(),
        examples=(Example(args="card=number,123=facility", given="facility=123 number=45678", gives="card=45678"),),
    ),
    Entry(
        name="offset", signature="FIELD,N", title="a constant added to a field", source=PRACTICE, build=build_offset,
        usual=(), examples=(Example(args="number,20000", given="number=45", gives="number=20045"),),
    ),
    Entry(
        name="digits", signature="FIELD,N", title="a text of N decimal digits as a number", source=PRACTICE,
        build=build_digits, usual=(), examples=(Example(args="number,5", given="number='00045'", gives="number=45"),),
    ),
)  # fmt: skip
