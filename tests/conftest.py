"""How much hypothesis tries, and the search for master keys in all that a test run writes and prints.

Hypothesis tries little and the same every time by default, more with ``--hypothesis-profile=thorough``.
"""

from collections.abc import Generator, Iterator

import pytest
from hypothesis import HealthCheck, settings

from tests.masters import marks

SLOW = [HealthCheck.too_slow, HealthCheck.data_too_large]  # a layout is many small draws

settings.register_profile("ci", max_examples=100, deadline=None, derandomize=True, suppress_health_check=SLOW)
settings.register_profile("thorough", max_examples=2000, deadline=None, suppress_health_check=SLOW)
settings.load_profile("ci")

KEPT_IN = ("master.hex", "key.hex")  # what tests call the file that a master key is kept in on purpose
PRINTED: list[str] = []  # tests that printed a master key


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
    files = [file for file in tmp_path_factory.getbasetemp().rglob("*") if file.is_file() and not file.is_symlink()]
    found = [str(file) for file in files if file.name not in KEPT_IN and marks(file.read_bytes())]
    assert not found, f"a master key stands in {found}"
    assert not PRINTED, f"a master key was printed by {PRINTED}"
