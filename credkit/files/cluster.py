"""A Dask cluster whose workers read parts of files: reaching it, and one sentence for what it cannot do.

Every worker must see the files under the same paths, and have the same credkit and polars.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, NamedTuple

import polars as pl

try:
    from dask.distributed import Client, Future, KilledWorker, as_completed
except ModuleNotFoundError as missing:
    needed = "work on a cluster needs the extra cluster: pip install 'credkit[cluster]'"
    raise ModuleNotFoundError(needed, name=missing.name) from None

from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.core.version import __version__

__all__ = [
    "PART_BYTES",
    "Client",
    "Future",
    "Versions",
    "as_completed",
    "connect",
    "explain_failures",
    "find_versions",
    "refuse_other_versions",
]

PART_BYTES = 1 << 26  # bytes of a part: a second or two of work
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
    client, why = None, ""
    try:
        client = Client(address, timeout=SECONDS_TO_CONNECT, set_as_default=False)
    except (OSError, ValueError, TypeError) as error:
        why = _first_line(error)
    if client is None:
        gc.collect()  # closes what was begun, which at the end of the process fails with a traceback
        raise DefinitionError(f"--scheduler: no Dask scheduler answers at {redacted_repr(address)} ({why})")
    with client:
        if not client.nthreads():
            raise DefinitionError(
                f"--scheduler: the scheduler at {redacted_repr(address)} has no worker: start one with "
                f"'dask worker {address}', where the files can be seen"
            )
        yield client


def refuse_other_versions(expected: Versions, work: str) -> None:
    """Raise `DefinitionError` in a worker that has other versions than those where the ``work`` began."""
    here = find_versions()
    if here != expected:
        raise DefinitionError(
            f"a worker has credkit {here.credkit} and polars {here.polars}, expected {expected.credkit} and "
            f"{expected.polars}, as where the {work} began, on the same kind of processor: install the same everywhere"
        )


@contextmanager
def explain_failures(work: str) -> Iterator[None]:
    """Say what a cluster cannot do as what to mend, so that the ``work`` can be done."""
    try:
        yield
    except KilledWorker as error:
        raise DefinitionError(
            f"workers died again and again while they read one part ({_first_line(error)}): do they have enough memory?"
        ) from None
    except ModuleNotFoundError as error:
        raise DefinitionError(
            f"a worker lacks what the {work} needs ({_first_line(error)}): install 'credkit[cluster]' on all of them"
        ) from None


def _first_line(error: Any) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0][:120]
