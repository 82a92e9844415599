"""Judging a piece: every row of it read through its chain, and counted.

This is the part that runs for several pieces at a time. It keeps nothing: what it found is a
`PieceVerdicts`, in counts by reader, from which totals are made in the order of the file.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from credkit.audit.facts import Facts
from credkit.audit.plan import AuditPlan
from credkit.audit.repeats import NO_EDGES, RepeatEdges, find_repeats
from credkit.audit.row_counts import FailingRow, ReadRows, Rows, count_totals, count_verdicts, list_failing
from credkit.audit.secrets import first_track
from credkit.audit.text_verdicts import find_verdicts
from credkit.bulk.words import Array
from credkit.core.whitespace import WHITE_SPACE
from credkit.files.captures import FilePiece, RowTable
from credkit.files.linerows import RowFault


class TypedRows(NamedTuple):
    """Rows of readers that send parts: their lines from the start of the piece, readers, times, texts."""

    lines: Array
    codes: Array
    moments: Array | None
    texts: list[str]


@dataclass(slots=True, kw_only=True)
class PieceVerdicts:
    """What was found in the rows of a piece; lines count from its start.

    ``typed`` are rows that wait for the reader's stream, ``edges`` those that rows of a neighbouring piece may repeat.
    """

    height: int
    facts: Facts
    rows: int = 0
    faults: list[RowFault] = field(default_factory=list)
    edges: RepeatEdges = NO_EDGES
    failing: list[FailingRow] = field(default_factory=list)
    typed: TypedRows | None = None
    track: int | None = None  # the line of a payment track
    ended: str = ""  # why the file cannot be read any further

    def add_track(self, line: int) -> None:
        """Note the line of a payment track; the first one counts."""
        self.track = line if self.track is None else min(self.track, line)


def judge_piece(piece: FilePiece, plan: AuditPlan, *, every: bool) -> PieceVerdicts:
    """Decode and count the rows of ``piece``; with ``every``, list each failing row."""
    return judge_table(piece.table(plan.readers), plan, every=every)


def judge_table(table: RowTable, plan: AuditPlan, *, every: bool) -> PieceVerdicts:
    """Decode and count the rows of a table."""
    found = PieceVerdicts(
        height=table.height, facts=Facts(plan.spaces), rows=len(table.lines) + len(table.faults),
        faults=list(table.faults), ended=table.ended,
    )  # fmt: skip
    shows = first_track(fault.raw for fault in table.faults)
    if shows is not None:
        found.track = table.faults[shows].line
    lines = table.lines
    texts, readers, times = (
        _read_cells(plan, column, cells)
        for column, cells in (("text", table.text), ("reader", table.reader), ("time", table.time))
    )
    del table  # with the bytes of columns that are not needed any more
    moments = None
    problems: dict[int, str] = {}
    if plan.columns.reader:
        codes, problems = plan.reader_codes(readers)
        del readers
    else:
        codes = np.full(len(lines), plan.only_reader(), np.int64)
    if plan.columns.time:
        read = plan.clock.parse_times if times.dtype == pl.String else plan.clock.convert_times
        moments, wrong = read(times)
        del times
        problems = {**wrong, **problems}
    uses, outside = plan.uses_of(codes, moments)
    problems = {**outside, **problems}
    rows = Rows(lines, texts, texts.hash().to_numpy(), codes, moments)
    if problems:
        bad = sorted(problems)
        found.faults += [RowFault(int(lines[row]), problems[row]) for row in bad]
        shows = first_track(texts.gather(bad).to_list())
        if shows is not None:
            found.add_track(int(lines[bad[shows]]))
        kept = np.delete(np.arange(len(lines)), bad)
        rows, uses = rows.only(kept), (uses if isinstance(uses, int) else uses[kept])
    found.facts.names = plan.names
    _judge_rows(rows, uses, plan, found, every=every)
    found.faults.sort(key=lambda fault: fault.line)
    return found


def _read_cells(plan: AuditPlan, column: str, cells: Any) -> Any:
    """The cells of our ``column``: without the white space around them, and with words of ours, if the site says so."""
    if cells is None:
        return None
    if column in plan.stripped and cells.dtype == pl.String:  # known readers have none
        cells = cells.str.strip_chars(WHITE_SPACE)
    if (words := plan.words.get(column)) and cells.dtype in (pl.String, pl.Enum):
        cells = cells.cast(pl.String).replace(dict(words))
    return cells


def _judge_rows(rows: Rows, uses: Array | int, plan: AuditPlan, found: PieceVerdicts, *, every: bool) -> None:
    """Decode and count rows, each by its own of ``uses`` or all by one; those of streams are put aside."""
    if plan.has_streams:
        streamed = np.array([plan.is_streamed(code) for code in range(len(plan.names))], bool)[rows.codes]
        some, rest = rows.only(np.flatnonzero(streamed)), np.flatnonzero(~streamed)
        if len(some.lines):
            found.typed = TypedRows(some.lines, some.codes, some.moments, some.texts.to_list())
        rows, uses = rows.only(rest), (uses if isinstance(uses, int) else uses[rest])
    if not len(rows.lines):
        return
    facts = found.facts
    good = np.ones(len(rows.lines), bool)
    for place in [uses] if isinstance(uses, int) else np.unique(uses).tolist():
        here = None if isinstance(uses, int) else np.flatnonzero(uses == place)
        use = plan.uses[place]
        verdicts, places = find_verdicts(use, rows.texts if here is None else rows.texts.gather(here))
        if verdicts.track is not None:
            found.add_track(int(rows.lines[verdicts.track if here is None else here[verdicts.track]]))
        read = ReadRows(rows, here, use, verdicts, places)
        good[slice(None) if here is None else here] = count_verdicts(read, facts)
        if every:
            found.failing += list_failing(read)
    facts.frames, facts.failed = facts.uses, facts.first  # here each row is read alone
    count_totals(rows.codes, rows.moments, good, facts)
    if rows.moments is not None:
        found.edges, again = find_repeats(rows.hashes, rows.codes, rows.moments)
        counts = np.bincount(again)
        facts.repeats.update({code: int(counts[code]) for code in np.flatnonzero(counts).tolist()})
