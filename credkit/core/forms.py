"""The three forms: which Python values stand for text, bits and fields, and how they travel inside a chain.

Text is a ``str``; bits are a ``bitstring.Bits``, or bytes (eight bits each), or a pair ``(number, length)`` as a
driver has it; fields are any mapping of names to whole numbers and texts, where a whole number is whatever has
``__index__``. Inside a chain bits travel as a `Word`, because making a ``Bits`` for every step would cost more
than the steps do.
"""

from __future__ import annotations

from collections.abc import Mapping
from operator import index
from typing import Any, Literal, TypeAlias, TypeGuard

from bitstring import Bits

from credkit.core.fields import FieldMapping, Fields, is_index
from credkit.core.sentences import redacted_repr
from credkit.core.spans import MAX_BITS, MAX_NUMBER_BITS

Form: TypeAlias = Literal["text", "bits", "fields"]
Word: TypeAlias = tuple[int, int]  # the bits as a number, first bit most significant; how many
BitsLike: TypeAlias = Bits | bytes | bytearray | memoryview | tuple[int, int]
Accepted: TypeAlias = str | BitsLike | FieldMapping  # what a written chain may be given

TYPES: dict[Form, str] = {
    "text": "a str",
    "bits": "a bitstring.Bits, bytes, or (number, length)",
    "fields": "a mapping",
}
OWN_TYPES: dict[Form, type] = {"text": str, "bits": Bits, "fields": Fields}  # what codecs themselves give
_TYPES: dict[Form, type] = {"text": str, "bits": Bits, "fields": Mapping}


def to_word(value: Bits) -> Word:
    """Bits as a number and a length.

    >>> to_word(Bits("0b0101"))
    (5, 4)
    """
    length = len(value)
    return int.from_bytes(value.tobytes(), "big") >> -length % 8, length


def to_bits(word: Word) -> Bits:
    """The inverse of `to_word`.

    >>> to_bits((5, 4)).bin
    '0101'
    """
    number, length = word
    return Bits.from_string(f"0b{number:0{length}b}") if length else Bits()


def to_raw(form: Form, value: Any) -> Any:
    """``value``, which is of ``form``, as it travels inside a chain."""
    return to_word(value) if form == "bits" else value


def from_raw(form: Form, raw: Any) -> Any:
    """The inverse of `to_raw`."""
    return to_bits(raw) if form == "bits" else raw


def is_form(form: Form, value: object) -> bool:
    """Whether ``value`` is of the Python type that ``form`` stands for."""
    return isinstance(value, _TYPES[form])


def raw_of(form: Form, value: object) -> Any:
    """``value`` of any accepted type, as it travels inside a chain; raises ValueError with the reason.

    >>> raw_of("bits", b"\\x02\\xf7"), raw_of("bits", (0x2F764DD, 26)), raw_of("bits", Bits("0b101"))
    ((759, 16), (49767645, 26), (5, 3))
    >>> raw_of("bits", (4, 2))
    Traceback (most recent call last):
    ValueError: but the number 4 has 3 bits, more than the length 2
    """
    if form == "text" and isinstance(value, str):
        return value
    if form == "bits":
        if isinstance(value, Bits):
            return to_word(value)
        if isinstance(value, bytes | bytearray | memoryview):
            data = bytes(value)
            return int.from_bytes(data, "big"), 8 * len(data)
        if isinstance(value, tuple) and len(value) == 2 and all(map(is_index, value)):
            return _word(index(value[0]), index(value[1]))
    if form == "fields" and isinstance(value, Mapping):
        return _plain(value)
    raise ValueError(f"not {_describe(value)}")


def _describe(value: object) -> str:
    """A value that is of no form, in one line."""
    if isinstance(value, tuple):
        return f"({', '.join(map(redacted_repr, value))})"
    return " ".join(redacted_repr(value).split())


def _word(number: int, length: int) -> Word:
    if not 0 <= length <= MAX_BITS:
        raise ValueError(f"but the length {redacted_repr(length)} is outside 0 to {MAX_BITS} bits")
    if number < 0:
        raise ValueError(f"but the number {redacted_repr(number)} is negative")
    if number.bit_length() > length:
        raise ValueError(
            f"but the number {redacted_repr(number)} has {number.bit_length()} bits, more than the length {length}"
        )
    return number, length


def _plain(fields: FieldMapping) -> FieldMapping:
    """``fields`` with every whole number as an ``int``."""
    if type(fields) is Fields or all(type(item) is int or type(item) is str for item in fields.values()):
        return fields
    return {name: index(item) if is_index(item) else item for name, item in fields.items()}


def is_number(value: object) -> TypeGuard[int]:
    """Whether ``value`` can stand in a field: a whole number, neither negative nor absurdly long.

    >>> is_number(5), is_number(-5), is_number(True), is_number("5")
    (True, False, False, False)
    """
    return (
        isinstance(value, int) and not isinstance(value, bool) and value >= 0 and value.bit_length() <= MAX_NUMBER_BITS
    )


def is_item(value: object) -> TypeGuard[int | str]:
    """Whether ``value`` can stand in a field at all: a whole number, or a text that is not absurdly long.

    >>> is_item(5), is_item("05"), is_item(None)
    (True, True, False)
    """
    return is_number(value) or (isinstance(value, str) and len(value) <= MAX_BITS)
