"""What a caller states about a chain, ``takes=`` and ``gives=``, checked against the chain when it is built."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Any, NamedTuple, TypeGuard, TypeVar, get_args, get_origin, get_type_hints

from credkit.core.codec import AnyCodec
from credkit.core.errors import DefinitionError
from credkit.core.reading import UNIT_NOUNS, Field, Schema
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
        if not isinstance(form, str) or form not in UNIT_NOUNS:
            forms = "'text', 'bits', 'fields'" + (" or a TypedDict class" if verb == "gives" else "")
            given = f"the class {form.__name__}" if isinstance(form, type) else redacted_repr(form)
            raise DefinitionError(f"{name}: {verb}= is {given}, expected one of {forms}")
        if form != found:
            raise DefinitionError(f"{name}: {verb} {found}, not {form} as stated")
    if record and (problems := "; ".join(_problems(codec.output.schema, record))):
        raise DefinitionError(f"{name}: {problems}")


def _is_typed_dict(stated: object) -> TypeGuard[type[Any]]:
    """Whether it is a TypedDict class, of `typing` or of its backport."""
    return isinstance(stated, type) and issubclass(stated, dict) and hasattr(stated, "__required_keys__")


def _problems(schema: Schema | None, record: Any) -> Iterator[str]:
    """What differs between the fields of a chain and the keys of a TypedDict, a sentence each."""
    title = record.__name__
    if schema is None:
        yield f"its fields are not known, so they cannot be checked against {title}"
        return
    keys = _keys(record)
    for name, row in schema.items():
        word, wanted = ("a whole number", int) if isinstance(row, Field) else ("a text", str)
        if name not in keys:
            yield f"gives the field {name}, which is no key of {title}{nearest(name, keys)}"
        elif keys[name].value_type is not wanted:
            yield f"gives {name} as {word}, so its type in {title} must be {wanted.__name__}, not {keys[name].title}"
        elif not keys[name].required:
            yield f"always gives the field {name}, so it must be required in {title}"
    for name in keys:
        if name not in schema:
            yield f"gives no field {name}, which is a key of {title}"


class _TypedKey(NamedTuple):
    """One key of a TypedDict: the type of its values, and whether it must be there."""

    value_type: Any
    required: bool

    @property
    def title(self) -> str:
        return (
            self.value_type.__name__
            if isinstance(self.value_type, type)
            else str(self.value_type).removeprefix("typing.")
        )


@lru_cache(maxsize=64)
def _keys(record: Any) -> Mapping[str, _TypedKey]:
    """The keys of a TypedDict, without the marks around their types."""
    try:
        hints = get_type_hints(record, include_extras=True)
    except Exception as error:  # a name that is imported for type checkers only, say
        raise DefinitionError(f"the types of {record.__name__} cannot be evaluated: {error}") from None
    return {name: _key(hint, name in record.__required_keys__) for name, hint in hints.items()}


def _key(hint: Any, required: bool) -> _TypedKey:
    """A key with this type; a mark of `typing` or of its backport, or a ``NewType``, stands for what is in it."""
    while True:
        mark = getattr(get_origin(hint), "_name", "") or getattr(get_origin(hint), "__name__", "")
        if mark in ("Required", "NotRequired"):
            required = mark == "Required"
        if mark in ("Required", "NotRequired", "ReadOnly", "Annotated"):
            hint = get_args(hint)[0]
        elif hasattr(hint, "__supertype__"):
            hint = hint.__supertype__
        else:
            return _TypedKey(hint, required)
