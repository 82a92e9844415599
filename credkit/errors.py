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

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING

from bitstring import Bits

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from credkit.reading import Check, Place

LONGEST = 48  # characters of a value that a sentence repeats
LONGEST_NUMBER = 4096  # bits of a number that is written out at all

# Thirteen to nineteen digits, single blanks or hyphens allowed between groups of them, first digit
# 2 to 6: the lengths of ISO/IEC 7812-1 and the major industry digits used by payment cards.
ACCOUNT_DIGITS = range(13, 20)
_RUN = re.compile(r"[0-9](?:[ -]?[0-9]){12,}")
_GROUP = re.compile("[0-9]+")


class CredkitError(Exception):
    """Every error that credkit raises for what it was given. No account number stands in its message."""

    def __init__(self, message: str) -> None:
        super().__init__(masked(message))


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


def masked(text: str) -> str:
    """``text`` with every number that could be a payment account number cut to first six, last four.

    A number counts when it has 13 to 19 digits, begins with 2 to 6 and its last digit is the Luhn
    check digit (ISO/IEC 7812-1); zeros before it, and other groups of digits beside it, do not hide
    it. Within a longer run of digits it is not looked for: too many plain numbers would match. The
    example below is the test number of the WHATWG HTML standard.

    >>> masked("track 4114360123456785=30")
    'track 411436******6785=30'
    >>> masked("0004114360123456785"), masked("4114-3601-2345-6785 203")
    ('000411436******6785', '4114-36**-****-6785 203')
    >>> masked("serial 4114360123456786")
    'serial 4114360123456786'
    """
    return _RUN.sub(_mask, text) if len(text) >= ACCOUNT_DIGITS.start else text


def _mask(run: re.Match[str]) -> str:
    text = run.group()
    hidden: set[int] = set()
    for places in _candidates(text):
        if _is_account("".join(text[place] for place in places)):
            hidden.update(places[6:-4])
    return "".join("*" if place in hidden else c for place, c in enumerate(text)) if hidden else text


def _candidates(text: str) -> Iterator[list[int]]:
    """The places of neighbouring groups of digits, without the zeros before them."""
    groups = [match.span() for match in _GROUP.finditer(text)]
    for first, (start, stop) in enumerate(groups):
        places = list(range(stop - len(text[start:stop].lstrip("0")), stop))
        for start, stop in (*groups[first + 1 : first + ACCOUNT_DIGITS.stop], (0, 0)):
            if not 0 < len(places) < ACCOUNT_DIGITS.stop:
                break
            yield places
            places = [*places, *range(start, stop)]


def _is_account(digits: str) -> bool:
    if len(digits) not in ACCOUNT_DIGITS or digits[0] not in "23456":
        return False
    numbers = [int(c) for c in digits]
    doubled = [d * 2 - 9 * (d > 4) for d in numbers[-2::-2]]
    return (sum(numbers[-1::-2]) + sum(doubled)) % 10 == 0


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
        text = masked(" ".join(f"{name}={_plain(item)}" for name, item in value.items())) or "{}"
    else:
        text = masked(_plain(value))
    if len(text) <= LONGEST:
        return text
    return f"{text[: LONGEST - 12]}…{text[-6:]}" + ("" if isinstance(value, str) else f" ({len(text)} long)")


def _plain(value: object) -> str:
    if isinstance(value, int) and value.bit_length() > LONGEST_NUMBER:
        return f"a number of {value.bit_length()} bits"  # Python refuses to print very long ones
    try:
        return str(value)
    except Exception:  # whatever the object of a caller does: a sentence about it must still be possible
        return f"a {type(value).__name__} that cannot be written out"


def nearest(word: str, known: Iterable[str]) -> str:
    """A clause that offers the known word spelled most like ``word``, or nothing.

    >>> nearest("weigand-26", ["hex", "wiegand-26"])
    '; did you mean wiegand-26?'
    >>> nearest("zzz", ["hex"])
    ''
    """
    from difflib import get_close_matches  # only when something is misspelt

    spelt = {name.lower(): name for name in known}
    close = get_close_matches(word.lower(), spelt, n=1)
    return f"; did you mean {spelt[close[0]]}?" if close else ""
