"""Moments: one time as a file writes it, and what is wrong with a text that is no time.

Source: ISO 8601 (dates and times).
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, tzinfo
from enum import StrEnum

from credkit.core.sentences import redacted_repr
from credkit.files.momentpatterns import MomentPattern

_TIME = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}(?::[0-9]{2}(?:[.,][0-9]{1,6})?)?"
    r"(?P<offset>Z|[+-][0-9]{2}(?::?[0-9]{2})?)?"
)
ACCEPTED_YEARS = range(1970, 2200)  # of a reading; anything else is a slip of the pen


class MomentFault(StrEnum):
    """What is wrong with a text that is no time: the sentence about it, with braces for the text."""

    NO_TIME = "time is {}, not a time such as 2026-03-31T08:15:00+02:00"
    NO_LOCAL_TIME = "time is {}, not a time such as 2026-03-31T08:15:00"
    OTHER_FORM = "time is {}, not a time such as {sample} ({form})"
    NO_SUCH_TIME = "time {} is not a time of the years 1970 to 2199 (read as {form})"
    HAS_OFFSET = "time {} has an offset, but the site file declares local times"
    NO_OFFSET = "time {} has no offset from UTC ({hint})"
    OCCURS_TWICE = "the local time {} occurs twice in {zone}: an offset is needed"
    NEVER_OCCURS = "the local time {} does not occur in {zone}: an offset is needed"


LOCAL_TIME_HINT = 'if it is by the site\'s clocks: time = "local"'


def parse_moment(
    text: str, zone: tzinfo, *, local: bool = False, either: bool = False, hint: str = LOCAL_TIME_HINT,
    pattern: MomentPattern | None = None,
) -> datetime | str:  # fmt: skip
    """The time that ``text`` writes, in UTC, or what is wrong with it; ``local`` times are by the clocks of ``zone``.

    Where ``either``, times without an offset are; where they may not be, ``hint`` says what to do about them.
    ``pattern`` is how a time is written, if not as ISO 8601 does.

    >>> parse_moment("2026-03-31T08:15:00+02:00", UTC).isoformat(), parse_moment("31.3.2026", UTC)
    ('2026-03-31T06:15:00+00:00', "time is '31.3.2026', not a time such as 2026-03-31T08:15:00+02:00")
    """
    found = find_moment(text, zone, local=local, either=either, pattern=pattern)
    if not isinstance(found, MomentFault):
        return found
    sample = pattern.sample if pattern else ""
    return found.format(redacted_repr(text), hint=hint, zone=zone, form=pattern, sample=sample)


def find_moment(
    text: str, zone: tzinfo, *, local: bool = False, either: bool = False, pattern: MomentPattern | None = None
) -> datetime | MomentFault:
    """The time that ``text`` writes, in UTC, or which fault it has; see `parse_moment`.

    >>> find_moment("2026-03-31T08:15:00", UTC).name
    'NO_OFFSET'
    """
    no_time = MomentFault.NO_LOCAL_TIME if local else MomentFault.NO_TIME
    if pattern:
        no_time, iso = MomentFault.NO_SUCH_TIME, pattern.to_iso(text)
        if iso is None:
            return MomentFault.OTHER_FORM
        text = iso
    match = _TIME.fullmatch(text)
    try:
        found = datetime.fromisoformat(text.replace(",", ".")) if match else None
    except ValueError:
        found = None
    if match is None or found is None or found.year not in ACCEPTED_YEARS:
        return no_time
    if match["offset"] and local:
        return MomentFault.HAS_OFFSET
    if match["offset"]:
        placed = found.astimezone(UTC)
        return placed if placed.year in ACCEPTED_YEARS else no_time
    if not (local or either):
        return MomentFault.NO_OFFSET
    placed = found.replace(tzinfo=zone)
    if placed.utcoffset() != placed.replace(fold=1).utcoffset():
        return MomentFault.OCCURS_TWICE if _was_shown(placed) else MomentFault.NEVER_OCCURS
    placed = placed.astimezone(UTC)
    return placed if placed.year in ACCEPTED_YEARS else no_time


def _was_shown(placed: datetime) -> bool:
    """Whether clocks ever showed ``placed``: they skip an hour when summer time begins."""
    first, second = placed.utcoffset(), placed.replace(fold=1).utcoffset()
    return first is not None and second is not None and first > second
