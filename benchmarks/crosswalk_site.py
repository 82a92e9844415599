"""A site as a port operator has it: ``python -m benchmarks.crosswalk_site [--scale N] [--growth [N]] [--json]``.

All families of readers, two registers, two targets with exports; seven readings in a hundred have a reason to be
exceptions. Crosswalk, census and audit run as processes of their own; what follows from the making of the site is
asserted of their answers. Beside them: polars merely reading the same files.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import polars as pl

from benchmarks.port_readings import write_readings
from benchmarks.port_register import FEWEST_CREDENTIALS, write_register
from benchmarks.turns import Told, agreed, in_turns, machine, process, ratio

READINGS_FOR_EACH = 40  # readings to a credential
SMALLEST = 10_000  # readings of the first row of a growth table
CODES_OF_TEXTS = ("check-failed", "unreadable", "spreadsheet-damage", "incomplete-entry")  # what an audit sees, too
CROSSWALK = """
site = load_site(sys.argv[1])
result = crosswalk(site)
write_outputs(result, sys.argv[2])
tables = {table.title.split(",")[0]: table.rows for table in result.summary}
answer = {
    "rows": {row[0].split(" ")[0]: row[1] for row in tables["Rows"]},
    "left over": sum(row[-1] for row in tables["Rows"]),
    "readers": {row[0]: row[1:] for row in tables["Readers"]},
    "exceptions": dict(row[:2] for row in tables["Exceptions"]),
    "duplicates": {row[0].split(" ")[0]: row[2] for row in tables["Duplicates"]},
    "readers amiss": [each.subject for each in result.findings if each.code in ("clock", "other-order")],
}
"""
AUDIT = """
site = load_site(sys.argv[1])
found = audit([site.readings.path], AuditPlan(columns=ColumnNames(), clock=Clock(site.zone), site=site))
answer = {"rows": found.rows, "failing": found.failing, "unreadable": found.unreadable,
          "readers": {each.name: [each.rows, each.failing] for each in found.readers}}
"""
CENSUS = """
result = census(load_site(sys.argv[1]))
answer = {"rows": result.counts.rows, "read": result.counts.read,
          "duplicates": {each.name: each.groups for each in result.places if each.what in ("number", "target")}}
"""
READ = "answer = sum(polars.read_csv(path, infer_schema=False).height for path in sys.argv[1:])"
IMPORTS = {
    "crosswalk": "from credkit.crosswalk import crosswalk, write_outputs\nfrom credkit.site import load_site",
    "audit": "from credkit.audit import AuditPlan, Clock, ColumnNames, audit\nfrom credkit.site import load_site",
    "census": "from credkit.census import census\nfrom credkit.site import load_site",
}
BODIES = {"crosswalk": CROSSWALK, "audit": AUDIT, "census": CENSUS}
FILES = {
    "crosswalk": ("credentials.csv", "readings.csv", "gatehouse.csv", "turnstile.csv"),
    "audit": ("readings.csv",),
    "census": ("credentials.csv",),
}  # what each of them reads


def write_site(folder: Path, credentials: int, readings: int, seed: int = 17) -> dict[str, Any]:
    """Write a site of so many rows; for each job the answer it must give."""
    dice = np.random.default_rng(seed)
    register = write_register(folder, credentials, dice)
    counts = write_readings(folder, register, readings, dice)
    failing, excepted = pl.col("code").is_in(CODES_OF_TEXTS), pl.col("code") != ""
    count = pl.col("rows")
    readers = counts.group_by("reader").agg(
        rows=count.sum(), excepted=count.filter(excepted).sum(), failing=count.filter(failing).sum()
    )
    codes = counts.filter(excepted).group_by("code").agg(count.sum())
    found = {f"readings.csv: {code}": rows for code, rows in codes.iter_rows()}
    groups = register.duplicates
    kinds = {"card": "harbour", "serial": "serial", "stripe": "stripe", "locker": "locker"}  # with their namespaces
    return {
        "crosswalk": {
            "rows": {**register.rows, "readings.csv": readings}, "left over": 0,
            "readers": {name: [all, all - bad, bad] for name, all, bad, _ in readers.iter_rows()},
            "exceptions": {name: rows for name, rows in {**register.exceptions, **found}.items() if rows},
            "duplicates": {name: sum(groups.get(name, ())) for name in (*kinds, "turnstile")},
            "readers amiss": ["ferry", "weir"],
        },
        "audit": {
            "rows": readings, "failing": readers["failing"].sum(), "unreadable": 0,
            "readers": {name: [all, bad] for name, all, _, bad in readers.iter_rows()},
        },
        "census": {
            "rows": credentials, "read": credentials - register.exceptions["credentials.csv: superseded"],
            "duplicates": {
                **{space: len(groups.get(name, ())) for name, space in kinds.items()},
                "turnstile": len(groups["turnstile"]),
            },
        },
    }  # fmt: skip


def measure(credentials: int, readings: int, turns: int, jobs: Sequence[str]) -> list[dict[str, Any]]:
    """For each job the median of some turns: seconds and megabytes, and how many times polars reading its files."""
    with TemporaryDirectory() as home:
        folder = Path(home)
        wanted = write_site(folder, credentials, readings)
        told: dict[str, list[Told]] = {job: [] for job in jobs}

        def work(job: str) -> float:
            told[job].append(process(IMPORTS[job], BODIES[job], folder / "site.toml", folder / "out"))
            agreed(told[job][-1].answer, wanted[job])
            return told[job][-1].seconds

        def read(job: str) -> float:
            found = process("import polars, sys", READ, *(folder / name for name in FILES[job]))
            agreed(found.answer, sum(wanted["crosswalk"]["rows"][name] for name in FILES[job]))
            return found.seconds

        contenders: dict[str, Callable[[], float]] = {}
        for job in jobs:
            contenders |= {f"read {job}": partial(read, job), job: partial(work, job)}
        taken = in_turns(contenders, turns)
        return [
            {
                "job": job, "credentials": credentials, "readings": readings, "seconds": median(taken[job]),
                "cpu": median(each.cpu for each in told[job]), "mb": max(each.mb for each in told[job]),
                "read": median(taken[f"read {job}"]), "ratio": ratio(taken[job], taken[f"read {job}"]),
            }
            for job in jobs
        ]  # fmt: skip


HEAD = "job        credentials     readings      took       a row  processors     peak  polars reads  times as long"


def format_row(row: dict[str, Any]) -> str:
    """A row as a line of the table."""
    rows = {"crosswalk": row["credentials"] + row["readings"], "audit": row["readings"], "census": row["credentials"]}
    each = row["seconds"] / rows[row["job"]] * 1e6
    return (
        f"{row['job']:10}{row['credentials']:12,}{row['readings']:13,}{row['seconds']:8.2f} s{each:9.2f} µs"
        f"{row['cpu']:10.2f} s{row['mb']:6,.0f} MB{row['read']:12.2f} s{row['ratio']:15.1f}"
    )


def main(arguments: list[str] | None = None) -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.crosswalk_site", description=__doc__)
    parser.add_argument("--scale", type=int, default=2_000_000, metavar="N", help="readings (default 2000000)")
    parser.add_argument("--credentials", type=int, metavar="N", help="credentials (default: one to 40 readings)")
    parser.add_argument(
        "--growth", type=int, nargs="?", const=10**7, metavar="N", help="sites of 10^4, 10^5 to N readings (10^7)"
    )
    parser.add_argument("--only", nargs="+", choices=BODIES, default=list(BODIES), help="some of the jobs")
    parser.add_argument("--turns", type=int, default=1, help="runs of which the median is taken (default 1)")
    parser.add_argument("--json", action="store_true", help="print JSON")
    parser.add_argument("--write", type=Path, metavar="FOLDER", help="write the site into FOLDER, and measure nothing")
    options = parser.parse_args(arguments)
    sizes = [options.scale] if options.growth is None else list_sizes(options.growth)
    if options.write:
        options.write.mkdir(exist_ok=True)
        print(json.dumps(write_site(options.write, options.credentials or count_credentials(sizes[-1]), sizes[-1])))
        return 0
    if not options.json:
        print(machine("numpy", "polars"))
        print(HEAD)
    rows = []
    for readings in sizes:
        rows += measure(options.credentials or count_credentials(readings), readings, options.turns, options.only)
        if not options.json:
            print(*map(format_row, rows[-len(options.only) :]), sep="\n", flush=True)
    if options.json:
        print(json.dumps(rows, indent=1))
    return 0


def count_credentials(readings: int) -> int:
    """How many credentials a site of so many readings has unless it is said."""
    return max(FEWEST_CREDENTIALS, readings // READINGS_FOR_EACH)


def list_sizes(most: int) -> list[int]:
    """Sizes from the smallest one on, each ten times the one before, and the largest."""
    sizes = [SMALLEST]
    while sizes[-1] * 10 <= most:
        sizes.append(sizes[-1] * 10)
    return [*sizes, *([most] if most > sizes[-1] else [])]


if __name__ == "__main__":
    sys.exit(main())
