"""Stripes in bits that could not be read: what they hold as characters, however they came."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

from bitstring import Bits

from credkit.catalogue.registry import chain
from credkit.core.forms import to_word
from credkit.privacy.accounts import holds_account
from credkit.tables.characters import SETS_BY_NAME

_INVERTED = str.maketrans("01", "10")
_LOST_ZERO_BITS = "0" * max(
    letters.width for letters in SETS_BY_NAME.values()
)  # that a record of a swipe may have lost


def stripe_texts(bits: Bits) -> Iterator[tuple[str, bool]]:
    """The texts of ``bits`` as characters of a stripe: both sets, both directions, wherever the first one begins.

    Half of all characters have good parity by chance. Where no more have, nothing is read. Beside each text
    stands whether it is garbled: what reads well as a stripe is not.

    >>> from credkit import encode
    >>> bits = Bits(f"0b{encode('binary/track-2-bits/track-2:number', {'number': '0123'})}")
    >>> any(text.startswith(";0123?") for text, garbled in stripe_texts(bits))
    True
    """
    row = bits.bin
    for letters in SETS_BY_NAME.values():
        width = letters.width
        for way in (row, row[::-1]):
            for lines in (way, way.translate(_INVERTED)):
                for start in _likely_starts(lines, width):
                    places = range(start, len(lines) - width + 1, width)
                    text = "".join(letters.characters_by_bits[lines[place : place + width]] for place in places)
                    yield text, True
                    if holds_account(text):
                        yield from _valid_stripe_texts(lines)


def _likely_starts(lines: str, width: int) -> Iterator[int]:
    """Where the first character may begin: from there on, three of four characters with a 1 have odd parity."""
    number = int(lines or "0", 2)
    odd = written = 0
    for shift in range(width):  # each bit of both is about the character that ends there
        odd ^= number >> shift
        written |= number >> shift
    for start in range(width):
        ends = _character_ends(len(lines), width, start)
        if 4 * (odd & ends).bit_count() >= 3 * (written & ends).bit_count():
            yield start


@lru_cache(maxsize=1 << 10)
def _character_ends(size: int, width: int, start: int) -> int:
    """A number of ``size`` bits with a 1 for the last bit of each character, the first of which begins at ``start``."""
    return sum(1 << size - stop for stop in range(start + width, size + 1, width))


def _valid_stripe_texts(lines: str) -> Iterator[tuple[str, bool]]:
    """The texts of lines that read well as a stripe, zeros around them or not: parity, LRC and sentinels are right."""
    lines = f"{_LOST_ZERO_BITS}{lines}{_LOST_ZERO_BITS}"
    for codec in (chain("track-1-bits"), chain("track-2-bits"), chain("track-3-bits")):
        text = codec._decode_raw(to_word(Bits(f"0b{lines}")))
        if text is not None:
            yield text, False
