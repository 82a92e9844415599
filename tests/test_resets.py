"""Readers that were re-set without anybody saying so, over random sites with and without such a reader."""

from __future__ import annotations

from pathlib import Path

from credkit.crosswalk import crosswalk
from tests.amounts import amounts
from tests.randomsites import random_site


@amounts("count", quick=8, whole=100)
def test_only_noise_is_an_exception_at_a_healthy_site(count: int, tmp_path: Path) -> None:
    for seed in range(count):
        drawn = random_site(seed)
        result = crosswalk(drawn.load(tmp_path))
        exceptions = {each.line for each in result.exceptions if each.file == "readings.csv"}
        assert exceptions == {line for line, reading in enumerate(drawn.readings, 2) if reading.noise}
