"""The two files of a site: the register of credentials and the log of readings, and the cells of their columns."""

from __future__ import annotations

from dataclasses import dataclass

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


def column_cells(table: ExportTable, header: str | None) -> list[str]:
    """The cells of a column without the white space around them; empty ones where there is no such column."""
    return [""] * table.rows if header is None else [strip_white_space(cell) for cell in table.columns[header]]


def kind_cells(table: ExportTable, roles: RegisterRoles) -> list[str]:
    """The kind of each row of a register."""
    if "kind" not in roles.headers:
        return [ONE_KIND] * table.rows
    return [cell or UNNAMED for cell in column_cells(table, roles.headers["kind"])]


def reader_cells(table: ExportTable, roles: LogRoles) -> list[str]:
    """The reader of each row of a log."""
    if "reader" not in roles.headers:
        return [ONE_READER] * table.rows
    return [cell or UNNAMED for cell in column_cells(table, roles.headers["reader"])]
