"""Small populations for the tests of the census, and what they hold by plain counting, row by row.

Nothing here comes from the census: numbers are worked out with whole numbers, groups with
dictionaries, and the smallest set of cards to reissue by trying every set.
"""

from __future__ import annotations

import csv
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from pathlib import Path
from typing import Any

from credkit.site import load_site
from credkit.site.model import Site
from credkit.site.rows import CREDENTIALS
from tests.brackwater import HEADER

SITE = (
    HEADER
    + """
[kinds.card]
namespace = "harbour"
value = ["template:{facility:03d}{number:05d}", "template:{facility:d}-{number:d}"]
key = ["facility", "number"]
expect = { facility = [12, 40] }
[kinds.serial]
namespace = "chip"
value = "decimal:32/berth-serial"
key = ["number"]
[kinds.phone]
namespace = "chip"
value = "decimal:32/berth-serial"
key = ["number"]
[kinds.stripe]
value = "template:{number:06d}"
issue = "issue"
key = ["number", "issue"]
[kinds.badge]
value = "template:{number:04d}"
key = ["number"]
[layouts.berth-serial]
length = 32
fields = { number = "0-31" }
remarks = [{ bits = "0-7", values = [8], level = "refuse", kind = "random-serial", text = "a random serial" }]

[readers.gate]
kind = "card"
chain = "hex:8/right-justified:26/wiegand-26"
[readers.east-only]
kind = "card"
chain = "hex:6/fields:facility:8,number:16/select:number,facility=12"
[readers.office]
kind = "serial"
chain = "decimal:32,10/berth-serial"
[readers.cut]
kind = "serial"
chain = "hex:8/keep-low:24/fields:number:24"
[readers.small]
kind = "phone"
chain = "hex:4/fields:number:16"
[readers.stub]
kind = "badge"
chain = "hex:4/keep-low:6/fields:number:6"

[rules]
order_of_truth = ["west", "east"]
gone = ["returned", "destroyed"]
pools = ["POOL"]

[targets.gatehouse]
kind = "card"
chain = "decimal:24/fields:facility:8,number:16"
column = "text(8)"
existing = "export.csv"
[targets.canteen]
kind = "card"
chain = "decimal:10/keep-low:10/fields:facility:8,number:16"
column = "int32"
[targets.turnstile]
kind = "serial"
chain = "decimal:24/keep-low:24/berth-serial"
column = "int32"
[targets.car-park]
kind = "stripe"
chain = "template:{number:06d}/select:number"
column = "text(6)"
"""
)
DEFAULTS = {
    "person_id": "P", "kind": "card", "printed": "", "issue": "", "status": "active", "valid_from": "",
    "valid_until": "", "replaces": "", "source": "west",
}  # fmt: skip
TODAY = "2026-03-31"  # as_of of the site
Row = Mapping[str, str]
Groups = Mapping[tuple[str, str], list[frozenset[str]]]  # what and where: the credentials that are alike


def row(credential: str, value: str, **more: str) -> dict[str, str]:
    """A row of credentials."""
    return {**DEFAULTS, "credential_id": credential, "value": value, **more}


def written(folder: Path, rows: Iterable[Row], toml: str = SITE, export: Sequence[tuple[str, str]] = ()) -> Path:
    """The site file of a folder with these credentials."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "site.toml").write_text(toml, encoding="utf-8")
    with (folder / "credentials.csv").open("w", newline="", encoding="utf-8") as file:
        table = csv.DictWriter(file, CREDENTIALS, lineterminator="\n")
        table.writeheader()
        table.writerows(rows)
    (folder / "export.csv").write_text("person_id,text\n" + "".join(f"{a},{b}\n" for a, b in export))
    return folder / "site.toml"


def site(folder: Path, rows: Iterable[Row], toml: str = SITE, export: Sequence[tuple[str, str]] = ()) -> Site:
    """The site with these credentials."""
    return load_site(written(folder, rows, toml, export))


def number(each: Row) -> tuple[int, ...] | None:
    """The number of a row; None where it cannot be read."""
    value, kind = each["value"], each["kind"]
    if kind == "card" and "-" in value:
        facility, _, rest = value.partition("-")
        return (int(facility), int(rest)) if facility.isdecimal() and rest.isdecimal() else None
    sizes = {"card": 8, "stripe": 6, "badge": 4}
    if not value.isdecimal() or len(value) != sizes.get(kind, len(value)):
        return None
    if kind == "card":
        return int(value[:3]), int(value[3:])
    if kind == "stripe":
        return (int(value), int(each["issue"])) if each["issue"] else None
    return (int(value),) if int(value) < 1 << 32 else None


def superseded(rows: Sequence[Row]) -> set[int]:
    """The rows that do not count beside another of the same credential, kind and person."""
    ranks = {"west": 0, "east": 1}
    counting: list[Row] = []
    late = set()

    def beats(other: Row, each: Row) -> bool:
        if any(other[name] != each[name] for name in ("credential_id", "kind", "person_id")):
            return False
        if ranks.get(other["source"], 2) == ranks.get(each["source"], 2):
            return {**other, "source": ""} == {**each, "source": ""}
        return all(
            not a["valid_until"] or a["valid_until"] >= b["valid_from"] for a, b in ((other, each), (each, other))
        )

    for place, each in sorted(enumerate(rows), key=lambda item: (ranks.get(item[1]["source"], 2), item[0])):
        if any(beats(other, each) for other in counting):
            late.add(place)
        else:
            counting.append(each)
    return late


@dataclass
class Counted:
    """What plain counting says of a population."""

    rows: Sequence[Row]
    late: set[int] = field(default_factory=set)
    unread: set[int] = field(default_factory=set)
    groups: dict[tuple[str, str], dict[Any, list[int]]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.late = superseded(self.rows)
        spaces = {"card": "harbour", "serial": "chip", "phone": "chip"}
        for place, each in enumerate(self.rows):
            found = number(each)
            if place in self.late:
                continue
            if found is None:
                self.unread.add(place)
            else:
                kind = each["kind"]
                self.put("number", spaces.get(kind, kind), found, place)
                if kind == "card":
                    self.put("target", "canteen", (found[0] << 16 | found[1]) % 1024, place)
                    self.put("reader", "east-only", found[1], place)
                elif kind == "serial":
                    self.put("target", "turnstile", found[0] % (1 << 24), place)
                    self.put("reader", "cut", found[0] % (1 << 24), place)
                elif kind == "stripe":
                    self.put("target", "car-park", found[0], place)
                elif kind == "badge":
                    self.put("reader", "stub", found[0] % 64, place)

    def put(self, what: str, where: str, key: Any, place: int) -> None:
        self.groups.setdefault((what, where), defaultdict(list))[key].append(place)

    def state(self, place: int) -> str:
        each = self.rows[place]
        if each["status"] != "active":
            return each["status"]
        if each["valid_from"] > TODAY:
            return "not yet valid"
        return "expired" if each["valid_until"] and each["valid_until"] < TODAY else "active"

    def held(self, places: Iterable[int]) -> list[int]:
        return [place for place in places if self.rows[place]["status"] not in ("returned", "destroyed")]

    def ids(self, places: Iterable[int]) -> frozenset[str]:
        return frozenset(self.rows[place]["credential_id"] for place in places)

    def duplicates(self, what: str, where: str) -> list[list[int]]:
        """The groups of a place, as rows."""
        groups = [self.held(places) for places in self.groups.get((what, where), {}).values()]
        return [places for places in groups if len(self.ids(places)) > 1]

    def active(self, places: Iterable[int]) -> frozenset[str]:
        return self.ids(place for place in places if self.state(place) == "active")

    def reissue(self, groups: Iterable[list[int]]) -> int:
        """The size of the smallest set of cards that removes the groups, by trying every set."""
        groups = list(groups)
        places = {place for group in groups for place in group}
        able = sorted(self.ids(place for place in places if self.state(place) in ("active", "not yet valid")))
        edges = {
            pair
            for group in groups
            for pair in combinations(sorted(self.ids(group)), 2)
            if not set(able).isdisjoint(pair)
        }
        for size in range(len(able) + 1):
            for chosen in combinations(able, size):
                if all(not set(chosen).isdisjoint(pair) for pair in edges):
                    return size
        raise AssertionError("to reissue all of them always does")
