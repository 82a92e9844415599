"""Discovery of checks: ``python -m benchmarks.discover_checks [--trials N] [--only PART ...] [--json]``.

What is right, what is not found and what is wrong, over trials with fixed seeds; the shares are asserted, times are
not measured. The checks come from outside: CRCs from the classes of crccheck, check digits from python-stdnum, XORs and
sums from a line of Python each, written out here.

    crc       every CRC of 4 to 16 bits of crccheck behind payloads of 24 to 64 bits, 200 frames each
    damaged   the same with 4 frames of the 200 in which one bit is inverted
    blocks    XORs and sums of nibbles and bytes, before or behind the payload, among parity bits and constant bits
    frames    frames without a block check: random ones, consecutive ones, two numbers that count up together, boxes
    digits    rules of python-stdnum and weighted sums, numbers far apart and consecutive ones
    numbers   numbers without a check digit: random ones, consecutive ones, equal steps, boxes, two prefixes
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from functools import reduce
from operator import xor
from random import Random
from typing import Any

import crccheck.crc
from stdnum import luhn
from stdnum.iso7064 import mod_11_2, mod_11_10, mod_37_2, mod_37_36, mod_97_10

from credkit.discover.blockchecks import find_block_checks
from credkit.discover.checkdigits import check_digits
from credkit.discover.checkrecords import BlockCheck

PAYLOADS = (24, 32, 40, 48, 56, 64)  # bits
FRAMES, DAMAGED, FRESH = 200, 4, 50
MOST_FALSE = 1000  # samples without a check for one false claim at most
LEAST_RIGHT = 0.95
CATALOGUE = [kind for kind in (each() for each in crccheck.crc.ALLCRCCLASSES) if 4 <= kind.width() <= 16]
DIGITS, LETTERS = "0123456789", "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


# ── CRCs ────────────────────────────────────────────────────────────────────────────────────────


def crc_frames(kind: Any, size: int, count: int, source: Random) -> list[int]:
    """Random payloads of ``size`` bits with the CRC that crccheck computes behind them."""
    payloads = (source.getrandbits(size) for _ in range(count))
    return [payload << kind.width() | kind.calc(payload.to_bytes(size // 8, "big")) for payload in payloads]


def is_right_crc(found: tuple[BlockCheck, ...], kind: Any, fresh: list[int]) -> bool:
    """Whether one CRC was found, with polynomial and reflections of the catalogue, that frames never seen keep."""
    if len(found) != 1 or found[0].kind != "crc":
        return False
    check = found[0]
    parameters = (check.poly, check.reflected, check.at[0] > check.at[-1])
    expected = (kind.poly(), kind.reflect_input(), kind.reflect_output())
    return parameters == expected and not any(map(check.fails, fresh))


def crc_trials(trials: int, damaged: int = 0) -> Counter[str]:
    """The verdicts of ``trials`` pairs of CRC and payload, in turn through the catalogue."""
    source, verdicts = Random(16), Counter[str]()
    pairs = [(kind, size) for size in PAYLOADS for kind in CATALOGUE]
    for trial in range(trials):
        kind, size = pairs[trial % len(pairs)]
        length = size + kind.width()
        frames = crc_frames(kind, size, FRAMES, source)
        for place in source.sample(range(FRAMES), damaged):
            frames[place] ^= 1 << source.randrange(length)
        found = find_block_checks(frames, length)
        right = is_right_crc(found, kind, crc_frames(kind, size, FRESH, source))
        verdicts["right" if right else "wrong" if found else "not found"] += 1
        if right:
            verdicts["outliers"] += len(found[0].outliers)
    return verdicts


# ── XORs and sums ───────────────────────────────────────────────────────────────────────────────

BLOCK_KINDS: dict[str, tuple[int, int, Callable[[list[int], int], int]]] = {  # bits of a block, of the check, its value
    "xor of bytes": (8, 8, lambda blocks, constant: reduce(xor, blocks) ^ constant),
    "xor of nibbles": (4, 4, lambda blocks, constant: reduce(xor, blocks) ^ constant % 16),
    "sum of bytes": (8, 8, lambda blocks, constant: (sum(blocks) + constant) % 256),
    "negated sum of bytes": (8, 8, lambda blocks, constant: (constant - sum(blocks)) % 256),
    "sum of nibbles": (4, 4, lambda blocks, constant: (sum(blocks) + constant) % 16),
    "sum of nibbles in a byte": (4, 8, lambda blocks, constant: (sum(blocks) + constant) % 256),
    "sum of bytes modulo 255": (8, 8, lambda blocks, constant: (sum(blocks) + constant) % 255),
    "sum of bytes in two": (8, 16, lambda blocks, constant: sum(blocks) + constant),
}


class BlockFormat:
    """A random frame format with one block check: a payload, constant bits and parity bits around it."""

    def __init__(self, name: str, source: Random) -> None:
        self.block, self.width, self.compute = BLOCK_KINDS[name]
        self.size = source.choice((24, 32, 40, 56))
        self.constant = source.choice((0, 0, 255, source.getrandbits(8)))
        self.before = source.random() < 0.25
        self.header = source.getrandbits(8) | 1 << 8 if source.random() < 0.3 else 1
        self.parity = source.random() < 0.3
        self.length = self.size + self.width + self.header.bit_length() - 1 + 2 * self.parity

    def frame(self, source: Random) -> int:
        """A frame with a random payload."""
        payload = source.getrandbits(self.size)
        shifts = range(self.size - self.block, -1, -self.block)
        check = self.compute([payload >> shift & ((1 << self.block) - 1) for shift in shifts], self.constant)
        frame = check << self.size | payload if self.before else payload << self.width | check
        frame |= (self.header & ((1 << (self.header.bit_length() - 1)) - 1)) << (self.size + self.width)
        if self.parity:
            half = (self.length - 2) // 2
            odd = (frame & ((1 << half) - 1)).bit_count() & 1 ^ 1
            frame |= ((frame >> half).bit_count() & 1) << (self.length - 2)
            return frame << 1 | odd
        return frame


def block_trials(trials: int) -> Counter[str]:
    """The verdicts of ``trials`` random formats: one check, that frames never seen keep, is right."""
    source, verdicts = Random(8), Counter[str]()
    for trial in range(trials):
        form = BlockFormat(list(BLOCK_KINDS)[trial % len(BLOCK_KINDS)], source)
        frames = [form.frame(source) for _ in range(source.choice((20, 40, FRAMES)))]
        found = find_block_checks(frames, form.length)
        fresh = [form.frame(source) for _ in range(FRESH)]
        right = len(found) == 1 and not any(map(found[0].fails, fresh))
        verdicts["right" if right else "wrong" if found else "not found"] += 1
    return verdicts


# ── frames without a block check ────────────────────────────────────────────────────────────────


def pairs_of_numbers(kind: str, count: int, source: Random) -> Iterator[tuple[int, int]]:
    """Two numbers a card, which a frame holds side by side."""
    one, other, facility = (source.getrandbits(24) for _ in range(3))
    for i in range(count):
        if kind == "random":
            yield source.getrandbits(24), source.getrandbits(24)
        elif kind == "consecutive":
            yield facility, one + i
        elif kind == "two that count up":
            yield other + i, one + i
        elif kind == "boxes":
            yield facility, one + i // 20 * 7919 + i % 20
        elif kind == "two facilities":
            yield facility if i % 2 else other, one + i // 2
        else:  # twice the same number
            yield one + i, one + i


FRAME_POPULATIONS = ("random", "consecutive", "two that count up", "boxes", "two facilities", "twice the same number")


def frame_nulls(trials: int) -> Counter[str]:
    """How many of ``trials`` samples of frames without a block check have a false claim."""
    source, verdicts = Random(26), Counter[str]()
    for trial in range(trials):
        first, second = source.randrange(8, 25), source.randrange(12, 25)
        numbers = pairs_of_numbers(
            FRAME_POPULATIONS[trial % len(FRAME_POPULATIONS)], source.choice((5, 20, 50, 100, 200)), source
        )
        frames = [(a % (1 << first)) << second | b % (1 << second) for a, b in numbers]
        length = first + second
        if source.random() < 0.5:  # parity bits at both ends
            half = length // 2
            frames = [
                ((frame >> half).bit_count() & 1) << (length + 1)
                | frame << 1
                | (frame & ((1 << half) - 1)).bit_count() & 1 ^ 1
                for frame in frames
            ]
            length += 2
        verdicts["false" if find_block_checks(frames, length) else "nothing found"] += 1
    return verdicts


# ── check digits ────────────────────────────────────────────────────────────────────────────────


def weighted(modulus: int, *weights: int) -> Callable[[str], str]:
    """The check that makes a weighted sum a multiple of the modulus; the first weight is that of the last digit."""

    def check(body: str) -> str:
        total = sum(int(digit) * weights[i % len(weights)] for i, digit in enumerate(reversed(body)))
        value = -total % modulus
        return "X" if (modulus, value) == (11, 10) else f"{value:0{len(str(modulus - 1)) if modulus > 11 else 1}d}"

    return check


DIGIT_RULES: dict[str, tuple[str, str, Callable[[str], str]]] = {  # the rule to be found, the characters, the check
    "luhn": ("luhn", DIGITS, luhn.calc_check_digit),
    "mod 11,2": ("mod-11-2", DIGITS, mod_11_2.calc_check_digit),
    "mod 37,2": ("mod-37-2", DIGITS + LETTERS, mod_37_2.calc_check_digit),
    "mod 97,10": ("mod-97-10", DIGITS, mod_97_10.calc_check_digits),
    "mod 11,10": ("mod-11-10", DIGITS, mod_11_10.calc_check_digit),
    "mod 27,26": ("mod-27-26", LETTERS, lambda body: str(mod_37_36.calc_check_digit(body, LETTERS))),
    "mod 37,36": ("mod-37-36", DIGITS + LETTERS, mod_37_36.calc_check_digit),
    "weights 3 1 modulo 10": ("mod-10", DIGITS, weighted(10, 3, 1)),
    "weights 7 3 1 modulo 10": ("mod-10", DIGITS, weighted(10, 7, 3, 1)),
    "weights 2 to 10 modulo 11": ("mod-11", DIGITS, weighted(11, *range(2, 11))),
    "weights modulo 97": ("mod-97", DIGITS, weighted(97, 5, 17, 3, 22, 41)),
}


def digit_trials(trials: int) -> Counter[str]:
    """The verdicts of ``trials`` lists of 200 numbers with a check digit, far apart or a consecutive box."""
    source, verdicts = Random(10), Counter[str]()
    for trial in range(trials):
        rule, letters, check = DIGIT_RULES[list(DIGIT_RULES)[trial % len(DIGIT_RULES)]]
        size = source.randrange(5, 12)
        consecutive = letters == DIGITS and trial // len(DIGIT_RULES) % 2
        start = source.randrange(10 ** (size - 1), 10**size - 200)
        bodies = (
            [str(start + i) for i in range(200)]
            if consecutive
            else ["".join(source.choices(letters, k=size)) for _ in range(200)]
        )
        found = check_digits([body + check(body) for body in bodies])
        right = [each.rule for each in found] == [rule] and not found[0].outliers
        kind = "consecutive: " if consecutive else ""
        verdicts[f"{kind}{'right' if right else 'wrong' if found else 'not found'}"] += 1
    return verdicts


NUMBER_POPULATIONS = ("random", "consecutive", "equal steps", "boxes", "some missing", "two prefixes")


def plain_numbers(kind: str, count: int, source: Random) -> list[str]:
    """Numbers that have no check digit."""
    size = source.randrange(4, 13)
    start = source.randrange(10**size)
    if kind == "random":
        return [f"{source.randrange(10**size):0{size}d}" for _ in range(count)]
    if kind == "consecutive":
        return [str(start + i) for i in range(count)]
    if kind == "equal steps":
        step = source.choice((2, 5, 10, 11, 97, 100, source.randrange(1, 1000)))
        return [str(start + step * i) for i in range(count)]
    if kind == "boxes":
        starts = [source.randrange(10**size) for _ in range(5)]
        return [str(box + i) for box in starts for i in range(count // 5)]
    if kind == "some missing":
        return [str(start + i) for i in range(2 * count) if source.random() < 0.5]
    prefixes = source.sample(range(1000), 2)
    return [f"{source.choice(prefixes):03d}{start % 10**5 + i:06d}" for i in range(count)]


def number_nulls(trials: int) -> Counter[str]:
    """How many of ``trials`` lists of numbers without a check digit have a false claim."""
    source, verdicts = Random(37), Counter[str]()
    for trial in range(trials):
        kind = NUMBER_POPULATIONS[trial % len(NUMBER_POPULATIONS)]
        numbers = plain_numbers(kind, source.choice((5, 12, 40, 100, 300)), source)
        verdicts["false" if check_digits(numbers) else "nothing found"] += 1
    return verdicts


# ── all of them ─────────────────────────────────────────────────────────────────────────────────

PARTS: dict[str, tuple[Callable[[int], Counter[str]], int]] = {  # the trials, and how many there are
    "crc": (crc_trials, len(PAYLOADS) * len(CATALOGUE)),
    "damaged": (lambda trials: crc_trials(trials, DAMAGED), len(PAYLOADS) * len(CATALOGUE)),
    "blocks": (block_trials, 800),
    "frames": (frame_nulls, 6000),
    "digits": (digit_trials, 1100),
    "numbers": (number_nulls, 12000),
}


def assert_shares(part: str, verdicts: Counter[str]) -> None:
    """End the run where a part has wrong or false claims, or too few right ones."""
    trials = verdicts["right"] + verdicts["wrong"] + verdicts["not found"]
    if verdicts["wrong"] or verdicts["consecutive: wrong"] or verdicts["right"] < LEAST_RIGHT * trials:
        raise SystemExit(f"{part}: wrong answer: {dict(verdicts)}")
    if verdicts["false"] * MOST_FALSE > verdicts["false"] + verdicts["nothing found"]:
        raise SystemExit(f"{part}: wrong answer: {dict(verdicts)}")


def main(arguments: list[str] | None = None) -> int:
    """Try, assert and print."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.discover_checks", description=__doc__)
    parser.add_argument("--trials", type=int, help="trials of each part (default: as the docs tell)")
    parser.add_argument("--only", nargs="+", choices=PARTS, default=list(PARTS), metavar="PART", help="these parts")
    parser.add_argument("--json", action="store_true", help="print JSON")
    options = parser.parse_args(arguments)
    results = {}
    for part in options.only:
        run, usual = PARTS[part]
        verdicts = run(options.trials or usual)
        assert_shares(part, verdicts)
        results[part] = dict(sorted(verdicts.items()))
        if not options.json:
            print(f"{part}: " + ", ".join(f"{count} {verdict}" for verdict, count in results[part].items()))
    if options.json:
        print(json.dumps(results, indent=1))
    return 0


if __name__ == "__main__":
    sys.exit(main())
