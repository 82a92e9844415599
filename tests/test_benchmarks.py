"""The benchmarks run small, so that they cannot rot; their answers are asserted, their times are not."""

import json
from pathlib import Path

import pytest

from benchmarks import audit, bulk, crosswalk, crosswalk_site, discover_layout, startup
from benchmarks.__main__ import main
from benchmarks.turns import agreed


def test_benchmarks_run_and_agree_on_the_answers(capsys: pytest.CaptureFixture[str]) -> None:
    small = ["--scale", "50", "--frames", "20000", "--cards", "60"]
    assert main([*small, "--json", "--only", "decode", "bulk", "cards"]) == 0
    result = json.loads(capsys.readouterr().out)
    scripts = {"bitstring script", "bitstruct"}
    contenders = {(row["workload"], row["contender"]) for row in result["decode"]}
    assert {who for what, who in contenders if what == "one frame from a number"} == {"credkit", "construct", *scripts}
    assert {who for what, who in contenders if what == "one card from a text"} == {
        "credkit", "Python by hand", *scripts,
    }  # fmt: skip
    assert all(row["us"] > 0 for row in (*result["decode"], *result["cards"]))
    batches = {(row["workload"], row["contender"]) for row in result["cards"]}
    assert batches == {(f"the {what} of a card", who) for what in ("data", "check") for who in ("credkit", "script")}
    many = {(row["workload"], row["contender"]) for row in result["bulk"]}
    assert {who for what, who in many if what == "26 bits"} == {"credkit.bulk", "numpy by hand", "copy", *scripts}
    assert ("33 bits, interleaved", "numpy by hand") in many
    assert result["startup"] == []


def test_starts_are_measured_and_their_answers_asserted(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert main(["--only", "startup", "--starts", "1", "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)["startup"]
    assert [row["workload"] for row in rows] == list(startup.STARTS)
    assert all(row["times_base"] > 0 for row in rows)
    wrong = startup.STARTS["credkit formats"]._replace(answer="nothing")
    with pytest.raises(SystemExit, match="wrong answer"):
        startup.cost(wrong.command, wrong.answer, str(tmp_path))


def test_growth_of_arrays_is_told_by_size(capsys: pytest.CaptureFixture[str]) -> None:
    assert bulk.main(["--growth", "1000", "70000", "--turns", "1", "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert [(row["frames"], row["contender"]) for row in rows] == [
        (count, who) for count in (1000, 70000) for who in ("credkit.bulk", "numpy by hand", "copy")
    ]


@pytest.mark.survey
def test_the_audit_runs_small_over_both_kinds_of_file(capsys: pytest.CaptureFixture[str]) -> None:
    assert audit.main(["--growth", "3000", "--turns", "1", "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert [(row["kind"], row["rows"]) for row in rows] == [("csv", 3000), ("parquet", 3000)]
    assert all(row["audit_peak_mb"] > 0 and row["polars_peak_mb"] > 0 for row in rows)


def test_quoted_cells_and_empty_lines_leave_the_answers_of_a_crosswalk_as_they_are(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert crosswalk.main(["--credentials", "400", "--readings", "2000", "--odd", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["odd"] is True


def test_the_site_with_all_families_of_readers_runs_small(capsys: pytest.CaptureFixture[str]) -> None:
    assert crosswalk_site.main(["--scale", "4000", "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert [(row["job"], row["credentials"], row["readings"]) for row in rows] == [
        (job, 400, 4000) for job in ("crosswalk", "audit", "census")
    ]
    assert all(row["mb"] > 0 and row["ratio"] > 0 for row in rows)
    assert crosswalk_site.list_sizes(3 * 10**6) == [10**4, 10**5, 10**6, 3 * 10**6]


def test_the_site_with_all_families_of_readers_follows_from_its_seed(tmp_path: Path) -> None:
    written = []
    for place, seed in enumerate((3, 3, 4)):
        folder = tmp_path / str(place)
        folder.mkdir()
        wanted = crosswalk_site.write_site(folder, 1000, 60_000, seed)
        written.append({path.name: path.read_bytes() for path in sorted(folder.iterdir())})
        lines = {name: len(data.splitlines()) - 1 for name, data in written[-1].items() if name.endswith(".csv")}
        assert lines == wanted["crosswalk"]["rows"]
        assert lines["credentials.csv"] == 1000
        assert 0.06 < sum(row[2] for row in wanted["crosswalk"]["readers"].values()) / 60_000 < 0.08
    assert written[0] == written[1] != written[2]


@pytest.mark.survey
@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning")
def test_the_work_of_workers_runs_small(capsys: pytest.CaptureFixture[str]) -> None:
    cluster = pytest.importorskip("benchmarks.cluster")
    assert cluster.main(["--rows", "3000", "--workers", "1", "2", "--turns", "1", "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)
    contenders = ("one process", "1", "2")
    assert [(row["job"], row["rows"], row["workers"]) for row in rows] == [
        (job, 3000, name) for job in ("audit", "crosswalk") for name in contenders
    ]
    assert all(row["seconds"] > 0 and row["cpu_seconds"] > 0 for row in rows)


def test_layouts_are_found_in_small_trials(capsys: pytest.CaptureFixture[str]) -> None:
    assert discover_layout.main(["--trials", "3", "--frames", "2000", "--json"]) == 0
    result = json.loads(capsys.readouterr().out)
    assert len(result["layouts"]) == 12
    assert sum(row["determined"] for row in result["layouts"]) > 20
    assert not any(result["null"].values())
    with pytest.raises(SystemExit, match="wrong answer"):
        discover_layout.verify({**result, "known": 0})


def test_a_wrong_answer_ends_a_benchmark() -> None:
    with pytest.raises(SystemExit, match="wrong answer: 1, expected 2"):
        agreed(1, 2)


def test_help_names_the_runs_of_their_own(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["--help"])
    shown = capsys.readouterr().out
    runs = ("bulk", "audit", "cluster", "census", "crosswalk", "crosswalk_site", "discover_checks", "discover_layout")
    assert all(f"python -m benchmarks.{name}" in shown for name in runs)
