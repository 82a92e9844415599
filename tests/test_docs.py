"""The documentation holds: generated pages are current, every command and codec is in it, every block runs.

Python blocks (``>>>``) are run by pytest itself, as doctests of the Markdown files.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from contextlib import chdir
from pathlib import Path
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner

import credkit
from credkit.cli import EVERY_COMMAND, main
from docs.generate import INDEX, drawings, index_module, pages

ROOT = Path(__file__).parent.parent
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]
QUOTED, SHELL = re.compile("'[^']*'|\"[^\"$`]*\""), re.compile(r"[|&;<>()$`*?~]")
SETUP = "python3 -m venv .venv && "


def blocks(language: str) -> list[tuple[str, str]]:
    """Every fenced block of a language: a label, its text."""
    found = []
    for page in PAGES:
        for number, match in enumerate(re.finditer(rf"^```{language}\n(.*?)^```", page.read_text(), re.M | re.S), 1):
            found.append((f"{page.name} {language} {number}", match[1]))
    return found


def test_generated_pages_are_current() -> None:
    for name, text in pages().items():
        assert (ROOT / "docs" / name).read_text() == text, f"docs/{name}: run python docs/generate.py"


def test_the_index_is_current() -> None:
    assert INDEX.read_text() == index_module(), f"{INDEX.name}: run python docs/generate.py"


def test_generated_drawings_are_current() -> None:
    folder, wanted = ROOT / "docs" / "drawings", drawings()
    assert {f"drawings/{path.name}" for path in folder.iterdir()} == set(wanted)
    page = (ROOT / "docs" / "codecs.md").read_text()
    for name, text in wanted.items():
        assert (ROOT / "docs" / name).read_text() == text, f"docs/{name}: run python docs/generate.py"
        assert len(text) < 60_000
        assert ElementTree.fromstring(text).get("aria-label")
        assert re.search(rf"!\[[^]]+]\({re.escape(name)}\)", page), f"{name} stands on no page, or without words"


def test_every_codec_is_documented() -> None:
    page = (ROOT / "docs" / "codecs.md").read_text()
    missing = [name for name in credkit.names() if f"`{name}" not in page]
    assert not missing


def test_every_command_is_documented() -> None:
    page = (ROOT / "docs" / "commands.md").read_text()
    assert all(f"## credkit {name}\n" in page for name in EVERY_COMMAND)


def test_links_between_pages_lead_somewhere() -> None:
    for page in PAGES:
        for target in re.findall(r"\]\(([^)#]+)[^)]*\)", page.read_text()):
            assert (page.parent / target).exists(), f"{page.name}: {target}"


def test_ci_runs_the_test_line_of_the_readme() -> None:
    lines = [line for _, text in blocks("sh") for line in text.splitlines() if line.startswith(SETUP)]
    tests = [line for line in lines if "pytest" in line]
    assert len(tests) == 1
    assert tests[0] in (ROOT / ".ci" / "run").read_text().splitlines()
    assert tests[0] in (ROOT / "DEVELOPERS.md").read_text()


def run(command: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """A shell line, where ``credkit`` is found and a screen has 80 columns; in this process without one."""
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    environment = {**os.environ, "PATH": path, "COLUMNS": "80", "NO_COLOR": "1"}
    first, _, rest = command.partition(" | ")
    program, *args = shlex.split(first, comments=True)
    piped = None
    if program == "credkit" and not SHELL.search(QUOTED.sub("", first)):
        with chdir(folder):
            done = CliRunner(env=environment).invoke(main, args)
        if not rest:
            return subprocess.CompletedProcess(command, done.exit_code, done.stdout, done.stderr)
        command, piped = rest, done.stdout
    return subprocess.run(
        ["bash", "-c", command], cwd=folder, env=environment, input=piped, capture_output=True, text=True
    )


@pytest.mark.usefixtures("known_crosswalk")
@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_shell_blocks_run_and_console_blocks_print_what_they_show(
    page: Path, tmp_path: Path, demo_command: tuple[Path, subprocess.CompletedProcess[bytes]]
) -> None:
    """In the order of the page, in a folder in which the demo has run.

    TOML that begins with a file's name and CSV that has one behind its language are there.
    """
    found = re.findall(r"^```(sh|console|toml|csv)(?: ([a-z-]+\.csv))?\n(.*?)^```", page.read_text(), re.M | re.S)
    if any(language in ("sh", "console") for language, _, _ in found):
        shutil.copytree(demo_command[0], tmp_path, dirs_exist_ok=True)
    for language, file, text in found:
        if language == "csv":
            if file:
                (tmp_path / file).write_text(text)
            continue
        if language == "toml":
            if name := re.match(r"# ([a-z-]+\.toml)\n", text):
                (tmp_path / name[1]).write_text(text)
            continue
        if language == "sh":
            for line in text.splitlines():
                if line.strip() and not line.startswith((SETUP, "#")):
                    done = run(line, tmp_path)
                    assert done.returncode in (0, 1), f"{line}: {done.stderr}"  # 1: some value is meant to be bad
                    assert "Traceback" not in done.stderr
        for command, shown in re.findall(r"^\$ (.*)\n((?:(?!\$ ).*\n)*)", text, re.M):
            done = run(command, tmp_path)
            output = [line.rstrip() for line in (done.stdout + done.stderr).rstrip().splitlines()]
            assert output == [line.rstrip() for line in shown.rstrip().splitlines()], command


@pytest.mark.parametrize(("label", "text"), blocks("toml"))
def test_toml_blocks_parse(label: str, text: str) -> None:
    assert tomllib.loads(text), label
