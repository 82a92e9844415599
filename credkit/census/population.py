"""Population: the credentials file of a site as columns, with what the register says of each row."""

from __future__ import annotations

import polars as pl

from credkit.facts.register_columns import are_repeated, find_superseded_rows
from credkit.facts.statuses import ACTIVE, status_expression
from credkit.site.columns import load_credentials
from credkit.site.model import Site

COMPARED_ONLY = ("printed", "replaces")  # columns by which rows are compared, and nothing else


def read_population(site: Site) -> pl.DataFrame:
    """The rows of the credentials file; raises `DefinitionError` with file and line.

    Beside the columns there is the ``line`` of each row, ``card`` (the first line of its credential),
    its ``state`` on the day of judgement, whether it is ``active``, ``held`` (somebody may still have
    it), and whether another row supersedes it (``late``).
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
