"""One swipe at a time: credkit beside a bitstring script and construct.

Every contender takes the bits of a track 2 with clocking zeros around it, checks sentinels, the
parity of every character, the LRC and its parity and the check digit of the number, and gives
number and issue.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from functools import cache
from typing import Any

import construct
from bitstring import Bits

from credkit.catalogue.registry import chain
from credkit.codecs.contents import content_entries
from credkit.core.codec import AnyCodec

CONTENT = {
    "harbour-stripe": {
        "track": 2,
        "items": [
            {"field": "number", "digits": 11},
            {"check": "luhn"},
            {"constant": "="},
            {"field": "issue", "digits": 2},
            {"field": "rest", "text": "0-20", "of": "0-9"},
        ],
    }
}
ZEROS = 25
Answer = int


def character(number: int) -> str:
    """Five bits, least significant first, then the bit that makes the ones odd; written out here, not by credkit."""
    data = f"{number:04b}"[::-1]
    return data + str(1 - data.count("1") % 2)


def swipes(count: int) -> tuple[list[Bits], Answer]:
    """Tracks of random cards, made by the rules of ISO/IEC 7811-2, and the sum of what they hold."""
    source = random.Random(75)
    made, answer = [], 0
    for _ in range(count):
        number, issue = source.randrange(10**11), source.randrange(100)
        digits = f"{number:011d}"
        numbers = [11, *map(int, digits + check_digit(digits)), 13, *map(int, f"{issue:02d}0000000000"), 15]
        lrc = 0
        for each in numbers:
            lrc ^= each
        row = "".join(map(character, [*numbers, lrc]))
        made.append(Bits(bin="0" * ZEROS + row + "0" * ZEROS))
        answer += number + issue
    return made, answer


def check_digit(digits: str) -> str:
    """The Luhn digit (ISO/IEC 7812-1)."""
    total = 0
    for place, digit in enumerate(reversed(digits)):
        value = int(digit) * (2 if place % 2 == 0 else 1)
        total += value - 9 if value > 9 else value
    return str(-total % 10)


@cache
def codec() -> AnyCodec:
    """The chain that is measured."""
    return chain("track-2-bits/harbour-stripe", content_entries(CONTENT))


def credkit_swipes(rows: list[Bits]) -> Answer:
    """The chain."""
    decode = codec().decode
    return sum(card["number"] + card["issue"] for card in map(decode, rows))


def script(row: Bits) -> dict[str, int]:
    """What a user of bitstring would write."""
    start = row.find("0b11010")
    if start is None:
        raise ValueError("no start sentinel")
    text, lrc = "", 0
    for at in range(start, len(row), 5):
        piece = row[at : at + 5]
        if piece.count(1) % 2 != 1:
            raise ValueError("parity")
        number = piece[3::-1].uint
        lrc ^= number
        text += chr(48 + number)
        if text[-2:-1] == "?":
            break
    if lrc or text[0] != ";" or text[-2] != "?":
        raise ValueError("LRC or sentinels")
    if row[at + 5 :].any(True):
        raise ValueError("noise")
    return fields(text[:-1])


def fields(text: str) -> dict[str, int]:
    """Number and issue of a track, its check digit checked."""
    number, _, rest = text[1:-1].partition("=")
    if check_digit(number[:-1]) != number[-1] or not (number + rest).isdigit():
        raise ValueError("check digit")
    return {"number": int(number[:-1]), "issue": int(rest[:2])}


def script_swipes(rows: list[Bits]) -> Answer:
    """The bitstring script."""
    return sum(card["number"] + card["issue"] for card in map(script, rows))


def _odd(context: Any) -> bool:
    return bool((context.data.bit_count() + context.parity) % 2)


_CHARACTER = construct.Struct(
    "data" / construct.BitsInteger(4), "parity" / construct.BitsInteger(1), construct.Check(_odd)
)


def _last(character: Any, characters: Any, context: Any) -> bool:
    return len(characters) > 1 and characters[-2].data == 15


def _silent(context: Any) -> bool:
    return not any(context.rest)


_TRACK = construct.Bitwise(
    construct.Struct(
        "zeros" / construct.Const(0, construct.BitsInteger(ZEROS)),
        "track" / construct.RepeatUntil(_last, _CHARACTER),
        "rest" / construct.GreedyBytes,
        construct.Check(_silent),
    )
)
_REVERSED = [int(f"{number:04b}"[::-1], 2) for number in range(16)]


def parsed(row: Bits) -> dict[str, int]:
    """A construct definition."""
    numbers = [_REVERSED[character.data] for character in _TRACK.parse(row.tobytes()).track]
    lrc = 0
    for number in numbers:
        lrc ^= number
    if lrc or numbers[0] != 11:
        raise ValueError("LRC or sentinels")
    return fields("".join(chr(48 + number) for number in numbers[:-1]))


def construct_swipes(rows: list[Bits]) -> Answer:
    """The construct definition."""
    return sum(card["number"] + card["issue"] for card in map(parsed, rows))


Contender = Callable[[Any], int]


def workloads(count: int) -> dict[str, tuple[Any, int, dict[str, Contender]]]:
    """Name → inputs, the right answer, contenders (credkit first)."""
    rows, answer = swipes(count)
    contenders: dict[str, Contender] = {
        "credkit": credkit_swipes, "bitstring script": script_swipes, "construct": construct_swipes,
    }  # fmt: skip
    return {"one swipe from its bits": (rows, answer, contenders)}
