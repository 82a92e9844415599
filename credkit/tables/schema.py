"""Schema: the tables of a definition, read with their types, so that each kind of fault has one sentence.

Layouts, contents, site files and plans are written by hand, so a wrong key or a text where a number belongs is the
usual fault. A `SchemaTable` finds it and names its place:

    layout gate: check 1: poly must be a whole number, not '3'
    site.toml: site.name is missing: a text is needed
    site.toml: records.personnel: 'wirte' is not a key here; did you mean write?
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from datetime import date, datetime
from typing import Any, NoReturn, TypeVar

from credkit.core.errors import CredkitError, DefinitionError
from credkit.core.grammar import CODEC_NAME
from credkit.core.sentences import nearest, redacted_repr
from credkit.core.spans import MAX_NUMBER_BITS

T = TypeVar("T")
MISSING: Any = object()


def definition_table(what: str, name: str, definition: Any, keys: Collection[str]) -> SchemaTable:
    """The table that defines the layout or content (``what``) called ``name``.

    >>> definition_table("layout", "gate", {"leng": 8}, ("length", "fields"))
    Traceback (most recent call last):
    credkit.DefinitionError: layout gate: 'leng' is not a key here; did you mean length?
    """
    if not isinstance(name, str) or not CODEC_NAME.fullmatch(name):
        raise DefinitionError(f"{what} {name}: a name has small letters, digits and hyphens only")
    table = SchemaTable(f"{what} {name}", "", definition, keys, name=name, joint=": ")
    for key, value in table.content.items():
        _bound_numbers(table, key, value)
    return table


def _bound_numbers(table: SchemaTable, key: str, value: Any) -> None:
    """Refuse a whole number anywhere that is wider than what credkit reads as one; Python does not print it."""
    inside = [value]
    while inside:
        each = inside.pop()
        if isinstance(each, int) and each.bit_length() > MAX_NUMBER_BITS:
            table.refuse(key, f"{redacted_repr(each)} is wider than {MAX_NUMBER_BITS} bits")
        elif isinstance(each, Mapping):
            inside += [*each, *each.values()]
        elif isinstance(each, list | tuple):
            inside += each


class SchemaTable:
    """One table: where it stands (``source`` and ``path``), what it holds, which keys it may have.

    ``name`` is its own where its key is free; ``joint`` stands between a path and a key. Without ``keys``, `known`
    is called when they are.
    """

    def __init__(
        self, source: str, path: str, content: Any, keys: Collection[str] | None, *, name: str = "", joint: str = ".",
        words: str = "a table",
    ) -> None:  # fmt: skip
        self.source = source
        self.path = path
        self.name = name
        self.joint = joint
        self.keys: Collection[str] = keys or ()
        self.content: Mapping[str, Any] = self.expect(path or "the definition", content, Mapping, words)
        if keys is not None:
            self.known(keys)

    # ── refusals ────────────────────────────────────────────────────────────────────────────────

    def at(self, key: str) -> str:
        """The place of ``key``."""
        return f"{self.path}{self.joint}{key}" if self.path else key

    def refuse(self, key: str, problem: str) -> NoReturn:
        """Raise the one sentence about ``key``."""
        raise DefinitionError(f"{self.source}: {self.at(key)}: {problem}")

    def refuse_table(self, problem: str) -> NoReturn:
        """Raise the one sentence about the table as a whole."""
        raise DefinitionError(f"{self.source}: {self.path}{': ' * bool(self.path)}{problem}")

    def guard(self, key: str, build: Callable[[], T]) -> T:
        """What ``build`` gives; its refusal is told with source and key."""
        try:
            return build()
        except CredkitError as error:
            self.refuse(key, str(error))

    def known(self, keys: Collection[str]) -> None:
        """Refuse every other key."""
        self.keys = keys
        for key in self.content:
            if key not in keys:
                near = nearest(str(key), keys) or (f"; keys are {', '.join(keys)}" if keys else "")
                self.refuse_table(f"{redacted_repr(key)} is not a key here{near}")

    def exactly_one(self, *keys: str) -> str:
        """The one of ``keys`` that the table has."""
        found = [key for key in keys if key in self.content]
        if len(found) != 1:
            self.refuse_table(f"exactly one of {', '.join(keys)} is needed, not {', '.join(found) or 'none'}")
        return found[0]

    def expect(self, place: str, value: Any, kind: type[Any], words: str) -> Any:
        """``value``, which stands at ``place``, if it is of this type; ``words`` say what is needed."""
        if value is None or value is MISSING:
            raise DefinitionError(f"{self.source}: {place} is missing: {words} is needed")
        if not _is_a(value, kind):
            raise DefinitionError(f"{self.source}: {place} must be {words}, not {redacted_repr(value)}")
        return value

    # ── values ──────────────────────────────────────────────────────────────────────────────────

    def has(self, key: str) -> bool:
        """Whether the table has ``key``."""
        return key in self.content

    def value(self, key: str, kind: type[Any], words: str, default: Any = MISSING) -> Any:
        """The value of ``key`` if it is of this type, or ``default``; ``words`` say what is needed."""
        return self.expect(self.at(key), self.content.get(key, default), kind, words)

    def text(self, key: str, default: str = MISSING, words: str = "a text") -> str:
        """A text."""
        text: str = self.value(key, str, words, default)
        return text

    def texts(
        self, key: str, default: tuple[str, ...] = MISSING, *, or_one: bool = False, words: str = ""
    ) -> tuple[str, ...]:  # fmt: skip
        """A list of texts; with ``or_one`` a text alone will do; ``words`` say what is needed."""
        words = words or ("a text or a list of texts" if or_one else "a list of texts")
        value = self.content.get(key, default)
        if or_one and isinstance(value, str):
            return (value,)
        if isinstance(value, tuple):
            value = list(value)
        if any(not isinstance(each, str) for each in self.expect(self.at(key), value, list, words)):
            raise DefinitionError(f"{self.source}: {self.at(key)} must be {words}, not {redacted_repr(value)}")
        return tuple(value)

    def one_of(self, key: str, options: Sequence[T], default: T | None = None) -> T:
        """One of ``options``, which are texts; ``default``, or else the first, unless the table has another."""
        if key not in self.content:
            return options[0] if default is None else default
        value = self.content[key]
        if not isinstance(value, str) or value not in options:
            known = [str(option) for option in options]
            near = nearest(value, known) if isinstance(value, str) else ""
            words = f"must be one of {', '.join(known)}, not {redacted_repr(value)}{near}"
            raise DefinitionError(f"{self.source}: {self.at(key)} {words}")
        return options[options.index(value)]

    def named(self, key: str, what: str, known: Mapping[str, T]) -> T:
        """What the text under ``key`` names among ``known``; ``what`` is what all of them are."""
        name = self.text(key, words="a name")
        if name not in known:
            self.refuse(key, f"there is no {what} {redacted_repr(name)}{nearest(name, known)}")
        return known[name]

    def whole(
        self, key: str, default: int = MISSING, *, least: int, most: int, words: str = "a whole number", unit: str = ""
    ) -> int:
        """A whole number from ``least`` to ``most``, counted in ``unit``."""
        value: int = self.value(key, int, words, default)
        if not least <= value <= most:
            span = f"{least} to {most}{' ' * bool(unit)}{unit}"
            raise DefinitionError(f"{self.source}: {self.at(key)} is {redacted_repr(value)}, outside {span}")
        return value

    def flag(self, key: str, *, default: bool) -> bool:
        """True or false."""
        value: bool = self.value(key, bool, "true or false", default)
        return value

    def day(self, key: str) -> date:
        """A date."""
        found: date = self.value(key, date, "a date such as 2026-03-31 (without quotes)")
        return found

    def moment(self, key: str) -> datetime | None:
        """A time with its offset from UTC, or None."""
        words = "a time with its offset, such as 2026-03-14T12:00:00+01:00 (without quotes)"
        value: datetime | None = self.value(key, datetime, words) if self.has(key) else None
        if value and value.tzinfo is None:
            raise DefinitionError(f"{self.source}: {self.at(key)} must be {words}, not {redacted_repr(value)}")
        return value

    def items(self, key: str, words: str = "a list", default: Any = MISSING) -> list[Any]:
        """A list of anything."""
        value: list[Any] = self.value(key, list, words, default)
        return value

    # ── tables ──────────────────────────────────────────────────────────────────────────────────

    def mapping(self, key: str, words: str = "a table", default: Any = MISSING) -> Mapping[str, Any]:
        """A table whose keys are free; empty where there is none and no other ``default``."""
        value: Mapping[str, Any] = self.value(key, Mapping, words, {} if default is MISSING else default)
        return value

    def table(self, key: str, keys: Collection[str]) -> SchemaTable:
        """The table under ``key``, with these keys."""
        return self.inner(self.at(key), self.content.get(key, MISSING), keys)

    def tables(self, key: str, keys: Collection[str]) -> list[SchemaTable]:
        """The tables under ``key``, each of a free name and with these keys; none where there is no such key."""
        return [self.inner(f"{self.at(key)}.{name}", each, keys, name) for name, each in self.mapping(key).items()]

    def rows(
        self, key: str, keys: Collection[str] | None, *, each: str = "", words: str = "a list of tables",
        such: str = "a table", default: Any = MISSING,
    ) -> list[SchemaTable]:  # fmt: skip
        """The list of tables under ``key``, counted from 1 in refusals, where each one is called ``each``."""
        rows = enumerate(self.items(key, words, default), 1)
        return [self.inner(f"{each or self.at(key)} {number}", row, keys, words=such) for number, row in rows]

    def inner(
        self, path: str, content: Any, keys: Collection[str] | None, name: str = "", words: str = "a table"
    ) -> SchemaTable:
        """A table at ``path`` of the same source."""
        return SchemaTable(self.source, path, content, keys, name=name, joint=self.joint, words=words)


def _is_a(value: Any, kind: type[Any]) -> bool:
    """Whether a value is of this type as TOML has them: true is no number, and a time no date."""
    if isinstance(value, bool):
        return kind is bool
    if isinstance(value, datetime):
        return kind is datetime
    return isinstance(value, kind)
