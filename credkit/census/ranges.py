"""Ranges: which numbers are used and which are free, facility code by facility code.

Every number that was ever issued counts as used, whatever became of its card.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise

import numpy as np
import polars as pl

from credkit.bulk.words import Array
from credkit.census.result import FacilityRange, NumberSpan
from credkit.core.reading import Field
from credkit.facts.number_bits import chains_for
from credkit.facts.number_columns import KEY_PREFIX
from credkit.site.model import Site

FACILITY, NUMBER = "facility", "number"  # what the fields are called in the catalogue and in site files


def number_field(site: Site, namespace: str) -> Field | None:
    """The numbers that a card of a namespace may have; None where it has serial numbers or texts.

    They end where the narrowest of its kinds, and of the chains that give them whole, ends.
    """
    kinds = [kind for kind in site.kinds.values() if kind.namespace == namespace]
    schemas = [kind.schema for kind in kinds if NUMBER in kind.key]
    if len(schemas) < len(kinds):
        return None
    schemas += [codec.schema for kind in kinds for codec in chains_for(site, kind)]
    fields = [schema[NUMBER] for schema in schemas]
    rows = [row for row in fields if isinstance(row, Field)]
    most = min((row.most for row in rows), default=1 << 63)
    if len(rows) < len(fields) or most >= 1 << 63:
        return None
    return Field(name=NUMBER, least=min(row.least for row in rows), most=most)


def as_integers(frame: pl.DataFrame) -> pl.DataFrame:
    """The numbers of a namespace, and their facility codes, as whole numbers; those beyond 64 bits are left out."""
    columns = [name for name in (f"{KEY_PREFIX}{FACILITY}", f"{KEY_PREFIX}{NUMBER}") if name in frame.columns]
    return frame.with_columns(pl.col(columns).cast(pl.UInt64, strict=False)).drop_nulls(columns)


def used_numbers(spaces: Mapping[str, pl.DataFrame], namespace: str) -> Iterator[tuple[int | None, Array]]:
    """For each facility code the numbers that are used, in order, each once."""
    frame = as_integers(spaces[namespace])
    number, facility = f"{KEY_PREFIX}{NUMBER}", f"{KEY_PREFIX}{FACILITY}"
    if facility not in frame.columns:
        yield None, frame[number].unique().sort().to_numpy()
        return
    for (code,), part in (
        frame.select(facility, number).sort(facility, number).group_by([facility], maintain_order=True)
    ):
        yield int(str(code)), part[number].unique().sort().to_numpy()


def find_ranges(
    site: Site, spaces: Mapping[str, pl.DataFrame]
) -> tuple[tuple[FacilityRange, ...], tuple[NumberSpan, ...]]:
    """The ranges of each namespace that numbers its cards, and all spans, used and free."""
    found, spans = [], list[NumberSpan]()
    for namespace in spaces:
        field = number_field(site, namespace)
        if field is None:
            continue
        for facility, numbers in used_numbers(spaces, namespace):
            runs = find_runs(numbers)
            gaps = [min(after[0], field.most + 1) - before[1] - 1 for before, after in pairwise(runs)]  # free ones
            within = int((numbers <= field.most).sum())
            found.append(
                FacilityRange(
                    namespace=namespace, facility=facility, used=len(numbers), first=runs[0][0], last=runs[-1][1],
                    runs=len(runs), gap=max([0, *gaps]), free=field.most - field.least + 1 - within,
                )
            )  # fmt: skip
            spans.extend(_spans(namespace, facility, runs, field))
    return tuple(found), tuple(spans)


def find_runs(numbers: Array) -> list[tuple[int, int]]:
    """The first and last numbers of each run of consecutive ``numbers``, which are in order.

    >>> find_runs(np.array([7, 8, 9, 12]))
    [(7, 9), (12, 12)]
    """
    starts = np.flatnonzero(np.diff(numbers, prepend=numbers[:1]) != 1)
    ends = np.append(starts[1:], len(numbers))[: len(starts)] - 1
    return list(zip(numbers[starts].tolist(), numbers[ends].tolist(), strict=True))


def _spans(namespace: str, facility: int | None, runs: list[tuple[int, int]], field: Field) -> Iterator[NumberSpan]:
    at, end = field.least, field.most + 1  # numbers beyond the field are not free
    for first, last in runs:
        if min(first, end) > at:
            yield NumberSpan(namespace=namespace, facility=facility, first=at, last=min(first, end) - 1, used=False)
        yield NumberSpan(namespace=namespace, facility=facility, first=first, last=last, used=True)
        at = last + 1
    if at < end:
        yield NumberSpan(namespace=namespace, facility=facility, first=at, last=field.most, used=False)
