"""An audit of files beside polars merely reading them: ``python -m benchmarks.audit [--rows N] [--growth [N ...]]``.

The files, CSV and Parquet of the same rows, are made first, of frames by the rule of SIA AC-01 (1996): 40
readers, 24,000 cards, and in one row of fifty one bit inverted, which a parity always sees. So the answer is
known. Each contender is a process of its own, whose imports are not timed; they take turns, and the median of
the ratios is what counts. Peak memory is that of the process. With ``--growth``: from 10^5 to 3*10^7 rows.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import polars as pl

from benchmarks.turns import agreed, in_turns, machine, process, ratio

CHAIN = "hex:8/right-justified:26/wiegand-26"
START = 1_772_323_200_000_000  # 2026-03-01, in microseconds since 1970
PART = 1_000_000  # rows that are made at once
GROWTH = (10**5, 10**6, 10**7, 3 * 10**7)

READ = "answer = polars.read_{kind}(sys.argv[1]).height"
IMPORTS = """
from datetime import UTC
from pathlib import Path
from credkit import chain
from credkit.audit import AuditPlan, Clock, ColumnNames, audit
"""
AUDIT = """
found = audit([Path(sys.argv[1])], AuditPlan(columns=ColumnNames(), clock=Clock(UTC), codec=chain(sys.argv[2])))
answer = [found.rows, found.failing, found.unreadable]
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


def as_parquet(path: Path) -> Path:
    """The same rows, with times that are times."""
    there = path.with_suffix(".parquet")
    rows = pl.scan_csv(path, infer_schema=False)
    rows.with_columns(pl.col("time").str.to_datetime("%Y-%m-%dT%H:%M:%S%z")).sink_parquet(there)
    return there


def compared(path: Path, rows: int, wrong: int, turns: int) -> dict[str, Any]:
    """The medians of both contenders over one file, and of their ratio."""
    kind = path.suffix[1:]
    peaks: dict[str, float] = {"polars": 0, "audit": 0}

    def run(name: str, imports: str, body: str, answer: object) -> Callable[[], float]:
        def seconds() -> float:
            told = process(imports, body, path, CHAIN)
            agreed(told.answer, answer)
            peaks[name] = max(peaks[name], told.mb)
            return told.seconds

        return seconds

    taken = in_turns({
        "polars": run("polars", "import polars", READ.format(kind=kind), rows),
        "audit": run("audit", IMPORTS, AUDIT, [rows, wrong, 0]),
    }, turns, warm=1)  # fmt: skip
    took = {name: median(times) for name, times in taken.items()}
    return {
        "kind": kind, "rows": rows, "polars_seconds": took["polars"], "audit_seconds": took["audit"],
        "audit_ns": took["audit"] / rows * 1e9, "ratio": ratio(taken["audit"], taken["polars"]),
        "polars_peak_mb": peaks["polars"], "audit_peak_mb": peaks["audit"],
    }  # fmt: skip


def measure(rows: int, turns: int) -> list[dict[str, Any]]:
    """One row a format."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "captures.csv"
        wrong = make(path, rows)
        return [compared(each, rows, wrong, turns) for each in (path, as_parquet(path))]


def shown(row: dict[str, Any]) -> str:
    """A row as a line."""
    return (
        f"{row['kind']:8}{row['rows']:12,}{row['audit_seconds']:8.2f} s{row['audit_ns']:6.0f} ns"
        f"{row['audit_peak_mb']:6.0f} MB{row['polars_seconds']:13.2f} s{row['polars_peak_mb']:6.0f} MB"
        f"{row['ratio']:8.2f}"
    )


def main(arguments: list[str] | None = None) -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.audit", description=__doc__)
    parser.add_argument("--rows", type=int, default=10**7, help="rows of the files (default 10000000)")
    parser.add_argument(
        "--growth", type=int, nargs="*", metavar="N", help="files of so many rows (default 10^5 to 3*10^7)"
    )
    parser.add_argument("--turns", type=int, default=5, help="times that each contender runs (default 5)")
    parser.add_argument("--json", action="store_true", help="print JSON")
    options = parser.parse_args(arguments)
    sizes = [options.rows] if options.growth is None else options.growth or GROWTH
    runs = (measure(rows, options.turns) for rows in sizes)
    if options.json:
        print(json.dumps([row for run in runs for row in run], indent=1))
        return 0
    print(machine("numpy", "polars"))
    print(f"{'file':8}{'rows':>12}{'audit':>10}{'a row':>9}{'peak':>9}{'polars reads':>15}{'peak':>9}{'times':>8}")
    for run in runs:
        print("\n".join(map(shown, run)), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
