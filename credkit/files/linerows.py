"""The rows of a block of lines, whatever the lines are: those that a kernel split, and others put in their place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import polars as pl

from credkit.bulk.words import Array


class RowFault(NamedTuple):
    """A row that is wrong in itself: its line (from the start of the block), a sentence, what was there."""

    line: int
    problem: str
    raw: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SplitLines:
    """The rows of a block in their order, and the line of each row, counted from 0.

    ``height`` is how many lines the block has, ``parsed_alone`` how many of them the kernel did not split.
    """

    frame: pl.DataFrame
    lines: Array
    faults: list[RowFault] = field(default_factory=list)
    height: int
    parsed_alone: int = 0


def merge_rows(
    frame: pl.DataFrame, lines: Array, rows: Mapping[int, Sequence[str]], kept: Sequence[int] | None = None
) -> tuple[pl.DataFrame, Array]:  # fmt: skip
    """``frame`` with ``rows`` put in their place by their lines; a column whose type a cell does not fit becomes texts.

    ``kept`` are the places of the cells that the columns of ``frame`` are of, None where it has all of them.

    >>> frame, lines = merge_rows(pl.DataFrame({"0": ["a", "c"]}), np.array([0, 2]), {1: ["b"]})
    >>> frame.rows(), lines.tolist()
    ([('a',), ('b',), ('c',)], [0, 1, 2])
    """
    if not rows:
        return frame, lines
    columns = [*zip(*rows.values(), strict=True)]
    some = columns if kept is None else [columns[place] for place in kept]
    more = pl.DataFrame({
        name: pl.Series(cells, dtype=pl.String) for name, cells in zip(frame.columns, some, strict=True)
    })  # fmt: skip
    try:
        more = more.cast(frame.schema)
    except pl.exceptions.PolarsError:
        frame = frame.cast(pl.String)
    return sort_rows(pl.concat([frame, more], rechunk=True), np.concatenate((lines, np.array(list(rows), np.int64))))


def sort_rows(frame: pl.DataFrame, lines: Array) -> tuple[pl.DataFrame, Array]:
    """The rows of ``frame`` in the order of their ``lines``.

    >>> sort_rows(pl.DataFrame({"0": ["b", "a"]}), np.array([1, 0]))[0].rows()
    [('a',), ('b',)]
    """
    order = np.argsort(lines, kind="stable")
    return frame[order], lines[order]
