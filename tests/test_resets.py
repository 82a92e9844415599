"""Readers that were re-set without anybody saying so, over random sites with and without such a reader.

What was planted, and so what must be found, is drawn by `tests.sitefaults`, not worked out by the search.
"""

from __future__ import annotations

import re
import tomllib
from datetime import datetime
from pathlib import Path

import pytest

from credkit import chain
from credkit.crosswalk import Finding, crosswalk
from credkit.crosswalk.judging import judge_sightings
from credkit.crosswalk.readers import analyse_readers
from credkit.crosswalk.register import build_register
from credkit.crosswalk.rounding import ConfirmedNumbers, judge_columns
from credkit.crosswalk.sightings import collect_sightings
from credkit.facts.numbers import Numbers
from credkit.facts.register_columns import read_kinds
from credkit.facts.texts import TextResults
from credkit.site import load_site
from credkit.site.frames import tabulate_credentials, tabulate_rows
from tests.amounts import amounts
from tests.brackwater import Files, frame, hexed, line, made, serials, walk
from tests.brackwater import found as crosswalk_findings
from tests.randomsites import RandomSite, random_site

CODES = ("other-order", "other-chain", "re-set")


def found(drawn: RandomSite, home: Path) -> dict[str, list[Finding]]:
    """The findings of readers that emit another chain, by reader."""
    findings: dict[str, list[Finding]] = {}
    for finding in crosswalk(drawn.load(home)).findings:
        if finding.code in CODES:
            findings.setdefault(finding.subject, []).append(finding)
    return findings


def reads_all(text: str, drawn: RandomSite) -> bool:
    """Whether a chain reads what the planted reader emitted of registered cards, as the numbers that they have."""
    changed = [drawn.readings[line - 2] for line in drawn.plants[0].lines]
    codec = chain(text)
    return all(codec._decode_raw(each.text) == each.fields for each in changed if each.card and not each.flip)


def stated_chain(finding: Finding) -> str:
    """The chain that the lines for the site file state for the failing readings."""
    table = tomllib.loads("\n".join(finding.lines))
    (reader,) = table["readers"].values()
    if "chain" in reader:
        return str(reader["chain"])
    return str(reader["periods"]["from" in reader["periods"][1]]["chain"])


@amounts("count", quick=8, whole=100)
def test_only_noise_is_an_exception_at_a_healthy_site_and_no_clock_is_wrong(count: int, tmp_path: Path) -> None:
    for seed in range(count):
        drawn = random_site(seed)
        result = crosswalk(drawn.load(tmp_path))
        exceptions = {each.line for each in result.exceptions if each.file == "readings.csv"}
        assert exceptions == {line for line, reading in enumerate(drawn.readings, 2) if reading.noise}
        assert not [finding for finding in result.findings if finding.code in (*CODES, "clock")]


@amounts("count", quick=8, whole=100)  # a share of 30 in 34 is known to 0.063, at 95 % confidence
def test_a_silent_reset_is_found_with_its_chain_and_its_time(count: int, tmp_path: Path) -> None:
    hits = times = 0
    for seed in range(count):
        drawn = random_site(seed, "silent_reset")
        (plant,) = drawn.plants
        findings = found(drawn, tmp_path)
        assert findings.keys() <= {plant.reader}
        if not findings:
            continue
        (finding,) = findings[plant.reader]
        hits += reads_all(stated_chain(finding), drawn)
        since = re.match(r"from (\S+)", finding.text)
        assert since, finding.text
        assert plant.since
        moments = [reading.moment for reading in drawn.readings if reading.reader == plant.reader]
        between = sorted((datetime.fromisoformat(since[1]), plant.since))
        times += sum(between[0] <= moment < between[1] for moment in moments) <= 1
    assert hits >= count * 30 / 34
    assert times >= count * 30 / 34


@pytest.mark.parametrize("fault", ["wrong_order", "inverted"])
@amounts("count", quick=4, whole=60)
def test_a_reader_in_another_order_all_along_is_found(fault: str, count: int, tmp_path: Path) -> None:
    for seed in range(count):
        drawn = random_site(seed, fault)  # type: ignore[arg-type]  # a literal that the parameters of a test lose
        ((reader, (finding,)),) = found(drawn, tmp_path).items()
        assert (reader, finding.code) == (drawn.plants[0].reader, "other-order")
        assert reads_all(stated_chain(finding), drawn)


def test_the_lines_for_the_site_file_mend_it(tmp_path: Path) -> None:
    drawn = random_site(1, "silent_reset")
    path = drawn.write(tmp_path)
    ((reader, (finding,)),) = found(drawn, tmp_path).items()
    before, own, after = drawn.toml.partition(f"[readers.{reader}]\n")
    kept = re.sub("chain = .*\n", "", after, count=1)
    table, rest = kept[: kept.index("[")], kept[kept.index("[") :]
    path.write_text(before + own + table + "\n".join(finding.lines) + "\n" + rest, encoding="utf-8")
    exceptions = {each.line for each in crosswalk(load_site(path)).exceptions if each.file == "readings.csv"}
    assert exceptions == {line for line, reading in enumerate(drawn.readings, 2) if reading.noise}


def test_a_number_that_the_other_chain_makes_another_card_s_is_no_sure_sighting() -> None:
    """The office sends its bytes reversed: of two cards the text of one is the other's number."""
    one = 0x01020304
    numbers = (one, int.from_bytes(one.to_bytes(4, "big"), "little"), *(3000000001 + 7919 * n for n in range(10)))
    files = serials(*numbers)
    files.read("office", *(f"{int.from_bytes(each.to_bytes(4, 'big'), 'little'):010d}" for each in numbers))
    result = walk(made(), files)
    assert list(crosswalk_findings(result, "other-order")) == ["office"]
    assert [line(result, f"S-{each}", "payroll").proof for each in numbers[:2]] == ["in conflict", "in conflict"]


def test_a_re_set_explains_a_reading_as_what_the_desk_expected() -> None:
    """`analyse_readers` says so, so that nobody takes the reading for one of another card."""
    site, files = made(), Files()
    for number in range(8):
        files.card(f"C-{number}", f"012{101 + number:05d}")
    files.read("gate", *(hexed(12, 101 + number) for number in range(8)))
    files.read("gate", *(frame(12, 101 + number) for number in range(7)), at="2026-03-11T08:00:00+01:00")
    files.read("gate", frame(12, 108), at="2026-03-11T09:00:00+01:00", expected="C-7")
    rows, texts = files.rows(), TextResults()
    numbers, cards = Numbers(), tabulate_credentials(rows.credentials)
    seen = collect_sightings(site, tabulate_rows(rows, site).readings, texts, numbers)
    kinds = tuple(read_kinds(site, cards))
    columns = judge_columns(site, kinds, seen)
    register = build_register(site, cards, kinds, numbers, texts, columns, ConfirmedNumbers(columns, seen))
    found_there = analyse_readers(site, register, judge_sightings(site, register, columns, seen)).explained
    assert {sighting.lines[0] for sighting in found_there} == set(range(10, 18))
    assert found_there[seen.at(len(seen) - 1)] == {"C-7"}


def test_the_last_text_of_a_stretch_may_be_read_again() -> None:
    """The same card twice in a row at the end is explained both times, so the desk's card is not contradicted."""
    files = Files()
    for number in range(8):
        files.card(f"C-{number}", f"012{101 + number:05d}")
    order = [*range(8), 7]
    files.read("yard", *(str((12 << 16) + 101 + number) for number in range(8)), at="2026-03-09T08:00:00+01:00")
    texts = [int.from_bytes(((12 << 16) + 101 + number).to_bytes(3, "big"), "little") for number in order]
    files.read("yard", *map(str, texts[:-1]), at="2026-03-11T08:00:00+01:00")
    files.read("yard", str(texts[-1]), at="2026-03-11T09:00:00+01:00", expected="C-7")
    result = walk(made(), files)
    (reset,) = [each for code in CODES for each in crosswalk_findings(result, code).values()]
    assert reset.count == len(order)
    assert line(result, "C-7").action == "add"
