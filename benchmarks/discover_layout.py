"""Trials of the search for layouts: ``python -m benchmarks.discover_layout [--trials N] [--json]``.

Each trial makes a random layout of 20 to 64 bits, with one to three parity bits and up to twelve constant bits, and
frames of random or of consecutive cards; what is claimed is held against what is true. Seeds are fixed: the figures are
the same on every machine. A relation is *determined* when its bits show enough patterns in the sample (`PATTERNS`), and
the sample has enough frames beyond its rank (`BEYOND_RANK`); constant bits of the sample, and bits that only change
together, are what no analysis of it can tell apart, and are not held against a claim.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise, product
from math import comb, log2
from random import Random
from time import perf_counter
from typing import NamedTuple

from credkit import discover
from credkit.discover.gf2 import Span, columns, coordinates, mask_of, positions_of

COUNTS = (40, 100, 400)
PATTERNS = 30  # different patterns of the bits of a relation that is to be found
CHANGES = 4  # from frame to frame for one pattern, where every pattern is seen again and again
FEWEST_BITS = 6  # that vary in a relation that is to be found
BEYOND_RANK = 22  # frames more than the rank, where a relation is to be found
DAMAGED = 0.02
KINDS = ("contiguous", "interleaved", "overlapping")
NULL_COUNTS = (12, 40, 100, 400)
KNOWN_CARDS = 8


class MadeLayout(NamedTuple):
    """A layout of a trial: constants by place, and parity rows (bit, covered bits, odd) in the order of computation."""

    length: int
    constants: dict[int, int]
    rows: list[tuple[int, tuple[int, ...], int]]

    @property
    def free(self) -> list[int]:
        """The places of data."""
        taken = {*self.constants, *(bit for bit, _, _ in self.rows)}
        return [place for place in range(self.length) if place not in taken]

    def frame(self, data: int) -> int:
        """The frame whose data bits are those of ``data``, the last one lowest."""
        bits = [0] * self.length
        for place, bit in self.constants.items():
            bits[place] = bit
        for i, place in enumerate(reversed(self.free)):
            bits[place] = data >> i & 1
        for bit, covers, odd in self.rows:
            bits[bit] = (sum(bits[place] for place in covers) + odd) % 2
        return int("".join(map(str, bits)), 2)

    @property
    def relations(self) -> list[int]:
        """The parity rows as masks with the constant."""
        return [mask_of((bit, *covers)) | odd << self.length for bit, covers, odd in self.rows]


def made_layout(source: Random) -> MadeLayout:
    """A random layout."""
    length = source.randint(20, 64)
    ends = [0, length - 1]
    source.shuffle(ends)
    bits = [*ends, source.randint(1, length - 2)][: source.randint(1, 3)]
    kind = source.choice(KINDS)
    rows: list[tuple[int, tuple[int, ...], int]] = []
    for place, bit in enumerate(bits):
        later = set(bits[place:])
        if kind == "interleaved":
            period = source.choice((2, 3))
            covers = [each for each in range(source.randrange(period), length, period) if each not in later]
        elif kind == "overlapping":
            covers = [each for each in range(length) if each not in later]
            start = source.randrange(len(covers) // 3)
            covers = covers[start : start + source.randint(len(covers) // 2, len(covers) - start)]
        else:
            size = source.randint(6, length // 2)
            start = source.randrange(length - size)
            covers = [each for each in range(start, start + size) if each not in bits]
        rows.append((bit, tuple(covers), source.getrandbits(1)))
    count = source.randint(0, 12)
    start = source.randint(0, length - count)
    constants = {place: source.getrandbits(1) for place in range(start, start + count) if place not in bits}
    return MadeLayout(length, constants, rows)


def sample_of(layout: MadeLayout, count: int, order: str, source: Random) -> list[int]:
    """Frames of random cards, or of consecutive ones."""
    width = len(layout.free)
    if order == "random":
        return [layout.frame(source.getrandbits(width)) for _ in range(count)]
    first = source.getrandbits(width) % max(1, (1 << width) - count)
    return [layout.frame(first + i) for i in range(count)]


def indistinguishable(frames: Sequence[int], length: int) -> Span:
    """The relations that say nothing: constant bits of the sample, and pairs of bits that only change together."""
    values = columns(frames, length)
    one = (1 << len(frames)) - 1
    found = Span()
    for place, value in enumerate(values):
        if value in (0, one):
            found.add(1 << place | (value == one) << length)
    for place, other in product(range(length), repeat=2):
        if place < other and values[place] in (values[other], values[other] ^ one):
            found.add(1 << place | 1 << other | (values[place] != values[other]) << length)
    return found


def is_determined(mask: int, frames: Sequence[int], length: int, same: Span, damaged: int) -> bool:
    """Whether the sample can show a relation at all, by counting alone: a pattern is a bit of evidence at most.

    Naming the ``damaged`` frames takes evidence, too.
    """
    places = positions_of(same.reduce(mask) & ~(1 << length))
    word = sum(1 << (length - 1 - place) for place in places)
    different = len(set(frames))
    rank = len(Span(filter(None, coordinates([*columns(frames, length), (1 << len(frames)) - 1])))) - 1
    patterns = len({frame & word for frame in frames})
    changes = sum((a ^ b) & word != 0 for a, b in pairwise(frames))
    needed = PATTERNS + log2(comb(len(frames), damaged))
    shown = patterns >= needed or (2 * patterns == 1 << len(places) and changes >= CHANGES * needed)
    return len(places) >= FEWEST_BITS and shown and different >= rank + BEYOND_RANK


class Outcome(NamedTuple):
    """What a trial gave: relations determined, found of them, false ones claimed."""

    determined: int
    found: int
    false: int

    @property
    def is_right(self) -> bool:
        """Everything determined is found, and nothing false is claimed."""
        return self.found == self.determined and not self.false


def trial(seed: int, count: int, order: str, damaged: float = 0.0) -> Outcome:
    """One trial."""
    source = Random(f"{seed} {count} {order} {damaged}")
    layout = made_layout(source)
    frames = sample_of(layout, count, order, source)
    same = indistinguishable(frames, layout.length)
    bad = round(count * damaged)
    wanted = [mask for mask in layout.relations if is_determined(mask, frames, layout.length, same, bad)]
    shown = list(frames)
    for place in source.sample(range(count), bad):
        for _ in range(source.randint(1, 3)):
            shown[place] ^= 1 << source.randrange(layout.length)
    found = discover.layout([(frame, layout.length) for frame in shown], seed=seed)
    true, claimed = same.copy(), same.copy()
    for mask in layout.relations:
        true.add(mask)
    for check in found.checks:
        claimed.add(check.mask)
    for mask in layout.relations:
        if mask not in wanted:  # a relation plus one that is not determined is stated as well
            claimed.add(mask)
    return Outcome(
        len(wanted), sum(mask in claimed for mask in wanted), sum(check.mask not in true for check in found.checks)
    )


def null_trial(seed: int, count: int) -> bool:
    """Whether something is claimed of random frames, in which there is nothing."""
    source = Random(f"null {seed} {count}")
    length = source.randint(20, 64)
    found = discover.layout([(source.getrandbits(length), length) for _ in range(count)], seed=seed)
    return found.is_found


def known_trial(seed: int) -> bool:
    """Whether a known number is placed right from a few cards: position, order, coding and what is added."""
    source = Random(f"known {seed}")
    digits = source.randint(4, 6)
    width = source.randint(12, 20)
    coding = source.choice(("binary", "reversed", "bcd", "offset"))
    numbers = [source.randrange(10**digits if coding == "bcd" else 1 << width) for _ in range(KNOWN_CARDS)]
    if coding == "bcd":
        texts = [f"{int(str(number), 16):0{4 * digits}b}" for number in numbers]
    else:
        texts = [f"{number:0{width}b}"[:: -1 if coding == "reversed" else 1] for number in numbers]
    offset = source.randrange(1, 100_000) if coding == "offset" else 0
    before, after = source.randint(1, 16), source.randint(1, 16)
    frames = [f"{source.getrandbits(before):0{before}b}{t}{source.getrandbits(after):0{after}b}" for t in texts]
    found = discover.layout(frames, known={"number": [number + offset for number in numbers]})
    field = next((field.number for field in found.fields if field.number), None)
    if field is None or field.offset != offset:
        return False
    places = tuple(range(before, before + len(texts[0])))
    if coding == "reversed":
        places = places[::-1]
    varying = [p for i, p in enumerate(places) if i >= len(places) - max(numbers).bit_length() or coding == "bcd"]
    placed = set(field.places)  # the bits that are spare are said to be doubtful
    return set(varying) <= placed | set(field.spare) and placed <= set(places) and field.places[-1] == places[-1]


def speed(count: int) -> float:
    """Seconds for so many frames of 64 bits with two parity bits."""
    source = Random(1)
    layout = MadeLayout(64, {}, [(0, tuple(range(1, 32)), 0), (63, tuple(range(32, 63)), 1)])
    frames = [(layout.frame(source.getrandbits(62)), 64) for _ in range(count)]
    begun = perf_counter()
    found = discover.layout(frames)
    taken = perf_counter() - begun
    if [check.cover.bit for check in found.checks] != [0, 63]:
        raise SystemExit("wrong answer: the two parity bits are not found")
    return taken


def run(trials: int, frames: int, show: Callable[[dict[str, object]], None]) -> dict[str, object]:
    """Every table of the page; ``show`` is given each row as soon as it is there."""
    rows = []
    for damaged, order, count in product((0.0, DAMAGED), ("random", "consecutive"), COUNTS):
        outcomes = [trial(seed, count, order, damaged) for seed in range(trials)]
        rows.append({
            "frames": count, "cards": order, "damaged": damaged, "layouts": trials,
            "determined": sum(each.determined for each in outcomes), "found": sum(each.found for each in outcomes),
            "false": sum(each.false for each in outcomes), "right": sum(each.is_right for each in outcomes),
        })  # fmt: skip
        show(rows[-1])
    null = {str(count): sum(null_trial(seed, count) for seed in range(trials)) for count in NULL_COUNTS}
    known = sum(known_trial(seed) for seed in range(trials))
    return {"layouts": rows, "null": null, "known": known, "trials": trials, "seconds": speed(frames), "frames": frames}


def verify(result: dict[str, object]) -> None:
    """End with what falls short of what the page promises."""
    trials = result["trials"]
    assert isinstance(trials, int)
    rows = result["layouts"]
    assert isinstance(rows, list)
    for row in rows:
        least = 0.95 if row["damaged"] else 0.99
        if row["right"] < least * trials - 1:
            raise SystemExit(f"wrong answer: {row}")
    null = result["null"]
    assert isinstance(null, dict)
    if any(claims > max(1, trials / 1000) for claims in null.values()):
        raise SystemExit(f"wrong answer: {null} of {trials} random samples have claims")
    known = result["known"]
    assert isinstance(known, int)
    if known < 0.99 * trials - 1:
        raise SystemExit(f"wrong answer: {known} of {trials} known numbers are placed")


def show_row(row: Mapping[str, object]) -> None:
    print(
        f"{row['frames']:6} {row['cards']:12} {row['damaged']:7.0%} {row['determined']:10} {row['found']:7} "
        f"{row['false']:5} {row['right']:6}",
        flush=True,
    )


def show_nothing(row: Mapping[str, object]) -> None:
    pass


def main(arguments: list[str] | None = None) -> int:
    """Measure, verify and print."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.discover_layout", description=__doc__)
    parser.add_argument("--trials", type=int, default=1000, help="layouts for each row (default 1000)")
    parser.add_argument("--frames", type=int, default=100_000, help="frames of the measurement of time")
    parser.add_argument("--json", action="store_true")
    wanted = parser.parse_args(arguments)
    if not wanted.json:
        print(f"{'frames':>6} {'cards':12} {'damaged':>7} {'determined':>10} {'found':>7} {'false':>5} {'right':>6}")
    result = run(wanted.trials, wanted.frames, show_nothing if wanted.json else show_row)
    if wanted.json:
        print(json.dumps(result))
    else:
        print(f"claims of random frames, by their number: {result['null']} of {result['trials']} each")
        print(f"known numbers placed from {KNOWN_CARDS} cards: {result['known']} of {result['trials']}")
        print(f"{result['frames']:,} frames of 64 bits: {result['seconds']:.2f} s")
    verify(result)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
