"""Audits on a Dask cluster: parts of files are read by its workers, joined there, and finished here.

Every worker must see the files under the same paths, and have the same credkit and polars. A part that a worker
did not finish, because it died, is read again by another one; so is what it had joined.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from credkit.audit.fileparts import FilePart, cut_files
from credkit.audit.partials import Partial, finish, merge, partial
from credkit.audit.pipeline import digest_files, number_phases
from credkit.audit.plan import AuditPlan
from credkit.audit.summary import Audit
from credkit.core.errors import DefinitionError
from credkit.core.progress import SILENT, Progress
from credkit.files.captures import file_size
from credkit.files.cluster import (
    PART_BYTES,
    Client,
    Future,
    Versions,
    as_completed,
    explain_failures,
    find_versions,
    refuse_other_versions,
)
from credkit.files.digests import file_stamp

PARTS_JOINED_AT_ONCE = 8


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
    with explain_failures("audit"):
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
    refuse_other_versions(versions, "audit")
    name = part.source.name
    size = file_size(part.source.path)
    if size != part.source.size:
        raise DefinitionError(
            f"{name}: a worker sees {size:,} bytes, expected {part.source.size:,}: all workers must see the same "
            "file, and nothing may change it meanwhile"
        )
    found = partial(part, threads=0)
    found.compact()
    return found
