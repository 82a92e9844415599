"""Two saved runs compared: findings, lines and exceptions that are gone, new or changed, as columns.

Rows are matched by what they are about, not by where they stand: the order of rows in files does not matter, so line
numbers, and sentences with line numbers in them, are not compared. Equal rows pair first, each with one other; of
what is left, rows with the same key pair in the order of their values.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.crosswalk.linetable import WRITTEN_ACTIONS
from credkit.crosswalk.savedruns import SavedRun

FINDING_KEY, FINDING_VALUES = ("code", "subject"), ("count", "people", "lines")
LINE_KEY, LINE_VALUES = ("person", "target", "credential", "kind"), ("action", "text", "code")
EXCEPTION_KEY, EXCEPTION_VALUES = ("file", "reader", "time", "input"), ("code", "person", "credential")
GONE, FIXED, NEW, CHANGED = "gone", "fixed", "new", "changed"  # a finding or exception is fixed, a line gone
OUTCOMES = ("gained", "lost", "exchanged", "other")
_ORDER = {NEW: 0, CHANGED: 1}  # what may need an act comes first
_EACH = "_each"  # which of several equal rows


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RunComparison:
    """What differs between two runs of one site.

    ``findings``, ``lines`` and ``exceptions`` have a row for each difference: ``change``, the columns of its key, and
    each other column as ``before_…`` and ``after_…``, null where the run has no such row. A finding or an exception
    that only the earlier run has is *fixed*, a line *gone*.
    ``people`` has a row for each person and target with a difference: ``outcome`` is *gained* (a text, where the
    target was to hold none), *lost*, *exchanged*, or *other* (the same texts as before). ``inputs`` are names of
    input files that differ, or that only one run has.
    """

    before: SavedRun
    after: SavedRun
    findings: pl.DataFrame
    lines: pl.DataFrame
    exceptions: pl.DataFrame
    people: pl.DataFrame
    inputs: tuple[str, ...]

    @property
    def is_same(self) -> bool:
        """Whether the results are the same, whatever the inputs are."""
        return not (self.findings.height or self.lines.height or self.exceptions.height)

    def count(self, table: pl.DataFrame, change: str) -> int:
        """How many rows of ``findings``, ``lines`` or ``exceptions`` have this change."""
        return int((table["change"] == change).sum())

    def count_people(self, outcome: str) -> int:
        """How many people have this outcome in any target; *other* are those that have no other outcome."""
        of_all = self.people.filter(pl.col("outcome") == outcome)
        if outcome == "other":
            of_all = of_all.join(self.people.filter(pl.col("outcome") != outcome), on="person", how="anti")
        return of_all["person"].n_unique()


def compare_runs(before: SavedRun, after: SavedRun) -> RunComparison:
    """The differences from ``before`` to ``after``; raises `DefinitionError` for runs of two sites."""
    if before.site != after.site:
        raise DefinitionError(
            f"two runs of one site can be compared: {redacted_repr(before.path)} is of {redacted_repr(before.site)}, "
            f"{redacted_repr(after.path)} of {redacted_repr(after.site)}"
        )
    lines = match_rows(before.lines, after.lines, LINE_KEY, LINE_VALUES)
    digests, others = ({file.name: file.sha256 for file in run.inputs} for run in (before, after))
    names = dict.fromkeys((*others, *digests))
    return RunComparison(
        before=before, after=after, lines=lines,
        findings=match_rows(before.findings, after.findings, FINDING_KEY, FINDING_VALUES, gone=FIXED),
        exceptions=match_rows(before.exceptions, after.exceptions, EXCEPTION_KEY, EXCEPTION_VALUES, gone=FIXED),
        people=find_outcomes(before.lines, after.lines, lines),
        inputs=tuple(name for name in names if digests.get(name) != others.get(name)),
    )  # fmt: skip


def match_rows(
    before: pl.DataFrame, after: pl.DataFrame, key: Sequence[str], values: Sequence[str], *, gone: str = GONE
) -> pl.DataFrame:
    """The rows that differ: new, changed, ``gone``, each by ``key``; rows with equal ``key`` and ``values`` are equal.

    >>> old = pl.DataFrame({"person": ["P-1", "P-2", "P-2", "P-3"], "text": ["7", "8", "8", "9"]})
    >>> new = pl.DataFrame({"person": ["P-4", "P-3", "P-2", "P-1"], "text": ["4", "0", "8", "7"]})
    >>> for row in match_rows(old, new, ["person"], ["text"]).rows():
    ...     print(row)
    ('new', 'P-4', None, '4')
    ('changed', 'P-3', '9', '0')
    ('gone', 'P-2', '8', None)
    """
    same = [*key, *values]
    columns = list(before.columns)
    numbered = [table.with_columns(pl.int_range(pl.len()).over(same).alias(_EACH)) for table in (before, after)]
    left = [
        one.join(other, on=[*same, _EACH], how="anti")
        .sort(columns)
        .with_columns(pl.int_range(pl.len()).over(key).alias(_EACH))
        for one, other in (numbered, numbered[::-1])
    ]
    others = [name for name in columns if name not in key]
    sides = [
        table.select(*key, _EACH, *(pl.col(name).alias(f"{side}_{name}") for name in others))
        for side, table in zip(("before", "after"), left, strict=True)
    ]
    is_before, is_after = (pl.col(f"{side}_{others[0]}").is_not_null() for side in ("before", "after"))
    return (
        sides[0]
        .join(sides[1], on=[*key, _EACH], how="full", coalesce=True)
        .with_columns(
            pl.when(is_before & is_after).then(pl.lit(CHANGED))
            .when(is_before).then(pl.lit(gone))
            .otherwise(pl.lit(NEW)).alias("change")
        )
        .sort(pl.col("change").replace_strict(_ORDER, default=len(_ORDER)), *key, _EACH)
        .select("change", *key, *(f"{side}_{name}" for name in others for side in ("before", "after")))
    )  # fmt: skip


def find_outcomes(before: pl.DataFrame, after: pl.DataFrame, changed: pl.DataFrame) -> pl.DataFrame:
    """For each person and target with ``changed`` lines: what became of the texts that the target is to hold."""
    pair = ["person", "target"]
    touched = changed.select(pair).unique()
    texts = [
        table.join(touched, on=pair, how="semi")
        .filter(pl.col("action").is_in(WRITTEN_ACTIONS) & (pl.col("text") != ""))
        .group_by(pair)
        .agg(pl.col("text").unique().sort().alias(side))
        for side, table in (("before", before), ("after", after))
    ]
    had, has = pl.col("before").is_not_null(), pl.col("after").is_not_null()
    outcome = (
        pl.when(had & ~has).then(pl.lit("lost"))
        .when(has & ~had).then(pl.lit("gained"))
        .when(had & has & (pl.col("before") != pl.col("after"))).then(pl.lit("exchanged"))
        .otherwise(pl.lit("other"))
    )  # fmt: skip
    joined = touched.join(texts[0], on=pair, how="left").join(texts[1], on=pair, how="left")
    return joined.select(*pair, outcome.alias("outcome")).sort(pair)
