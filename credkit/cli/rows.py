"""Rows: what became of one value, as plain data ready for JSON and for the screen."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Any

from bitstring import Bits

from credkit.cli.masks import starred
from credkit.cli.values import Line
from credkit.core.chains import AnyConversion, over_long
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

REFUSED = "the value looks like a payment account number and is not written (--reveal writes it)"
LOSSY = "something is left out on the way: two values can become one, so look for duplicates"
_LOSSY = {"kind": "lossy", "level": "care", "text": LOSSY, "at": []}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OutputRow:
    """One value and what became of it.

    ``given`` is what a chain reads that gives text or bits instead of fields. ``error`` is the
    first fault, ``short`` the same in fewer words, ``others`` are the rest; ``brief`` is the first
    without anything that was found. ``too_long`` are notes on what was written.
    ``secret`` says that the row holds, as read or at any step, a number that looks like a payment
    account number; ``tracks`` are the numbers of payment tracks in it, and ``whole`` says that one reads well.
    ``declared`` says that the chain tells what its numbers are: reason enough to write them in another notation.
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
    writes: bool = False
    lossy: bool = False
    secret: bool = False
    tracks: frozenset[str] = frozenset()
    whole: bool = False
    declared: bool = False

    def record(self) -> dict[str, Any]:
        """The row as a JSON object."""
        found = {
            "input": self.input, "ok": self.error is None, "fields": self.fields, "checks": self.checks,
            "notes": [*self.notes, *self.too_long, *[_LOSSY] * self.lossy], "hints": self.hints, "error": self.error,
        }  # fmt: skip
        if not self.gives_fields:
            found["value"] = self.given
        if self.writes:
            found["output"] = self.output
        return found

    def summary(self) -> str:
        """The fields, or the text or bits, on one line."""
        if self.fields is None:
            return self.given or ""
        return " ".join(f"{name}={value}" for name, value in self.fields.items())

    def refused(self, error: str) -> OutputRow:
        """The row as one that was not read at all."""
        return OutputRow(
            input=starred(self.input, self.tracks), error=error, brief=error, gives_fields=self.gives_fields,
            writes=self.writes, lossy=self.lossy,
        )  # fmt: skip

    def hidden(self) -> OutputRow:
        """The row as it may be shown: nothing secret, and no account number in the output.

        Fields, bits and single characters would give a masked number away, so a secret row loses
        everything that was made of its text.
        """
        if self.output is not None and self.secret and (not self.declared or holds_account(self.output)):
            return replace(self, output=None, error=REFUSED, brief=REFUSED).hidden()
        if not self.secret:
            return self
        hide = partial(starred, only=self.tracks)
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
            hints=[{**h, "text": _hint(h["text"]), "value": hide(h["value"])} for h in self.hints],
        )  # fmt: skip


def _hint(text: str) -> str:
    """What a hint says, without the place and the value in it."""
    cause, colon, value = text.partition(": ")
    return f"{re.sub('[0-9]', '*', cause)}{colon}{starred(value)}"


def decoded(codec: AnyCodec, line: Line, *, hints: bool) -> OutputRow:
    """What ``codec`` reads in ``line``."""
    frame = OutputRow(input=line.text, gives_fields=codec.gives == "fields", lossy=codec.lossy)
    if line.problem:
        return replace(_marked(frame, payment_in_texts([line.text])), error=line.problem, brief=line.problem)
    reading = codec.inspect(line.text)
    failed = reading.failed
    faults = [str(codec.decode_error(replace(reading, checks=(c,)))) for c in reading.checks if not c.passed]
    found, proposal = _causes(codec, line.text) if hints and failed else ((), None)
    given = None if failed else plain(reading.value)
    secret = payment_in_decoded(codec, line.text, reading, [hint.value for hint in found])
    return replace(
        _marked(frame, secret),
        fields=given if codec.gives == "fields" else None,
        given=None if codec.gives == "fields" else given,
        checks=[_check(check) for check in reading.checks],
        notes=list(map(_note, reading.notes)),
        hints=[
            {"cause": h.cause, "text": h.text, "chain": h.chain, "value": plain(h.value), "evidence": h.evidence}
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


def _marked(row: OutputRow, found: PaymentData) -> OutputRow:
    """``row`` with the payment data that it holds."""
    return replace(
        row, secret=row.secret or found.has_account, tracks=row.tracks | found.track_numbers,
        whole=row.whole or found.has_valid_track
    )  # fmt: skip


def converted(conversion: AnyConversion, line: Line, *, hints: bool, explained: bool) -> OutputRow:
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
                    input=line.text, output=output, writes=True, too_long=_too_long(conversion.target, output)
                )  # fmt: skip
    row = decoded(conversion.source, line, hints=hints)
    row = replace(row, writes=True, lossy=conversion.lossy, declared=declares_all(conversion.source))
    if row.error:
        return row
    row = _written(row, lambda: conversion.convert(line.text), "the fields cannot be written")
    row = replace(row, too_long=_too_long(conversion.target, row.output))
    return _marked(row, payment_in_encoded(conversion.target, row.output or ""))


def encoded(codec: AnyCodec, line: Line) -> OutputRow:
    """What ``codec`` writes for the fields (or binary digits, or text, as it gives) in ``line``."""
    row = OutputRow(
        input=line.text, writes=True, gives_fields=codec.gives == "fields", lossy=codec.lossy,
        declared=declares_all(codec),
    )  # fmt: skip
    if line.problem:
        return replace(row, error=line.problem)
    value: Any = line.text
    row = replace(row, secret=holds_account(line.text))
    try:
        if codec.gives == "fields":
            from credkit.cli.typedfields import typed_fields  # only to write

            value = typed_fields(line.text, codec.output.schema)
            row = replace(
                row, fields=value, secret=row.secret or any(holds_account(redacted_repr(v)) for v in value.values())
            )
        elif codec.gives == "bits":
            value = _bits(line.text)
            row = replace(row, given=line.text)
    except EncodeError as error:
        return replace(row, error=str(error), brief=str(error))
    row = _written(row, lambda: codec.encode(value))
    row = replace(row, too_long=_too_long(codec, row.output))
    return row if row.output is None else _marked(row, payment_in_encoded(codec, row.output))


def _too_long(codec: AnyCodec, output: Any) -> list[dict[str, Any]]:
    """The notes on what ``codec`` wrote, without places: those would be of the output."""
    return [] if output is None else [{**_note(note), "at": []} for note in over_long(codec, output)]


def _note(note: Note) -> dict[str, Any]:
    return {"kind": note.kind, "level": note.level, "text": note.text, "at": list(note.at)}


def _written(row: OutputRow, write: Callable[[], Any], brief: str = "") -> OutputRow:
    try:
        return replace(row, output=write())
    except EncodeError as error:
        return replace(row, fields=None, given=None, error=str(error), brief=brief or str(error))


def _bits(text: str) -> Bits:
    if not re.fullmatch("[01]+", text):
        raise EncodeError(f"{redacted_repr(text)} is not binary digits")
    return Bits(f"0b{text}")


def plain(value: Any) -> Any:
    """A value of any form as JSON can hold it: bits as binary digits, bytes as hexadecimal ones.

    >>> plain(Bits("0b0101")), plain({"number": 5})
    ('0101', {'number': 5})
    """
    if isinstance(value, Bits):
        return value.bin
    if isinstance(value, bytes):
        return value.hex().upper()
    if isinstance(value, Mapping):
        return {str(name): plain(item) for name, item in value.items()}
    return value if value is None or isinstance(value, str | int | float) else str(value)


def _check(check: Check) -> dict[str, Any]:
    return {
        "codec": check.codec, "rule": check.rule, "at": list(check.at), "covers": list(check.covers),
        "expected": _joined(check.expected, " … "), "found": _joined(check.found, ""), "passed": check.passed,
    }  # fmt: skip


def _joined(value: object, joint: str) -> Any:
    return joint.join(map(str, value)) if isinstance(value, tuple) else plain(value)
