"""Output files of a census: a table for each question and the summary, written as a whole or not at all."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from credkit.census.result import Allocation, Census
from credkit.census.summary import census_text
from credkit.files.csvtables import CsvTable, FilledTable, split_rows
from credkit.files.dialects import PLAIN, Dialect
from credkit.files.outputs import Content, write_folder
from credkit.files.spreadsheets import spreadsheet_files

DUPLICATES = CsvTable(
    columns=(
        "group", "where", "what", "shared", "credential", "person", "kind", "number", "value", "line", "state",
        "readers",
    ),
    unmasked=("shared", "number", "value"),  # account numbers were taken from these where they were made
)  # fmt: skip
REISSUE = CsvTable(
    columns=("credential", "person", "kind", "number", "value", "line", "state"), unmasked=("number", "value")
)
RANGES = CsvTable(
    columns=("namespace", "facility", "first", "last", "count", "used"), unmasked=("facility", "first", "last")
)
UNREADABLE = CsvTable(columns=("file", "line", "code", "input", "reason", "credential"), unmasked=("input", "reason"))
ALLOCATION = ("kind", "facility", "number", "value")  # and a column for each target
SKIPPED = ("first", "last", "count", "reason")
MAKER = "census"
FILE_NAMES = (
    "duplicates.csv", "reissue.csv", "ranges.csv", "unreadable.csv", "allocation.csv", "skipped.csv", "summary.txt",
)  # fmt: skip
OutputRow = tuple[object, ...]


def write_census(result: Census, out: str | Path, dialect: Dialect = PLAIN) -> None:
    """Write ``result`` as the folder ``out``, in place of a former census; its tables in ``dialect``, too.

    Raises `DefinitionError` where ``out`` cannot be written, `ForeignOutput` where it holds what no census wrote.
    """
    tables = {
        "duplicates.csv": _fill(DUPLICATES, lambda: _duplicates(result)),
        "reissue.csv": _fill(REISSUE, lambda: _reissue(result)),
        "ranges.csv": _fill(RANGES, lambda: _ranges(result)),
        "unreadable.csv": _fill(UNREADABLE, lambda: _unreadable(result)),
    }
    more: dict[str, FilledTable] = {}
    if result.allocation:
        more = _allocation(result.allocation, is_unmasked=result.allocation.kind in result.unmasked_kinds)
    files: dict[str, Content] = {name: filled.encode() for name, filled in tables.items()}
    files["summary.txt"] = census_text(result).encode("utf-8", "backslashreplace")
    files |= {name: filled.encode() for name, filled in more.items()}
    write_folder(files | spreadsheet_files(tables | more, dialect), out, MAKER)


def _fill(table: CsvTable, rows: Callable[[], Iterable[OutputRow]]) -> FilledTable:
    return FilledTable(table=table, blocks=lambda: split_rows(rows()))


def _reissue(result: Census) -> Iterator[OutputRow]:
    for card in result.reissue.cards:
        yield card.credential, card.person, card.kind, card.number, card.value, card.line, card.state


def _duplicates(result: Census) -> Iterator[OutputRow]:
    for number, group in enumerate(result.groups, 1):
        for each in group.members:
            yield (
                number, group.place, group.what, group.text, each.credential, each.person, each.kind, each.number,
                each.value, each.line, each.state, group.readers,
            )  # fmt: skip


def _ranges(result: Census) -> Iterator[OutputRow]:
    for each in result.spans:
        word = "used" if each.used else "free"
        facility = None if each.facility is None else str(each.facility)
        yield each.namespace, facility, str(each.first), str(each.last), each.count, word


def _unreadable(result: Census) -> Iterator[OutputRow]:
    for row in result.unreadable:
        yield row.file, row.line, row.code, row.input, row.reason, row.candidates


def _allocation(allocation: Allocation, *, is_unmasked: bool) -> dict[str, FilledTable]:
    columns = (*ALLOCATION, *(allocation.badges[0].texts if allocation.badges else ()))
    badges = CsvTable(columns=columns, unmasked=columns[1:] if is_unmasked else ())
    skipped = CsvTable(columns=SKIPPED, unmasked=("first", "last") if is_unmasked else ())
    return {
        "allocation.csv": _fill(badges, lambda: _badges(allocation)),
        "skipped.csv": _fill(skipped, lambda: _skipped(allocation)),
    }


def _badges(allocation: Allocation) -> Iterator[OutputRow]:
    for badge in allocation.badges:
        facility = None if badge.facility is None else str(badge.facility)
        yield allocation.kind, facility, str(badge.number), badge.value, *badge.texts.values()


def _skipped(allocation: Allocation) -> Iterator[OutputRow]:
    for each in allocation.skipped:
        yield str(each.first), str(each.last), each.last - each.first + 1, each.reason
