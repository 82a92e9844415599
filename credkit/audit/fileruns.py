"""Runs: rows that follow each other in one file, and what was found in them.

Two runs that follow each other become one. What depends on the order of rows travels with a run until its
neighbour is known: the rows at its edges, which others may repeat; the rows of readers that send parts, up to
the run that begins the file; the lines of its unreadable rows, which count from the start of the run.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from credkit.audit.entries import EntryAssembler
from credkit.audit.facts import Facts
from credkit.audit.piece_verdicts import PieceVerdicts, TypedRows
from credkit.audit.plan import AuditPlan
from credkit.audit.repeats import NO_EDGES, RepeatEdges
from credkit.audit.row_counts import FailingRow
from credkit.audit.summary import FileCount
from credkit.files.bytestreams import WRONG_CHECKSUM
from credkit.files.captures import FileLabel
from credkit.files.declaredfiles import CsvFile
from credkit.files.linerows import RowFault

MOST_FAULTS_KEPT = 10  # sentences about unreadable rows of a file that are kept


class ListedRows(NamedTuple):
    """Failing and unreadable rows; their lines count from ``base``, which counts from the start of a run."""

    base: int
    failing: Sequence[FailingRow]
    faults: Sequence[RowFault]


@dataclass(slots=True, kw_only=True)
class FileRun:
    """Rows of the file number ``place``, from ``start`` until ``stop``: bytes, or rows of Parquet; None is its end.

    ``first`` is the number of the file's first row, where the run begins it. ``ended`` says why the file cannot
    be read any further. ``listed`` has all failing rows, if they are wanted (``lists``).
    """

    place: int
    file: FileLabel
    start: int
    stop: int | None
    facts: Facts
    first: int = 1
    height: int = 0
    rows: int = 0
    unreadable: int = 0
    faults: list[RowFault] = field(default_factory=list)
    edges: RepeatEdges = NO_EDGES
    typed: list[tuple[int, TypedRows]] = field(default_factory=list)
    entries: EntryAssembler | None = None  # of a run that begins the file
    track: int | None = None
    ended: str = ""
    lists: bool = False
    listed: list[ListedRows] = field(default_factory=list)

    @property
    def is_whole(self) -> bool:
        """Whether it is all of the file."""
        return self.start == 0 and self.stop is None

    def add_piece(self, found: PieceVerdicts, plan: AuditPlan) -> None:
        """Put the rows of a piece behind the run."""
        listed = [ListedRows(0, found.failing, found.faults)] if self.lists else []
        piece = FileRun(
            place=self.place, file=self.file, start=0, stop=self.stop, facts=found.facts, height=found.height,
            rows=found.rows, unreadable=len(found.faults), faults=found.faults, edges=found.edges,
            typed=[(0, found.typed)] if found.typed else [], track=found.track, ended=found.ended, listed=listed,
        )  # fmt: skip
        self.absorb(piece, plan)

    def absorb(self, other: FileRun, plan: AuditPlan) -> None:
        """Put a run of the same file behind this one; nothing of it counts where this one ended early.

        Raises `DefinitionError` for rows that readers sent too far out of the order of time.
        """
        self.stop = other.stop
        if not self.ended:
            codes = self.facts.codes_for(other.facts)
            plan.check_readers(len(self.facts.names))
            facts, edges = other.facts, other.edges
            if codes is not None:
                facts, edges = facts.renumbered(codes), edges.renumbered(codes)
            self.edges, again = self.edges.joined(edges)
            self.facts.absorb(facts)
            self.facts.repeats.update(again.tolist())
            self._add_track(other.track, self.height)
            self.unreadable += other.unreadable
            for fault in other.faults[: MOST_FAULTS_KEPT - len(self.faults)]:
                self.faults.append(RowFault(self.height + fault.line, fault.problem))
            self.listed += [each._replace(base=self.height + each.base) for each in other.listed]
            for base, rows in other.typed:
                if self.entries is None:
                    self.typed.append((self.height + base, rows))
                else:
                    self._add_entries(self.entries.feed(rows, self.height + base + self.first, plan))
            self.rows += other.rows
            self.height += other.height
            self.ended = other.ended
        if self.stop is None and self.entries is not None:
            self._add_entries(self.entries.end(plan))
            self.entries = None

    def end_at(self, stop: int | None, ended: str, plan: AuditPlan) -> FileRun:
        """A run of no rows, which ends the file or a part of it."""
        return FileRun(
            place=self.place, file=self.file, start=0, stop=stop, facts=Facts(plan.spaces), ended=ended
        )  # fmt: skip

    def copy(self, plan: AuditPlan) -> FileRun:
        """A run of the same rows, which others can be put behind."""
        found = FileRun(
            place=self.place, file=self.file, start=self.start, stop=self.start, facts=Facts(plan.spaces),
            first=self.first, lists=self.lists,
        )  # fmt: skip
        found.absorb(self, plan)
        found.entries = self.entries.copy() if self.entries else None
        return found

    def compact(self) -> None:
        """Keep everything in as little memory as it needs."""
        self.facts.compact()

    def refuse_track(self) -> None:
        """Raise `DefinitionError` for a file that holds a payment track, where the run begins it."""
        if self.start == 0 and self.track is not None:
            CsvFile(path=self.file.path, name=self.file.name).refuse_track(self.first + self.track)

    def count(self) -> FileCount:
        """The counts of the file, once the run is all of it."""
        name, unit = self.file.name, self.file.unit
        ended = ""
        if self.ended:
            last = self.first + self.height - 1
            rest = "" if self.ended == WRONG_CHECKSUM else f"; what stands behind {unit} {last} is in no count"
            ended = f"{name}: {self.ended}{rest}"
        return FileCount(
            name=name, size=self.file.size, unit=unit, rows=self.rows, good=self.facts.good,
            failing=self.facts.failing, unreadable=self.unreadable, ended=ended,
            faults=tuple(f"{name} {unit} {self.first + fault.line}: {fault.problem}" for fault in self.faults),
        )  # fmt: skip

    def _add_track(self, line: int | None, base: int) -> None:
        if line is not None:
            self.track = base + line if self.track is None else min(self.track, base + line)

    def _add_entries(self, found: PieceVerdicts) -> None:
        """Count entries, whose lines are those of the file."""
        self._add_track(found.track, -self.first)
        self.facts.absorb(found.facts)
        if self.lists and found.failing:
            self.listed.append(ListedRows(-self.first, found.failing, ()))
