"""Valid tracks: whether a text holds a payment track that reads well, wherever in its reading.

The answer is `PaymentData.has_valid_track` of `credkit.privacy.payment`, for those who ask nothing else of many texts:
a track that reads well stands where no check has failed, so no step has to explain what it finds.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import Any

from bitstring import Bits

from credkit.core.chains import Choice
from credkit.core.codec import AnyCodec
from credkit.core.contract import checked_inspect
from credkit.core.forms import from_raw, to_raw
from credkit.core.reading import TextField
from credkit.privacy.accountroom import ACCOUNT_DIGITS
from credkit.privacy.accounts import holds_track
from credkit.privacy.payment import (
    LONGEST_TYPED,
    has_account_room,
    is_other,
    keyboards,
    payment_in_decoded,
    step_texts,
    takes_accounts_from_bits,
    texts_behind_lost_zeros,
    value_texts,
)
from credkit.tables.wiring import WiredCodec


def valid_holds_track(codec: AnyCodec, given: str) -> bool:
    """Whether a text that ``codec`` decodes holds a payment track.

    >>> from credkit import chain
    >>> text = ";4114360123456785=3012?"  # the number is that of the WHATWG HTML standard's example
    >>> [valid_holds_track(chain("strip"), each) for each in (text, text[1:-1], text[:10])]
    [True, True, False]
    """
    return _hold_track(_valid_texts(codec, given))


def failing_holds_track(codec: AnyCodec, given: str) -> bool:
    """Whether a text that ``codec`` does not decode holds a payment track.

    >>> from credkit import chain, encode
    >>> codec, bits = chain("binary/track-2-bits"), encode("binary/track-2-bits", ";4114360123456785=3012?")
    >>> [failing_holds_track(codec, each) for each in (bits.translate({48: 49, 49: 48}), bits[9:])]
    [True, False]
    """
    if isinstance(codec, Choice):
        return payment_in_decoded(codec, given, codec.inspect(given)).has_valid_track
    return _hold_track(_failing_texts(codec, given))


def _hold_track(texts: Iterator[str]) -> bool:
    """Whether one of ``texts`` is a track; many of them follow one that is the same."""
    before = ""
    for text in texts:
        if text != before and holds_track(text):
            return True
        before = text
    return False


def _valid_texts(codec: AnyCodec, given: str) -> Iterator[str]:
    """The texts of a value that reads well; none if its digits are declared to be others."""
    if not is_other(codec):
        yield given
        if has_account_room(codec) and not codec.decode_obstacle:
            raw: Any = given
            for step in _steps_to_texts(codec):
                raw = step._decode_raw(raw)
                if raw is None:  # a text that does not decode after all
                    return
                yield from value_texts(raw)


@lru_cache(maxsize=256)
def _steps_to_texts(codec: AnyCodec) -> tuple[AnyCodec, ...]:
    """The steps up to the last one that makes a text: no number behind it holds a track."""
    texts = [
        place
        for place, step in enumerate(codec.steps, 1)
        if step.gives == "text" or any(isinstance(row, TextField) for row in step.schema.values())
    ]
    return codec.steps[: max(texts, default=0)]


def _failing_texts(codec: AnyCodec, given: str) -> Iterator[str]:
    """The texts of a value that could not be read, as far as no check fails."""
    yield given
    if has_account_room(codec):
        yield from _unfailing_texts(codec, given)
        if takes_accounts_from_bits(codec):
            from credkit.explain.diagnosis import order_alternatives  # only for what could not be read
            from credkit.privacy.stripes import stripe_texts

            for other in order_alternatives(codec):
                yield from _unfailing_texts(other.codec, given)
            yield from (seen.text for seen in texts_behind_lost_zeros(codec, given))
            for bits in _bits_on_the_way(codec, given):
                yield from (text for text, garbled in stripe_texts(bits) if not garbled)
    if ACCOUNT_DIGITS.start <= len(given) <= LONGEST_TYPED and not given.isalnum():
        yield from filter(None, (keyboard._decode_raw(given) for keyboard in keyboards()))


def _unfailing_texts(codec: AnyCodec, given: str) -> Iterator[str]:
    """The texts that the steps of ``codec`` make, up to the first step whose checks fail.

    A codec of a table has no text in its parts that is neither in what it was given nor in what it gives.
    """
    raw: Any = given
    for step in _steps_to_texts(codec):
        if step.table is None and not isinstance(step, WiredCodec):
            reading = checked_inspect(step, from_raw(step.takes, raw))
            if not reading.ok:
                return
            yield from (seen.text for seen in step_texts(reading, ()))
            raw = to_raw(step.gives, reading.value)
        else:
            raw = step._decode_raw(raw)
            if raw is None:
                return
            yield from value_texts(raw)


def _bits_on_the_way(codec: AnyCodec, given: str) -> Iterator[Bits]:
    """The bits that steps of ``codec`` are given, those behind a failed check included."""
    places = [place for place, step in enumerate(codec.steps) if step.takes == "bits"]
    raw: Any = given if len(places) == 1 else None
    for step in codec.steps[: places[0]]:
        raw = None if raw is None else step._decode_raw(raw)
    if raw is not None:
        yield from_raw("bits", raw)
    else:
        yield from (step.given for step in codec.inspect(given).steps if isinstance(step.given, Bits))
