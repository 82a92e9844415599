"""Secrets: payment tracks among the texts of captures.

A file that holds a payment track is refused, as everywhere. Looking through every text value by
value would take longer than all the rest, so a kernel first picks out those that have room for one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import lru_cache
from typing import Any

import numpy as np
import polars as pl

from credkit.audit.plan import ChainUse
from credkit.bulk.words import Array
from credkit.core.chains import Choice
from credkit.core.codec import AnyCodec
from credkit.core.reading import TextField
from credkit.privacy.accountroom import ACCOUNT_DIGITS, ACCOUNT_ROOM_PATTERN, TYPED_ROOM_PATTERN
from credkit.privacy.accounts import holds_track
from credkit.privacy.payment import PaymentData, payment_in_decoded
from credkit.privacy.validtracks import failing_holds_track, valid_holds_track
from credkit.tables.characters import SETS_BY_NAME

_MAY_BE_TYPED = (
    f"{TYPED_ROOM_PATTERN}|[^0-9A-Za-z]"  # without any of these it shows none under another keyboard layout either
)
SHORTEST_TRACK_BITS = 13 * min(
    letters.width for letters in SETS_BY_NAME.values()
)  # bits of a track on a stripe: a sentinel and the shortest number
MOST_TEXTS_KEPT = 1 << 16  # different texts for which the answer, track or none, is kept


def first_track(texts: Iterable[str]) -> int | None:
    """The first of ``texts`` that shows a payment track, as it stands."""
    return next((place for place, text in enumerate(texts) if holds_track(text)), None)


def find_track(use: ChainUse, texts: Any, good: Array, bad: Array) -> int | None:
    """The first of ``texts`` that holds a payment track, be it among the ``good`` ones or the ``bad`` ones."""
    if use.not_payment:
        return None
    lengths = texts.str.len_bytes()
    if not use.may_hold_account and (lengths.max() or 0) < ACCOUNT_DIGITS.start:
        return None
    long = (lengths >= ACCOUNT_DIGITS.start).to_numpy()
    found = []
    rows = np.arange(len(texts)) if use.may_hold_track else np.flatnonzero(long)
    if len(rows) and not use.may_hold_track:
        rows = rows[texts.gather(rows).str.contains(ACCOUNT_ROOM_PATTERN).to_numpy()]
    found.append(_first_track(rows[good[rows]], texts, lambda text: _valid_has_track(use.codec, text)))
    failing = bad
    if not use.may_hold_account or has_no_room(use.codec):  # only what was typed can hold one
        failing = bad[long[bad]]
        failing = failing[texts.gather(failing).str.contains(_MAY_BE_TYPED).to_numpy()]
    found.append(_first_track(failing, texts, lambda text: _failing_has_track(use.codec, text)))
    return min((row for row in found if row is not None), default=None)


@lru_cache(maxsize=256)
def has_no_room(codec: AnyCodec) -> bool:
    """Whether nothing that ``codec`` makes of a text has room for a track, so that it could stand in the text alone.

    >>> from credkit import chain
    >>> [has_no_room(chain(name)) for name in ("hex:16/read-only-64", "hex:40/fields:number:160", "strip")]
    [True, False, False]
    """
    if isinstance(codec, Choice):
        return all(map(has_no_room, codec.options))
    return all(map(_step_has_no_room, codec.steps))


def _step_has_no_room(step: AnyCodec) -> bool:
    if step.gives == "bits":
        return max(step.output.lengths, default=0) < SHORTEST_TRACK_BITS
    rows = step.output.schema
    return step.gives == "fields" and rows is not None and not any(isinstance(row, TextField) for row in rows.values())


def find_payment(codec: AnyCodec, text: str) -> PaymentData:
    """The payment data in a text that ``codec`` cannot decode."""
    return payment_in_decoded(codec, text, codec.inspect(text))


@lru_cache(maxsize=MOST_TEXTS_KEPT)
def _valid_has_track(codec: AnyCodec, text: str) -> bool:
    """Whether a text that decodes holds a payment track; cards are read again and again."""
    return valid_holds_track(codec, text)


@lru_cache(maxsize=MOST_TEXTS_KEPT)
def _failing_has_track(codec: AnyCodec, text: str) -> bool:
    """Whether a text that does not decode holds a payment track."""
    return failing_holds_track(codec, text)


def _first_track(rows: Array, texts: pl.Series, look: Callable[[str], bool]) -> int | None:
    """The first of ``rows`` in whose text ``look`` finds a track; each text is looked at once."""
    if not len(rows):
        return None
    some = pl.DataFrame({"row": rows, "text": texts.gather(rows)}).unique("text", keep="first", maintain_order=True)
    return next((row for row, text in some.iter_rows() if look(text)), None)
