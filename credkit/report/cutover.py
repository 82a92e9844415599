"""Cut-over: whether a site, and each of its areas, is ready by what the files show, and what stands in the way.

A verdict is about data: *go* says that nothing in the files speaks against it, never that a door will open.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from credkit.core.sentences import format_count
from credkit.crosswalk.readiness import NOWHERE
from credkit.crosswalk.result import Crosswalk
from credkit.crosswalk.tasks import INACTIVE_TASKS
from credkit.crosswalk.worktext import READER_TASKS, count_settings
from credkit.work.items import WorkItem

Word = Literal["ready", "not yet", "not known"]
UNRESOLVED_NOISE = 50  # of so many readings one may be unresolved in an area that is ready
SETTING_TASKS = (*READER_TASKS, "no-chain", "fails-since", "two-settings", "single-facility")  # how a reader is set


@dataclass(frozen=True, slots=True, kw_only=True)
class AreaVerdict:
    """Whether an area is ready, with the ``reasons`` against it; ``unresolved`` of its ``readings`` are exceptions."""

    name: str
    readers: tuple[str, ...]
    readings: int
    unresolved: int
    people: int
    locked: int
    word: Word
    reasons: tuple[str, ...]

    @property
    def is_noisy(self) -> bool:
        """Whether more of its readings are unresolved than noise would explain: more than 1 in 50."""
        return exceeds_noise(self.unresolved, self.readings)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cutover:
    """Whether the site is ready: ``go``, the ``reasons`` against it, and the verdict on each of its areas."""

    go: bool
    reasons: tuple[str, ...]
    areas: tuple[AreaVerdict, ...]

    def names(self, word: Word) -> list[str]:
        """The areas with this verdict."""
        return [area.name for area in self.areas if area.word == word]


def judge_cutover(result: Crosswalk) -> Cutover:
    """The verdict on a crosswalk."""
    counts = count_readings(result)
    settings: dict[str, list[str]] = {}
    for item in result.work:
        if item.task in SETTING_TASKS:
            settings.setdefault(item.subject, []).append(item.title)
    areas = []
    for area in result.readiness.areas:
        if area.name == NOWHERE:
            continue
        readings, resolved = (sum(counts.get(name, (0, 0))[place] for name in area.readers) for place in (0, 1))
        locked = result.readiness.locked_people(area.name)
        reasons = [f"{format_count(locked, 'person', 'people')} would be locked out"] * bool(locked)
        reasons += [title for name in area.readers for title in settings.get(name, ())]
        unresolved = readings - resolved
        if area.people and exceeds_noise(unresolved, readings):
            share = 100 * unresolved / readings
            reasons.append(f"{unresolved:,} of {format_count(readings, 'reading')} unresolved ({share:.1f} %)")
        word: Word = "not yet" if reasons else "ready"
        if not area.people:
            word = "not known"
            reasons.insert(0, "none of its readings is resolved" if readings else "no readings")
        areas.append(
            AreaVerdict(
                name=area.name, readers=area.readers, readings=readings, unresolved=unresolved,
                people=area.people, locked=locked, word=word, reasons=tuple(reasons),
            )
        )  # fmt: skip
    reasons = [*_reasons(result, areas)]
    return Cutover(go=not reasons, reasons=tuple(reasons), areas=tuple(areas))


def exceeds_noise(unresolved: int, readings: int) -> bool:
    """Whether more than 1 in 50 of the readings are unresolved.

    >>> exceeds_noise(20, 1000), exceeds_noise(21, 1000), exceeds_noise(0, 0)
    (False, True, False)
    """
    return unresolved * UNRESOLVED_NOISE > readings


def count_readings(result: Crosswalk) -> dict[str, tuple[int, int]]:
    """By reader the rows, and the resolved ones among them."""
    rows = next((table.rows for table in result.summary if table.title == "Readers"), ())
    return {str(name): (int(rows), int(resolved)) for name, rows, resolved, _ in rows}


def count_unaccounted(result: Crosswalk) -> int:
    """The rows of all files that are not in exactly one place (always 0)."""
    return sum(int(row[-1]) for row in result.summary[0].rows)


def inactive_items(result: Crosswalk) -> list[WorkItem]:
    """The items about cards that should open nothing any more."""
    return [item for item in result.work if item.task in INACTIVE_TASKS]


def _reasons(result: Crosswalk, areas: list[AreaVerdict]) -> Iterator[str]:
    """What speaks against a cut-over of the whole site, the gravest first."""
    if left := count_unaccounted(result):
        yield f"{format_count(left, 'unaccounted row')}, which is a fault in credkit"
    if locked := result.readiness.locked_people():
        yield f"{format_count(locked, 'person', 'people')} would stand before a locked door"
    if held := result.readiness.people.held:
        yield f"{format_count(held, 'person', 'people')} {'waits' if held == 1 else 'wait'} for a decision on a card"
    settings = count_settings(result)
    if settings:
        yield f"{format_count(settings, 'reader setting')} to change"
    if others := sum(item.task in SETTING_TASKS for item in result.work) - settings:
        yield f"{others:,} more to check" if settings else f"{format_count(others, 'reader setting')} to check"
    if dangers := len(inactive_items(result)):
        yield f"{format_count(dangers, 'item')} about cards that should not work any more"
    yield from (item.title for item in result.work if item.task == "number-of-another")
    if noisy := sum(area.is_noisy and area.word != "not known" for area in areas):
        yield f"{format_count(noisy, 'area')} with more unresolved readings than noise"
    if unknown := sum(area.word == "not known" for area in areas):
        yield f"{format_count(unknown, 'area')} of which no reading is known"
    if not result.readiness.people.ready:
        yield "no number is ready to be written"
