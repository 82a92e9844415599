"""What a text says through a chain, each text read once.

The same cards are read again and again, so a text is inspected once for each chain and kind. What
a spreadsheet does to numbers is recognised here, and never repaired.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from credkit.core.chains import Choice
from credkit.core.codec import AnyCodec
from credkit.core.fields import Item
from credkit.core.reading import AnyReading, Note
from credkit.core.sentences import redacted_repr
from credkit.explain.diagnosis import is_spreadsheet_shortened
from credkit.privacy.payment import NO_PAYMENT_DATA, PaymentData, payment_in_decoded
from credkit.site.model import CredentialKind

SPREADSHEET_DIGITS = 15  # that a spreadsheet keeps of a number: those of a double-precision value (IEEE 754)
MOST_LOST_ZEROS = 20  # leading zeros that are tried
_DECIMAL = re.compile("[0-9]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class TextResult:
    """The result of a text: a number, or the ``code`` of its fault, with rule and reason.

    A printed text may have fields that make no number. ``refusal`` is the text of its notes of
    level refuse, ``notes`` are those and the notes of care. A ``maybe_rounded`` number reads well but
    looks rounded; whether it is depends on what else shows that number. ``payment`` says whether it
    holds an account number, in whatever notation.
    """

    number: tuple[Item, ...] | None = None
    fields: Mapping[str, Item] | None = None
    code: str = ""
    rule: str = ""
    reason: str = ""
    refusal: str = ""
    notes: tuple[Note, ...] = ()
    maybe_rounded: bool = False
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
            maybe_rounded=not typed and is_rounded(text), payment=secret,
            refusal="; ".join(note.text for note in reading.notes if note.level == "refuse"),
            notes=tuple(note for note in reading.notes if note.level != "info"),
        )  # fmt: skip
    damage = None if typed else describe_damage(codec, text)
    if damage:
        return TextResult(code="spreadsheet-damage", reason=damage, payment=secret)
    failure = codec.decode_error(reading)
    rule = failure.check.rule if failure.check else ""
    reason = str(failure)
    if secret.has_account and reading.failed:
        reason = f"{reading.failed.codec}: {reading.failed.claim} fails; what was found is hidden"
    return TextResult(
        code="check-failed" if _has_form(codec, text, reading) else "unreadable", rule=rule, reason=reason,
        payment=secret,
    )  # fmt: skip


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

    By chance one number of 16 digits in ten does: `credkit.crosswalk.damage` judges the column.

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


def describe_damage(codec: AnyCodec, text: str) -> str | None:
    """Describe how a spreadsheet altered ``text``, which ``codec`` cannot decode; None without a sign of it.

    Only a number of at most 15 digits can have lost zeros and nothing else: a longer one is rounded.
    """
    if is_spreadsheet_shortened(text):
        return f"{redacted_repr(text)} is a number as a spreadsheet shortens it: its other digits are lost"
    if is_rounded(text):
        return describe_rounding(text)
    if len(text) <= SPREADSHEET_DIGITS and _DECIMAL.fullmatch(text) and (text[0] != "0" or text == "0"):
        for zeros in range(1, MOST_LOST_ZEROS + 1):
            if codec._decode_raw("0" * zeros + text) is not None:
                lost = "a leading zero" if zeros == 1 else f"{zeros} leading zeros"
                return f"{redacted_repr(text)} would be read with {lost} before it, which spreadsheets drop"
    return None


def describe_rounding(text: str) -> str:
    """The sentence for a number that looks rounded."""
    return f"{redacted_repr(text)} has only zeros behind its 15th digit, as spreadsheets leave them"
