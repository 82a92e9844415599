"""The sentences that tests provoke stand in one file, ``sentences.json``; a test asserts class, rule and place.

`refusal` is what `pytest.raises` is, and compares the whole sentence with the one that is recorded for the test.
``pytest --accept-sentences`` writes down what the tests of that run provoke, so that a better sentence is one change,
to be read in the difference of that file. A recorded sentence that no test provokes fails its test; one of a test that
is gone fails `test_sentences`, until the sentences are accepted.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import gettempdir
from typing import Any

import pytest

FILE = Path(__file__).with_suffix(".json")
PROVOKED = pytest.StashKey[dict[str, list[str]]]()  # sentences, by test
COLLECTED = pytest.StashKey[set[str] | None]()  # every test of the files of this run, or None where some were named
FOLDER = re.compile(rf"{re.escape(gettempdir())}/(pytest-of-[^/]+/pytest-[0-9]+/(popen-gw[0-9]+/)?[^/ :']+|tmp\w{{8}})")
ANY: Any = object()  # a place or a rule that a test does not assert
Recorded = dict[str, dict[str, list[str]]]  # by file, by test


@dataclass(slots=True)
class Running:
    """The test that runs: the sentences that are recorded for it, and those that it has provoked so far."""

    node: str = ""
    recorded: list[str] = field(default_factory=list)
    provoked: list[str] = field(default_factory=list)
    is_accepted: bool = False


running = Running()


def load() -> Recorded:
    """What is recorded."""
    return json.loads(FILE.read_text(encoding="utf-8")) if FILE.exists() else {}


def save(recorded: Recorded) -> None:
    """Write down what is recorded, a sentence a line."""
    kept = {name: dict(sorted(tests.items())) for name, tests in sorted(recorded.items()) if tests}
    FILE.write_text(json.dumps(kept, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def assert_sentence(text: str) -> None:
    """That ``text`` is the next sentence recorded for this test; a folder of this run stands in it as ``FOLDER``."""
    text = FOLDER.sub("FOLDER", text)
    place = len(running.provoked)
    running.provoked.append(text)
    if running.is_accepted:
        return
    assert place < len(running.recorded), f"no sentence {place + 1} is recorded (--accept-sentences does): {text}"
    assert text == running.recorded[place]


class refusal:  # it stands where pytest.raises does
    """Assert that an ``error`` is raised, for a check of ``rule``, at ``place``, with the sentence that is recorded."""

    def __init__(self, error: type[Exception], *, rule: str | None = ANY, place: tuple[int | str, ...] = ANY) -> None:
        self._raises = pytest.raises(error)
        self._rule, self._place = rule, place

    def __enter__(self) -> pytest.ExceptionInfo[Any]:
        self._caught: pytest.ExceptionInfo[Any] = self._raises.__enter__()
        return self._caught

    def __exit__(self, *raised: Any) -> bool:
        if not self._raises.__exit__(*raised):
            return False
        found = self._caught.value
        if self._rule is not ANY:
            assert (found.check and found.check.rule) == self._rule
        if self._place is not ANY:
            assert found.place == self._place
        assert_sentence(str(found))
        return True


# ── what `tests.conftest` calls ─────────────────────────────────────────────────────────────────


def begin(item: pytest.Item, recorded: Recorded) -> None:
    """A test begins."""
    file, _, name = item.nodeid.partition("::")
    running.node = item.nodeid
    running.recorded = recorded.get(file, {}).get(name, [])
    running.provoked = []
    running.is_accepted = bool(item.config.getoption("accept_sentences"))


def end() -> None:
    """A test has passed: it provoked all that is recorded for it."""
    if not running.is_accepted:
        assert running.provoked == running.recorded, "not every sentence that is recorded was provoked"


def accept(recorded: Recorded, provoked: dict[str, list[str]], there: set[str] | None) -> Recorded:
    """``recorded`` with what tests of a run provoked; where ``there`` lists every test of its files, without others.

    >>> recorded = {"tests/test_cli.py": {"test_a": ["old"], "test_gone": ["old"]}}
    >>> accept(recorded, {"tests/test_cli.py::test_a": ["new"]}, {"tests/test_cli.py::test_a"})
    {'tests/test_cli.py': {'test_a': ['new']}}
    """
    new = {file: dict(tests) for file, tests in recorded.items()}
    for node, sentences in provoked.items():
        file, _, name = node.partition("::")
        tests = new.setdefault(file, {})
        tests.pop(name, None)
        if sentences:
            tests[name] = sentences
    for file, name in gone(new, there) if there is not None else ():
        del new[file][name]
    return new


def gone(recorded: Recorded, there: set[str]) -> list[tuple[str, str]]:
    """Recorded tests of the files of ``there`` that are not among them, and those of files that do not exist."""
    files = {node.partition("::")[0] for node in there}
    return [
        (file, name)
        for file, tests in recorded.items()
        for name in tests
        if (file in files and f"{file}::{name}" not in there) or not (FILE.parents[1] / file).exists()
    ]
