"""Refusals: what every definition in TOML is read with, so that each fault is one sentence with its name."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any, NoReturn

from credkit.core.errors import DefinitionError
from credkit.core.grammar import NAME
from credkit.core.sentences import nearest, redacted_repr
from credkit.core.spans import WIDEST


class Definition:
    """One definition while it is being read; ``what`` it is and its name open every refusal."""

    what: str

    def __init__(self, name: str, definition: Mapping[str, Any], keys: Collection[str]) -> None:
        self.name = name
        if not isinstance(name, str) or not NAME.fullmatch(name):
            self.refuse("a name has small letters, digits and hyphens only")
        self.table = self.expect("the definition", definition, Mapping, "a table")
        self.known("", self.table, keys)
        self.bound_numbers()

    def refuse(self, problem: str) -> NoReturn:
        """Raise the one sentence about ``problem``."""
        raise DefinitionError(f"{self.what} {self.name}: {problem}")

    def bound_numbers(self) -> None:
        """Refuse a whole number anywhere that is wider than what credkit reads as one; Python does not print it."""
        for key, value in self.table.items():
            inside = [value]
            while inside:
                each = inside.pop()
                if isinstance(each, int) and each.bit_length() > WIDEST:
                    self.refuse(f"{key}: {redacted_repr(each)} is wider than {WIDEST} bits")
                elif isinstance(each, Mapping):
                    inside += [*each, *each.values()]
                elif isinstance(each, list | tuple):
                    inside += each

    def expect(self, what: str, value: Any, kind: type[Any], words: str) -> Any:
        """``value`` if it is of this type; ``words`` say what is needed."""
        if value is None:
            self.refuse(f"{what} is missing: {words} is needed")
        if not isinstance(value, kind) or isinstance(value, bool):
            self.refuse(f"{what} must be {words}, not {redacted_repr(value)}")
        return value

    def known(self, what: str, table: Mapping[str, Any], keys: Collection[str]) -> None:
        """Refuse every other key of ``table``."""
        for key in table:
            if key not in keys:
                self.refuse(f"{what}{redacted_repr(key)} is not a key here{nearest(str(key), keys)}")
