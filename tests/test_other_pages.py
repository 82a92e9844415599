"""The pages of a comparison and of a census: their numbers are those of the results, and they need nothing else."""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest

from credkit.census import Census, census
from credkit.crosswalk import Crosswalk, RunComparison, compare_runs, read_run, write_outputs
from credkit.crosswalk.linetable import LineTable
from credkit.crosswalk.result import FINDING_CODES
from credkit.demo import Demo
from credkit.report import pin_file, report_census, report_comparison
from credkit.report.census_page import MOST_LISTED
from credkit.site import load_site
from tests.commandline import run
from tests.pages import Page
from tests.test_readiness import CREDENTIALS, SITE
from tests.test_result_page import ACCOUNT, MADE, write_site


def n(number: int) -> str:
    return f"{number:,}"


@pytest.fixture(scope="module")
def compared(demo_crosswalk: Crosswalk, tmp_path_factory: pytest.TempPathFactory) -> RunComparison:
    """The demo, and the demo with four people fewer in the gatehouse, two findings fewer and one that counts more."""
    home = tmp_path_factory.mktemp("runs")
    frame = demo_crosswalk.lines.frame
    gone = frame.filter(action="add", target="gatehouse")["line"][:4].to_list()
    left = frame.filter(~pl.col("line").is_in(gone)).with_columns(place=pl.lit(0))
    _, _, third, *others = demo_crosswalk.findings
    other = replace(
        demo_crosswalk, lines=LineTable(left, pl.DataFrame(), demo_crosswalk.lines.zone),
        findings=(replace(third, count=third.count + 5), *others),
    )  # fmt: skip
    write_outputs(demo_crosswalk, home / "first")
    write_outputs(other, home / "second")
    return compare_runs(read_run(home / "first"), read_run(home / "second"))


def test_a_comparison_shows_each_difference(compared: RunComparison, demo_crosswalk: Crosswalk) -> None:
    text = report_comparison(compared, made=MADE)
    page = Page(text)
    assert page.headings == [
        (1, "Two runs compared: Brackwater Terminal"), (2, "Worse"), (2, "What changed"), (2, "The runs"),
        (2, "Before you use this"),
    ]  # fmt: skip
    people = {row[0]: row[1:] for row in page.table("People by target").rows[1:]}
    assert people == {"gatehouse": ["0", "4", "0", "0"]}
    changes = page.table("Findings that are").rows[1:]
    first, second, third, *_ = demo_crosswalk.findings
    people_of_third = n(third.people) if third.people else "–"
    assert changes[0] == [
        f"{third.code} {FINDING_CODES[third.code]}", "changed", third.subject, n(third.count), n(third.count + 5),
        people_of_third, people_of_third,
    ]  # fmt: skip
    assert {tuple(row) for row in changes[1:]} == {
        (
            f"{each.code} {FINDING_CODES[each.code]}",
            "fixed",
            each.subject,
            n(each.count),
            "–",
            n(each.people) if each.people else "–",
            "–",
        )
        for each in (first, second)
    }
    runs = page.table("The two runs").rows[1:]
    lines = len(demo_crosswalk.lines)
    assert [row[3:] for row in runs] == [
        [n(lines), n(len(demo_crosswalk.exceptions)), n(len(demo_crosswalk.findings))],
        [n(lines - 4), n(len(demo_crosswalk.exceptions)), n(len(demo_crosswalk.findings) - 2)],
    ]
    files = page.table("Input files").rows[1:]
    assert [row[:2] for row in files] == [[each.name, "the same"] for each in demo_crosswalk.inputs]
    assert all(text.count(each.sha256) == 2 for each in demo_crosswalk.inputs)
    assert {"1. Who gained a number?", "2. Who lost one?"} <= set(re.findall(r"[0-9]\. [^<]+\?", text))
    assert not re.search(r"<script|https?:|url\(|@import", text)


def test_runs_that_are_the_same(compared: RunComparison) -> None:
    same = compare_runs(compared.before, compared.before)
    page = Page(report_comparison(same, made=MADE))
    assert (2, "The same") in page.headings
    assert [table.caption for table in page.tables if table.caption.startswith(("People", "Findings"))] == []


@pytest.fixture(scope="module")
def counted(demo: Demo) -> Census:
    return census(load_site(demo.site))


def test_a_census_shows_what_it_counts(counted: Census, demo: Demo) -> None:
    site = load_site(demo.site)
    files = [pin_file(demo.site), pin_file(site.credentials.path)]
    text = report_census(counted, site, files=files, made=MADE)
    page = Page(text)
    counts = counted.counts
    (rows,) = [each for each in page.paragraphs if re.match("[0-9,]+ rows = ", each)]
    numbers = [int(each.replace(",", "")) for each in re.findall("[0-9][0-9,]*", rows)]
    assert numbers == [
        counts.rows, counts.active, counts.inactive, counts.gone, counts.superseded, counts.unreadable
    ]  # fmt: skip
    assert numbers[0] == sum(numbers[1:]) == len(site.credentials.path.read_text(encoding="utf-8").splitlines()) - 1
    places = page.table("Credentials that cannot").rows[1:]
    assert [row[:4] for row in places] == [
        [each.name, each.what, n(each.cards), n(each.groups)] for each in counted.places
    ]
    groups = page.table("Groups of duplicates").rows[1:]
    assert len(groups) == len(counted.groups) <= MOST_LISTED
    assert Counter(row[0] for row in groups) == Counter(group.place for group in counted.groups)
    assert [row[:5] for row in page.table("Cards whose reissue").rows[1:]] == [
        [card.credential, card.person, card.kind, card.value, n(card.line)] for card in counted.reissue.cards
    ]
    assert [row[1:4] for row in page.table("8 items of work").rows[1:]] == [
        [n(count) if count else "–" for count in (item.people, item.credentials, item.readings)]
        for item in counted.work
    ]
    for path in (demo.site, site.credentials.path):
        assert hashlib.sha256(path.read_bytes()).hexdigest() in text
    ids = [each["id"] for _, each in page.elements if "id" in each]
    assert len(ids) == len(set(ids))
    assert {each["href"].removeprefix("#") for each in page.all("a")} <= set(ids)
    assert not re.search(r"<script|https?:|url\(|@import", text)


def test_a_census_without_a_duplicate(tmp_path: Path) -> None:
    credentials = "".join(line for line in CREDENTIALS.splitlines(keepends=True) if not line.startswith("P-6"))
    site = load_site(write_site(tmp_path, credentials=credentials))
    text = report_census(census(site), site, made=datetime(2026, 4, 1, tzinfo=UTC))
    page = Page(text)
    assert (2, "No duplicates found") in page.headings
    assert "1. How many cards are there?" in text


def test_accounts_are_masked_on_both(tmp_path: Path) -> None:
    site_text = SITE.replace('"Brackwater Terminal"', f'"{ACCOUNT}"')
    credentials = CREDENTIALS.replace("P-5,", f"{ACCOUNT},").replace(",C-6,", f",C {ACCOUNT},")
    path = write_site(tmp_path / "site", site_text, credentials)
    page = tmp_path / "page.html"
    assert run("census", str(path), "--report", str(page)).exit_code == 1
    assert ACCOUNT not in page.read_text(encoding="utf-8")
    for name in ("one", "two"):
        assert run("crosswalk", str(path), "--out", str(tmp_path / name)).exit_code == 0
        write_site(tmp_path / "site", site_text, credentials.replace("P-1,", f"{ACCOUNT} 1,"))
    other = tmp_path / "other.html"
    assert run("compare", str(tmp_path / "one"), str(tmp_path / "two"), "--report", str(other)).exit_code == 1
    text = other.read_text(encoding="utf-8")
    assert ACCOUNT not in text
    assert "411436" in text


@pytest.mark.parametrize("place", ["site.toml", "credentials.csv", "result/page.html"])
def test_a_page_takes_the_place_of_nothing_else(tmp_path: Path, place: str) -> None:
    path = write_site(tmp_path)
    before = {each.name: each.read_bytes() for each in tmp_path.iterdir()}
    done = run("census", str(path), "--out", str(tmp_path / "result"), "--report", str(tmp_path / place))
    assert done.exit_code == 2
    assert {each.name: each.read_bytes() for each in tmp_path.iterdir() if each.is_file()} == before
