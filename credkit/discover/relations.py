"""Parity relations: the sums of bits that hold for every frame, as checks that a person can read.

Linear algebra gives every affine relation of the frames at once. Most of them say little: bits that did not vary, bits
that moved together. The search asks which relations the frames have *tested*, states each in the form that takes the
fewest words (a stretch of bits, every third bit, …), and takes the sparsest first. Relations that differ only by what
the frames have not tested are one relation, with other covers that fit as well.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from math import inf

from credkit.discover.covers import Cover, covers_of, description_bits, distance_from_half, regular_sets
from credkit.discover.evidence import (
    ESTABLISHED_BITS,
    FEWEST_SEPARATED,
    LIKELY_BITS,
    POSSIBLE_BITS,
    Confidence,
    Tested,
    confidence_of,
    weigh_patterns,
)  # fmt: skip
from credkit.discover.gf2 import Span, columns, coordinates, mask_of, null_space, positions_of, sums

# A check at the other end, over what the first one leaves: four times as likely as not, in practice (from memory).
PARTNER_COST = -2.0
FEWEST_ADDED = 3  # bits of a sum of relations whose runs count: it is no claim of its own
MOST_ENUMERATED = 12  # relations of which every sum is looked at
MOST_SUMMED = 8  # accepted relations with whose sums a new one is compared
PATTERN_SAMPLE = 1000  # frames in which patterns are counted


@dataclass(frozen=True, slots=True, kw_only=True)
class Relation:
    """A parity that holds for every frame: ``mask`` over positions and the constant, and how it is read.

    ``tested`` are the bits that varied; whether the other bits of the cover belong to it is not known.
    ``others`` are covers that fit the frames as well.
    """

    mask: int
    cover: Cover
    tested: tuple[int, ...]
    others: tuple[Cover, ...]
    patterns: int
    evidence: float

    @property
    def confidence(self) -> Confidence:
        """How sure the relation is."""
        return confidence_of(self.evidence) or "possible"

    def is_odd(self, length: int) -> bool:
        """Whether the number of ones is odd, parity bit and covered bits together."""
        return bool(self.mask >> length & 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Relations:
    """What linear algebra finds in frames of one length.

    ``rank`` is the number of independent directions in which the frames differ; ``constants`` the bits that never vary;
    ``claimed`` relations are likely or established; ``possible`` ones may be chance.
    """

    length: int
    count: int
    rank: int
    constants: tuple[tuple[int, int], ...]
    claimed: tuple[Relation, ...]
    possible: tuple[Relation, ...]
    untested: int  # relations that hold and are tested too little to be told from chance


def find_relations(
    frames: Sequence[int], length: int, *, given: Iterable[int] = (), data_bits: Collection[int] = (), cost: float = 0.0
) -> Relations:
    """The relations of different ``frames``; those spanned by ``given`` are known already and are not stated again.

    Bits that are known to be ``data_bits`` are not taken for parity bits where there is a choice. ``cost`` is what a
    choice made before takes off the evidence: of the frames that were left out.

    >>> found = find_relations([n << 1 | n.bit_count() & 1 for n in range(3, 9999, 77)], 16)
    >>> [(each.cover.bit, each.cover.covers[-1], round(each.evidence) > 20) for each in found.claimed]
    [(15, 14, True)]
    """
    return _Search(frames, length, given, frozenset(data_bits), cost).run()


class _Search:
    def __init__(
        self, frames: Sequence[int], length: int, given: Iterable[int], data_bits: frozenset[int], cost: float
    ) -> None:
        self.length, self.count, self.cost, self.data_bits = length, len(frames), cost, data_bits
        step = max(1, len(frames) // PATTERN_SAMPLE)
        self.sample = frames[::step]
        vectors = columns(frames, length)
        *self.values, self.one = coordinates([*vectors, (1 << self.count) - 1])
        self.constants = tuple(
            (place, int(value == self.one)) for place, value in enumerate(self.values) if value in (0, self.one)
        )
        self.known = Span(1 << place | bit << length for place, bit in self.constants)
        self.all = null_space(vectors, self.count)
        self.rank = length - len(self.all)
        still = mask_of(place for place, _ in self.constants)
        self.varying = ((1 << length) - 1) & ~still
        for mask in given:
            self.known.add(mask)
        self.modulo = self.known.copy()  # and what is never a claim: two bits that only change together
        self.tied = 0
        self.add_ties()
        self.weighed: dict[tuple[int, int], Tested] = {}

    def run(self) -> Relations:
        classes = self.regular_classes()
        accepted: list[Relation] = []
        self.accept(classes, accepted, ESTABLISHED_BITS)
        self.accept(classes, accepted, LIKELY_BITS)
        rest = self.irregular_classes(accepted)
        if rest:
            self.accept(rest, accepted, LIKELY_BITS)
        accepted = self.sparsest(classes, accepted)
        claimed = tuple(accepted)
        self.accept(classes, accepted, POSSIBLE_BITS)
        span = self.known.copy()
        for each in accepted:
            span.add(each.mask)
        return Relations(
            length=self.length, count=self.count, rank=self.rank, constants=self.constants, claimed=claimed,
            possible=tuple(accepted[len(claimed) :]), untested=sum(1 for mask in self.all if span.copy().add(mask)),
        )  # fmt: skip

    def add_ties(self) -> None:
        """Note the bits that change together: they may be the high bits of one number."""
        first: dict[int, int] = {}
        for place in positions_of(self.varying):
            value = self.values[place]
            same = min(value, value ^ self.one)
            if same in first:
                other = first[same]
                constant = 1 << self.length if self.values[other] != value else 0
                self.modulo.add(1 << place | 1 << other | constant)
                self.tied |= 1 << place | 1 << other
            else:
                first[same] = place

    # ── candidates ──────────────────────────────────────────────────────────────────────────────

    def regular_classes(self) -> dict[int, list[Cover]]:
        """The regular sets whose sum is constant, those together that differ by constant bits only."""
        by_value: dict[int, list[int]] = {}
        for place in positions_of(self.varying):
            by_value.setdefault(self.values[place], []).append(place)
        found: dict[int, list[Cover]] = {}
        for mask, total, kind in regular_sets(self.values):
            if total in (0, self.one):
                self.put(found, covers_of(self.length, mask, kind, self.varying))
            for bit in (*by_value.get(total, ()), *by_value.get(total ^ self.one, ())):
                if not mask >> bit & 1:
                    self.put(found, covers_of(self.length, mask, kind, self.varying, extra=bit))
        return found

    def put(self, found: dict[int, list[Cover]], covers: Iterable[Cover]) -> None:
        for cover in covers:
            key = self.modulo.reduce(self.relation_over(cover.places))
            if (key & self.varying).bit_count() > 2:
                found.setdefault(key, []).append(cover)

    def relation_over(self, places: Iterable[int]) -> int:
        total = 0
        for place in places:
            total ^= self.values[place]
        return mask_of(places) | (1 << self.length if total else 0)

    def irregular_classes(self, accepted: Sequence[Relation]) -> dict[int, list[Cover]]:
        """Other relations, each as the sparsest sum that has it, or all solved for the last bits of the frame."""
        span = self.modulo.copy()
        for each in accepted:
            span.add(each.mask)
        left = [mask for mask in self.all if span.add(mask)]
        if not left or self.count - 1 - LIKELY_BITS < self.length / 2:
            return {}
        reduced = [self.modulo.reduce(mask) for mask in (*left, *(each.mask for each in accepted))]
        if len(reduced) <= MOST_ENUMERATED:
            chosen = sorted((mask for mask in sums(reduced) if mask), key=lambda mask: (mask.bit_count(), mask))
        else:
            chosen = sorted(solved_for_last(reduced, self.length))
        found = {}
        for mask in chosen:
            if mask and mask not in found and (mask & self.varying).bit_count() > 2:
                found[mask] = [self.irregular_cover(mask)]
        return found

    def irregular_cover(self, mask: int) -> Cover:
        places = positions_of(mask & ~(1 << self.length))
        last = self.length - 1
        free = [place for place in places if place not in self.data_bits] or list(places)
        bit = 0 if 0 in free and last not in free else free[-1]
        covers = tuple(place for place in places if place != bit)
        cost = description_bits(self.length, bit, mask_of(covers), "irregular", self.varying.bit_count())
        return Cover(bit=bit, covers=covers, kind="irregular", cost=cost)

    # ── acceptance ──────────────────────────────────────────────────────────────────────────────

    def weigh(self, key: int, fewest: int = FEWEST_SEPARATED) -> Tested:
        """How many patterns the bits of a relation show, and how much that tests it."""
        if (key, fewest) not in self.weighed:
            word = sum(1 << (self.length - 1 - place) for place in positions_of(key & self.varying))
            self.weighed[key, fewest] = weigh_patterns(self.sample, self.length, word, fewest)
        return self.weighed[key, fewest]

    def accept(self, classes: dict[int, list[Cover]], accepted: list[Relation], least: float) -> None:
        """Accept classes with at least so much evidence, each by what it adds to those before it.

        Of established relations the sparsest is first; of others the one with most evidence.
        """
        span = self.modulo.copy()
        for each in accepted:
            span.add(each.mask)
        costs = {key: min(cover.cost for cover in covers) + self.cost for key, covers in classes.items()}
        waiting = list(classes)
        while True:
            best: tuple[tuple[int, int, int], int, float] | None = None
            for key in list(waiting):
                if key in span:
                    waiting.remove(key)
                    continue
                cost = costs[key]
                if self.partners(classes[key], accepted):
                    cost = min(cost, PARTNER_COST + self.cost)
                tested = self.weigh(key).bits - cost
                weight = (key & self.varying).bit_count()
                order = (0 if least >= ESTABLISHED_BITS else -round(tested), weight, key)
                if tested >= least and (best is None or order < best[0]):
                    tested = min(tested, self.added_test(key, accepted))
                    if tested >= least:
                        best = order, key, tested
            if best is None:
                return
            _, key, tested = best
            waiting.remove(key)
            span.add(key)
            accepted.append(self.build(key, classes[key], accepted, tested))

    def sparsest(self, classes: dict[int, list[Cover]], accepted: Sequence[Relation]) -> list[Relation]:
        """The same claims in the sparsest regular relations that follow from them.

        What follows from several is as sure as the least sure of them, or as its own test makes it.
        """
        before = {self.modulo.reduce(each.mask): each for each in accepted}
        within = Span(before)
        choice = [key for key in classes if key in within]
        choice.sort(key=lambda key: ((key & self.varying).bit_count(), min(cover.cost for cover in classes[key]), key))
        least = min((each.evidence for each in accepted), default=0.0)
        chosen = Span()
        found: list[Relation] = []
        for key in (*choice, *before):
            if chosen.add(key):
                own = before.get(key)
                if own is None:
                    cost = min(cover.cost for cover in classes[key]) + self.cost
                    own = self.build(key, classes[key], found, max(least, self.weigh(key).bits - cost))
                found.append(own)
        return found

    def added_test(self, key: int, accepted: Sequence[Relation]) -> float:
        """The least that is tested of the relation plus any sum of those before it, in bits.

        What it costs to describe the relation is not taken off: a sum of described ones is not chosen freely.
        """
        before = [self.modulo.reduce(each.mask) for each in accepted]
        several = sums(before[:MOST_SUMMED]) if len(before) <= MOST_SUMMED else iter((0, *before))
        return min((self.weigh(key ^ total, FEWEST_ADDED).bits for total in several), default=inf)

    def partners(self, covers: Sequence[Cover], accepted: Sequence[Relation]) -> bool:
        """Whether one of the covers belongs to one that is accepted, as the other half of the frame does."""
        return any(is_partner(self.length, each.cover, cover) for each in accepted for cover in covers)

    def build(self, key: int, covers: list[Cover], accepted: Sequence[Relation], tested: float) -> Relation:
        def order(cover: Cover) -> tuple[bool, bool, float, int, int, tuple[int, ...]]:
            partner = any(is_partner(self.length, each.cover, cover) for each in accepted)
            taken = cover.bit in self.data_bits or any(each.cover.bit == cover.bit for each in accepted)
            return (
                taken,
                not partner,
                cover.cost,
                distance_from_half(self.length, cover.bit, cover.covers),
                len(cover.covers),
                cover.covers,
            )

        first, *others = sorted(set(covers), key=order)
        mask = self.relation_over(first.places)
        return Relation(
            mask=mask, cover=first, tested=positions_of(key & self.varying & ~self.tied), others=tuple(others),
            patterns=self.weigh(key).patterns, evidence=tested,
        )  # fmt: skip


def is_partner(length: int, one: Cover, other: Cover) -> bool:
    """Whether two contiguous covers with parity bits at the two ends meet in the middle, or mirror each other."""
    if one.kind != "contiguous" or other.kind != "contiguous" or {one.bit, other.bit} != {0, length - 1}:
        return False
    low, high = (one, other) if one.bit == 0 else (other, one)
    if low.covers[0] != 1 or high.covers[-1] != length - 2:
        return False
    return high.covers[0] == low.covers[-1] + 1 or high.covers[0] == length - 1 - low.covers[-1]


def solved_for_last(masks: Iterable[int], length: int) -> Iterator[int]:
    """The same relations, each with one bit that no other has, as far behind in the frame as can be."""
    constant = 1 << length

    def turned(mask: int) -> int:
        text = f"{mask & ~constant:0{length}b}"
        return int(text[::-1], 2) | mask & constant

    return (turned(mask) for mask in Span(map(turned, masks)))


def checks_in_order(relations: Sequence[Relation], length: int) -> tuple[Relation, ...]:
    """The relations so that each has a parity bit of its own, and none covers the parity bit of a later one.

    Those that cover each other's parity bits are replaced by sums of themselves.
    """
    waiting = sorted(relations, key=lambda row: row.cover.bit)
    ordered: list[Relation] = []
    while waiting:
        bits = [row.cover.bit for row in waiting]
        ready = [
            row
            for row in waiting
            if bits.count(row.cover.bit) == 1
            and not any(row.mask >> bit & 1 for bit in bits if bit != row.cover.bit)
            and row.cover.bit not in {done.cover.bit for done in ordered}
        ]
        if not ready:
            return (*ordered, *_solved(waiting, {row.cover.bit for row in ordered}, length))
        ordered.append(ready[0])
        waiting.remove(ready[0])
    return tuple(ordered)


def _solved(rows: Sequence[Relation], taken: Collection[int], length: int) -> Iterator[Relation]:
    """Relations with the same sums, each with a parity bit that stands in no other of them."""
    masks = [row.mask for row in rows]
    bits: list[int] = []
    for place, row in enumerate(rows):
        free = [bit for bit in positions_of(masks[place] & ~(1 << length)) if bit not in taken and bit not in bits]
        bit = row.cover.bit if row.cover.bit in free else free[-1]
        bits.append(bit)
        for other in range(len(masks)):
            if other != place and masks[other] >> bit & 1:
                masks[other] ^= masks[place]
    for row, mask, bit in zip(rows, masks, bits, strict=True):
        covers = positions_of(mask & ~(1 << length | 1 << bit))
        if (mask, bit) == (row.mask, row.cover.bit):
            yield row
        else:
            yield replace(row, mask=mask, cover=replace(row.cover, bit=bit, covers=covers, kind="irregular"), others=())
