"""The day that the lines above the header of an export name: often the day on which it was written.

Source: common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date
from typing import NamedTuple

from credkit.proposal.momentcolumns import find_days, to_moment

_DAY = re.compile(r"(?<![0-9./-])[0-9]{1,4}[./-][0-9]{1,2}[./-][0-9]{2,4}(?![0-9/-])")


class TitleDay(NamedTuple):
    """A day, and the line from 1 that names it."""

    day: date
    line: int


def find_title_day(title: Sequence[str]) -> TitleDay | None:
    """The one day that the lines above a header name; None where they name several, or one that reads as two.

    >>> find_title_day(["Brackwater Terminal", "Stand: 30.11.2026 07:12", ""])
    TitleDay(day=datetime.date(2026, 11, 30), line=2)
    >>> find_title_day(["01.11.2026 - 30.11.2026"]), find_title_day(["03/04/2026"])
    (None, None)
    """
    found: dict[date, int] = {}
    for line, text in enumerate(title, 1):
        for written in _DAY.findall(text):
            form = find_days([written])
            moment = to_moment(written, form.pattern) if form is not None else None
            if form is None or moment is None:
                continue
            found.setdefault(moment.date(), line)
            for rival in form.rivals:
                if (other := to_moment(written, rival)) is not None:
                    found.setdefault(other.date(), line)
    return TitleDay(*found.popitem()) if len(found) == 1 else None
