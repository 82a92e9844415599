"""The benchmarks run small, so that they cannot rot; their answers are asserted, their times are not."""

import json

import pytest

from benchmarks import audit
from benchmarks.__main__ import main


def test_benchmarks_run_and_agree_on_the_answers(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--scale", "50", "--frames", "20000", "--cards", "60", "--json", "--no-startup"]) == 0
    result = json.loads(capsys.readouterr().out)
    contenders = {(row["workload"], row["contender"]) for row in result["decode"]}
    assert ("one frame from a number", "construct") in contenders
    assert ("one card from a text", "bitstring script") in contenders
    assert all(row["us"] > 0 for row in (*result["decode"], *result["cards"]))
    batches = {(row["workload"], row["contender"]) for row in result["cards"]}
    assert batches == {(f"the {what} of a card", who) for what in ("data", "check") for who in ("credkit", "script")}
    bulk = {(row["workload"], row["contender"]) for row in result["bulk"]}
    assert {("26 bits", "bitstring script"), ("33 bits, interleaved", "numpy by hand")} <= bulk


def test_the_audit_runs_small_and_its_answer_is_asserted(capsys: pytest.CaptureFixture[str]) -> None:
    assert audit.main(["--rows", "3000", "--turns", "1", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["rows"] == 3000
    assert found["ratio"] > 0
    assert found["audit_peak_mb"] > 0
