"""Relation: how two texts of one card, from two readers, are connected.

Both texts are read by every presentation of every size of serial; two readings are connected where
they have bits of the serial in common and agree in all of them. Connections that turn every text
of the one reader into the same text of the other are one, shown in its plainest form.

The evidence of a connection counts in bits what could have been otherwise (`credkit.explain.agreement`),
less what chance has in so many comparisons: each is given a share of it that is the smaller, the
more seldom its presentations are met (2 ** -cost), and the sum of all shares is taken off.

Source: common practice, no source.

>>> best, *others = relate("04112233445566", "0860116326")
>>> best.first, best.second, best.bits, round(best.evidence)
('hex:14', 'decimal:32,10', 32, 27)
>>> best.source, best.target
('hex:14/keep-low:32', 'decimal:32,10')
>>> relate("1234567", "7654321")
()
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import product
from math import log2
from random import Random

from bitstring import Bits

from credkit.core.codec import AnyCodec
from credkit.core.errors import CredkitError, DefinitionError
from credkit.core.forms import to_bits
from credkit.explain.agreement import Comparison, Read, compare, ties
from credkit.explain.candidates import BLANKS, CUT, LEVELS, ORDERS, named
from credkit.explain.presentations import SIZES, Presentation, presentations

LEAST = 4.0  # bits of evidence of a connection that is shown: chance makes one in 16 pairs of texts at most
SAMPLES = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Connection:
    """Two presentations of one serial: ``first`` and ``second`` are chains from the texts to bits of it.

    ``bits`` of the serial stand in both texts and agree. ``evidence`` counts, in bits, only what could
    have been otherwise, and what was tried: two texts of different cards show a connection of n bits of
    evidence once in 2 ** n times. ``source`` and ``target`` are the chains with which the first text is
    converted to the second, where it has all that the second needs; they are empty where not.
    """

    first: str
    second: str
    bits: int
    evidence: float
    size: int
    words: tuple[str, str]
    source: str = ""
    target: str = ""


def relate(one: str, other: str) -> tuple[Connection, ...]:
    """The connections between two texts of the same card, the best founded first; none if there is none.

    Raises `DefinitionError` for what is not a text.
    """
    for text in (one, other):
        if not isinstance(text, str):
            raise DefinitionError("relate: two texts are needed")
    found = [each for size in SIZES for each in _comparisons(one.strip(BLANKS), other.strip(BLANKS), size)]
    tried: dict[Hashable, float] = {}
    for each in found:
        tried[each.demand] = max(tried.get(each.demand, 0.0), 2 ** -_cost(each))
    chance = log2(sum(tried.values())) if tried else 0.0
    near = max((each for each in found if each.near), key=lambda each: each.bits, default=None)
    good = [(each, evidence) for each in found if each.agree and (evidence := _worth(each, near) - chance) >= LEAST]
    good.sort(key=lambda pair: (_cost(pair[0]) + _misfit(pair[0]) - pair[0].bits, pair[0].first.size))
    return tuple(_connection(each, evidence) for each, evidence in _distinct(good))


def readable(text: str) -> bool:
    """Whether any presentation reads ``text``."""
    return any(_readings(text.strip(BLANKS), size) for size in SIZES)


def _readings(text: str, size: int) -> list[Read]:
    """What every presentation reads in ``text``."""
    return [read for row in presentations(size) if (read := Read.of(row, size, text))]


def _comparisons(one: str, other: str, size: int) -> Iterator[Comparison]:
    """Every reading of the one text with every reading of the other."""
    for first, second in product(_readings(one, size), _readings(other, size)):
        if found := compare(first, second):
            yield found


def _worth(found: Comparison, near: Comparison | None) -> float:
    """What speaks for an agreement, in bits, less what its presentations cost.

    Where the texts look like cards of one box in another order, it is no more than that leaves open.
    """
    left = ties(found, near) if near else 0
    return (min(found.evidence, left) if left else found.evidence) - _cost(found)


def _cost(found: Comparison) -> float:
    """How seldom such a pair of presentations is."""
    return _seldom(found.first.row) + _seldom(found.second.row)


@cache
def _seldom(row: Presentation) -> float:
    """How seldom a presentation is: what its order costs, and what is left out."""
    orders = [step.name for step in row.codec.steps[1:] if step.name in ORDERS]
    left_out = CUT if row.digits else float(row.part != "all")
    return sum(ORDERS[order] for order in orders) + left_out + 0.1 * len(row.codec.steps)


def _misfit(found: Comparison) -> float:
    """What it costs that a whole serial does not look like one: no layout of its size may object."""
    whole = next((each for each in (found.first, found.second) if each.row.part == "all" and not each.row.digits), None)
    if not whole:
        return 0.0
    readings = [codec.inspect(to_bits((whole.word, whole.size))) for codec in _serials(whole.size)]
    return -sum(
        sum(LEVELS[note.level] for note in reading.notes) if reading.ok else LEVELS["refuse"] for reading in readings
    )


@cache
def _serials(size: int) -> tuple[AnyCodec, ...]:
    """The layouts of ``size`` bits that hold a serial number: they have one field, or two."""
    return tuple(codec for _, codec in named("bits", "fields") if codec.length == size and len(codec.schema) <= 2)


def _distinct(ranked: Sequence[tuple[Comparison, float]]) -> Iterator[tuple[Comparison, float]]:
    """The first of those that write the same for every serial."""
    kept: list[Comparison] = []
    for each, evidence in ranked:
        if not any(other.bits == each.bits and same(other, each) for other in kept):
            kept.append(each)
            yield each, evidence


def same(one: Comparison, other: Comparison) -> bool:
    """Whether two connections turn texts of the one reader into the same texts of the other."""
    first, second = one.first, one.second
    random = Random(first.row.codec.name)
    for _ in range(SAMPLES):
        serial = Bits(uint=random.getrandbits(first.size), length=first.size)
        try:
            left, right = first.row.write(serial), second.row.write(serial)
        except CredkitError:
            return False
        mine = Read.of(other.first.row, other.first.size, left, exact=False)
        theirs = Read.of(other.second.row, other.second.size, right, exact=False)
        again = compare(mine, theirs) if mine and theirs else None
        if not again or not again.agree:
            return False
    return True


def _connection(found: Comparison, evidence: float) -> Connection:
    first, second = found.first, found.second
    source = target = ""
    if _holds(first, second):
        source, target = first.row.codec.name, second.row.codec.name
        if second.row.bits < first.row.bits:
            source += f"/keep-{second.row.part}:{second.row.bits}"
    return Connection(
        first=first.row.codec.name, second=second.row.codec.name, bits=found.bits, evidence=evidence, size=first.size,
        words=(first.row.title, second.row.title), source=source, target=target,
    )  # fmt: skip


def _holds(first: Read, second: Read) -> bool:
    """Whether all that the second text has stands in the first."""
    same = (first.row.part, first.row.bits) == (second.row.part, second.row.bits)
    return not first.row.digits and (first.row.part == "all" or same)
