"""Audit and crosswalk by one and more workers: ``python -m benchmarks.cluster [--rows N ...] [--workers N ...]``.

The file is that of ``benchmarks.audit``, the site that of ``benchmarks.crosswalk_site``, whose answers are known. Each
worker is a process with one thread for tasks and one for polars, so that it can use one processor, and with the
environment that docs/beyond-one-machine.md names; one process without Dask uses several. All of them are started
before, and have done the same with few rows. They take turns; the ratio of each turn is taken, and its median counts.
Processor seconds are those of all processes together: where they do not grow with the workers, twice as many workers
take half the time, if there is a free processor for each.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from time import perf_counter, process_time
from typing import Any

import dask
from dask.distributed import LocalCluster

from benchmarks.audit import CHAIN, make
from benchmarks.crosswalk_site import count_credentials, write_site
from benchmarks.turns import agreed, in_turns, machine, ratio
from credkit import chain
from credkit.audit import AuditPlan, Clock, ColumnNames, audit
from credkit.audit.cluster import audit_on_cluster
from credkit.crosswalk import Crosswalk, crosswalk
from credkit.crosswalk.cluster import crosswalk_on_cluster
from credkit.files.cluster import PART_BYTES, Client, connect
from credkit.site import load_site

ALONE = "one process"
ROWS = (10**6, 10**7)
WORKERS = (1, 2)
SMALL = 10_000  # rows of the file that everybody has read before
MEMORY = {"MALLOC_TRIM_THRESHOLD_": 1 << 30, "MALLOC_MMAP_THRESHOLD_": 1 << 25}  # what a worker keeps for its next part
LEAST_PARTS = 8  # of an audit's file, so that no worker is idle for long at its end
LARGEST_PARTS = 2  # of a crosswalk's readings: each part decodes its own texts, so small ones decode the same again


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """A piece of work: by one process, and by the workers of a client in parts of ``size`` bytes; what it must give.

    ``small`` is done by everybody before, ``path`` while time is taken.
    """

    small: Path
    path: Path
    alone: Callable[[Path], Any]
    shared: Callable[[Client, Path], Any]
    verify: Callable[[Path, Any], None]


def prepare_audit(folder: Path, rows: int) -> Work:
    """An audit of a file of so many rows."""
    path, small = folder / "captures.csv", folder / "small.csv"
    failing = {path: make(path, rows), small: make(small, SMALL)}
    its = AuditPlan(columns=ColumnNames(), clock=Clock(UTC), codec=chain(CHAIN))
    size = min(PART_BYTES, path.stat().st_size // LEAST_PARTS)
    return Work(
        small=small, path=path, alone=lambda file: audit([file], its),
        shared=lambda client, file: audit_on_cluster(client, [file], its, size=size),
        verify=lambda file, found: agreed((found.failing, file != path or found.rows == rows), (failing[file], True)),
    )  # fmt: skip


def prepare_crosswalk(folder: Path, rows: int) -> Work:
    """The crosswalk of ``benchmarks.crosswalk_site`` with so many readings."""
    wanted = {}
    for home, readings in ((folder / "small", SMALL), (folder / "site", rows)):
        home.mkdir()
        wanted[home / "site.toml"] = write_site(home, count_credentials(readings), readings)["crosswalk"]["rows"]
    small, path = wanted
    size = min(PART_BYTES, load_site(path).readings.path.stat().st_size // LARGEST_PARTS)

    def verify(file: Path, found: Crosswalk) -> None:
        files, *_ = found.summary
        agreed({str(row[0]).split(" ")[0]: row[1] for row in files.rows}, wanted[file])
        agreed(sum(row[-1] for row in files.rows), 0)

    return Work(
        small=small, path=path, alone=lambda file: crosswalk(load_site(file)),
        shared=lambda client, file: crosswalk_on_cluster(client, load_site(file), size=size), verify=verify,
    )  # fmt: skip


JOBS = {"audit": prepare_audit, "crosswalk": prepare_crosswalk}


def measure(job: str, rows: int, workers: list[int], turns: int) -> list[dict[str, Any]]:
    """One row a contender: seconds, and how many times as fast as one worker it is."""
    with TemporaryDirectory() as folder, ExitStack() as stack:
        work = JOBS[job](Path(folder), rows)
        answer = work.alone(work.path)
        cpu: dict[str, list[float]] = {}

        def timed(
            name: str, run: Callable[[Path], Any], used: Callable[[], float] = process_time
        ) -> Callable[[], float]:
            work.verify(work.small, run(work.small))
            cpu[name] = []

            def seconds() -> float:
                begun, before = perf_counter(), used()
                found = run(work.path)
                taken = perf_counter() - begun
                cpu[name].append(used() - before)
                work.verify(work.path, found)
                agreed(found == answer, True)
                return taken

            return seconds

        contenders = {ALONE: timed(ALONE, work.alone)}
        stack.enter_context(dask.config.set({"distributed.nanny.pre-spawn-environ": MEMORY}))
        for count in workers:
            cluster = stack.enter_context(
                LocalCluster(
                    n_workers=count, threads_per_worker=1, dashboard_address=":0", env={"POLARS_MAX_THREADS": "1"}
                )
            )
            client = stack.enter_context(connect(cluster.scheduler_address))
            client.wait_for_workers(count)
            contenders[str(count)] = timed(
                str(count),
                lambda file, client=client: work.shared(client, file),  # type: ignore[misc]  # a lambda has no types
                lambda client=client: process_time() + sum(client.run(process_time).values()),  # type: ignore[misc]  # a lambda has no types
            )
        taken = in_turns(contenders, turns)
        base = taken[str(workers[0])]
        return [
            {
                "job": job,
                "rows": rows,
                "workers": name,
                "seconds": median(times),
                "cpu_seconds": median(cpu[name]),
                "times_as_fast": ratio(base, times),
            }
            for name, times in taken.items()
        ]


def shown(row: dict[str, Any]) -> str:
    """A row as a line."""
    each = row["cpu_seconds"] / row["rows"] * 1e9
    return (
        f"{row['job']:10}{row['rows']:12,}  {row['workers']:12}{row['seconds']:8.2f} s{row['times_as_fast']:9.2f}"
        f"{row['cpu_seconds']:9.2f} s{each:8.0f} ns"
    )


def main(arguments: list[str] | None = None) -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.cluster", description=__doc__)
    parser.add_argument("--rows", type=int, nargs="+", default=ROWS, metavar="N", help="rows of the files")
    parser.add_argument("--workers", type=int, nargs="+", default=WORKERS, metavar="N", help="worker processes")
    parser.add_argument("--only", nargs="+", choices=JOBS, default=list(JOBS), help="one of the jobs")
    parser.add_argument("--turns", type=int, default=5, help="times that each contender runs (default 5)")
    parser.add_argument("--json", action="store_true", help="print JSON")
    options = parser.parse_args(arguments)
    runs = (measure(job, rows, options.workers, options.turns) for job in options.only for rows in options.rows)
    if options.json:
        print(json.dumps([row for run in runs for row in run], indent=1))
        return 0
    print(machine("dask", "polars"))
    print(f"{'job':10}{'rows':>12}  {'workers':12}{'seconds':>10}{'as fast':>9}{'processors':>11}{'a row':>11}")
    for run in runs:
        print("\n".join(map(shown, run)), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
