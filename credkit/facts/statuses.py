"""Statuses: what the status of a credentials row is on a day, and how a sentence says it."""

from __future__ import annotations

from datetime import date

import polars as pl

from credkit.bulk.words import Array
from credkit.core.sentences import redacted_repr
from credkit.site.model import Site
from credkit.site.rows import Assignment

EPOCH_DAY = date(1970, 1, 1).toordinal()
LOST = ("lost", "stolen")  # statuses of cards that may be in strange hands
ACTIVE, EARLY, EXPIRED = "active", "not yet valid", "expired"


def status_expression(site: Site) -> pl.Expr:
    """The status of assignments as it stands on the day of judgement."""
    return (
        pl.when(~pl.col("status").is_in(list(site.rules.active))).then(pl.col("status"))
        .when(pl.col("valid_from") > site.as_of).then(pl.lit(EARLY))
        .when(pl.col("valid_until") < site.as_of).then(pl.lit(EXPIRED))
        .otherwise(pl.lit(ACTIVE))
    )  # fmt: skip


def active_day_expressions(site: Site) -> tuple[pl.Expr, pl.Expr]:
    """The first and the last day on which the card of an assignment was active, as far as the row says; null for none.

    A row that is no longer active was so until its end, where an end has come; where none has, nothing says since
    when it is lost, and it counts as lost all along.
    """
    ever = (pl.col("valid_until") <= site.as_of).fill_null(value=False) | pl.col("status").is_in(
        list(site.rules.active)
    )
    return (
        pl.when(ever).then(pl.col("valid_from").fill_null(date.min)),
        pl.when(ever).then(pl.col("valid_until").fill_null(date.max)),
    )


def ordinals(days: pl.Series) -> Array:
    """Days as `date.toordinal` counts them; 0 where there is none.

    >>> ordinals(pl.Series([date(1, 1, 1), None, date(2026, 3, 31)])).tolist()
    [1, 0, 739706]
    """
    return (days.to_physical().cast(pl.Int64) + EPOCH_DAY).fill_null(0).to_numpy()


def status_when_read(row: Assignment, active_days: tuple[date, date] | None, day: date, site: Site) -> str:
    """The status of an assignment on an earlier ``day``, on which its card was read."""
    if row.valid_from and day < row.valid_from:
        return EARLY
    if row.valid_until and row.valid_until < day:
        return EXPIRED if row.status in site.rules.active else row.status
    return ACTIVE if active_days else row.status


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


def describe_end(row: Assignment, status: str, site: Site) -> str:
    """The date since which a row is not active, as far as the register has one; ``status`` is that of today."""
    until = row.valid_until
    ended = f"valid until {until}" if until and until <= site.as_of else "the register does not say since when"
    return describe_validity(row, status) or ended
