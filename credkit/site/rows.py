"""The CSV files of a site: credentials, readings, exports of a target, lists.

Faults in the files themselves (not in a card's data) are one `DefinitionError`: every kind of fault with its
lines (`credkit.files.faults`), and nothing is read. What a card's text says is not judged here.

Source: ISO 8601 (dates and times).
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime, tzinfo
from functools import lru_cache
from itertools import groupby

from credkit.core.sentences import redacted_repr
from credkit.core.whitespace import describe_ends, strip_white_space
from credkit.files.declaredfiles import CsvFile
from credkit.files.faults import FaultOccurrence, FileFaults, collect_faults
from credkit.files.momentpatterns import MomentPattern
from credkit.files.moments import MomentFault, find_moment
from credkit.privacy.accounts import holds_track
from credkit.site.faultrules import (
    LISTED_TWICE,
    NUMBERS,
    CredentialRules,
    built_twice,
    credential_rules,
    moment_rules,
    unknown_reader,
)

CREDENTIALS = (
    "person_id", "credential_id", "kind", "value", "printed", "issue", "status", "valid_from", "valid_until",
    "replaces", "source",
)  # fmt: skip
READINGS = ("time", "reader", "text", "presentation", "expected")
EXISTING = ("person_id", "text")
LIST = ("printed", "encoded")
OPTIONAL = frozenset(
    {"printed", "issue", "valid_from", "valid_until", "replaces", "source", "presentation", "expected"}
)  # columns that a file of credentials or readings may lack: their cells are empty then

_ISSUE = re.compile("[0-9]{1,9}")
_NUMBER = re.compile("[0-9]{1,40}")
_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Assignment:
    """A row of credentials.csv: who holds a card's number of one kind, from when to when (both included).

    Where a line of the file has several rows, ``line`` is the number of the row: the file's map has its line
    (`credkit.files.columnmaps.ColumnMap.line_of`).
    """

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
    >>> file = CsvFile(path=Path(), name="", site_key="{} under [files.credentials]")
    >>> describe_white_space(file, "value", "02F764DD ")
    '\'02F764DD \' has a space at its end: strip = ["value"] under [files.credentials] takes it off'
    >>> describe_white_space(file, "value", "02F764DD")
    """
    ends = describe_ends(text)
    return None if ends is None else f"{redacted_repr(text)} has {ends}: {file.describe_stripping(column)}"


_GUARDED = re.compile(r"'[0-9A-Fa-f][0-9A-Za-z ,.:/-]*")


def is_guarded(text: str) -> bool:
    """Whether ``text`` is a number behind an apostrophe, as files for spreadsheets have them.

    >>> is_guarded("'01200345"), is_guarded("01200345"), is_guarded("'")
    (True, False, False)
    """
    return _GUARDED.fullmatch(text) is not None


def describe_surroundings(file: CsvFile, column: str, text: str) -> str | None:
    """What stands around the number in ``text``, a cell of ``column``: white space, or an apostrophe before it.

    >>> from pathlib import Path
    >>> print(describe_surroundings(CsvFile(path=Path(), name=""), "value", "'01200345"))
    "'01200345" begins with an apostrophe, as a file for a spreadsheet has it: name the table for programs
    """
    if is_guarded(text):
        guard = "begins with an apostrophe, as a file for a spreadsheet has it: name the table for programs"
        return f"{redacted_repr(text)} {guard}"
    return describe_white_space(file, column, text)


def read_credentials(
    file: CsvFile, kinds: Collection[str], statuses: Collection[str], not_payment: Collection[str] = (),
    faults: FileFaults | None = None, empty_lines: list[int] | None = None,
) -> tuple[Assignment, ...]:  # fmt: skip
    """The assignments in ``file``; their kinds must be among ``kinds``, their statuses among ``statuses``.

    Where a line may have several numbers, an empty one is none; a line without any is added to ``empty_lines``. Lines
    that hold a payment track are refused at once, but for cells of those kinds that are among ``not_payment``. Other
    faults are collected: in ``faults`` if they are given, or else to be refused at the end of the file.
    """
    found = []
    mapping = file.mapping
    rules, ids = credential_rules(file, kinds, statuses), BuiltIds(file)
    with collect_faults(faults) as noted:
        for line, rows in groupby(noted.rows(file, CREDENTIALS, OPTIONAL), key=lambda each: mapping.line_of(each[0])):
            wrong: list[FaultOccurrence] = []
            numbered = [(row, cells[: len(CREDENTIALS)], cells[len(CREDENTIALS) :]) for row, cells in rows]
            guarded = [[*own, *others] for _, own, others in numbered if own[2] not in not_payment]
            if guarded:
                _refuse_track(file, line, [*numbered[0][2], *(cell for cells in guarded for cell in cells)])
            if mapping.rows_of_line:
                numbered = [each for each in numbered if strip_white_space(each[1][3])]
                if not numbered and empty_lines is not None:
                    empty_lines.append(line)
            for row, cells, _ in numbered:
                its_rules = rules[row % len(rules)]
                parsed = _parse_assignment(row, cells, kinds, statuses, its_rules, mapping.date_pattern)
                if isinstance(parsed, list):
                    wrong += parsed
                elif (fault := ids.find_fault(line, cells)) is not None:
                    wrong.append(fault)
                elif not (noted or wrong):
                    found.append(parsed)
            if wrong:
                noted.add(file, line, dict.fromkeys(wrong))  # of a column that all numbers share, once
    return tuple(found)


class BuiltIds:
    """The ids of credentials that were built, each of which is of one credential: one number of each kind."""

    def __init__(self, file: CsvFile) -> None:
        template = file.mapping.built.get("credential_id")
        self._places = [CREDENTIALS.index(name) for name in template.columns] if template else []
        self._rule = built_twice(file)
        self._seen: dict[tuple[str, ...], tuple[int, tuple[str, ...]]] = {}

    def find_fault(self, line: int, cells: Sequence[str]) -> FaultOccurrence | None:
        """What is wrong with the id of a row: it is that of another credential, too."""
        if not self._places:
            return None
        _, credential, kind, value, *_ = cells
        made_of = tuple(cells[place] for place in self._places)
        for key, wanted in (((credential,), made_of), ((credential, kind), (value,))):
            first, known = self._seen.setdefault(key, (line, wanted))
            if known != wanted:
                return FaultOccurrence(self._rule, (credential, first))
        return None


def _refuse_track(file: CsvFile, line: int, cells: Sequence[str]) -> None:
    """Refuse a line that holds a payment track."""
    if any(map(holds_track, cells)):
        file.refuse_track(line)


def _parse_assignment(
    line: int, cells: Sequence[str], kinds: Collection[str], statuses: Collection[str], rules: CredentialRules,
    pattern: MomentPattern | None,
) -> Assignment | list[FaultOccurrence]:  # fmt: skip
    """The assignment in a row, or everything that is wrong with the row."""
    person, credential, kind, value, printed, issue, status, first, last, replaces, source = cells
    faults = []
    for column, cell in (("person_id", person), ("credential_id", credential), ("status", status)):
        if not cell:
            faults.append(FaultOccurrence(rules.empty[column]))
        elif not strip_white_space(cell):
            faults.append(FaultOccurrence(rules.blank[column], (cell,)))
    if kind not in kinds:
        faults.append(FaultOccurrence(rules.kind, (kind,)))
    if status not in statuses and strip_white_space(status):
        faults.append(FaultOccurrence(rules.status, (status,)))
    if issue and not _ISSUE.fullmatch(issue):
        faults.append(FaultOccurrence(rules.issue, (issue,)))
    valid_from, valid_until = parse_date(first, pattern), parse_date(last, pattern)
    for column, cell, day in (("valid_from", first, valid_from), ("valid_until", last, valid_until)):
        if cell and day is None:
            has_form = pattern is not None and pattern.to_iso(cell) is not None
            faults.append(FaultOccurrence((rules.no_days if has_form else rules.days)[column], (cell,)))
    if valid_from and valid_until and valid_until < valid_from:
        faults.append(FaultOccurrence(rules.days_reversed, (valid_until, valid_from)))
    return faults or Assignment(
        line=line, person=person, credential=credential, kind=kind, value=value, printed=printed,
        issue=int(issue) if issue else None, status=status, valid_from=valid_from, valid_until=valid_until,
        replaces=replaces, source=source,
    )  # fmt: skip


@lru_cache(maxsize=4096)
def parse_date(text: str, pattern: MomentPattern | None = None) -> date | None:
    """The day that a cell writes as ISO 8601, or as ``pattern``, whose time of day does not count; else None.

    >>> parse_date("2026-03-31"), parse_date("31.3.2026"), parse_date("31.3.2026", MomentPattern("D.M.YYYY"))
    (datetime.date(2026, 3, 31), None, datetime.date(2026, 3, 31))
    """
    try:
        if pattern is None:
            return date.fromisoformat(text) if _DATE.fullmatch(text) else None
        iso = pattern.to_iso(text)
        return None if iso is None else datetime.fromisoformat(iso).date()
    except ValueError:
        return None


def read_readings(
    file: CsvFile, readers: Collection[str], zone: tzinfo, not_payment: Collection[str] = (),
    faults: FileFaults | None = None,
) -> tuple[ReadingRow, ...]:  # fmt: skip
    """The readings in ``file``; ``zone`` is for local times, and readers must be among ``readers``.

    Rows that hold a payment track are refused at once, but for those whose reader is among ``not_payment``. Other
    faults are collected as `read_credentials` does.
    """
    found = []
    unknown, wrong_times = unknown_reader(readers, file), moment_rules(zone, file)
    pattern = file.mapping.time_pattern
    with collect_faults(faults) as noted:
        for line, cells in noted.rows(file, READINGS, OPTIONAL):
            time, reader, text, presentation, expected = cells[: len(READINGS)]
            if reader not in not_payment:
                _refuse_track(file, line, cells)
            moment = find_moment(time, zone, local=file.has_local_times, pattern=pattern)
            wrong = [FaultOccurrence(unknown, (reader,))] if reader not in readers else []
            if isinstance(moment, MomentFault):
                wrong.append(FaultOccurrence(wrong_times[moment], (time,)))
            elif not (wrong or noted):
                found.append(
                    ReadingRow(
                        line=line, time=moment, reader=reader, text=text, presentation=presentation, expected=expected
                    )
                )
            if wrong:
                noted.add(file, line, wrong)
    return tuple(found)


def read_existing(
    file: CsvFile, *, not_payment: bool = False, faults: FileFaults | None = None
) -> tuple[ExportRow, ...]:  # fmt: skip
    """The rows of an export: persons and the texts that the target holds for them.

    Rows that hold a payment track are refused at once unless they are ``not_payment``. Other faults are collected
    as `read_credentials` does.
    """
    found = []
    with collect_faults(faults) as noted:
        for line, cells in noted.rows(file, EXISTING):
            if not not_payment:
                _refuse_track(file, line, cells)
            found.append(ExportRow(line=line, person=cells[0], text=cells[1]))
    return tuple(found)


def read_list(file: CsvFile, faults: FileFaults | None = None) -> dict[int, int]:
    """The list in ``file``, printed numbers to encoded ones; faults are collected as `read_credentials` does."""
    found: dict[int, int] = {}
    with collect_faults(faults) as noted:
        for line, cells in noted.rows(file, LIST):
            wrong = [
                FaultOccurrence(NUMBERS[column], (cell,))
                for column, cell in zip(LIST, cells, strict=False)
                if not _NUMBER.fullmatch(cell)
            ]
            if not wrong:
                printed, encoded = map(int, cells[: len(LIST)])
                if printed in found:
                    wrong.append(FaultOccurrence(LISTED_TWICE, (printed,)))
                found[printed] = encoded
            if wrong:
                noted.add(file, line, wrong)
    return found
