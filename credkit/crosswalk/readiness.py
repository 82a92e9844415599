"""Readiness: what an area, cut over to a target today, would do to the people who use it.

A person *uses* an area if a reader there showed a card of theirs. For each target they are in one state: a number is
written that readings show (*seen*) or do not show (*on paper only*), rows or readings contradict it (*in conflict*), or
no row gives the target a number of theirs (*not at all*). Where nothing is written of a person, the person would stand
before a locked door. Only people with an active card of any kind are counted.

What is counted is in the lines and the site, so that `crosswalk.csv` is enough to count it again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import polars as pl

from credkit.bulk.rowblock import mask
from credkit.bulk.words import Array
from credkit.crosswalk.linetable import CONFLICT, PAPER, SEEN, WRITTEN_ACTIONS, LineTable
from credkit.facts.judged_texts import in_slices, intern
from credkit.facts.statuses import ACTIVE
from credkit.site.model import Reader, Site, Target

NOT_AT_ALL = "not at all"
STATES = (SEEN, PAPER, CONFLICT, NOT_AT_ALL)
_STATE = pl.Enum(STATES)
NO_CARD = "no-card"  # the code of a person without any row for a target
NOWHERE = ""  # the area of people of whom no reader showed a card
UNPROVEN = pl.Schema({
    "person": pl.String, "area": pl.String, "target": pl.String, "state": pl.String, "locked": pl.Boolean,
    "code": pl.String,
})  # fmt: skip


class PeopleCounts(NamedTuple):
    """How many people have a number written and nothing held, something held, and neither."""

    ready: int
    held: int
    idle: int

    @property
    def every(self) -> int:
        """All people of the register."""
        return sum(self)


class AreaCounts(NamedTuple):
    """The people who use an area, by their state in a target; ``locked`` are those of whom nothing is written there.

    ``is_read``: a reader of the area reads numbers of the target's kind today.
    """

    area: str
    target: str
    is_read: bool
    people: int
    seen: int
    paper: int
    conflict: int
    nothing: int
    locked: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Area:
    """An area: its readers, and how many people use it; `NOWHERE` has the people whom no reader showed."""

    name: str
    readers: tuple[str, ...]
    people: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Readiness:
    """The people of a site by area and target, in the order of the site file.

    ``counts`` has a row for each area and target. ``unproven`` is a table with a row for each person, area and target
    that is read there, where the person is in another state than seen: the ``state``, whether the person would stand
    before a ``locked`` door, and the first ``code`` against the person's cards, if there is one.
    """

    people: PeopleCounts
    areas: tuple[Area, ...]
    counts: tuple[AreaCounts, ...]
    unproven: pl.DataFrame

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Readiness):
            return NotImplemented
        own, its = ((each.people, each.areas, each.counts) for each in (self, other))
        return own == its and self.unproven.equals(other.unproven)

    __hash__ = None  # type: ignore[assignment]  # as a table, it is compared, not looked up

    def locked_people(self, area: str = "") -> int:
        """How many people would stand before a locked door, of ``area`` or of any."""
        found = self.unproven.filter("locked")
        return (found.filter(pl.col("area") == area) if area else found)["person"].n_unique()


def find_readiness(site: Site, lines: LineTable, reads: pl.DataFrame) -> Readiness:
    """The readiness of every area of a site for every target; ``reads`` are those of `Evidence`."""
    readers: dict[str, list[Reader]] = {}
    for reader in site.readers.values():
        readers.setdefault(reader.area or reader.name, []).append(reader)
    areas = pl.Enum([*readers, NOWHERE])
    names = areas.categories.to_list()
    people = _People(lines)
    area_of = {each.name: names.index(each.area or each.name) for each in site.readers.values()}
    person, area = people.find_uses(reads, area_of)
    counts: dict[tuple[str, str], AreaCounts] = {}
    parts = []
    for target in site.targets.values():
        is_read = [
            any(each.kind.namespace == target.kind.namespace for each in readers.get(name, ())) for name in names
        ]
        states = people.judge(target)
        state = states["state"].to_physical().to_numpy()[person]
        locked = np.bincount(area[states["locked"].to_numpy()[person]], minlength=len(names))
        by_state = np.bincount(area * np.int32(len(STATES)) + state, minlength=len(names) * len(STATES))
        table = by_state.reshape(-1, len(STATES)).tolist()
        for name, reads_it, (seen, paper, conflict, nothing), doors in zip(
            names, is_read, table, locked.tolist(), strict=True
        ):
            people_there = seen + paper + conflict + nothing
            counts[name, target.name] = AreaCounts(
                name, target.name, reads_it, people_there, seen, paper, conflict, nothing, doors
            )
        shown = np.flatnonzero(np.array(is_read)[area] & (state != STATES.index(SEEN)))
        of_area = pl.Series(names, dtype=areas).gather(area[shown])
        parts.append(states[person[shown]].with_columns(of_area.alias("area"), target=pl.lit(target.name)))
    unproven = pl.DataFrame(schema=UNPROVEN)
    if parts:
        targets = pl.col("target").cast(pl.Enum(list(site.targets)))
        unproven = pl.concat(parts).sort("area", targets, "person").cast(UNPROVEN).select(*UNPROVEN)
    users = np.bincount(area, minlength=len(names)).tolist()
    return Readiness(
        people=people.count(),
        areas=tuple(
            Area(name=name, readers=tuple(each.name for each in readers.get(name, ())), people=users[place])
            for place, name in enumerate(names)
        ),
        counts=tuple(counts[name, target] for name in names for target in site.targets),
        unproven=unproven,
    )  # fmt: skip


class _People:
    """The people of a crosswalk, each with a place; ``_person`` has that of the person of each card."""

    def __init__(self, lines: LineTable) -> None:
        self._lines = lines
        self._person, self._names = intern(lines.cards["person"])
        self._active = self._mark(self._person[(lines.cards["status"] == ACTIVE).to_numpy()])

    def _mark(self, people: Array) -> Array:
        return mask(len(self._names), people)

    def find_uses(self, reads: pl.DataFrame, area_of: Mapping[str, int]) -> tuple[Array, Array]:
        """Each active person with each area where a reader showed a card of theirs, or nowhere; both by place."""
        nowhere = max(area_of.values(), default=-1) + 1
        width = nowhere + 1
        area = np.zeros(len(area_of), np.int64)
        area[pl.Series(list(area_of)).cast(reads["reader"].dtype).to_physical()] = list(area_of.values())
        codes, parts = reads["reader"].to_physical().to_numpy(), [np.zeros(0, np.int64)]
        for card, reader in zip(in_slices(reads["card"].to_numpy()), in_slices(codes), strict=True):
            person = self._person[card]
            parts.append(np.unique((person * np.int64(width) + area[reader])[self._active[person]]))
        person, place = (each.astype(np.int32) for each in np.divmod(np.unique(np.concatenate(parts)), width))
        absent = np.flatnonzero(self._active & ~self._mark(person)).astype(np.int32)
        return np.append(person, absent), np.append(place, np.full(len(absent), nowhere, np.int32))

    def judge(self, target: Target) -> pl.DataFrame:
        """The state in a target of each person."""
        lines = self._lines.select("place", "action", "code", "proof", where=pl.col("target") == target.name)
        person, proof = self._person[lines["place"].to_numpy()], lines["proof"]
        is_held, is_written = _find_actions(lines["action"])
        held, written = self._mark(person[is_held]), self._mark(person[is_written])
        seen, conflict = (self._mark(person[is_written & (proof == each).to_numpy()]) for each in (SEEN, CONFLICT))
        code = np.full(len(self._names), len(lines))  # of whom there is no line
        for some in (np.arange(len(lines)), np.flatnonzero(is_held)):  # the first, those of held lines before others
            code[person[some[::-1]]] = some[::-1]
        codes = lines["code"].cast(pl.String).extend(pl.Series([NO_CARD, ""]))
        code[written & ~held] = len(lines) + 1
        states = np.select((seen, held | conflict, written), [STATES.index(each) for each in (SEEN, CONFLICT, PAPER)],
                           STATES.index(NOT_AT_ALL))  # fmt: skip
        return pl.DataFrame(
            {
                "person": self._names, "state": pl.Series(STATES, dtype=_STATE).gather(states), "locked": ~written,
                "code": codes.gather(code),
            }
        )  # fmt: skip

    def count(self) -> PeopleCounts:
        """The people of the register, each counted once."""
        lines = self._lines.select("place", "action")
        person = self._person[lines["place"].to_numpy()]
        held, written = (self._mark(person[each]) for each in _find_actions(lines["action"]))
        stopped, ready = np.count_nonzero(held), np.count_nonzero(written & ~held)
        return PeopleCounts(ready=int(ready), held=int(stopped), idle=len(self._names) - int(stopped + ready))


def _find_actions(actions: pl.Series) -> tuple[Array, Array]:
    """The lines that are held, and those that are written."""
    return (actions == "hold").to_numpy(), actions.is_in(WRITTEN_ACTIONS).to_numpy()
