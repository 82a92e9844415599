"""What a command loads: modules, not time, so that starting stays as quick as the benchmarks measure."""

from __future__ import annotations

import subprocess
import sys

import pytest

from tests.commandline import CHAIN, ENVIRONMENT, GOOD

PROGRAM = """\
import atexit, sys
atexit.register(lambda: print(*sys.modules))
from credkit.__main__ import start
start()
"""
STRIPE = ("binary/track-2-bits/track-2:number,issue", "11010000011000010110010001111101011")  # 01=2, by ISO/IEC 7811-2

# Every command that names a chain, beside the core, which all of them need.
COMMON = {
    "catalogue.index", "catalogue.indexrows", "catalogue.own", "catalogue.registry", "catalogue.stated", "cli.masks",
    "cli.options", "cli.output", "explain.cautions", "explain.screen", "privacy.accountroom", "privacy.accounts",
}  # fmt: skip
ROWS = {"cli.rows", "cli.values", "privacy.payment", "tables.layout", "tables.notation"}
CODECS = {
    "codecs.arguments", "codecs.frames", "codecs.notations", "codecs.orders", "tables.definition",
    "tables.layoutrows", "tables.schema", "tables.wiring",
}  # fmt: skip
PICTURES = {"explain.drawing", "explain.svg", "explain.svgelements", "privacy.pictures"}
COMMANDS = {
    ("formats",): COMMON | {"cli.formats"},
    ("formats", "wiegand-26"): COMMON
    | PICTURES
    | {
        "cli.formats", "cli.oneformat", "codecs.arguments", "codecs.frames", "privacy.payment",
        "tables.definition", "tables.layout", "tables.notation", "tables.layoutrows", "tables.schema",
    },
    ("decode", CHAIN, GOOD): COMMON | ROWS | CODECS | {"cli.decode"},
    ("encode", CHAIN, "facility=123", "number=45678"): COMMON | ROWS | CODECS | {"cli.encode", "cli.typedfields"},
    ("convert", "--from", CHAIN, "--to", "decimal:26/wiegand-26", GOOD): COMMON | ROWS | CODECS | {"cli.convert"},
    ("explain", CHAIN, GOOD): COMMON | ROWS | CODECS | PICTURES | {"cli.explain", "explain.groupedbits"},
    ("decode", *STRIPE): COMMON
    | ROWS
    | {
        "cli.decode", "codecs.arguments", "codecs.contents", "codecs.notations", "codecs.stripe", "tables.characters",
        "tables.checkcharacters", "tables.content", "tables.contentdefinition", "tables.definition",
        "tables.itemdefinition", "tables.items", "tables.layoutrows", "tables.schema", "tables.swipes",
    },
}  # fmt: skip
BASE = {"click", "bitstring", "tibs", "bitarray"}  # what credkit stands on, and what that stands on


def loaded(*args: str) -> set[str]:
    """The modules that a command has loaded when it ends."""
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, *args], capture_output=True, text=True, env=ENVIRONMENT, check=True
    )
    return set(done.stdout.splitlines()[-1].split())


@pytest.mark.parametrize(("args", "wanted"), COMMANDS.items(), ids=[" ".join(args[:2]) for args in COMMANDS])
def test_a_command_loads_what_its_values_need(args: tuple[str, ...], wanted: set[str]) -> None:
    """No other family, no search for causes, no drawing, nothing of a site; and of Python nothing heavy."""
    modules = loaded(*args)
    own = {name.removeprefix("credkit.") for name in modules if name.startswith("credkit.")}
    assert {name for name in own if "." in name and not name.startswith("core.")} == wanted
    assert not modules & {"json", "rich", "difflib", "zoneinfo", "importlib.metadata", "crcmod", "construct"}
    foreign = {name.partition(".")[0] for name in modules} - sys.stdlib_module_names - {"credkit", "__main__"}
    assert {name for name in foreign if not name.startswith("_")} <= BASE


def test_help_does_not_load_the_library() -> None:
    assert "bitstring" not in loaded("--help")


def test_what_cannot_be_read_loads_the_search_for_causes() -> None:
    """The sets above would be met by a program that explains nothing: this value needs the explanation."""
    bad = subprocess.run(
        [sys.executable, "-c", PROGRAM, "decode", CHAIN, "02F764DC"], capture_output=True, text=True, env=ENVIRONMENT
    )
    assert bad.returncode == 1
    assert {"credkit.explain.diagnosis", "credkit.codecs.keyboards"} <= set(bad.stdout.splitlines()[-1].split())
