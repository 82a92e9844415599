"""The rows of a block of lines, whatever the lines are: those that a kernel split, and others put in their place."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import InitVar, dataclass, field
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


@dataclass(slots=True)
class ParsedRows:
    """Rows that were parsed alone, in so many columns, with the line of each, and what is wrong with other lines.

    >>> found = ParsedRows(2)
    >>> found.add(4, ["a", "b"])
    >>> found.extend([6, 7], [["c", "d"], ["e", "f"]])
    >>> found.columns, found.lines
    ([['a', 'c', 'e'], ['b', 'd', 'f']], [4, 6, 7])
    """

    columns: list[list[str]] = field(init=False)
    lines: list[int] = field(default_factory=list, init=False)
    faults: list[RowFault] = field(default_factory=list, init=False)
    width: InitVar[int]

    def __post_init__(self, width: int) -> None:
        self.columns = [[] for _ in range(width)]

    def add(self, line: int, cells: Sequence[str] | RowFault) -> None:
        """Add a row, or what is wrong with it; a row without cells is none."""
        if isinstance(cells, RowFault):
            self.faults.append(cells._replace(line=line))
        elif cells:
            self.extend([line], [cells])

    def extend(self, lines: Sequence[int], rows: Iterable[Sequence[str]]) -> None:
        """Add rows that are right."""
        self.lines += lines
        for column, cells in zip(self.columns, zip(*rows, strict=True), strict=True):
            column += cells


def merge_rows(frame: pl.DataFrame, lines: Array, rows: ParsedRows) -> tuple[pl.DataFrame, Array]:
    """``frame`` with ``rows`` put in their place by their lines; a column whose type a cell does not fit becomes texts.

    >>> rows = ParsedRows(1)
    >>> rows.add(1, ["b"])
    >>> frame, lines = merge_rows(pl.DataFrame({"0": ["a", "c"]}), np.array([0, 2]), rows)
    >>> frame.rows(), lines.tolist()
    ([('a',), ('b',), ('c',)], [0, 1, 2])
    """
    if not rows.lines:
        return frame, lines
    more = pl.DataFrame({
        name: pl.Series(cells, dtype=pl.String) for name, cells in zip(frame.columns, rows.columns, strict=True)
    })  # fmt: skip
    try:
        more = more.cast(frame.schema)
    except pl.exceptions.PolarsError:
        frame = frame.cast(pl.String)
    return sort_rows(pl.concat([frame, more], rechunk=True), np.concatenate((lines, np.array(rows.lines, np.int64))))


def sort_rows(frame: pl.DataFrame, lines: Array) -> tuple[pl.DataFrame, Array]:
    """The rows of ``frame`` in the order of their ``lines``.

    >>> sort_rows(pl.DataFrame({"0": ["b", "a"]}), np.array([1, 0]))[0].rows()
    [('a',), ('b',)]
    """
    order = np.argsort(lines, kind="stable")
    return frame[order], lines[order]
