"""Tables of a TOML file, read with their types: every refusal names the file and the key.

Such files are written by hand, so a wrong key or a text where a number belongs is the usual fault;
`read_toml` reads one, and `Table` finds the fault in one place for all of them.

Source: TOML 1.0.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Collection, Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any, NoReturn, TypeVar

from credkit.core.errors import CredkitError, DefinitionError
from credkit.core.sentences import nearest, redacted_repr
from credkit.files.regularfiles import read_regular

T = TypeVar("T")
MISSING: Any = object()


class Table:
    """One table: where it stands, what it holds, which keys it may have; ``name`` where its key is free."""

    def __init__(self, file: str, path: str, content: Any, keys: Collection[str], name: str = "") -> None:
        self.file = file
        self.path = path
        self.name = name
        self.keys = keys
        if not isinstance(content, Mapping):
            raise DefinitionError(f"{file}: {path}: a table is needed, not {redacted_repr(content)}")
        self.content = content
        for key in content:
            if key not in keys:
                self.refuse(key, f"this is not a key here; keys are {', '.join(keys)}{nearest(key, keys)}")

    def at(self, key: str) -> str:
        """The path of ``key``."""
        return f"{self.path}.{key}" if self.path else key

    def refuse(self, key: str, problem: str) -> NoReturn:
        """Raise the one sentence about ``key``."""
        raise DefinitionError(f"{self.file}: {self.at(key)}: {problem}")

    def guard(self, key: str, build: Callable[[], T]) -> T:
        """What ``build`` gives; its refusal is told with file and key."""
        try:
            return build()
        except CredkitError as error:
            self.refuse(key, str(error))

    def has(self, key: str) -> bool:
        """Whether the table has ``key``."""
        return key in self.content

    def _value(self, key: str, kind: type[T], words: str, default: T) -> T:
        if key not in self.content:
            if default is MISSING:
                self.refuse(key, f"{words} is needed here, and the key is missing")
            return default
        value = self.content[key]
        if type(value) is not kind:
            self.refuse(key, f"{words} is needed here, not {redacted_repr(value)}")
        return value

    def text(self, key: str, default: str = MISSING) -> str:
        """A text."""
        return self._value(key, str, "a text", default)

    def texts(self, key: str, default: tuple[str, ...] = MISSING, *, or_one: bool = False) -> tuple[str, ...]:
        """A list of texts; with ``or_one`` a text alone will do."""
        words = "a text or a list of texts" if or_one else "a list of texts"
        value = self.content.get(key, default)
        if or_one and isinstance(value, str):
            return (value,)
        if value is MISSING:
            self.refuse(key, f"{words} is needed here, and the key is missing")
        if not isinstance(value, (list, tuple)) or any(not isinstance(each, str) for each in value):
            self.refuse(key, f"{words} is needed here, not {redacted_repr(value)}")
        return tuple(value)

    def one_of(self, key: str, options: Sequence[str]) -> str:
        """One of ``options``, the first unless the table says another."""
        value = self.text(key, options[0])
        if value not in options:
            self.refuse(key, f"{redacted_repr(value)} is not {' or '.join(options)}{nearest(value, options)}")
        return value

    def whole(self, key: str, default: int, most: int) -> int:
        """A whole number from -``most`` to ``most``."""
        value = self._value(key, int, "a whole number", default)
        if abs(value) > most:
            self.refuse(key, f"{redacted_repr(value)} is outside {-most} to {most}")
        return value

    def flag(self, key: str, default: bool) -> bool:
        """True or false."""
        return self._value(key, bool, "true or false", default)

    def day(self, key: str) -> date:
        """A date."""
        found: date = self._value(key, date, "a date such as 2026-03-31 (without quotes)", MISSING)
        return found

    def moment(self, key: str) -> datetime | None:
        """A time with its offset from UTC, or None."""
        words = "a time with its offset, such as 2026-03-14T12:00:00+01:00 (without quotes),"
        value = self._value(key, datetime, words, MISSING) if self.has(key) else None
        if value and value.tzinfo is None:
            self.refuse(key, f"{words} is needed here, not {redacted_repr(value)}")
        return value

    def mapping(self, key: str) -> Mapping[str, Any]:
        """A table whose keys are free; empty where there is none."""
        return self._value(key, dict, "a table", {})

    def table(self, key: str, keys: Collection[str]) -> Table:
        """The table under ``key``, with these keys."""
        return Table(self.file, self.at(key), self._value(key, dict, "a table", MISSING), keys)

    def tables(self, key: str, keys: Collection[str]) -> list[Table]:
        """The tables under ``key``, each of a free name and with these keys; none where there is no such key."""
        found = self.mapping(key)
        return [Table(self.file, f"{self.at(key)}.{name}", each, keys, name) for name, each in found.items()]

    def rows(self, key: str, keys: Collection[str]) -> list[Table]:
        """The list of tables under ``key``, counted from 1 in refusals."""
        rows = self._value(key, list, "a list of tables", MISSING)
        return [Table(self.file, f"{self.at(key)} {number}", row, keys) for number, row in enumerate(rows, 1)]


def read_toml(path: Path, keys: tuple[str, ...]) -> Table:
    """The file ``path`` as a table with these keys; raises `DefinitionError` with file and place."""
    try:
        content = tomllib.loads(read_regular(path).decode("utf-8").removeprefix("\ufeff"))
    except OSError as error:
        raise DefinitionError(f"{path.name}: the file cannot be read ({error.strerror})") from None
    except UnicodeDecodeError as error:
        raise DefinitionError(f"{path.name}: byte at offset {error.start} is not utf-8, which TOML needs") from None
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        raise DefinitionError(f"{path.name}: the file is not TOML: {error}") from None
    return Table(path.name, "", content, keys)
