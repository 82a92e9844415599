"""Duplicates: rows of several credentials that something cannot tell apart."""

from __future__ import annotations

import polars as pl

from credkit.facts.register_columns import are_repeated

GROUP_COLUMN = "group"


def find_duplicates(rows: pl.DataFrame, cards: pl.Series) -> pl.DataFrame:
    """Those of ``rows`` that are alike and of several ``cards``, with ``card`` and ``group``, in their order.

    ``row`` is the place of each among ``cards``; what else they have is compared. Groups count from 1 in the order of
    their first rows.

    >>> rows = pl.DataFrame({"row": [0, 1, 2, 3], "text": ["17", "18", "17", "18"]})
    >>> find_duplicates(rows, pl.Series(["C-1", "C-2", "C-3", "C-2"])).select("row", "card", "group").rows()
    [(0, 'C-1', 1), (2, 'C-3', 1)]
    """
    keys = [name for name in rows.columns if name != "row"]
    alike = (rows.filter(are_repeated(rows.select(keys))) if keys else rows.clear()).sort("row")
    alike = alike.with_columns(cards.gather(alike["row"]).alias("card"))
    if alike.is_empty():
        return alike.with_columns(pl.lit(0, pl.UInt32).alias(GROUP_COLUMN))
    return alike.filter(pl.col("card").n_unique().over(keys) > 1).with_columns(
        pl.col("row").min().over(keys).rank("dense").cast(pl.UInt32).alias(GROUP_COLUMN)
    )
