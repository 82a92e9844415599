"""Random sites of Brackwater Terminal, healthy but for the noise of practice, with faults planted on demand.

``random_site(seed)`` draws kinds of numbers, readers, two registers, lost cards and their successors, pools, a desk
that reads two numbers of one card, exports, and some weeks of readings; ``faults`` names what is broken on purpose,
and `RandomSite.plants` says where. Everything comes from the seed. A site has 70 to 510 credentials rows and 300 to
1,700 readings, of which at most `MOST_NOISE` have a reason to be exceptions.

Texts are written by credkit's own chains: these sites test what the tools make of texts, not the codecs, which the
vectors test. Each reading carries what it truly was, which no file says.
"""

from __future__ import annotations

import csv
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta
from pathlib import Path
from random import Random
from typing import Literal

from credkit.site import load_site
from credkit.site.model import Site
from tests.brackwater import HEADS
from tests.sitefaults import (
    ENTER,
    FACILITY_NUMBER,
    FRAME_CHAINS,
    STRIPE_CHAINS,
    ZONE,
    DrawnReading,
    Fault,
    FaultPlanter,
    Fields,
    Plant,
    build,
    emit_text,
    serial_chains,
)  # fmt: skip

MOST_NOISE = 0.07  # of a reader's readings
_Numbers = dict[str, dict[str, list[dict[str, int]]]]  # numbers that are free, by kind and source


@dataclass(slots=True, kw_only=True)
class DrawnCard:
    """A credential: its numbers by kind, and who has it."""

    id: str
    person: str
    source: str
    numbers: dict[str, dict[str, int]]
    since: date
    until: date | None = None
    status: str = "active"
    replaces: str = ""
    holders: list[tuple[str, date, date | None]] = field(default_factory=list)  # of a pool card

    def is_valid_on(self, day: date) -> bool:
        """Whether somebody holds it that day."""
        spans = [(since, until) for _, since, until in self.holders] or [(self.since, self.until)]
        return any(since <= day and (until is None or day <= until) for since, until in spans)


@dataclass(frozen=True, slots=True, kw_only=True)
class RandomSite:
    """A drawn site: the text of site.toml, the rows of its files, and what is true of them."""

    toml: str
    credentials: Sequence[Sequence[str]]
    readings: Sequence[DrawnReading]
    exports: Mapping[str, Sequence[tuple[str, str]]]
    cards: Sequence[DrawnCard]
    chains: Mapping[str, str]
    plants: tuple[Plant, ...]

    def write(self, home: Path) -> Path:
        """Write the files into ``home``; the path of site.toml."""
        reads = [
            (reading.time.isoformat(), reading.reader, reading.text, reading.presentation, reading.expected)
            for reading in self.readings
        ]
        files: dict[str, Sequence[Sequence[str]]] = {"credentials.csv": self.credentials, "readings.csv": reads}
        files |= {f"{name}.csv": rows for name, rows in self.exports.items()}
        for name, rows in files.items():
            with (home / name).open("w", encoding="utf-8", newline="") as file:
                csv.writer(file, lineterminator="\n").writerows([HEADS.get(name, "person_id,text").split(","), *rows])
        path = home / "site.toml"
        path.write_text(self.toml, encoding="utf-8")
        return path

    def load(self, home: Path) -> Site:
        """The site, its files written into ``home``."""
        return load_site(self.write(home))


def random_site(seed: int, *faults: Fault) -> RandomSite:
    """The site of a seed with the faults that are named; each is planted at a reader, or register, of its own."""
    return _Drawing(Random(f"{seed}")).draw(faults, Random(f"{seed} {faults}"))


class _Drawing:
    """One site while it is drawn."""

    def __init__(self, dice: Random) -> None:
        self.dice = dice
        self.size = dice.choice((32, 32, 56, 64))
        kinds = ["frame", *dice.sample(("serial", "stripe", "locker"), dice.randint(1, 3))]
        self.kinds = ["serial", *kinds[1:]] if "serial" not in kinds and dice.random() < 0.2 else kinds
        self.first = date(2026, 1, 5) + timedelta(days=dice.randrange(60))
        self.days = dice.randint(14, 42)
        self.as_of = self.first + timedelta(days=self.days)
        self.expects = dice.random() < 0.6  # whether the site file names the facility codes
        self.facilities = dice.sample(range(5, 200), 2)
        self.offsets: dict[str, int] = {}  # seconds to add to a reader's times
        self.readers: dict[str, str] = {}  # to kinds
        self.chains: dict[str, str] = {}
        self.cards: list[DrawnCard] = []
        self.readings: list[DrawnReading] = []
        self.free: dict[str, list[dict[str, int]]] = {kind: [] for kind in self.kinds}  # numbers of nobody

    def draw(self, faults: Sequence[Fault], other: Random) -> RandomSite:
        self._draw_cards()
        self._draw_readers()
        for name in self.readers:
            self._draw_readings(name)
        self._write_texts()
        rows = [row for card in self.cards for row in self._credential_rows(card)]
        exports = {name: self._export(kind) for name, kind in self._targets().items() if self.dice.random() < 0.5}
        self.readings.sort(key=lambda reading: reading.moment)
        planter = FaultPlanter(
            readings=self.readings, readers=self.readers, chains=self.chains, size=self.size, dice=other
        )  # fmt: skip
        plants: list[Plant] = []
        for fault in faults:
            plants.append(
                planter.offset_printed(rows)
                if fault == "printed_offset"
                else planter.break_reader(fault, {plant.reader for plant in plants})
            )
        return RandomSite(
            toml=self._toml(exports), credentials=rows, readings=self.readings, exports=exports, cards=self.cards,
            chains=self.chains, plants=tuple(plants),
        )  # fmt: skip

    # The registers.

    def _draw_cards(self) -> None:
        people = self.dice.randint(50, 200)
        numbers = {kind: self._numbers(kind, people + 40) for kind in self.kinds}
        first = self.kinds[0]
        for place in range(people):
            source = "east" if place < people // 2 else "west"
            used = [first] if self.dice.random() < 0.8 else []
            used += [kind for kind in self.kinds[1:] if self.dice.random() < 0.5]
            together = self.dice.random() < 0.5
            groups = [used] if together and "locker" not in used else [[kind] for kind in used]
            for group in filter(None, groups):
                own = {kind: numbers[kind][source].pop(0) for kind in group}
                self._issue(f"P-{place + 1:04d}", source, own, numbers)
        for _ in range(self.dice.randint(0, 4)):
            self._issue_to_pool(numbers)
        for kind in self.kinds:
            self.free[kind] += numbers[kind]["east"] + numbers[kind]["west"]

    def _numbers(self, kind: str, count: int) -> dict[str, list[dict[str, int]]]:
        """Numbers for each source, in the order of issue: a box or two of consecutive ones, perhaps drawn at random."""
        found = {}
        for place, source in enumerate(("east", "west")):
            if kind == "frame":
                start = self.dice.randint(1, 60_000)
                facility = self.facilities[place if self.dice.random() < 0.8 else 0]
                start += 2_500 * place if start < 50_000 else -2_500 * place
                found[source] = [{"facility": facility, "number": start + n} for n in range(count)]
            elif kind == "serial":
                found[source] = [{"uid": uid} for uid in self._serials(count)]
            elif kind == "stripe":
                found[source] = [{"number": 1_001 + 50_000 * place + n, "issue": 1} for n in range(count)]
            else:
                drawn = self.dice.sample(range(1_000), count)
                found[source] = [{"number": number + 100_000 * (1 + place)} for number in drawn]
        return found

    def _serials(self, count: int) -> list[int]:
        top = {32: self.dice.randint(0x10, 0xEF), 56: 0x04, 64: 0xE0}[self.size] << (self.size - 8)
        if self.dice.random() < 0.5:
            start = top + self.dice.getrandbits(self.size - 8) & ~0x3FF
            return [start + n for n in range(count)]
        return [top + self.dice.getrandbits(self.size - 8) for _ in range(count)]

    def _issue(self, person: str, source: str, own: dict[str, dict[str, int]], numbers: _Numbers) -> None:
        """Give a person a card; one in twelve loses it, and most of those get another."""
        since = self.first - timedelta(days=self.dice.randint(1, 900))
        card = self._card(person, source, own, since)
        if self.dice.random() < 1 / 12:
            lost = self.first + timedelta(days=self.dice.randint(-60, self.days - 3))
            card.status, card.until = "lost", max(lost, since)
            if self.dice.random() < 0.8:
                new = {
                    kind: {**fields, "issue": fields["issue"] + 1} if "issue" in fields
                    else dict(numbers[kind][source].pop(0))
                    for kind, fields in own.items()
                }  # fmt: skip
                self._card(person, source, new, card.until + timedelta(days=1), replaces=card.id)

    def _card(
        self, person: str, source: str, numbers: dict[str, dict[str, int]], since: date, replaces: str = ""
    ) -> DrawnCard:
        name = f"C-{len(self.cards) + 1:04d}"
        self.cards.append(
            DrawnCard(id=name, person=person, source=source, numbers=numbers, since=since, replaces=replaces)
        )
        return self.cards[-1]

    def _issue_to_pool(self, numbers: _Numbers) -> None:
        """A card of the first kind that visitors have, one after the other."""
        kind = self.kinds[0]
        card = self._card("POOL", "east", {kind: dict(numbers[kind]["east"].pop(0))}, self.first - timedelta(days=200))
        start = self.first
        for number in range(self.dice.randint(0, 3)):
            end = start + timedelta(days=self.dice.randint(1, 5))
            card.holders.append((f"V-{card.id}-{number}", start, end))
            start = end + timedelta(days=self.dice.randint(1, 4))

    def _credential_rows(self, card: DrawnCard) -> list[list[str]]:
        rows = []
        for kind, fields in card.numbers.items():
            printed, issue = "", ""
            if kind == "frame":
                slip = card.source == "west"
                value = "{facility:d}-{number:d}" if slip else "{facility:03d}{number:05d}"
                value, printed = value.format(**fields), f"{fields['number']:05d}"
            elif kind == "serial":
                value = f"{fields['uid']:0{self.size // 4}X}"
            else:
                value, issue = f"{fields['number']:06d}", str(fields.get("issue", ""))
            for person, since, until in card.holders or [(card.person, card.since, card.until)]:
                days = [since.isoformat(), until.isoformat() if until else ""]
                rows.append(
                    [person, card.id, kind, value, printed, issue, card.status, *days, card.replaces, card.source]
                )
        return rows

    def _targets(self) -> dict[str, str]:
        return {f"{kind}-doors": kind for kind in self.kinds}

    def _export(self, kind: str) -> list[tuple[str, str]]:
        """What a target holds: most of the active cards, with a few of those that are lost."""
        codec = build(_TARGET_CHAINS[kind].format(size=self.size))
        return [
            (card.holders[-1][0] if card.holders else card.person, str(codec.encode(card.numbers[kind])))
            for card in self.cards
            if kind in card.numbers and self.dice.random() < (0.9 if card.status == "active" else 0.1)
        ]

    # The readers, and what they read.

    def _draw_readers(self) -> None:
        kinds = [*self.kinds, *self.dice.choices([self.kinds[0], self.kinds[0], *self.kinds], k=8)]
        for place, kind in enumerate(kinds[: max(len(self.kinds), self.dice.randint(3, 8))]):
            if kind == "locker" and "lockers" in self.readers:
                kind = self.kinds[0]
            name = "lockers" if kind == "locker" else f"{_PLACES[place]}-{kind}"
            chains = {
                "frame": FRAME_CHAINS, "serial": serial_chains(self.size), "stripe": STRIPE_CHAINS,
                "locker": ("template:{number:06d}",),
            }  # fmt: skip
            self.readers[name], self.chains[name] = kind, self.dice.choice(chains[kind])
            self.offsets[name] = self.dice.choice((0, 0, 0, 0, -200, 45))

    def _draw_readings(self, name: str) -> None:
        """A reader's readings: regular people, others now and then, and its share of noise."""
        kind, dice = self.readers[name], self.dice
        cards = [card for card in self.cards if kind in card.numbers and dice.random() < 0.85]  # others are absent
        weights = [dice.paretovariate(1.2) for _ in cards]
        count = dice.randint(15, 30) if kind == "locker" else dice.randint(60, 280)
        moments = [self._moment() for _ in range(count)]
        desk = dice.random() < 0.3
        for moment in moments:
            card = dice.choices(cards, weights)[0]
            if card.is_valid_on(moment.date()):
                self._read(name, moment, card, desk=desk and dice.random() < 0.5)
        most = int(count * dice.uniform(0, MOST_NOISE))
        while most > 0 and kind != "locker":
            most -= self._add_noise(name, cards, most)

    def _moment(self) -> datetime:
        day = self.first + timedelta(days=self.dice.randrange(self.days))
        if day.weekday() > 4 and self.dice.random() < 0.7:
            day = self.first + timedelta(days=self.dice.randrange(self.days))
        at = datetime.combine(day, time(6)) + timedelta(seconds=self.dice.randrange(14 * 3600))
        return at.replace(tzinfo=ZONE)

    def _read(self, name: str, moment: datetime, card: DrawnCard, *, desk: bool = False) -> None:
        """A reading of a card; at the desk with what is expected, and another number of the card if it has one."""
        held = f"D-{len(self.readings)}" if desk else ""
        self._add(name, moment, card.numbers[self.readers[name]], card, held, card.id if desk else "")
        for kind in card.numbers if desk else ():
            beside = next((other for other, its in self.readers.items() if its == kind), "")
            if kind != self.readers[name] and self.dice.random() < 0.6 and beside:
                self._add(beside, moment + timedelta(seconds=5), card.numbers[kind], card, held, card.id)

    def _add(
        self, name: str, moment: datetime, fields: Fields, card: DrawnCard | None, held: str = "", expected: str = "",
        noise: Literal["", "unknown", "flipped", "lost"] = "", flip: float = 0.0,
    ) -> None:  # fmt: skip
        self.readings.append(
            DrawnReading(
                moment=moment, reader=name, fields=fields, card=card.id if card else "", noise=noise, flip=flip,
                presentation=held, expected=expected, time=moment - timedelta(seconds=self.offsets[name]),
            )
        )  # fmt: skip

    def _add_noise(self, name: str, cards: Sequence[DrawnCard], most: int) -> int:
        """One piece of noise of at most so many readings; how many it had."""
        kind, dice, moment = self.readers[name], self.dice, self._moment()
        what = dice.choice(("unknown", "unknown", "flipped", "lost"))
        if what == "flipped" and "wiegand-26" in self.chains[name]:  # where a parity can show it
            self._add(name, moment, dice.choice(cards).numbers[kind], None, noise="flipped", flip=dice.random())
            return 1
        lost = [card for card in cards if card.until and card.until < moment.date()] if what == "lost" else []
        if lost:
            card = dice.choice(lost)
            self._add(name, moment, card.numbers[kind], card, noise="lost")
            return 1
        fields = self._unknown(kind)
        count = min(most, dice.choice((1, 1, 2, 3, 30)))  # somebody tries a bad card again and again
        for number in range(count):
            self._add(name, moment + timedelta(seconds=4 * number), fields, None, noise="unknown")
        return count

    def _unknown(self, kind: str) -> Fields:
        """The number of a card that nobody registered: the next ones of a box, or a stranger's."""
        if self.free[kind] and self.dice.random() < 0.5:
            return self.dice.choice(self.free[kind])
        if kind == "frame":
            strange = {"facility": self.dice.choice(self.facilities), "number": self.dice.randint(1, 65_000)}
            return strange if all(card.numbers.get(kind) != strange for card in self.cards) else self._unknown(kind)
        if kind == "serial":
            return {"uid": self.dice.getrandbits(self.size)}
        return {"number": self.dice.randint(600_000, 999_999), "issue": 1}

    def _write_texts(self) -> None:
        readings, self.readings = self.readings, []
        for reading in readings:
            if self.readers[reading.reader] != "locker":
                reading.text = emit_text(self.chains[reading.reader], reading)
                self.readings.append(reading)
                continue
            for place, key in enumerate(f"{reading.fields['number']:06d}{ENTER}"):
                pause = timedelta(seconds=place)
                self.readings.append(
                    replace(reading, moment=reading.moment + pause, time=reading.time + pause, text=key)
                )

    # The site file.

    def _toml(self, exports: Collection[str]) -> str:
        expect = f"expect = {{ facility = {sorted(self.facilities)} }}\n" if self.expects else ""
        text = (
            f'[site]\nname = "Brackwater Terminal"\ntime_zone = "{ZONE.key}"\nas_of = {self.as_of}\n'
            '[files.credentials]\npath = "credentials.csv"\n[files.readings]\npath = "readings.csv"\n'
            '[rules]\norder_of_truth = ["west", "east"]\npools = ["POOL"]\n'
        )
        for kind in self.kinds:
            text += f"[kinds.{kind}]\n{_KINDS[kind].format(digits=self.size // 4, size=self.size)}"
            text += expect if kind == "frame" else ""
        for name, kind in self.readers.items():
            text += f'[readers.{name}]\nkind = "{kind}"\nchain = "{self.chains[name]}"\n'
            text += 'stream = "keypad:hex:1/keypad-4"\n' if kind == "locker" else ""
            text += f"clock_offset = {self.offsets[name]}\n" if self.offsets[name] else ""
        for name, kind in self._targets().items():
            text += f'[targets.{name}]\nkind = "{kind}"\nchain = "{_TARGET_CHAINS[kind].format(size=self.size)}"\n'
            text += 'column = "text(20)"\n' + (f'existing = "{name}.csv"\n' if name in exports else "")
        return text


_PLACES = ("gate", "quay", "yard", "ferry", "office", "crane", "lobby", "depot", "dock", "wharf", "mess")
_KINDS = {
    "frame": 'namespace = "harbour"\nvalue = ["template:{{facility:03d}}{{number:05d}}", '
    '"template:{{facility:d}}-{{number:d}}"]\nprinted = "template:{{number:05d}}"\nkey = ["facility", "number"]\n',
    "serial": 'namespace = "serial"\nvalue = "hex:{digits}/fields:uid:{size}"\nkey = ["uid"]\n',
    "stripe": 'value = "template:{{number:06d}}"\nissue = "issue"\nkey = ["number", "issue"]\n',
    "locker": 'value = "template:{{number:06d}}"\nkey = ["number"]\n',
}  # fmt: skip
_TARGET_CHAINS = {
    "frame": f"decimal:24/{FACILITY_NUMBER}",
    "serial": "decimal:{size}/fields:uid:{size}",
    "stripe": "template:{{number:06d}}-{{issue:02d}}",
    "locker": "template:{{number:06d}}",
}
