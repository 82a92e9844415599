"""Known numbers in frames of an unknown format: where their binary digits stand, and how often they do by chance.

>>> found = find_known_digits(["0011010010101101010110110010011001"], [1750604])
>>> found.number, found.places, found.length, found.one_in
(1750604, (12,), 34, 149796)
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from credkit.catalogue.registry import chain
from credkit.core.forms import Word
from credkit.core.spans import format_span
from credkit.explain.candidates import BLANKS, LONGEST_TEXT_BITS

LEAST_ONE_IN = 100  # random frames for one that has the digits by chance, before a place is named


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownDigits:
    """A known ``number`` whose digits stand in a ``text`` of ``length`` bits, at each of the ``places``.

    At most one in ``one_in`` random frames has any of the known numbers somewhere.
    """

    text: str
    number: int
    places: tuple[int, ...]
    length: int
    one_in: int

    def describe_places(self) -> str:
        """The bits in which the number stands, counted from 0.

        >>> find_known_digits(["0011010010101101010110110010011001"], [1750604]).describe_places()
        'bits 12-32'
        """
        size = self.number.bit_length()
        return " or ".join(f"bits {format_span(tuple(range(place, place + size)))}" for place in self.places)


def find_known_digits(texts: Iterable[str], known: Iterable[int]) -> KnownDigits | None:
    """The place of a known number in the bits of a text that chance explains least; None where chance may explain all.

    A text has bits as binary or hexadecimal digits.
    """
    numbers = {number for number in known if number > 0}
    frames = [(text, frame) for text in dict.fromkeys(texts) if (frame := _binary_digits(text.strip(BLANKS)))]
    found = [each for text, frame in frames for each in _places(text, frame, numbers, len(frames))]
    return max(found, key=lambda each: (each.one_in, each.number), default=None)


def _binary_digits(text: str) -> str:
    """The bits of a text of binary digits or of hexadecimal ones, as binary digits; empty for another text."""
    word: Word | None = chain("hex" if text.strip("01") else "binary")._decode_raw(text)
    return f"{word[0]:0{word[1]}b}" if word and 0 < word[1] <= LONGEST_TEXT_BITS else ""


def _places(text: str, frame: str, numbers: Iterable[int], frames: int) -> Iterator[KnownDigits]:
    tried = sorted(numbers)
    for number in tried:
        digits = f"{number:b}"
        places = tuple(place for place in range(len(frame)) if frame.startswith(digits, place))
        one_in = 2 ** len(digits) // ((len(frame) - len(digits) + 1) * len(tried) * frames) if places else 0
        if one_in >= LEAST_ONE_IN:
            yield KnownDigits(text=text, number=number, places=places, length=len(frame), one_in=one_in)
