"""Roles of columns: which column of an export may hold what, by its header and by what its cells are.

Which of several columns has the numbers of the cards is decided by what readers give (`credkit.proposal.numbers`).
Names of people are never taken.

Source: common practice, no source.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from credkit.core.whitespace import strip_white_space
from credkit.files.columnmaps import JOINT
from credkit.files.momentpatterns import MomentPattern
from credkit.proposal.cellforms import DISTINCT_SHARE, are_numbers, filled, holds_numbers
from credkit.proposal.exporttable import ExportTable
from credkit.proposal.headerwords import WORD, names_subject, score_header
from credkit.proposal.momentcolumns import ISO_DAYS, MomentForm, find_days, find_times, holds_clock
from credkit.proposal.statuswords import status_meaning

MOST_STATUS_WORDS, MOST_KINDS, MOST_READERS = 30, 20, 500
KNOWN_SHARE = 0.5  # of the cells of a status that are known words
FILLED_SHARE = 0.5  # of the rows of a log that must have a text
REPEATS = 2  # rows for each reader, kind or status at least, on the average
MOST_NUMBER_COLUMNS = 5  # that are tried on readings


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterRoles:
    """What the columns of a register may hold: the header of each of our columns, and those that may have numbers."""

    headers: Mapping[str, str]
    numbers: tuple[str, ...]
    days: tuple[str, ...]  # of which nothing says what they mean
    score: int
    has_subject: bool  # whether a header names cards or their holders


@dataclass(frozen=True, slots=True, kw_only=True)
class LogRoles:
    """What the columns of a log may hold; ``time`` is one column or two: a day and a clock."""

    headers: Mapping[str, str]
    texts: tuple[str, ...]
    time: tuple[str, ...]
    form: MomentForm
    other_times: tuple[str, ...]
    score: int
    has_subject: bool  # whether a header names readers, or what they read


def register_roles(table: ExportTable) -> RegisterRoles | None:
    """The roles in a register of credentials; None where nothing looks like the number of a card."""
    days = [name for name, cells in table.columns.items() if find_days(cells) is not None]
    names = [name for name in table.columns if name not in days and not is_name(table, name)]
    found: dict[str, str] = {}
    for role in ("valid_from", "valid_until"):
        _take(found, role, [name for name in days if name not in found.values()])
    if (status := _find_status(table, names)) is not None:
        found["status"] = status
    rest = _left(names, found)
    _take(found, "kind", [name for name in rest if _is_repeated(table.columns[name], MOST_KINDS)])
    _take(found, "replaces", _left(names, found), least=WORD)
    _take(found, "issue", _left(names, found), least=WORD)
    rest = _left(names, found)
    _take(found, "person_id", [name for name in rest if _rank("person_id", name) >= _rank("value", name)])
    rest = _left(names, found)
    numbers = [
        name for name in rest
        if holds_numbers(table.columns[name])
        or (_rank("value", name) and _is_distinct(table.columns[name]) and _has_digits(table.columns[name]))
    ]  # fmt: skip
    numbers.sort(key=lambda name: -_rank("value", name))
    if not numbers:
        return None
    score = sum(score_header(name, role) for role, name in found.items())
    score += max(_rank("value", name) + _rank("credential_id", name) for name in numbers)
    has_subject = "person_id" in found or any(names_subject(name, "value", "credential_id") for name in numbers)
    return RegisterRoles(
        headers=found, numbers=tuple(numbers[:MOST_NUMBER_COLUMNS]), score=score, has_subject=has_subject,
        days=tuple(name for name in days if name not in found.values()),
    )  # fmt: skip


def log_roles(table: ExportTable) -> LogRoles | None:
    """The roles in a log of readings; None where no column has times, or none has what readers gave."""
    times: dict[tuple[str, ...], MomentForm] = {}
    for name, cells in table.columns.items():
        if (form := find_times(cells)) is not None:
            times[name,] = form
    days = {name: find_days(cells) for name, cells in table.columns.items()}
    clocks = [name for name, cells in table.columns.items() if holds_clock(cells) and days[name] is None]
    if not times and clocks:
        for name in table.columns:
            if name not in clocks and _is_day(days[name]):
                form = find_times(join_cells(table, (name, clocks[0])))
                times |= {(name, clocks[0]): form} if form else {}
    if not times:
        return None
    time = max(times, key=lambda names: max(score_header(name, "time") for name in names))
    used = {name for names in times for name in names} | {*clocks}
    names = [name for name in table.columns if name not in used and days[name] is None]
    found: dict[str, str] = {}
    _take(found, "expected", [name for name in names if score_header(name, "expected")])
    _take(found, "presentation", _left(names, found), least=WORD)
    few = [name for name in _left(names, found) if _is_repeated(table.columns[name], MOST_READERS)]
    _take(found, "reader", few)
    if "reader" not in found:
        words = [name for name in few if not holds_numbers(table.columns[name]) and len(set(table.columns[name])) > 1]
        found |= {"reader": min(words, key=lambda name: len(set(table.columns[name])))} if words else {}
    texts = [
        name for name in _left(names, found)
        if len(filled(table.columns[name])) >= FILLED_SHARE * table.rows and not is_name(table, name)
        and (score_header(name, "text") or are_numbers(table.columns[name]))
    ]  # fmt: skip
    if not texts:
        return None
    texts.sort(key=lambda name: -score_header(name, "text"))
    score = sum(score_header(name, role) for role, name in found.items())
    score += max(score_header(name, "text") for name in texts) + max(score_header(name, "time") for name in time)
    has_subject = any(names_subject(name, "reader", "text") for name in (*texts, *found.values()))
    return LogRoles(
        headers=found, texts=tuple(texts[:MOST_NUMBER_COLUMNS]), time=time, form=times[time], score=score,
        has_subject=has_subject,
        other_times=tuple(JOINT.join(names) for names in times if names != time),
    )  # fmt: skip


def find_credential_ids(table: ExportTable, names: Sequence[str]) -> str | None:
    """The column among ``names`` that names credentials: by its header, with a different word in most rows."""
    fits = {
        name: score for name in names
        if (score := _rank("credential_id", name)) and _is_distinct(table.columns[name])
        and len(filled(table.columns[name])) == table.rows and find_days(table.columns[name]) is None
        and not is_name(table, name)
    }  # fmt: skip
    return max(fits, key=lambda name: fits[name], default=None)


def find_id_columns(table: ExportTable, ids: Collection[str], used: Collection[str]) -> list[str]:
    """The columns of a log, of those not ``used``, whose filled cells all are ids of credentials, different ones."""
    words = {name: set(filled(cells)) for name, cells in table.columns.items() if name not in used}
    return [name for name, some in words.items() if len(some) >= REPEATS and some.issubset(ids)]


def join_cells(table: ExportTable, names: Sequence[str]) -> list[str]:
    """The cells of one column, or of several joined, as a site file joins them."""
    rows = zip(*(map(strip_white_space, table.columns[name]) for name in names), strict=True)
    return [JOINT.join(row) if any(row) else "" for row in rows]


def _rank(role: str, name: str) -> int:
    return score_header(name, role)


def _take(found: dict[str, str], role: str, names: Collection[str], least: int = 1) -> None:
    """Give a role to the column whose header fits best, if one fits."""
    best = max(names, key=lambda name: score_header(name, role), default=None)
    if best is not None and score_header(best, role) >= least:
        found[role] = best


def _left(names: Sequence[str], found: Mapping[str, str]) -> list[str]:
    return [name for name in names if name not in found.values()]


def _find_status(table: ExportTable, names: Sequence[str]) -> str | None:
    """The column whose cells are words of status, or are few and its header says so."""
    ranks = {}
    for name in names:
        counts = Counter(filled(table.columns[name]))
        if 0 < len(counts) <= MOST_STATUS_WORDS and (len(counts) * REPEATS <= counts.total() or len(counts) == 1):
            known = sum(count for word, count in counts.items() if status_meaning(word, name) is not None)
            share, rank = known / counts.total(), score_header(name, "status")
            if share >= KNOWN_SHARE or rank:
                ranks[name] = (share, rank)
    return max(ranks, key=lambda name: ranks[name], default=None)


def _is_repeated(cells: Sequence[str], most: int) -> bool:
    """Whether a column has few different words for its rows."""
    some = filled(cells)
    return 0 < len(set(some)) <= min(most, max(1, len(some) // REPEATS))


def _is_distinct(cells: Sequence[str]) -> bool:
    some = filled(cells)
    return len(set(some)) >= DISTINCT_SHARE * len(some)


def _has_digits(cells: Sequence[str]) -> bool:
    some = filled(cells)
    return sum(any(map(str.isdigit, text)) for text in some) * REPEATS >= len(some) > 0


def _is_day(form: MomentForm | None) -> bool:
    return form is not None and (form.pattern == ISO_DAYS or not MomentPattern(form.pattern).has_time)


def is_name(table: ExportTable, name: str) -> bool:
    """Whether a column seems to hold names of people, or how to reach them."""
    if score_header(name, "name") < WORD and not score_header(name, "person_id"):
        return False
    if score_header(name, "name") >= WORD:
        return True
    some = filled(table.columns[name])
    return sum((" " in text or "," in text) and not any(map(str.isdigit, text)) for text in some) * REPEATS > len(some)
