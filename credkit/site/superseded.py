"""Superseded rows: which assignments do not count beside others of the same credential, kind and person.

Rows of several registers are merged by the site's order of truth. A row of a less trusted source is
superseded where a row of a more trusted source, which counts itself, has at least one day in common
with it: both dates are inclusive, an open end has no bound. Without a day in common they are two
assignments, and both count. A source that is not in a declared order ranks last.

Of equally trusted rows a repetition is superseded by the first; those that differ, and share more
than the day of a handover or exactly one and the same single day, are twins: no rule decides between
them. One row is enough to supersede or doubt another, so one is looked for, whatever the number of rows.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from operator import attrgetter
from typing import NamedTuple

from credkit.site.calendars import Calendar, first_day, last_day
from credkit.site.model import Rules
from credkit.site.rows import Assignment

COMPARED_COLUMNS = ("value", "printed", "issue", "status", "valid_from", "valid_until", "replaces")


class Superseded(NamedTuple):
    """A row that does not count: the row on ``by_line``, of ``by_source``, counts instead.

    ``differing`` has the columns in which the two differ; it is empty where the row only repeats the other.
    """

    line: int
    by_line: int
    differing: tuple[str, ...]
    by_source: str


class Twin(NamedTuple):
    """A row that differs from an equally trusted one, on ``beside_line``, for the same days."""

    line: int
    beside_line: int
    differing: tuple[str, ...]


def find_superseded(
    rows: Sequence[Assignment], rules: Rules
) -> tuple[dict[int, Superseded], dict[int, tuple[Twin, ...]]]:
    """The superseded rows and the twins among ``rows``, by line; rows without another of their group are neither.

    >>> card = dict(person="P-1", credential="C-1", kind="badge", status="active")
    >>> west = Assignment(line=2, value="17", source="west", valid_until=date(2026, 1, 31), **card)
    >>> east = Assignment(line=3, value="18", source="east", valid_from=date(2026, 1, 31), **card)
    >>> find_superseded([west, east], Rules(order_of_truth=("west", "east")))[0][3].differing
    ('value', 'valid_from', 'valid_until')
    >>> later = Assignment(line=3, value="18", source="east", valid_from=date(2026, 2, 1), **card)
    >>> find_superseded([west, later], Rules(order_of_truth=("west", "east")))
    ({}, {})
    """
    groups: dict[tuple[str, str, str], list[Assignment]] = defaultdict(list)
    for row in rows:
        groups[row.credential, row.kind, row.person].append(row)
    ranks = {source: place for place, source in enumerate(rules.order_of_truth)}
    superseded: dict[int, Superseded] = {}
    twins: dict[int, tuple[Twin, ...]] = {}
    for group in groups.values():
        if len(group) > 1:
            _judge_group(group, ranks, superseded, twins)
    return superseded, twins


def _judge_group(
    group: Iterable[Assignment],
    ranks: Mapping[str, int],
    superseded: dict[int, Superseded],
    twins: dict[int, tuple[Twin, ...]],
) -> None:
    """Judge the rows of one credential, kind and person, the most trusted ones first."""
    by_rank: dict[int, list[Assignment]] = defaultdict(list)
    for row in group:
        by_rank[ranks.get(row.source, len(ranks))].append(row)
    more_trusted: list[_CommonDays] = []
    for rank in sorted(by_rank):
        counting: dict[tuple[object, ...], Assignment] = {}
        for row in sorted(by_rank[rank], key=lambda row: (row.source, row.line)):  # of alike rows any may count
            if other := _first_with_common_day(more_trusted, row):
                superseded[row.line] = _superseded_by(row, other)
            elif (first := counting.setdefault(_contents(row), row)) is not row:
                superseded[row.line] = _superseded_by(row, first)
        rows = list(counting.values())
        if len(rows) > 1:
            rows.sort(key=_order)
            twins.update((twin.line, (twin,)) for twin in _find_twins(rows))
        more_trusted.append(_CommonDays(rows))


class _CommonDays:
    """Rows in the order of their first days, for the question which of them has a day in common with another row."""

    def __init__(self, rows: Iterable[Assignment]) -> None:
        self.rows = sorted(rows, key=first_day)
        self.first_days = [first_day(row) for row in self.rows]
        self.last_ending: list[Assignment] = []  # up to each place: the row that ends last
        for row in self.rows:
            before = self.last_ending[-1] if self.last_ending else row
            self.last_ending.append(row if last_day(row) > last_day(before) else before)

    def find(self, row: Assignment) -> Assignment | None:
        """A row that has a day in common with ``row``."""
        place = bisect_right(self.first_days, last_day(row))
        other = self.last_ending[place - 1] if place else None
        return other if other and last_day(other) >= first_day(row) else None


def _first_with_common_day(more_trusted: Iterable[_CommonDays], row: Assignment) -> Assignment | None:
    """The row that supersedes ``row``: of the most trusted source that has one."""
    return next((other for rows in more_trusted if (other := rows.find(row))), None)


def _find_twins(rows: Sequence[Assignment]) -> Iterable[Twin]:
    """Equally trusted rows, all different, that say otherwise for the same days."""
    calendar = Calendar(rows, lambda row: row.line)
    of_one_day: dict[date, list[Assignment]] = defaultdict(list)
    for row in rows:
        if first_day(row) == last_day(row):
            of_one_day[first_day(row)].append(row)
    for row in rows:
        same_day = of_one_day[first_day(row)][:2] if first_day(row) == last_day(row) else ()
        beside = next((other for other in same_day if other is not row), None) or calendar.find_sharing(row)
        if beside:
            yield Twin(row.line, beside.line, _differing_columns(row, beside))


def _superseded_by(row: Assignment, other: Assignment) -> Superseded:
    return Superseded(row.line, other.line, _differing_columns(row, other), other.source)


_contents = attrgetter(*COMPARED_COLUMNS)


def _order(row: Assignment) -> tuple[str, ...]:
    """An order by contents, so that the answer does not depend on the order of the rows."""
    return tuple(map(str, _contents(row)))


def _differing_columns(row: Assignment, other: Assignment) -> tuple[str, ...]:
    """The columns in which two rows differ, but for their source."""
    pairs = zip(COMPARED_COLUMNS, _contents(row), _contents(other), strict=True)
    return tuple(name for name, mine, theirs in pairs if mine != theirs)
