"""How much hypothesis tries, the demo that tests share, and the search for master keys in all that a run leaves.

Hypothesis tries little and the same every time by default, more with ``--hypothesis-profile=survey``, which surveys
use, and most with ``thorough``, at random.
"""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Generator, Iterator
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, settings

from credkit.core.progress import SILENT, Progress
from tests import sentences
from tests.amounts import QUICK, WHOLE
from tests.commandline import CREDKIT, ENVIRONMENT
from tests.masters import marks
from tests.sentences import COLLECTED, PROVOKED
from tests.shared import changed, folder, once

if TYPE_CHECKING:  # a test that needs no demo starts without polars
    from credkit.audit import Audit
    from credkit.crosswalk import Crosswalk
    from credkit.demo import Demo
    from credkit.demo.world import World
    from credkit.site.model import Site

SLOW = [HealthCheck.too_slow, HealthCheck.data_too_large]  # a layout is many small draws

settings.register_profile("quick", max_examples=QUICK, deadline=None, derandomize=True, suppress_health_check=SLOW)
settings.register_profile("survey", max_examples=WHOLE, deadline=None, derandomize=True, suppress_health_check=SLOW)
settings.register_profile("thorough", max_examples=2000, deadline=None, suppress_health_check=SLOW)
settings.load_profile("quick")

KEPT_IN = ("master.hex", "key.hex")  # what tests call the file that a master key is kept in on purpose
LARGE = 1 << 27  # bytes; a search through more takes seconds, and as much memory
RECORDED = sentences.load()
PRINTED: list[str] = []  # tests that printed a master key


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--accept-sentences", action="store_true", help="record the sentences that the tests provoke")


def pytest_configure(config: pytest.Config) -> None:
    config.stash[PROVOKED] = {}
    config.stash[COLLECTED] = None


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """All tests of whole files, before some are left out by their marks."""
    if not any("::" in argument for argument in config.args):
        config.stash[COLLECTED] = {item.nodeid for item in items}


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item: pytest.Item) -> Generator[None, object, object]:
    """The sentences that a test provokes are those that are recorded for it."""
    sentences.begin(item, RECORDED)
    done = yield
    sentences.end()
    if sentences.running.is_accepted:
        item.config.stash[PROVOKED][item.nodeid] = sentences.running.provoked
    return done


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any) -> None:
    """What a process of this run provoked."""
    output = getattr(node, "workeroutput", {})
    node.config.stash[PROVOKED].update(output.get("provoked", {}))
    node.config.stash[COLLECTED] = output.get("collected") and set(output["collected"])


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Record what was provoked; a process of a run hands it to the one that started it."""
    config = session.config
    provoked, there = config.stash[PROVOKED], config.stash[COLLECTED]
    if hasattr(config, "workeroutput"):
        config.workeroutput.update(provoked=provoked, collected=there and sorted(there))
    elif config.getoption("accept_sentences"):
        sentences.save(sentences.accept(sentences.load(), provoked, there))


def pytest_itemcollected(item: pytest.Item) -> None:
    """What hypothesis makes up values for is a law, and tries more of them in the surveys."""
    if getattr(getattr(item, "obj", None), "is_hypothesis_test", False):
        item.add_marker(pytest.mark.law)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Look at what a test printed."""
    report = yield
    for _, text in report.sections:
        if marks(text.encode("utf-8", "surrogatepass")):
            PRINTED.append(item.nodeid)
    return report


@pytest.fixture(scope="session", autouse=True)
def no_master_key_is_left(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """When all tests are done: no file that they left, and nothing that they printed, holds a master key."""
    yield
    homes = {tmp_path_factory.getbasetemp(), folder(tmp_path_factory)}
    files = [file for home in homes for file in home.rglob("*") if file.is_file() and not file.is_symlink()]
    large = [str(file) for file in files if file.stat().st_size > LARGE]
    assert not large, f"a file that is this large is deleted by the test that makes it: {large}"
    found = [str(file) for file in files if file.name not in KEPT_IN and marks(file.read_bytes())]
    assert not found, f"a master key stands in {found}"
    assert not PRINTED, f"a master key was printed by {PRINTED}"


# ── the demo, made once ─────────────────────────────────────────────────────────────────────────


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    """The files of the demo. Whoever changes them copies them first."""
    from credkit.demo import write_demo

    return once(tmp_path_factory, "demo", lambda home: write_demo(home / "brackwater"))


@pytest.fixture(scope="session")
def demo_crosswalk(tmp_path_factory: pytest.TempPathFactory, demo: Demo) -> Crosswalk:
    """The crosswalk of `demo`."""
    from credkit.crosswalk import crosswalk
    from credkit.site import load_site

    return once(tmp_path_factory, "crosswalk", lambda _: crosswalk(load_site(demo.site)))


@pytest.fixture(scope="session")
def demo_audit(tmp_path_factory: pytest.TempPathFactory, demo: Demo) -> Audit:
    """The audit of `demo`, with digests."""
    from credkit.audit import AuditPlan, Clock, ColumnNames, audit
    from credkit.site import load_site

    site = load_site(demo.site)
    plan = AuditPlan(columns=ColumnNames(), clock=Clock(site.zone, local=site.readings.has_local_times), site=site)
    return once(tmp_path_factory, "audit", lambda _: audit([site.readings.path], plan, digests=True))


@pytest.fixture(scope="session")
def demo_command(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, subprocess.CompletedProcess[bytes]]:
    """A folder in which ``credkit demo`` ran, and what it printed. Whoever changes the folder copies it first."""

    def run(home: Path) -> subprocess.CompletedProcess[bytes]:
        return subprocess.run([*CREDKIT, "demo"], cwd=home, capture_output=True, env=ENVIRONMENT)

    return once(tmp_path_factory, "command", lambda home: (home, run(home)))


@pytest.fixture(scope="session", autouse=True)
def what_is_shared_stays_as_it_was_made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """No test writes to a folder that others read."""
    yield
    assert not changed(tmp_path_factory)


@pytest.fixture(scope="session")
def worlds() -> Callable[[int], World]:
    """What is in the demo's files, which comes from a seed alone, made up once for each seed."""
    from credkit.demo.folder import build_brackwater

    return cache(build_brackwater)


@pytest.fixture
def known_world(worlds: Callable[[int], World], monkeypatch: pytest.MonkeyPatch) -> None:
    """For what happens to the demo's files: what is in them is not made up again."""
    monkeypatch.setattr("credkit.demo.folder.build_brackwater", worlds)


@pytest.fixture(scope="session")
def crosswalks(demo: Demo, demo_crosswalk: Crosswalk) -> Callable[..., Crosswalk]:
    """The crosswalk of a site, which comes from the bytes of its files alone, made once for each such bytes."""
    from credkit.crosswalk import crosswalk
    from credkit.site import load_site

    def files(site: Site) -> tuple[tuple[str, bytes], ...]:
        return tuple((path.name, path.read_bytes()) for path in site.files)

    made = {files(load_site(demo.site)): demo_crosswalk}

    def compute(site: Site, progress: Progress = SILENT) -> Crosswalk:
        key = files(site)
        return made[key] if key in made else made.setdefault(key, crosswalk(site, progress=progress))

    return compute


@pytest.fixture
def known_crosswalk(crosswalks: Callable[..., Crosswalk], monkeypatch: pytest.MonkeyPatch) -> None:
    """For what commands do around a crosswalk: the crosswalk of files that one was made of is not made again."""
    monkeypatch.setattr("credkit.crosswalk.crosswalk", crosswalks)
