"""Readiness: what an area, cut over to a target today, would do to the people who use it.

A person *uses* an area if a reader there showed a card of theirs. For each target they are in one state: a number is
written that readings show (*seen*) or do not show (*on paper only*), rows or readings contradict it (*in conflict*), or
no row gives the target a number of theirs (*not at all*). Where nothing is written of a person, the person would stand
before a locked door. Only people with an active card of any kind are counted.

Everything comes from the lines and the site, so that `crosswalk.csv` is enough to count it again.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import NamedTuple

import polars as pl

from credkit.crosswalk.linetable import CONFLICT, PAPER, SEEN, WRITTEN_ACTIONS, LineTable
from credkit.facts.statuses import ACTIVE
from credkit.site.model import Reader, Site

NOT_AT_ALL = "not at all"
STATES = (SEEN, PAPER, CONFLICT, NOT_AT_ALL)
_STATE = pl.Enum(STATES)
NO_CARD = "no-card"  # the code of a person without any row for a target
NOWHERE = ""  # the area of people of whom no reader showed a card
UNPROVEN = pl.Schema({
    "person": pl.String, "area": pl.String, "target": pl.String, "state": pl.String, "locked": pl.Boolean,
    "code": pl.String,
})  # fmt: skip
_JOINT, _HIDDEN_JOINT = "; ", "\0"  # between the readers of a line, and where a reader's name has the same


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


def find_readiness(site: Site, lines: LineTable) -> Readiness:
    """The readiness of every area of a site for every target."""
    readers: dict[str, list[Reader]] = {}
    for reader in site.readers.values():
        readers.setdefault(reader.area or reader.name, []).append(reader)
    areas = pl.Enum([*readers, NOWHERE])
    names = lines.select("person").to_series()
    persons = names.unique().sort()
    rows = lines.select("status", "target", "action", "code", "proof").with_columns(
        names.cast(pl.Enum(persons)).to_physical()  # people as numbers from here on, in the order of their ids
    )
    active = rows.filter(pl.col("status") == ACTIVE).select("person").unique()
    shown = _find_uses(site, lines.select("readers").with_columns(rows["person"]))
    uses = shown.with_columns(pl.col("area").cast(areas)).join(active, on="person", how="semi")
    nowhere = active.join(uses, on="person", how="anti").with_columns(area=pl.lit(NOWHERE).cast(areas))
    uses = pl.concat([uses, nowhere])
    users = dict(uses.group_by("area").len().iter_rows())
    counts: dict[tuple[str, str], AreaCounts] = {}
    parts = []
    for target in site.targets.values():
        reads = [
            name for name, them in readers.items()
            if any(reader.kind.namespace == target.kind.namespace for reader in them)
        ]  # fmt: skip
        states = _find_states(uses, rows.filter(pl.col("target") == target.name))
        for row in _count_states(states, areas.categories.to_list(), target.name, reads):
            counts[row.area, target.name] = row
        unseen = states.filter(pl.col("area").is_in(pl.Series(reads, dtype=areas).implode()), pl.col("state") != SEEN)
        parts.append(unseen.with_columns(target=pl.lit(target.name).cast(pl.Enum(list(site.targets)))))
    unproven = pl.DataFrame(schema=UNPROVEN)
    if parts:
        sorted_rows = pl.concat(parts).sort("area", "target", "person")
        unproven = sorted_rows.with_columns(persons.gather(sorted_rows["person"])).cast(UNPROVEN).select(*UNPROVEN)
    return Readiness(
        people=_count_people(rows),
        areas=tuple(
            Area(name=name, readers=tuple(each.name for each in readers.get(name, ())), people=users.get(name, 0))
            for name in areas.categories
        ),
        counts=tuple(counts[name, target] for name in areas.categories for target in site.targets),
        unproven=unproven,
    )  # fmt: skip


def _find_uses(site: Site, lines: pl.DataFrame) -> pl.DataFrame:
    """Each person with each area where a reader showed a card of theirs."""
    rows = lines.filter(pl.col("readers") != "").unique()
    texts = rows["readers"].unique().to_frame()
    names = pl.col("readers")
    for name in site.readers:
        if _JOINT in name:
            names = names.str.replace_all(name, name.replace(_JOINT, _HIDDEN_JOINT), literal=True)
    area = {reader.name: reader.area or reader.name for reader in site.readers.values()}
    reader = pl.col("area").str.replace(" [0-9]+$", "").str.replace_all(_HIDDEN_JOINT, _JOINT, literal=True)
    split = texts.with_columns(names.str.split(_JOINT).alias("area")).explode("area")
    known = split.with_columns(reader.replace_strict(area, default=None, return_dtype=pl.String)).drop_nulls().unique()
    return rows.join(known, on="readers").select("person", "area").unique()


def _find_states(uses: pl.DataFrame, lines: pl.DataFrame) -> pl.DataFrame:
    """The state in one target, with these lines, of each person who uses an area."""
    is_written, is_held = pl.col("action").is_in(WRITTEN_ACTIONS), pl.col("action") == "hold"
    proof = pl.col("proof")
    people = lines.group_by("person", maintain_order=True).agg(
        is_written.any().alias("written"),
        (is_written & (proof == SEEN)).any().alias("seen"),
        (is_held | is_written & (proof == CONFLICT)).any().alias("conflict"),
        pl.col("code").filter(is_held).first().alias("held"), pl.col("code").first(),
    )  # fmt: skip
    state = (
        pl.when("seen").then(pl.lit(SEEN))
        .when("conflict").then(pl.lit(CONFLICT))
        .when("written").then(pl.lit(PAPER))
        .otherwise(pl.lit(NOT_AT_ALL)).cast(_STATE).alias("state")
    )  # fmt: skip
    code = (
        pl.when(pl.col("written") & pl.col("held").is_null()).then(pl.lit(""))
        .otherwise(pl.coalesce("held", "code")).alias("code")
    )  # fmt: skip
    judged = people.select("person", state, (~pl.col("written")).alias("locked"), code)
    return uses.join(judged, on="person", how="left").with_columns(
        pl.col("state").fill_null(pl.lit(NOT_AT_ALL).cast(_STATE)), pl.col("locked").fill_null(value=True),
        pl.col("code").fill_null(NO_CARD),
    )  # fmt: skip


def _count_states(states: pl.DataFrame, areas: list[str], target: str, reads: Collection[str]) -> Iterator[AreaCounts]:
    """The counts of each area, those that nobody uses among them."""
    counted = states.group_by("area").agg(
        pl.len(), *((pl.col("state") == state).sum().alias(state) for state in STATES), pl.col("locked").sum(),
    )  # fmt: skip
    rows = {area: numbers for area, *numbers in counted.iter_rows()}
    for area in areas:
        numbers = rows.get(area, [0] * (len(STATES) + 2))
        yield AreaCounts(area, target, area in reads, *numbers)


def _count_people(lines: pl.DataFrame) -> PeopleCounts:
    """The people of the register, each counted once."""
    people = lines.group_by("person").agg(
        (pl.col("action") == "hold").any().alias("held"),
        pl.col("action").is_in(WRITTEN_ACTIONS).any().alias("written"),
    )
    held = int(people["held"].sum())
    ready = people.filter(pl.col("written") & ~pl.col("held")).height
    return PeopleCounts(ready=ready, held=held, idle=people.height - held - ready)
