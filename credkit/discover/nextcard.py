"""The next card: which one would decide most between the readings that fit.

A check may or may not cover a bit that was the same in every frame; a number may or may not be wider than the largest
one seen. Each kind of card that could be presented splits these readings; the one with the most expected information
is named.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from math import log2
from random import Random

from credkit.core.frozen import FrozenMapping
from credkit.core.reading import describe_places
from credkit.discover.evidence import samples_missing
from credkit.discover.foundlayout import FoundLayout, NextCard
from credkit.discover.gf2 import mask_of
from credkit.discover.relations import Relation

LEAST_BITS = 0.05  # of expected information; less is not worth a card
DRAWS = 16  # cards of an unknown kind that are averaged over
MOST_READINGS = 64  # covers of one check that are compared


def find_next_card(found: FoundLayout) -> NextCard | None:
    """The card that separates the readings of ``found`` most; None if every reading is decided."""
    best: NextCard | None = None
    for card in _cards(found):
        if card.bits >= LEAST_BITS and (best is None or card.bits > best.bits + 1e-9):
            best = card
    return best


def _cards(found: FoundLayout) -> Iterator[NextCard]:
    still = {place for place, _ in found.constants}
    for field in found.fields:
        if field.number is not None and (spare := field.number.spare):
            least = 1 << (len(field.places) - len(spare))
            bits = _entropy([1.0, float(len(spare))]) + _check_bits(found, {spare[-1]})
            yield NextCard(
                text=f"a card with {field.name} of {least + field.number.offset} or more: bit {spare[-1]} was always 0",
                bits=bits, numbers=FrozenMapping({field.name: least + field.number.offset}),
            )  # fmt: skip
    for field in found.fields:
        if field.kind == "known" and set(field.places) & still:
            places = sorted(set(field.places) & still)
            yield NextCard(
                text=f"a card with another {field.name}: {describe_places('bits', tuple(places))} never varied",
                bits=_average(found, places),
            )  # fmt: skip
        elif field.kind == "constant":
            where = describe_places("bits", field.places)
            yield NextCard(
                text=f"a card of another site, order or box: in every frame so far, {where} had {field.value}",
                bits=_average(found, field.places) + 0.5,
            )  # fmt: skip
    missing = [samples_missing(each.evidence) for each in (*found.checks, *found.possible)]
    if any(missing) or not found.checks:
        doubt = sum(_entropy([1.0, 2.0 ** min(each.evidence, 40)]) / 2 for each in found.possible)
        doubt += sum(_entropy([1.0, 2.0 ** min(each.evidence, 40)]) / 2 for each in found.checks)
        yield NextCard(text="a card unlike the others: another box, another site", bits=max(doubt, LEAST_BITS))


def _average(found: FoundLayout, places: Sequence[int]) -> float:
    """The expected information of a card in which half of ``places`` differ, one does not know which."""
    source = Random(len(places))
    total = 0.0
    for _ in range(DRAWS):
        changed = {place for place in places if source.random() < 0.5} or {source.choice(list(places))}
        total += _check_bits(found, changed)
    return total / DRAWS


def _check_bits(found: FoundLayout, changed: set[int]) -> float:
    """What a card that differs in ``changed`` tells of the covers of the checks."""
    over = mask_of(changed)
    return sum(_split(check, over) for check in found.checks)


def _split(check: Relation, over: int) -> float:
    odds: dict[int, float] = defaultdict(float)
    for cover in (check.cover, *check.others[:MOST_READINGS]):
        odds[(mask_of(cover.places) & over).bit_count() % 2] += 2.0**-cover.cost
    return _entropy(list(odds.values()))


def _entropy(odds: Sequence[float]) -> float:
    """How many bits one learns from an outcome with these odds.

    >>> _entropy([1, 1]), _entropy([3])
    (1.0, 0.0)
    """
    whole = sum(odds)
    return -sum(part / whole * log2(part / whole) for part in odds if part) + 0.0
