"""The audit of whole files: each is read in one pass, and counted.

Pieces of a file are judged several at a time and counted in their order; only a few are held at once, so the
memory that it takes does not grow with the rows.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import NamedTuple

from credkit.audit.failures import FAILURES_MAKER, FailureWriter
from credkit.audit.fileparts import FilePart, cut_files
from credkit.audit.partials import Partial, finish, partial
from credkit.audit.plan import AuditPlan
from credkit.audit.summary import Audit
from credkit.core.progress import SILENT, PartProgress, Progress
from credkit.files.dialects import PLAIN, Dialect
from credkit.files.digests import file_stamp, sha256
from credkit.files.outputs import FileOutput, place_outputs, refuse_overlaps


def audit(
    paths: Sequence[Path], plan: AuditPlan, *, delimiter: str = ",", encoding: str = "utf-8",
    failures: Path | Sequence[FileOutput] | None = None, dialect: Dialect = PLAIN, digests: bool = False,
    progress: Progress = SILENT,
) -> Audit:  # fmt: skip
    """Audit the files at ``paths`` by ``plan``.

    ``failures`` is a CSV file for the failing rows, written whole or not at all, and in ``dialect`` beside it; or open
    outputs for both that the caller puts in place. ``progress`` is told how many bytes are read. With ``digests`` each
    file is read a second time, for its SHA-256. Raises `DefinitionError` for a file that cannot be read at all, that is
    named twice, or that holds a payment track; and for an output in the place of another file.
    """
    parts = cut_files(paths, plan, delimiter=delimiter, encoding=encoding)
    if isinstance(failures, Path):
        site = plan.site.files if plan.site else ()
        outs = dialect.list_paths(failures)
        refuse_overlaps(outs, [*paths, *site])
        with ExitStack() as stack:
            outputs = [stack.enter_context(FileOutput(out, FAILURES_MAKER)) for out in outs]
            found = _audit(parts, plan, FailureWriter(outputs, plan, dialect), progress, digests=digests)
            place_outputs(outputs)
            return found
    listed = FailureWriter(failures, plan, dialect) if failures else None
    return _audit(parts, plan, listed, progress, digests=digests)


def _audit(
    parts: Sequence[FilePart],
    plan: AuditPlan,
    failures: FailureWriter | None,
    progress: Progress,
    *,
    digests: bool,
) -> Audit:
    phases = number_phases(progress, digests=digests)
    before = [file_stamp(part.source.path) for part in parts]
    found, done = Partial(plan, len(parts)), 0
    phases.reading.phase("reading the files", total=sum(part.source.size for part in parts), unit="bytes")
    for part in parts:
        found.absorb(partial(part, failures=failures, progress=_count_from(phases.reading, done)))
        done += part.source.size
    if failures is not None:
        failures.finish()
    found_digests = digest_files(parts, before, phases.digests) if digests else None
    phases.finishing.phase("looking for causes and changes")
    return finish(found, digests=found_digests)


def _count_from(progress: Progress, start: int) -> Callable[[int], None]:
    """What counts on after ``start`` bytes."""
    return lambda at: progress.done(start + at)


class AuditPhases(NamedTuple):
    """What is told of the phases of an audit; ``digests`` only where there are any."""

    reading: Progress
    digests: Progress
    finishing: Progress


def number_phases(progress: Progress, *, digests: bool) -> AuditPhases:
    """The phases of an audit with their numbers."""
    of = 2 + digests
    return AuditPhases(*(PartProgress(progress, number, of) for number in (1, 2, of)))


def digest_files(parts: Sequence[FilePart], before: Sequence[tuple[int, ...]], progress: Progress) -> list[str]:
    """The digests of files that were ``before`` what they are now; empty for those that changed."""
    progress.phase("computing digests", total=sum(part.source.size for part in parts), unit="bytes")
    found, done = [], 0
    for part, stamp in zip(parts, before, strict=True):
        path, size = part.source.path, part.source.size
        digest = sha256(path, _count_from(progress, done), size=size)
        found.append(digest if file_stamp(path) == stamp else "")
        done += size
    return found
