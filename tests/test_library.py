"""The programs of docs/library.md run and print what the page says; mypy --strict checks them with the rest."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from docs.generate import PROGRAM, printed, program_section, programs

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "docs" / "library.md").read_text()


@pytest.mark.parametrize("name", programs())
def test_a_program_prints_what_the_page_says(name: str) -> None:
    section = program_section(name, printed(programs()[name]))
    assert PAGE.count(section) == 1, "run python docs/generate.py"


def test_every_program_stands_on_the_page_once() -> None:
    assert sorted(PROGRAM.findall(PAGE)) == sorted(programs())


def test_mypy_checks_the_programs() -> None:
    configured = (ROOT / "pyproject.toml").read_text()
    assert re.search(r'^files = \[.*"docs/programs".*\]$', configured, re.M)
    assert "strict = true" in configured
