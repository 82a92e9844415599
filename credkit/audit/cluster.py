"""Audits on a Dask cluster: parts of files are read by its workers, joined there, and finished here.

Every worker must see the files under the same paths, and have the same credkit and polars. A part that a worker
did not finish, because it died, is read again by another one; so is what it had joined.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import polars as pl

try:
    from dask.distributed import Client, Future, KilledWorker, as_completed
except ModuleNotFoundError as missing:
    needed = "credkit.audit.cluster needs the extra cluster: pip install 'credkit[cluster]'"
    raise ModuleNotFoundError(needed, name=missing.name) from None

from credkit.audit.fileparts import FilePart, cut_files
from credkit.audit.partials import Partial, finish, merge, partial
from credkit.audit.pipeline import digest_files, number_phases
from credkit.audit.plan import AuditPlan
from credkit.audit.summary import Audit
from credkit.core.errors import DefinitionError
from credkit.core.progress import SILENT, Progress
from credkit.core.sentences import redacted_repr
from credkit.core.version import __version__
from credkit.files.captures import file_size
from credkit.files.digests import file_stamp

PART_BYTES = 1 << 26  # bytes of a part: a second or two of work
PARTS_JOINED_AT_ONCE = 8
SECONDS_TO_CONNECT = 10


class Versions(NamedTuple):
    """What must be the same everywhere, so that parts fit together: texts are compared by hashes of polars."""

    credkit: str
    polars: str
    hash: int


def find_versions() -> Versions:
    """The versions in this process."""
    return Versions(__version__, pl.__version__, int(pl.Series(["02F764DD"]).hash()[0]))


@contextmanager
def connect(address: str) -> Iterator[Client]:
    """A client of the scheduler at ``address``; raises `DefinitionError` if none answers, or it has no worker."""
    try:
        client = Client(address, timeout=SECONDS_TO_CONNECT, set_as_default=False)
    except (OSError, ValueError, TypeError) as error:
        why = str(error).splitlines()[0][:120] if str(error) else type(error).__name__
        raise DefinitionError(f"--scheduler: no Dask scheduler answers at {redacted_repr(address)} ({why})") from None
    with client:
        if not client.nthreads():
            raise DefinitionError(
                f"--scheduler: the scheduler at {redacted_repr(address)} has no worker: start one with "
                f"'dask worker {address}', where the files can be seen"
            )
        yield client


def audit_on_cluster(
    client: Client, paths: Sequence[Path], plan: AuditPlan, *, delimiter: str = ",", encoding: str = "utf-8",
    digests: bool = False, progress: Progress = SILENT, size: int | None = None,
) -> Audit:  # fmt: skip
    """The audit of the files at ``paths`` by ``plan``, as `credkit.audit.audit` gives it, by the workers of ``client``.

    Files are cut into parts of about ``size`` bytes (64 MB). ``progress`` is told how many bytes are read. Raises
    `DefinitionError` as `audit` does, and where the workers do not see the same files, have other versions, or keep
    dying.
    """
    before = [file_stamp(path) for path in paths]
    parts = cut_files(paths, plan, delimiter=delimiter, encoding=encoding, size=size or PART_BYTES)
    files = [part for part in parts if not part.source.start]
    phases = number_phases(progress, digests=digests)
    phases.reading.phase("reading the files", total=sum(part.source.size for part in files), unit="bytes")
    with _one_sentence():
        found = _read_and_join(client, parts, phases.reading.done)
    found_digests = digest_files(files, before, phases.digests) if digests else None
    phases.finishing.phase("looking for causes and changes")
    return finish(found, digests=found_digests)


def _read_and_join(client: Client, parts: Sequence[FilePart], tell: Callable[[int], None]) -> Partial:
    """What all parts give; the workers join neighbours, then what these gave, until all are one."""
    versions, parts_of = find_versions(), Counter(part.place for part in parts)
    sizes: dict[str, float] = {}
    level: list[Future] = []
    for part in parts:
        source = replace(part.source, path=part.source.path.resolve())
        future = client.submit(read_part, replace(part, source=source), versions, pure=False)
        sizes[future.key] = source.size / parts_of[part.place]
        level.append(future)
    read = as_completed(
        level, loop=client.loop
    )  # it keeps what is not read yet; what is read is kept until it is joined
    while len(level) > 1:
        groups = [level[at : at + PARTS_JOINED_AT_ONCE] for at in range(0, len(level), PARTS_JOINED_AT_ONCE)]
        level = [client.submit(merge, *group, pure=False) for group in groups]
    done = 0.0
    for future in read:
        if future.status == "error":
            future.result()
        done += sizes[future.key]
        tell(round(done))
    found: Partial = level[0].result()
    return found


def read_part(part: FilePart, versions: Versions) -> Partial:
    """Read a part, in a worker; it judges one piece after the other, since other parts are read beside it."""
    here, name = find_versions(), part.source.name
    if here != versions:
        raise DefinitionError(
            f"a worker has credkit {here.credkit} and polars {here.polars}, expected {versions.credkit} and "
            f"{versions.polars}, as where the audit began, on the same kind of processor: install the same everywhere"
        )
    size = file_size(part.source.path)
    if size != part.source.size:
        raise DefinitionError(
            f"{name}: a worker sees {size:,} bytes, expected {part.source.size:,}: all workers must see the same "
            "file, and nothing may change it meanwhile"
        )
    found = partial(part, threads=0)
    found.compact()
    return found


@contextmanager
def _one_sentence() -> Iterator[None]:
    """Say what a cluster cannot do as what to mend."""
    try:
        yield
    except KilledWorker as error:
        raise DefinitionError(
            f"workers died again and again while they read one part ({_first_line(error)}): do they have enough memory?"
        ) from None
    except ModuleNotFoundError as error:
        raise DefinitionError(
            f"a worker lacks what the audit needs ({_first_line(error)}): install 'credkit[cluster]' on all of them"
        ) from None


def _first_line(error: Any) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0][:120]
