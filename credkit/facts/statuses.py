"""Statuses: what the status of a credentials row is on a day, and how a sentence says it."""

from __future__ import annotations

from datetime import date

import polars as pl

from credkit.core.sentences import redacted_repr
from credkit.site.model import Rules, Site
from credkit.site.rows import Assignment

ACTIVE, EARLY, EXPIRED = "active", "not yet valid", "expired"


def status_on(row: Assignment, day: date, rules: Rules) -> str:
    """The status of an assignment as it stands on ``day``, the day of judgement."""
    if row.status not in rules.active:
        return row.status
    if row.valid_from and day < row.valid_from:
        return EARLY
    if row.valid_until and row.valid_until < day:
        return EXPIRED
    return ACTIVE


def active_days(row: Assignment, site: Site) -> tuple[date, date] | None:
    """The first and the last day on which the card of an assignment was active, as far as the row says; None for none.

    A row that is no longer active was so until its end, where an end has come; where none has, nothing says since
    when it is lost, and it counts as lost all along.
    """
    ended = row.valid_until is not None and row.valid_until <= site.as_of
    if not ended and row.status not in site.rules.active:
        return None
    return row.valid_from or date.min, row.valid_until or date.max


def status_when_read(row: Assignment, day: date, site: Site) -> str:
    """The status of an assignment on an earlier ``day``, on which its card was read."""
    if row.valid_from and day < row.valid_from:
        return EARLY
    if row.valid_until and row.valid_until < day:
        return status_on(row, day, site.rules)
    return ACTIVE if active_days(row, site) else row.status


def describe_status(row: Assignment, status: str) -> str:
    """The date that makes a row early or expired, or else its status."""
    return describe_validity(row, status) or f"its status is {redacted_repr(status)}"


def describe_validity(row: Assignment, status: str) -> str:
    """The date that makes a row early or expired; nothing where a word of the register says what it is."""
    if status == row.status:
        return ""
    if status == EARLY:
        return f"not valid before {row.valid_from}"
    return f"valid until {row.valid_until}" if status == EXPIRED else ""


def describe_end(row: Assignment, site: Site) -> str:
    """The date since which a row is not active, as far as the register has one."""
    until = row.valid_until
    ended = f"valid until {until}" if until and until <= site.as_of else "the register does not say since when"
    return describe_validity(row, status_on(row, site.as_of, site.rules)) or ended


def status_expression(site: Site) -> pl.Expr:
    """The status of assignments on the day of judgement (`status_on`)."""
    return (
        pl.when(~pl.col("status").is_in(list(site.rules.active))).then(pl.col("status"))
        .when(pl.col("valid_from") > site.as_of).then(pl.lit(EARLY))
        .when(pl.col("valid_until") < site.as_of).then(pl.lit(EXPIRED))
        .otherwise(pl.lit(ACTIVE))
    )  # fmt: skip
