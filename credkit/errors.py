"""The errors credkit raises, and the one way a value enters a sentence.

    CredkitError
    ├── DecodeError(ValueError)      a value that a codec cannot read, or whose checks fail
    ├── EncodeError(ValueError)      a field that is missing, unknown or out of range
    ├── DefinitionError(ValueError)  a chain, layout, site or table that is wrong in itself
    └── UnknownCodec(LookupError)    a codec name nobody registered

For any value of a codec's input form, ``decode`` returns or raises `DecodeError`. Nothing else
escapes, and no sentence holds an account number: `shown` shortens and masks what it is given.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from bitstring import Bits

from credkit.accounts import hidden, holds_account, masked

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from credkit.reading import Check, Place

LONGEST = 48  # characters of a value that a sentence repeats
LONGEST_SENTENCE = 480  # characters of a whole sentence; its start says where, its end often what to do
LONGEST_NUMBER = 4096  # bits of a number that is written out at all


class CredkitError(Exception):
    """Every error that credkit raises for what it was given. No account number stands in its message."""

    def __init__(self, message: str) -> None:
        super().__init__(bounded(masked(message)))


class DecodeError(CredkitError, ValueError):
    """A value cannot be read, or a check on it fails.

    ``codec`` names the step, ``check`` is the failed `Check` (None when the value was not even of
    the right form) and ``place`` lists the positions in the *original* input that are at fault.
    """

    def __init__(self, message: str, *, codec: str, check: Check | None = None, place: tuple[Place, ...] = ()) -> None:
        super().__init__(message)
        self.codec = codec
        self.check = check
        self.place = place


class EncodeError(CredkitError, ValueError):
    """Fields cannot be written: one is missing, unknown or out of range, or a text has no room for it."""


class DefinitionError(CredkitError, ValueError):
    """A chain, a layout, a site file or a table is wrong in itself, whatever is read with it."""


class UnknownCodec(CredkitError, LookupError):
    """No codec has this name; the message offers the nearest spelling."""


def bounded(sentence: str) -> str:
    """``sentence``, and of one that is longer than any should be its start and its end.

    >>> len(bounded("gate " * 10_000)), bounded("gate 7")
    (480, 'gate 7')
    """
    if len(sentence) <= LONGEST_SENTENCE:
        return sentence
    return f"{sentence[: LONGEST_SENTENCE - 123]} … {sentence[-120:]}"


def shown(value: object) -> str:
    """``value`` as it may stand in a sentence: quoted, shortened, account numbers masked.

    >>> shown("02F764DD"), shown(Bits("0b1011")), shown({"facility": 1}), shown(4114360123456785)
    ("'02F764DD'", '1011', 'facility=1', '411436******6785')
    """
    if isinstance(value, tuple):
        value = "".join(map(_plain, value))
    if isinstance(value, str):
        text = repr(masked(value))
    elif isinstance(value, Bits):
        text = value.bin
    elif isinstance(value, Mapping):
        text = masked(" ".join(f"{name}={item}" for name, item in _pairs(value))) or "{}"
    else:
        text = masked(_plain(value))
    if len(text) <= LONGEST:
        return text
    return f"{text[: LONGEST - 12]}…{text[-6:]}" + ("" if isinstance(value, str) else f" ({len(text)} long)")


def quoted(text: str) -> str:
    """A number that credkit made, as it may stand in a sentence: quoted and shortened, never masked.

    >>> quoted("4114360123456785")
    "'4114360123456785'"
    """
    return repr(text) if len(text) <= LONGEST else f"{text[: LONGEST - 12]!r}…{text[-6:]}"


def _pairs(fields: Mapping[Any, Any]) -> Iterator[tuple[Any, str]]:
    """The fields as texts; beside an account number the texts of a track are hidden."""
    pairs = [(name, _plain(item)) for name, item in fields.items()]
    track = any(isinstance(item, str) and holds_account(item) for item in fields.values())
    for name, text in pairs:
        yield name, hidden(text) if track and isinstance(fields[name], str) else text


def _plain(value: object) -> str:
    if isinstance(value, int) and value.bit_length() > LONGEST_NUMBER:
        return f"a number of {value.bit_length()} bits"  # Python refuses to print very long ones
    try:
        return str(value)
    except Exception:  # whatever the object of a caller does: a sentence about it must still be possible
        return f"a {type(value).__name__} that cannot be written out"


def nearest(word: str, known: Iterable[str]) -> str:
    """A clause that offers the known word spelled most like ``word``, account numbers masked, or nothing.

    >>> nearest("weigand-26", ["hex", "wiegand-26"])
    '; did you mean wiegand-26?'
    >>> nearest("zzz", ["hex"])
    ''
    """
    from difflib import get_close_matches  # only when something is misspelt

    if len(word) > LONGEST_SENTENCE:  # nothing is called so
        return ""
    spelt = {name.lower(): name for name in known}
    close = get_close_matches(word.lower(), spelt, n=1)
    return f"; did you mean {masked(spelt[close[0]])}?" if close else ""
