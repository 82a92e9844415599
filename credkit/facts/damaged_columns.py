"""Spreadsheet damage of whole columns: the counts of `credkit.facts.damage` by kernels, and each row's verdict."""

from __future__ import annotations

from collections import Counter

import numpy as np
import polars as pl

from credkit.bulk.words import Array
from credkit.core.codec import AnyCodec
from credkit.explain.diagnosis import is_spreadsheet_shortened
from credkit.facts.damage import MOST_TWOS, ColumnCounts, ColumnDamage, Damage, TextShape
from credkit.facts.texts import SPREADSHEET_DIGITS, find_lost_zeros
from credkit.site.model import CredentialKind

_ROUNDED = r"\A-?[1-9][0-9]{14}0+\z"
# What every text has that a spreadsheet shortened, and what each is that lost leading zeros.
_MAY_BE_ALTERED = rf"[Ee]\+|\A(0|[1-9][0-9]{{0,{SPREADSHEET_DIGITS - 1}}})\z"


def are_rounded(texts: pl.Series) -> Array:
    """The texts for which `credkit.facts.texts.is_rounded` is true."""
    long = (texts.str.len_bytes() > SPREADSHEET_DIGITS).to_numpy()
    return long & texts.str.contains(_ROUNDED).to_numpy() if long.any() else long


def find_altered_texts(
    codec: AnyCodec, kind: CredentialKind | None, texts: pl.Series
) -> tuple[list[int], list[int]]:  # fmt: skip
    """Where ``texts`` without a number are that a spreadsheet shortened, and those whose leading zeros it dropped.

    They are those of `credkit.explain.diagnosis.is_spreadsheet_shortened` and `credkit.facts.texts.find_lost_zeros`.

    >>> from credkit import chain
    >>> find_altered_texts(chain("decimal:32,10/uid-a-4"), None, pl.Series(["1234", "x", "01234", "3.05E+09", "1234"]))
    ([3], [0, 4])
    """
    some = np.flatnonzero(texts.str.contains(_MAY_BE_ALTERED).to_numpy()).tolist()
    if not some:
        return [], []
    written = texts.gather(some).to_list()
    shortened = {text for text in set(written) if is_spreadsheet_shortened(text)}
    lost = {text for text in set(written) - shortened if find_lost_zeros(codec, kind, text)}
    places = list(zip(some, written, strict=True))
    return [at for at, text in places if text in shortened], [at for at, text in places if text in lost]


def judge_values(values: pl.Series, credentials: pl.Series) -> ColumnDamage:
    """The verdict of `credkit.facts.damage.judge_column` on ``values``; ``credentials`` have them, row by row."""
    if not (values.str.len_bytes() > SPREADSHEET_DIGITS).any():
        return ColumnCounts().judge()
    frame = pl.DataFrame({"text": values, "credential": credentials})
    distinct = frame.group_by("text").agg((pl.col("credential").n_unique() > 1).alias("shared"))
    return judge_distinct(distinct["text"], distinct["shared"])


def judge_distinct(texts: pl.Series, shared: pl.Series) -> ColumnDamage:
    """The verdict on the distinct ``texts`` of a column; ``shared``: which several credentials have.

    >>> judge_distinct(pl.Series(["3602879701896390", "17"]), pl.Series([False, False])).damage
    'none'
    """
    if not (texts.str.len_bytes() > SPREADSHEET_DIGITS).any():
        return ColumnCounts().judge()
    several = texts.filter(shared)
    return count_shapes(texts, shared).judge(frozenset(several.filter(are_rounded(several))))


def count_shapes(texts: pl.Series, shared: pl.Series) -> ColumnCounts:
    """The counts of distinct ``texts``, as `ColumnCounts.add` counts them; ``shared``: which several credentials have.

    >>> count_shapes(pl.Series(["3602879701896390", "17"]), pl.Series([True, False])).judge().zero_tails
    1
    """
    frame = pl.DataFrame({"text": texts, "shared": shared}).select(
        "shared", pl.col("text").str.strip_prefix("-").alias("number"),
        (pl.col("text").str.contains(r"\A[0-9A-Za-z]{16,}\z")).alias("has_letters"),
    )  # fmt: skip
    number = pl.col("number")
    frame = frame.with_columns(
        number.str.contains(r"\A[0-9]+\z").alias("is_number"), number.str.len_bytes().cast(pl.Int64).alias("size"),
        number.str.strip_chars_end("0").str.len_bytes().cast(pl.Int64).alias("rest"),
    ).filter(pl.col("is_number") | pl.col("has_letters"))  # fmt: skip
    size, is_number = pl.col("size"), pl.col("is_number")
    # A text with letters has no digits and no last one: it is counted by its zeros alone.
    frame = frame.with_columns(
        (is_number & (size > SPREADSHEET_DIGITS) & ~number.str.starts_with("0")).alias("is_long"),
        pl.when(is_number).then(number).otherwise(pl.lit("0")).alias("number"),
        (is_number & number.str.contains(r"\A[01]+\z")).alias("is_binary"),
    )
    is_long = pl.col("is_long")
    frame = frame.select(
        pl.when(is_long).then(size).otherwise(0).alias("digits"), "is_binary", pl.col("shared") & is_long,
        number.str.tail(MOST_TWOS).cast(pl.UInt64).alias("end"), (size - pl.col("rest")).alias("zeros"),
        pl.when(is_long & (pl.col("rest") <= SPREADSHEET_DIGITS))
        .then(number.str.slice(SPREADSHEET_DIGITS - 1, 1)).otherwise(number.str.tail(1)).cast(pl.Int64).alias("last"),
    )  # fmt: skip
    twos = pl.Series("twos", _count_twos(frame["end"].to_numpy()))
    frame = frame.with_columns(twos)
    counts = frame.group_by("digits", "is_binary", "shared", "twos", "zeros", "last").len()
    return ColumnCounts(Counter({TextShape(*row[:-1]): row[-1] for row in counts.iter_rows()}))


def _count_twos(numbers: Array) -> Array:
    """How often two divides each number, at most `MOST_TWOS` times; zero as often as that."""
    twos = np.full(len(numbers), MOST_TWOS, np.int64)
    some = numbers != 0
    lowest = numbers[some] & (~numbers[some] + np.uint64(1))
    twos[some] = np.minimum(np.log2(lowest.astype(np.float64)).astype(np.int64), MOST_TWOS)  # exact: powers of two
    return twos


def are_suspects(damage: ColumnDamage, values: pl.Series) -> Array:
    """The rows of ``values`` whose verdict is not settled by that on their column."""
    rounded = are_rounded(values)
    return rounded | values.is_in(list(damage.stored)).to_numpy() if damage.stored else rounded


def judge_rows(damage: ColumnDamage, values: pl.Series) -> dict[Damage, Array]:
    """The rows of ``values`` that are ``damaged`` or ``doubtful`` by the verdict on their column."""
    found: dict[Damage, Array] = {name: np.zeros(len(values), bool) for name in ("damaged", "doubtful")}
    if damage.damage != "none":
        for row in np.flatnonzero(are_suspects(damage, values)).tolist():
            verdict = damage.judge(values[row])
            if verdict != "none":
                found[verdict][row] = True
    return found
