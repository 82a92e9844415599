"""Many frames at once: `credkit.bulk` beside numpy written by hand for that one layout, and the bitstring script.

Every contender gives a column for each field and a mask for each check over the same frames; a
checksum over all of them is compared. The scripts that go frame by frame get a part of the frames.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from bitstring import Bits
from numpy.typing import NDArray

import credkit.bulk
from credkit import layout_entries

Words = NDArray[np.uint64]
Columns = tuple[Mapping[str, Words], Mapping[str, NDArray[np.bool_]]]
ROWS = 1 << 16  # of a block: what a careful user would choose, so that it stays in the cache

INTERLEAVED = {
    "length": 33,
    "fields": {"facility": "1-10", "number": "11-30"},
    "checks": [
        {"bit": 0, "even": "1,3,5,7,9,11,13,15,17,19,21,23,25,27,29"},
        {"bit": 31, "odd": "2,4,6,8,10,12,14,16,18,20,22,24,26,28,30"},
        {"bit": 32, "odd": "0-31"},
    ],
}
_EVEN = sum(1 << 32 - place for place in range(1, 30, 2)) | 1 << 32
_ODD = sum(1 << 32 - place for place in range(2, 31, 2)) | 1 << 1


def blocked(words: Words, fields: tuple[str, ...], checks: int, one: Callable[..., None]) -> Columns:
    """Columns and masks, filled block by block."""
    columns = {name: np.empty_like(words) for name in fields}
    masks = {str(index): np.empty(len(words), bool) for index in range(checks)}
    for start in range(0, len(words), ROWS):
        rows = slice(start, start + ROWS)
        one(words[rows], *(column[rows] for column in columns.values()), *(mask[rows] for mask in masks.values()))
    return columns, masks


def by_hand_26(words: Words) -> Columns:
    """26 bits, written out."""

    def one(word: Words, facility: Words, number: Words, even: Any, odd: Any) -> None:
        facility[:] = word >> 17 & 0xFF
        number[:] = word >> 1 & 0xFFFF
        even[:] = np.bitwise_count(word & 0x3FFE000) & 1
        odd[:] = np.bitwise_count(word & 0x1FFF) & 1 ^ 1

    return blocked(words, ("facility", "number"), 2, one)


def by_hand_37(words: Words) -> Columns:
    """37 bits with a facility code, written out; the parities share bit 18."""

    def one(word: Words, facility: Words, number: Words, even: Any, odd: Any) -> None:
        facility[:] = word >> 20 & 0xFFFF
        number[:] = word >> 1 & 0x7FFFF
        even[:] = np.bitwise_count(word >> 18) & 1
        odd[:] = np.bitwise_count(word & 0x7FFFF) & 1 ^ 1

    return blocked(words, ("facility", "number"), 2, one)


def by_hand_interleaved(words: Words) -> Columns:
    """33 bits whose parities cover every second bit, written out."""

    def one(word: Words, facility: Words, number: Words, even: Any, odd: Any, whole: Any) -> None:
        facility[:] = word >> 22 & 0x3FF
        number[:] = word >> 2 & 0xFFFFF
        even[:] = np.bitwise_count(word & _EVEN) & 1
        odd[:] = np.bitwise_count(word & _ODD) & 1 ^ 1
        whole[:] = np.bitwise_count(word) & 1 ^ 1

    return blocked(words, ("facility", "number"), 3, one)


def by_bulk(name: str) -> Callable[[Words], Columns]:
    """The bulk form of a layout."""
    bulk = credkit.bulk.compile(name, layout_entries({"interleaved-33": INTERLEAVED}))

    def run(words: Words) -> Columns:
        found = bulk.decode(words)
        return found.fields, {rule.rule: rows for rule, rows in found.failures.items()}

    return run


def script_26(words: Words) -> Columns:
    """The bitstring script, frame by frame."""
    rows = []
    for word in words.tolist():
        bits = Bits(uint=word, length=26)
        rows.append((bits[1:9].uint, bits[9:25].uint, bits[0:13].count(1) % 2 != 0, bits[13:26].count(1) % 2 != 1))
    facility, number, even, odd = (np.array(column) for column in zip(*rows, strict=True))
    return {"facility": facility, "number": number}, {"even": even, "odd": odd}


def copy(words: Words) -> Columns:
    """A plain copy of the memory: what no decoder can beat."""
    return {"words": words.copy()}, {}


def checksum(found: Columns) -> int:
    """The answer every contender must agree on."""
    columns, masks = found
    return sum(int(column.astype(np.uint64).sum()) for column in columns.values()) + sum(
        int(mask.sum()) << 20 * place for place, mask in enumerate(masks.values(), 1)
    )


SLOWER = 500  # how many times fewer frames a script gets that goes frame by frame

WORKLOADS: Mapping[str, tuple[int, Mapping[str, Callable[[Words], Columns]]]] = {
    "26 bits": (
        26,
        {
            "credkit.bulk": by_bulk("wiegand-26"),
            "numpy by hand": by_hand_26,
            "copy": copy,
            "bitstring script": script_26,
        },
    ),
    "37 bits": (37, {"credkit.bulk": by_bulk("wiegand-37-facility"), "numpy by hand": by_hand_37}),
    "33 bits, interleaved": (33, {"credkit.bulk": by_bulk("interleaved-33"), "numpy by hand": by_hand_interleaved}),
}


def frames(length: int, count: int) -> Words:
    """Random frames: most of them fail a check, so that every mask has work."""
    return np.random.default_rng(length).integers(0, 1 << length, count, dtype=np.uint64)
