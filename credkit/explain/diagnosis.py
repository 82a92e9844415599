"""Diagnosis: which simple causes would explain a value that cannot be read.

A cause is tried, not guessed: a fix is inserted in the chain, or one bit of the failing frame is
changed, and what then reads is a hint. Every cause that fits is listed and none is applied. Often
several fit, because checks of few bits tell little apart: inverted lines and reversed bits each
always break the parity of the common frames, and both together never do.

The search knows no format. It works on the bits that the failing step was given, so the same
one-bit search locates an error in any code that can.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from math import fsum
from typing import Any

from bitstring import Bits

from credkit.catalogue.registry import chain, get
from credkit.core.chains import link
from credkit.core.codec import AnyCodec
from credkit.core.errors import DefinitionError
from credkit.core.forms import Word, from_raw, to_bits, to_raw, to_word
from credkit.core.grammar import format_step
from credkit.core.reading import AnyReading
from credkit.core.sentences import redacted_repr
from credkit.core.spans import format_span
from credkit.core.whitespace import describe_ends, strip_white_space
from credkit.tables.notation import SEPARATORS, NotationCodec

ORDER_CAUSES = (
    ("inverted", "the lines are inverted", "invert"),
    ("reversed-bits", "bits are reversed", "reverse-bits"),
    ("inverted-reversed", "the lines are inverted and bits are reversed", "invert/reverse-bits"),
    ("reversed-bytes", "bytes are reversed", "reverse-bytes"),
    ("reversed-bits-in-bytes", "bits are reversed within each byte", "reverse-bits-in-bytes"),
    ("swapped-nibbles", "the halves of each byte are swapped", "swap-nibbles"),
)
KEYBOARD_CAUSE = "keyboard"  # the cause of a text under another layout: two that read it alike are two causes
SHORTENED_ADVICE = "a spreadsheet shortened the number: its other digits are lost, so export it again from the source"
_EXPONENT = re.compile(r"[+-]?[0-9](?:[.,][0-9]+)?[Ee]\+[0-9]{1,3}")
MOST_MISSING_CHARACTERS = 8  # of a text that has lost some
LONGEST_SEARCHED_FRAME_BITS = 1024  # bits of a frame that the one-bit searches are tried on: each bit costs three reads


@dataclass(frozen=True, slots=True, kw_only=True)
class Alternative:
    """A chain that reads as if ``cause`` were undone; ``text`` completes "… if".

    It is the failing chain with ``fix`` put before the step at ``place``.
    """

    cause: str
    text: str
    codec: AnyCodec
    fix: AnyCodec
    place: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Hint:
    """One simple cause that would explain a failure; a proposal, never applied.

    ``summary`` describes the cause of any value, ``text`` that of this value, with what it would then be.
    ``chain`` reads the value with the cause undone (None where no chain does), ``value`` is what
    it would then be (None where several values would do). A random value passes the same checks
    with probability 2 ** -``evidence``.
    """

    cause: str
    summary: str
    text: str
    chain: str | None = None
    value: Any = None
    evidence: float = 0.0


@lru_cache(maxsize=256)
def order_alternatives(codec: AnyCodec) -> tuple[Alternative, ...]:
    """``codec`` with each of `ORDER_CAUSES` inserted wherever bits flow in it.

    >>> [a.cause for a in order_alternatives(chain("binary/wiegand-26"))]
    ['inverted', 'reversed-bits', 'inverted-reversed']
    """
    found = []
    for place, step in enumerate(codec.steps, 1):
        if step.gives != "bits":
            continue
        for cause, text, name in ORDER_CAUSES:
            fix = chain(name)
            try:
                fixed = link([*codec.steps[:place], fix, *codec.steps[place:]])
            except DefinitionError:
                continue
            if not fixed.decode_obstacle:
                found.append(Alternative(cause=cause, text=text, codec=fixed, fix=fix, place=place))
    return tuple(found)


@lru_cache(maxsize=256)
def _typing_alternatives(codec: AnyCodec) -> tuple[Alternative, ...]:
    """``codec`` behind each keyboard layout worth trying, and behind the removal of white space."""
    if codec.takes != "text":
        return ()
    fixes = [("white-space", "white space stands around it", "strip")]
    fixes += [
        (KEYBOARD_CAUSE, f"it was typed under the keyboard layout {args}", f"keyboard:{args}")
        for args in get("keyboard").usual
    ]
    return tuple(
        Alternative(cause=cause, text=text, codec=link([chain(fix), codec]), fix=chain(fix))
        for cause, text, fix in fixes
    )


def diagnose(codec: AnyCodec, value: Any) -> tuple[Hint, ...]:
    """Every simple cause that would explain why ``codec`` cannot read ``value``; none if it can.

    >>> for hint in diagnose(chain("binary/wiegand-26"), "01000010001001101100100010"):
    ...     print(hint.text)
    the lines are inverted: facility=123 number=45678
    bits are reversed: facility=137 number=45601
    the frame is shifted by one bit, its last bit lost: facility=8 number=39714
    """
    reading = codec.inspect(value)
    if reading.ok:
        return ()
    hints: list[Hint] = []
    place, given = _find_failing_step(codec, value, reading)
    for other in (
        *order_alternatives(codec),
        *_typing_alternatives(codec),
    ):  # a step that reads either way round takes both of a pair
        if other.place > place:  # what fails before the fix fails with it
            continue
        found = _decode_undone(codec, other, reading.steps[other.place].given if reading.steps else value)
        same = [hint.value for hint in hints if other.cause.startswith(hint.cause) and other.cause != KEYBOARD_CAUSE]
        if found is not None and found not in same:
            hints.append(
                Hint(
                    cause=other.cause, summary=other.text, text=f"{other.text}: {redacted_repr(found)}",
                    chain=other.codec.name, value=found,
                    evidence=passed_evidence(other.codec.inspect(value)),
                )
            )  # fmt: skip
    rest = _chain_from(codec, place)
    if isinstance(given, str):
        hints += _separator_hints(codec, place, given)
        hints += _text_hints(rest, given)
    elif isinstance(given, Bits) and 0 < len(given) <= LONGEST_SEARCHED_FRAME_BITS:
        hints += _frame_hints(rest, to_word(given))
    return tuple(_drop_repeated_hints(hints))


def passed_evidence(reading: AnyReading) -> float:
    """The bits of evidence in the checks that passed."""
    return fsum(check.evidence for check in reading.checks if check.passed)


def _decode_or_none(codec: AnyCodec, value: Any) -> Any:
    """What ``codec`` decodes, or None."""
    found = codec._decode_raw(to_raw(codec.takes, value))
    return None if found is None else from_raw(codec.gives, found)


def _decode_undone(codec: AnyCodec, other: Alternative, given: Any) -> Any:
    """What the failing ``codec`` would read with a cause undone in what its step there was given, or None."""
    before = to_raw(other.fix.takes, given)
    found = other.fix._decode_raw(before)
    if found == before:  # which is known to fail
        return None
    for step in codec.steps[other.place :]:
        if found is None:
            return None
        found = step._decode_raw(found)
    return None if found is None else from_raw(codec.gives, found)


def _find_failing_step(codec: AnyCodec, value: Any, reading: AnyReading) -> tuple[int, Any]:
    """The first step whose checks fail, and what it was given."""
    for place, step in enumerate(reading.steps):
        if not step.reading.ok:
            return place, step.given
    return 0, value


@lru_cache(maxsize=512)
def _chain_from(codec: AnyCodec, place: int) -> AnyCodec:
    return link(codec.steps[place:]) if place else codec


def _drop_repeated_hints(hints: list[Hint]) -> Iterator[Hint]:
    """``hints`` without those that an earlier one says: the same cause with the same value."""
    seen = set()
    for hint in hints:
        named = hint.text if hint.value is None or hint.cause == KEYBOARD_CAUSE else ""
        key = (hint.cause, str(hint.value), named)
        if key not in seen:
            seen.add(key)
            yield hint


def is_spreadsheet_shortened(text: str) -> bool:
    """Whether ``text`` is written as spreadsheets write what is too long for a cell.

    >>> [is_spreadsheet_shortened(text) for text in ("1.23E+47", "4,11436E+15", "123E47")]
    [True, True, False]
    """
    return bool(_EXPONENT.fullmatch(text))


def _separator_hints(codec: AnyCodec, place: int, text: str) -> Iterator[Hint]:
    """Bytes that another character separates than the chain has between them, or none."""
    failing = codec.steps[place] if codec.steps else codec
    if not isinstance(failing, NotationCodec) or failing.notation.base != 16:
        return
    name, _, args = failing.name.partition(":")
    digits, *styles = args.split(",")
    kept = [style for style in styles if style not in SEPARATORS]
    for style, sign in (("", ""), *SEPARATORS.items()):
        if sign == failing.notation.byte_separator or sign not in text:
            continue
        fixed = format_step(name, digits, *filter(None, (style, *kept)))
        try:
            other = link([*codec.steps[:place], chain(fixed), *codec.steps[place + 1 :]])
        except DefinitionError:
            continue
        found = _decode_or_none(link(other.steps[place:]), text)
        if found is not None:
            said = f"{redacted_repr(sign)} stands between bytes" if sign else "nothing stands between bytes"
            yield Hint(
                cause="separator", summary=said, text=f"{said}: {redacted_repr(found)}", chain=other.name, value=found,
            )  # fmt: skip
            return


def _text_hints(rest: AnyCodec, text: str) -> Iterator[Hint]:
    """A shortened number, white space that `strip` leaves, lost zeros or characters, a text twice, one too many."""
    if is_spreadsheet_shortened(text):
        yield Hint(cause="spreadsheet", summary=SHORTENED_ADVICE.partition(":")[0], text=SHORTENED_ADVICE)
    if (ends := describe_ends(text)) and (value := _decode_or_none(rest, strip_white_space(text))) is not None:
        summary = f"it has {ends}, to be removed"
        yield Hint(cause="white-space", summary=summary, text=f"{summary}: {redacted_repr(value)}", value=value)
    if missing := count_missing_characters(rest, text):
        if text[:1] == "0" and text != "0":  # what drops leading zeros drops all of them
            yield short_text_hint(missing)
        else:
            value = _decode_or_none(rest, "0" * missing + text)
            word = "one leading zero" if missing == 1 else f"{missing} leading zeros"
            yield Hint(
                cause="lost-zeros", summary="leading zeros are lost", text=f"{word} lost: {redacted_repr(value)}",
                value=value,
            )  # fmt: skip
    half, odd = divmod(len(text), 2)
    if text and not odd and (first := _decode_or_none(rest, text[:half])) is not None:
        second = _decode_or_none(rest, text[half:])
        if second is not None:
            yield _joined_frames_hint(first, second, 0.0)
    for piece, where in ((text[1:], "start"), (text[:-1], "end")):
        if len(strip_white_space(text)) != len(text):  # the white space is another cause
            break
        if len(text) > 1 and (value := _decode_or_none(rest, piece)) is not None:
            yield Hint(
                cause="extra-character", summary="there is one character too many",
                text=f"one character too many at the {where}: {redacted_repr(value)}", value=value,
            )  # fmt: skip


def count_missing_characters(codec: AnyCodec, text: str) -> int:
    """How many zeros before ``text`` make it one that ``codec`` reads; 0 where up to `MOST_MISSING_CHARACTERS` do not.

    >>> count_missing_characters(chain("hex:8"), "2F764DD"), count_missing_characters(chain("hex:8"), "2F-64DD")
    (1, 0)
    """
    if not text.isascii() or (text and not text.isalnum()):
        return 0
    every = range(1, MOST_MISSING_CHARACTERS + 1)
    return next((count for count in every if _decode_or_none(codec, "0" * count + text) is not None), 0)


def short_text_hint(missing: int) -> Hint:
    """The cause of a text that lacks so many characters, nobody knows which.

    >>> short_text_hint(1).text
    'the text is one character short; where it is missing, the text does not show'
    """
    count = "one character" if missing == 1 else f"{missing} characters"
    where = "where it is missing" if missing == 1 else "where they are missing"
    summary = f"the text is {count} short"
    return Hint(cause="short-text", summary=summary, text=f"{summary}; {where}, the text does not show")


def _joined_frames_hint(first: Any, second: Any, bits: float) -> Hint:
    same = "the same card twice" if first == second else f"{redacted_repr(first)} and {redacted_repr(second)}"
    return Hint(
        cause="run-together", summary="two reads run together", text=f"two reads run together: {same}",
        value=first if first == second else None, evidence=bits,
    )  # fmt: skip


def _frame_hints(rest: AnyCodec, word: Word) -> Iterator[Hint]:
    """One bit flipped, lost, added or shifted; two frames run together."""
    number, length = word

    def tried(number: int, length: int) -> Any:
        found = rest._decode_raw((number, length))
        return None if found is None else from_raw(rest.gives, found)

    def hint(cause: str, summary: str, text: str, frames: list[Word]) -> Iterator[Hint]:
        if len(frames) == 1:
            value = tried(*frames[0])
            yield Hint(
                cause=cause, summary=summary, text=f"{text}: {redacted_repr(value)}", value=value,
                evidence=passed_evidence(rest.inspect(to_bits(frames[0]))),
            )  # fmt: skip
        elif frames:
            text = f"{text}; {len(frames)} frames would do, so it must be read again"
            yield Hint(cause=cause, summary=summary, text=text)

    flips = [at for at in range(length) if tried(number ^ 1 << (length - 1 - at), length) is not None]
    if flips:
        bits = f"bit {flips[0]}" if len(flips) == 1 else f"one of the bits {format_span(flips)}"
        frames = [(number ^ 1 << (length - 1 - at), length) for at in flips]
        yield from hint("flipped-bit", "one bit is flipped", f"{bits} is flipped", frames)
    top = (1 << length) - 1
    for lost, shifted in (
        ("last", [number << 1 & top | bit for bit in (0, 1)]),
        ("first", [number >> 1 | bit << (length - 1) for bit in (0, 1)]),
    ):
        frames = [(each, length) for each in shifted if tried(each, length) is not None]
        summary = "the frame is shifted by one bit"
        yield from hint("shifted", summary, f"{summary}, its {lost} bit lost", frames)
    if length > 1:
        for text, each in (("first", (number & top >> 1, length - 1)), ("last", (number >> 1, length - 1))):
            if tried(*each) is not None:
                yield from hint("extra-bit", "there is one bit too many", f"one bit too many, the {text} one", [each])
    longer = {
        (number >> low << (low + 1)) | bit << low | number & ((1 << low) - 1)
        for low in range(length + 1)
        for bit in (0, 1)
    }
    found = sorted(each for each in longer if tried(each, length + 1) is not None)
    yield from hint("lost-bit", "one bit is lost", "one bit is lost", [(each, length + 1) for each in found])
    half, odd = divmod(length, 2)
    if length and not odd:
        first, second = tried(number >> half, half), tried(number & ((1 << half) - 1), half)
        if first is not None and second is not None:
            passed = fsum(
                passed_evidence(rest.inspect(to_bits(w)))
                for w in ((number >> half, half), (number & ((1 << half) - 1), half))
            )
            yield _joined_frames_hint(first, second, passed)


def describe_next_step(hints: tuple[Hint, ...]) -> str | None:
    """What would tell several hints apart; None where there is nothing to tell apart.

    >>> describe_next_step(diagnose(chain("binary/wiegand-26"), "01000010001001101100100010"))
    'No check tells these apart: read a card whose number is known, or compare with the facility code you expect.'
    """
    if len(hints) < 2:
        return None
    if all(hint.cause == KEYBOARD_CAUSE and hint.value == hints[0].value for hint in hints):
        return "These layouts read it alike: look which one the computer is set to."
    fields = {
        name for hint in hints if isinstance(hint.value, dict) or hasattr(hint.value, "keys") for name in hint.value
    }
    expected = "facility code" if "facility" in fields else "number range"
    return f"No check tells these apart: read a card whose number is known, or compare with the {expected} you expect."
