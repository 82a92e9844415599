"""Whole processes: what it costs to start, beside the libraries underneath."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

from benchmarks.turns import agreed

CHAIN, VALUE = "hex:8/right-justified:26/wiegand-26", "02F764DD"
CREDKIT = str(Path(sys.executable).with_name("credkit"))


class Start(NamedTuple):
    """A process, what its output begins with, and the libraries to import beside it."""

    command: tuple[str, ...]
    answer: str
    base: str


def _python(code: str) -> tuple[str, ...]:
    return sys.executable, "-c", code


STARTS = {
    "import credkit": Start(_python("import credkit; print(credkit.__name__)"), "credkit\n", "bitstring"),
    "import credkit and decode once": Start(
        _python(f"import credkit; print(credkit.decode({CHAIN!r}, {VALUE!r})['number'])"), "45678\n", "bitstring"
    ),
    "credkit decode, one value": Start(
        (CREDKIT, "decode", CHAIN, VALUE),
        "input     02F764DD\nfacility  123\nnumber    45678\n",
        "click, bitstring",
    ),
    "credkit formats": Start((CREDKIT, "formats"), "If a reader shows or types  try\n", "click, bitstring"),
}


# An installed package has its bytecode beside it; here it is kept apart from the source tree.
ENVIRONMENT = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}


def cost(command: tuple[str, ...], answer: str, bytecode: str) -> float:
    """Processor seconds of one run of ``command``, with its bytecode in the folder ``bytecode``; it is asserted."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    environment = {**ENVIRONMENT, "PYTHONPYCACHEPREFIX": bytecode}
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True, env=environment)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    agreed(done.stdout[: len(answer)], answer)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def compared(start: Start, bytecode: str) -> tuple[float, float]:
    """Processor seconds of one run of a process, and of one that only imports what it stands on."""
    return cost(start.command, start.answer, bytecode), cost(_python(f"import {start.base}"), "", bytecode)
