"""The CSV files of a site: credentials, readings, exports of a target, lists.

A fault in a file itself (not in a card's data) is a `DefinitionError` of one sentence with file and
line, and nothing is read. What a card's text says is not judged here.

Source: ISO 8601 (dates and times).
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime, tzinfo
from functools import lru_cache

from credkit.core.sentences import nearest, redacted_repr
from credkit.core.whitespace import describe_ends
from credkit.files.csvfiles import CsvFile, read_rows
from credkit.files.moments import parse_moment
from credkit.privacy.accounts import holds_track

CREDENTIALS = (
    "person_id", "credential_id", "kind", "value", "printed", "issue", "status", "valid_from", "valid_until",
    "replaces", "source",
)  # fmt: skip
READINGS = ("time", "reader", "text", "presentation", "expected")
EXISTING = ("person_id", "text")
LIST = ("printed", "encoded")

_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Assignment:
    """A row of credentials.csv: who holds a card's number of one kind, from when to when (both included)."""

    line: int
    person: str
    credential: str
    kind: str
    value: str
    printed: str = ""
    issue: int | None = None
    status: str
    valid_from: date | None = None
    valid_until: date | None = None
    replaces: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingRow:
    """A row of readings.csv: a text that a reader gave; ``time``, in UTC, is by that reader's clock."""

    line: int
    time: datetime
    reader: str
    text: str
    presentation: str = ""
    expected: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ExportRow:
    """A row of an export: a text that a target holds for a person today."""

    line: int
    person: str
    text: str


def describe_white_space(file: CsvFile, column: str, text: str) -> str | None:
    r"""Which white space stands around ``text``, a cell of ``column``, and how to take it off; None without any.

    >>> from pathlib import Path
    >>> file = CsvFile(path=Path(), name="", strip_key="strip = {} under [files.credentials]")
    >>> describe_white_space(file, "value", "02F764DD ")
    '\'02F764DD \' has a space at its end: strip = ["value"] under [files.credentials] takes it off'
    >>> describe_white_space(file, "value", "02F764DD")
    """
    ends = describe_ends(text)
    if ends is None:
        return None
    cure = f"{file.describe_stripping(column)} takes it off" if file.strip_key else "remove it"
    return f"{redacted_repr(text)} has {ends}: {cure}"


def read_credentials(
    file: CsvFile, kinds: Collection[str], statuses: Collection[str], not_payment: Collection[str] = ()
) -> tuple[Assignment, ...]:
    """The assignments in ``file``; their kinds must be among ``kinds``, their statuses among ``statuses``.

    Rows that hold a payment track are refused, but for those whose kind is among ``not_payment``.
    """
    found = []
    for line, cells in read_rows(file, CREDENTIALS):
        row = _parse_assignment(file, line, cells, kinds, statuses)
        if row.kind not in not_payment:
            _refuse_track(file, line, cells)
        found.append(row)
    return tuple(found)


def _refuse_track(file: CsvFile, line: int, cells: Sequence[str]) -> None:
    """Refuse a line that holds a payment track."""
    if any(map(holds_track, cells)):
        file.refuse_track(line)


def _parse_assignment(
    file: CsvFile, line: int, cells: Sequence[str], kinds: Collection[str], statuses: Collection[str]
) -> Assignment:
    person, credential, kind, value, printed, issue, status, first, last, replaces, source = cells
    for column, cell in (("person_id", person), ("credential_id", credential), ("status", status)):
        if not cell:
            file.refuse(line, f"{column} is empty")
    if kind not in kinds:
        file.refuse(line, f"no kind is called {redacted_repr(kind)} in the site file{nearest(kind, kinds)}")
    if status not in statuses:
        file.refuse(
            line,
            f"status {redacted_repr(status)} is none of the words that [rules] of the site file declares as active, "
            f"inactive or gone{nearest(status, statuses)}",
        )
    if issue and not re.fullmatch("[0-9]{1,9}", issue):
        file.refuse(line, f"issue is {redacted_repr(issue)}, not a whole number or empty")
    valid_from, valid_until = _parse_day(file, line, "valid_from", first), _parse_day(file, line, "valid_until", last)
    if valid_from and valid_until and valid_until < valid_from:
        file.refuse(line, f"valid_until {valid_until} is before valid_from {valid_from}")
    return Assignment(
        line=line, person=person, credential=credential, kind=kind, value=value, printed=printed,
        issue=int(issue) if issue else None, status=status, valid_from=valid_from, valid_until=valid_until,
        replaces=replaces, source=source,
    )  # fmt: skip


def _parse_day(file: CsvFile, line: int, column: str, text: str) -> date | None:
    if not text:
        return None
    found = _parse_date(text)
    if found is None:
        file.refuse(line, f"{column} is {redacted_repr(text)}, not a date such as 2026-03-31")
    return found


@lru_cache(maxsize=4096)
def _parse_date(text: str) -> date | None:
    try:
        return date.fromisoformat(text) if _DATE.fullmatch(text) else None
    except ValueError:
        return None


def read_readings(
    file: CsvFile, readers: Collection[str], zone: tzinfo, not_payment: Collection[str] = ()
) -> tuple[ReadingRow, ...]:  # fmt: skip
    """The readings in ``file``; ``zone`` is for local times, and readers must be among ``readers``.

    Rows that hold a payment track are refused, but for those whose reader is among ``not_payment``.
    """
    found = []
    for line, cells in read_rows(file, READINGS):
        time, reader, text, presentation, expected = cells
        if reader not in readers:
            file.refuse(line, f"no reader is called {redacted_repr(reader)} in the site file{nearest(reader, readers)}")
        if reader not in not_payment:
            _refuse_track(file, line, cells)
        found.append(
            ReadingRow(
                line=line, time=_parse_time(file, line, time, zone), reader=reader, text=text,
                presentation=presentation, expected=expected,
            )
        )  # fmt: skip
    return tuple(found)


def _parse_time(file: CsvFile, line: int, text: str, zone: tzinfo) -> datetime:
    found = parse_moment(text, zone, local=file.has_local_times)
    if isinstance(found, str):
        file.refuse(line, found)
    return found


def read_existing(file: CsvFile, *, not_payment: bool = False) -> tuple[ExportRow, ...]:
    """The rows of an export: persons and the texts that the target holds for them.

    Rows that hold a payment track are refused unless they are ``not_payment``.
    """
    found = []
    for line, cells in read_rows(file, EXISTING):
        if not not_payment:
            _refuse_track(file, line, cells)
        found.append(ExportRow(line=line, person=cells[0], text=cells[1]))
    return tuple(found)


def read_list(file: CsvFile) -> dict[int, int]:
    """The list in ``file``, printed numbers to encoded ones."""
    found: dict[int, int] = {}
    for line, cells in read_rows(file, LIST):
        for column, cell in zip(LIST, cells, strict=True):
            if not re.fullmatch("[0-9]{1,40}", cell):
                file.refuse(line, f"{column} is {redacted_repr(cell)}, not a whole number")
        printed, encoded = map(int, cells)
        if printed in found:
            file.refuse(line, f"the printed number {redacted_repr(printed)} is in the list twice")
        found[printed] = encoded
    return found
