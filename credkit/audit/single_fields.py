"""Single fields: readers of which every number has one value in a field, though the cards that they read differ in it.

Such a reader is known by the cards that its unknown numbers would be with another value: those of the register. It is
told from samples of unknown numbers, and is a proposal to check at the reader.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

from credkit.audit.constant_fields import VARIES
from credkit.audit.facts import Facts, RegisterVerdict
from credkit.audit.plan import AuditPlan, ChainUse
from credkit.core.fields import Item

LEAST_NUMBERS = 3  # different unknown numbers that are those of known cards with another value
LEAST_SAMPLED = 6  # different unknown numbers: of fewer, one value in all of them shows little
LEAST_SHARE_MATCHED = 0.5  # of the sampled ones
NumberValues = tuple[Item, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SingleField:
    """A reader that seems to send one ``value`` of the field ``name`` for all cards.

    Of the ``sampled`` of its ``unknown`` rows' numbers, ``matched`` are those of known cards with one of ``others``.
    """

    reader: str
    name: str
    value: Item
    matched: int
    sampled: int
    others: tuple[Item, ...]
    unknown: int


def find_single_fields(plan: AuditPlan, facts: Facts) -> Iterator[SingleField]:
    """The readers of a site that seem to send one value of a field for all cards, as far as the register tells."""
    if plan.site is None or plan.register is None:
        return
    for code in sorted(facts.readers):
        for use in plan.uses:
            unknown = facts.compared.counts_of(code).get((use.place, RegisterVerdict.UNKNOWN), 0)
            if unknown >= LEAST_SAMPLED:
                yield from _find_of_use(plan, facts, code, use, unknown)


def _find_of_use(plan: AuditPlan, facts: Facts, code: int, use: ChainUse, unknown: int) -> Iterator[SingleField]:
    assert plan.register is not None
    assert use.kind is not None
    kind, known = use.kind, plan.register.values(use.kind.namespace)
    constants = facts.constants.values_of(code, use.place)
    places = [
        place for place, value in enumerate(constants) if value != VARIES and kind.key[place] != kind.issue
    ]  # fmt: skip
    sample = facts.strangers.get((code, use.place), {}) if places else {}
    decoded = (use.codec._decode_raw(text) for text in sample)
    numbers = {kind.number_in(fields) for fields in decoded if fields is not None}
    if len(numbers) < LEAST_SAMPLED:
        return
    for place in places:
        rests = {_without(number, place) for number in numbers}
        siblings = defaultdict[NumberValues, set[Item]](set)
        for number in known:
            if (rest := _without(number, place)) in rests:
                siblings[rest].add(number[place])
        if len(siblings) >= LEAST_NUMBERS and len(siblings) >= LEAST_SHARE_MATCHED * len(rests):
            yield SingleField(
                reader=plan.names[code], name=kind.key[place], value=constants[place], matched=len(siblings),
                sampled=len(rests), others=tuple(sorted(set().union(*siblings.values()), key=str)), unknown=unknown,
            )  # fmt: skip
            return


def _without(number: NumberValues, place: int) -> NumberValues:
    return (*number[:place], *number[place + 1 :])
