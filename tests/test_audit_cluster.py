"""Audits by the workers of a Dask cluster on this machine: equal to that of one process, also when a worker dies."""

from __future__ import annotations

import hashlib
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from credkit import DefinitionError
from credkit.audit import audit, fileparts
from credkit.demo import Demo
from tests.captures import CHAIN, START, Row, as_csv, hexed, made, written
from tests.commandline import run
from tests.progress import RecordedProgress
from tests.sentences import refusal
from tests.test_audit import plan
from tests.test_audit_files import TRACK, file

distributed = pytest.importorskip("dask.distributed", reason="the extra cluster is absent")
cluster = pytest.importorskip("credkit.audit.cluster")
workers = pytest.importorskip("credkit.files.cluster")
pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning")


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    """A scheduler with two workers, each a process that is started again when it dies."""
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0") as local:
        yield local.scheduler_address


def odd(folder: Path) -> list[Path]:
    """Files with quoted cells, odd lines, a byte that is no UTF-8, no end of the last line; compressed, and others."""
    rows = made(300, seed=7)
    lines = as_csv(rows).splitlines(keepends=True)
    for place, line in (
        (3, b'2026-03-01T08:00:00Z,"gate-1",02F764DD\n'),
        (90, b"a,b\n"),
        (150, b"\xff,x,y\n"),
        (151, b"\n"),
    ):
        lines.insert(place, line)
    return [
        file(folder, b"".join(lines)[:-1], "odd.csv"), written(folder, made(50, seed=8), "csv.gz"),
        written(folder, made(100, seed=9), "jsonl"), written(folder, made(120, seed=3), "parquet"),
    ]  # fmt: skip


def test_the_command_prints_and_writes_what_one_process_does(
    tmp_path: Path, address: str, demo: Demo, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The demo's site, with keypads and swipes, cut into many parts; then odd files of every kind."""
    monkeypatch.setattr(cluster, "PART_BYTES", 30_000)
    of_site = ("--site", str(demo.site))
    paths = odd(tmp_path)
    assert len(fileparts.cut_files(paths[:1], plan(), size=4000)) > 3
    for size, arguments in ((30_000, of_site), (4_000, (*map(str, paths), "--chain", CHAIN))):
        monkeypatch.setattr(cluster, "PART_BYTES", size)
        for more in ((), ("--json",)):
            alone, shared = run("audit", *arguments, *more), run("audit", *arguments, *more, "--scheduler", address)
            assert shared.output == alone.output
            assert shared.exit_code == alone.exit_code == 1
        tables = [tmp_path / name for name in ("alone.parquet", "shared.parquet")]
        run("audit", *arguments, "--parquet", str(tables[0]))
        run("audit", *arguments, "--parquet", str(tables[1]), "--scheduler", address)
        assert tables[0].read_bytes() == tables[1].read_bytes()
        for each in tables:
            each.unlink()
    page = tmp_path / "report.html"
    assert (
        run("audit", *map(str, paths), "--chain", CHAIN, "--report", str(page), "--scheduler", address).exit_code == 1
    )
    for path in paths:
        assert hashlib.sha256(path.read_bytes()).hexdigest() in page.read_text().replace("<wbr>", "")


def test_a_worker_that_is_killed_in_the_middle_changes_nothing(tmp_path: Path, address: str) -> None:
    path = written(tmp_path, made(3000, seed=11), "csv")
    parts = len(fileparts.cut_files([path], plan(), size=3000))
    assert parts > 30
    killed: list[int] = []
    with workers.connect(address) as client:
        before = {worker: int(pid) for worker, pid in client.run(os.getpid).items()}

        def kill(done: int) -> None:
            """Kill a worker when the first part is read: what it holds is lost, and what it reads."""
            if not killed:
                killed.append(done)
                os.kill(before[min(before)], signal.SIGKILL)

        told = RecordedProgress(kill)
        found = cluster.audit_on_cluster(client, [path], plan(), size=3000, progress=told)
        client.wait_for_workers(2, timeout=60)
        after = set(client.run(os.getpid).values())
    assert 0 < killed[0] < path.stat().st_size
    assert told.names == ["1/2 reading the files", "2/2 looking for causes and changes"]
    assert told.phases[0].total == told.counts[0][-1] == path.stat().st_size
    told.verify()
    assert before[min(before)] not in after
    assert found == audit([path], plan())


def test_what_a_worker_refuses_is_refused_here(tmp_path: Path, address: str) -> None:
    rows = [Row(START.isoformat(), "gate", text) for text in [hexed(1, 2)] * 30 + [TRACK] + [hexed(1, 2)] * 30]
    path = file(tmp_path, as_csv(rows))
    with workers.connect(address) as client:
        with pytest.raises(DefinitionError, match="line 32: payment track"):
            cluster.audit_on_cluster(client, [path], plan(), size=500)
        (part,) = fileparts.cut_files([path], plan())
        versions = workers.find_versions()
        path.write_bytes(as_csv(rows[:30]))
        with refusal(DefinitionError):  # it has not the size that it had
            client.submit(cluster.read_part, part, versions).result()
        with pytest.raises(DefinitionError, match=r"and polars .*, expected 0\.0\.1 and 1\.0, as"):
            client.submit(cluster.read_part, part, versions._replace(credkit="0.0.1", polars="1.0")).result()


def test_no_scheduler_and_no_worker(tmp_path: Path) -> None:
    path = written(tmp_path, made(10), "csv")
    with distributed.LocalCluster(n_workers=0, dashboard_address=":0") as empty:
        done = run("audit", str(path), "--chain", CHAIN, "--scheduler", empty.scheduler_address)
    assert done.exit_code == 2
    assert "has no worker: start one with 'dask worker tcp://" in done.stderr
    done = run("audit", str(path), "--chain", CHAIN, "--scheduler", "nowhere")
    assert done.exit_code == 2
    assert done.stderr.startswith("credkit: --scheduler: no Dask scheduler answers at 'nowhere'")
    assert done.stderr.count("\n") == 1
    done = run("audit", str(path), "--chain", CHAIN, "--scheduler", "nowhere", "--failures", str(tmp_path / "out.csv"))
    assert done.exit_code == 2
    assert "--failures goes without --scheduler" in done.stderr


def test_without_the_extra_the_option_names_it(tmp_path: Path) -> None:
    path = written(tmp_path, made(10), "csv")
    code = (
        "import sys; sys.modules['dask'] = None; from credkit.cli import main; "
        f"main(['audit', {str(path)!r}, '--chain', {CHAIN!r}, '--scheduler', 'tcp://127.0.0.1:1'])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == "credkit: --scheduler needs the extra cluster: pip install 'credkit[cluster]'\n"
