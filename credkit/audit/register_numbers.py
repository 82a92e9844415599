"""The numbers of a site's register: which good readings are of a card that it has, and whether that was active.

Numbers are compared as `NumberSpace` writes them. They are found by a hash table with a place for each, so that a
reading takes two look-ups in memory, however many cards there are; only numbers that share a place are searched.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, datetime, time, timedelta

import numpy as np
import polars as pl

from credkit.audit.owners import NumberSpace
from credkit.bulk.words import Array
from credkit.core.fields import Item
from credkit.facts.damaged_columns import judge_rows
from credkit.facts.number_columns import narrow_to_64_bits
from credkit.facts.register_columns import are_repeated, find_superseded_rows, read_kinds
from credkit.facts.statuses import active_day_expressions
from credkit.files.times import EPOCH, MICROSECOND
from credkit.site.columns import load_credentials
from credkit.site.model import Site

NOBODY = -1  # the place of a number that the register does not have
FARTHEST_TIME = 1 << 62
FEWEST_SLOT_BITS = 12
SLOTS_PER_NUMBER_BITS = 3  # eight slots a number: one in sixteen shares its slot
MULTIPLIER = np.uint64(0x9E3779B97F4A7C15)  # 2**64 by the golden ratio, odd: it spreads numbers that follow each other


class RegisterSpace:
    """The numbers of a namespace in the register: sorted, with the time at which each ceased to be active.

    ``ends`` is in µs since 1970; `FARTHEST_TIME` where it is active still, and its negative where it never was.

    >>> space = RegisterSpace(np.array([7, 9], np.uint64), np.array([FARTHEST_TIME, 5_000]))
    >>> space.find(np.array([9, 8, 7], np.uint64)).tolist()
    [1, -1, 0]
    """

    def __init__(self, numbers: Array, ends: Array) -> None:
        self.numbers, self.ends = numbers, ends
        self.ended = np.append(ends != FARTHEST_TIME, np.False_)  # the last place is that of `NOBODY`
        bits = max(FEWEST_SLOT_BITS, len(numbers).bit_length() + SLOTS_PER_NUMBER_BITS)
        self._shift = np.uint64(64 - bits)
        slots = self._slots(numbers)
        self._place = np.zeros(1 << bits, np.int32)  # an empty slot has the first number, which is not in it
        self._place[slots] = np.arange(len(numbers), dtype=np.int32)
        others = np.flatnonzero(self._place[slots] != np.arange(len(numbers)))
        self._others, self._other_places = numbers[others], others
        self._shared = np.zeros(1 << bits, bool)
        self._shared[slots[others]] = True

    def _slots(self, numbers: Array) -> Array:
        found: Array = (numbers * MULTIPLIER >> self._shift).view(np.int64)
        return found

    def find(self, numbers: Array) -> Array:
        """The place of each of ``numbers``, or `NOBODY`."""
        if not len(self.numbers):
            return np.full(len(numbers), NOBODY, np.int32)
        slots = self._slots(numbers)
        places = self._place[slots]
        missed = np.flatnonzero(self.numbers[places] != numbers)
        if len(missed):
            places[missed] = NOBODY
            searched = missed[self._shared[slots[missed]]]
            if len(searched):
                at = np.searchsorted(self._others, numbers[searched])
                at[at == len(self._others)] = 0
                hit = self._others[at] == numbers[searched]
                places[searched[hit]] = self._other_places[at[hit]]
        return places

    def are_inactive(self, places: Array, moments: Array | None) -> Array:
        """Which of known numbers, read at ``moments`` in µs since 1970, were not active any more, or never were.

        Without moments only those that never were.
        """
        ends = self.ends[places]
        found: Array = ends == -FARTHEST_TIME if moments is None else ends <= moments
        return found


class RegisterNumbers:
    """The register of a site: the numbers of each of the ``spaces`` by namespace, and whose they are.

    Raises `DefinitionError` for a credentials file that cannot be read.
    """

    def __init__(self, site: Site, spaces: Mapping[str, NumberSpace]) -> None:
        rows = load_credentials(site)
        again = are_repeated(rows.select("credential"))
        superseded, _ = find_superseded_rows(rows.filter(again), site.rules)
        _, end = active_day_expressions(site)
        rows = rows.with_columns(active_until=end, counts=~pl.col("line").is_in(list(superseded)))
        ends = _ends_of_days(rows["active_until"], site)
        line = pl.col("line") // len(site.credentials.mapping.row_maps)  # of the file, also where it has several rows
        self.rows = rows.select(line, "person", "credential", "status", "active_until")
        self.file = site.credentials.name
        self.cards = 0
        self._parts: dict[str, list[tuple[Array, Array]]] = {}
        self._values: dict[str, list[dict[str, Array]]] = {}
        self._sets: dict[str, frozenset[tuple[Item, ...]]] = {}
        for mine in read_kinds(site, rows):
            space = spaces.get(mine.kind.namespace)
            counts = rows["counts"].to_numpy()[mine.places]
            kept = np.flatnonzero(mine.readable & counts & ~judge_rows(mine.damage, mine.values)["damaged"])
            self.cards += len(kept)
            if space is None or not len(kept):
                continue
            fields = {name: narrow_to_64_bits(mine.fields[name][kept]) for name in space.key}
            fits = space.has_room(fields)
            fields = {name: column[fits] for name, column in fields.items()}
            self._parts.setdefault(mine.kind.namespace, []).append((space.numbers(fields), mine.places[kept[fits]]))
            self._values.setdefault(mine.kind.namespace, []).append(fields)
        self.spaces = {name: self._join(parts, ends) for name, parts in self._parts.items()}
        for name in spaces:
            self.spaces.setdefault(name, RegisterSpace(np.zeros(0, np.uint64), np.zeros(0, np.int64)))

    def _join(self, parts: Sequence[tuple[Array, Array]], ends: Array) -> RegisterSpace:
        numbers, places = (np.concatenate(columns) for columns in zip(*parts, strict=True))
        different, which = np.unique(numbers, return_inverse=True)
        last = np.full(len(different), -FARTHEST_TIME, np.int64)
        np.maximum.at(last, which, ends[places])
        return RegisterSpace(different, last)

    def rows_with(self, namespace: str, numbers: Sequence[int]) -> pl.DataFrame:
        """The register's rows that have one of these ``numbers``, in the order of the file."""
        found = [places[np.isin(mine, np.array(numbers, np.uint64))] for mine, places in self._parts.get(namespace, ())]
        return self.rows[np.sort(np.concatenate(found))] if found else self.rows.clear()

    def values(self, namespace: str) -> frozenset[tuple[Item, ...]]:
        """The numbers of a namespace as the values of their fields."""
        if namespace not in self._sets:
            self._sets[namespace] = frozenset(self._list_values(namespace, 1))
        return self._sets[namespace]

    def some_values(self, namespace: str, count: int) -> list[tuple[Item, ...]]:
        """About ``count`` of these numbers, from the whole file."""
        return list(self._list_values(namespace, max(1, len(self.spaces[namespace].numbers) // count)))

    def _list_values(self, namespace: str, step: int) -> Iterator[tuple[Item, ...]]:
        for fields in self._values.get(namespace, ()):
            yield from zip(*(column[::step].tolist() for column in fields.values()), strict=True)


def _ends_of_days(days: pl.Series, site: Site) -> Array:
    """The end of each day by the clocks of the site, in µs since 1970; the farthest times for no end, and no day."""

    def micros(day: date | None) -> int:
        if day is None:
            return -FARTHEST_TIME
        if day == date.max:
            return FARTHEST_TIME
        return (datetime.combine(day + timedelta(days=1), time(), site.zone) - EPOCH) // MICROSECOND

    different = days.unique().to_list()
    return days.replace_strict(different, list(map(micros, different)), return_dtype=pl.Int64).to_numpy()
