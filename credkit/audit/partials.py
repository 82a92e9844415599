"""Audits in parts: what one part of the files counts for, joined in any grouping, and made into an audit at the end.

`partial` reads a part of a file, `merge` joins what two neighbouring parts gave, and `finish` makes the audit of
what all gave. They need no common memory: parts can be read by several processes, on several machines.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace

from credkit.audit.entries import EntryAssembler
from credkit.audit.facts import Facts
from credkit.audit.failures import FailureWriter
from credkit.audit.fileparts import FilePart
from credkit.audit.fileruns import FileRun
from credkit.audit.piece_verdicts import PieceVerdicts, judge_piece
from credkit.audit.plan import AuditPlan
from credkit.audit.settings import find_settings
from credkit.audit.summary import Audit, FileCount
from credkit.audit.totals import Totals
from credkit.audit.work import list_work
from credkit.core.version import __version__

MOST_WORKERS = 3  # at most, and one more than processors: they wait for each other now and then


class WholeFiles:
    """Files that were read whole, from the one number ``place`` on: their counts, and the facts of all of them."""

    def __init__(self, place: int, plan: AuditPlan) -> None:
        self.place = place
        self.counts: list[FileCount] = []
        self.facts = Facts(plan.spaces)

    def absorb(self, counts: Iterable[FileCount], facts: Facts, plan: AuditPlan) -> None:
        """Count more files."""
        codes = self.facts.codes_for(facts)
        plan.check_readers(len(self.facts.names))
        self.facts.absorb(facts if codes is None else facts.renumbered(codes))
        self.counts += counts

    def compact(self) -> None:
        """Keep everything in as little memory as it needs."""
        self.facts.compact()


class Partial:
    """What the rows of neighbouring parts of ``files`` files count for."""

    def __init__(self, plan: AuditPlan, files: int) -> None:
        self.plan = plan
        self.files = files
        self.parts: list[FileRun | WholeFiles] = []  # in order; no two of them could be joined

    def absorb(self, other: Partial) -> None:
        """Put what is behind this one there; ``other`` stays as it is."""
        for part in other.parts:
            if isinstance(part, FileRun):
                self.add_run(part)
            else:
                self._whole(part.place).absorb(part.counts, part.facts, self.plan)

    def add_run(self, run: FileRun) -> None:
        """Put a run behind what is there; it stays as it is.

        Raises `DefinitionError` for a file with a payment track, once the run that begins it is known.
        """
        last = self.parts[-1] if self.parts else None
        if isinstance(last, FileRun) and (last.place, last.stop) == (run.place, run.start):
            last.absorb(run, self.plan)
        else:
            last = run.copy(self.plan)
            self.parts.append(last)
        last.refuse_track()
        if last.is_whole:
            self.parts.pop()
            self._whole(last.place).absorb([last.count()], last.facts, self.plan)

    def _whole(self, place: int) -> WholeFiles:
        """The whole files at the end, to add more."""
        last = self.parts[-1] if self.parts else None
        if not isinstance(last, WholeFiles) or last.place + len(last.counts) != place:
            last = WholeFiles(place, self.plan)
            self.parts.append(last)
        return last

    def compact(self) -> None:
        """Keep everything in as little memory as it needs."""
        for part in self.parts:
            part.compact()


def partial(
    part: FilePart, *, failures: FailureWriter | None = None, progress: Callable[[int], None] | None = None,
    threads: int | None = None,
) -> Partial:  # fmt: skip
    """Read a part of a file, and count its rows; `credkit.audit.cut_files` gives the parts of files.

    ``failures`` is given each failing row, which only a whole file allows. ``progress`` is told now and then how
    far the file is read. ``threads`` judge pieces at a time, 0 for none but this one; else some more than
    processors, up to three.

    >>> from datetime import UTC
    >>> from tempfile import TemporaryDirectory
    >>> from pathlib import Path
    >>> from credkit import chain
    >>> from credkit.audit import AuditPlan, Clock, ColumnNames, cut_files
    >>> gates = chain("hex:8/right-justified:26/wiegand-26")
    >>> plan = AuditPlan(columns=ColumnNames(time=""), clock=Clock(UTC), codec=gates)
    >>> with TemporaryDirectory() as folder:
    ...     path = Path(folder) / "march.csv"
    ...     _ = path.write_text("reader,text\\ngate,02F764DD\\ngate,02F764DC\\ndock,02F764DD\\n")
    ...     parts = [partial(part) for part in cut_files([path], plan, size=20)]
    >>> len(parts)
    2
    >>> [(one.name, one.good, one.failing) for one in finish(merge(*parts)).readers]
    [('dock', 1, 0), ('gate', 1, 1)]
    """
    source, plan = part.source, part.plan
    source.ended = ""
    lists = failures is not None
    run = FileRun(
        place=part.place, file=source.label, start=source.start, stop=source.start, facts=Facts(plan.spaces),
        lists=lists,
    )  # fmt: skip
    for verdicts, size in _judge_ahead(part, every=lists, threads=threads):
        _begin(run, part)
        run.add_piece(verdicts, plan)
        run.refuse_track()
        if failures is not None:
            _write_listed(run, failures)
        if progress is not None:
            progress(size)
        if run.ended:  # nothing behind it can be read
            break
    _begin(run, part)
    run.absorb(run.end_at(source.stop, source.ended, plan), plan)
    run.refuse_track()
    if failures is not None:
        _write_listed(run, failures)
    found = Partial(plan, part.files)
    found.add_run(run)
    return found


def _begin(run: FileRun, part: FilePart) -> None:
    """Note what only a run has that begins its file, whose header is read by now."""
    if run.start == 0 and run.entries is None:
        run.first, run.entries = part.source.first, EntryAssembler(part.source.label, lists=run.lists)


def _write_listed(run: FileRun, failures: FailureWriter) -> None:
    for base, failing, faults in run.listed:
        failures.add(run.file.name, run.first + base, failing, faults)
    run.listed = []


def _judge_ahead(part: FilePart, *, every: bool, threads: int | None) -> Iterator[tuple[PieceVerdicts, int]]:
    """The verdicts on the pieces of a file, in order, with how far it is read; ahead by a few pieces."""
    workers = min(MOST_WORKERS, (os.cpu_count() or 1) + 1) if threads is None else threads
    if not workers:
        for piece in part.source.pieces():
            yield judge_piece(piece, part.plan, every=every), piece.size
        return
    waiting: deque[tuple[Future[PieceVerdicts], int]] = deque()
    pool = ThreadPoolExecutor(workers)
    try:
        for piece in part.source.pieces():
            waiting.append((pool.submit(judge_piece, piece, part.plan, every=every), piece.size))
            del piece
            if len(waiting) > workers:
                future, size = waiting.popleft()
                yield future.result(), size
        while waiting:
            future, size = waiting.popleft()
            yield future.result(), size
    finally:
        pool.shutdown(cancel_futures=True)


def merge(first: Partial, *others: Partial) -> Partial:
    """Join what neighbouring parts gave, in their order and in any grouping; none of them is changed.

    It is associative: ``merge(merge(a, b), c)`` and ``merge(a, merge(b, c))`` finish alike. Raises
    `DefinitionError` for what only shows where parts meet: a payment track or keys far out of their order, each
    with its line, and too many readers.
    """
    found = Partial(first.plan, first.files)
    for each in (first, *others):
        found.absorb(each)
    found.compact()
    return found


def finish(whole: Partial, *, digests: Sequence[str] | None = None) -> Audit:
    """The audit of all parts of all files, joined; ``digests`` are those of the files.

    Raises `ValueError` where parts are missing.
    """
    plan = whole.plan
    files = whole.parts[0] if whole.parts else WholeFiles(0, plan)
    if isinstance(files, FileRun) or len(files.counts) < whole.files:
        raise ValueError("a part of the files is missing, or not in its place: join all of them, in their order")
    totals = Totals(plan, files.facts)
    audit = Audit(
        version=__version__, site=plan.site.name if plan.site else "", zone=str(plan.clock.zone),
        files=tuple(replace(count, digest=digests[at] if digests else None) for at, count in enumerate(files.counts)),
        readers=totals.reader_counts(), blind=totals.undetected_errors(), chains=totals.chain_counts(),
        columns=plan.columns.wanted, by_reader=bool(plan.columns.reader), register_fault=plan.register_fault,
    )  # fmt: skip
    return replace(audit, work=list_work(audit, plan, files.facts, list(find_settings(plan, files.facts))))
