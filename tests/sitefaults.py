"""What is broken on purpose in a random site: a reader's chain or clock, or what a register says is printed.

The chains that readers are drawn from are here, too: what a reader may be re-set to is what another may be set to.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from random import Random
from typing import Literal, get_args
from zoneinfo import ZoneInfo

from bitstring import Bits

from credkit import chain
from credkit.core.codec import AnyCodec
from credkit.core.errors import CredkitError

Fault = Literal["silent_reset", "wrong_order", "inverted", "printed_offset", "clock_at_2000", "clock_in_future"]
FAULTS: tuple[Fault, ...] = get_args(Fault)
FEWEST_RESET = 20  # readings on either side of a silent reset
ZONE = ZoneInfo("Europe/Amsterdam")
ENTER = "B"  # the key of a keypad that ends an entry
FACILITY_NUMBER = "fields:facility:8,number:16"
FRAME_CHAINS = (
    "hex:8/right-justified:26/wiegand-26",
    "hex:7/right-justified:26/wiegand-26",
    "hex:8/left-justified:26/wiegand-26",
    "decimal:26/wiegand-26",
    "decimal:26,8/wiegand-26",
    "decimal:26,10/wiegand-26",
    "binary/wiegand-26",
    f"decimal:24/{FACILITY_NUMBER}",
    f"decimal:24,8/{FACILITY_NUMBER}",
    f"decimal:24,10/{FACILITY_NUMBER}",
    f"hex:6/{FACILITY_NUMBER}",
    f"split-decimal:8,16/{FACILITY_NUMBER}",
)
STRIPE_CHAINS = (
    "template:;{number:06d}={issue:02d}?",
    "binary/track-2-bits/template:;{number:06d}={issue:02d}?",
    "track:2/template:;{number:06d}={issue:02d}?",
)
ORDERS = ("reverse-bytes", "reverse-bits", "reverse-bits-in-bytes", "swap-nibbles", "invert", "invert/reverse-bits")
CLOCK_JUMPS = (timedelta(days=365), timedelta(days=731), timedelta(days=3653), timedelta(days=26_663))
Fields = Mapping[str, int]


@dataclass(slots=True, kw_only=True)
class DrawnReading:
    """A reading: what was truly presented (``card`` is empty for a card of nobody), and why it is noise, if it is.

    ``time`` is by the reader's clock, ``moment`` the true time.
    """

    moment: datetime
    reader: str
    fields: Fields
    card: str = ""
    noise: Literal["", "unknown", "flipped", "lost"] = ""
    flip: float = 0.0
    presentation: str = ""
    expected: str = ""
    time: datetime
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plant:
    """A fault, where it is, and since when by the site's true time (None: throughout).

    ``lines`` are the rows of readings.csv that it changed. ``chain`` is what the reader really emitted, ``jump`` by
    how much its clock is wrong. Of a printed offset, ``reader`` is the register and ``chain`` the offset.
    """

    fault: Fault
    reader: str
    since: datetime | None = None
    lines: tuple[int, ...] = ()
    chain: str = ""
    jump: timedelta | None = None


@cache
def build(text: str) -> AnyCodec:
    """The chain written ``text``."""
    return chain(text)


def serial_chains(size: int) -> tuple[str, ...]:
    """The chains of readers that give all of a serial number of ``size`` bits, usual ones twice."""
    digits, width = size // 4, {32: 10, 56: 17, 64: 20}[size]
    heads = [
        f"hex:{digits}", f"hex:{digits}", f"hex:{digits},lower", f"hex:{digits},colon", f"hex:{digits}/reverse-bytes",
        f"hex:{digits}/reverse-bytes", f"hex:{digits}/reverse-bits", f"hex:{digits}/reverse-bits-in-bytes",
        f"decimal:{size},{width}", f"decimal:{size},{width}", f"decimal:{size}", f"decimal:{size}/reverse-bytes",
        f"decimal:{size},{width}/reverse-bytes", "binary",
    ]  # fmt: skip
    heads += ["split-decimal:16,16", "signed-decimal:32"] if size == 32 else []
    return tuple(f"{head}/fields:uid:{size}" for head in heads)


def emit_text(text: str, reading: DrawnReading) -> str:
    """What a reader with the chain ``text`` gives of a reading; a bit flips where a parity can show it."""
    before, found, _ = text.partition("/wiegand-26")
    if reading.flip and found:
        bits = Bits(build("binary/wiegand-26").encode(reading.fields).join(("0b", "")))
        flipped = bits ^ Bits(uint=1 << int(reading.flip * len(bits)), length=len(bits))
        return str(build(before).encode(flipped))
    return str(build(text).encode(reading.fields))


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultPlanter:
    """Plants faults in ``readings``, which are in the order of time, of ``readers`` (to kinds) with ``chains``.

    ``size`` is how many bits a serial number has.
    """

    readings: Sequence[DrawnReading]
    readers: Mapping[str, str]
    chains: Mapping[str, str]
    size: int
    dice: Random

    def break_reader(self, fault: Fault, broken: Collection[str]) -> Plant:
        """Break a reader that is not ``broken`` yet, from some moment on or throughout; its texts or times change."""
        clock, dice = fault.startswith("clock"), self.dice
        fit = [
            name for name, kind in self.readers.items() if name not in broken and (clock or kind in ("frame", "serial"))
        ]
        dice.shuffle(fit)
        for name in fit:
            own = [reading for reading in self.readings if reading.reader == name]
            sudden = fault == "silent_reset" or (clock and dice.random() < 0.5)
            start = 0
            if sudden:
                least = min(FEWEST_RESET, len(own) // 3)
                start = dice.randint(least, len(own) - least)
                while self.readers[name] == "locker" and own[start - 1].text != ENTER:
                    start -= 1  # no clock stops between two keys
            changed = own[start:]
            if clock:
                return self._break_clock(fault, name, changed, sudden=sudden)
            others = list(self._other_chains(name, fault))
            dice.shuffle(others)
            for other in others:
                if (found := self._rewrite(name, other, changed)) is not None:
                    since = found[0].moment if sudden else None
                    return Plant(fault=fault, reader=name, since=since, chain=other, lines=self._lines(found))
        raise ValueError(f"no reader of this site can have the fault {fault}")

    def _other_chains(self, name: str, fault: Fault) -> Iterator[str]:
        """What a reader may emit instead of its own chain: other orders; for a re-set also any chain of the kind."""
        own, kind = self.chains[name], self.readers[name]
        parts = own.split("/")
        cut = next(place for place, part in enumerate(parts) if place and not part.endswith("-justified:26"))
        for order in ("invert",) if fault == "inverted" else ORDERS:
            text = "/".join([*parts[:cut], order, *parts[cut:]])
            try:
                build(text)
            except CredkitError:
                continue
            yield text
        if fault == "silent_reset":
            usual = FRAME_CHAINS if kind == "frame" else serial_chains(self.size)
            yield from (each for each in usual if each != own)
            yield from (each for other, each in self.chains.items() if self.readers[other] == kind and each != own)

    def _rewrite(self, name: str, other: str, changed: Sequence[DrawnReading]) -> list[DrawnReading] | None:
        """Have readings emitted by another chain; None, and nothing done, where too many still mean the same."""
        texts = [emit_text(other, reading) for reading in changed]
        own = build(self.chains[name])
        same = sum(
            (found := own._decode_raw(text)) is not None and dict(found) == reading.fields
            for text, reading in zip(texts, changed, strict=True)
        )
        if 10 * same > len(changed) or own._decode_raw(texts[0]) == changed[0].fields:
            return None
        for reading, text in zip(changed, texts, strict=True):
            reading.text = text
        return list(changed)

    def _break_clock(self, fault: Fault, name: str, changed: Sequence[DrawnReading], *, sudden: bool) -> Plant:
        """After a power failure a clock begins again in 2000; or somebody set a year that is yet to come."""
        first = changed[0].time
        start = datetime(2000, 1, 1, 0, 0, self.dice.randrange(60), tzinfo=ZONE)
        jump = start - first if fault == "clock_at_2000" else self.dice.choice(CLOCK_JUMPS)
        for reading in changed:
            reading.time = (reading.time.astimezone(UTC) + jump).astimezone(ZONE)
        since = changed[0].moment if sudden else None
        return Plant(fault=fault, reader=name, since=since, jump=jump, lines=self._lines(changed))

    def offset_printed(self, rows: Sequence[list[str]]) -> Plant:
        """The frames of one register have another number printed on them, by a constant."""
        source, offset = self.dice.choice(("east", "west")), self.dice.choice((-20_000, -1, 1, 100, 1_000))
        for row in rows:
            if row[2] == "frame" and row[-1] == source:
                row[4] = f"{(int(row[4]) + offset) % 65_536:05d}"
        return Plant(fault="printed_offset", reader=source, chain=str(offset))

    def _lines(self, changed: Sequence[DrawnReading]) -> tuple[int, ...]:
        chosen = set(map(id, changed))
        return tuple(line for line, reading in enumerate(self.readings, 2) if id(reading) in chosen)
