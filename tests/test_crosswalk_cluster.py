"""Crosswalks by the workers of a Dask cluster on this machine: equal to that of one process, also when one dies."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from credkit import DefinitionError
from credkit.crosswalk import Crosswalk, crosswalk, cut_readings
from credkit.demo import Demo
from credkit.site import load_site
from tests.commandline import run
from tests.progress import RecordedProgress
from tests.randomsites import random_site
from tests.sentences import refusal
from tests.test_audit_partials import answer
from tests.test_site import FILES, GOOD, load

distributed = pytest.importorskip("dask.distributed", reason="the extra cluster is absent")
cluster = pytest.importorskip("credkit.crosswalk.cluster")
workers = pytest.importorskip("credkit.files.cluster")
pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning")


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    """A scheduler with two workers, each a process that is started again when it dies."""
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0") as local:
        yield local.scheduler_address


def test_the_command_prints_and_writes_what_one_process_does(
    tmp_path: Path, address: str, demo: Demo, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The demo's site, with keypads, swipes, periods and presentations, cut into many parts."""
    monkeypatch.setattr(cluster, "PART_BYTES", 60_000)
    assert len(cut_readings(load_site(demo.site), 60_000)) > cluster.PARTS_JOINED_AT_ONCE
    out = tmp_path / "out"
    alone = run("crosswalk", str(demo.site), "--out", str(out), "--details")
    files = {path.name: path.read_bytes() for path in out.iterdir()}
    out.rename(tmp_path / "alone")
    shared = run("crosswalk", str(demo.site), "--out", str(out), "--details", "--scheduler", address)
    assert (shared.output, shared.exit_code) == (alone.output, alone.exit_code)
    assert {path.name: path.read_bytes() for path in out.iterdir()} == files


@pytest.mark.parametrize("seed", [1, 2])
def test_random_sites(tmp_path: Path, address: str, seed: int) -> None:
    site = load_site(random_site(seed).write(tmp_path))
    with workers.connect(address) as client:
        assert cluster.crosswalk_on_cluster(client, site, size=6_000) == crosswalk(site)


def test_a_worker_that_is_killed_in_the_middle_changes_nothing(
    demo: Demo, demo_crosswalk: Crosswalk, address: str
) -> None:
    site = load_site(demo.site)
    size = site.readings.path.stat().st_size
    killed: list[int] = []
    with workers.connect(address) as client:
        before = {worker: int(pid) for worker, pid in client.run(os.getpid).items()}

        def kill(done: int) -> None:
            """Kill a worker when the first part is here: what it has read is lost, and what it reads."""
            if not killed:
                killed.append(done)
                os.kill(before[min(before)], signal.SIGKILL)

        told = RecordedProgress(kill)
        found = cluster.crosswalk_on_cluster(client, site, size=20_000, progress=told)
        client.wait_for_workers(2, timeout=60)
        after = set(client.run(os.getpid).values())
    assert 0 < killed[0] < size / 10
    assert before[min(before)] not in after
    assert told.names[:3] == ["1/7 reading the readings", "1/7 reading the files", "2/7 decoding readings"]
    assert told.phases[0].total == told.counts[0][-1] == size
    told.verify()
    assert found == demo_crosswalk


def test_what_is_wrong_with_the_files_is_told_as_by_one_process(tmp_path: Path, address: str) -> None:
    text = FILES["readings.csv"]
    site = load(tmp_path, GOOD, {**FILES, "readings.csv": text + text.partition("\n")[2].replace("yard", "nowhere")})
    with workers.connect(address) as client:

        def on_cluster() -> Crosswalk:
            found: Crosswalk = cluster.crosswalk_on_cluster(client, site, size=60)
            return found

        wanted = answer(crosswalk, site)
        assert "line 3: no reader is called" in str(wanted)
        assert answer(on_cluster) == wanted
        site.readings.path.unlink()
        wanted = answer(crosswalk, site)
        assert "readings.csv" in str(wanted)
        assert answer(on_cluster) == wanted


def test_what_a_worker_refuses_is_refused_here(tmp_path: Path, address: str) -> None:
    site = load(tmp_path, GOOD, FILES)
    (part,) = cut_readings(site)
    with workers.connect(address) as client:
        versions = workers.find_versions()
        with pytest.raises(DefinitionError, match=r"0\.0\.1 and 1\.0, as where the crosswalk began"):
            client.submit(cluster.read_part, part, versions._replace(credkit="0.0.1", polars="1.0")).result()
        site.readings.path.write_text(FILES["readings.csv"] + "\n")
        with refusal(DefinitionError):
            client.submit(cluster.read_part, part, versions).result()


def test_no_scheduler(tmp_path: Path, demo: Demo) -> None:
    done = run("crosswalk", str(demo.site), "--out", str(tmp_path / "out"), "--scheduler", "nowhere")
    assert done.exit_code == 2
    assert done.stderr.startswith("credkit: --scheduler: no Dask scheduler answers at 'nowhere'")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("address", ["nowhere", "foo://nowhere:1"])
def test_no_scheduler_leaves_nothing_to_close_at_the_end(address: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", f"from credkit.files.cluster import connect; connect({address!r}).__enter__()"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    *_, last = done.stderr.splitlines()
    assert f"--scheduler: no Dask scheduler answers at {address!r}" in last
    assert "Exception ignored" not in done.stderr
