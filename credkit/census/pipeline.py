"""The census: a site in, what its population of credentials looks like out.

    credentials → population → numbers → places → duplicates → reissue · ranges · plans · new numbers

No reading is looked at, and nothing is written or changed: the result is a value.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import replace

import numpy as np
import polars as pl

from credkit.census.allocation import AllocationRequest, allocate
from credkit.census.duplicates import (
    DuplicateReporter,
    NumberComparison,
    count_by_reader,
    find_groups,
    find_readers,
    summarise,
)
from credkit.census.layout_plans import GROWTH_PERCENT, plan_layouts
from credkit.census.numbers import PopulationNumbers, read_numbers
from credkit.census.population import read_population
from credkit.census.ranges import FACILITY, find_ranges, number_field
from credkit.census.result import BY_NUMBER, BY_READER, BY_TARGET, Census, RowCounts
from credkit.census.views import (
    TruncatedView,
    encode_for_target,
    may_merge,
    numbers_of,
    truncated_views,
)
from credkit.census.work import list_work
from credkit.core.progress import SILENT, Progress
from credkit.facts.number_bits import number_bits, text_bits
from credkit.facts.number_columns import KEY_PREFIX, number_text
from credkit.facts.texts import TextResults
from credkit.site.model import Site
from credkit.site.sheetremarks import describe_credentials

PHASES = ("reading the credentials", "decoding numbers", "looking for duplicates", "counting ranges and plans")


def census(
    site: Site, room: int = GROWTH_PERCENT, *, wanted: AllocationRequest | None = None, progress: Progress = SILENT
) -> Census:
    """The census of ``site``; ``room`` percent are added for the plans. ``progress`` is told of the phases.

    Raises `DefinitionError` for a fault in a file itself, or in what is ``wanted``.
    """
    progress.phase(PHASES[0], 1, len(PHASES))
    population = read_population(site)
    progress.phase(PHASES[1], 2, len(PHASES), total=population.height)
    texts = TextResults()
    numbers = read_numbers(site, population, texts, progress)
    truncating = truncated_views(site)
    seen = {view.name: (view, numbers_of(view, numbers.kinds.get(view.reader.kind.name))) for view in truncating}
    comparisons = _comparisons(site, population, numbers, seen)
    progress.phase(PHASES[2], 3, len(PHASES), total=len(comparisons), unit="comparisons")
    for done, comparison in enumerate(comparisons, 1):
        find_groups(comparison, population)
        progress.done(done)
    find_readers(site, comparisons, {name: (view.reader.name, frame) for name, (view, frame) in seen.items()})
    codes = _number_codes(numbers, comparisons)
    reporter = DuplicateReporter(site, population, codes, numbers.account_kinds, texts)
    places = tuple(summarise(comparison, population, codes) for comparison in comparisons)
    progress.phase(PHASES[3], 4, len(PHASES))
    hidden = _hidden_ranges(site, numbers.account_kinds)
    found, spans = find_ranges(site, {name: space for name, space in numbers.spaces.items() if name not in hidden})
    cards = {place.name: place.cards for place in places if place.what == BY_NUMBER}
    unclear = dict(_describe_unknown(truncating))
    result = Census(
        site=site.name, as_of=site.as_of, file=site.credentials.name, room=room,
        counts=_count_rows(population, numbers), places=places,
        groups=tuple(group for comparison in comparisons for group in reporter.list_groups(comparison)),
        readers=count_by_reader(site, comparisons),
        reissue=reporter.reissue(comparisons), ranges=found, spans=spans,
        plans=tuple(
            plan_layouts(name, cards[name], room) for name in numbers.spaces if _can_be_planned(site, numbers, name)
        ),
        unreadable=tuple(
            replace(each, line=site.credentials.mapping.line_of(each.line)) for each in numbers.unreadable
        ),
        unknown=(
            *unclear.values(), *hidden.values(), *numbers.doubts.values(), *describe_credentials(site),
        ),
        allocation=None if wanted is None else allocate(site, population, numbers, wanted),
        unmasked_kinds=frozenset(site.kinds) - numbers.account_kinds,
    )  # fmt: skip
    return replace(result, work=list_work(result, rounded=numbers.doubts, unclear=unclear, hidden=hidden))


def _describe_unknown(views: Iterable[TruncatedView]) -> Iterator[tuple[str, str]]:
    """The readers of which it is not known what they truncate, with a sentence each."""
    for view in views:
        if view.rest is None:
            yield (
                view.name,
                (
                    f"reader {view.name}: cannot tell which part of {view.reader.kind.name} it truncates, so its "
                    "duplicates are unknown"
                ),
            )


def _hidden_ranges(site: Site, account_kinds: Collection[str]) -> dict[str, str]:
    """The namespaces whose ranges are not shown because they would give an account number away, and the reason."""
    return {
        kind.namespace: f"the ranges of {kind.namespace} are hidden: values of the kind {name} look like payment "
        f'account numbers. If they are none: not_payment = "what these numbers are" under [kinds.{name}]'
        for name, kind in site.kinds.items()
        if name in account_kinds
    }


def _can_be_planned(site: Site, numbers: PopulationNumbers, namespace: str) -> bool:
    return number_field(site, namespace) is not None and f"{KEY_PREFIX}{FACILITY}" in numbers.spaces[namespace].columns


def _comparisons(
    site: Site,
    population: pl.DataFrame,
    numbers: PopulationNumbers,
    seen: dict[str, tuple[TruncatedView, pl.DataFrame]],
) -> list[NumberComparison]:
    """Every place where numbers are compared."""
    found = []
    for namespace, frame in numbers.spaces.items():
        kinds = tuple(
            kind for kind in site.kinds.values() if kind.namespace == namespace and kind.name in numbers.kinds
        )
        counting = frame.filter(~population["late"].gather(frame["row"]))
        found.append(
            NumberComparison(
                what=BY_NUMBER, name=namespace, kinds=kinds, rows=counting,
                bits=min(number_bits(site, kind) for kind in kinds), single_field=len(kinds[0].key) == 1,
            )
        )  # fmt: skip
    for target in site.targets.values():
        mine = numbers.kinds.get(target.kind.name)
        if mine is None or not may_merge(target):
            continue
        known = mine.frame([encode_for_target(target, mine.fields)]).drop_nulls()
        bits = text_bits(site, target, known["text"])
        found.append(
            NumberComparison(
                what=BY_TARGET, name=target.name, kinds=(mine.kind,), rows=known, bits=bits,
                unknown=len(mine.rows) - known.height, single_field=len(mine.kind.key) == 1,
            )
        )  # fmt: skip
    for name, (view, rows) in seen.items():
        mine = numbers.kinds.get(view.reader.kind.name)
        if mine is None or view.rest is None:
            continue
        found.append(
            NumberComparison(
                what=BY_READER, name=name, kinds=(mine.kind,), rows=rows, unknown=len(mine.rows) - rows.height,
                bits=min(number_bits(site, mine.kind), view.bits), single_field=len(mine.kind.key) == 1,
            )
        )  # fmt: skip
    return found


def _number_codes(numbers: PopulationNumbers, comparisons: list[NumberComparison]) -> pl.DataFrame:
    """For each duplicate row its number as files write it, and a code that is alike for like numbers."""
    rows = pl.concat([comparison.groups.select("row") for comparison in comparisons]) if comparisons else pl.DataFrame()
    parts = []
    for place, frame in enumerate(numbers.spaces.values()):
        frame = frame.join(rows, on="row", how="semi")
        keys = (name for name in frame.columns if name != "row")
        parts.append(frame.select("row", number_text(keys).alias("written"), pl.lit(place).alias("space")))
    if not parts:
        return pl.DataFrame(schema={"row": pl.UInt32, "written": pl.String, "code": pl.String})
    return pl.concat(parts).select("row", "written", pl.struct("space", "written").alias("code"))


def _count_rows(population: pl.DataFrame, numbers: PopulationNumbers) -> RowCounts:
    rows = [mine.rows for mine in numbers.kinds.values()]
    read = population.select("active", "held")[np.concatenate(rows)] if rows else population.clear()
    return RowCounts(
        rows=population.height, superseded=int(population["late"].sum()), unreadable=len(numbers.unreadable),
        active=int((read["active"] & read["held"]).sum()), inactive=int((~read["active"] & read["held"]).sum()),
        gone=int((~read["held"]).sum()),
    )  # fmt: skip
