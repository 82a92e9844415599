"""An audit by one and more worker processes: ``python -m benchmarks.cluster [--rows N ...] [--workers N ...]``.

The file is that of ``benchmarks.audit``, whose answer is known. Each worker is a process with one thread for tasks
and one for polars, so that it can use one processor, and with the environment that docs/beyond-one-machine.md names;
``audit`` in one process uses several. All of them are started before, and have read a small file. They take turns;
the ratio of each turn is taken, and its median counts. Processor seconds are those of all processes together: where
they do not grow with the workers, twice as many workers take half the time, if there is a free processor for each.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from contextlib import ExitStack
from datetime import UTC
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from time import perf_counter, process_time
from typing import Any

import dask
from dask.distributed import LocalCluster

from benchmarks.audit import CHAIN, make
from benchmarks.turns import agreed, in_turns, machine, ratio
from credkit import chain
from credkit.audit import Audit, AuditPlan, Clock, ColumnNames, audit
from credkit.audit.cluster import audit_on_cluster, connect

ALONE = "one process"
ROWS = (10**6, 10**7)
WORKERS = (1, 2)
SMALL = 10_000  # rows of the file that everybody has read before
MEMORY = {"MALLOC_TRIM_THRESHOLD_": 1 << 30, "MALLOC_MMAP_THRESHOLD_": 1 << 25}  # what a worker keeps for its next part
LEAST_PARTS = 8  # of a file, so that no worker is idle for long at its end


def plan() -> AuditPlan:
    return AuditPlan(columns=ColumnNames(), clock=Clock(UTC), codec=chain(CHAIN))


def measure(rows: int, workers: list[int], turns: int) -> list[dict[str, Any]]:
    """One row a contender: seconds, and how many times as fast as one worker it is."""
    with TemporaryDirectory() as folder, ExitStack() as stack:
        path, small = Path(folder) / "captures.csv", Path(folder) / "small.csv"
        answers = {path: make(path, rows), small: make(small, SMALL)}
        alone = audit([path], plan())

        cpu: dict[str, list[float]] = {}

        def timed(
            name: str, run: Callable[[Path], Audit], used: Callable[[], float] = process_time
        ) -> Callable[[], float]:
            agreed(run(small).failing, answers[small])
            cpu[name] = []

            def seconds() -> float:
                begun, before = perf_counter(), used()
                found = run(path)
                taken = perf_counter() - begun
                cpu[name].append(used() - before)
                agreed((found.rows, found.failing), (rows, answers[path]))
                agreed(found == alone, True)
                return taken

            return seconds

        contenders = {ALONE: timed(ALONE, lambda file: audit([file], plan()))}
        size = min(1 << 26, path.stat().st_size // LEAST_PARTS)
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
                lambda file, client=client: audit_on_cluster(client, [file], plan(), size=size),  # type: ignore[misc]  # a lambda has no types
                lambda client=client: process_time() + sum(client.run(process_time).values()),  # type: ignore[misc]  # a lambda has no types
            )
        taken = in_turns(contenders, turns)
        base = taken[str(workers[0])]
        return [
            {
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
        f"{row['rows']:12,}  {row['workers']:12}{row['seconds']:8.2f} s{row['times_as_fast']:9.2f}"
        f"{row['cpu_seconds']:9.2f} s{each:8.0f} ns"
    )


def main(arguments: list[str] | None = None) -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.cluster", description=__doc__)
    parser.add_argument("--rows", type=int, nargs="+", default=ROWS, metavar="N", help="rows of the files")
    parser.add_argument("--workers", type=int, nargs="+", default=WORKERS, metavar="N", help="worker processes")
    parser.add_argument("--turns", type=int, default=5, help="times that each contender runs (default 5)")
    parser.add_argument("--json", action="store_true", help="print JSON")
    options = parser.parse_args(arguments)
    runs = (measure(rows, list(options.workers), options.turns) for rows in options.rows)
    if options.json:
        print(json.dumps([row for run in runs for row in run], indent=1))
        return 0
    print(machine("dask", "polars"))
    print(f"{'rows':>12}  {'workers':12}{'seconds':>10}{'as fast':>9}{'processors':>11}{'a row':>11}")
    for run in runs:
        print("\n".join(map(shown, run)), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
