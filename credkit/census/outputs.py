"""Output files of a census: one table a question, and the summary, written as a whole or not at all.

Source: RFC 4180 (common form of CSV).
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from pathlib import Path

from credkit.census.result import Allocation, Census
from credkit.census.summary import census_text
from credkit.crosswalk.outputs import format_cell
from credkit.files.outputs import write_folder
from credkit.privacy.accounts import mask_accounts

DUPLICATES = (
    "group", "where", "what", "shared", "credential", "person", "kind", "number", "line", "state", "readers",
)  # fmt: skip
REISSUE = ("credential", "person", "kind", "number", "line", "state")
RANGES = ("namespace", "facility", "first", "last", "count", "used")
UNREADABLE = ("file", "line", "code", "input", "reason", "credential")
ALLOCATION = ("kind", "facility", "number", "value")  # and a column for each target
SKIPPED = ("first", "last", "count", "reason")
MAKER = "census"
FILE_NAMES = (
    "duplicates.csv", "reissue.csv", "ranges.csv", "unreadable.csv", "allocation.csv", "skipped.csv", "summary.txt",
)  # fmt: skip
OutputRow = tuple[Sequence[object], frozenset[int]]  # the cells, and which of them are shown whatever they look like


def write_census(result: Census, out: str | Path) -> None:
    """Write ``result`` as the folder ``out``, in place of a former census.

    Raises `DefinitionError` where ``out`` cannot be written, `ForeignOutput` where it holds what no census wrote.
    """
    texts = {
        "duplicates.csv": _format_csv(DUPLICATES, _duplicates(result)),
        "reissue.csv": _format_csv(REISSUE, _reissue(result)),
        "ranges.csv": _format_csv(RANGES, _ranges(result)),
        "unreadable.csv": _format_csv(UNREADABLE, _unreadable(result)),
        "summary.txt": census_text(result),
    }
    if result.allocation:
        texts |= _allocation(result.allocation, result.allocation.kind in result.plain)
    write_folder({name: text.encode("utf-8", "backslashreplace") for name, text in texts.items()}, out, MAKER)


def _columns_shown(columns: Sequence[str], names: Iterable[str], plain: bool = True) -> frozenset[int]:
    """The columns of these names, where what they hold was made to be shown."""
    return frozenset(columns.index(name) for name in names) if plain else frozenset()


def _reissue(result: Census) -> Iterable[OutputRow]:
    for card in result.reissue.cards:
        cells = (card.credential, card.person, card.kind, card.number, card.line, card.state)
        yield cells, _columns_shown(REISSUE, ("number",))


def _duplicates(result: Census) -> Iterable[OutputRow]:
    for group, clash in enumerate(result.clashes, 1):
        for each in clash.members:
            cells = (
                group, clash.place, clash.what, clash.text, each.credential, each.person, each.kind, each.number,
                each.line, each.state, clash.readers,
            )  # fmt: skip
            yield cells, _columns_shown(DUPLICATES, ("shared", "number"))


def _ranges(result: Census) -> Iterable[OutputRow]:
    for each in result.stretches:
        word = "used" if each.used else "free"
        cells = (each.namespace, each.facility, each.first, each.last, each.count, word)
        yield cells, _columns_shown(RANGES, ("facility", "first", "last"))


def _unreadable(result: Census) -> Iterable[OutputRow]:
    for row in result.unreadable:
        cells = (row.file, row.line, row.code, row.input, row.reason, row.candidates)
        yield cells, _columns_shown(UNREADABLE, ("input", "reason"))


def _allocation(allocation: Allocation, plain: bool) -> dict[str, str]:
    columns = (*ALLOCATION, *(allocation.badges[0].texts if allocation.badges else ()))
    shown = frozenset(range(1, len(columns))) if plain else frozenset[int]()
    badges = (
        ((allocation.kind, badge.facility, badge.number, badge.value, *badge.texts.values()), shown)
        for badge in allocation.badges
    )
    skipped = (
        (
            (each.first, each.last, each.last - each.first + 1, each.reason),
            _columns_shown(SKIPPED, ("first", "last"), plain),
        )
        for each in allocation.skipped
    )
    return {"allocation.csv": _format_csv(columns, badges), "skipped.csv": _format_csv(SKIPPED, skipped)}


def _format_csv(columns: Sequence[str], rows: Iterable[OutputRow]) -> str:
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow([format_cell(column) for column in columns])
    for cells, shown in rows:
        texts = [str(each) if isinstance(each, int) else format_cell(each) for each in cells]
        writer.writerow([text if place in shown else mask_accounts(text) for place, text in enumerate(texts)])
    return buffer.getvalue()
