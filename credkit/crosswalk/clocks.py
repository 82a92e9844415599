"""Clocks: a reader whose clock stands years behind, as after a power failure, or runs ahead.

Its times prove nothing, so that what was read then is neither an inactive card nor a last sighting. A time is out of
the ordinary if it is a year before what most readers give (each has equal weight), two years before the day of
judgement, or a month after both. A stretch of times behind is wrong if fewer than one in ten of the
cards read in it, of those that have dates, was valid then: a log that is really old has cards that were.

By how much a clock is wrong is stated where the rows of the file stand in true order: each wrong time lies between
those of its neighbours from other readers. Source: common practice, no source.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from itertools import pairwise

from credkit.core.sentences import format_count
from credkit.crosswalk.register import Card
from credkit.crosswalk.result import Finding
from credkit.crosswalk.sightings import Sighting, format_moment
from credkit.facts.numbers import Number
from credkit.site.model import Site

BEHIND, AHEAD = timedelta(days=365), timedelta(days=31)  # of what most readers give: a time is strange from there on
BEFORE_JUDGEMENT, AFTER_JUDGEMENT = timedelta(days=730), timedelta(days=365)  # strange, whatever other readers give
LONGEST_STRETCH_PAUSE = timedelta(days=180)  # between two strange times of one stretch
BULK = 0.6  # the quantile of all times that stands for them: clocks behind at half of the readers do not move it
LEAST_DATED_CARDS = 3  # that a stretch of times behind must show
MOST_VALID = 0.1  # of them, in a stretch that is wrong
CLOSEST_JUMP = timedelta(days=1)  # how closely the neighbours must bound the jump of a clock for it to be stated


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockFault:
    """Sightings of one reader whose times are wrong; the jump of its clock lies between two bounds, if it is known."""

    sightings: tuple[Sighting, ...]
    behind: bool
    dated: int = 0
    valid: int = 0
    jump: tuple[timedelta, timedelta] | None = None


def find_clock_faults(
    site: Site, owners: Mapping[Number, tuple[Card, ...]], seen: Sequence[Sighting]
) -> list[ClockFault]:
    """The stretches of each reader whose times are wrong, in the order of its readings."""
    readers: dict[str, list[Sighting]] = defaultdict(list)
    for sighting in seen:
        readers[sighting.reader.name].append(sighting)
    if not seen:
        return []
    bulk = _bulk(readers.values())
    judged = datetime.combine(site.as_of, datetime.min.time(), site.zone) + timedelta(days=1)
    first = max(bulk - BEHIND, judged - BEFORE_JUDGEMENT)
    last = min(max(bulk, judged) + AHEAD, judged + AFTER_JUDGEMENT)
    found = []
    for own in readers.values():
        for stretch in _stretches([sighting for sighting in own if sighting.moment < first]):
            dated, valid = _count_valid(site, owners, stretch)
            if dated >= LEAST_DATED_CARDS and valid < MOST_VALID * dated:
                found.append(ClockFault(sightings=stretch, behind=True, dated=dated, valid=valid))
        ahead = tuple(sighting for sighting in own if sighting.moment >= last)
        if ahead:
            found.append(ClockFault(sightings=ahead, behind=False))
    wrong = {sighting for fault in found for sighting in fault.sightings}
    bounds = _neighbours(seen, wrong)
    return [replace(fault, jump=_jump(fault, bounds)) for fault in found]


def mark_undated(seen: Sequence[Sighting], faults: Sequence[ClockFault]) -> list[Sighting]:
    """``seen``, those in ``faults`` without a date that proves anything."""
    wrong = {sighting for fault in faults for sighting in fault.sightings}
    return [replace(sighting, is_dated=False) if sighting in wrong else sighting for sighting in seen]


def _bulk(readers: Collection[Sequence[Sighting]]) -> datetime:
    """The quantile `BULK` of all times, each reader having equal weight."""
    weighted = sorted((sighting.moment, 1 / len(own)) for own in readers for sighting in own)
    left = BULK * len(readers)
    for moment, weight in weighted:
        left -= weight
        if left <= 0:
            return moment
    return weighted[-1][0]


def _stretches(sightings: Sequence[Sighting]) -> Iterator[tuple[Sighting, ...]]:
    """``sightings`` in the order of time, cut at long pauses."""
    ordered = sorted(sightings, key=lambda sighting: sighting.moment)
    start = 0
    for place, (one, other) in enumerate(pairwise(ordered), 1):
        if other.moment - one.moment > LONGEST_STRETCH_PAUSE:
            yield tuple(ordered[start:place])
            start = place
    if ordered:
        yield tuple(ordered[start:])


def _count_valid(site: Site, owners: Mapping[Number, tuple[Card, ...]], stretch: Sequence[Sighting]) -> tuple[int, int]:
    """How many cards with dates a stretch shows, and how many of them were valid on a day that it shows them."""
    valid: dict[str, bool] = {}
    for sighting in stretch:
        if sighting.result is None or sighting.result.number is None:
            continue
        day = sighting.moment.astimezone(site.zone).date()
        for card in owners.get(Number(sighting.reader.kind.namespace, sighting.result.number), ()):
            if card.row.valid_from or card.row.valid_until:
                valid[card.credential] = valid.get(card.credential, False) or _is_valid(card, day)
    return len(valid), sum(valid.values())


def _is_valid(card: Card, day: date) -> bool:
    return (not card.row.valid_from or card.row.valid_from <= day) and (
        not card.row.valid_until or day <= card.row.valid_until
    )


Bounds = Mapping[Sighting, tuple[datetime | None, datetime | None]]


def _neighbours(seen: Sequence[Sighting], wrong: set[Sighting]) -> Bounds:
    """For each ``wrong`` sighting: the times of the right ones before and behind it in the file."""
    ordered = sorted(seen, key=lambda sighting: sighting.rows[-1].line)
    before: dict[Sighting, datetime | None] = {}
    behind: dict[Sighting, datetime | None] = {}
    for found, order in ((before, ordered), (behind, ordered[::-1])):
        moment = None
        for sighting in order:
            if sighting in wrong:
                found[sighting] = moment
            else:
                moment = sighting.moment
    return {sighting: (before[sighting], behind[sighting]) for sighting in wrong}


def _jump(fault: ClockFault, bounds: Bounds) -> tuple[timedelta, timedelta] | None:
    """The bounds of what must be added to the times of a fault; None where its neighbours do not agree on any."""
    known = [(*bounds[sighting], sighting.moment) for sighting in fault.sightings]
    least = [before - moment for before, _, moment in known if before]
    most = [behind - moment for _, behind, moment in known if behind]
    if not least or not most or not timedelta(0) <= min(most) - max(least) <= CLOSEST_JUMP:
        return None
    return max(least), min(most)


def describe_clock_faults(site: Site, faults: Sequence[ClockFault]) -> Iterator[Finding]:
    """A finding for each stretch of wrong times: which rows, how many, why they are wrong, and by how much."""
    for fault in faults:
        first = min(fault.sightings, key=lambda sighting: sighting.rows[0].line)
        rows = sum(len(sighting.rows) for sighting in fault.sightings)
        moments = sorted(sighting.moment for sighting in fault.sightings)
        span = f"{format_moment(site, moments[0])} to {format_moment(site, moments[-1])}"
        why = (
            f"{fault.valid or 'none'} of the {format_count(fault.dated, 'card')} with dates that it read was valid then"
            if fault.behind
            else f"they are after {site.as_of}, the day of judgement"
        )
        text = (
            f"its clock seems to be {'behind' if fault.behind else 'ahead'}: {format_count(rows, 'row')} from line "
            f"{first.rows[0].line:,} on have times from {span}, but {why}"
        )
        if fault.jump:
            low, high = fault.jump
            text += f"; add {_format_seconds(low)} to {_format_seconds(high)} seconds to be in line with other readers"
        text += "; these times prove nothing: set the clock, and check how long it has been so"
        yield Finding(code="clock", subject=first.reader.name, count=rows, text=text)


def _format_seconds(jump: timedelta) -> str:
    return f"{jump.total_seconds():,.0f}"
