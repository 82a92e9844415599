"""The benchmarks run small, so that they cannot rot; their answers are asserted, their times are not."""

import json

import pytest

from benchmarks.__main__ import main


def test_benchmarks_run_and_agree_on_the_answers(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--scale", "50", "--frames", "20000", "--json", "--no-startup"]) == 0
    result = json.loads(capsys.readouterr().out)
    contenders = {(row["workload"], row["contender"]) for row in result["decode"]}
    assert ("one frame from a number", "construct") in contenders
    assert ("one card from a text", "bitstring script") in contenders
    assert all(row["us"] > 0 for row in result["decode"])
    bulk = {(row["workload"], row["contender"]) for row in result["bulk"]}
    assert {("26 bits", "bitstring script"), ("33 bits, interleaved", "numpy by hand")} <= bulk
