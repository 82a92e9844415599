"""An audit of a file beside polars merely reading it: ``python -m benchmarks.audit [--rows N] [--turns N] [--json]``.

The file is made first, of frames by the rule of SIA AC-01 (1996): 40 readers, 24,000 cards, and in one
row of fifty one bit inverted, which a parity always sees. So the answer is known. Each contender is a
process of its own; they take turns, and the median of the ratios is what counts. Peak memory is what
the operating system says of the process.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import polars as pl

CHAIN = "hex:8/right-justified:26/wiegand-26"
START = 1_772_323_200_000_000  # 2026-03-01, in microseconds since 1970
PART = 1_000_000  # rows that are made at once

READ = "import polars; assert polars.read_csv({path!r}).height == {rows}"
AUDIT = """
from datetime import UTC
from pathlib import Path
from credkit import chain
from credkit.audit import Clock, Columns, Plan, audit
found = audit([Path({path!r})], Plan(columns=Columns(), clock=Clock(UTC), codec=chain({chain!r})))
assert (found.rows, found.failing, found.unreadable) == ({rows}, {wrong}, 0), found.files
"""
TIMED = """
import resource, time
begun = time.perf_counter()
{body}
print(time.perf_counter() - begun, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def make(path: Path, rows: int) -> int:
    """Write the file; how many of its rows are wrong."""
    dice = np.random.default_rng(26)
    wrong = 0
    with path.open("wb") as file:
        for start in range(0, rows, PART):
            count = min(PART, rows - start)
            data = dice.integers(0, 8, count, np.uint64) << np.uint64(16) | dice.integers(0, 3000, count, np.uint64)
            even = np.bitwise_count(data >> 12).astype(np.uint64) & np.uint64(1)
            odd = np.bitwise_count(data & 0xFFF).astype(np.uint64) & np.uint64(1) ^ np.uint64(1)
            words = even << np.uint64(25) | data << np.uint64(1) | odd
            bad = dice.random(count) < 0.02
            words[bad] ^= np.uint64(1) << dice.integers(0, 26, int(bad.sum()), np.uint64)
            wrong += int(bad.sum())
            frame = pl.DataFrame({
                "at": START + np.arange(start, start + count, dtype=np.int64) * 250_000,
                "number": dice.integers(1, 41, count), "text": [f"{word:08X}" for word in words.tolist()],
            })  # fmt: skip
            frame.select(
                time=pl.from_epoch("at", time_unit="us").dt.strftime("%Y-%m-%dT%H:%M:%S+00:00"),
                reader=pl.format("gate-{}", "number"), text="text",
            ).write_csv(file, include_header=not start)  # fmt: skip
    return wrong


def measured(body: str) -> tuple[float, int]:
    """Seconds in a process of its own, imports of Python itself left out, and its peak memory in MB."""
    root = str(Path(__file__).parent.parent)
    done = subprocess.run(
        [sys.executable, "-c", TIMED.format(body=body)], capture_output=True, text=True, check=True,
        env={**os.environ, "PYTHONPATH": root},
    )  # fmt: skip
    seconds, peak = done.stdout.split()
    return float(seconds), int(peak) // 1024


def measure(rows: int, turns: int, folder: Path) -> dict[str, Any]:
    """The medians of both contenders, and of their ratio."""
    path = folder / "captures.csv"
    wrong = make(path, rows)
    values = {"path": str(path), "rows": rows, "wrong": wrong, "chain": CHAIN}
    taken = []
    for turn in range(turns + 1):  # the first turn only warms up
        pair = measured(READ.format(**values)), measured(AUDIT.format(**values))
        taken += [pair] if turn else []
    path.unlink()
    return {
        "rows": rows, "polars_seconds": median(read[0] for read, _ in taken),
        "audit_seconds": median(own[0] for _, own in taken), "ratio": median(own[0] / read[0] for read, own in taken),
        "audit_peak_mb": max(own[1] for _, own in taken),
    }  # fmt: skip


def main(arguments: list[str] | None = None) -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.audit", description=__doc__)
    parser.add_argument("--rows", type=int, default=10_000_000, help="rows of the file (default 10000000)")
    parser.add_argument("--turns", type=int, default=5, help="times that each contender runs (default 5)")
    parser.add_argument("--json", action="store_true", help="print JSON")
    options = parser.parse_args(arguments)
    with TemporaryDirectory() as folder:
        found = measure(options.rows, options.turns, Path(folder))
    if options.json:
        print(json.dumps(found))
        return 0
    print(
        f"{found['rows']:,} rows: audit {found['audit_seconds']:.2f} s, "
        f"polars reading {found['polars_seconds']:.2f} s, {found['ratio']:.2f} times; peak {found['audit_peak_mb']} MB"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
