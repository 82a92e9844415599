"""Stripes in bits that could not be read: what they hold as characters, however they came."""

from __future__ import annotations

from collections.abc import Iterator

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
        for way in (row, row[::-1]):
            for lines in (way, way.translate(_INVERTED)):
                for start in range(letters.width):
                    places = range(start, len(lines) - letters.width + 1, letters.width)
                    pieces = [lines[place : place + letters.width] for place in places]
                    written = [piece for piece in pieces if "1" in piece]
                    if 4 * sum(piece.count("1") % 2 for piece in written) >= 3 * len(written):
                        text = "".join(letters.characters_by_bits[piece] for piece in pieces)
                        yield text, True
                        if holds_account(text):
                            yield from _valid_stripe_texts(lines)


def _valid_stripe_texts(lines: str) -> Iterator[tuple[str, bool]]:
    """The texts of lines that read well as a stripe, zeros around them or not: parity, LRC and sentinels are right."""
    lines = f"{_LOST_ZERO_BITS}{lines}{_LOST_ZERO_BITS}"
    for codec in (chain("track-1-bits"), chain("track-2-bits"), chain("track-3-bits")):
        text = codec._decode_raw(to_word(Bits(f"0b{lines}")))
        if text is not None:
            yield text, False
