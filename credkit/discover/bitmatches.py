"""Bit matches: where the bits of one reader's numbers stand in what the other reader printed.

Every place in every series of the source is put into a table, by the low bits that stand there, card
by card. A number of the target is then looked up, never searched for: its low bits, card by card, name
the few places that it may come from, and these are compared in full. For a constant added to the
number a second table has the differences from the first card instead.

>>> series = WordSeries(chain="hex:4", words=(0x1234, 0x5678), length=16, cost=0.0)
>>> index = BitIndex([series])
>>> [(match.start, match.width) for match in index.matches((0x234, 0x678))]
[(0, 8), (0, 12), (0, 11)]
>>> [(match.start, match.width, match.offset) for match in index.shifted((0x1235, 0x5679))]
[(0, 16, 1)]
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from functools import cached_property, lru_cache
from math import log2
from typing import NamedTuple

from credkit.discover.wordseries import BitSpan, WordSeries

KEY_BITS = 8  # bits at which two numbers are first compared
FEWEST_BITS = 4  # bits of a number that is looked for
MOST_UNUSUAL_WIDTHS = 6  # widths beyond the bits that are set, where no width is usual
END_COST, BYTE_COST = 1.0, 2.0  # of a place at an end of the word, and at a byte of it
FIELD_COST = 1.0
OFFSET_COST = 3.0
MOST_PLACES = 500  # that are compared in full: what stands in more of them is zeros, or counts up
MOST_OFFSETS = 2  # widths of a place, with their constants


class BitMatch(NamedTuple):
    """Bits of a series that are a number of the target, less ``offset``: ``start`` counts from the last bit."""

    series: WordSeries
    start: int
    width: int
    cost: float
    offset: int = 0

    @property
    def values(self) -> tuple[int, ...]:
        """The bits, card by card."""
        return tuple(word >> self.start & ((1 << self.width) - 1) for word in self.series.words)


class BitIndex:
    """Every place of every series, by the low bits that stand there."""

    def __init__(self, series: Sequence[WordSeries]) -> None:
        self._exact: dict[tuple[int, ...], list[tuple[WordSeries, int]]] = defaultdict(list)
        low = (1 << KEY_BITS) - 1
        later = []
        for each in series:  # first the ends of words
            starts = _starts(each)
            rows = zip(*[[word >> start & low for start in starts] for word in each.words], strict=True)
            for start, key in zip(starts, rows, strict=True):
                if start:
                    later.append((key, each, start))
                else:
                    self._exact[key].append((each, start))
        for key, each, start in later:
            self._exact[key].append((each, start))

    @cached_property
    def _shifted(self) -> dict[tuple[int, ...], list[tuple[WordSeries, int]]]:
        """The places by how their low bits differ from those of the first card."""
        low = (1 << KEY_BITS) - 1
        found: dict[tuple[int, ...], list[tuple[WordSeries, int]]] = defaultdict(list)
        for key, places in self._exact.items():
            found[tuple((value - key[0]) & low for value in key[1:])] += places
        for places in found.values():
            places.sort(key=lambda place: place[1] != 0)
        return found

    def matches(self, values: Sequence[int], *, within: WordSeries | None = None) -> Iterator[BitMatch]:
        """The places whose bits are the low bits of ``values``, each with its usual widths, the widest first.

        A match need not be the whole of ``values``; with ``within`` it is a place of that series.
        """
        low = (1 << KEY_BITS) - 1
        size = max(value.bit_length() for value in values)
        if size < KEY_BITS and within is not None:
            yield from _short_matches(within, values, size)
            return
        for each, start in self._exact.get(tuple(value & low for value in values), ())[:MOST_PLACES]:
            if within is None or each is within:
                yield from _widths(each, start, values, size)

    def shifted(self, values: Sequence[int], *, within: WordSeries | None = None) -> Iterator[BitMatch]:
        """The places whose bits are ``values`` less a constant, each with the widths that cost least."""
        if len(values) < 2:
            return
        low = (1 << KEY_BITS) - 1
        key = tuple((value - values[0]) & low for value in values[1:])
        for each, start in self._shifted.get(key, ())[:MOST_PLACES]:
            if within is not None and each is not within:
                continue
            found = []
            for width, place in _usual_widths(each, start, KEY_BITS, each.length - start):
                mask = (1 << width) - 1
                offset = values[0] - (each.words[0] >> start & mask)
                if offset and all(
                    value - (word >> start & mask) == offset for value, word in zip(values, each.words, strict=True)
                ):
                    found.append(BitMatch(each, start, width, place + number_cost(offset), offset))
            yield from sorted(found, key=lambda match: match.cost)[:MOST_OFFSETS]


def _starts(series: WordSeries) -> Sequence[int]:
    """Every bit of a series at which a number may end."""
    return [field.start for field in series.fields] if series.is_template else range(series.length - FEWEST_BITS + 1)


def _short_matches(series: WordSeries, values: Sequence[int], size: int) -> Iterator[BitMatch]:
    """The usual places of one series whose bits are ``values``, which are too small for the table."""
    starts = [field.start for field in series.fields] or range(0, series.length - FEWEST_BITS + 1, FEWEST_BITS)
    for start in starts:
        yield from _widths(series, start, values, size)


def _widths(series: WordSeries, start: int, values: Sequence[int], size: int) -> Iterator[BitMatch]:
    """The widths in which the bits at ``start`` are the low bits of ``values``."""
    room = series.length - start
    differing = 0
    for value, word in zip(values, series.words, strict=True):
        differing |= value ^ (word >> start)
    agreeing = min(room, (differing & -differing).bit_length() - 1 if differing else room)
    if series.is_template:  # a part is used whole
        part = next(field.width for field in series.fields if field.start == start)
        used = max(word >> start & ((1 << part) - 1) for word in series.words).bit_length()
        if agreeing >= used:
            for width in sorted(
                {min(part, agreeing), used, *(8 * n for n in range(1, 9) if used <= 8 * n <= agreeing)}
            ):
                yield BitMatch(series, start, width, FIELD_COST + (0.0 if width >= size else 2.0 * bool(width % 8)))
        return
    if agreeing >= FEWEST_BITS and (agreeing >= size or _may_pay(series, start, agreeing, len(values))):
        for width, cost in _usual_widths(series, start, FEWEST_BITS, agreeing, size):
            yield BitMatch(series, start, width, cost)


def _may_pay(series: WordSeries, start: int, agreeing: int, cards: int) -> bool:
    """Whether some of the ``agreeing`` bits of a place may be worth more on all ``cards`` than naming them costs.

    The leading bit of a number is worth nothing, so chance finds shorter matches in nearly every text.
    """
    if any(field.start == start for field in series.fields):
        return True
    length = series.length
    where = END_COST if start == 0 or start + agreeing == length else BYTE_COST if start % 8 == 0 else log2(length)
    whole = agreeing - agreeing % 8
    return max((agreeing - 1) * cards - log2(length), (whole - 1) * cards - BYTE_COST if whole else 0.0) > where


def _usual_widths(series: WordSeries, start: int, least: int, most: int, size: int = 0) -> list[tuple[int, float]]:
    """Widths from ``least`` to ``most`` with their costs, the most usual first: whole bytes, to an end of the word or
    of a field.

    ``size`` bits are set: where a number ends there, any width beyond it is possible.
    """
    if series.is_template:
        found = {field.width for field in series.fields if field.start == start}
    else:
        found = set(range(8, most + 1, 8)) | {most}
        found |= {field.start + field.width - start for field in series.fields if field.start + field.width > start}
        found.add(series.length - start)
        if size:
            found |= set(range(size, min(most, size + MOST_UNUSUAL_WIDTHS) + 1))
    widths = [(width, place_cost(series, start, width)) for width in found if least <= width <= most]
    return sorted(widths, key=_by_cost)


def _by_cost(width: tuple[int, float]) -> tuple[float, int]:
    return width[1], -width[0]


def place_cost(series: WordSeries, start: int, width: int) -> float:
    """How many bits say which ``width`` bits of a series are taken from ``start`` on."""
    return _place_cost(series.length, series.fields, start, width)


@lru_cache(maxsize=1 << 14)
def _place_cost(length: int, fields: tuple[BitSpan, ...], start: int, width: int) -> float:
    end = start + width
    if width == length:
        return 0.0
    inside = [field for field in fields if start <= field.start < end]
    if inside and inside[-1].start == start and inside[0].start + inside[0].width == end:
        return FIELD_COST
    unusual = log2(length)
    where = END_COST if start == 0 or end == length else BYTE_COST if start % 8 == 0 else unusual
    return where + (BYTE_COST if width % 8 == 0 else unusual)


def number_cost(number: int) -> float:
    """How many bits write a constant: round ones in decimal are short.

    >>> number_cost(20000) < number_cost(19999)
    True
    """
    number, zeros = abs(number), 0
    while number and number % 10 == 0:
        number, zeros = number // 10, zeros + 1
    return OFFSET_COST + log2(number + 1) + log2(zeros + 1)
