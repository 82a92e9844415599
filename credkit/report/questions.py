"""The ten questions of a manager, each answered by a crosswalk in a figure, a line, and a place to read on."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import polars as pl

from credkit.core.sentences import format_count
from credkit.crosswalk.comparing import RunComparison
from credkit.crosswalk.comparisontext import describe_difference
from credkit.crosswalk.result import Crosswalk
from credkit.crosswalk.tasks import ABOUT
from credkit.facts.statuses import LOST
from credkit.report.cutover import SETTING_TASKS, Cutover, count_readings, count_unaccounted, inactive_items
from credkit.report.words import join_names, show_text
from credkit.work.text import describe_counts

MOST_AREAS_NAMED = 3
NO_EARLIER_RUN = "No earlier run was compared: crosswalk --since RUN, or --keep N, does."


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """A question, its answer in few words, what stands behind it, and the part of the page that has more."""

    question: str
    answer: str
    detail: str
    part: str


def answer_questions(result: Crosswalk, cutover: Cutover, compared: RunComparison | None) -> Sequence[Answer]:
    """The ten answers, in the order of the questions."""
    return tuple(
        Answer(question=question, answer=answer, detail=show_text(detail), part=part)
        for question, (answer, detail), part in (
            ("Can we cut over?", _can_we(cutover), "readiness"),
            ("For how many people is it ready?", _how_many(result), "counts"),
            ("Who would stand before a locked door?", _who_is_locked(result, cutover), "locked"),
            ("What is in the way?", _what_is_in_the_way(result), "work"),
            ("Who must do what?", _who_must(result), "work"),
            ("What is quickest to mend?", _quickest(result), "work"),
            ("Do lost or stolen cards still work?", _lost_cards(result), "work"),
            ("Do two people share a number?", _shared_numbers(result), "work"),
            ("Is it better than last time?", _better(compared), "compared"),
            ("Can I trust this?", _trust(result), "unchecked"),
        )
    )  # fmt: skip


def _can_we(cutover: Cutover) -> tuple[str, str]:
    ready, every = cutover.names("ready"), len(cutover.areas)
    if cutover.go:
        return "Yes, by these files", f"all {format_count(every, 'area')} ready"
    named = f": {join_names(ready, MOST_AREAS_NAMED)}" if ready else ""
    noisy = sum(area.is_noisy and not area.locked for area in cutover.areas)
    unresolved = f"; nobody locked, but too many readings unresolved: {format_count(noisy, 'area')}" * bool(noisy)
    said = f"{len(ready):,} of {format_count(every, 'area')} ready{named}{unresolved}"
    return "Not as a whole" if ready else "Not yet", said


def _how_many(result: Crosswalk) -> tuple[str, str]:
    people = result.readiness.people
    return (
        f"{people.ready:,} of {people.every:,} people",
        f"{people.held:,} wait for a decision; of {people.idle:,} nothing is written (no active card, or no target)",
    )


def _who_is_locked(result: Crosswalk, cutover: Cutover) -> tuple[str, str]:
    locked = result.readiness.locked_people()
    if not locked:
        return "Nobody who was seen", "everybody whom a reader showed has a number there"
    areas = sorted((area for area in cutover.areas if area.locked), key=lambda area: -area.locked)
    named = [f"{area.name} {area.locked:,}" for area in areas]
    return format_count(locked, "person", "people"), join_names(named, MOST_AREAS_NAMED)


def _what_is_in_the_way(result: Crosswalk) -> tuple[str, str]:
    holding = sorted(
        (item for item in result.work if any(end.noun == "held line" for end in item.ends)),
        key=lambda item: -item.people,
    )
    if not holding:
        return "Nothing holds a card", f"{format_count(len(result.work), 'item')} of other work"
    first = holding[0]
    most = f"most people ({first.people:,}): {first.title}"
    return format_count(len(holding), "cause holds cards", "causes hold cards"), most


def _who_must(result: Crosswalk) -> tuple[str, str]:
    if not result.work:
        return "Nobody", "no work was found"
    counts = {"reader": 0, "target": 0, "row": 0}
    for item in result.work:
        about = "reader" if item.task in SETTING_TASKS else ABOUT.get(item.task, "row")
        counts["row" if about == "file" else about] += 1
    parts = (
        f"{counts['reader']:,} about readers", f"{counts['target']:,} about targets", f"{counts['row']:,} about rows"
    )  # fmt: skip
    return f"{format_count(len(result.work), 'item')} of work", f"{', '.join(parts)}; names and days to fill in"


def _quickest(result: Crosswalk) -> tuple[str, str]:
    pasted = [item for item in result.work if item.lines]
    if pasted:
        first = pasted[0]
        return (
            f"{format_count(len(pasted), 'item')} by pasted lines",
            f"first: {first.title} ({describe_counts(first)})",
        )
    if not result.work:
        return "Nothing to mend", "no work was found"
    return "No line to paste", f"first of the list: {result.work[0].title}"


def _lost_cards(result: Crosswalk) -> tuple[str, str]:
    items = inactive_items(result)
    has_exports = len(result.summary[0].rows) > len(("credentials", "readings"))
    if not items:
        exports = "or in an export" if has_exports else "and what targets hold is not known: no export was given"
        return "None is known to", f"none is in resolved readings, {exports}; whether a door opened, no file says"
    held, read, issues = (
        sum(item.credentials for item in items if item.task == task)
        for task in ("inactive-held", "inactive-read", "other-issue")
    )
    lost_held, lost_read = _count_lost(result)
    held, read = max(0, held - lost_held), max(0, read - lost_read)
    lost = ", ".join(_describe_held_and_read(lost_held, lost_read))
    others = [*_describe_held_and_read(held, read)]
    others += [f"{format_count(issues, 'card')} read with another issue"] * bool(issues)
    if not has_exports:
        others.append("what targets hold is not known")
    if not lost:
        return "None called lost or stolen", f"not active for other reasons: {'; '.join(others)}"
    behind = f"; not active for other reasons: {'; '.join(others)}" * bool(others)
    return f"{format_count(lost_held + lost_read, 'card')} to check", f"lost or stolen: {lost}{behind}"


def _describe_held_and_read(held: int, read: int) -> Iterator[str]:
    if held:
        yield f"{held:,} still held by targets"
    if read:
        yield f"{format_count(read, 'other card' if held else 'card')} read"


def _count_lost(result: Crosswalk) -> tuple[int, int]:
    """The lost or stolen cards that a target still holds, and the others that were read."""
    is_lost = pl.col("status").str.to_lowercase().is_in(LOST)
    lost = set(result.lines.select("credential", "status").filter(is_lost)["credential"])
    held, read = set[str](), set[str]()
    for each in result.exceptions:
        if each.code == "inactive-held":
            held.update(each.candidates)
        elif each.code == "inactive-read":
            read.add(each.credential)
    return len(held & lost), len((read - held) & lost)


def _shared_numbers(result: Crosswalk) -> tuple[str, str]:
    same = [item for item in result.work if item.task == "duplicate-number"]
    cut = [item for item in result.work if item.task == "truncated"]
    truncated = (
        f"targets that truncate merge more: {join_names([item.subject for item in cut])}" if cut
        else "and no target merges two"
    )  # fmt: skip
    given = [item.title for item in result.work if item.task == "number-of-another"]
    truncated = "; ".join((*given, truncated))
    if not same:
        return ("Not by these files" if not cut and not given else "In targets only"), truncated
    people, cards = (sum(each) for each in zip(*((item.people, item.credentials) for item in same), strict=True))
    return f"{format_count(people, 'person', 'people')} concerned", f"{format_count(cards, 'card')}; {truncated}"


def _better(compared: RunComparison | None) -> tuple[str, str]:
    if compared is None:
        return "Not known", NO_EARLIER_RUN
    if compared.is_same:
        return describe_direction(compared), describe_difference(compared)
    gained, lost = compared.count_people("gained"), compared.count_people("lost")
    return f"{describe_direction(compared)}: +{gained:,} −{lost:,} people", describe_difference(compared)


def describe_direction(compared: RunComparison) -> str:
    """Whether more people gained a number than lost one, in a word or two."""
    if compared.is_same:
        return "The same"
    gained, lost = compared.count_people("gained"), compared.count_people("lost")
    return "Better" if gained > lost else "Worse" if lost > gained else "As many as before"


def _trust(result: Crosswalk) -> tuple[str, str]:
    counts = count_readings(result).values()
    readings, resolved = (sum(each[place] for each in counts) for place in (0, 1))
    left = count_unaccounted(result)
    answer = f"{left:,} rows unaccounted" if left else "Every row is accounted for"
    share = f" ({100 * (readings - resolved) / readings:.1f} %)" if readings else ""
    return answer, f"{readings - resolved:,} of {format_count(readings, 'reading')}{share} are exceptions"
