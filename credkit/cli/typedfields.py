"""Fields as they are typed: FIELD=VALUE with blanks between, or a JSON object."""

from __future__ import annotations

import re
from typing import Any

from credkit.core.codec import NO_FIELDS
from credkit.core.errors import EncodeError
from credkit.core.reading import Schema, TextField
from credkit.core.sentences import redacted_repr

QUOTES = "\"'"
_NUMBER = re.compile("-?[0-9]{1,1300}")
_FIELD = re.compile(r"""\s*([^\s=]+)=("[^"]*"(?!\S)|'[^']*'(?!\S)|\S*)(?!\S)""")


def typed_fields(text: str, schema: Schema | None = NO_FIELDS) -> dict[str, Any]:
    """The fields that ``text`` writes, as FIELD=VALUE with blanks between or as a JSON object.

    Quotation marks around a value hold its blanks together, and stand for themselves anywhere
    else. Digits are a number, unless ``schema`` says that the field is a text; where the schema is
    not known (None), every value is one.

    >>> typed_fields("facility=123 number=45678") == typed_fields('{"facility": 123, "number": 45678}')
    True
    >>> typed_fields("name='EAST GATE' part1=007", None)
    {'name': 'EAST GATE', 'part1': '007'}
    >>> typed_fields("facility=12x")
    Traceback (most recent call last):
    credkit.EncodeError: 'facility=12x' is not written FIELD=NUMBER
    """
    if text.lstrip().startswith("{"):
        return _parse_json(text)
    pairs, at = [], 0
    while piece := _FIELD.match(text, at):
        name, value = piece.groups()
        quoted = len(value) > 1 and value[0] in QUOTES and value[-1] == value[0]
        pairs.append(_parse_pair(name, value[1:-1] if quoted else value, schema))
        at = piece.end()
    if rest := text[at:].split():
        raise EncodeError(f"{redacted_repr(rest[0])} is not written FIELD=VALUE")
    if not pairs:
        raise EncodeError("there is no FIELD=VALUE")
    return _refuse_repeated_names(pairs)


def _parse_pair(name: str, value: str, schema: Schema | None) -> tuple[str, Any]:
    if schema is None or isinstance(schema.get(name), TextField):
        return name, value
    if not _NUMBER.fullmatch(value):
        raise EncodeError(f"{redacted_repr(f'{name}={value}')} is not written FIELD=NUMBER")
    return name, int(value)


def _parse_json(text: str) -> dict[str, Any]:
    import json  # only for an object

    try:
        found = json.loads(text, object_pairs_hook=_refuse_repeated_names)
    except (ValueError, RecursionError) as error:
        if isinstance(error, EncodeError):
            raise
        raise EncodeError(f"{redacted_repr(text)} is not a JSON object: {error}") from None
    assert isinstance(found, dict)  # it begins with a brace
    for name, value in found.items():
        if isinstance(value, bool) or not isinstance(value, int | str):
            raise EncodeError(
                f"the field {redacted_repr(name)} is {redacted_repr(value)}, not a whole number or a text"
            )
    return found


def _refuse_repeated_names(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, value in pairs:
        if name in found:
            raise EncodeError(f"the field {redacted_repr(name)} is given twice")
        found[name] = value
    return found
