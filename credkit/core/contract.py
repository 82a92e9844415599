"""The contract of a codec, checked wherever one is called: whoever breaks it is named.

``inspect`` gives a `Reading` for any value of the input form: a value of the output form within its lengths or
schema, or a failed check. ``encode`` gives a value of the input form or raises `EncodeError`. Anything else is a
slip of the codec's author, and becomes one `DefinitionError` that names the codec and the slip.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING, Any

from credkit.core.errors import DefinitionError, EncodeError
from credkit.core.fields import Fields
from credkit.core.forms import TYPES, is_form, raw_of
from credkit.core.reading import AnyReading, Check, Note, Part, Reading, Schema, Step
from credkit.core.sentences import nearest, redacted_repr
from credkit.core.shapes import Shape, describe_lengths

if TYPE_CHECKING:
    from typing import Protocol

    class _Authored(Protocol):
        """A codec, as far as it is called here; `credkit.core.codec` stands on this module."""

        @property
        def name(self) -> str: ...

        @property
        def input(self) -> Shape: ...

        @property
        def output(self) -> Shape: ...

        @property
        def drops_extra_fields(self) -> bool: ...

        def inspect(self, value: Any) -> AnyReading: ...

        def encode(self, value: Any) -> Any: ...


def check_fields(codec: str, schema: Schema, values: Mapping[str, Any]) -> None:
    """Raise `EncodeError` unless ``values`` are exactly the fields of ``schema``, each in range."""
    for name, field in schema.items():
        if name not in values:
            near = nearest(name, (str(other) for other in values if other not in schema))
            raise EncodeError(f"{codec}: the field {name} is missing ({field.allowed}){near}")
        if problem := field.problem(values[name]):
            raise EncodeError(f"{codec}: {problem}")
    if len(values) > len(schema):
        unknown = next(name for name in values if name not in schema)
        raise EncodeError(
            f"{codec}: there is no field {redacted_repr(unknown)}, only {', '.join(schema)}"
            f"{nearest(str(unknown), schema)}"
        )


def checked_inspect(codec: _Authored, value: Any) -> AnyReading:
    """What ``codec.inspect`` gives for ``value``, which is of the input form; raises `DefinitionError` for a slip."""
    try:
        reading = codec.inspect(value)
    except DefinitionError:
        raise
    except Exception as error:
        raise slip_error(codec, f"inspect of {redacted_repr(value)}", error) from error
    if _is_held_by_laws(type(codec)):
        return reading
    if slip := _slip(codec, value, reading):
        raise DefinitionError(f"codec {codec.name} is broken: inspect of {redacted_repr(value)} {slip}")
    if codec.output.form == "fields" and not isinstance(reading.value, Fields | None):
        return replace(reading, value=Fields(raw_of("fields", reading.value)))
    return reading


def checked_encode(codec: _Authored, value: Any) -> Any:
    """What ``codec.encode`` gives for ``value``, which is of the output form; raises `DefinitionError` for a slip.

    Fields that are not those of the schema are the caller's fault, an `EncodeError`.
    """
    is_held = _is_held_by_laws(type(codec))
    if not is_held and codec.output.schema is not None and not codec.drops_extra_fields:
        check_fields(codec.name, codec.output.schema, value)
    try:
        encoded = codec.encode(value)
    except (EncodeError, DefinitionError):
        raise
    except Exception as error:
        raise slip_error(codec, f"encode of {redacted_repr(value)}", error) from error
    if not is_held and (slip := _mismatch(codec.input, encoded, complete=False)):
        raise DefinitionError(f"codec {codec.name} is broken: encode of {redacted_repr(value)} {slip}")
    return encoded


@cache
def _is_held_by_laws(kind: type) -> bool:
    """Whether codecs of this class are credkit's own: tests hold them to the contract, so that no call need."""
    return kind.__module__.partition(".")[0] == "credkit"


def slip_error(codec: _Authored | str, act: str, error: Exception) -> DefinitionError:
    """The error for an exception that should never have come out of ``codec``."""
    reason = redacted_repr(str(error)) if str(error) else "no message"
    return DefinitionError(f"codec {codec} is broken: {act} raises {type(error).__name__} ({reason})")


def _slip(codec: _Authored, value: Any, reading: object) -> str | None:
    """How ``reading`` breaks the contract, or None."""
    if not isinstance(reading, Reading):
        return f"returns {redacted_repr(reading)}, not a Reading"
    for what, kind in (("checks", Check), ("notes", Note), ("parts", Part), ("steps", Step)):
        found = getattr(reading, what)
        if not isinstance(found, tuple) or not all(isinstance(each, kind) for each in found):
            return f"has {what} that are not a tuple of {kind.__name__}"
    if not callable(reading.origin):
        return "has an origin that cannot be called"
    if reading.value is None and reading.ok:
        return "has neither a value nor a failed check"
    if not reading.steps and (slip := _misplaced(value, reading)):
        return slip
    if reading.value is None:
        return None
    slip = _mismatch(codec.output, reading.value, complete=reading.ok and _is_within(codec.input, value))
    return slip or (None if reading.steps else _misled(codec, value, reading))


def _is_within(shape: Shape, value: Any) -> bool:
    """Whether fields lie in the schema of ``shape``; what a codec makes of others may lie outside its own."""
    if not isinstance(value, Mapping) or shape.schema is None:
        return True
    return value.keys() == shape.schema.keys() and not any(
        row.problem(value[name]) for name, row in shape.schema.items()
    )


def _outside(value: Any, places: tuple[object, ...]) -> list[object]:
    """Those of ``places`` that are not in the input ``value``; the name of any field is, of a missing one too."""
    if isinstance(value, Mapping):
        return [place for place in places if not isinstance(place, str) and place not in value]
    size = len(value)
    return [place for place in places if not (isinstance(place, int) and 0 <= place < size)]


def _misled(codec: _Authored, value: Any, reading: AnyReading) -> str | None:
    """How the origin of the first or last place of the value leads out of the input, or None."""
    if reading.value is None or not len(reading.value):
        return None
    ends = tuple(reading.value) if codec.output.form == "fields" else (0, len(reading.value) - 1)
    for end in dict.fromkeys((ends[0], ends[-1])):
        try:
            places = reading.origin(end)
        except Exception as error:
            return f"has an origin that raises {type(error).__name__} for {redacted_repr(end)}"
        if not isinstance(places, tuple) or _outside(value, places):
            found = places if isinstance(places, int) else repr(places)
            return f"has an origin that takes {redacted_repr(end)} to {redacted_repr(found)}, no places of its input"
    return None


def _misplaced(value: Any, reading: AnyReading) -> str | None:
    """A check whose places are not in the input, or None."""
    for check in reading.checks:
        if check.form not in TYPES:
            return f"has the check {check.rule} of the form {redacted_repr(check.form)}, not text, bits or fields"
        for what, at in (("at", check.at), ("covers", check.covers)):
            if not isinstance(at, tuple):
                return f"has the check {check.rule} with {what}={redacted_repr(at)}, not a tuple of places"
            for place in _outside(value, at):
                return f"has the check {check.rule} {what} {redacted_repr(place)}, which is no place of its input"
    return None


def _mismatch(shape: Shape, value: object, *, complete: bool = True) -> str | None:
    """How ``value`` is not of ``shape``, or None; ``complete`` fields are those of the schema."""
    if not is_form(shape.form, value):
        return f"gives {redacted_repr(value)}, not {shape.form}"
    if shape.form == "bits":
        length = len(value)  # type: ignore[arg-type]  # bits have a length
        return None if length in shape.lengths else f"gives {length} bits, not {describe_lengths(shape.lengths)}"
    if shape.form == "fields" and shape.schema is not None and complete:
        assert isinstance(value, Mapping)
        if value.keys() != shape.schema.keys():
            given = ", ".join(map(str, value)) or "none"
            return f"gives the fields {given}, not {', '.join(shape.schema)}"
        fields = raw_of("fields", value)
        return next(
            (f"gives {problem}" for name, row in shape.schema.items() if (problem := row.problem(fields[name]))), None
        )
    return None
