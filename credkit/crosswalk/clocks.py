"""Clocks: a reader whose clock stands years behind, as after a power failure, or runs ahead.

Its times prove nothing, so that what was read then is neither an inactive card nor a last sighting. A time is out of
the ordinary if it is a year before what most readers give (each has equal weight), two years before the day of
judgement, or a month after both. A stretch of times behind is wrong if fewer than one in ten of the
cards read in it, of those that have dates, was valid then: a log that is really old has cards that were.

By how much a clock is wrong is stated where the rows of the file stand in true order: each wrong time lies between
those of its neighbours from other readers. Source: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

import numpy as np
import polars as pl

from credkit.bulk.words import Array
from credkit.core.sentences import format_count
from credkit.crosswalk.cards import Card
from credkit.crosswalk.register import Owners
from credkit.crosswalk.result import Finding
from credkit.crosswalk.sightings import NO_TEXT, Sightings, format_moment
from credkit.facts.numbers import NO_NUMBER
from credkit.files.times import MICROSECOND, to_datetime, to_micros
from credkit.site.model import Site

BEHIND, AHEAD = timedelta(days=365), timedelta(days=31)  # of what most readers give: a time is strange from there on
BEFORE_JUDGEMENT, AFTER_JUDGEMENT = timedelta(days=730), timedelta(days=365)  # strange, whatever other readers give
LONGEST_STRETCH_PAUSE = timedelta(days=180)  # between two strange times of one stretch
SUMMED_AT_ONCE = 1 << 20  # readings: it bounds the memory that their weights take
BULK = 0.6  # the quantile of all times that stands for them: clocks behind at half of the readers do not move it
LEAST_DATED_CARDS = 3  # that a stretch of times behind must show
MOST_VALID = 0.1  # of them, in a stretch that is wrong
NO_TIME = np.iinfo(np.int64).min  # in place of a time
CLOSEST_JUMP = timedelta(days=1)  # how closely the neighbours must bound the jump of a clock for it to be stated


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockFault:
    """The places of sightings of one reader whose times are wrong; the jump of its clock lies between two bounds.

    ``jump`` is None where it is not known.
    """

    places: Array
    behind: bool
    dated: int = 0
    valid: int = 0
    jump: tuple[timedelta, timedelta] | None = None


def find_clock_faults(site: Site, owners: Owners, seen: Sightings) -> list[ClockFault]:
    """The stretches of each reader whose times are wrong, in the order of its readings."""
    if not len(seen):
        return []
    names = [at.reader.name for at in seen.periods]
    reader = np.array([names.index(name) for name in names], np.int16)[seen.period]
    bulk = _bulk(reader, seen.moment)
    judged = datetime.combine(site.as_of, datetime.min.time(), site.zone) + timedelta(days=1)
    first = to_micros(max(bulk - BEHIND, judged - BEFORE_JUDGEMENT))
    last = to_micros(min(max(bulk, judged) + AHEAD, judged + AFTER_JUDGEMENT))
    early, late = seen.moment < first, seen.moment >= last
    found = []
    strange = np.flatnonzero(early | late)
    for each in pl.Series(reader).unique(maintain_order=True).to_list():
        own = strange[reader[strange] == each]
        for stretch in _stretches(own[early[own]], seen.moment):
            dated, valid = _count_valid(site, owners, seen, stretch)
            if dated >= LEAST_DATED_CARDS and valid < MOST_VALID * dated:
                found.append(ClockFault(places=stretch, behind=True, dated=dated, valid=valid))
        ahead = own[late[own]]
        if len(ahead):
            found.append(ClockFault(places=ahead, behind=False))
    if not found:
        return []
    wrong = np.zeros(len(seen), bool)
    wrong[np.concatenate([fault.places for fault in found])] = True
    before, behind = _neighbours(seen, wrong)
    return [
        replace(fault, jump=_jump(seen.moment[fault.places], before[fault.places], behind[fault.places]))
        for fault in found
    ]


def mark_undated(seen: Sightings, faults: Sequence[ClockFault]) -> Sightings:
    """``seen``, those in ``faults`` without a date that proves anything."""
    return seen.undate(np.concatenate([fault.places for fault in faults])) if faults else seen


def _bulk(reader: Array, moments: Array) -> datetime:
    """The quantile `BULK` of all times, each reader having equal weight."""
    counts = np.bincount(reader)
    weights = 1 / np.maximum(counts, 1)
    heavier = np.unique(weights, return_inverse=True)[1].astype(np.int16)
    order = np.lexsort((heavier[reader], moments))
    left = BULK * np.count_nonzero(counts)
    for start in range(0, len(order), SUMMED_AT_ONCE):
        some = order[start : start + SUMMED_AT_ONCE]
        lefts = np.subtract.accumulate(np.append(left, weights[reader[some]]))[1:]
        left = lefts[-1]
        if left <= 0:
            return to_datetime(int(moments[some[np.argmax(lefts <= 0)]]))
    return to_datetime(int(moments[order[-1]]))


def _stretches(places: Array, moments: Array) -> Iterator[Array]:
    """``places`` in the order of time, cut at long pauses."""
    ordered = places[np.argsort(moments[places], kind="stable")]
    cuts = np.flatnonzero(np.diff(moments[ordered]) > LONGEST_STRETCH_PAUSE // MICROSECOND) + 1
    yield from (part for part in np.split(ordered, cuts) if len(part))


def _count_valid(site: Site, owners: Owners, seen: Sightings, stretch: Array) -> tuple[int, int]:
    """How many cards with dates a stretch shows, and how many of them were valid on a day that it shows them."""
    valid: dict[str, bool] = {}
    texts = seen.texts
    text = seen.text[stretch]
    owners.prepare(texts.number[text[text != NO_TEXT]])
    for each, moment in zip(text.tolist(), seen.moment[stretch].tolist(), strict=True):
        if each == NO_TEXT or texts.number[each] == NO_NUMBER:
            continue
        day = to_datetime(moment).astimezone(site.zone).date()
        for card in owners.get(texts.numbers[texts.number[each]], ()):
            if card.row.valid_from or card.row.valid_until:
                valid[card.credential] = valid.get(card.credential, False) or _is_valid(card, day)
    return len(valid), sum(valid.values())


def _is_valid(card: Card, day: date) -> bool:
    return (not card.row.valid_from or card.row.valid_from <= day) and (
        not card.row.valid_until or day <= card.row.valid_until
    )


def _neighbours(seen: Sightings, wrong: Array) -> tuple[Array, Array]:
    """For each sighting the times of the right ones before and behind it in the file, `NO_TIME` where there is none."""
    order = np.argsort(seen.last_rows(), kind="stable")
    right, moments = ~wrong[order], seen.moment[order]
    places = np.arange(len(order))
    before = np.maximum.accumulate(np.where(right, places, -1))
    behind = np.minimum.accumulate(np.where(right, places, len(order))[::-1])[::-1]
    found = np.full((2, len(order)), NO_TIME)
    found[0, order] = np.where(before >= 0, moments[before], NO_TIME)
    found[1, order] = np.where(behind < len(order), moments[np.minimum(behind, len(order) - 1)], NO_TIME)
    return found[0], found[1]


def _jump(moments: Array, before: Array, behind: Array) -> tuple[timedelta, timedelta] | None:
    """The bounds of what must be added to the times of a fault; None where its neighbours do not agree on any."""
    least, most = (before - moments)[before != NO_TIME], (behind - moments)[behind != NO_TIME]
    if not len(least) or not len(most):
        return None
    low, high = int(least.max()) * MICROSECOND, int(most.min()) * MICROSECOND
    return (low, high) if timedelta(0) <= high - low <= CLOSEST_JUMP else None


def describe_clock_faults(seen: Sightings, faults: Sequence[ClockFault]) -> Iterator[Finding]:
    """A finding for each stretch of wrong times: which rows, how many, why they are wrong, and by how much."""
    site, lines = seen.site, seen.rows["line"]
    for fault in faults:
        first = int(fault.places.min())
        rows = int(seen.count_rows(fault.places).sum())
        moments = seen.moment[fault.places]
        span = " to ".join(format_moment(site, to_datetime(int(moment))) for moment in (moments.min(), moments.max()))
        why = (
            f"{fault.valid or 'none'} of the {format_count(fault.dated, 'card')} with dates that it read was valid then"
            if fault.behind
            else f"they are after {site.as_of}, the day of judgement"
        )
        text = (
            f"its clock seems to be {'behind' if fault.behind else 'ahead'}: {format_count(rows, 'row')} from line "
            f"{lines[int(seen.first[first])]:,} on have times from {span}, but {why}"
        )
        if fault.jump:
            low, high = fault.jump
            text += f"; add {_format_seconds(low)} to {_format_seconds(high)} seconds to be in line with other readers"
        text += "; these times prove nothing: set the clock, and check how long it has been so"
        yield Finding(code="clock", subject=seen.periods[seen.period[first]].reader.name, count=rows, text=text)


def _format_seconds(jump: timedelta) -> str:
    return f"{jump.total_seconds():,.0f}"
