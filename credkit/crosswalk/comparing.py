"""Two saved runs compared: findings, lines and exceptions that are gone, new or changed, as columns.

Rows are matched by what they are about, not by where they stand: the order of rows in files does not matter, so line
numbers, and sentences with line numbers in them, are not compared. Equal rows pair first, each with one other; of
what is left, rows with the same key pair in the order of their values. A file that has another name than before is
known by what it is for, and a reading whose time zone differs by its instant or by the clock.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

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
_INSTANT = pl.col("time").str.to_datetime("%Y-%m-%dT%H:%M:%S%.f%z", strict=False).dt.strftime("%Y-%m-%dT%H:%M:%S%.fZ")
_TIMES = {
    "by their instants": _INSTANT.fill_null(pl.col("time")).alias("time"),
    "by the clock": pl.col("time").str.replace(r"(Z|[+-]\d\d:\d\d(:\d\d)?)$", ""),
}  # how readings of one run are those of another in which the time zone is another


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RunComparison:
    """What differs between two runs of one site.

    ``findings``, ``lines`` and ``exceptions`` have a row for each difference: ``change``, the columns of its key, and
    each other column as ``before_…`` and ``after_…``, null where the run has no such row. A finding or an exception
    that only the earlier run has is *fixed*, a line *gone*.
    ``inputs`` tells of input files that differ, that have another name, or that only one run has; ``times`` how
    readings are compared whose time zone differs, and ``renamed`` has the later names of files by their earlier ones.
    ``people`` has a row for each person and target with a difference: ``outcome`` is *gained* (a text, where the
    target was to hold none), *lost*, *exchanged*, or *other* (the same texts as before).
    """

    before: SavedRun
    after: SavedRun
    findings: pl.DataFrame
    lines: pl.DataFrame
    exceptions: pl.DataFrame
    people: pl.DataFrame
    inputs: tuple[str, ...]
    times: str = ""
    renamed: Mapping[str, str] = field(default_factory=dict)

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
    renamed = _find_renamed(before, after)
    findings = before.findings.with_columns(pl.col("subject").replace(renamed))
    earlier, later, times = _unify_times(
        before.exceptions.with_columns(pl.col("file").replace(renamed)), after.exceptions
    )
    return RunComparison(
        before=before, after=after, lines=lines,
        findings=match_rows(findings, after.findings, FINDING_KEY, FINDING_VALUES, gone=FIXED),
        exceptions=match_rows(earlier, later, EXCEPTION_KEY, EXCEPTION_VALUES, gone=FIXED),
        people=find_outcomes(before.lines, after.lines, lines),
        inputs=tuple(_describe_inputs(before, after, renamed)), times=times, renamed=renamed,
    )  # fmt: skip


def _find_renamed(before: SavedRun, after: SavedRun) -> dict[str, str]:
    """The names that files of the earlier run have in the later one, where they are for the same and have another."""
    names = {file.role: file.name for file in after.inputs if file.role}
    kept = {file.name for file in after.inputs}
    return {
        file.name: names[file.role]
        for file in before.inputs
        if file.role in names and names[file.role] != file.name and file.name not in kept
    }


def _describe_inputs(before: SavedRun, after: SavedRun, renamed: Mapping[str, str]) -> Iterator[str]:
    """The input files that differ, have another name, or are in one run only; those of the later run first."""
    digests = {renamed.get(file.name, file.name): file.sha256 for file in before.inputs}
    others = {file.name: file.sha256 for file in after.inputs}
    former = {new: old for old, new in renamed.items()}
    for name in dict.fromkeys((*others, *digests)):
        is_same = digests.get(name) == others.get(name)
        if name in former:
            yield f"{name}, before {former[name]}{' with the same bytes' if is_same else ''}"
        elif not is_same:
            yield name


def _unify_times(before: pl.DataFrame, after: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame, str]:
    """Exceptions whose times can be compared, and how they are, where the time zones differ.

    They do where more than twice as many exceptions are alike by their instants, or by the clock alone.
    """
    best, how, most = (before, after), "", 2 * _count_alike(before, after)
    for name, time in _TIMES.items():
        tables = before.with_columns(time), after.with_columns(time)
        if (count := _count_alike(*tables)) > most:
            best, how, most = tables, name, count
    return *best, how


def _count_alike(before: pl.DataFrame, after: pl.DataFrame) -> int:
    """How many of the readings that are exceptions have the same key in both."""
    timed = before.filter(pl.col("time") != "").select(EXCEPTION_KEY)
    return timed.join(after, on=EXCEPTION_KEY, how="semi").height


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
