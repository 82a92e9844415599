"""A Polars query, lazy or not, that decodes a column; its schema is known before a row is read."""

import polars as pl

from credkit.bulk.expressions import CredkitExpressions as Credkit

CHAIN = "hex:8/right-justified:26/wiegand-26"
captures = pl.LazyFrame({"reader": ["north", "north", "quay"], "raw": ["02F764DD", "02F764DC", None]})

cards = captures.with_columns(Credkit(pl.col("raw")).decode(CHAIN).struct.unnest())
assert dict(cards.collect_schema())["number"] == pl.UInt64
assert cards.collect()["number"].to_list() == [45678, None, None]

reasons = captures.select("reader", Credkit(pl.col("raw")).inspect(CHAIN).alias("found")).unnest("found")
failing = reasons.filter(~pl.col("ok")).group_by("reader", "failed_rule").len().sort("reader")
print(failing.collect().rows())

printed = Credkit(pl.col("raw")).convert(source=CHAIN, target="split-decimal:8,16/fields:facility:8,number:16")
print(captures.select(printed).collect().rows())
