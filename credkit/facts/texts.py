"""What a text says through a chain, each text read once.

The same cards are read again and again, so a text is inspected once for each chain and kind. What
a spreadsheet does to numbers is recognised here, and never repaired.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from credkit.core.chains import Choice
from credkit.core.codec import AnyCodec
from credkit.core.fields import Item
from credkit.core.reading import AnyReading, Note
from credkit.core.sentences import redacted_repr
from credkit.explain.diagnosis import is_spreadsheet_shortened
from credkit.privacy.payment import NO_PAYMENT_DATA, PaymentData, payment_in_decoded
from credkit.site.model import CredentialKind
from credkit.tables.notation import NotationCodec

SPREADSHEET_DIGITS = 15  # that a spreadsheet keeps of a number: those of a double-precision value (IEEE 754)
MOST_LOST_ZEROS = 20  # leading zeros that are tried
MOST_LOST_HEX_DIGITS = 2  # before a hexadecimal text, of which three are zeros once in 4,096
_DECIMAL = re.compile("[0-9]+")
# One separator at least twice: 12.345 alone may be a facility code and a number, and dates have no groups of three.
_THOUSANDS = re.compile("[1-9][0-9]{0,2}([.,'\u2019\u00a0\u202f])[0-9]{3}(\\1[0-9]{3})+")


@dataclass(frozen=True, slots=True, kw_only=True)
class TextResult:
    """The result of a text: a number, or the ``code`` of its fault, with rule and reason.

    A printed text may have fields that make no number. ``refusal`` is the text of its notes of
    level refuse, ``notes`` are those and the notes of care. Of a text without a number that has only zeros
    behind its 15th digit, ``if_whole`` is the result where `credkit.facts.damage` finds its column
    undamaged. ``restored`` is the number of a text that would be read with the leading zeros that it seems
    to have lost, or without thousands separators. ``payment`` says whether it holds an account number, in
    whatever notation.
    """

    number: tuple[Item, ...] | None = None
    fields: Mapping[str, Item] | None = None
    code: str = ""
    rule: str = ""
    reason: str = ""
    refusal: str = ""
    notes: tuple[Note, ...] = ()
    if_whole: TextResult | None = None
    restored: tuple[Item, ...] | None = None
    payment: PaymentData = NO_PAYMENT_DATA


class TextResults:
    """The texts of one crosswalk, with what they say."""

    def __init__(self) -> None:
        self._results: dict[tuple[AnyCodec, str, str, bool], TextResult] = {}

    def read(self, codec: AnyCodec, kind: CredentialKind, text: str, *, typed: bool = False) -> TextResult:
        """The result of ``text`` for a number of ``kind``, decoded by ``codec``.

        What was ``typed`` key by key was never a cell: no spreadsheet can have damaged it.
        """
        key = (codec, kind.name, text, typed)
        found = self._results.get(key)
        if found is None:
            found = self._results[key] = _read_text(codec, kind, text, typed)
        return found


def _read_text(codec: AnyCodec, kind: CredentialKind, text: str, typed: bool) -> TextResult:
    reading = codec.inspect(text)
    secret = NO_PAYMENT_DATA if kind.not_payment else payment_in_decoded(codec, text, reading)
    if kind.declared and not secret.track_numbers:
        secret = NO_PAYMENT_DATA
    fields = reading.value
    if reading.ok and fields is not None:
        return TextResult(
            number=kind.number_in(fields) if fields.keys() >= set(kind.key) else None, fields=fields,
            payment=secret,
            refusal="; ".join(note.text for note in reading.notes if note.level == "refuse"),
            notes=tuple(note for note in reading.notes if note.level != "info"),
        )  # fmt: skip
    if not typed and is_spreadsheet_shortened(text):
        return TextResult(code="spreadsheet-damage", reason=describe_shortening(text), payment=secret)
    if not typed and (lost := find_lost_zeros(codec, kind, text)):
        return TextResult(code="spreadsheet-damage", reason=lost.describe(text), payment=secret, restored=lost.number)
    if not typed and (separated := find_thousands(codec, kind, text)):
        return TextResult(
            code="spreadsheet-damage", reason=separated.describe(text), payment=secret, restored=separated.number
        )
    failure = codec.decode_error(reading)
    failed = TextResult(
        code="check-failed" if _has_form(codec, text, reading) else "unreadable",
        rule=failure.check.rule if failure.check else "",
        reason=describe_failure(codec, reading, is_secret=secret.has_account), payment=secret,
    )  # fmt: skip
    if typed or not is_rounded(text):
        return failed
    return TextResult(code="spreadsheet-damage", reason=describe_rounding(text), if_whole=failed, payment=secret)


def describe_failure(codec: AnyCodec, reading: AnyReading, *, is_secret: bool) -> str:
    """Why ``codec`` cannot decode the text of a ``reading``; of one that ``is_secret``, without what was found."""
    if is_secret and reading.failed:
        return f"{reading.failed.codec}: {reading.failed.claim} fails; what was found is hidden"
    return str(codec.decode_error(reading))


def _has_form(codec: AnyCodec, text: str, reading: AnyReading) -> bool:
    """Whether the text is written as it should be, so that only what it says is at fault.

    For a choice: whether it is written as one of the options says.
    """
    if isinstance(codec, Choice):
        readings = [option.inspect(text) for option in codec.options]
        return not any(each.ok for each in readings) and any(map(_form_is_read, readings))
    return _form_is_read(reading)


def _form_is_read(reading: AnyReading) -> bool:
    return reading.value is not None or (reading.failed is not None and reading.failed.form != "text")


def branches(codec: AnyCodec) -> tuple[AnyCodec, ...]:
    """The options of a choice; a codec alone is its own only branch."""
    return codec.options if isinstance(codec, Choice) else (codec,)


def is_rounded(text: str) -> bool:
    """Whether ``text`` looks like a long number after a spreadsheet: nothing but zeros behind the 15th digit.

    By chance one number of 16 digits in ten does: `credkit.facts.damage` judges the column.

    >>> is_rounded("3602879701896390"), is_rounded("3602879701896397"), is_rounded("0602879701896390")
    (True, False, False)
    """
    digits = text.removeprefix("-")
    return (
        len(digits) > SPREADSHEET_DIGITS
        and digits[0] != "0"
        and bool(_DECIMAL.fullmatch(digits))
        and not digits[SPREADSHEET_DIGITS:].strip("0")
    )


def describe_shortening(text: str) -> str:
    """The sentence for a number that a spreadsheet wrote with an exponent."""
    return f"{redacted_repr(text)} is a number as a spreadsheet shortens it: its other digits are lost"


class LostZeros(NamedTuple):
    """How many leading zeros a text seems to have lost, and the number that it has with them, if it is one."""

    zeros: int
    number: tuple[Item, ...] | None

    def describe(self, text: str) -> str:
        """The sentence for ``text``."""
        lost = "a leading zero" if self.zeros == 1 else f"{self.zeros} leading zeros"
        return f"{redacted_repr(text)} would be read with {lost} before it, which spreadsheets drop"


def find_lost_zeros(codec: AnyCodec, kind: CredentialKind | None, text: str) -> LostZeros | None:
    """The leading zeros with which ``codec`` reads a ``text`` that it cannot decode; None if that explains nothing.

    Only a number of at most 15 digits can have lost zeros and nothing else: a longer one is rounded. With
    them its fields are as the ``kind`` expects, if there is one. Digits alone before which a hexadecimal text
    has more than two zeros are rather a number of another form.
    """
    if len(text) > SPREADSHEET_DIGITS or not _DECIMAL.fullmatch(text) or (text[0] == "0" and text != "0"):
        return None
    for zeros in _possible_zeros(codec, len(text)):
        restored = "0" * zeros + text
        fields = codec._decode_raw(restored)
        if fields is None:
            continue
        if zeros > MOST_LOST_HEX_DIGITS and _is_hexadecimal(codec, restored):
            continue
        if kind is None:
            return LostZeros(zeros, None)
        if all(fields[name] in allowed for name, allowed in kind.expect.items() if name in fields):
            return LostZeros(zeros, kind.number_in(fields) if fields.keys() >= set(kind.key) else None)
    return None


class Thousands(NamedTuple):
    """The digits of a text without separators of thousands, and the number that they are, if it is one."""

    digits: str
    number: tuple[Item, ...] | None

    def describe(self, text: str) -> str:
        """The sentence for ``text``."""
        return f"{redacted_repr(text)} would be read without the thousands separators that spreadsheets put in"


def find_thousands(codec: AnyCodec, kind: CredentialKind | None, text: str) -> Thousands | None:
    """The digits by which ``codec`` reads a ``text`` that it cannot decode; None if separators explain nothing.

    >>> from credkit import chain
    >>> find_thousands(chain("decimal:32/uid-a-4"), None, "81.902.336").digits
    '81902336'
    >>> find_thousands(chain("decimal:32/uid-a-4"), None, "31.12.2027") is None
    True
    """
    if not _THOUSANDS.fullmatch(text):
        return None
    digits = "".join(filter(str.isdecimal, text))
    if len(digits) > SPREADSHEET_DIGITS:
        return None
    fields = codec._decode_raw(digits)
    if fields is None:
        lost = find_lost_zeros(codec, kind, digits)
        return Thousands(digits, lost.number) if lost else None
    if kind is None:
        return Thousands(digits, None)
    if any(fields[name] not in allowed for name, allowed in kind.expect.items() if name in fields):
        return None
    return Thousands(digits, kind.number_in(fields) if fields.keys() >= set(kind.key) else None)


@lru_cache(maxsize=4096)
def _possible_zeros(codec: AnyCodec, length: int) -> tuple[int, ...]:
    """How many zeros may stand before a number of ``length`` digits, as far as its length tells.

    A notation that takes no number of so many zeros takes no other number of that length.
    """
    every = range(1, MOST_LOST_ZEROS + 1)
    firsts = [branch.steps[0] if branch.steps else branch for branch in branches(codec)]
    if not all(isinstance(first, NotationCodec) for first in firsts):
        return tuple(every)
    return tuple(
        zeros for zeros in every if any(first._decode_raw("0" * (length + zeros)) is not None for first in firsts)
    )  # fmt: skip


def _is_hexadecimal(codec: AnyCodec, text: str) -> bool:
    """Whether ``codec`` reads ``text`` as hexadecimal digits."""
    read_by = next((option for option in branches(codec) if option._decode_raw(text) is not None), codec)
    first = read_by.steps[0] if read_by.steps else read_by
    return isinstance(first, NotationCodec) and first.notation.base == 16


def describe_rounding(text: str) -> str:
    """The sentence for a number that looks rounded."""
    return f"{redacted_repr(text)} has only zeros behind its 15th digit, as spreadsheets leave them"
