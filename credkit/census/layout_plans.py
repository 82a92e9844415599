"""Plans: the smallest layout of facility codes and numbers that holds a population with room to grow.

The candidates are the layouts of the catalogue whose fields are a facility code and a number. All numbers of a facility
code are used before the next code; number 0 counts.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import NamedTuple

from credkit.catalogue.index import INDEX
from credkit.catalogue.registry import chain
from credkit.census.ranges import FACILITY, NUMBER
from credkit.census.result import LayoutPlan, NamespacePlans
from credkit.core.reading import Field

GROWTH_PERCENT = 25


class FacilityLayout(NamedTuple):
    """A layout of ``length`` bits with a facility code and a number."""

    name: str
    length: int
    facility: Field
    number: Field


@lru_cache(maxsize=1)
def facility_layouts() -> tuple[FacilityLayout, ...]:
    """The layouts with a facility code and a number, the shortest first."""
    found = []
    for row in INDEX:
        if (row.takes, row.gives, row.signature) != ("bits", "fields", ""):
            continue
        codec = chain(row.name)
        facility, number = codec.schema.get(FACILITY), codec.schema.get(NUMBER)
        if isinstance(facility, Field) and isinstance(number, Field) and len(codec.schema) == 2 and codec.length:
            found.append(FacilityLayout(row.name, codec.length, facility, number))
    return tuple(sorted(found, key=lambda layout: layout.length))


def plan_layouts(namespace: str, cards: int, room: int = GROWTH_PERCENT) -> NamespacePlans:
    """The plans for ``cards`` with ``room`` percent to grow; the shortest frame that fits is the smallest.

    >>> found = plan_layouts("harbour", 100_000)
    >>> [(each.layout, each.facilities) for each in found.plans if each.smallest]
    [('wiegand-26', 2)]
    """
    needed = -(-cards * (100 + room) // 100)
    plans = []
    for name, length, facility, number in facility_layouts():
        facilities = -(-needed // (number.most - number.least + 1))
        plans.append(
            LayoutPlan(
                layout=name, length=length, facility_bits=round(facility.room), number_bits=round(number.room),
                facilities=facilities, fits=facilities <= facility.most - facility.least + 1,
            )
        )  # fmt: skip
    smallest = next((place for place, each in enumerate(plans) if each.fits), None)
    if smallest is not None:
        plans[smallest] = replace(plans[smallest], smallest=True)
    return NamespacePlans(namespace=namespace, cards=cards, needed=needed, plans=tuple(plans))
