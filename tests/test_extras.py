"""Without the extra ``site``: each command that needs it says so in one sentence, and the rest works."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.commandline import CHAIN, ENVIRONMENT, GOOD

PROGRAM = """\
import sys
blocked, *sys.argv[1:] = sys.argv[1:]
sys.modules[blocked] = None  # as if it were not installed
from credkit.__main__ import start
start()
"""
NEEDED = "credkit: this command needs the extra site: pip install 'credkit[site]'\n"
SITE_COMMANDS = {
    "audit": ("audit", "reads.csv", "--chain", CHAIN),
    "census": ("census", "site.toml"),
    "compare": ("compare", "runs"),
    "crosswalk": ("crosswalk", "site.toml", "--out", "result"),
    "demo": ("demo", "brackwater"),
    "init": ("init", "site", "--from", "people.csv", "--from", "log.csv"),
}


def without(module: str, *args: str, home: Path) -> subprocess.CompletedProcess[str]:
    """``credkit`` with ``args`` in the folder ``home``, where ``module`` cannot be imported."""
    return subprocess.run(
        [sys.executable, "-c", PROGRAM, module, *args], cwd=home, capture_output=True, text=True, env=ENVIRONMENT
    )


@pytest.mark.parametrize("command", SITE_COMMANDS)
@pytest.mark.parametrize("module", ["numpy", "polars"])
def test_a_command_on_files_names_the_extra_and_writes_nothing(module: str, command: str, tmp_path: Path) -> None:
    done = without(module, *SITE_COMMANDS[command], home=tmp_path)
    assert (done.returncode, done.stdout, done.stderr) == (2, "", NEEDED)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("args", [("demo",), ("audit", "reads.csv", "--chain", CHAIN, "--report", "report.html")])
def test_a_page_to_sign_names_the_extra_too(args: tuple[str, ...], tmp_path: Path) -> None:
    (tmp_path / "reads.csv").write_text(f"time,reader,text\n2026-03-14T12:00:00Z,gate 7,{GOOD}\n")
    done = without("jinja2", *args, home=tmp_path)
    assert (done.returncode, done.stdout, done.stderr) == (2, "", NEEDED)
    assert [path.name for path in tmp_path.iterdir()] == ["reads.csv"]


def test_an_xlsx_file_names_the_extra_before_the_work(tmp_path: Path) -> None:
    (tmp_path / "reads.csv").write_text(f"time,reader,text\n2026-03-14T12:00:00Z,gate 7,{GOOD}\n")
    args = ("audit", "reads.csv", "--chain", CHAIN, "--failures", "failing.csv", "--dialect", "xlsx")
    done = without("xlsxwriter", *args, home=tmp_path)
    assert (done.returncode, done.stdout, done.stderr) == (2, "", NEEDED)
    assert [path.name for path in tmp_path.iterdir()] == ["reads.csv"]


@pytest.mark.parametrize(
    "args", [("decode", CHAIN, GOOD), ("identify", GOOD), *((name, "-h") for name in SITE_COMMANDS)]
)
def test_values_and_help_need_no_extra(args: tuple[str, ...], tmp_path: Path) -> None:
    done = without("polars", *args, home=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")


def test_another_missing_module_is_not_blamed_on_the_extra(tmp_path: Path) -> None:
    done = without("credkit.census.pipeline", "census", "site.toml", home=tmp_path)
    assert done.returncode == 70
    assert "ModuleNotFoundError" in done.stderr
