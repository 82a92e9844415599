"""Explanations: how all bits of a target come from one series of the source.

A target is a word (bits in a notation and an order, or the data bits of a frame), a decimal number, or
a template of several numbers. Its bits are explained from the last one on: by bits of the source, by a
constant where they are the same on all cards, and again. All of them come from one series, since a
chain reads a text in one way.

>>> series = WordSeries(chain="hex:4", words=(0x1234, 0x5678, 0x9ABC), length=16, cost=0.0)
>>> word = WordSeries(chain="hex:6", words=(0x7B1234, 0x7B5678, 0x7B9ABC), length=24, cost=0.0)
>>> best = next(explain_words(BitIndex([series]), word.words, word.length))
>>> [(type(piece).__name__, piece.width) for piece in best]
[('BitMatch', 16), ('ConstantBits', 8)]
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import islice, product
from typing import NamedTuple, TypeAlias

from credkit.discover.agreements import agreement_bits, shifted_bits
from credkit.discover.bitmatches import FEWEST_BITS, BitIndex, BitMatch
from credkit.discover.texttemplates import TextPart, TextTemplate
from credkit.discover.wordseries import WordSeries

PIECE_COST = 2.0  # of every further piece of a word
MOST_MATCHES = 3  # places of the source in one word
MOST_BRANCHES = 24  # places that are tried as a part of a word
MOST_PART_OPTIONS = 4  # ways to explain a part of a template
MOST_COMBINATIONS = 256  # of the ways to explain all of its parts
LAST_BITS = (8, 16, 24)  # of one number, that may be constant


class ConstantBits(NamedTuple):
    """Bits that are the same on all cards."""

    width: int
    value: int


Piece: TypeAlias = BitMatch | ConstantBits


def explain_words(
    index: BitIndex,
    values: Sequence[int],
    width: int | None,
    needed: float = 0.0,
    within: WordSeries | None = None,
    depth: int = 0,
) -> Iterator[tuple[Piece, ...]]:
    """The ways in which ``values`` come from the source, piece by piece from the last bit on.

    A ``width`` of None stands for a number that has any width: zeros before it are no bits of it. Ways that are worth
    less than ``needed`` bits are left out.
    """
    if len(values) * max(0, max(value.bit_length() for value in values) - 1) < needed:
        return  # all of their bits would not be enough
    first = values[0]
    if all(value == first for value in values) and (len(values) > 1 or not first):
        if width != 0:
            yield (ConstantBits(width if width is not None else first.bit_length(), first),)
        if depth == 0:
            return
    if depth >= MOST_MATCHES:
        return
    matches = [match for match in index.matches(values, within=within) if width is None or match.width <= width]
    whole = [match for match in matches if not any(value >> match.width for value in values)]
    for match in whole:
        left = None if width is None else width - match.width
        yield (match, ConstantBits(left, 0)) if left else (match,)
    if whole:
        return  # more pieces would say the same at greater length
    for match in sorted(matches, key=lambda match: match.cost)[:MOST_BRANCHES]:
        gain = agreement_bits(match.values) - match.cost
        if gain <= 0:
            continue  # chance would have found such a place
        still = needed - gain + PIECE_COST + (match.series.cost if within is None else 0.0)
        rest = [value >> match.width for value in values]
        left = None if width is None else width - match.width
        for tail in explain_words(index, rest, left, still, match.series, depth + 1):
            follows = isinstance(tail[0], BitMatch) and tail[0].start == match.start + match.width
            if not follows or match.series.is_template:  # else a wider match says it
                yield (match, *tail)
    differing = 0
    for value in values:
        differing |= value ^ first
    same = (differing & -differing).bit_length() - 1
    lasts: tuple[int, ...] = (same,) if same >= FEWEST_BITS and differing else ()
    if len(values) == 1 and depth == 0:  # any of its last bytes may be constant
        lasts = LAST_BITS
    for same in lasts:
        rest = [value >> same for value in values]
        low = ConstantBits(same, first & ((1 << same) - 1))
        left = None if width is None else width - same
        for tail in explain_words(index, rest, left, needed + PIECE_COST, within, depth + 1):
            if any(isinstance(piece, BitMatch) for piece in tail):
                yield (low, *tail)


def explain_template(
    index: BitIndex, found: TextTemplate, needed: float = 0.0
) -> Iterator[tuple[BitMatch | None, ...]]:
    """The ways in which the parts of a template come from the source; None for a part that is constant.

    Ways that are worth less than ``needed`` bits are left out.
    """
    worth = [_most_bits(part) for part in found.parts]
    if sum(worth) < needed:
        return
    varying = [place for place, part in enumerate(found.parts) if len(set(part.numbers)) > 1]
    if not varying:
        varying = [place for place, part in enumerate(found.parts) if len(part.numbers) == 1]
        if not varying:
            return
    most = min(MOST_PART_OPTIONS, int(MOST_COMBINATIONS ** (1 / max(1, len(found.parts) - 1))) or 1)
    main = max(varying, key=lambda place: max(found.parts[place].numbers))
    for match in _whole_matches(index, found.parts[main], None):
        gain = agreement_bits(match.values, match.offset) - match.cost - match.series.cost
        if gain + sum(worth) - worth[main] < needed:
            continue
        options: list[list[BitMatch | None]] = []
        for place, part in enumerate(found.parts):
            if place == main:
                options.append([match])
                continue
            ways: list[BitMatch | None] = list(islice(_whole_matches(index, part, match.series), most))
            if place not in varying:
                ways.append(None)
            options.append(ways)
        yield from product(*options)


def _most_bits(part: TextPart) -> float:
    """The bits that the numbers of a part are worth at most, wherever they come from."""
    if len(set(part.numbers)) == 1 < len(part.numbers):
        return 0.0
    return max(agreement_bits(part.numbers), shifted_bits(part.numbers))


def _whole_matches(index: BitIndex, part: TextPart, within: WordSeries | None) -> Iterator[BitMatch]:
    """The places whose bits are the numbers of a part, or these less a constant."""
    size = max(part.numbers).bit_length()
    if size:
        yield from (match for match in index.matches(part.numbers, within=within) if match.width >= size)
    if len(set(part.numbers)) > 1:
        yield from index.shifted(part.numbers, within=within)
