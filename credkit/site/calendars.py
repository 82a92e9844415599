"""Calendars: which assignments of one credential share more than a day.

The day on which one ends and the next begins belongs to a handover. One assignment that shares
more is enough to know that something is wrong, so one is looked for, whatever the number of rows.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Hashable, Iterable
from datetime import date

from credkit.site.rows import Assignment

HolderOf = Callable[[Assignment], Hashable]


def first_day(row: Assignment) -> date:
    """The first day of an assignment; the first there is where its start is open."""
    return row.valid_from or date.min


def last_day(row: Assignment) -> date:
    """The last day of an assignment; the last there is where its end is open."""
    return row.valid_until or date.max


def _order(row: Assignment) -> tuple[date, bool]:
    """By the first day; of those that begin together, the ones of a single day come first."""
    return first_day(row), last_day(row) > first_day(row)


def share_days(row: Assignment, other: Assignment) -> bool:
    """Whether two assignments share more than the day on which one may follow the other."""
    return first_day(row) < last_day(other) and first_day(other) < last_day(row)


class Calendar:
    """Assignments in the order in which they begin; ``who`` says of which of them the same is true."""

    def __init__(self, rows: Iterable[Assignment], who: HolderOf) -> None:
        self.who = who
        self.rows = sorted(rows, key=_order)
        self.order = [_order(row) for row in self.rows]
        self.latest: list[tuple[Assignment, ...]] = [()]  # before each place: what ends last, and the same of another
        for row in self.rows:
            first, *others = sorted((*self.latest[-1], row), key=last_day, reverse=True)
            second = next(((each,) for each in others if who(each) != who(first)), ())
            self.latest.append((first, *second))
        self.change = [len(self.rows)] * (len(self.rows) + 1)  # from each place: where the next other one is
        for place in range(len(self.rows) - 2, -1, -1):
            same = who(self.rows[place]) == who(self.rows[place + 1])
            self.change[place] = self.change[place + 1] if same else place + 1

    def find_sharing(self, row: Assignment) -> Assignment | None:
        """An assignment of another that ``row`` is together with, if there is one."""
        place, mine = bisect_right(self.order, _order(row)), self.who(row)
        found = next((each for each in self.latest[place] if self.who(each) != mine), None)
        if found and share_days(row, found):
            return found
        if place < len(self.rows) and self.who(self.rows[place]) == mine:
            place = self.change[place]
        return self.rows[place] if place < len(self.rows) and share_days(row, self.rows[place]) else None
