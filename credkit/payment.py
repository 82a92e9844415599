"""Payment data in readings: whether a value holds an account number or a track, at any step of a chain.

A track need not be seen in what was typed: it may stand in bits, in hexadecimal digits, or be typed
under another keyboard layout. So every text of a reading is looked at, the characters that a failed
track consists of, every field, and, where the reading failed, what the value would be if its bits
came in another order, or were the characters of the other width.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from functools import lru_cache
from typing import Any, NamedTuple

from bitstring import Bits

from credkit.accounts import ACCOUNT_DIGITS, holds_account, tracks
from credkit.chains import Choice
from credkit.codec import Codec
from credkit.diagnose import alternatives
from credkit.reading import Reading, TextField
from credkit.registry import chain, get
from credkit.tables.characters import SETS

_INVERTED = str.maketrans("01", "10")
LONGEST_TYPED = 512  # characters of a text that is looked at as typed under other keyboard layouts
LONGEST_HEX = 32  # digits of a number that is looked at
MOST_ZEROS = 8  # that may be lost before a text
LEAST = 10 ** (ACCOUNT_DIGITS.start - 1)  # the smallest number that has room for an account number


class Payment(NamedTuple):
    """Whether there is an account number, and the numbers of whole tracks."""

    account: bool = False
    tracks: frozenset[str] = frozenset()


NOTHING = Payment()


def payment(codec: Codec, given: str, reading: Reading, more: Iterable[Any] = ()) -> Payment:
    """What of payment data ``given`` holds, which ``codec`` read as ``reading``; ``more`` are other values of it.

    >>> codec = chain("strip:;,?/last-digits:16")
    >>> text = ";4114360123456785=3012?"  # the number is that of the WHATWG HTML standard's example
    >>> payment(codec, text, codec.inspect(text))
    Payment(account=True, tracks=frozenset({'4114360123456785'}))
    """
    return held(_texts(codec, given, reading, more))


def passing(codec: Codec, given: str) -> Payment:
    """The same for a value that reads well (or is not read any further), without the explanations: it is quick."""
    return held(_passed(codec, given))


def suspect(text: str) -> bool:
    """Whether ``text`` holds an account number or a track, in decimal or hexadecimal digits, however they are parted.

    >>> suspect("0E9DFD1DA2FD11"), suspect("41:14:36:01:23:45:67:85"), suspect("02F764DD")
    (True, True, False)
    >>> suspect("11FDA21DFD9D0E")  # the first one, last byte first
    True
    """
    digits = re.sub("[^0-9A-Fa-f]", "", text.strip().removeprefix("0x"))
    texts = [text, digits]
    if 0 < len(digits) <= LONGEST_HEX:
        whole = bytes.fromhex(digits.zfill(len(digits) + len(digits) % 2))
        texts += [str(int.from_bytes(whole, "big")), str(int.from_bytes(whole, "little"))]
    return any(map(holds_account, texts))


def held(texts: Iterable[str]) -> Payment:
    """What ``texts`` hold.

    >>> held(["02F764DD"]), held(["4114360123456785"]).account
    (Payment(account=False, tracks=frozenset()), True)
    """
    found = [text for text in texts if holds_account(text)]
    return Payment(account=bool(found), tracks=frozenset().union(*map(tracks, found)))


def _passed(codec: Codec, given: str) -> Iterator[str]:
    yield given
    carried: Any = given
    for step in codec.steps if has_room(codec) and not codec.unread else ():
        carried = step.attempt(carried)
        if carried is None:
            break
        yield from _written(carried)


def _texts(codec: Codec, given: str, reading: Reading, more: Iterable[Any]) -> Iterator[str]:
    yield given
    if has_room(codec):
        yield from read(reading)
        if not reading.ok and from_bits(codec):
            for option in codec.options if isinstance(codec, Choice) else (codec,):
                yield from _otherwise(option, given)
            for step in reading.steps:
                if isinstance(step.given, Bits):
                    yield from _stripes(step.given)
    if not reading.ok and ACCOUNT_DIGITS.start <= len(given) <= LONGEST_TYPED and not given.isalnum():
        for keyboard in _keyboards():
            yield from read(keyboard.inspect(given))
    for value in more:
        yield from _written(value)


def _otherwise(codec: Codec, given: str) -> Iterator[str]:
    """The texts of what could not be read, as other orders of bits have them, or zeros that were lost before it.

    Where checks fail under another order too, a number alone says nothing: chance makes many of them.
    """
    for option in alternatives(codec):
        reading = option.codec.inspect(given)
        yield from (text for text in read(reading) if reading.ok or not text.isdecimal())
    for zeros in range(1, MOST_ZEROS + 1) if given.isalnum() else ():
        yield from _written(codec.attempt("0" * zeros + given))


def _stripes(bits: Bits) -> Iterator[str]:
    """The texts of ``bits`` as characters of a stripe: both sets, both directions, wherever the first one begins.

    Half of all characters have good parity by chance. Where no more have, nothing is read.
    """
    row = bits.bin
    for letters in SETS.values():
        for way in (row, row[::-1]):
            for lines in (way, way.translate(_INVERTED)):
                for start in range(letters.width):
                    places = range(start, len(lines) - letters.width + 1, letters.width)
                    pieces = [lines[place : place + letters.width] for place in places]
                    written = [piece for piece in pieces if "1" in piece]
                    if 4 * sum(piece.count("1") % 2 for piece in written) >= 3 * len(written):
                        yield "".join(letters.characters[piece] for piece in pieces)


@lru_cache(maxsize=1)
def _keyboards() -> tuple[Codec, ...]:
    return tuple(chain(f"keyboard:{layout}") for layout in get("keyboard").usual)


def read(reading: Reading) -> Iterator[str]:
    """Every text in a reading, step by step: values, fields, and the characters of its parts."""
    for each in [step.reading for step in reading.steps] or [reading]:
        yield from _written(each.value)
        values = [part.value for part in each.parts]
        for value in values:
            yield from _written(value)
        yield "".join(value for value in values if isinstance(value, str))


def _written(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, int) and value >= LEAST:
        yield str(value)
    elif isinstance(value, Mapping):
        for item in value.values():
            yield from _written(item)


@lru_cache(maxsize=256)
def has_room(codec: Codec) -> bool:
    """Whether anything that ``codec`` makes of a text may hold an account number.

    >>> has_room(chain("hex:8/right-justified:26/wiegand-26")), has_room(chain("strip:;,?"))
    (False, True)
    """
    if isinstance(codec, Choice):
        return any(map(has_room, codec.options))
    return any(map(_has_room, codec.steps))


@lru_cache(maxsize=256)
def from_bits(codec: Codec) -> bool:
    """Whether what has room for one is made of bits, and would be another if they came in another order.

    >>> from_bits(chain("strip/hex:8/right-justified:26/wiegand-26")), from_bits(chain("hex:14/fields:number:56"))
    (False, True)
    """
    if isinstance(codec, Choice):
        return any(map(from_bits, codec.options))
    bits = next((place for place, step in enumerate(codec.steps) if step.gives == "bits"), len(codec.steps))
    return any(map(_has_room, codec.steps[bits:]))


def _has_room(step: Codec) -> bool:
    rows = step.output.schema
    if step.gives != "fields":
        return step.gives == "text"
    return rows is None or any(isinstance(row, TextField) or row.most >= LEAST for row in rows.values())
