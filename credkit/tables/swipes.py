"""Swipes: where in a row of bits a track stands, read forwards or backwards.

    0 0 0 0 1 1 0 1 0 0 0 0 0 1 … 1 1 1 1 1 0 0 1 0 0 0 0 0 0
    zeros   start     first         end       LRC       zeros
            sentinel  character     sentinel

A head writes zeros before the start sentinel and behind the LRC, so that a reader finds its clock.
A card pulled the other way gives all bits in reverse order. Every character has an odd number of
ones, so a good track holds fewer zeros in a row than two characters have bits: longer runs of
zeros part a row into islands, and each island is a track, forwards or backwards, or it is noise. A few
rows of 7-bit characters are a track both ways, with another text: which one was meant, they do not say.

Noise can look like a short track by accident. In a row with several islands a track must be worth
ten bits more than the places that were tried: a row of random bits passes less than once in a
thousand times. And what is longer than four characters, or begins like a track, is no noise: it may
be a swipe that was garbled.

Source: ISO/IEC 7811-2 and 7811-6; what is done about noise is common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import pairwise
from math import log2
from typing import NamedTuple

from credkit.tables.characters import CharacterSet

CERTAIN_MARGIN_BITS = 10
LONGEST_NOISE_CHARACTERS = 4  # characters that are as long as noise may be
_ONES = bytes(code == ord("1") for code in range(256))


class Swipe(NamedTuple):
    """A track in a row of bits: its text, sentinels included, and where it is, LRC included."""

    text: str
    start: int
    stop: int
    backwards: bool = False


def separating_zeros(letters: CharacterSet) -> int:
    """How many zeros in a row cannot stand within a good track.

    >>> from credkit.tables.characters import NUMERIC
    >>> separating_zeros(NUMERIC)
    9
    """
    return 2 * letters.width - 1


def find_islands(letters: CharacterSet, row: str) -> list[tuple[int, int]]:
    """The stretches of ``row`` between long runs of zeros: the first 1 and the place behind the last one."""
    return [match.span() for match in re.finditer(f"1(?:0{{0,{separating_zeros(letters) - 1}}}1)*", row)]


def decode_track(letters: CharacterSet, bits: str) -> Swipe | None:
    """The track in ``bits`` if it begins with the first 1, all its rules hold, and only zeros stand behind it.

    The bits in one column of all characters are taken as one long number, a byte a character, so
    that every character is read, and every column is summed, at once.
    """
    start = bits.find("1")
    if start < 0 or not bits.startswith(letters.start_bits, start):
        return None
    width = letters.width
    ones = (bits[start:] + "0" * (-(len(bits) - start) % width)).encode().translate(_ONES)
    columns = [int.from_bytes(ones[column::width], "big") for column in range(width)]
    word = 0
    for column, number in enumerate(columns):
        word |= number << column
    text = word.to_bytes(len(ones) // width, "big").translate(letters.code_table).decode("ascii")
    count = text.find(letters.end) + 1
    stop = start + (count + 1) * width
    if not count or stop > len(bits) or "\0" in text[: count + 1] or bits.find("1", stop) >= 0:
        return None
    if letters.start in text[1:count] or any(number.bit_count() & 1 for number in columns[:-1]):
        return None
    return Swipe(text[:count], start, stop)


def decode_both_ways(letters: CharacterSet, bits: str) -> list[Swipe]:
    """The tracks that are all there is in ``bits``: one, or two where it reads as another text backwards.

    >>> from credkit.tables.characters import ALPHANUMERIC
    >>> [swipe.text for swipe in decode_both_ways(ALPHANUMERIC, "101000100111110000001111011011111001000101")]
    ['%\\\\ W?', '%\\\\V!?']
    """
    forwards, backwards = decode_track(letters, bits), decode_track(letters, bits[::-1])
    found = [forwards] if forwards else []
    if backwards and not (forwards and forwards.text == backwards.text):
        last = len(bits)
        found.append(Swipe(backwards.text, last - backwards.stop, last - backwards.start, backwards=True))
    return found


def find_tracks(letters: CharacterSet, row: str) -> Iterator[Swipe]:
    """Every track in ``row``, in the order in which they stand; both where one reads as two texts."""
    spans = find_islands(letters, row)
    width = letters.width
    for (start, stop), (behind, _) in pairwise([*spans, (len(row), 0)]):
        before = max(0, start - width)  # zeros at its ends may belong to its first and last character
        for swipe in decode_both_ways(letters, row[before : min(stop + width, behind)]):
            yield swipe._replace(start=swipe.start + before, stop=swipe.stop + before)


def track_evidence(letters: CharacterSet, text: str) -> int:
    """How many bits a track is worth: both sentinels, the LRC, and the parity of every other character."""
    return 3 * letters.width + len(text) - 2


def is_certain(letters: CharacterSet, swipe: Swipe, row: str) -> bool:
    """Whether ``swipe`` is worth more than an accident in as many islands as ``row`` has."""
    return track_evidence(letters, swipe.text) - log2(2 * len(find_islands(letters, row))) >= CERTAIN_MARGIN_BITS


def find_garbled(letters: CharacterSet, swipe: Swipe, row: str) -> tuple[int, int] | None:
    """The first island beside ``swipe`` that may be a garbled track, or None."""
    for start, stop in find_islands(letters, row):
        bits = row[start:stop]
        begins = bits.startswith(letters.start_bits) or bits[::-1].startswith(letters.start_bits)
        if not swipe.start <= start < swipe.stop and (begins or len(bits) > LONGEST_NOISE_CHARACTERS * letters.width):
            return start, stop
    return None


def find_only_track(letters: CharacterSet, row: str) -> Swipe | None:
    """The one track in ``row``, perhaps with noise beside it; None where there is none, or more than one."""
    whole = decode_both_ways(letters, row)
    if whole:
        return whole[0] if len(whole) == 1 else None
    if len(find_islands(letters, row)) < 2:  # with fewer zeros around it, it is no track either
        return None
    several = list(find_tracks(letters, row))
    if len(several) != 1 or not is_certain(letters, several[0], row) or find_garbled(letters, several[0], row):
        return None
    return several[0]
