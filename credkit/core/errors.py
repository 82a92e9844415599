"""The errors credkit raises.

    CredkitError
    ├── DecodeError(ValueError)      a value that a codec cannot read, or whose checks fail
    ├── EncodeError(ValueError)      a field that is missing, unknown or out of range
    ├── DefinitionError(ValueError)  a chain, layout, site or table that is wrong in itself
    └── UnknownCodec(LookupError)    a codec name nobody registered

For any value of a codec's input form, ``decode`` returns or raises `DecodeError`. Nothing else
escapes, and no sentence holds an account number (`credkit.core.sentences`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from credkit.core.hooks import redact_text
from credkit.core.sentences import shorten_sentence

if TYPE_CHECKING:
    from collections.abc import Iterable

    from credkit.core.origins import Place
    from credkit.core.reading import Check


class CredkitError(Exception):
    """Every error that credkit raises for what it was given. No account number stands in its message."""

    def __init__(self, message: str) -> None:
        super().__init__(shorten_sentence(redact_text(message)))


class DecodeError(CredkitError, ValueError):
    """A value cannot be read, or a check on it fails.

    ``codec`` names the step, ``check`` is the failed `Check` (None when the value was not even of
    the right form) and ``place`` lists the positions in the *original* input that are at fault.
    ``row`` is the row of a column, counted from 0, where many values are decoded at once.
    """

    def __init__(
        self, message: str, *, codec: str, check: Check | None = None, place: tuple[Place, ...] = (),
        row: int | None = None,
    ) -> None:  # fmt: skip
        super().__init__(message)
        self.row = row
        self.codec = codec
        self.check = check
        self.place = place

    def __reduce__(self) -> tuple[Any, ...]:
        """How it is pickled: a process pool hands it on whole."""
        return _decode_error, (str(self), self.codec, self.check, self.place, self.row)


def _decode_error(
    message: str, codec: str, check: Check | None, place: tuple[Place, ...], row: int | None
) -> DecodeError:
    return DecodeError(message, codec=codec, check=check, place=place, row=row)


class EncodeError(CredkitError, ValueError):
    """Fields cannot be written: one is missing, unknown or out of range, or a text has no room for it."""


class DefinitionError(CredkitError, ValueError):
    """A chain, a layout, a site file or a table is wrong in itself, whatever is read with it.

    Where many rows of files are wrong, ``details`` are the lines below the first: each fault, and its rows.
    """

    def __init__(self, message: str, *, details: Iterable[str] = ()) -> None:
        super().__init__(message)
        self.details = tuple(shorten_sentence(redact_text(line)) for line in details)

    def __str__(self) -> str:
        return "\n".join((super().__str__(), *self.details))

    def __reduce__(self) -> tuple[Any, ...]:
        """How it is pickled: a process pool hands it on whole."""
        return _definition_error, (super().__str__(), self.details)


def _definition_error(message: str, details: tuple[str, ...]) -> DefinitionError:
    return DefinitionError(message, details=details)


class UnknownCodec(CredkitError, LookupError):
    """No codec has this name; the message offers the nearest spelling."""


for _public in (CredkitError, DecodeError, EncodeError, DefinitionError, UnknownCodec):
    _public.__module__ = "credkit"  # where users find them, and tracebacks name them
