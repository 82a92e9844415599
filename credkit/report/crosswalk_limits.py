"""What a crosswalk did not check: said in sentences, with numbers where there are any."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from credkit.core.sentences import format_count
from credkit.crosswalk.result import Crosswalk
from credkit.report.cutover import Cutover, count_readings
from credkit.report.words import join_names


def list_limits(result: Crosswalk, cutover: Cutover, targets_without_export: Sequence[str]) -> Iterator[str]:
    """The limits of a crosswalk, a sentence each."""
    counts = count_readings(result)
    readings, resolved = (sum(each[place] for each in counts.values()) for place in (0, 1))
    if readings > resolved:
        yield f"{format_count(readings - resolved, 'reading')} did not resolve: whose cards they showed is not known."
    if result.ambiguous_readings:
        yield (
            f"{format_count(result.ambiguous_readings, 'resolved reading')} may be of several cards, which have one "
            "number."
        )
    silent = [name for name, (rows, _) in counts.items() if not rows]
    if silent:
        yield f"{format_count(len(silent), 'reader')} without a reading: {join_names(silent)}."
    unknown = cutover.names("not known")
    if unknown:
        yield f"Readiness of {join_names(unknown)}: no reading there showed a card."
    nowhere = sum(area.people for area in result.readiness.areas if not area.name)
    if nowhere:
        people = format_count(nowhere, "person", "people")
        yield f"{people} with an active card whom no reader showed: people are away, and readers lose logs."
    if targets_without_export:
        yield (
            f"What {join_names(targets_without_export)} {'holds' if len(targets_without_export) == 1 else 'hold'} "
            "today: the site file names no export."
        )
    yield "Who is allowed through which door: no file says so. Readiness counts who was seen, not who may pass."
    yield "Whether a door opened: a reading is a card before a reader."
    yield "Readers, cables, controllers, their clocks and the doors themselves: only the data they left."
    yield "Whether rows are missing: a digest pins the files as they were given, not how they came to be."
