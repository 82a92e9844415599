"""What can be wrong with a cell of a site's files: the sentence, what many such rows have in common, the cure.

Source: ISO 8601 (dates and times).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import tzinfo

from credkit.files.faults import FaultRule
from credkit.files.moments import LOCAL_TIME_HINT, MomentFault

_AGAIN = "Export the column again with"
EMPTY = {
    column: FaultRule(
        sentence=f"{column} is empty", headline=f"{column} is empty", cure=f"Every row needs its {column}."
    )
    for column in ("person_id", "credential_id", "status")
}  # fmt: skip
BLANK = {
    column: FaultRule(
        sentence=f"{column} is {{}}, which is white space only", headline=f"{column} is white space only",
        cure=f"Every row needs its {column}.",
    )
    for column in EMPTY
}  # fmt: skip
ISSUE = FaultRule(
    sentence="issue is {}, not a whole number or empty", headline="issue is not a whole number or empty",
    cure=f"{_AGAIN} whole numbers of at most nine digits: 1, not 1.0.", column="issue",
)  # fmt: skip
DAYS = {
    column: FaultRule(
        sentence=f"{column} is {{}}, not a date such as 2026-03-31",
        headline=f"{column} is not a date such as 2026-03-31",
        cure=f"{_AGAIN} dates as year, month and day (2026-03-31).", column=column,
    )
    for column in ("valid_from", "valid_until")
}  # fmt: skip
DAYS_REVERSED = FaultRule(
    sentence="valid_until {} is before valid_from {}", headline="valid_until is before valid_from",
    cure="Correct one of the two days: both are included.",
)  # fmt: skip
NUMBERS = {
    column: FaultRule(
        sentence=f"{column} is {{}}, not a whole number", headline=f"{column} is not a whole number",
        cure=f"{_AGAIN} whole numbers of at most 40 digits.", column=column,
    )
    for column in ("printed", "encoded")
}  # fmt: skip
LISTED_TWICE = FaultRule(
    sentence="the printed number {} is in the list twice", headline="a printed number is in the list twice",
    cure="Keep one row of each printed number.",
)  # fmt: skip


def unknown_kind(kinds: Collection[str]) -> FaultRule:
    """The rule for a kind that the site file does not have."""
    return FaultRule(
        sentence="no kind is called {} in the site file", headline="the kind is not in the site file",
        cure="Correct the word, or describe the kind under [kinds.NAME] in the site file.",
        column="kind", known=kinds, counts_words=True,
    )  # fmt: skip


def unknown_status(statuses: Collection[str]) -> FaultRule:
    """The rule for a status that the site file does not declare."""
    declared = "none of the words that [rules] of the site file declares as active, inactive or gone"
    return FaultRule(
        sentence=f"status {{}} is {declared}", headline=f"the status is {declared}",
        cure="Correct the word, or add it to active, inactive or gone under [rules].",
        column="status", known=statuses, counts_words=True,
    )  # fmt: skip


def unknown_reader(readers: Collection[str]) -> FaultRule:
    """The rule for a reader that the site file does not have."""
    return FaultRule(
        sentence="no reader is called {} in the site file", headline="the reader is not in the site file",
        cure="Correct the name, or describe the reader under [readers.NAME] in the site file.",
        column="reader", known=readers, counts_words=True,
    )  # fmt: skip


def moment_rules(zone: tzinfo) -> Mapping[MomentFault, FaultRule]:
    """The rule for each fault of a time; ``zone`` is the site's."""
    headlines = {
        MomentFault.NO_TIME: "time is not a time such as 2026-03-31T08:15:00+02:00",
        MomentFault.NO_LOCAL_TIME: "time is not a time such as 2026-03-31T08:15:00",
        MomentFault.HAS_OFFSET: "time has an offset, but the site file declares local times",
        MomentFault.NO_OFFSET: f"time has no offset from UTC ({LOCAL_TIME_HINT})",
        MomentFault.OCCURS_TWICE: f"the local time occurs twice in {zone}: an offset is needed",
        MomentFault.NEVER_OCCURS: f"the local time does not occur in {zone}: an offset is needed",
    }
    offsets = f'{_AGAIN} offsets from UTC (2026-03-31T08:15:00+02:00), and remove time = "local" from the site file.'
    cures = {
        MomentFault.NO_TIME: f"{_AGAIN} dates and times as 2026-03-31T08:15:00+02:00.",
        MomentFault.NO_LOCAL_TIME: f"{_AGAIN} dates and times as 2026-03-31T08:15:00.",
        MomentFault.HAS_OFFSET: 'Remove time = "local" under [files.readings] if every time has one.',
        MomentFault.NO_OFFSET: f'{_AGAIN} offsets from UTC, or declare time = "local" under [files.readings].',
        MomentFault.OCCURS_TWICE: offsets,
        MomentFault.NEVER_OCCURS: offsets,
    }
    return {
        fault: FaultRule(
            sentence=fault.replace("{hint}", LOCAL_TIME_HINT).replace("{zone}", str(zone)),
            headline=headlines[fault], cure=cures[fault], column="time",
        )
        for fault in MomentFault
    }  # fmt: skip
