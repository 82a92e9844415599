"""Readers whose clock is wrong: one finding about the reader, and nothing concluded from its times."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from credkit.crosswalk import Crosswalk, crosswalk
from credkit.site.model import Site
from tests.amounts import amounts
from tests.brackwater import Files, codes, found, frame, hexed, line, made, walk
from tests.randomsites import random_site


@pytest.fixture(scope="module")
def site() -> Site:
    return made()


def dated(count: int = 6, since: str = "2024-01-10") -> Files:
    """Cards that were given out one day, each read at the gate and by a reader of bits."""
    files = Files()
    for number in range(count):
        files.card(f"C-{number}", f"012{101 + number:05d}", valid_from=since)
    return files.read("gate", *(hexed(12, 101 + number) for number in range(count)))


def bits(count: int = 6) -> list[str]:
    return [frame(12, 101 + number) for number in range(count)]


@pytest.mark.parametrize("at", ["2000-01-01T00:00:10+01:00", "2023-11-01T08:00:00+01:00", "2036-02-07T00:00:00+01:00"])
def test_a_clock_that_is_wrong_is_one_finding_about_the_reader(site: Site, at: str) -> None:
    result = walk(site, dated().read("quay", *bits(), at=at))
    assert not codes(result)
    (finding,) = found(result, "clock").values()
    assert (finding.subject, finding.count) == ("quay", 6)
    assert "6 rows from line 8 on" in finding.text
    assert line(result, "C-1").readers == "gate 1; quay 1"
    assert str(line(result, "C-1").last_seen).startswith("2026-03-10")  # when the gate saw it


def test_a_log_that_is_really_old_is_no_fault_of_a_clock(site: Site) -> None:
    result = walk(site, dated(since="2010-01-10").read("quay", *bits(), at="2012-01-01T08:00:00+01:00"))
    assert not found(result, "clock")
    assert not codes(result)


def test_times_after_the_day_of_judgement_need_not_be_wrong(site: Site) -> None:
    assert not found(walk(site, dated().read("quay", *bits(), at="2026-04-20T08:00:00+02:00")), "clock")


def test_cards_without_dates_prove_no_clock_wrong(site: Site) -> None:
    files = Files()
    for number in range(6):
        files.card(f"C-{number}", f"012{101 + number:05d}")
    files.read("gate", *(hexed(12, 101 + number) for number in range(6)))
    assert not found(walk(site, files.read("quay", *bits(), at="2000-01-01T00:00:10+01:00")), "clock")


def test_neighbours_in_the_file_bound_the_jump(site: Site) -> None:
    files = dated()
    for number in range(3):  # the gate reads at 9:00, 9:02 and 9:04, and the quay a minute after, by a clock at 2000
        files.read("gate", hexed(12, 101), at=f"2026-03-11T09:0{2 * number}:00+01:00")
        files.read("quay", bits()[number], at=f"2000-01-01T00:0{2 * number + 1}:00+01:00")
    files.read("gate", hexed(12, 101), at="2026-03-11T09:06:00+01:00")
    (finding,) = found(walk(site, files), "clock").values()
    low, high = (int(each.replace(",", "")) for each in re.findall(r"[0-9,]{9,}", finding.text))
    jump = 9_566 * 86_400 + 9 * 3_600  # seconds from 2000-01-01 00:00 to 2026-03-11 09:00, by the calendar
    assert (low, high) == (jump - 60, jump + 60)


@pytest.mark.parametrize("fault", ["clock_at_2000", "clock_in_future"])
@amounts("count", quick=6, whole=60)  # none of 60 missed: with 95 % confidence, 95 % of them are found
def test_wrong_clocks_of_random_sites(fault: str, count: int, tmp_path: Path) -> None:
    for seed in range(count):
        drawn = random_site(seed, fault)  # type: ignore[arg-type]  # a literal that the parameters of a test lose
        (plant,) = drawn.plants
        result = crosswalk(drawn.load(tmp_path))
        assert clock_findings(result) == [(plant.reader, len(plant.lines))]
        exceptions = {each.line for each in result.exceptions if each.file == "readings.csv"}
        lost = {line for line in plant.lines if drawn.readings[line - 2].noise == "lost"}  # read when, nobody knows
        noise = {line for line, reading in enumerate(drawn.readings, 2) if reading.noise}
        assert exceptions == noise - lost


def clock_findings(result: Crosswalk) -> list[tuple[str, int]]:
    return [(each.subject, each.count) for each in result.findings if each.code == "clock"]
