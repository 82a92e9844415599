"""Readiness: the counts by area and target are those that anybody counts again from crosswalk.csv and the site file."""

from __future__ import annotations

import csv
import tomllib
from collections import Counter, defaultdict
from dataclasses import replace
from pathlib import Path
from typing import get_args

import polars as pl
import pytest

from credkit.crosswalk import Crosswalk, crosswalk, write_outputs
from credkit.crosswalk.linetable import ACTIONS, LineTable
from credkit.crosswalk.readiness import Area, AreaCounts, find_readiness
from credkit.demo import Demo
from credkit.site import load_site
from tests.amounts import amounts
from tests.randomsites import RandomSite, random_site
from tests.sitefaults import Fault

Row = dict[str, str]
FAULTS: tuple[Fault, ...] = get_args(Fault)


def read(path: Path) -> list[Row]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def readers_of(line: Row) -> list[str]:
    """The readers of a line, whose cell says how many readings each has."""
    return [each.rpartition(" ")[0] for each in line["readers"].split("; ") if each]


def state_of(lines: list[Row]) -> str:
    """The state of a person with these lines in a target, rule by rule."""
    written = [line for line in lines if line["action"] in ("add", "keep", "change")]
    held = [line for line in lines if line["action"] == "hold"]
    if any(line["proof"] == "seen" for line in written):
        return "seen"
    if held or any(line["proof"] == "in conflict" for line in written):
        return "in conflict"
    return "on paper only" if written else "not at all"


def recount(out: Path, site_file: Path) -> tuple[dict[tuple[str, str], tuple[bool, list[int]]], set[tuple[str, ...]]]:
    """By area and target whether it is read, and the counts; and who is unproven: from the files, one by one."""
    described = tomllib.loads(site_file.read_text(encoding="utf-8"))
    lines = read(out / "crosswalk.csv")
    area = {name: table.get("area", name) for name, table in described["readers"].items()}
    space = {name: table.get("namespace", name) for name, table in described["kinds"].items()}
    active = {line["person"] for line in lines if line["status"] == "active"}
    uses: dict[str, set[str]] = {name: set() for name in area.values()}
    by_target: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for line in lines:
        by_target[line["person"], line["target"]].append(line)
        if line["person"] in active:
            for reader in readers_of(line):
                uses[area[reader]].add(line["person"])
    uses[""] = active - {person for people in uses.values() for person in people}
    counts, unproven = {}, set[tuple[str, ...]]()
    for target, table in described["targets"].items():
        for name, people in uses.items():
            reads = any(
                area[reader] == name and space[its["kind"]] == space[table["kind"]]
                for reader, its in described["readers"].items()
            )
            states = {person: state_of(by_target[person, target]) for person in people}
            locked = {
                person for person in people
                if all(line["action"] not in ("add", "keep", "change") for line in by_target[person, target])
            }  # fmt: skip
            each = Counter(states.values())
            counts[name, target] = reads, [
                len(people), each["seen"], each["on paper only"], each["in conflict"], each["not at all"], len(locked)
            ]  # fmt: skip
            if reads:
                unproven |= {
                    (person, name, target, state, "yes" if person in locked else "no")
                    for person, state in states.items() if state != "seen"
                }  # fmt: skip
    return counts, unproven


def check(result: Crosswalk, out: Path, site_file: Path) -> None:
    """The counts of ``result``, and what it wrote, are those of `recount`."""
    counts, unproven = recount(out, site_file)
    readiness = result.readiness
    assert {(row.area, row.target): (row.is_read, list(row[3:])) for row in readiness.counts} == counts
    listed = [
        (row["person"], row["area"], row["target"], row["state"], row["locked"]) for row in read(out / "readiness.csv")
    ]
    assert len(listed) == len(set(listed))
    assert set(listed) == unproven
    for row in readiness.counts:
        assert row.people == row.seen + row.paper + row.conflict + row.nothing
        assert row.locked <= row.conflict + row.nothing
    assert readiness.locked_people() == len({person for person, *_, locked in unproven if locked == "yes"})
    for area in readiness.areas:
        locked = {person for person, name, *_, door in unproven if name == area.name and door == "yes"}
        assert not area.name or readiness.locked_people(area.name) == len(locked)
    people: dict[str, set[str]] = defaultdict(set)
    for line in read(out / "crosswalk.csv"):
        people[line["person"]].add(line["action"])
    held = sum("hold" in actions for actions in people.values())
    ready = sum("hold" not in actions and bool(actions - {"none"}) for actions in people.values())
    assert readiness.people == (ready, held, len(people) - held - ready)
    assert readiness.people.every == len(people)


def test_the_demo_counts_as_its_files_do(demo: Demo, demo_crosswalk: Crosswalk, tmp_path: Path) -> None:
    write_outputs(demo_crosswalk, tmp_path / "out")
    check(demo_crosswalk, tmp_path / "out", demo.site)
    areas = {area.name: area for area in demo_crosswalk.readiness.areas}
    assert areas["ferry landing"].readers == ("slipway", "linkspan")
    assert sum(row.locked for row in demo_crosswalk.readiness.counts if row.is_read) > 100


def _share_numbers(path: Path) -> None:
    """Give the numbers of five cards to other people, too."""
    rows = read(path)
    twins = [
        {**row, "person_id": f"P-{place}-twin", "credential_id": f"twin-{place}"} for place, row in enumerate(rows[:5])
    ]
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows + twins)


def _draw(seed: int) -> RandomSite:
    """A random site with two faults, or with one, where none of its readers can have the other."""
    faults = FAULTS[seed % len(FAULTS) :][:2]
    try:
        return random_site(seed, *faults)
    except ValueError:
        return random_site(seed, *faults[:1])


@amounts("seeds", quick=8, whole=60)
def test_random_sites_count_as_their_files_do(tmp_path: Path, seeds: int) -> None:
    states: Counter[str] = Counter()
    for seed in range(seeds):
        home = tmp_path / str(seed)
        home.mkdir()
        site_file = _draw(seed).write(home)
        text = site_file.read_text(encoding="utf-8")
        if seed % 2:  # two readers of one area
            first, second = list(tomllib.loads(text)["readers"])[:2]
            for name in (first, second):
                text = text.replace(f"[readers.{name}]\n", f'[readers.{name}]\narea = "the pier; north"\n')
            site_file.write_text(text, encoding="utf-8")
        _share_numbers(load_site(site_file).credentials.path)
        result = crosswalk(load_site(site_file))
        write_outputs(result, home / "out")
        check(result, home / "out", site_file)
        states.update(row["state"] for row in read(home / "out" / "readiness.csv"))
    assert {"on paper only", "in conflict"} <= set(states), "the sites show each state that the list has"


SITE = """
[site]
name = "Brackwater Terminal"
time_zone = "Europe/Amsterdam"
as_of = 2026-03-31

[files.credentials]
path = "credentials.csv"

[files.readings]
path = "readings.csv"

[kinds.card]
value = "decimal:24/fields:facility:8,number:16"
key = ["facility", "number"]

[kinds.key]
value = "template:{number:04d}"
key = ["number"]

[readers."gate; 7"]
kind = "card"
area = "pier"
chain = "hex:6/fields:facility:8,number:16"

[readers.locker]
kind = "key"
area = "pier"
chain = "template:{number:04d}"

[readers.yard]
kind = "card"
chain = "hex:6/fields:facility:8,number:16"

[targets.doors]
kind = "card"
chain = "decimal:24/fields:facility:8,number:16"
column = "text"

[targets.boxes]
kind = "key"
chain = "template:{number:04d}"
column = "text"
"""
CREDENTIALS = """person_id,credential_id,kind,value,printed,issue,status,valid_from,valid_until,replaces,source
P-1,C-1,card,786777,,,active,,,,hr
P-2,C-2,card,786778,,,lost,,,,hr
P-2,C-3,key,0007,,,active,,,,hr
P-3,C-4,card,786779,,,active,,,,hr
P-4,C-5,card,786780,,,lost,,,,hr
P-5,C-6,card,786781,,,active,,,,hr
P-6,C-7,card,786781,,,active,,,,hr
"""
READINGS = """time,reader,text,presentation,expected
2026-03-14T07:58:03+01:00,gate; 7,0C0159,,
2026-03-14T07:59:03+01:00,gate; 7,0C015A,,
2026-03-14T08:00:03+01:00,gate; 7,0C015C,,
2026-03-14T08:01:03+01:00,locker,0007,,
2026-03-14T08:02:03+01:00,yard,0C015D,,
"""


@pytest.fixture
def small(tmp_path: Path) -> Crosswalk:
    for name, text in (("site.toml", SITE), ("credentials.csv", CREDENTIALS), ("readings.csv", READINGS)):
        (tmp_path / name).write_text(text, encoding="utf-8")
    return crosswalk(load_site(tmp_path / "site.toml"))


def test_each_state_by_hand(small: Crosswalk) -> None:
    """P-1 is seen at the pier, P-2 there with a key; P-3 nowhere; P-4 has no active card; P-5, P-6 have one number."""
    readiness = small.readiness
    assert readiness.areas == (
        Area(name="pier", readers=("gate; 7", "locker"), people=2), Area(name="yard", readers=("yard",), people=2),
        Area(name="", readers=(), people=1),
    )  # fmt: skip
    assert readiness.counts == (
        #          area    target   read  people seen paper conflict nothing locked
        AreaCounts("pier", "doors", True, 2, 1, 0, 0, 1, 1), AreaCounts("pier", "boxes", True, 2, 1, 0, 0, 1, 1),
        AreaCounts("yard", "doors", True, 2, 0, 0, 2, 0, 2), AreaCounts("yard", "boxes", False, 2, 0, 0, 0, 2, 2),
        AreaCounts("", "doors", False, 1, 0, 1, 0, 0, 0), AreaCounts("", "boxes", False, 1, 0, 0, 0, 1, 1),
    )  # fmt: skip
    assert readiness.unproven.rows() == [
        ("P-2", "pier", "doors", "not at all", True, "not-active"),
        ("P-1", "pier", "boxes", "not at all", True, "no-card"),
        ("P-5", "yard", "doors", "in conflict", True, "duplicate-number"),
        ("P-6", "yard", "doors", "in conflict", True, "duplicate-number"),
    ]
    assert readiness.people == (3, 2, 1)
    assert readiness.locked_people() == 4
    assert readiness.locked_people("yard") == 2


def test_readiness_is_equal_where_its_parts_are(small: Crosswalk, demo_crosswalk: Crosswalk) -> None:
    assert small.readiness == small.readiness
    assert small.readiness != demo_crosswalk.readiness
    assert small.readiness != ACTIONS


def test_many_people_at_many_readers_stay_apart(demo: Demo) -> None:
    """Of 50,000 people at 50,000 readers, the first and the last were read: 32 bits do not number their pairs."""
    count = 50_000
    assert count * count > 1 << 31
    site = load_site(demo.site)
    one = next(iter(site.readers.values()))
    readers = {f"gate-{place:05}": replace(one, name=f"gate-{place:05}", area="") for place in range(count)}
    cards = pl.DataFrame({"person": [f"P-{place}" for place in range(count)]}).with_columns(status=pl.lit("active"))
    decided = pl.DataFrame({"place": range(count)}).with_columns(action=pl.lit("none"))
    reads = pl.DataFrame({"card": [0, count - 1], "reader": ["gate-00003", f"gate-{count - 1}"]}).cast(
        {"card": pl.Int32, "reader": pl.Enum(list(readers))}
    )
    lines = LineTable(decided, cards, site.zone)
    found = find_readiness(replace(site, readers=readers, targets={}), lines, reads)
    used = {area.name: area.people for area in found.areas if area.people}
    assert used == {"gate-00003": 1, f"gate-{count - 1}": 1, "": count - 2}
