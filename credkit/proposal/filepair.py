"""The two files of a site: the register of credentials and the log of readings, and the cells of their columns."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from credkit.core.whitespace import strip_white_space
from credkit.proposal.columnroles import LogRoles, RegisterRoles
from credkit.proposal.exporttable import ExportTable

ONE_KIND, ONE_READER, NOBODY, UNNAMED = "card", "reader", "unassigned", "unnamed"  # where an export names none


@dataclass(frozen=True, slots=True, kw_only=True)
class FilePair:
    """The two files of a site, with what their columns may hold."""

    register: ExportTable
    roles: RegisterRoles
    log: ExportTable
    log_roles: LogRoles


class NumberCells(NamedTuple):
    """What a register has of one number: its kind and value, the printed number and the issue."""

    kind: str
    value: str
    printed: str
    issue: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CardColumn:
    """One of several columns of a register that have numbers: its header, and that of the printed numbers.

    The kind is called as the header is. ``is_read`` says whether readers give its numbers.
    """

    header: str
    printed: str = ""
    is_read: bool = True


def column_cells(table: ExportTable, header: str | None) -> list[str]:
    """The cells of a column without the white space around them; empty ones where there is no such column."""
    return [""] * table.rows if header is None else [strip_white_space(cell) for cell in table.columns[header]]


def kind_cells(table: ExportTable, roles: RegisterRoles) -> list[str]:
    """The kind of each row of a register."""
    if "kind" not in roles.headers:
        return [ONE_KIND] * table.rows
    return [cell or UNNAMED for cell in column_cells(table, roles.headers["kind"])]


def number_cells(
    pair: FilePair, value: str, cards: Sequence[CardColumn], printed: str | None = None
) -> Iterator[NumberCells]:  # fmt: skip
    """The numbers of a register, column by column: all rows of one column, then those of the next."""
    table = pair.register
    if cards:
        for card in cards:
            columns = column_cells(table, card.header), column_cells(table, card.printed or None)
            yield from map(NumberCells, [card.header] * table.rows, *columns, [""] * table.rows)
    else:
        issues = column_cells(table, pair.roles.headers.get("issue"))
        columns = column_cells(table, value), column_cells(table, printed)
        yield from map(NumberCells, kind_cells(table, pair.roles), *columns, issues)


def reader_cells(table: ExportTable, roles: LogRoles) -> list[str]:
    """The reader of each row of a log."""
    if "reader" not in roles.headers:
        return [ONE_READER] * table.rows
    return [cell or UNNAMED for cell in column_cells(table, roles.headers["reader"])]
