"""The codec: one two-way step between two forms, and the catalogue row it is built from.

Authors write ``inspect`` (total: any value of the form gives a `Reading`) and ``encode``; ``decode``
is derived here, once. A codec made from a table is a `TableCodec` one: it also has ``_decode_raw`` and
``_encode_raw``, which do the same work without the explanations. Inside a chain bits travel as a
`Word`, a plain pair of a whole number and a length, because making a ``Bits`` for every step
would cost more than the steps do.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from functools import partial
from typing import Any, ClassVar, Generic, TypeAlias, TypeVar, cast, overload

from bitstring import Bits

from credkit.core.contract import checked_encode, checked_inspect, slip_error
from credkit.core.errors import CredkitError, DecodeError, DefinitionError, EncodeError
from credkit.core.forms import OWN_TYPES, TYPES, BitsLike, Form, from_raw, raw_of, to_raw
from credkit.core.frozen import FrozenMapping
from credkit.core.hooks import redact_text
from credkit.core.origins import Place
from credkit.core.reading import AnyReading, Field, Note, Reading, Schema, SchemaRow, TextField, describe_places
from credkit.core.sentences import brief, redacted_repr
from credkit.core.shapes import Shape, describe_missing_front, single_length
from credkit.core.spans import MAX_NUMBER_BITS

PRACTICE = "common practice, no source"  # an entry's source where no standard is known
In = TypeVar("In")
Out = TypeVar("Out")

_WHOLE: dict[Form, str] = {"text": "text", "bits": "frame", "fields": "fields"}
NO_FIELDS: Schema = FrozenMapping({})


def _name_character(given: object, place: tuple[Place, ...]) -> str:
    """The one character of a text that ``place`` names, in a clause; nothing where the text has an account number."""
    if not isinstance(given, str) or len(place) != 1 or redact_text(given) != given:
        return ""
    return f", {given[int(place[0])]!r}"


def any_row(name: str, value: object) -> SchemaRow:
    """The schema row of a field of which only ``value`` is known: any text, or any number.

    >>> any_row("part1", "012").problem("")
    """
    return TextField(name=name) if isinstance(value, str) else Field(name=name, most=(1 << MAX_NUMBER_BITS) - 1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Codec(ABC, Generic[In, Out]):
    """A named, immutable, two-way step from the shape ``input`` to the shape ``output``.

    ``is_projection`` marks a projection: it drops a part of what it is given, in either direction, and has
    no inverse. ``drops_extra_fields`` marks a codec that leaves out surplus fields when it is a target's last step.
    ``decode_obstacle`` and ``encode_obstacle`` say why it works one way only, if it does.

    >>> from credkit import chain
    >>> gate = chain("hex:8/right-justified:26/wiegand-26")
    >>> gate.takes, gate.gives, gate.decode("02F764DD"), gate.encode({"facility": 123, "number": 45678})
    ('text', 'fields', Fields(facility=123, number=45678), '02F764DD')
    >>> gate.schema["number"].allowed
    '0 to 65535'
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
        reading = checked_inspect(self, from_raw(self.takes, raw))
        return to_raw(self.gives, reading.value) if reading.ok else None

    def _decode_noted(self, raw: Any) -> tuple[Any, tuple[Note, ...]] | None:
        """What `_decode_raw` gives, and every note on it; None where a check fails, or only ``inspect`` shows notes."""
        value = self._decode_raw(raw) if self.never_notes else None
        return None if value is None else (value, ())

    @property
    def raw_decoder(self) -> Callable[[Any], Any]:
        """What a chain calls for `_decode_raw`: that, or what does the same for it in fewer steps."""
        return self._decode_raw

    def _decode_each(self, raws: Sequence[Any]) -> list[Any]:
        """`_decode_raw` of many values."""
        return [self._decode_raw(raw) for raw in raws]

    def _encode_raw(self, raw: Any) -> Any:
        """``encode``, with values in the form they travel in."""
        return to_raw(self.takes, checked_encode(self, from_raw(self.gives, raw)))

    @overload
    def decode(self, value: In) -> Out: ...
    @overload
    def decode(self: Codec[Bits, Out], value: BitsLike) -> Out: ...

    def decode(self, value: object) -> Out:
        """Read ``value``; raises `DecodeError` if it cannot be read or any check fails."""
        raw: Any = value if type(value) is str and self.input.form == "text" else self._raw_input(value)
        try:
            result: Any = self._decode_raw(raw)
            if result is not None:
                decoded: Out = result if self.output.form != "bits" else from_raw("bits", result)
                return decoded
        except CredkitError:
            raise
        except Exception as error:
            raise slip_error(self, f"decode of {redacted_repr(value)}", error) from error
        raise self.decode_error(checked_inspect(self, from_raw(self.takes, raw)))

    def decode_error(self, reading: AnyReading) -> DecodeError:
        """The error for a reading of this codec that has a failed check."""
        check = reading.failed
        if check is None:
            raise DefinitionError(f"codec {self.name} is broken: decode refuses what inspect finds good")
        try:
            place = reading.trace(check)
        except Exception as error:
            raise slip_error(self, f"the origin of {redacted_repr(reading.value)}", error) from error
        message = check.sentence()
        if place and (check.form != self.takes or set(place) != set(check.at)):
            given = reading.steps[0].given if reading.steps else None
            where = f"{describe_places(self.takes, place)} of the {_WHOLE[self.takes]}"
            message += f" ({where}{_name_character(given, place)})"
        return DecodeError(message, codec=check.codec, check=check, place=place)

    def check_input(self, value: object) -> In:
        """``value`` as the Python value that ``inspect`` takes; raises `DecodeError` if it is of another form."""
        if type(value) is OWN_TYPES[self.input.form]:
            return cast("In", value)
        checked: In = from_raw(self.takes, self._raw_input(value))
        return checked

    def check_output(self, value: object) -> Out:
        """``value`` as the Python value that ``encode`` takes; raises `EncodeError` if it is of another form."""
        if type(value) is OWN_TYPES[self.output.form]:
            return cast("Out", value)
        checked: Out = from_raw(self.gives, self._raw_output(value))
        return checked

    def _raw_input(self, value: object) -> Any:
        try:
            return raw_of(self.takes, value)
        except ValueError as error:
            problem = f"takes {self.takes} ({TYPES[self.takes]}), {error}"
            if isinstance(value, str) and self.takes != "text":
                problem += f": {describe_missing_front(self.name, self.input)}"
            raise DecodeError(f"{self.name}: {problem}", codec=self.name) from None

    def _raw_output(self, value: object) -> Any:
        try:
            return raw_of(self.gives, value)
        except ValueError as error:
            raise EncodeError(f"{self.name}: encodes {self.gives} ({TYPES[self.gives]}), {error}") from None

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
                return single_length(shape.lengths)
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
    def never_notes(self) -> bool:
        """Whether no reading of it has a note: whoever looks for notes need not inspect."""
        return False

    @property
    def lossy(self) -> bool:
        """Whether two different values can become one."""
        return self.is_projection

    def __eq__(self, other: object) -> bool:
        """Whether ``other`` does the same: the same steps, made from the same tables."""
        if self is other:
            return True
        if type(self) is not type(other):
            return NotImplemented
        same = all(getattr(self, each.name) == getattr(other, each.name) for each in fields(self) if each.compare)
        return same and getattr(self, "__dict__", None) == getattr(other, "__dict__", None)

    def __hash__(self) -> int:
        return hash((type(self), self.name))

    def __getstate__(self) -> tuple[dict[str, Any], dict[str, Any]]:
        """The fields, and what a subclass that is no dataclass has set beside them."""
        return {each.name: getattr(self, each.name) for each in fields(self)}, dict(getattr(self, "__dict__", {}))

    def __setstate__(self, state: tuple[dict[str, Any], dict[str, Any]]) -> None:
        for name, value in (state[0] | state[1]).items():
            object.__setattr__(self, name, value)

    def __str__(self) -> str:
        return self.name

    def __repr__(self) -> str:
        return f"<{type(self).__name__} {brief(self.name)}: {self.takes} to {self.gives}>"


class TableCodec(Codec[In, Out]):
    """A codec that interprets a table: ``_decode_raw`` and ``_encode_raw`` do the work, ``inspect`` explains it."""

    __slots__ = ()  # it has no fields of its own

    @abstractmethod
    def _decode_raw(self, raw: Any) -> Any:
        """What ``decode`` would return, or None; both in the form they travel in."""

    @abstractmethod
    def _encode_raw(self, raw: Any) -> Any:
        """``encode``, with values in the form they travel in."""

    def encode(self, value: Out) -> In:
        """Write ``value``, of the output form, back; raises `EncodeError` for what does not fit."""
        raw = self._raw_output(value)
        try:
            encoded: In = from_raw(self.takes, self._encode_raw(raw))
        except CredkitError:
            raise
        except Exception as error:
            raise slip_error(self, f"encode of {redacted_repr(value)}", error) from error
        return encoded


AnyCodec: TypeAlias = Codec[Any, Any]


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Example:
    """One worked value of an entry: arguments, what goes in, what comes out.

    Values are written as text: bits as binary digits, fields as ``facility=1 number=2``.
    """

    args: str = ""
    given: str
    gives: str

    def __repr__(self) -> str:
        return f"<Example {brief(redact_text(f'{self.args}: {self.given} to {self.gives}'))}>"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Entry:
    """A row of the catalogue: how a name in a chain becomes a codec.

    ``build`` takes the arguments written behind the name, as text; ``signature`` shows them.
    ``usual`` lists argument texts worth trying on an unknown value; ``aliases`` are names that an
    open standard gives the same content. ``holds_key`` says that a key is in what it builds: chains
    with it are built anew for each call, so that no cache keeps the key.

    >>> from credkit import chain, decode
    >>> entry = Entry(name="serial", title="a serial of so many bytes", source=PRACTICE, signature="BYTES", examples=(),
    ...               build=lambda size: chain(f"fields:serial:{8 * int(size)}"))
    >>> decode("hex:8/serial:4", "0000B26E", codecs=entry)
    Fields(serial=45678)
    """

    name: str
    title: str
    source: str
    build: Callable[..., AnyCodec]
    examples: tuple[Example, ...]
    signature: str = ""
    usual: tuple[str, ...] = ("",)
    aliases: tuple[str, ...] = ()
    holds_key: bool = False

    def __eq__(self, other: object) -> bool:
        """Whether ``other`` builds the same codecs under the same name."""
        if not isinstance(other, Entry):
            return NotImplemented
        return all(
            _comparable(getattr(self, each.name)) == _comparable(getattr(other, each.name)) for each in fields(self)
        )

    def __hash__(self) -> int:
        return hash((self.name, self.signature))

    def __repr__(self) -> str:
        return f"<Entry {brief(self.name)}: {brief(self.title)}>"


def _comparable(value: object) -> object:
    """``value``; of a function with fixed arguments, which never equals another, what it is made of."""
    return (value.func, value.args, value.keywords) if isinstance(value, partial) else value
