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
from credkit.core.sentences import brief, format_count
from credkit.explain.agreement import Comparison, SerialReading, compare, required_chance_bits
from credkit.explain.candidates import BLANKS, NOTE_LEVEL_EVIDENCE, ORDER_COSTS, TRUNCATION_COST, usual_codecs
from credkit.explain.presentations import SERIAL_BITS, Presentation, presentations

MIN_EVIDENCE_BITS = 4.0  # bits of evidence of a connection that is shown: chance makes one in 16 pairs of texts at most
COMPARED_SAMPLES = 6


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
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

    def __repr__(self) -> str:
        agree = f"{format_count(self.bits, 'bit')} agree, {format_count(round(self.evidence), 'bit')} of evidence"
        return f"<Connection {brief(f'{self.first} to {self.second}')}: {agree}>"


def relate(one: str, other: str) -> tuple[Connection, ...]:
    """The connections between two texts of the same card, the best founded first; none if there is none.

    Raises `DefinitionError` for what is not a text.

    A card of Brackwater Terminal, as the gate and the old clock type it:

    >>> relate("04112233445566", "0860116326")[0]
    <Connection hex:14 to decimal:32,10: 32 bits agree, 27 bits of evidence>
    >>> from credkit import convert
    >>> best = relate("04112233445566", "0860116326")[0]
    >>> convert("04112233445566", source=best.source, target=best.target)
    '0860116326'
    """
    for text in (one, other):
        if not isinstance(text, str):
            raise DefinitionError("relate: two texts are needed")
    found = [each for size in SERIAL_BITS for each in _comparisons(one.strip(BLANKS), other.strip(BLANKS), size)]
    tried: dict[Hashable, float] = {}
    for each in found:
        tried[each.demand] = max(tried.get(each.demand, 0.0), 2 ** -_pair_cost(each))
    chance = log2(sum(tried.values())) if tried else 0.0
    near = max((each for each in found if each.is_near), key=lambda each: each.bits, default=None)
    good = [
        (each, evidence)
        for each in found
        if each.agrees and (evidence := _agreement_evidence(each, near) - chance) >= MIN_EVIDENCE_BITS
    ]
    good.sort(key=lambda pair: (_pair_cost(pair[0]) + _misfit_cost(pair[0]) - pair[0].bits, pair[0].first.size))
    return tuple(_build_connection(each, evidence) for each, evidence in _drop_equivalent(good))


def is_readable(text: str) -> bool:
    """Whether any presentation reads ``text``."""
    return any(_serial_readings(text.strip(BLANKS), size) for size in SERIAL_BITS)


def _serial_readings(text: str, size: int) -> list[SerialReading]:
    """What every presentation reads in ``text``."""
    return [read for row in presentations(size) if (read := SerialReading.from_text(row, size, text))]


def _comparisons(one: str, other: str, size: int) -> Iterator[Comparison]:
    """Every reading of the one text with every reading of the other."""
    for first, second in product(_serial_readings(one, size), _serial_readings(other, size)):
        if found := compare(first, second):
            yield found


def _agreement_evidence(found: Comparison, near: Comparison | None) -> float:
    """What speaks for an agreement, in bits, less what its presentations cost.

    Where the texts look like cards of one box in another order, it is no more than that leaves open.
    """
    left = required_chance_bits(found, near) if near else 0
    return (min(found.evidence, left) if left else found.evidence) - _pair_cost(found)


def _pair_cost(found: Comparison) -> float:
    """How seldom such a pair of presentations is."""
    return _presentation_cost(found.first.presentation) + _presentation_cost(found.second.presentation)


@cache
def _presentation_cost(row: Presentation) -> float:
    """How seldom a presentation is: what its order costs, and what is left out."""
    orders = [step.name for step in row.codec.steps[1:] if step.name in ORDER_COSTS]
    left_out = TRUNCATION_COST if row.digits else float(row.part != "all")
    return sum(ORDER_COSTS[order] for order in orders) + left_out + 0.1 * len(row.codec.steps)


def _misfit_cost(found: Comparison) -> float:
    """What it costs that a whole serial does not look like one: no layout of its size may object."""
    whole = next(
        (
            each
            for each in (found.first, found.second)
            if each.presentation.part == "all" and not each.presentation.digits
        ),
        None,
    )
    if not whole:
        return 0.0
    readings = [codec.inspect(to_bits((whole.word, whole.size))) for codec in _serial_layouts(whole.size)]
    return -sum(
        sum(NOTE_LEVEL_EVIDENCE[note.level] for note in reading.notes) if reading.ok else NOTE_LEVEL_EVIDENCE["refuse"]
        for reading in readings
    )


@cache
def _serial_layouts(size: int) -> tuple[AnyCodec, ...]:
    """The layouts of ``size`` bits that hold a serial number: they have one field, or two."""
    return tuple(
        codec for _, codec in usual_codecs("bits", "fields") if codec.length == size and len(codec.schema) <= 2
    )


def _drop_equivalent(ranked: Sequence[tuple[Comparison, float]]) -> Iterator[tuple[Comparison, float]]:
    """The first of those that write the same for every serial."""
    kept: list[Comparison] = []
    for each, evidence in ranked:
        if not any(other.bits == each.bits and are_equivalent(other, each) for other in kept):
            kept.append(each)
            yield each, evidence


def are_equivalent(one: Comparison, other: Comparison) -> bool:
    """Whether two connections turn texts of the one reader into the same texts of the other."""
    first, second = one.first, one.second
    random = Random(first.presentation.codec.name)
    for _ in range(COMPARED_SAMPLES):
        serial = Bits(uint=random.getrandbits(first.size), length=first.size)
        try:
            left, right = first.presentation.encode(serial), second.presentation.encode(serial)
        except CredkitError:
            return False
        mine = SerialReading.from_text(other.first.presentation, other.first.size, left, exact=False)
        theirs = SerialReading.from_text(other.second.presentation, other.second.size, right, exact=False)
        again = compare(mine, theirs) if mine and theirs else None
        if not again or not again.agrees:
            return False
    return True


def _build_connection(found: Comparison, evidence: float) -> Connection:
    first, second = found.first, found.second
    source = target = ""
    if _covers(first, second):
        source, target = first.presentation.codec.name, second.presentation.codec.name
        if second.presentation.bits < first.presentation.bits:
            source += f"/keep-{second.presentation.part}:{second.presentation.bits}"
    return Connection(
        first=first.presentation.codec.name, second=second.presentation.codec.name, bits=found.bits,
        evidence=evidence, size=first.size,
        words=(first.presentation.title, second.presentation.title), source=source, target=target,
    )  # fmt: skip


def _covers(first: SerialReading, second: SerialReading) -> bool:
    """Whether all that the second text has stands in the first."""
    same = (first.presentation.part, first.presentation.bits) == (second.presentation.part, second.presentation.bits)
    return not first.presentation.digits and (first.presentation.part == "all" or same)
