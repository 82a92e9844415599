"""Known numbers, put in their places: which of the stretches that fit, and how far each reaches."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

from credkit.discover.clock import Clock
from credkit.discover.evidence import LIKELY_BITS
from credkit.discover.knownfields import KnownField, find_known, with_spare_bits


class PlacedNumbers(NamedTuple):
    """Known numbers that have a place, and the names of those that have none or several."""

    fields: tuple[KnownField, ...]
    unplaced: tuple[str, ...]


def search_known(
    known: Mapping[str, Sequence[int | None]], frames: Sequence[int], length: int, clock: Clock
) -> PlacedNumbers:
    """Where each known number may stand, each searched for by itself."""
    fields, unplaced = [], []
    for done, (name, numbers) in enumerate(known.items()):
        clock.show("placing known numbers", done, len(known))
        field = None if clock.is_over else find_known(name, numbers, frames, length)
        if field is None:
            unplaced.append(name)
        else:
            fields.append(field)
    return PlacedNumbers(tuple(fields), tuple(unplaced))


def is_sure(field: KnownField) -> bool:
    """Whether the numbers fix the place beyond chance."""
    return field.evidence >= LIKELY_BITS and not field.rivals


def settle_known(
    found: PlacedNumbers, constants: Sequence[tuple[int, int]], check_bits: Collection[int], length: int
) -> PlacedNumbers:
    """One place for each number, no two of which overlap; of several places the one that is next to something known.

    Constant zeros in front of a number are taken in, but not one at an end of a frame whose other end has a check bit.

    >>> from credkit.discover.knownfields import find_known
    >>> frames = [5 << 9 | n for n in (300, 77, 12, 411, 256)]  # a company of four bits, and a number of nine
    >>> fields = (find_known("company", [5] * 5, frames, 13), find_known("number", [300, 77, 12, 411, 256], frames, 13))
    >>> constants = [(0, 0), (1, 1), (2, 0), (3, 1)]
    >>> settled = settle_known(PlacedNumbers(fields, ()), constants, (), 13)
    >>> [(each.name, (*each.spare, *each.places)) for each in settled.fields]
    [('company', (0, 1, 2, 3)), ('number', (4, 5, 6, 7, 8, 9, 10, 11, 12))]
    """
    taken = set(check_bits)
    fields: list[KnownField] = []
    unplaced = list(found.unplaced)
    for field in sorted(found.fields, key=lambda each: (bool(each.rivals), -each.evidence)):
        places = [each for each in (field.places, *field.rivals) if not taken & set(each)]
        if field.rivals:
            beside = [each for each in places if max(each) + 1 in taken or min(each) - 1 in taken]
            places = beside or places
        if len(places) != 1 or field.evidence < 0:
            unplaced.append(field.name)
            continue
        taken |= set(places[0])
        fields.append(replace(field, places=places[0], rivals=()))
    ends = {0, length - 1}
    reserved = ends - set(check_bits) if ends & set(check_bits) else set()
    widened = []
    for field in sorted(fields, key=lambda each: -each.evidence):
        wide = with_spare_bits(field, constants, (*taken, *reserved), length)
        taken |= set(wide.spare)
        widened.append(wide)
    return PlacedNumbers(tuple(sorted(widened, key=lambda each: min(each.places))), tuple(unplaced))
