"""The work of a census: each cause once, security first, and gone when it is done.

What an item counts is counted here again from the files of the demo, without credkit.
"""

from __future__ import annotations

import csv
import shutil
from collections import defaultdict
from pathlib import Path

import pytest

from credkit.census import AllocationRequest, Census, census, census_text
from credkit.demo import Demo
from credkit.site import load_site
from credkit.work.items import WorkItem


@pytest.fixture(scope="module")
def found(demo: Demo) -> Census:
    return census(load_site(demo.site))


def items(result: Census) -> dict[tuple[str, str], WorkItem]:
    """The items of a census, each of which is there once."""
    named = {(item.task, item.subject): item for item in result.work}
    assert len(named) == len(result.work)
    return named


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_turnstile_is_one_item_with_the_cards_of_its_pairs(found: Census, demo: Demo) -> None:
    """It keeps three of four bytes: the serial numbers that agree in them are counted here."""
    low = defaultdict[int, set[str]](set)
    for row in rows(demo.site.parent / "credentials.csv"):
        if row["kind"] == "serial-card" and row["value"].isdigit() and row["status"] not in ("returned", "destroyed"):
            low[int(row["value"]) % (1 << 24)].add(row["credential_id"])
    alike = [cards for cards in low.values() if len(cards) > 1]
    item = items(found)["truncated", "turnstile"]
    assert item.credentials == sum(map(len, alike)) > 0
    assert [(end.code, end.noun, end.count) for end in item.ends] == [("duplicate", "group", len(alike))]
    assert "[targets.turnstile]" in item.act


def test_cards_that_are_not_active_beside_active_ones_stand_first(found: Census) -> None:
    """The car park leaves the issue out: a lost card and the one that replaces it are one text there."""
    first = found.work[: sum(item.task == "inactive-twin" for item in found.work)]
    assert {item.subject for item in first} == {"harbour", "car-park"}
    assert all(item.task == "inactive-twin" for item in first)


def test_every_group_and_every_unreadable_row_is_in_one_item(found: Census) -> None:
    ends: dict[str, int] = defaultdict(int)
    for item in found.work:
        for end in item.ends:
            ends[end.code] += end.count
    assert ends == {"duplicate": len(found.groups), "unreadable": len(found.unreadable)}
    named = [line for item in found.work if item.task.startswith(("spreadsheet", "unread")) for line in item.rows]
    assert sorted(line for _, line in named) == [row.line for row in found.unreadable]


def test_work_that_is_done_is_gone(found: Census, demo: Demo, tmp_path: Path) -> None:
    """The chain of the turnstile keeps all four bytes, and the rows that no chain reads are taken out."""
    site = shutil.copytree(demo.site.parent, tmp_path / "brackwater") / demo.site.name
    text = site.read_text()
    cut = 'chain = "decimal:24/keep-low:24/uid-a-4"\ncolumn = "int32"'
    assert cut in text
    site.write_text(text.replace(cut, 'chain = "decimal:32/uid-a-4"\ncolumn = "int64"'))
    register = site.parent / "credentials.csv"
    gone = {line for item in found.work if item.task == "unreadable-value" for _, line in item.rows}
    lines = register.read_text(encoding="utf-8").splitlines(keepends=True)
    register.write_text("".join(line for at, line in enumerate(lines, 1) if at not in gone), encoding="utf-8")
    after = items(census(load_site(site)))
    done = {("truncated", "turnstile"), ("unreadable-value", "credentials.csv")}
    assert items(found).keys() - after.keys() == done
    assert not after.keys() - items(found).keys()


def test_the_screen_opens_with_verdict_and_work(found: Census) -> None:
    verdict, of, empty, head, *_ = (lines := census_text(found, 5, details=False).splitlines())
    assert verdict == "4,511 cards, 82 of them duplicates, 41 to reissue, 112 rows have no number"
    assert (of, empty) == ("Census of Brackwater Terminal, status as of 2026-03-31", "")
    assert head == f"WHAT TO DO ({len(found.work)} items, what helps most first)"
    assert max(map(len, lines)) <= 80
    assert len(lines) < 80
    whole = census_text(found)
    assert whole.startswith(verdict)
    assert "Issued numbers by facility code" in whole


def test_numbers_that_run_out_are_work(demo: Demo) -> None:
    """Of 65,536 numbers of each of three codes, none can serve 100,000 new cards."""
    found = census(load_site(demo.site), 10_000)
    assert "for 10000 % growth" in items(found)["range-full", "harbour"].evidence
    short = census(load_site(demo.site), wanted=AllocationRequest(count=70_000, facility=40, kind="harbour-card"))
    assert items(short)["too-few-numbers", "harbour-card"].evidence.endswith(" of 70,000")
