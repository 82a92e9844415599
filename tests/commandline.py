"""How the tests run the command line: in this process, as a process of its own, and on a terminal."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
from collections.abc import Sequence
from typing import Any

from click.testing import CliRunner, Result

from credkit.cli import main
from tests.masters import marks

CREDKIT = (sys.executable, "-c", "from credkit.cli import main; main()")
ENVIRONMENT = {**os.environ, "COLUMNS": "80", "PYTHONUNBUFFERED": ""}
CHAIN = "hex:8/right-justified:26/wiegand-26"
GOOD, BAD = "02F764DD", "02F764DC"  # facility 123, number 45678 by the rule of SIA AC-01 (1996); its last bit inverted
PLAIN = "decimal:24/fields:facility:8,number:16"
ACCOUNT = "4114360123456785"  # the WHATWG HTML standard's autofill example
KEYS = ["input", "ok", "fields", "checks", "notes", "hints", "error"]


def run(*args: str, stdin: str | bytes = b"") -> Result:
    result = CliRunner().invoke(main, args, input=stdin)
    assert not marks(result.output.encode("utf-8", "surrogatepass")), "a master key was printed"
    return result


def process(args: Sequence[str], **options: Any) -> subprocess.Popen[bytes]:
    pipes: dict[str, Any] = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    started: subprocess.Popen[bytes] = subprocess.Popen([*CREDKIT, *args], env=ENVIRONMENT, **{**pipes, **options})
    return started


def records(result: Result) -> list[dict[str, Any]]:
    return [json.loads(line) for line in result.stdout.splitlines()]


def on_a_terminal(args: Sequence[str], **extra: str) -> str:
    """What a terminal of 80 columns shows."""
    master, slave = pty.openpty()
    environment = {key: value for key, value in ENVIRONMENT.items() if key != "NO_COLOR"} | extra
    shown = subprocess.Popen([*CREDKIT, *args], stdin=slave, stdout=slave, stderr=slave, env=environment)
    os.close(slave)
    read = b""
    while True:
        try:
            piece = os.read(master, 1 << 16)
        except OSError:  # how a terminal says that the other side is gone
            break
        if not piece:
            break
        read += piece
    os.close(master)
    shown.wait(timeout=20)
    return read.decode()
