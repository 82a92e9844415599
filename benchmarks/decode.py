"""One frame and one text at a time: credkit beside a bitstring script, construct and bitstruct.

Every contender decodes the same inputs with the same checks, and the sum of what it decodes is
compared, so that none can win by doing less.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Iterable, Mapping
from functools import partial
from typing import Any, TypedDict

import bitstruct.c
import construct
from bitstring import Bits

import credkit


class Card(TypedDict):
    """What every contender gives for a card."""

    facility: int
    number: int


def frames(count: int) -> list[int]:
    """Valid 26-bit frames of random cards, as numbers; made by a rule written out here, not by credkit."""
    source = random.Random(26)
    made = []
    for _ in range(count):
        data = source.getrandbits(24)
        even = (data >> 12).bit_count() & 1
        odd = (data & 0xFFF).bit_count() & 1 ^ 1
        made.append(even << 25 | data << 1 | odd)
    return made


def checksum(cards: Iterable[Mapping[str, Any]]) -> int:
    """The answer every contender must agree on."""
    return sum(card["facility"] * 65536 + card["number"] for card in cards)


def credkit_frames(words: list[int]) -> int:
    """A compiled layout over whole numbers."""
    codec = credkit.chain("wiegand-26")
    return checksum(codec._decode_raw((word, 26)) for word in words)


def bitstring_frame(word: int) -> dict[str, int]:
    """What a user of bitstring would write."""
    bits = Bits(uint=word, length=26)
    if bits[0:13].count(1) % 2 != 0 or bits[13:26].count(1) % 2 != 1:
        raise ValueError("parity")
    return {"facility": bits[1:9].uint, "number": bits[9:25].uint}


def bitstring_frames(words: list[int]) -> int:
    """The bitstring script over whole numbers."""
    return checksum(map(bitstring_frame, words))


def _even(context: Any) -> bool:
    data = context.facility << 16 | context.number
    return bool((data >> 12).bit_count() & 1 == context.even)


def _odd(context: Any) -> bool:
    data = context.facility << 16 | context.number
    return bool((data & 0xFFF).bit_count() & 1 ^ 1 == context.odd)


_FRAME = construct.BitStruct(
    "padding" / construct.Const(0, construct.BitsInteger(6)),
    "even" / construct.BitsInteger(1),
    "facility" / construct.BitsInteger(8),
    "number" / construct.BitsInteger(16),
    "odd" / construct.BitsInteger(1),
    construct.Check(_even),
    construct.Check(_odd),
)


def construct_frames(words: list[int]) -> int:
    """A construct definition over whole numbers, as four bytes each."""
    return checksum(_FRAME.parse(word.to_bytes(4, "big")) for word in words)


_FORMAT = bitstruct.c.compile("u6u1u8u16u1")


def bitstruct_frame(data: bytes) -> dict[str, int]:
    """A compiled format of bitstruct, in its form written in C; the checks are for the user to write."""
    padding, even, facility, number, odd = _FORMAT.unpack(data)
    left, right = facility << 4 | number >> 12, number & 0xFFF
    if len(data) != 4 or padding or left.bit_count() & 1 != even or right.bit_count() & 1 == odd:
        raise ValueError("length, padding or parity")
    return {"facility": facility, "number": number}


def bitstruct_frames(words: list[int]) -> int:
    """The compiled format over whole numbers, as four bytes each."""
    return checksum(bitstruct_frame(word.to_bytes(4, "big")) for word in words)


def bitstruct_text(text: str) -> dict[str, int]:
    """The compiled format from hexadecimal digits; ``bytes.fromhex`` would also take blanks."""
    if len(text) != 8:
        raise ValueError("form")
    return bitstruct_frame(bytes.fromhex(text))


def bitstruct_texts(texts: list[str]) -> int:
    """The compiled format from text."""
    return checksum(map(bitstruct_text, texts))


def credkit_chain(chain: str, texts: list[str]) -> int:
    """A whole chain from text."""
    codec = credkit.chain(chain, takes="text", gives=Card)
    return checksum(map(codec.decode, texts))


_EIGHT_DIGITS = re.compile("[0-9A-Fa-f]{8}")


def python_text(text: str) -> dict[str, int]:
    """This one chain written out by hand, line after line, without a table: as little as Python can do for it."""
    if not isinstance(text, str) or not _EIGHT_DIGITS.fullmatch(text):
        raise ValueError("form")
    word = int(text, 16)
    if word >> 26 or (word & 0x3FFE000).bit_count() & 1 or not (word & 0x1FFF).bit_count() & 1:
        raise ValueError("padding or parity")
    return {"facility": word >> 17 & 0xFF, "number": word >> 1 & 0xFFFF}


def python_texts(texts: list[str]) -> int:
    """The chain by hand, over texts."""
    return checksum(map(python_text, texts))


def bitstruct_decimal(text: str) -> dict[str, int]:
    """The compiled format from decimal digits; ``int`` would also take signs, blanks and other digits."""
    if not (text.isascii() and text.isdigit()) or len(text) > 8:
        raise ValueError("form")
    return bitstruct_frame(int(text).to_bytes(4, "big"))


def bitstruct_decimals(texts: list[str]) -> int:
    """The compiled format over decimal digits."""
    return checksum(map(bitstruct_decimal, texts))


def bitstruct_binary(text: str) -> dict[str, int]:
    """The compiled format from binary digits."""
    if not (text.isascii() and text.isdigit()) or len(text) != 26:
        raise ValueError("form")
    return bitstruct_frame(int(text, 2).to_bytes(4, "big"))


def bitstruct_binaries(texts: list[str]) -> int:
    """The compiled format over binary digits."""
    return checksum(map(bitstruct_binary, texts))


_PRINTED = re.compile("([0-9]{3})-([0-9]{5})")


def python_printed(text: str) -> dict[str, int]:
    """A printed number by a regular expression, as a user would read it."""
    match = _PRINTED.fullmatch(text)
    if not match:
        raise ValueError("form")
    return {"facility": int(match[1]), "number": int(match[2])}


def python_prints(texts: list[str]) -> int:
    """The regular expression, over texts."""
    return checksum(map(python_printed, texts))


def bitstring_text(text: str) -> dict[str, int]:
    """What a user of bitstring would write, from the same text, refusing the same inputs."""
    bits = Bits(hex=text)
    if len(bits) != 32 or bits[:6].any(True):
        raise ValueError("length or padding")
    bits = bits[6:]
    if bits[0:13].count(1) % 2 != 0 or bits[13:26].count(1) % 2 != 1:
        raise ValueError("parity")
    return {"facility": bits[1:9].uint, "number": bits[9:25].uint}


def bitstring_texts(texts: list[str]) -> int:
    """The bitstring script from text."""
    return checksum(map(bitstring_text, texts))


Contender = Callable[[Any], int]


def workloads(count: int) -> dict[str, tuple[Any, int, dict[str, Contender]]]:
    """Name → inputs, the right answer, contenders (credkit first)."""
    words = frames(count)
    answer = sum(word >> 1 & 0xFFFFFF for word in words)
    return {
        "one frame from a number": (
            words,
            answer,
            {
                "credkit": credkit_frames,
                "bitstring script": bitstring_frames,
                "construct": construct_frames,
                "bitstruct": bitstruct_frames,
            },
        ),
        "one card from a text": (
            [f"{word:08X}" for word in words],
            answer,
            {
                "credkit": partial(credkit_chain, "hex:8/right-justified:26/wiegand-26"),
                "bitstring script": bitstring_texts,
                "bitstruct": bitstruct_texts,
                "Python by hand": python_texts,
            },
        ),
        "one card from a decimal number": (
            [str(word) for word in words],
            answer,
            {"credkit": partial(credkit_chain, "decimal:26/wiegand-26"), "bitstruct": bitstruct_decimals},
        ),
        "one card from binary digits": (
            [f"{word:026b}" for word in words],
            answer,
            {"credkit": partial(credkit_chain, "binary/wiegand-26"), "bitstruct": bitstruct_binaries},
        ),
        "one printed number": (
            [f"{word >> 17 & 0xFF:03d}-{word >> 1 & 0xFFFF:05d}" for word in words],
            answer,
            {
                "credkit": partial(credkit_chain, "template:{facility:03d}-{number:05d}"),
                "Python by hand": python_prints,
            },
        ),
    }
