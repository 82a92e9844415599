"""A crosswalk of many rows: ``python -m benchmarks.crosswalk [--credentials N] [--readings N] [--odd] [--json]``.

Half of the made-up population are cards of a facility code and a number, half serial numbers of 32
bits. One credential in twenty is lost, one in a thousand of the cards has the number of the one before
it, one reading in a thousand has a flipped bit or is nobody's, and one reader's lines are inverted. The
crosswalk runs as a process of its own, files and all, so that its memory can be told; its answers are
asserted. Beside it: polars merely reading the same files. With ``--odd`` each file has a quoted comma,
a line of quoted cells and an empty line, which must change neither the answers nor, by much, the time.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from benchmarks.turns import Told, agreed, in_turns, machine, process, ratio

GATES = 60
OFFICES = 20
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
value = "template:{facility:03d}{number:05d}"
key = ["facility", "number"]
[kinds.serial]
value = "decimal:32,10/fields:number:32"
key = ["number"]
[rules]
gone = ["returned"]
[targets.gatehouse]
kind = "card"
chain = "decimal:24/fields:facility:8,number:16"
column = "int32"
existing = "export.csv"
[targets.turnstile]
kind = "serial"
chain = "hex:8/fields:number:32"
column = "text(8)"
"""
READERS = "".join(
    f'[readers.{name}-{place}]\nkind = "{kind}"\nchain = "{chain}"\n'
    for name, kind, chain, count in (
        ("gate", "card", "hex:8/right-justified:26/wiegand-26", GATES),
        ("office", "serial", "hex:8/reverse-bytes/fields:number:32", OFFICES),
    )
    for place in range(count)
)
COLUMNS = "person_id,credential_id,kind,value,printed,issue,status,valid_from,valid_until,replaces,source"
START = int(datetime(2026, 3, 1, tzinfo=UTC).timestamp())
DAYS = 30
STEP = 2654435761  # odd: the serials are different
TWIN = 1000  # cards to one that has the number of the card before it
LOST = 20
SELDOM = 50
FAULT = 1000  # readings to one with a flipped bit, and to one of a card that nobody has
IMPORTS = """
import sys
from credkit.crosswalk import crosswalk, write_outputs
from credkit.site import load_site
"""
CROSSWALK = """
site = load_site(sys.argv[1])
result = crosswalk(site)
write_outputs(result, sys.argv[2])
answer = [[row[:2] for row in result.summary[0].rows], sum(row[-1] for row in result.summary[0].rows),
          {row[0]: row[1] for section in result.summary if section.title == "Exceptions" for row in section.rows}]
"""
READ = "answer = sum(polars.read_csv(path, infer_schema=False).height for path in sys.argv[1:])"


Numbers = NDArray[Any]


def _frames(facility: Numbers, number: Numbers) -> Numbers:
    """26 bits: even parity over the first twelve, odd parity over the others (SIA AC-01)."""
    data = facility << 16 | number
    even = np.bitwise_count(data >> 12) & 1
    odd = ~np.bitwise_count(data & 0xFFF) & 1
    return np.asarray(even.astype(np.int64) << 25 | data << 1 | odd.astype(np.int64))


def _swapped(numbers: Numbers) -> Numbers:
    """32-bit numbers, last byte first."""
    return numbers.astype(np.uint32).byteswap().astype(np.int64)


def _hex(numbers: Numbers) -> pl.Series:
    """Eight digits each."""
    digits = numbers.astype(">u4").tobytes().hex().upper()
    return pl.Series(np.frombuffer(digits.encode(), "S8").astype(str))


def made(folder: Path, credentials: int, readings: int, seed: int = 7) -> Mapping[str, int]:
    """Write a site of so many rows; how many rows of each sort there are, worked out while making them."""
    dice = np.random.default_rng(seed)
    (folder / "site.toml").write_text(SITE + READERS)
    cards = credentials // 2
    place = np.arange(credentials)
    lost = place % LOST == LOST - 1
    twin = (place % TWIN == 1) & (place < cards)
    number = np.where(place < cards, place - twin, (place - cards) * STEP % (1 << 32))
    facility, low = number // 40_000, number % 40_000
    values = pl.select(
        pl.when(pl.Series(place < cards))
        .then(pl.Series(facility).cast(pl.String).str.zfill(3) + pl.Series(low).cast(pl.String).str.zfill(5))
        .otherwise(pl.Series(number).cast(pl.String).str.zfill(10))
    ).to_series()
    text = pl.Series(place).cast(pl.String)
    frame = pl.DataFrame({
        "person_id": "P-" + text, "credential_id": "C-" + text,
        "kind": pl.Series(np.where(place < cards, "card", "serial")), "value": values, "printed": None, "issue": None,
        "status": pl.Series(np.where(lost, "lost", "active")), "valid_from": "2025-01-01",
        "valid_until": None, "replaces": None, "source": "east",
    })  # fmt: skip
    frame.select(COLUMNS.split(",")).write_csv(folder / "credentials.csv")
    held = np.flatnonzero((place < cards) & ~lost & ~twin & (place % TWIN != 0) & (place % 10 != 0))
    pl.DataFrame({
        "person_id": "P-" + pl.Series(held).cast(pl.String),
        "text": pl.Series(facility[held] << 16 | low[held]).cast(pl.String),
    }).write_csv(folder / "export.csv")  # fmt: skip

    who = dice.integers(0, credentials, readings)
    row = np.arange(readings)
    who = np.where(lost[who] & (row % SELDOM != 0), who - 1, who)  # a lost card is seldom read
    flipped, nobody = row % FAULT == 3, row % FAULT == 5
    is_card = who < cards
    reader = np.where(is_card, dice.integers(0, GATES, readings), dice.integers(0, OFFICES, readings))
    reader = np.where(who % 3 == 0, reader, who % np.where(is_card, GATES, OFFICES))  # most have a door of their own
    inverted = is_card & (reader == 0)
    words = np.where(is_card, _frames(facility[who], low[who]), _swapped(number[who]))
    words = np.where(is_card & flipped, words ^ (1 << 7), words)
    strangers = _frames(np.full(readings, 250), row % 40_000)
    words = np.where(is_card & nobody & ~flipped, strangers, words)
    words = np.where(inverted, words ^ ((1 << 26) - 1), words)
    seconds = START + (np.sort(dice.integers(0, DAYS * 86_400, readings)))
    stamps = np.datetime_as_string(seconds.astype("datetime64[s]"))
    pl.DataFrame({
        "time": pl.Series(stamps) + "Z",
        "reader": pl.Series(np.where(is_card, "gate-", "office-")) + pl.Series(reader).cast(pl.String),
        "text": _hex(words), "presentation": None, "expected": None,
    }).write_csv(folder / "readings.csv")  # fmt: skip
    wrong = is_card & (inverted | flipped)
    strange = is_card & nobody & ~wrong
    inactive = lost[who] & ~wrong & ~strange
    # Of two cards with one number one may be lost: the other one is then the one that was read.
    other = np.where(twin[who], who - 1, np.where((who < cards) & (who % TWIN == 0) & (who + 1 < cards), who + 1, who))
    inactive &= lost[other]
    return {
        "check-failed": int(np.count_nonzero(wrong)), "unknown-card": int(np.count_nonzero(strange)),
        "inactive-read": int(np.count_nonzero(inactive)), "credentials": credentials, "readings": readings,
        "held": len(held),
    }  # fmt: skip


def make_odd(folder: Path, credentials: int, readings: int) -> None:
    """Amid each file put a quoted comma, a line of quoted cells and an empty line; the answers stay as they were."""
    held = next(
        place for place in range(credentials // 4, credentials) if place % TWIN not in (0, 1) and place % 10 == 4
    )
    for name in ("credentials", "export", "readings"):
        path, odd = folder / f"{name}.csv", folder / f"{name}-odd.csv"
        with path.open() as file, odd.open("w") as made:
            quote_next = done = False
            for line, row in enumerate(file):
                if quote_next:
                    made.write(",".join(f'"{cell}"' for cell in row[:-1].split(",")) + "\n\n")
                    quote_next, done = False, True
                elif line and name == "readings" and line == 1 + readings // 2:
                    made.write(f'{row[:-3]},"D, Pier",\n')  # a presentation of its own
                    quote_next = True
                elif name != "readings" and row.startswith(f"P-{held},"):
                    made.write(row.replace(f"P-{held},", f'"P-{held}, Pier",'))  # alike in both files
                    quote_next = True
                else:
                    made.write(row)
        agreed(done, True)
        odd.replace(path)


def run(credentials: int, readings: int, turns: int, *, odd: bool = False) -> dict[str, object]:
    """The median of some turns: seconds and megabytes of the crosswalk, seconds of the reading alone."""
    with TemporaryDirectory() as home:
        folder = Path(home)
        wanted = made(folder, credentials, readings)
        if odd:
            make_odd(folder, credentials, readings)
        files = [folder / f"{name}.csv" for name in ("credentials", "readings", "export")]
        told: list[Told] = []

        def crosswalk() -> float:
            told.append(process(IMPORTS, CROSSWALK, folder / "site.toml", folder / "out"))
            _asserted(told[-1].answer, wanted)
            return told[-1].seconds

        def reading() -> float:
            found = process("import polars, sys", READ, *files)
            agreed(found.answer, credentials + readings + wanted["held"] + 3 * odd)  # for polars an empty line is a row
            return found.seconds

        taken = in_turns({"polars": reading, "crosswalk": crosswalk}, turns)
        return {
            "credentials": credentials, "readings": readings, "odd": odd, "seconds": median(taken["crosswalk"]),
            "cpu": median(one.cpu for one in told), "mb": max(one.mb for one in told),
            "read": median(taken["polars"]), "ratio": ratio(taken["crosswalk"], taken["polars"]),
        }  # fmt: skip


def _asserted(answer: list[Any], wanted: Mapping[str, int]) -> None:
    """End the program unless every row is in one place, and what was planted is found."""
    sizes, amiss, codes = answer
    agreed(amiss, 0)
    agreed(sizes[:2], [["credentials.csv", wanted["credentials"]], ["readings.csv", wanted["readings"]]])
    for code in ("check-failed", "unknown-card", "inactive-read"):
        agreed(codes.get(f"readings.csv: {code}", 0), wanted[code])


def main(arguments: list[str] | None = None) -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.crosswalk", description=__doc__)
    parser.add_argument("--credentials", type=int, default=20_000, help="credentials (default 20000)")
    parser.add_argument("--readings", type=int, default=200_000, help="readings (default 200000)")
    parser.add_argument("--turns", type=int, default=1, help="runs of which the median is taken (default 1)")
    parser.add_argument("--odd", action="store_true", help="files with a quoted comma, quoted cells and an empty line")
    parser.add_argument("--json", action="store_true", help="print JSON")
    options = parser.parse_args(arguments)
    row = run(options.credentials, options.readings, options.turns, odd=options.odd)
    if options.json:
        print(json.dumps(row, indent=1))
        return 0
    print(machine("numpy", "polars"))
    print(
        f"{row['credentials']:,} credentials, {row['readings']:,} readings: {row['seconds']:.1f} s, "
        f"{row['cpu']:.1f} s of processors, {row['mb']:.0f} MB at most; polars reads the files in {row['read']:.2f} s"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
