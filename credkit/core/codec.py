"""The codec: one two-way step between two forms, and the catalogue row it is built from.

Authors write ``inspect`` (total: any value of the form gives a `Reading`) and ``encode``; ``decode``
is derived here, once. A codec made from a table is a `TableCodec` one: it also has ``_decode_raw`` and
``_encode_raw``, which do the same work without the explanations. Inside a chain bits travel as a
`Word`, a plain pair of a whole number and a length, because making a ``Bits`` for every step
would cost more than the steps do.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Generic, TypeAlias, TypeGuard, TypeVar

from bitstring import Bits

from credkit.core.errors import DecodeError, EncodeError
from credkit.core.frozen import FrozenMapping
from credkit.core.reading import AnyReading, Field, Form, Reading, Row, Schema, TextField, describe_places
from credkit.core.sentences import nearest, redacted_repr
from credkit.core.shapes import Shape, only
from credkit.core.spans import LIMIT, WIDEST

PRACTICE = "common practice, no source"  # an entry's source where no standard is known
In = TypeVar("In")
Out = TypeVar("Out")
Word: TypeAlias = tuple[int, int]  # the bits as a number, first bit most significant; how many

_TYPES: dict[Form, tuple[type, str]] = {
    "text": (str, "a str"),
    "bits": (Bits, "a bitstring.Bits"),
    "fields": (Mapping, "a mapping"),
}
_WHOLE: dict[Form, str] = {"text": "text", "bits": "frame", "fields": "fields"}
NO_FIELDS: Schema = FrozenMapping({})


def to_word(value: Bits) -> Word:
    """Bits as a number and a length.

    >>> to_word(Bits("0b0101"))
    (5, 4)
    """
    return int(f"0{value.bin}", 2), len(value)


def to_bits(word: Word) -> Bits:
    """The inverse of `to_word`.

    >>> to_bits((5, 4)).bin
    '0101'
    """
    number, length = word
    return Bits.from_string(f"0b{number:0{length}b}") if length else Bits()


def to_raw(form: Form, value: Any) -> Any:
    """``value`` as it travels inside a chain."""
    return to_word(value) if form == "bits" else value


def from_raw(form: Form, raw: Any) -> Any:
    """The inverse of `carry`."""
    return to_bits(raw) if form == "bits" else raw


def is_form(form: Form, value: object) -> bool:
    """Whether ``value`` is of the Python type that ``form`` stands for."""
    return isinstance(value, _TYPES[form][0])


def is_number(value: object) -> TypeGuard[int]:
    """Whether ``value`` can stand in a field: a whole number, neither negative nor absurdly long.

    >>> is_number(5), is_number(-5), is_number(True), is_number("5")
    (True, False, False, False)
    """
    return isinstance(value, int) and not isinstance(value, bool) and value >= 0 and value.bit_length() <= WIDEST


def is_item(value: object) -> TypeGuard[int | str]:
    """Whether ``value`` can stand in a field at all: a whole number, or a text that is not absurdly long.

    >>> is_item(5), is_item("05"), is_item(None)
    (True, True, False)
    """
    return is_number(value) or (isinstance(value, str) and len(value) <= LIMIT)


def any_row(name: str, value: object) -> Row:
    """The schema row of a field of which only ``value`` is known: any text, or any number.

    >>> any_row("part1", "012").problem("")
    """
    return TextField(name=name) if isinstance(value, str) else Field(name=name, most=(1 << WIDEST) - 1)


def check_fields(codec: str, schema: Schema, fields: Mapping[str, Any]) -> None:
    """Raise `EncodeError` unless ``fields`` are exactly the fields of ``schema``, each in range."""
    for name, field in schema.items():
        if name not in fields:
            near = nearest(name, (str(other) for other in fields if other not in schema))
            raise EncodeError(f"{codec}: the field {name} is missing ({field.allowed}){near}")
        if problem := field.problem(fields[name]):
            raise EncodeError(f"{codec}: {problem}")
    if len(fields) > len(schema):
        unknown = next(name for name in fields if name not in schema)
        raise EncodeError(
            f"{codec}: there is no field {redacted_repr(unknown)}, only {', '.join(schema)}"
            f"{nearest(str(unknown), schema)}"
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Codec(ABC, Generic[In, Out]):
    """A named, immutable, two-way step from the shape ``input`` to the shape ``output``.

    ``is_projection`` marks a projection: it drops a part of what it is given, in either direction, and has
    no inverse. ``drops_extra_fields`` marks a codec that leaves out surplus fields when it is a target's last step.
    ``decode_obstacle`` and ``encode_obstacle`` say why it works one way only, if it does.
    """

    declares: ClassVar[bool] = False  # whether it says, as a standard does, what the digits of its text are

    name: str
    input: Shape
    output: Shape
    is_projection: bool = False
    drops_extra_fields: bool = False
    decode_obstacle: str | None = None
    encode_obstacle: str | None = None

    @abstractmethod
    def inspect(self, value: In) -> Reading[Out]:
        """Read ``value`` and say everything about it; never raises for a value of the input form."""

    @abstractmethod
    def encode(self, value: Out) -> In:
        """Write ``value``, of the output form, back; raises `EncodeError` for what does not fit."""

    def _decode_raw(self, raw: Any) -> Any:
        """What ``decode`` would return, or None; both in the form they travel in."""
        reading = self.inspect(from_raw(self.takes, raw))
        return to_raw(self.gives, reading.value) if reading.ok else None

    def _encode_raw(self, raw: Any) -> Any:
        """``encode``, with values in the form they travel in."""
        return to_raw(self.takes, self.encode(from_raw(self.gives, raw)))

    def decode(self, value: In) -> Out:
        """Read ``value``; raises `DecodeError` if it cannot be read or any check fails."""
        self.admit(value)
        result = self._decode_raw(to_raw(self.takes, value))
        if result is None:
            raise self.failure(self.inspect(value))
        decoded: Out = from_raw(self.gives, result)
        return decoded

    def admit(self, value: Any) -> None:
        """Raise `DecodeError` unless ``value`` is of the input form."""
        if not is_form(self.takes, value):
            raise DecodeError(
                f"{self.name}: takes {self.takes} ({_TYPES[self.takes][1]}), not {redacted_repr(value)}",
                codec=self.name,
            )

    def failure(self, reading: AnyReading) -> DecodeError:
        """The error for a reading of this codec that has a failed check."""
        check = reading.failed
        assert check is not None, f"{self.name}: attempt and inspect disagree"  # a bug here, never the input
        place = reading.trace(check)
        message = check.sentence()
        if place and check.form != self.takes:
            message += f" ({describe_places(self.takes, place)} of the {_WHOLE[self.takes]})"
        return DecodeError(message, codec=check.codec, check=check, place=place)

    def given(self, value: Any) -> Any:
        """``value`` if it is of the output form; raises `EncodeError` otherwise."""
        if not is_form(self.gives, value):
            raise EncodeError(
                f"{self.name}: encodes {self.gives} ({_TYPES[self.gives][1]}), not {redacted_repr(value)}"
            )
        return value

    def bind_input(self, flowing: Shape) -> AnyCodec:
        """This codec as it stands behind ``flowing``: the same, unless its lengths or fields depend on it."""
        return self

    def input_for(self, flowing: Shape) -> Shape:
        """What ``encode`` hands to the step before when it is given ``flowing``."""
        return self.output if self.is_projection else self.input

    @property
    def takes(self) -> Form:
        """The form that ``decode`` takes."""
        return self.input.form

    @property
    def gives(self) -> Form:
        """The form that ``decode`` gives."""
        return self.output.form

    @property
    def schema(self) -> Schema:
        """The fields that ``decode`` gives; empty for text and bits."""
        return self.output.schema or NO_FIELDS

    @property
    def length(self) -> int | None:
        """How many bits stand on the bits side (the input side first), when it is one number."""
        for shape in (self.input, self.output):
            if shape.form == "bits":
                return only(shape.lengths)
        return None

    @property
    def table(self) -> object | None:
        """The table this codec interprets, or None where it needs code."""
        return None

    @property
    def steps(self) -> tuple[AnyCodec, ...]:
        """The codecs of a chain; a codec alone is its own only step."""
        return (self,)

    @property
    def limited(self) -> bool:
        """Whether it also writes what is longer than its standard allows; a note on reading it says so."""
        return False

    @property
    def lossy(self) -> bool:
        """Whether two different values can become one."""
        return self.is_projection

    def __str__(self) -> str:
        return self.name


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TableCodec(Codec[In, Out]):
    """A codec that interprets a table: ``_decode_raw`` and ``_encode_raw`` do the work, ``inspect`` explains it."""

    @abstractmethod
    def _decode_raw(self, raw: Any) -> Any:
        """What ``decode`` would return, or None; both in the form they travel in."""

    @abstractmethod
    def _encode_raw(self, raw: Any) -> Any:
        """``encode``, with values in the form they travel in."""

    def encode(self, value: Out) -> In:
        """Write ``value``, of the output form, back; raises `EncodeError` for what does not fit."""
        encoded: In = from_raw(self.takes, self._encode_raw(to_raw(self.gives, self.given(value))))
        return encoded


AnyCodec: TypeAlias = Codec[Any, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Example:
    """One worked value of an entry: arguments, what goes in, what comes out.

    Values are written as text: bits as binary digits, fields as ``facility=1 number=2``.
    """

    args: str = ""
    given: str
    gives: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A row of the catalogue: how a name in a chain becomes a codec.

    ``build`` takes the arguments written behind the name, as text; ``signature`` shows them.
    ``usual`` lists argument texts worth trying on an unknown value; ``aliases`` are names that an
    open standard gives the same content.
    """

    name: str
    title: str
    source: str
    build: Callable[..., AnyCodec]
    examples: tuple[Example, ...]
    signature: str = ""
    usual: tuple[str, ...] = ("",)
    aliases: tuple[str, ...] = ()
