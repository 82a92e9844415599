"""Rows: what became of one value, as plain data ready for JSON and for the screen."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Any

from bitstring import Bits

from credkit.cli.masks import star_out
from credkit.cli.values import InputLine
from credkit.core.chains import AnyConversion, over_long_notes
from credkit.core.codec import AnyCodec
from credkit.core.errors import DecodeError, EncodeError
from credkit.core.reading import Check, Note
from credkit.core.sentences import redacted_repr
from credkit.privacy.accounts import holds_account
from credkit.privacy.payment import (
    PaymentData,
    declares_all,
    payment_in_decoded,
    payment_in_encoded,
    payment_in_texts,
    payment_in_valid,
)

if TYPE_CHECKING:
    from credkit.explain.diagnosis import Hint

ACCOUNT_REFUSAL = "the value looks like a payment account number and is not written (--reveal writes it)"
LOSSY_TEXT = "something is left out on the way: two values can become one, so look for duplicates"
_LOSSY_NOTE = {"kind": "lossy", "level": "care", "text": LOSSY_TEXT, "at": []}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OutputRow:
    """One value and what became of it.

    ``given`` is what a chain reads that gives text or bits instead of fields. ``error`` is the
    first fault, ``short`` the same in fewer words, ``others`` are the rest; ``brief`` is the first
    without anything that was found. ``too_long`` are notes on what was written.
    ``has_account`` says that the row holds, as read or at any step, a number that looks like a payment
    account number; ``track_numbers`` are the numbers of payment tracks in it,
    and ``has_valid_track`` says that one reads well.
    ``is_declared`` says that the chain tells what its numbers are: reason enough to write them in another notation.
    """

    input: str
    fields: Mapping[str, Any] | None = None
    given: str | None = None
    checks: list[dict[str, Any]] = field(default_factory=list)
    notes: list[dict[str, Any]] = field(default_factory=list)
    too_long: list[dict[str, Any]] = field(default_factory=list)
    hints: list[dict[str, Any]] = field(default_factory=list)
    advice: str | None = None
    error: str | None = None
    others: list[str] = field(default_factory=list)
    short: str | None = None
    brief: str | None = None
    output: str | None = None
    gives_fields: bool = True
    is_encoding: bool = False
    is_lossy: bool = False
    has_account: bool = False
    track_numbers: frozenset[str] = frozenset()
    has_valid_track: bool = False
    is_declared: bool = False

    def to_json(self) -> dict[str, Any]:
        """The row as a JSON object."""
        found = {
            "input": self.input, "ok": self.error is None, "fields": self.fields, "checks": self.checks,
            "notes": [*self.notes, *self.too_long, *[_LOSSY_NOTE] * self.is_lossy], "hints": self.hints,
            "error": self.error,
        }  # fmt: skip
        if not self.gives_fields:
            found["value"] = self.given
        if self.is_encoding:
            found["output"] = self.output
        return found

    def summary(self) -> str:
        """The fields, or the text or bits, on one line."""
        if self.fields is None:
            return self.given or ""
        return " ".join(f"{name}={value}" for name, value in self.fields.items())

    def as_refused(self, error: str) -> OutputRow:
        """The row as one that was not read at all."""
        return OutputRow(
            input=star_out(self.input, self.track_numbers), error=error, brief=error, gives_fields=self.gives_fields,
            is_encoding=self.is_encoding, is_lossy=self.is_lossy,
        )  # fmt: skip

    def as_redacted(self) -> OutputRow:
        """The row as it may be shown: nothing secret, and no account number in the output.

        Fields, bits and single characters would give a masked number away, so a secret row loses
        everything that was made of its text.
        """
        if self.output is not None and self.has_account and (not self.is_declared or holds_account(self.output)):
            return replace(self, output=None, error=ACCOUNT_REFUSAL, brief=ACCOUNT_REFUSAL).as_redacted()
        if not self.has_account:
            return self
        hide = partial(star_out, only=self.track_numbers)
        error = self.error
        if error != self.brief:
            error = f"{self.brief or 'the value cannot be read'}; what was found is hidden (--reveal shows it)"
        return replace(
            self, input=hide(self.input), fields=hide(self.fields), given=hide(self.given),
            error=error, short=error, others=[],
            checks=[
                {**c, "at": [], "covers": [], "expected": hide(c["expected"]), "found": hide(c["found"])}
                for c in self.checks
            ],
            notes=[{**n, "at": []} for n in self.notes if n["level"] != "info"],  # some say what a value means
            hints=[{**h, "text": _redact_hint(h["text"]), "value": hide(h["value"])} for h in self.hints],
        )  # fmt: skip


def _redact_hint(text: str) -> str:
    """What a hint says, without the place and the value in it."""
    cause, colon, value = text.partition(": ")
    return f"{re.sub('[0-9]', '*', cause)}{colon}{star_out(value)}"


def decode_row(codec: AnyCodec, line: InputLine, *, hints: bool) -> OutputRow:
    """What ``codec`` reads in ``line``."""
    frame = OutputRow(input=line.text, gives_fields=codec.gives == "fields", is_lossy=codec.lossy)
    if line.problem:
        return replace(_with_payment_data(frame, payment_in_texts([line.text])), error=line.problem, brief=line.problem)
    reading = codec.inspect(line.text)
    failed = reading.failed
    faults = [str(codec.decode_error(replace(reading, checks=(c,)))) for c in reading.checks if not c.passed]
    found, proposal = _causes(codec, line.text) if hints and failed else ((), None)
    given = None if failed else to_json_value(reading.value)
    secret = payment_in_decoded(codec, line.text, reading, [hint.value for hint in found])
    return replace(
        _with_payment_data(frame, secret),
        fields=given if codec.gives == "fields" else None,
        given=None if codec.gives == "fields" else given,
        checks=[_check_to_json(check) for check in reading.checks],
        notes=list(map(_note_to_json, reading.notes)),
        hints=[
            {
                "cause": h.cause,
                "text": h.text,
                "chain": h.chain,
                "value": to_json_value(h.value),
                "evidence": h.evidence,
            }
            for h in found
        ],
        advice=proposal,
        error=faults[0] if faults else None,
        short=failed.sentence().replace(f": {failed.claim} fails: ", f" {failed.rule}: ", 1) if failed else None,
        others=faults[1:],
        brief=f"{failed.codec}: {failed.claim} fails" if failed else None,
    )


def _causes(codec: AnyCodec, text: str) -> tuple[Sequence[Hint], str | None]:
    """What would explain that ``codec`` cannot read ``text``, and what to do then."""
    from credkit.explain.diagnosis import describe_next_step, diagnose  # only for what cannot be read

    found = diagnose(codec, text)
    return found, describe_next_step(found)


def _with_payment_data(row: OutputRow, found: PaymentData) -> OutputRow:
    """``row`` with the payment data that it holds."""
    if not any(found):
        return row
    return replace(
        row, has_account=row.has_account or found.has_account, track_numbers=row.track_numbers | found.track_numbers,
        has_valid_track=row.has_valid_track or found.has_valid_track
    )  # fmt: skip


def convert_row(conversion: AnyConversion, line: InputLine, *, hints: bool, explained: bool) -> OutputRow:
    """``line``, read by the source, as the target writes it; a good row is ``explained`` only where that is shown."""
    if not explained and not line.problem:
        try:
            output = conversion.convert(line.text)
        except (DecodeError, EncodeError):
            pass  # read again below, to say why
        else:
            if not (
                payment_in_valid(conversion.source, line.text).has_account
                or payment_in_encoded(conversion.target, output).has_account
            ):
                return OutputRow(
                    input=line.text, output=output, is_encoding=True,
                    too_long=_over_long_notes(conversion.target, output)
                )  # fmt: skip
    row = decode_row(conversion.source, line, hints=hints)
    row = replace(row, is_encoding=True, is_lossy=conversion.lossy, is_declared=declares_all(conversion.source))
    if row.error:
        return row
    row = _encode_row(row, lambda: conversion.convert(line.text), "the fields cannot be written")
    row = replace(row, too_long=_over_long_notes(conversion.target, row.output))
    return _with_payment_data(row, payment_in_encoded(conversion.target, row.output or ""))


def encode_row(codec: AnyCodec, line: InputLine) -> OutputRow:
    """What ``codec`` writes for the fields (or binary digits, or text, as it gives) in ``line``."""
    row = OutputRow(
        input=line.text, is_encoding=True, gives_fields=codec.gives == "fields", is_lossy=codec.lossy,
        is_declared=declares_all(codec),
    )  # fmt: skip
    if line.problem:
        return replace(row, error=line.problem)
    value: Any = line.text
    row = replace(row, has_account=holds_account(line.text))
    try:
        if codec.gives == "fields":
            from credkit.cli.typedfields import typed_fields  # only to write

            value = typed_fields(line.text, codec.output.schema)
            row = replace(
                row,
                fields=value,
                has_account=row.has_account or any(holds_account(redacted_repr(v)) for v in value.values()),
            )
        elif codec.gives == "bits":
            value = _parse_bits(line.text)
            row = replace(row, given=line.text)
    except EncodeError as error:
        return replace(row, error=str(error), brief=str(error))
    row = _encode_row(row, lambda: codec.encode(value))
    row = replace(row, too_long=_over_long_notes(codec, row.output))
    return row if row.output is None else _with_payment_data(row, payment_in_encoded(codec, row.output))


def _over_long_notes(codec: AnyCodec, output: Any) -> list[dict[str, Any]]:
    """The notes on what ``codec`` wrote, without places: those would be of the output."""
    return [] if output is None else [{**_note_to_json(note), "at": []} for note in over_long_notes(codec, output)]


def _note_to_json(note: Note) -> dict[str, Any]:
    return {"kind": note.kind, "level": note.level, "text": note.text, "at": list(note.at)}


def _encode_row(row: OutputRow, write: Callable[[], Any], brief: str = "") -> OutputRow:
    try:
        return replace(row, output=write())
    except EncodeError as error:
        return replace(row, fields=None, given=None, error=str(error), brief=brief or str(error))


def _parse_bits(text: str) -> Bits:
    if not re.fullmatch("[01]+", text):
        raise EncodeError(f"{redacted_repr(text)} is not binary digits")
    return Bits(f"0b{text}")


def to_json_value(value: Any) -> Any:
    """A value of any form as JSON can hold it: bits as binary digits, bytes as hexadecimal ones.

    >>> to_json_value(Bits("0b0101")), to_json_value({"number": 5})
    ('0101', {'number': 5})
    """
    if isinstance(value, Bits):
        return value.bin
    if isinstance(value, bytes):
        return value.hex().upper()
    if isinstance(value, Mapping):
        return {str(name): to_json_value(item) for name, item in value.items()}
    return value if value is None or isinstance(value, str | int | float) else str(value)


def _check_to_json(check: Check) -> dict[str, Any]:
    return {
        "codec": check.codec, "rule": check.rule, "at": list(check.at), "covers": list(check.covers),
        "expected": _join_value(check.expected, " … "), "found": _join_value(check.found, ""), "passed": check.passed,
    }  # fmt: skip


def _join_value(value: object, joint: str) -> Any:
    return joint.join(map(str, value)) if isinstance(value, tuple) else to_json_value(value)
