"""What a caller states about a chain, ``takes=`` and ``gives=``, checked against the chain when it is built."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Any, TypeGuard, TypeVar, cast, get_args, get_origin, get_type_hints

from credkit.core.codec import AnyCodec
from credkit.core.errors import DefinitionError
from credkit.core.reading import UNITS, Field, Schema
from credkit.core.sentences import nearest, redacted_repr

Record = TypeVar("Record", bound=Mapping[str, object])  # a TypedDict: the fields of a chain, by name and type


def check_stated(codec: AnyCodec, takes: object, gives: object) -> None:
    """Raise `DefinitionError` unless ``codec`` takes and gives what is stated: a form, or a TypedDict of its fields.

    >>> from credkit.catalogue.registry import chain
    >>> check_stated(chain("hex:8"), "text", "bits")
    >>> check_stated(chain("hex:8"), "text", "fields")
    Traceback (most recent call last):
    credkit.DefinitionError: chain hex:8: gives bits, not fields as stated
    """
    name = f"chain {codec.name}"
    if takes is None or gives is None:
        stated, missing = ("takes", "gives") if gives is None else ("gives", "takes")
        raise DefinitionError(f"{name}: {stated}= is stated without {missing}=; state both or neither")
    record = gives if _is_typed_dict(gives) else None
    for verb, form, found in (
        ("takes", takes, codec.takes),
        ("gives", "fields" if record else gives, codec.gives),
    ):
        if not isinstance(form, str) or form not in UNITS:
            forms = "'text', 'bits', 'fields'" + (" or a TypedDict class" if verb == "gives" else "")
            raise DefinitionError(f"{name}: {verb}= is {redacted_repr(form)}, expected one of {forms}")
        if form != found:
            raise DefinitionError(f"{name}: {verb} {found}, not {form} as stated")
    if record and (problems := "; ".join(_problems(codec.output.schema, record))):
        raise DefinitionError(f"{name}: {problems}")


def _is_typed_dict(stated: object) -> TypeGuard[type[Any]]:
    """Whether it is a TypedDict class, of `typing` or of its backport."""
    return isinstance(stated, type) and issubclass(stated, dict) and hasattr(stated, "__required_keys__")


def _problems(schema: Schema | None, record: type[Any]) -> Iterator[str]:
    """What differs between the fields of a chain and the keys of a TypedDict, a sentence each."""
    title = record.__name__
    if schema is None:
        yield f"its fields are not known, so they cannot be checked against {title}"
        return
    keys, required = _keys(cast(Any, record))
    for name, row in schema.items():
        word, wanted = ("a whole number", int) if isinstance(row, Field) else ("a text", str)
        if name not in keys:
            yield f"gives the field {name}, but {title} has no such key{nearest(name, keys)}"
        elif keys[name] is not wanted:
            found = getattr(keys[name], "__name__", keys[name])
            yield f"gives {name} as {word}, so the key must be {wanted.__name__} in {title}, not {found}"
        elif name not in required:
            yield f"always gives {name}, so the key must be required in {title}"
    for name in keys:
        if name not in schema:
            yield f"gives no field {name}, which is a key of {title}, only {', '.join(schema)}"


@lru_cache(maxsize=64)
def _keys(record: Any) -> tuple[Mapping[str, object], frozenset[str]]:
    """The keys of a TypedDict with their types, and which of them are required."""
    try:
        hints = get_type_hints(record)
    except Exception as error:  # a name that is imported for type checkers only, say
        raise DefinitionError(f"the types of {record.__name__} cannot be evaluated: {error}") from None
    return {name: _value_type(hint) for name, hint in hints.items()}, record.__required_keys__


def _value_type(hint: Any) -> object:
    """The type of a key's values, without a ``ReadOnly`` or a ``NewType`` around it."""
    while True:
        if getattr(get_origin(hint), "_name", "") == "ReadOnly":  # of `typing` or of its backport
            hint = get_args(hint)[0]
        elif hasattr(hint, "__supertype__"):
            hint = hint.__supertype__
        else:
            return hint
