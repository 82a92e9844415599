"""The demo's world: the cards there are, the rows that files hold, and the plants.

Texts are written by encoding through the chains of the site file that is handed out with them,
so that the demo and its site file cannot drift apart. A row may carry the code under which it
belongs in the exceptions; a row without one must be resolved.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

from bitstring import Bits

from credkit import content_entries, layout_entries
from credkit.catalogue.registry import chain
from credkit.core.codec import AnyCodec
from credkit.demo.draws import Dice

SITE = Path(__file__).with_name("site.toml")
HARBOUR, SERIAL, LOCKER, STRIPE = "harbour-card", "serial-card", "locker-number", "staff-stripe"
CREW, HAULIER, TUG = "crew-card", "haulier-card", "tug-card"
EAST, WEST = "east-register", "west-register"
POOL = "POOL-VISITOR"
GATEHOUSE = "gatehouse"
AS_OF = date(2026, 3, 31)
Number = tuple[str, tuple[int, ...]]  # a kind and a number of it
SUMMER_TIME = datetime(2026, 3, 29, 2)  # by the wall clock; from then on two hours before UTC


@dataclass(frozen=True, slots=True, kw_only=True)
class Plant:
    """Something planted: the code and subject under which it must be found, and how many.

    ``count`` is None where it is not the point.
    """

    code: str
    subject: str
    count: int | None
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoCard:
    """A card that somebody holds, with its number of each kind."""

    id: str
    person: str
    numbers: Mapping[str, Mapping[str, int]]
    source: str
    since: date
    until: date | None = None
    issue: int = 1
    status: str = "active"
    replaces: str = ""
    offset: int = 0  # printed is encoded plus this

    def number(self, kind: str) -> Number:
        """Its number of a kind."""
        return kind, tuple(self.numbers[kind].values())

    @property
    def frame(self) -> Mapping[str, int]:
        """Its facility code and number."""
        return self.numbers[HARBOUR]

    @property
    def serial(self) -> int:
        """The serial number of its chip."""
        return self.numbers[SERIAL]["uid"]

    @property
    def counts(self) -> bool:
        """Whether its holder holds it on the day of judgement."""
        return self.status == "active" and self.since <= AS_OF and (self.until is None or self.until >= AS_OF)


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoAssignment:
    """A row of credentials.csv. ``code`` is why it belongs in the exceptions, if it does."""

    card: DemoCard
    kind: str
    value: str
    printed: str
    code: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoRead:
    """A row of readings.csv. ``code`` is why it belongs in the exceptions, if it does."""

    stamp: datetime
    reader: str
    text: str
    code: str | None
    presentation: str = ""
    expected: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoExportRow:
    """A row of an existing export: what a target holds for a person."""

    target: str
    person: str
    text: str
    code: str | None


def moment(day: int, second: int) -> datetime:
    """A second of a day of March 2026, by the wall clock of the site."""
    wall = datetime(2026, 3, day) + timedelta(seconds=second)
    return wall.replace(tzinfo=timezone(timedelta(hours=2 if wall >= SUMMER_TIME else 1)))


@dataclass
class World:
    """Everything generated so far."""

    dice: Dice
    site: Mapping[str, Any] = field(default_factory=lambda: tomllib.loads(SITE.read_text(encoding="utf-8")))
    cards: list[DemoCard] = field(default_factory=list)
    walking: list[DemoCard] = field(default_factory=list)  # those whose ordinary reads make the traffic
    assignments: list[DemoAssignment] = field(default_factory=list)
    reads: list[DemoRead] = field(default_factory=list)
    held: list[DemoExportRow] = field(default_factory=list)
    plants: list[Plant] = field(default_factory=list)
    seen: set[Number] = field(default_factory=set)  # what readings show, resolved or not
    people: int = 0
    _codecs: dict[str, AnyCodec] = field(default_factory=dict)

    def plant(self, code: str, subject: str, count: int | None, text: str) -> None:
        """Remember what was planted."""
        self.plants.append(Plant(code=code, subject=subject, count=count, text=text))

    def person(self) -> str:
        """The next person."""
        self.people += 1
        return f"P-{self.people:04d}"

    def codec(self, text: str) -> AnyCodec:
        """The codec for a chain; the site's own layouts and contents are known."""
        if text not in self._codecs:
            own = (*layout_entries(self.site["layouts"]), *content_entries(self.site["contents"]))
            self._codecs[text] = chain(text, own)
        return self._codecs[text]

    def encode(self, text: str, value: Mapping[str, int] | Bits) -> str:
        """``value`` as the chain ``text`` writes it; some have no place for the issue of a number."""
        codec = self.codec(text)
        if not isinstance(value, Bits) and "issue" in value and "issue" not in codec.schema:
            value = {name: item for name, item in value.items() if name != "issue"}
        return str(codec.encode(value))

    def value(self, card: DemoCard, kind: str) -> str:
        """The number as the card's register writes it."""
        ways = self.site["kinds"][kind]["value"]
        return self.encode(ways if isinstance(ways, str) else ways[card.source == WEST], card.numbers[kind])

    def target(self, name: str, fields: Mapping[str, int]) -> str:
        """The text that the target ``name`` holds for a number."""
        return self.encode(self.site["targets"][name]["chain"], fields)

    def issue(self, card: DemoCard, *, walks: bool = False, codes: Mapping[str, str] | None = None) -> DemoCard:
        """Put a card in its register, one row a number; ``codes`` has a code for rows that are no good."""
        self.cards.append(card)
        if walks:
            self.walking.append(card)
        for kind in card.numbers:
            self.assign(card, kind, self.value(card, kind), (codes or {}).get(kind))
        return card

    def assign(self, card: DemoCard, kind: str, value: str, code: str | None) -> None:
        """Write one row of a register."""
        printed = ""
        if kind == HARBOUR and card.source == EAST:
            number = {"number": card.frame["number"]}
            printed = self.encode(f"{self.site['kinds'][kind]['printed']}/offset:number,{-card.offset}", number)
        self.assignments.append(DemoAssignment(card=card, kind=kind, value=value, printed=printed, code=code))

    def hold(self, person: str, text: str, code: str | None, target: str = GATEHOUSE) -> None:
        """Write one row of a target's export."""
        self.held.append(DemoExportRow(target=target, person=person, text=text, code=code))

    def chain_at(self, reader: str, when: datetime) -> str:
        """The chain of a reader at a time."""
        table = self.site["readers"][reader]
        for period in table.get("periods", ()):
            if ("until" not in period or when < period["until"]) and ("from" not in period or when >= period["from"]):
                return str(period["chain"])
        return str(table["chain"])

    def read(
        self, reader: str, when: datetime, text: str, code: str | None = None, presentation: str = "",
        expected: str = "",
    ) -> None:  # fmt: skip
        """Write one row of the readings, as the reader's clock stamps it."""
        stamp = when - timedelta(seconds=self.site["readers"][reader].get("clock_offset", 0))
        self.reads.append(
            DemoRead(
                stamp=stamp, reader=reader, text=text, code=code, presentation=presentation, expected=expected
            )
        )  # fmt: skip

    def reads_well(
        self, reader: str, when: datetime, card: DemoCard, presentation: str = "", expected: str = ""
    ) -> None:
        """A card read as it should be."""
        kind = self.site["readers"][reader]["kind"]
        self.seen.add(card.number(kind))
        text = self.encode(self.chain_at(reader, when), card.numbers[kind])
        self.read(reader, when, text, None, presentation, expected)

    def any_time(self, first: int = 1, last: int = 31) -> datetime:
        """A time in opening hours between two days of the month, both included."""
        return moment(first + self.dice.below(last - first + 1), 6 * 3600 + self.dice.below(15 * 3600))
