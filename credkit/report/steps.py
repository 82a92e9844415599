"""Steps: time cut into equal stretches, few enough that a chart shows each of them.

Days, and what is longer, begin at midnight by the clocks of the zone; shorter steps count from there.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

import numpy as np

from credkit.audit.summary import TimeCounts

MOST_STEPS = 75  # steps of a chart
DAY = 86400
STEP_SECONDS = (600, 3600, 6 * 3600, DAY, 7 * DAY, 28 * DAY, 364 * DAY, 3640 * DAY)  # seconds
STEP_NAMES = ("10 minutes", "hour", "6 hours", "day", "7 days", "4 weeks", "52 weeks", "520 weeks")


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeSteps:
    """``edges`` in seconds since 1970, one more than there are steps; ``name`` says how long a step is."""

    name: str
    edges: tuple[int, ...]
    zone: tzinfo

    def __len__(self) -> int:
        return len(self.edges) - 1

    def label(self, place: int) -> str:
        """When a step begins, by the clocks of the zone."""
        moment = datetime.fromtimestamp(self.edges[place], UTC).astimezone(self.zone)
        return f"{moment:%Y-%m-%d}" if self.edges[1] - self.edges[0] >= DAY - 7200 else f"{moment:%Y-%m-%d %H:%M}"

    def count(self, counts: Iterable[TimeCounts]) -> tuple[list[int], list[int]]:
        """The rows, and the failing rows, of each step."""
        rows, failing = np.zeros(len(self), np.int64), np.zeros(len(self), np.int64)
        for each in counts:
            places = np.searchsorted(self.edges, each.starts, side="right") - 1
            np.add.at(rows, places, each.rows)
            np.add.at(failing, places, each.failing)
        return rows.tolist(), failing.tolist()

    def place(self, moment: datetime) -> float:
        """The place of a moment, in steps from the start."""
        return float(np.interp(moment.timestamp(), self.edges, range(len(self.edges))))


def choose_steps(counts: Sequence[TimeCounts], zone: tzinfo) -> TimeSteps | None:
    """The steps that hold all of ``counts``; None where nothing is timed."""
    timed = [each for each in counts if each.starts]
    if not timed:
        return None
    first, last = min(each.starts[0] for each in timed), max(each.starts[-1] for each in timed)
    coarsest = max(each.seconds for each in timed)
    fitting = [
        n for n, size in enumerate(STEP_SECONDS) if size >= coarsest and (last - first) // size + 2 <= MOST_STEPS
    ]
    number = fitting[0] if fitting else len(STEP_SECONDS) - 1
    size = STEP_SECONDS[number]
    local = datetime.fromtimestamp(first, UTC).astimezone(zone)
    midnight = local.replace(hour=0, minute=0, second=0, microsecond=0)
    if size < DAY:
        begin = int(midnight.timestamp()) + (first - int(midnight.timestamp())) // size * size
        edges = list(range(begin, last + size + 1, size))
    else:
        edges = [int(midnight.timestamp())]
        while edges[-1] <= last:
            midnight += timedelta(seconds=size)
            edges.append(int(midnight.timestamp()))
    return TimeSteps(name=STEP_NAMES[number], edges=tuple(edges), zone=zone)
