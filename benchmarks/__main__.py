"""Run the measurements: ``python -m benchmarks [--only PART ...] [--scale N] [--json] [--compare FILE]``.

Contenders take turns within one run; the ratio of each turn is taken and the median ratio is what
is reported, so that a machine that slows down slows both.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import Any

from benchmarks import bulk, cards, decode, startup, stripe
from benchmarks.turns import in_turns, machine, ratio, timed

TURNS = 7
CARD_TURNS = 3  # a batch writes tens of thousands of files
PARTS = ("decode", "bulk", "cards", "startup")
OTHERS = """\
runs of their own, each with --help:
  python -m benchmarks.bulk --growth     arrays of 10^4 to 10^8 frames
  python -m benchmarks.audit             files of reads, CSV and Parquet; --growth: 10^5 to 3*10^7 rows
  python -m benchmarks.cluster           an audit by one and two worker processes
  python -m benchmarks.census            populations
  python -m benchmarks.crosswalk         populations and their readings
  python -m benchmarks.crosswalk_site    a site with all families of readers and their faults; --growth
  python -m benchmarks.discover_checks   CRCs, XORs, sums and check digits, and what is found of them
  python -m benchmarks.discover_layout   random layouts, and what is found of them
  python -m benchmarks.discover_chain    what discovery finds of true chains, and claims of unrelated texts
"""


def compared(
    name: str, contenders: Mapping[str, Callable[[Any], Any]], inputs: Any, answer: Any, count: int, turns: int
) -> list[dict[str, Any]]:
    """One row a contender: microseconds for each of ``count`` inputs, and how many times credkit is as fast."""
    taken = in_turns({who: partial(timed, run, inputs, answer) for who, run in contenders.items()}, turns)
    return [
        {
            "workload": name, "contender": who, "us": median(times) / count * 1e6,
            "ratio": ratio(times, taken["credkit"]),
        }
        for who, times in taken.items()
    ]  # fmt: skip


def measure_decode(scale: int) -> list[dict[str, Any]]:
    """One value at a time."""
    rows = []
    for name, (inputs, answer, contenders) in {**decode.workloads(scale), **stripe.workloads(scale)}.items():
        rows += compared(name, contenders, inputs, answer, scale, TURNS)
    return rows


def measure_cards(count: int) -> list[dict[str, Any]]:
    """A batch of cards: what is written, and what is checked."""
    with TemporaryDirectory() as folder:
        batch = cards.Batch(Path(folder), count)
        writes = {name: partial(cards.writing, name) for name in cards.WRITES}
        return [
            *compared("the data of a card", writes, batch, batch.digest, count, CARD_TURNS),
            *compared("the check of a card", cards.CHECKS, batch, batch.spoilt, count, CARD_TURNS),
        ]


def measure_startup(turns: int) -> list[dict[str, Any]]:
    """One row a process: milliseconds, and how many times the cost of importing the libraries underneath."""
    rows = []
    with TemporaryDirectory() as bytecode:
        for start in startup.STARTS.values():  # makes the bytecode
            startup.compared(start, bytecode)
        measured: dict[str, list[tuple[float, float]]] = {name: [] for name in startup.STARTS}
        for _ in range(turns):
            for name, start in startup.STARTS.items():
                measured[name].append(startup.compared(start, bytecode))
    for name, pairs in measured.items():
        rows.append({
            "workload": name, "ms": median(own for own, _ in pairs) * 1e3,
            "base": f"import {startup.STARTS[name].base}", "base_ms": median(base for _, base in pairs) * 1e3,
            "times_base": median(own / base for own, base in pairs),
        })  # fmt: skip
    return rows


def main(arguments: list[str] | None = None) -> int:
    """Measure and print; with ``--compare``, beside an earlier ``--json`` output."""
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks", description=__doc__, epilog=OTHERS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("--only", nargs="+", choices=PARTS, default=PARTS, help="some of the parts")
    parser.add_argument("--scale", type=int, default=20_000, help="inputs in each run (default 20000)")
    parser.add_argument("--frames", type=int, default=10_000_000, help="frames of the bulk runs (default 10000000)")
    parser.add_argument("--cards", type=int, default=10_000, help="cards of a batch (default 10000)")
    parser.add_argument("--starts", type=int, default=40, help="runs of each whole process (default 40)")
    parser.add_argument("--json", action="store_true", help="print JSON")
    parser.add_argument("--compare", type=Path, help="an earlier --json output to set the ratios beside")
    options = parser.parse_args(arguments)
    parts: dict[str, Callable[[], list[dict[str, Any]]]] = {
        "decode": lambda: measure_decode(options.scale),
        "bulk": lambda: [row for name in bulk.WORKLOADS for row in bulk.measure(name, options.frames, TURNS)],
        "cards": lambda: measure_cards(options.cards),
        "startup": lambda: measure_startup(options.starts),
    }
    result = {
        "machine": machine("bitstring", "bitstruct", "construct", "click", "numpy"),
        "scale": options.scale,
        **{part: measure() if part in options.only else [] for part, measure in parts.items()},
    }
    if options.json:
        print(json.dumps(result, indent=1))
        return 0
    earlier = json.loads(options.compare.read_text()) if options.compare else {}
    before = {(row["workload"], row["contender"]): row["ratio"] for row in earlier.get("decode", [])}
    print(result["machine"])
    print(f"{'workload':32}{'contender':18}{'µs each':>9}{'credkit is … × as fast':>24}")
    for row in (*result["decode"], *result["cards"]):
        was = before.get((row["workload"], row["contender"]))
        note = f"  (was {was:.2f})" if was else ""
        print(f"{row['workload']:32}{row['contender']:18}{row['us']:9.2f}{row['ratio']:24.2f}{note}")
    for row in result["bulk"]:
        print(bulk.shown(row))
    for row in result["startup"]:
        print(f"{row['workload']:32}{row['ms']:7.0f} ms, {row['times_base']:.2f} times {row['base']}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
