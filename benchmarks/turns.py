"""What all measurements share: contenders take turns, ratios are of one turn, a process tells its own peak memory."""

from __future__ import annotations

import json
import os
import platform
import subprocess
import sys
from collections.abc import Callable, Mapping
from importlib.metadata import version
from pathlib import Path
from statistics import median
from time import process_time
from typing import Any, NamedTuple

ROOT = str(Path(__file__).parent.parent)


def machine(*packages: str) -> str:
    """What the figures depend on, in one line."""
    versions = ", ".join(f"{name} {version(name)}" for name in packages)
    return f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, {versions}"


def timed(run: Callable[[Any], Any], inputs: Any, answer: Any) -> float:
    """Processor seconds of one run, so that other work on the machine hardly counts; its answer is asserted."""
    start = process_time()
    found = run(inputs)
    seconds = process_time() - start
    agreed(found, answer)
    return seconds


def agreed(found: Any, answer: Any) -> None:
    """End the program where an answer is wrong."""
    if found != answer:
        raise SystemExit(f"wrong answer: {found}, expected {answer}")


def in_turns(contenders: Mapping[str, Callable[[], float]], turns: int, *, warm: int = 0) -> dict[str, list[float]]:
    """What each contender takes in each turn; the first ``warm`` turns are left out."""
    taken: dict[str, list[float]] = {name: [] for name in contenders}
    for turn in range(warm + turns):
        for name, run in contenders.items():
            seconds = run()
            if turn >= warm:
                taken[name].append(seconds)
    return taken


def ratio(others: list[float], own: list[float]) -> float:
    """How many times the own time the other one is: the median over the turns."""
    return median(other / mine for other, mine in zip(others, own, strict=True))


class Told(NamedTuple):
    """What a process of its own tells: its answer; seconds, also of processors, without imports; its peak memory."""

    answer: Any
    seconds: float
    cpu: float
    mb: float


PROGRAM = """
import json, resource, sys, time
{imports}
begun, before = time.perf_counter(), time.process_time()
{body}
seconds, cpu = time.perf_counter() - begun, time.process_time() - before
try:  # what the process itself had; the figure of getrusage starts with what its parent had
    with open("/proc/self/status") as status:
        kilobytes = next(int(line.split()[1]) for line in status if line.startswith("VmHWM"))
except (OSError, StopIteration):
    kilobytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(json.dumps([answer, seconds, cpu, kilobytes / 1024]))
"""


def process(imports: str, body: str, *arguments: object) -> Told:
    """Run ``body``, which sets ``answer`` and finds ``arguments`` in ``sys.argv``, in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM.format(imports=imports, body=body), *map(str, arguments)],
        stdout=subprocess.PIPE, text=True, check=True, env={**os.environ, "PYTHONPATH": ROOT},
    )  # fmt: skip
    return Told(*json.loads(done.stdout))
