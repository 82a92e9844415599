"""Secrets: payment tracks among the texts of captures.

A file that holds a payment track is refused, as everywhere. Looking through every text value by
value would take longer than all the rest, so a kernel first picks out those that have room for one.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

from credkit.accounts import ACCOUNT_DIGITS, holds_track
from credkit.audit.plan import Way
from credkit.bulk.words import Array
from credkit.codec import Codec
from credkit.payment import NOTHING, Payment, passing, payment

_ROOM = r"[;=%^]|[2-6](?:[ -]?[0-9]){12}"  # without any of these a text shows no track


class Secrets:
    """Which texts of a piece hold a payment track, in whatever notation."""

    def in_line(self, line: str) -> bool:
        """Whether a line that could not be read as a row shows one."""
        return holds_track(line)

    def first_track(self, texts: Any) -> int | None:
        """The first of ``texts`` that shows one, as it stands."""
        return next((row for row, text in enumerate(texts.to_list()) if holds_track(text)), None)

    def track(self, way: Way, texts: Any, good: Array, bad: Array) -> int | None:
        """The first row whose text holds one, read or not."""
        if way.plain:
            return None
        long = (texts.str.len_bytes() >= ACCOUNT_DIGITS.start).to_numpy()
        if not way.room and not long.any():
            return None
        found = []
        rows = np.arange(len(texts)) if way.texts else np.flatnonzero(long)
        if len(rows) and not way.texts:
            rows = rows[texts.gather(rows).str.contains(_ROOM).to_numpy()]
        found.append(_first(rows[good[rows]], texts, lambda text: passing(way.codec, text)))
        failing = bad if way.room else bad[long[bad]]
        found.append(_first(failing, texts, lambda text: told(way.codec, text)))
        return min((row for row in found if row is not None), default=None)


def told(codec: Codec, text: str, *, plain: bool = False) -> Payment:
    """What of payment data a text that ``codec`` cannot read holds."""
    return NOTHING if plain else payment(codec, text, codec.inspect(text))


def _first(rows: Array, texts: Any, look: Any) -> int | None:
    """The first of ``rows`` in whose text ``look`` finds a track; each text is looked at once."""
    if not len(rows):
        return None
    some = pl.DataFrame({"row": rows, "text": texts.gather(rows)}).unique("text", keep="first", maintain_order=True)
    return next((row for row, text in some.iter_rows() if look(text).tracks), None)
