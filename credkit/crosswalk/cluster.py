"""Crosswalks on a Dask cluster: the readings are read in parts and decoded by its workers, and matched here.

Every worker must see the file of readings under the same path, and have the same credkit and polars; it gets the
description of the site as it was read here. A part that a worker did not finish, because it died, is read again by
another one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

from credkit.core.errors import DefinitionError
from credkit.core.progress import SILENT, Progress
from credkit.crosswalk.partials import Partial, ReadingsPart, cut_readings, finish, merge, partial
from credkit.crosswalk.pipeline import crosswalk, number_phases
from credkit.crosswalk.result import Crosswalk
from credkit.files.cluster import (
    PART_BYTES,
    Client,
    Versions,
    as_completed,
    explain_failures,
    find_versions,
    refuse_other_versions,
)
from credkit.files.digests import sha256_parts
from credkit.site.model import Site

PARTS_JOINED_AT_ONCE = 8


def crosswalk_on_cluster(
    client: Client, site: Site, *, progress: Progress = SILENT, size: int | None = None
) -> Crosswalk:  # fmt: skip
    """The crosswalk of ``site``, as `credkit.crosswalk.crosswalk` gives it.

    The workers of ``client`` read the readings, whose file is cut into parts of about ``size`` bytes (64 MB).
    ``progress`` is told of the phases. Raises `DefinitionError` as `crosswalk` does, and where the workers do not see
    the same file, have other versions, or keep dying.
    """
    try:
        parts = cut_readings(site, size or PART_BYTES)
    except DefinitionError:  # what is wrong is told as that of one process
        return crosswalk(site, progress=progress)
    reading, *_ = number_phases(progress)
    reading.phase("reading the readings", total=parts[0].size, unit="bytes")
    with ThreadPoolExecutor(1) as beside:
        digests = beside.submit(sha256_parts, site.readings.path, [part.lines for part in parts])
        with explain_failures("crosswalk"):
            found = _read_parts(client, parts, reading.done)
        if not found:
            return crosswalk(site, progress=progress)
        found = [merge(*found)]
        return finish(found.pop(), site, digests=digests.result(), progress=progress)  # which lets go of its rows


def _read_parts(client: Client, parts: Sequence[ReadingsPart], tell: Callable[[int], None]) -> list[Partial]:
    """What all parts give, most of it joined; nothing once a row may be at fault, which one process describes."""
    versions, done = find_versions(), 0
    sizes = {}
    futures = []
    for part in parts:
        file = replace(part.site.readings, path=part.site.readings.path.resolve())
        sent = replace(part, site=replace(part.site, readings=file))
        future = client.submit(read_part, sent, versions, pure=False)
        sizes[future.key] = (part.size if part.lines.stop is None else part.lines.stop) - part.lines.start
        futures.append(future)
    read = as_completed(futures, loop=client.loop)
    del futures, future  # so that a worker keeps no part that was fetched
    found: list[Partial] = []
    for future in read:
        found.append(future.result())
        if found[-1].is_at_fault:
            return []
        done += sizes[future.key]
        tell(done)
        if len(found) > PARTS_JOINED_AT_ONCE:
            found = [merge(*found)]
    return found


def read_part(part: ReadingsPart, versions: Versions) -> Partial:
    """Read a part, in a worker."""
    refuse_other_versions(versions, "crosswalk")
    return partial(part)
