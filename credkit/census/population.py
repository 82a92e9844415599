"""Population: the credentials file of a site as columns, read as strictly as row by row."""

from __future__ import annotations

import numpy as np
import polars as pl

from credkit.census.number_columns import status_expression
from credkit.crosswalk.register import ACTIVE
from credkit.site.columns import load_credentials
from credkit.site.model import Rules, Site
from credkit.site.rows import read_credentials

KEPT_COLUMNS = ("person", "credential", "kind", "value", "issue", "status", "valid_from", "valid_until", "source")


def read_population(site: Site) -> pl.DataFrame:
    """The rows of the credentials file; raises `DefinitionError` with file and line.

    Beside the columns there is the ``line`` of each row, ``card`` (the first line of its credential),
    its ``state`` on the day of judgement, whether it is ``active``, ``held`` (somebody may still have
    it), and whether a row of a more trusted source supersedes it (``late``).
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
    }  # fmt: skip
    kinds = dict.fromkeys(KEPT_COLUMNS, pl.String) | {"line": pl.UInt32, "issue": pl.UInt64}
    return pl.DataFrame(columns, schema={name: kinds[name] for name in columns})


def decode_columns(site: Site) -> pl.DataFrame | None:
    """The columns, by kernels; None where the strict reader has to look."""
    frame = load_credentials(site)
    return None if frame is None else frame.select("line", *KEPT_COLUMNS)


def _add_states(frame: pl.DataFrame, site: Site) -> pl.DataFrame:
    """The columns that follow from the others; days are compared as ISO 8601 writes them."""
    rules = site.rules
    again = frame["credential"].is_duplicated()
    card = pl.col("line").min().over("credential") if again.any() else pl.col("line")
    return frame.with_columns(
        card.alias("card"),
        status_expression(site).alias("state"),
        (~pl.col("status").is_in(list(rules.gone))).alias("held"),
        _find_superseded(frame, again, rules).alias("late"),
    ).with_columns((pl.col("state") == ACTIVE).alias("active"))


def _find_superseded(frame: pl.DataFrame, again: pl.Series, rules: Rules) -> pl.Series:
    """Which rows a row of a more trusted source supersedes: of the same credential (``again``), kind and person."""
    late = pl.Series("late", np.zeros(frame.height, bool))
    if not rules.order_of_truth or not again.any():
        return late
    ranks = {source: place for place, source in enumerate(rules.order_of_truth)}
    rank = pl.col("source").replace_strict(ranks, default=len(ranks), return_dtype=pl.UInt32)
    some = frame.filter(again).select("credential", "kind", "person", rank.alias("rank"))
    best = some.select((pl.col("rank") > pl.col("rank").min().over("credential", "kind", "person")).alias("late"))
    return late.scatter(again.arg_true(), best["late"])
