"""Many frames at once: ``python -m benchmarks.bulk [--frames N] [--growth [N ...]] [--turns N] [--json]``.

`credkit.bulk` beside numpy written by hand for that one layout, scripts that go frame by frame (they get a
part of the frames), and a plain copy of the memory. Every contender gives a column for each field and a mask
for each check over the same frames; a checksum over all of them is compared. With ``--growth``: one layout,
from 10^4 to 10^8 frames, each time in one call.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Mapping
from functools import partial
from statistics import median
from time import process_time
from typing import Any

import bitstruct.c
import numpy as np
from bitstring import Bits
from numpy.typing import NDArray

import credkit.bulk
from benchmarks.turns import agreed, in_turns, machine, ratio
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
        found = bulk.inspect(words)
        return found.columns, {rule.rule: rows for rule, rows in found.failures.items()}

    return run


Row = tuple[int, int, bool, bool]


def bitstring_26(word: int) -> Row:
    """The bitstring script."""
    bits = Bits(uint=word, length=26)
    return bits[1:9].uint, bits[9:25].uint, bits[0:13].count(1) % 2 != 0, bits[13:26].count(1) % 2 != 1


_FRAME = bitstruct.c.compile("p6u1u8u16u1")


def bitstruct_26(word: int) -> Row:
    """A compiled bitstruct format, parities taken by hand."""
    even, facility, number, odd = _FRAME.unpack(word.to_bytes(4, "big"))
    left, right = facility << 4 | number >> 12, number & 0xFFF
    return facility, number, left.bit_count() & 1 != even, right.bit_count() & 1 == odd


def frame_by_frame(one: Callable[[int], Row], words: Words) -> Columns:
    """A script over all frames."""
    rows = map(one, words.tolist())
    facility, number, even, odd = (np.array(column) for column in zip(*rows, strict=True))
    return {"facility": facility, "number": number}, {"even": even, "odd": odd}


def copy(words: Words) -> Columns:
    """A plain copy of the memory: what no decoder can beat."""
    return {"words": words.copy()}, {}


def checksum(found: Columns) -> int:
    """The answer every contender must agree on."""
    columns, masks = found
    return sum(int(column.sum(dtype=np.uint64)) for column in columns.values()) + sum(
        int(mask.sum()) << 20 * place for place, mask in enumerate(masks.values(), 1)
    )


Contenders = Mapping[str, Callable[[Words], Columns]]
OWN, BY_HAND, COPY = "credkit.bulk", "numpy by hand", "copy"
SLOW = {"bitstring script": partial(frame_by_frame, bitstring_26), "bitstruct": partial(frame_by_frame, bitstruct_26)}
SLOWER = 500  # how many times fewer frames those get
WORKLOADS: Mapping[str, tuple[int, Contenders]] = {
    "26 bits": (26, {OWN: by_bulk("wiegand-26"), BY_HAND: by_hand_26, COPY: copy, **SLOW}),
    "37 bits": (37, {OWN: by_bulk("wiegand-37-facility"), BY_HAND: by_hand_37}),
    "33 bits, interleaved": (33, {OWN: by_bulk("interleaved-33"), BY_HAND: by_hand_interleaved}),
}
GROWTH = (10**4, 10**5, 10**6, 10**7, 10**8)
LEAST = 10**6  # frames of one timing: with fewer in a call, it is called as often as that takes


def frames(length: int, count: int) -> Words:
    """Random frames: most of them fail a check, so that every mask has work."""
    return np.random.default_rng(length).integers(0, 1 << length, count, dtype=np.uint64)


def each(run: Callable[[Words], Columns], words: Words, answer: int | None, calls: int) -> float:
    """Processor seconds for one frame; the answer is asserted, but for a copy, which has none."""
    run(words)  # so that each contender finds the memory as it left it itself, whoever ran before
    start = process_time()
    for _ in range(calls):
        found = run(words)
    seconds = process_time() - start
    if answer is not None:
        agreed(checksum(found), answer)
    return seconds / calls / len(words)


def measure(workload: str, count: int, turns: int, *, slow: bool = True) -> list[dict[str, Any]]:
    """One row a contender: nanoseconds for one frame, and how many times credkit is as fast."""
    length, contenders = WORKLOADS[workload]
    words = frames(length, count)
    few = words[: max(count // SLOWER, 100)]
    answers = {part: checksum(contenders[BY_HAND](part_words)) for part, part_words in (("all", words), ("few", few))}
    calls = -(-LEAST // count)
    runs: dict[str, Callable[[], float]] = {}
    for name, run in contenders.items():
        if name not in SLOW:
            runs[name] = partial(each, run, words, None if name == COPY else answers["all"], calls)
        elif slow:
            runs[name] = partial(each, run, few, answers["few"], 1)
    taken = in_turns(runs, turns)
    return [
        {
            "workload": workload, "frames": count, "contender": name, "ns": median(times) * 1e9,
            "ratio": ratio(times, taken[OWN]),
        }
        for name, times in taken.items()
    ]  # fmt: skip


def shown(row: dict[str, Any]) -> str:
    """A row as a line."""
    what = f"{row['workload']:22}{row['frames']:>12,} frames  {row['contender']:18}"
    return f"{what}{row['ns']:10.2f} ns{row['ratio']:12.2f}"


def main(arguments: list[str] | None = None) -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.bulk", description=__doc__)
    parser.add_argument("--frames", type=int, default=10**7, help="frames of each workload (default 10000000)")
    parser.add_argument(
        "--growth", type=int, nargs="*", metavar="N", help="26 bits only, with so many frames (default 10^4 to 10^8)"
    )
    parser.add_argument("--turns", type=int, default=7, help="times that each contender runs (default 7)")
    parser.add_argument("--json", action="store_true", help="print JSON")
    options = parser.parse_args(arguments)
    if options.growth is None:
        runs = (measure(name, options.frames, options.turns) for name in WORKLOADS)
    else:
        runs = (measure("26 bits", count, options.turns, slow=False) for count in options.growth or GROWTH)
    if options.json:
        print(json.dumps([row for run in runs for row in run], indent=1))
        return 0
    print(machine("numpy", "bitstring", "bitstruct"))
    print(f"{'workload':43}{'contender':18}{'one frame':>13}{'credkit is … × as fast':>26}")
    for run in runs:
        print("\n".join(map(shown, run)), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
