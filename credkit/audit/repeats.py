"""Repeats: rows within a second behind a row of the same reader with the same text.

Rows are compared in the order of the file. Where few rows stand within a second of each other, each
is compared with those some places before it; where many do, rows are sorted by reader and text.
What stands within a second of the end of a piece is kept for the next one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from credkit.bulk.words import Array
from credkit.times import SECOND

FAR = 24  # places that rows are compared over, before sorting is quicker
MOST = 1 << 16  # rows at the end of a piece that are remembered
_SPREAD = np.uint64(0x9E3779B97F4A7C15)  # an odd number that spreads readers over all bits


@dataclass(slots=True, kw_only=True)
class Repeats:
    """The repeats of a piece: how many of each reader, and what stands at its ends.

    ``head`` are rows that may repeat one of the piece before, ``tail`` those that the next may repeat:
    reader, text and time, the first two as one number.
    """

    counts: Array
    head: tuple[Array, Array, Array]
    tail: tuple[Array, Array]


def repeats(texts: Any, codes: Array, moments: Array) -> Repeats:
    """The repeats among rows."""
    keys = texts.hash().to_numpy() ^ codes.astype(np.uint64) * _SPREAD
    again = _again(keys, moments)
    counts = np.bincount(codes[again]) if len(again) else np.zeros(1, np.int64)
    near = np.flatnonzero(moments <= moments[0] + SECOND)[:MOST]
    near = near[~np.isin(near, again)] if len(again) else near
    late = np.flatnonzero(moments >= moments[-1] - SECOND)[-MOST:]
    return Repeats(
        counts=counts, head=(keys[near], moments[near], codes[near]), tail=(keys[late], moments[late])
    )  # fmt: skip


def _again(keys: Array, moments: Array) -> Array:
    """The rows that repeat an earlier one."""
    marked = np.zeros(len(keys), bool)
    rising = len(keys) < 2 or bool((moments[1:] >= moments[:-1]).all())
    for apart in range(1, FAR + 1) if rising else ():
        if apart >= len(keys) or int((moments[apart:] - moments[:-apart]).min()) > SECOND:
            return np.flatnonzero(marked)
        same = np.flatnonzero(keys[apart:] == keys[:-apart]) + apart
        marked[same[moments[same] - moments[same - apart] <= SECOND]] = True
    order = np.argsort(keys, kind="stable")
    same = np.flatnonzero(keys[order[1:]] == keys[order[:-1]])
    before, behind = order[same], order[same + 1]
    marked[behind[np.abs(moments[behind] - moments[before]) <= SECOND]] = True
    return np.flatnonzero(marked)


class Seam:
    """What joins pieces of one file: rows that those of the next piece may repeat."""

    def __init__(self) -> None:
        self._keys = np.zeros(0, np.uint64)
        self._moments = np.zeros(0, np.int64)

    def join(self, piece: Repeats) -> Array:
        """The readers of rows at the head of ``piece`` that repeat one before it."""
        keys, moments, codes = piece.head
        found = []
        if len(self._keys):
            latest = dict(zip(self._keys.tolist(), self._moments.tolist(), strict=True))
            for key, moment, code in zip(keys.tolist(), moments.tolist(), codes.tolist(), strict=True):
                if key in latest and abs(moment - latest[key]) <= SECOND:
                    found.append(code)
        tail_keys, tail_moments = piece.tail
        if len(tail_moments):
            near = np.abs(self._moments - tail_moments[-1]) <= SECOND
            self._keys = np.concatenate([self._keys[near], tail_keys])[-MOST:]
            self._moments = np.concatenate([self._moments[near], tail_moments])[-MOST:]
        return np.array(found, np.int64)
