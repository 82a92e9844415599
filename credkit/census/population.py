"""Population: the credentials file of a site as columns, read as strictly as row by row."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from functools import lru_cache
from typing import Any

import numpy as np
import polars as pl

from credkit.facts.statuses import ACTIVE, status_expression
from credkit.site.columns import load_credentials
from credkit.site.model import Rules, Site
from credkit.site.rows import Assignment, read_credentials
from credkit.site.superseded import find_superseded

KEPT_COLUMNS = ("person", "credential", "kind", "value", "issue", "status", "valid_from", "valid_until", "source")
REPEATED_COLUMNS = ("printed", "replaces")  # only to find repeated rows


def read_population(site: Site) -> pl.DataFrame:
    """The rows of the credentials file; raises `DefinitionError` with file and line.

    Beside the columns there is the ``line`` of each row, ``card`` (the first line of its credential),
    its ``state`` on the day of judgement, whether it is ``active``, ``held`` (somebody may still have
    it), and whether another row supersedes it (``late``).
    """
    found = decode_columns(site)
    return _add_states(read_strictly(site) if found is None else found, site)


def read_strictly(site: Site) -> pl.DataFrame:
    """The columns, by the strict reader."""
    not_payment = {kind.name for kind in site.kinds.values() if kind.not_payment}
    rows = read_credentials(site.credentials, site.kinds, site.rules.statuses, not_payment)
    columns = {
        "line": [row.line for row in rows], "person": [row.person for row in rows],
        "credential": [row.credential for row in rows], "kind": [row.kind for row in rows],
        "value": [row.value for row in rows], "issue": [row.issue for row in rows],
        "status": [row.status for row in rows],
        "valid_from": [str(row.valid_from or "") for row in rows],
        "valid_until": [str(row.valid_until or "") for row in rows],
        "source": [row.source for row in rows],
        "printed": [row.printed for row in rows], "replaces": [row.replaces for row in rows],
    }  # fmt: skip
    kinds = dict.fromkeys((*KEPT_COLUMNS, *REPEATED_COLUMNS), pl.String) | {"line": pl.UInt32, "issue": pl.UInt64}
    return pl.DataFrame(columns, schema={name: kinds[name] for name in columns})


def decode_columns(site: Site) -> pl.DataFrame | None:
    """The columns, by kernels; None where the strict reader has to look."""
    frame = load_credentials(site)
    return None if frame is None else frame.select("line", *KEPT_COLUMNS, *REPEATED_COLUMNS)


def _add_states(frame: pl.DataFrame, site: Site) -> pl.DataFrame:
    """The columns that follow from the others; days are compared as ISO 8601 writes them."""
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
    """Which rows do not count beside others: only those of one credential (``again``), kind and person are compared."""
    late = np.zeros(frame.height, bool)
    places = again.arg_true()
    some = frame[places]
    grouped = some.select("credential", "kind", "person").is_duplicated()
    places = places.filter(grouped)
    rows = [_assignment(row) for row in some.filter(grouped).iter_rows(named=True)]
    superseded, _ = find_superseded(rows, rules)
    late[[place for place, row in zip(places.to_list(), rows, strict=True) if row.line in superseded]] = True
    return pl.Series("late", late)


def _assignment(row: Mapping[str, Any]) -> Assignment:
    return Assignment(
        line=row["line"], person=row["person"], credential=row["credential"], kind=row["kind"], value=row["value"],
        printed=row["printed"], issue=row["issue"], status=row["status"], valid_from=_date(row["valid_from"]),
        valid_until=_date(row["valid_until"]), replaces=row["replaces"], source=row["source"],
    )  # fmt: skip


@lru_cache(maxsize=4096)
def _date(text: str) -> date | None:
    """The day of a cell that was read strictly."""
    return date.fromisoformat(text) if text else None
