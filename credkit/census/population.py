"""Population: the credentials file of a site as columns, with the state of each row."""

from __future__ import annotations

import polars as pl

from credkit.facts.register_columns import are_repeated, find_superseded_rows
from credkit.facts.statuses import ACTIVE, status_expression
from credkit.site.columns import load_credentials
from credkit.site.model import Site

COMPARED_ONLY = ("printed", "replaces")  # columns by which rows are compared, and nothing else


def read_population(site: Site) -> pl.DataFrame:
    """The rows of the credentials file; raises `DefinitionError` with file and line.

    Each row also has its ``line``, its ``card`` (the first line of the credential), its ``state`` on the day of
    judgement, and three booleans: ``active``, ``held`` (somebody may still have the card), ``late`` (another row
    supersedes it).
    """
    rows = load_credentials(site)
    again = are_repeated(rows.select("credential"))
    superseded, _ = find_superseded_rows(rows.filter(again), site.rules)
    return (
        rows.drop(COMPARED_ONLY)
        .with_columns(
            (pl.col("line").min().over("credential") if again.any() else pl.col("line")).alias("card"),
            status_expression(site).alias("state"),
            (~pl.col("status").is_in(list(site.rules.gone))).alias("held"),
            pl.col("line").is_in(list(superseded)).alias("late"),
        )
        .with_columns((pl.col("state") == ACTIVE).alias("active"))
    )
