"""The audit itself: files in pieces, pieces to verdicts, verdicts to totals.

Pieces are judged several at a time and counted in their order; only a few are held at once, so the
memory that it takes does not grow with the rows.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

from credkit.audit.csvpieces import CsvSource
from credkit.audit.entries import EntryAssembler
from credkit.audit.failures import FAILURES_MAKER, FailureWriter
from credkit.audit.jsonpieces import JsonSource, ParquetSource
from credkit.audit.piece_verdicts import PieceVerdicts, judge_piece
from credkit.audit.plan import AuditPlan
from credkit.audit.repeats import PieceJoin
from credkit.audit.sources import CaptureFile, file_ending, file_size
from credkit.audit.summary import Audit, FileCount
from credkit.audit.totals import Totals
from credkit.core.errors import DefinitionError
from credkit.core.version import __version__
from credkit.files.bytestreams import WRONG_CHECKSUM
from credkit.files.csvfiles import CsvFile
from credkit.files.digests import file_stamp, sha256
from credkit.files.outputs import FileOutput, refuse_overlaps

MOST_WORKERS = 3  # at most, and one more than processors: they wait for each other now and then
MOST_FAULTS_KEPT = 10  # sentences about unreadable rows of a file that are kept

Progress = Callable[[int, int], None]


@dataclass(slots=True, kw_only=True)
class _FileProgress:
    """A file while it is being counted."""

    source: CaptureFile
    rows: int = 0
    good: int = 0
    failing: int = 0
    unreadable: int = 0
    faults: list[str] = field(default_factory=list)
    ended: str = ""
    digest: str | None = None

    def count(self) -> FileCount:
        source = self.source
        return FileCount(
            name=source.name, size=source.size, unit=source.unit, rows=self.rows, good=self.good,
            failing=self.failing, unreadable=self.unreadable, faults=tuple(self.faults), ended=self.ended,
            digest=self.digest,
        )  # fmt: skip


def audit(
    paths: Sequence[Path], plan: AuditPlan, *, delimiter: str = ",", encoding: str = "utf-8",
    failures: Path | FileOutput | None = None, digests: bool = False, progress: Progress | None = None,
) -> Audit:  # fmt: skip
    """Audit the files at ``paths`` by ``plan``.

    ``failures`` is a CSV file for the failing rows, written whole or not at all, or an open output that the caller
    puts in place. ``progress`` is told now and then how many bytes of how many are read. With ``digests`` each file
    is read a second time, for its SHA-256. Raises `DefinitionError` for a file that cannot be read at all, that is
    named twice, or that holds a payment track; and for an output in the place of another file.
    """
    sources = [_open_source(path, plan, delimiter, encoding) for path in paths]
    for place, path in enumerate(paths):
        if any(path.samefile(other) for other in paths[:place]):
            raise DefinitionError(f"{path}: this file is named twice, and its rows would count twice")
    if isinstance(failures, FileOutput):
        return _audit(sources, plan, FailureWriter(failures.write, plan), progress, digests=digests)
    if failures is not None:
        site = plan.site.files if plan.site else ()
        refuse_overlaps([failures], [*paths, *site])
        with FileOutput(failures, FAILURES_MAKER) as output:
            return _audit(sources, plan, FailureWriter(output.write, plan), progress, digests=digests)
    return _audit(sources, plan, None, progress, digests=digests)


def _open_source(path: Path, plan: AuditPlan, delimiter: str, encoding: str) -> CaptureFile:
    kind = file_ending(path)
    size, name = file_size(path), str(path)
    if kind == ".parquet":
        return ParquetSource(name=name, path=path, size=size, unit="row", columns=plan.columns, clock=plan.clock)
    if kind.startswith(".csv"):
        return CsvSource(
            name=name, path=path, size=size, kind=kind, columns=plan.columns, delimiter=delimiter, encoding=encoding,
            strips_header=bool(plan.stripped),
        )  # fmt: skip
    return JsonSource(name=name, path=path, size=size, kind=kind, columns=plan.columns)


def _audit(
    sources: Sequence[CaptureFile],
    plan: AuditPlan,
    failures: FailureWriter | None,
    progress: Progress | None,
    *,
    digests: bool,
) -> Audit:
    totals = Totals(plan)
    whole, done = sum(source.size for source in sources) * (1 + digests), 0
    before = [file_stamp(source.path) for source in sources]
    for source in sources:  # what is wrong with a header or a schema is said before anything is read
        source.check()
    counted = []
    for source, first in zip(sources, before, strict=True):
        file = _FileProgress(source=source)

        def tell(at: int, done: int = done) -> None:
            if progress is not None:
                progress(done + at, whole)

        _count_file(file, plan, totals, failures, tell)
        if digests:
            # a type for the defaults, which fix this turn's values, cannot be inferred
            file.digest = _digest_if_unchanged(source, first, lambda at, tell=tell, size=source.size: tell(size + at))  # type: ignore[misc]  # a lambda has no types
        done += source.size * (1 + digests)
        counted.append(file.count())
    return Audit(
        version=__version__, site=plan.site.name if plan.site else "", zone=str(plan.clock.zone),
        files=tuple(counted), readers=totals.reader_counts(), blind=totals.undetected_errors(),
        chains=totals.chain_counts(), columns=plan.columns.wanted, by_reader=bool(plan.columns.reader),
    )  # fmt: skip


def _digest_if_unchanged(source: CaptureFile, before: tuple[int, ...], tell: Callable[[int], None]) -> str:
    """The digest of a file that was ``before`` what it is now; empty where it changed."""
    found = sha256(source.path, tell, size=source.size)
    return found if file_stamp(source.path) == before else ""


def _count_file(
    file: _FileProgress, plan: AuditPlan, totals: Totals, failures: FailureWriter | None, tell: Callable[[int], None]
) -> None:
    source = file.source
    source.ended = ""
    seam, entries = PieceJoin(), EntryAssembler(plan, source)
    base = -1
    for found, size in _judge_ahead(source, plan, every=failures is not None):
        base = source.first if base < 0 else base
        _refuse_track(source, base, found)
        file.rows += found.rows
        file.unreadable += len(found.faults)
        for fault in found.faults[: MOST_FAULTS_KEPT - len(file.faults)]:
            file.faults.append(f"{source.name} {source.unit} {base + fault.line}: {fault.problem}")
        _add_verdicts(file, totals, found, seam)
        typed = entries.feed(found, base)
        _refuse_track(source, 0, typed)
        _add_verdicts(file, totals, typed, seam)
        if failures is not None:
            failures.add(source.name, base, found.failing, found.faults)
            failures.add(source.name, 0, typed.failing, ())
        base += found.height
        tell(size)
        if found.ended:  # nothing behind it can be read
            source.ended = found.ended
            break
    typed = entries.end()
    _refuse_track(source, 0, typed)
    _add_verdicts(file, totals, typed, seam)
    if failures is not None:
        failures.add(source.name, 0, typed.failing, ())
    if source.ended:
        last = max(base, source.first) - 1
        rest = "" if source.ended == WRONG_CHECKSUM else f"; what stands behind {source.unit} {last} is in no count"
        file.ended = f"{source.name}: {source.ended}{rest}"


def _add_verdicts(file: _FileProgress, totals: Totals, found: PieceVerdicts, seam: PieceJoin) -> None:
    good, failing = totals.add(found, seam)
    file.good += good
    file.failing += failing


def _refuse_track(source: CaptureFile, base: int, found: PieceVerdicts) -> None:
    if found.track is not None:
        CsvFile(path=source.path, name=source.name).refuse_track(base + found.track)


def _judge_ahead(source: CaptureFile, plan: AuditPlan, *, every: bool) -> Iterator[tuple[PieceVerdicts, int]]:
    """The verdicts on the pieces of a file, in order, with how far it is read; ahead by a few pieces."""
    workers = min(MOST_WORKERS, (os.cpu_count() or 1) + 1)
    waiting: deque[tuple[Future[PieceVerdicts], int]] = deque()
    pool = ThreadPoolExecutor(workers)
    try:
        for piece in source.pieces():
            waiting.append((pool.submit(judge_piece, piece, plan, every=every), piece.size))
            del piece
            if len(waiting) > workers:
                future, size = waiting.popleft()
                yield future.result(), size
        while waiting:
            future, size = waiting.popleft()
            yield future.result(), size
    finally:
        pool.shutdown(cancel_futures=True)
