"""What the discovery of chains finds: true chains between texts of one card, and texts that have nothing in common.

``python -m benchmarks.discover_chain --trials 5000`` draws chains of every kind that readers and back
ends are known to use, writes the texts of three cards through both, and asks `credkit.discover.chain`
for them. What it puts first is then tried on cards that it did not see. ``--null 5000`` gives it pairs
that have nothing in common, kind by kind. Seeds are fixed.

A behaviour is undetermined where another one of the same kind gives the same for all cards that were
presented, and something else for those that were not: zeros before a number that nobody saw, another way
to write the card, a number that begins one bit later. These are tried one by one, outside of credkit.discover.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from random import Random
from statistics import median
from time import process_time
from typing import NamedTuple

from bitstring import Bits

from credkit import CredkitError, convert, discover
from credkit.discover.chainvalues import ChainDiscovery
from credkit.explain.presentations import Presentation, presentations

UNSEEN = 12  # cards that the first candidate is tried on
SIZES = (32, 40, 56, 64, 80)  # bits of a serial
FRAME_SOURCES = (
    "hex:8/right-justified:26/wiegand-26", "binary:26/wiegand-26", "decimal:26/wiegand-26",
    "hex:7/right-justified:26/wiegand-26", "hex:8/left-justified:26/wiegand-26",
    "decimal:24/fields:facility:8,number:16", "decimal:24,8/fields:facility:8,number:16",
    "split-decimal:8,16/fields:facility:8,number:16", "template:{facility:03d}{number:05d}",
    "template:{facility:03d}-{number:05d}", "hex:6/fields:facility:8,number:16",
    "hex:6/reverse-bytes/fields:facility:8,number:16", "binary:26/invert/wiegand-26",
    "binary:26/reverse-bits/wiegand-26", "hex:8/reverse-bytes/right-justified:26/wiegand-26",
)  # fmt: skip
NUMBER_TARGETS = (
    "template:{number:d}/select:number", "template:{number:05d}/select:number", "template:{number:08d}/select:number",
    "template:BT-{number:05d}/select:number", "template:{number:06d}/offset:number,-20000/select:number",
    "template:{number:d}/offset:number,-100000/select:number", "template:123{number:05d}/select:number",
    "hex:4/fields:number:16/select:number", "template:{number:04X}/select:number",
    "hex:8/right-justified:26/wiegand-26/select:number,77=facility",
)  # fmt: skip


class Trial(NamedTuple):
    """A true chain: what it is called, and the two texts of a card drawn at random; None for a card without them."""

    kind: str
    draw: Callable[[Random], tuple[str, str] | None]
    rivals: Callable[[str], Sequence[str | None]]  # what other chains of the kind make of the first text


@dataclass
class Counts:
    """What was found in the trials of one kind."""

    trials: int = 0
    determined: int = 0
    determined_first: int = 0
    first: int = 0
    listed: int = 0
    silent: int = 0
    seconds: list[float] = field(default_factory=list)
    failures: list[str] = field(default_factory=list)


# ── true chains ─────────────────────────────────────────────────────────────────────────────────


def serial_trial(random: Random) -> Trial:
    """A whole serial in one presentation, and the same serial, or a part of it, in another."""
    size = random.choice(SIZES)
    rows = presentations(size)
    first = random.choice([row for row in rows if row.part == "all" and not row.digits])
    second = random.choice(rows)
    makers = {56: "04", 64: "E004", 80: "04"}

    def draw(cards: Random) -> tuple[str, str] | None:
        head = Bits(hex=makers.get(size, ""))
        serial = head + Bits(uint=cards.getrandbits(size - len(head)), length=size - len(head))
        return written(first, serial, second)

    def rivals(text: str) -> Sequence[str | None]:
        serial = Bits(first.codec.decode(text))
        return [pair[1] if (pair := written(first, serial, row)) else None for row in rows]

    return Trial(f"serials: {'whole' if second.part == 'all' else 'a part'}", draw, rivals)


def written(first: Presentation, serial: Bits, second: Presentation) -> tuple[str, str] | None:
    """The texts of a serial in two presentations."""
    try:
        return first.encode(serial), second.encode(serial)
    except CredkitError:
        return None


def frame_trial(random: Random) -> Trial:
    """A facility code and number in two of the ways to write both."""
    source, target = random.sample(FRAME_SOURCES, 2)
    fixed = random.random() < 0.3
    facility = random.randrange(256)

    def draw(cards: Random) -> tuple[str, str] | None:
        values = {"facility": facility if fixed else cards.randrange(256), "number": cards.randrange(1 << 16)}
        return through(values, source, target)

    return Trial(f"frames: {'one facility' if fixed else 'many facilities'}", draw, frame_rivals(source))


def number_trial(random: Random) -> Trial:
    """A facility code and number, and the number alone: filled up, behind letters, with a constant added."""
    source, target = random.choice(FRAME_SOURCES), random.choice(NUMBER_TARGETS)
    facility = random.randrange(256)
    fixed = random.random() < 0.5

    def draw(cards: Random) -> tuple[str, str] | None:
        values = {"facility": facility if fixed else cards.randrange(256), "number": cards.randrange(1 << 16)}
        return through(values, source, target)

    return Trial("frames: the number alone", draw, frame_rivals(source))


def frame_rivals(source: str) -> Callable[[str], Sequence[str | None]]:
    """What every other way to write a facility code and number makes of a text."""

    def rivals(text: str) -> Sequence[str | None]:
        return [converted(text, source, target) for target in (*FRAME_SOURCES, *NUMBER_TARGETS)]

    return rivals


def converted(text: str, source: str, target: str) -> str | None:
    """The text that the chains give; None where they refuse."""
    try:
        return str(convert(text, source=source, target=target))
    except CredkitError:
        return None


def through(values: Mapping[str, int], source: str, target: str) -> tuple[str, str] | None:
    """What both chains write for a card."""
    bare = "template:{facility:05d}{number:05d}"
    text = f"{values['facility']:05d}{values['number']:05d}"
    try:
        return str(convert(text, source=bare, target=source)), str(convert(text, source=bare, target=target))
    except CredkitError:
        return None


def slice_trial(random: Random) -> Trial:
    """A frame that is not in the catalogue, of which the back end has some bits as a number."""
    size = random.randint(26, 64)
    width = random.randint(14, min(40, size - 2))
    start = random.randrange(size - width + 1)
    source = "binary" if random.random() < 0.5 or size % 4 else f"hex:{size // 4}"
    target = random.choice((f"decimal:{width}", f"decimal:{width},{len(str((1 << width) - 1))}"))

    def draw(cards: Random) -> tuple[str, str] | None:
        text = str(convert(f"{cards.getrandbits(size):0{size}b}", source="binary", target=source))
        return text, str(convert(text, source=f"{source}/slice:{start}-{start + width - 1}", target=target))

    def rivals(text: str) -> Sequence[str | None]:
        return [
            converted(text, f"{source}/slice:{begin}-{start + width - 1}", f"decimal:{start + width - begin}{digits}")
            for begin in range(max(0, start - 8), start + 8)
            for digits in ("", f",{len(str((1 << width) - 1))}")
        ]

    return Trial("unknown frames: a number in them", draw, rivals)


KINDS = (serial_trial, serial_trial, frame_trial, number_trial, slice_trial)


def pairs_of(trial: Trial, cards: Random, count: int) -> list[tuple[str, str]]:
    """``count`` different pairs of texts."""
    found: dict[tuple[str, str], None] = {}
    for _ in range(50 * count):
        if pair := trial.draw(cards):
            found[pair] = None
        if len(found) == count:
            break
    return list(found)


def is_determined(trial: Trial, given: Sequence[tuple[str, str]], unseen: Sequence[tuple[str, str]]) -> bool:
    """Whether no other chain of the kind gives the same for the cards presented, and something else for others."""

    def tables(pairs: Sequence[tuple[str, str]]) -> list[list[str]]:
        """What each rival gives, a row a rival."""
        return [[text or "" for text in row] for row in zip(*(trial.rivals(one) for one, _ in pairs), strict=True)]

    widths = [len(number) for number in re.findall("[0-9]+", given[0][1])]
    seconds, hidden = [other for _, other in given], [other for _, other in unseen]
    known, others = tables(given), tables(unseen)
    for other_zeros in (without_zeros, lambda text: filled(text, widths)):
        known.append(list(map(other_zeros, seconds)))
        others.append(list(map(other_zeros, hidden)))
    return not any(one == seconds and other != hidden for one, other in zip(known, others, strict=True))


def without_zeros(text: str) -> str:
    """A text without the zeros before its numbers."""
    return re.sub("(?<![0-9A-F])0+(?=[0-9])", "", text)


def filled(text: str, widths: Sequence[int]) -> str:
    """A text whose numbers are filled up to so many digits each."""
    places = iter(widths)
    return re.sub("[0-9]+", lambda found: found.group().zfill(next(places, 0)), text)


def maps(source: str, target: str, pair: tuple[str, str]) -> bool:
    """Whether the chains turn the first text into the second."""
    try:
        return bool(convert(pair[0], source=source, target=target) == pair[1])
    except CredkitError:
        return False


def run_trials(count: int, cards_each: int, seed: int = 7) -> dict[str, Counts]:
    """``count`` true chains, kind by kind; asserts that every candidate maps every pair."""
    counts: dict[str, Counts] = {}
    for number in range(count):
        random = Random(seed * 1_000_003 + number)
        trial = KINDS[number % len(KINDS)](random)
        pairs = pairs_of(trial, random, cards_each + UNSEEN)
        if len(pairs) < cards_each + UNSEEN:
            continue
        given, unseen = pairs[:cards_each], pairs[cards_each:]
        tally = counts.setdefault(trial.kind, Counts())
        began = process_time()
        found = discover.chain(given)
        tally.seconds.append(process_time() - began)
        tally.trials += 1
        for candidate in found.candidates:
            for chains in candidate.chains:
                if not all(maps(chains.source, chains.target, pair) for pair in given):
                    raise SystemExit(f"wrong answer: {chains} does not map {given}")
        judge(tally, trial, given, unseen, found)
    return counts


def judge(
    tally: Counts,
    trial: Trial,
    given: Sequence[tuple[str, str]],
    unseen: Sequence[tuple[str, str]],
    found: ChainDiscovery,
) -> None:
    """Count where the true behaviour stands among the candidates."""
    right = [
        place for place, candidate in enumerate(found.candidates)
        if all(maps(candidate.source, candidate.target, pair) for pair in unseen)
    ]  # fmt: skip
    first = right[:1] == [0]
    determined = is_determined(trial, given, unseen)
    tally.determined += determined
    tally.first += first
    tally.determined_first += first and determined
    tally.listed += bool(right)
    tally.silent += not found.candidates
    if determined and not first:
        best = found.chain
        tally.failures.append(f"{right[:1] or '-'} {list(given)} found {best and ' → '.join(best)}")


# ── nothing in common ───────────────────────────────────────────────────────────────────────────


def unrelated_kinds(random: Random, count: int) -> Mapping[str, Iterator[list[tuple[str, str]]]]:
    """Lists of ``count`` pairs that have nothing in common, kind by kind."""

    def decimals(one: int, other: int) -> Iterator[list[tuple[str, str]]]:
        while True:
            yield [
                (str(random.randrange(10 ** (one - 1), 10**one)), str(random.randrange(10 ** (other - 1), 10**other)))
                for _ in range(count)
            ]

    def counted(digits: int) -> Iterator[list[tuple[str, str]]]:
        while True:
            one, other = (random.randrange(10 ** (digits - 1), 10**digits - 10 * count) for _ in range(2))
            step = random.choice((1, 1, 2, 5))
            yield [(str(one + step * place), str(other + step * place)) for place in range(count)]

    def boxes() -> Iterator[list[tuple[str, str]]]:
        while True:
            one, other = random.randrange(10**7, 9 * 10**7), random.randrange(10**7, 9 * 10**7)
            rows = [(random.randrange(100), random.randrange(100)) for _ in range(count)]
            yield [(str(one + first), str(other + second)) for first, second in rows]

    def facility() -> Iterator[list[tuple[str, str]]]:
        while True:
            code = random.randrange(256)
            numbers = [(random.randrange(1 << 16), random.randrange(1 << 16)) for _ in range(count)]
            yield [(f"{code << 16 | one:06X}", f"{code:03d}{other:05d}") for one, other in numbers]

    def hexadecimal() -> Iterator[list[tuple[str, str]]]:
        while True:
            one, other = random.choices((6, 8, 10, 14), k=2)
            yield [
                (f"{random.getrandbits(4 * one):0{one}X}", f"{random.getrandbits(4 * other):0{other}X}")
                for _ in range(count)
            ]

    return {
        "7-digit decimals": decimals(7, 7),
        "8-digit decimals": decimals(8, 8),
        "7- and 10-digit decimals": decimals(7, 10),
        "numbers that count up": counted(8),
        "numbers of one box each": boxes(),
        "one facility code": facility(),
        "hexadecimal of 6 to 14 digits": hexadecimal(),
    }


class Claims(NamedTuple):
    """What was claimed of pairs that have nothing in common."""

    lists: int
    claims: int
    seconds: float
    examples: tuple[str, ...]


def run_null(count: int, cards_each: int, seed: int = 7) -> dict[str, Claims]:
    """``count`` lists of every kind, and how many of them something was claimed of."""
    found = {}
    for kind, lists in unrelated_kinds(Random(seed), cards_each).items():
        examples, began = [], process_time()
        for _ in range(count):
            pairs = next(lists)
            result = discover.chain(pairs)
            if result.candidates:
                examples.append(f"{pairs} {result!r}")
        found[kind] = Claims(count, len(examples), (process_time() - began) / max(1, count), tuple(examples[:3]))
    return found


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the trials and print a table, or JSON."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trials", type=int, default=0, help="true chains")
    parser.add_argument("--null", type=int, default=0, help="lists of each kind that have nothing in common")
    parser.add_argument("--cards", type=int, default=3, help="cards of each")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--failures", type=int, default=0, help="failures that are shown of each kind")
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args(arguments)
    trials = run_trials(given.trials, given.cards, given.seed)
    claims = run_null(given.null, given.cards, given.seed)
    rows = [
        {
            "kind": kind, "trials": tally.trials, "determined": tally.determined,
            "determined_first": tally.determined_first, "first": tally.first, "listed": tally.listed,
            "silent": tally.silent, "median_s": round(median(tally.seconds), 3),
            "worst_s": round(max(tally.seconds), 3),
        }
        for kind, tally in trials.items()
    ]  # fmt: skip
    rows += [
        {"kind": kind, "lists": each.lists, "claims": each.claims, "mean_s": round(each.seconds, 3)}
        for kind, each in claims.items()
    ]
    for row in rows:
        print(json.dumps(row) if given.json else "  ".join(f"{name} {value}" for name, value in row.items()))
    for kind, tally in trials.items():
        for text in tally.failures[: given.failures]:
            print(f"{kind}: {text}", file=sys.stderr)
    if given.failures:
        for kind, each in claims.items():
            for text in each.examples:
                print(f"{kind}: {text}", file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
