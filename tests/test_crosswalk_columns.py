"""Laws of the columns of a crosswalk: what they leave to nobody is judged alike one by one, however it is divided."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from tempfile import TemporaryDirectory
from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit.bulk.words import Array
from credkit.crosswalk import Crosswalk, crosswalk, evidence, judging, lines, write_outputs
from credkit.crosswalk.rounding import ColumnVerdicts
from credkit.crosswalk.targets import TargetTexts
from credkit.site import load_rows, load_site
from credkit.site.model import Rows, Site
from tests.amounts import examples
from tests.brackwater import Files, found, hexed, line, made, two, walk
from tests.randomsites import random_site
from tests.sitefaults import FAULTS, Fault
from tests.test_crosswalk_laws import drawn


def one_by_one(site: Site, rows: Rows) -> Crosswalk:
    """The crosswalk with every reading, card and line looked at by itself."""

    def none_clear(judge: lines.CardJudge, done: TargetTexts, target: object) -> Array:
        return np.zeros(len(done.places), bool)

    with ExitStack() as stack:
        stack.enter_context(patch.object(judging, "find_clear", lambda site, register, seen: np.zeros(len(seen), bool)))
        stack.enter_context(
            patch.object(
                ColumnVerdicts, "may_be_rounded", lambda columns, file, kind, values: np.ones(len(values), bool)
            )
        )
        stack.enter_context(patch.object(lines.CardJudge, "_find_clear", none_clear))
        return crosswalk(site, rows)


@given(st.integers(0, 1 << 20), st.sets(st.sampled_from(FAULTS), max_size=2))
@examples(30)
def test_what_columns_settle_is_judged_alike_one_by_one(seed: int, faults: set[Fault]) -> None:
    site, rows = drawn(seed, *sorted(faults))
    assert one_by_one(site, rows) == crosswalk(site, rows)


def test_columns_settle_most_of_a_site() -> None:
    """The law above would say nothing if everything were looked at by itself."""
    site, rows = drawn(7)
    seen: list[Array] = []
    whole = judging.find_clear

    def noted(*given: object) -> Array:
        seen.append(whole(*given))  # type: ignore[arg-type]  # what it is given
        return seen[-1]

    with patch.object(judging, "find_clear", noted):
        crosswalk(site, rows)
    assert seen[0].mean() > 0.3


@pytest.mark.parametrize("size", [1, 7])
def test_parts_of_any_size_count_the_same(size: int) -> None:
    site, rows = drawn(11, *FAULTS[:1])
    whole = crosswalk(site, rows)
    with patch.object(evidence, "READINGS_AT_ONCE", size), patch.object(evidence, "CARDS_AT_ONCE", size):
        assert crosswalk(site, rows) == whole


@given(st.integers(0, 1 << 20))
@examples(8)
def test_files_and_rows_give_the_same(seed: int) -> None:
    """The files as they are written, and their rows one by one."""
    with TemporaryDirectory() as folder:
        path = random_site(seed).write(Path(folder))
        site = load_site(path)
        by_rows, by_files = crosswalk(site, load_rows(site)), crosswalk(site)
        assert by_rows.inputs == ()
        for name in ("lines", "exceptions", "findings", "summary"):
            assert getattr(by_rows, name) == getattr(by_files, name), name
        write_outputs(by_files, Path(folder) / "out")
        assert (Path(folder) / "out" / "crosswalk.csv").read_bytes().count(b"\n") > len(by_files.lines) // 2


def test_lines_are_a_sequence() -> None:
    result = walk(made(), two())
    assert len(result.lines) == 2
    assert result.lines[0] == next(iter(result.lines)) == result.lines[:1][0]
    assert result.lines[-1].credential == "C-2"
    assert line(result, "C-1") == result.lines[0]


def test_nothing_at_all_is_a_crosswalk() -> None:
    for files in (Files(), Files().card("C-1", "01200345"), Files().read("gate", hexed(12, 345))):
        result = walk(made(), files)
        assert len(result.lines) == len(files.cards)
        assert sum(int(row[-1]) for row in result.summary[0].rows) == 0
    assert found(result, "unknown-card")["gate"].count == 1
