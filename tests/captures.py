"""Captures for the tests of the audit: made, written in every form, and counted in plain Python.

Frames are made here by the rule of SIA AC-01 (1996): bit 0 is even parity over bits 1-12, bit 25 odd
parity over bits 13-24. The counting below knows nothing of credkit.
"""

from __future__ import annotations

import csv
import gzip
import io
import json
import random
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

import numpy as np
import polars as pl

from credkit.audit.changes import find_changes
from credkit.audit.summary import RateChange, TimeCounts

CHAIN = "hex:8/right-justified:26/wiegand-26"
START = datetime(2026, 3, 1, 6, 0, tzinfo=UTC)


def changes_in(counts: TimeCounts) -> tuple[RateChange, ...] | None:
    """The changes that are found in counts."""
    return find_changes(*(np.array(each, np.int64) for each in (counts.starts, counts.rows, counts.failing)))


class Row(NamedTuple):
    time: str
    reader: str
    text: str


def word(facility: int, number: int) -> int:
    data = facility << 16 | number
    even = (data >> 12).bit_count() % 2
    odd = 1 - (data & 0xFFF).bit_count() % 2
    return even << 25 | data << 1 | odd


def hexed(facility: int, number: int, *flips: int) -> str:
    """Eight digits; ``flips`` are bits of the frame, counted from 0, that are inverted."""
    found = word(facility, number)
    for flip in flips:
        found ^= 1 << 25 - flip
    return f"{found:08X}"


def made(count: int, seed: int = 1, readers: int = 5) -> list[Row]:
    """Rows in the order of time: cards that are read twice now and then, and every kind of damage."""
    dice = random.Random(seed)
    moment = START
    rows: list[Row] = []
    while len(rows) < count:
        moment += timedelta(seconds=dice.choice([0, 0, 1, 1, 2, 7, 400]))
        reader = f"gate-{dice.randint(1, readers)}"
        number = dice.randrange(60) if dice.random() < 0.9 else dice.randrange(10_000)
        flips = dice.sample(range(26), dice.choice([0] * 20 + [1, 2, 3]))
        text = hexed(dice.choice([1, 7]), number, *flips)
        damage = dice.random()
        if damage < 0.01:
            text = dice.choice([text[1:], "", text + "0", "0000ZZZZ", "F" + text[1:], text.lower(), "+" + text[1:]])
        rows.append(Row(moment.isoformat(), reader, text))
        if dice.random() < 0.05:
            rows.append(rows[-1])
    return rows[:count]


@dataclass
class Expected:
    """What plain counting says of one reader."""

    rows: int = 0
    good: int = 0
    even: int = 0
    odd: int = 0
    padding: int = 0
    refused: int = 0
    times: list[datetime] = field(default_factory=list)
    repeated: int = 0
    numbers: set[int] = field(default_factory=set)


def counted(rows: list[Row]) -> dict[str, Expected]:
    """Plain counting, row by row."""
    found: dict[str, Expected] = defaultdict(Expected)
    before: dict[tuple[str, str], datetime] = {}
    for row in rows:
        at = found[row.reader]
        at.rows += 1
        moment = datetime.fromisoformat(row.time)
        at.times.append(moment)
        last = before.get((row.reader, row.text))
        at.repeated += last is not None and (moment - last).total_seconds() <= 1
        before[row.reader, row.text] = moment
        if len(row.text) != 8 or set(row.text) - set("0123456789abcdefABCDEF"):
            at.refused += 1
            continue
        frame = f"{int(row.text, 16):032b}"
        padding, frame = "1" in frame[:6], frame[6:]
        even, odd = frame[:13].count("1") % 2 == 1, frame[13:].count("1") % 2 == 0
        at.padding += padding
        at.even += even
        at.odd += odd
        if not (padding or even or odd):
            at.good += 1
            at.numbers.add(int(frame[1:25], 2))
    return dict(found)


def only_here(found: dict[str, Expected], name: str) -> int:
    others: set[int] = set().union(*(each.numbers for reader, each in found.items() if reader != name))
    return len(found[name].numbers - others)


def as_csv(rows: list[Row], *, quoting: int = csv.QUOTE_MINIMAL, end: str = "\n") -> bytes:
    buffer = io.StringIO()
    writer = csv.writer(
        buffer,
        lineterminator=end,
        quoting=quoting,  # type: ignore[arg-type]  # any of the csv module's constants, whose type is private
    )
    writer.writerow(Row._fields)
    writer.writerows(rows)
    return buffer.getvalue().encode()


def as_json(rows: list[Row]) -> bytes:
    return "".join(json.dumps({**row._asdict(), "door": 1}) + "\n" for row in rows).encode()


def written(folder: Path, rows: list[Row], kind: str) -> Path:
    """The rows in a file of a kind."""
    path = folder / f"captures.{kind}"
    if kind == "parquet":
        pl.DataFrame(rows, schema=list(Row._fields), orient="row").write_parquet(path, row_group_size=100)
        return path
    data = as_csv(rows) if kind.startswith("csv") else as_json(rows)
    path.write_bytes(gzip.compress(data) if kind.endswith(".gz") else data)
    return path
