"""Whole processes: what it costs to start, beside the library underneath."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

PAIRS = {
    "import credkit": ((sys.executable, "-c", "import credkit"), (sys.executable, "-c", "import bitstring")),
    "import credkit and decode once": (
        (sys.executable, "-c", "import credkit; credkit.decode('binary/wiegand-26', '10000000100000000000000010')"),
        (sys.executable, "-c", "import bitstring"),
    ),
    "credkit formats": (
        (str(Path(sys.executable).with_name("credkit")), "formats"),
        (sys.executable, "-c", "import click"),
    ),
}


# An installed package has its bytecode beside it; here it is kept apart from the source tree.
ENVIRONMENT = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}


def cost(command: tuple[str, ...], bytecode: str) -> float:
    """Processor seconds of one run of ``command``, with its bytecode cached in the folder ``bytecode``."""
    before = os.times()
    environment = {**ENVIRONMENT, "PYTHONPYCACHEPREFIX": bytecode}
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, env=environment)
    after = os.times()
    return after.children_user + after.children_system - before.children_user - before.children_system
