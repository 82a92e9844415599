"""Run the measurements: ``python -m benchmarks [--scale N] [--json] [--compare FILE] [--no-startup]``.

Contenders take turns within one run; the ratio of each turn is taken and the median ratio is what
is reported, so that a machine that slows down slows both.
"""

from __future__ import annotations

import argparse
import json
import platform
import sys
from collections.abc import Callable, Mapping
from functools import partial
from importlib.metadata import version
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from time import perf_counter
from typing import Any

from benchmarks import bulk, cards, decode, startup, stripe

TURNS = 7
CARD_TURNS = 3  # a batch writes tens of thousands of files


def timed(run: Any, inputs: Any, answer: int) -> float:
    """Seconds for one run, whose answer is asserted."""
    start = perf_counter()
    found = run(inputs)
    seconds = perf_counter() - start
    if found != answer:
        raise SystemExit(f"wrong answer: {found}, expected {answer}")
    return seconds


def measure_decode(scale: int) -> list[dict[str, Any]]:
    """One row a contender: microseconds for one input, and how many times credkit is as fast."""
    rows = []
    for name, (inputs, answer, contenders) in {**decode.workloads(scale), **stripe.workloads(scale)}.items():
        seconds: dict[str, list[float]] = {contender: [] for contender in contenders}
        for _ in range(TURNS):
            for contender, run in contenders.items():
                seconds[contender].append(timed(run, inputs, answer))
        for contender, times in seconds.items():
            ratio = median(other / own for other, own in zip(times, seconds["credkit"], strict=True))
            rows.append({
                "workload": name, "contender": contender, "us": median(times) / scale * 1e6, "ratio": ratio,
            })  # fmt: skip
    return rows


def measure_bulk(count: int) -> list[dict[str, Any]]:
    """One row a contender: nanoseconds for one frame, and how many times credkit is as fast."""
    rows = []
    for name, (length, contenders) in bulk.WORKLOADS.items():
        seconds: dict[str, list[float]] = {contender: [] for contender in contenders}
        words = bulk.frames(length, count)
        few = words[: max(count // bulk.SLOWER, 100)]
        answers = {id(part): bulk.checksum(contenders["numpy by hand"](part)) for part in (words, few)}
        for turn in range(TURNS + 1):  # the first turn only warms up
            for contender, run in contenders.items():
                part = few if contender.endswith("script") else words
                start = perf_counter()
                found = run(part)
                took = (perf_counter() - start) / len(part)
                if contender != "copy" and bulk.checksum(found) != answers[id(part)]:
                    raise SystemExit(f"{contender}: wrong answer")
                seconds[contender] += [took] if turn else []
        for contender, times in seconds.items():
            ratio = median(other / own for other, own in zip(times, seconds["credkit.bulk"], strict=True))
            rows.append({"workload": name, "contender": contender, "ns": median(times) * 1e9, "ratio": ratio})
    return rows


def measure_cards(count: int) -> list[dict[str, Any]]:
    """One row a contender: microseconds for one card, and how many times credkit is as fast."""
    rows = []
    with TemporaryDirectory() as folder:
        batch = cards.Batch(Path(folder), count)
        runs: dict[str, tuple[Mapping[str, Callable[[cards.Batch], int]], int]] = {
            "the data of a card": ({name: partial(cards.writing, name) for name in cards.WRITES}, batch.digest),
            "the check of a card": (cards.CHECKS, batch.spoilt),
        }
        for name, (contenders, answer) in runs.items():
            seconds: dict[str, list[float]] = {contender: [] for contender in contenders}
            for _ in range(CARD_TURNS):
                for contender, run in contenders.items():
                    seconds[contender].append(timed(run, batch, answer))
            for contender, times in seconds.items():
                ratio = median(other / own for other, own in zip(times, seconds["credkit"], strict=True))
                us = median(times) / count * 1e6
                rows.append({"workload": name, "contender": contender, "us": us, "ratio": ratio})
    return rows


def measure_startup() -> list[dict[str, Any]]:
    """One row a command: milliseconds, and how many times the cost of the library underneath."""
    rows = []
    with TemporaryDirectory() as bytecode:
        for own, base in startup.PAIRS.values():
            startup.cost(own, bytecode)
            startup.cost(base, bytecode)
        measured = {
            name: [(startup.cost(own, bytecode), startup.cost(base, bytecode)) for _ in range(TURNS + 4)]
            for name, (own, base) in startup.PAIRS.items()
        }
    for name, pairs in measured.items():
        base = startup.PAIRS[name][1]
        rows.append({
            "workload": name, "ms": median(a for a, _ in pairs) * 1e3, "base": " ".join(base[1:]).strip() or base[0],
            "base_ms": median(b for _, b in pairs) * 1e3, "times_base": median(a / b for a, b in pairs),
        })  # fmt: skip
    return rows


def main(arguments: list[str] | None = None) -> int:
    """Measure and print; with ``--compare``, beside an earlier ``--json`` output."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks", description=__doc__)
    parser.add_argument("--scale", type=int, default=20_000, help="inputs in each run (default 20000)")
    parser.add_argument("--frames", type=int, default=10_000_000, help="frames of the bulk runs (default 10000000)")
    parser.add_argument("--cards", type=int, default=10_000, help="cards of a batch (default 10000)")
    parser.add_argument("--json", action="store_true", help="print JSON")
    parser.add_argument("--compare", type=Path, help="an earlier --json output to set the ratios beside")
    parser.add_argument("--no-startup", action="store_true", help="leave out the whole-process rows")
    options = parser.parse_args(arguments)
    result = {
        "machine": f"{platform.machine()}, Python {platform.python_version()}",
        "versions": {name: version(name) for name in ("bitstring", "construct", "click", "numpy")},
        "scale": options.scale,
        "decode": measure_decode(options.scale),
        "bulk": measure_bulk(options.frames),
        "cards": measure_cards(options.cards),
        "startup": [] if options.no_startup else measure_startup(),
    }
    if options.json:
        print(json.dumps(result, indent=1))
        return 0
    earlier = json.loads(options.compare.read_text()) if options.compare else {}
    before = {(row["workload"], row["contender"]): row["ratio"] for row in earlier.get("decode", [])}
    print(result["machine"], *(f"{name} {number}" for name, number in result["versions"].items()), sep=", ")
    print(f"{'workload':26}{'contender':18}{'µs each':>9}{'credkit is … × as fast':>24}")
    for row in result["decode"]:
        was = before.get((row["workload"], row["contender"]))
        note = f"  (was {was:.2f})" if was else ""
        print(f"{row['workload']:26}{row['contender']:18}{row['us']:9.2f}{row['ratio']:24.2f}{note}")
    for row in result["cards"]:
        print(f"{row['workload']:26}{row['contender']:18}{row['us']:9.1f}{row['ratio']:24.2f}")
    for row in result["bulk"]:
        print(f"{row['workload']:26}{row['contender']:18}{row['ns']:9.2f} ns{row['ratio']:21.2f}")
    for row in result["startup"]:
        print(f"{row['workload']:32}{row['ms']:7.0f} ms, {row['times_base']:.2f} times {row['base']}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
