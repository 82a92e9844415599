"""Population: the credentials file of a site as columns, read as strictly as row by row."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl

from credkit.facts.statuses import ACTIVE, status_expression
from credkit.site.columns import load_credentials
from credkit.site.frames import CREDENTIAL_TYPES
from credkit.site.model import Rules, Site
from credkit.site.rows import Assignment
from credkit.site.superseded import find_superseded

KEPT_COLUMNS = ("person", "credential", "kind", "value", "issue", "status", "valid_from", "valid_until", "source")
REPEATED_COLUMNS = ("printed", "replaces")  # only to find repeated rows


def read_population(site: Site) -> pl.DataFrame:
    """The rows of the credentials file; raises `DefinitionError` with file and line.

    Beside the columns there is the ``line`` of each row, ``card`` (the first line of its credential),
    its ``state`` on the day of judgement, whether it is ``active``, ``held`` (somebody may still have
    it), and whether another row supersedes it (``late``).
    """
    return _add_states(load_credentials(site).select("line", *KEPT_COLUMNS, *REPEATED_COLUMNS), site)


def _add_states(frame: pl.DataFrame, site: Site) -> pl.DataFrame:
    """The columns that follow from the others."""
    rules = site.rules
    again = frame["credential"].is_duplicated()
    card = pl.col("line").min().over("credential") if again.any() else pl.col("line")
    return (
        frame.with_columns(
            card.alias("card"),
            status_expression(site).alias("state"),
            (~pl.col("status").is_in(list(rules.gone))).alias("held"),
            _superseded_rows(frame, again, rules),
        )
        .drop(REPEATED_COLUMNS)
        .with_columns((pl.col("state") == ACTIVE).alias("active"))
    )


def _superseded_rows(frame: pl.DataFrame, again: pl.Series, rules: Rules) -> pl.Series:
    """Which rows do not count beside others: only those of one credential (``again``), kind and person are compared.

    A row that repeats an earlier one of the same source never counts, and decides nothing about others.
    """
    late = np.zeros(frame.height, bool)
    places = again.arg_true()
    some = frame[places]
    repeats = ~some.select(pl.struct(pl.exclude("line")).is_first_distinct()).to_series()
    late[places.filter(repeats)] = True
    places, some = places.filter(~repeats), some.filter(~repeats)
    grouped = some.select("credential", "kind", "person").is_duplicated()
    places = places.filter(grouped)
    rows = [_assignment(row) for row in some.filter(grouped).iter_rows(named=True)]
    superseded, _ = find_superseded(rows, rules)
    late[[place for place, row in zip(places.to_list(), rows, strict=True) if row.line in superseded]] = True
    return pl.Series("late", late)


def _assignment(row: Mapping[str, Any]) -> Assignment:
    return Assignment(**{name: row[name] for name in CREDENTIAL_TYPES})
