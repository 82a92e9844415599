"""A census of many credentials: ``python -m benchmarks.census [--rows N] [--json]``.

Half of the made-up population are cards of a facility code and a number, half serial numbers of 32
bits; one target keeps 24 bits of those, one reader the low 24, and every thousandth card has the
number of the one before it, or a serial that differs from it in the first byte only. The census runs
as a process of its own, so that its memory can be told; its answers are asserted. Beside it: polars
merely reading the same file.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

from benchmarks.turns import Told, agreed, in_turns, machine, process, ratio

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
value = "{value}"
key = ["facility", "number"]
[kinds.serial]
value = "decimal:32,10/uid-a-4"
key = ["uid"]
[readers.gate]
kind = "card"
chain = "hex:10/fields:facility:16,number:24"
[readers.cut]
kind = "serial"
chain = "hex:8/keep-low:24/fields:uid:24"
[targets.gatehouse]
kind = "card"
chain = "decimal:40/fields:facility:16,number:24"
column = "text"
[targets.turnstile]
kind = "serial"
chain = "decimal:24/keep-low:24/uid-a-4"
column = "int32"
"""
VALUES: Mapping[str, tuple[str, Callable[[int, int], str]]] = {
    "numbers": ("decimal:40,13/fields:facility:16,number:24", lambda f, n: f"{f << 24 | n:013d}"),
    "template": ("template:{facility:03d}{number:07d}", lambda f, n: f"{f:03d}{n:07d}"),
}
COLUMNS = "person_id,credential_id,kind,value,printed,issue,status,valid_from,valid_until,replaces,source"
EVERY = 1000  # how many cards there are to one that has the number of the card before it
STEP = 2654435761  # odd, so that the serials are different: they run through all of 32 bits
IMPORTS = """
from credkit.census import census
from credkit.site import load_site
"""
CENSUS = """
result = census(load_site(sys.argv[1]))
places = {f"{each.what} {each.name}": each.groups for each in result.places}
answer = [result.counts.rows, result.counts.read, places]
"""
READ = "answer = polars.read_csv(sys.argv[1], infer_schema=False).height"


def made(folder: Path, rows: int, kind: str = "numbers") -> dict[str, int]:
    """Write a site of so many credentials; the groups of duplicates of each place, by plain counting."""
    value, write = VALUES[kind]
    (folder / "site.toml").write_text(SITE.format(value=value))
    cards, seen = rows // 2, dict[int, int]()
    with (folder / "credentials.csv").open("w") as file:
        print(COLUMNS, file=file)
        for place in range(cards):
            number = place - (place % EVERY == 1)
            text = write(number // 50_000, number % 50_000)
            print(f"P-{place},C-{place},card,{text},,,active,2025-01-01,,,east", file=file)
        for place in range(rows - cards):
            twin = place % EVERY == 1  # the same as the one before it but for the first byte
            serial = ((place - twin) * STEP + (twin << 24)) % (1 << 32)
            seen[serial & 0xFFFFFF] = seen.get(serial & 0xFFFFFF, 0) + 1
            print(f"Q-{place},S-{place},serial,{serial:010d},,,active,,2027-01-01,,west", file=file)
    cut = sum(count > 1 for count in seen.values())
    twins = sum(1 for place in range(cards) if place % EVERY == 1)
    return {"number card": twins, "number serial": 0, "target turnstile": cut, "reader cut": cut}


def run(rows: int, kind: str, turns: int) -> dict[str, object]:
    """The median of some turns: seconds and megabytes of the census, seconds of the reading alone."""
    with TemporaryDirectory() as home:
        folder = Path(home)
        expected = made(folder, rows, kind)
        counted: list[Told] = []

        def census() -> float:
            counted.append(process(IMPORTS, CENSUS, folder / "site.toml"))
            agreed(counted[-1].answer, [rows, rows, expected])
            return counted[-1].seconds

        def reading() -> float:
            told = process("import polars", READ, folder / "credentials.csv")
            agreed(told.answer, rows)
            return told.seconds

        taken = in_turns({"polars": reading, "census": census}, turns)
        return {
            "rows": rows, "values": kind, "seconds": median(taken["census"]),
            "cpu": median(told.cpu for told in counted), "mb": max(told.mb for told in counted),
            "read": median(taken["polars"]), "ratio": ratio(taken["census"], taken["polars"]), "duplicates": expected,
        }  # fmt: skip


def main(arguments: list[str] | None = None) -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.census", description=__doc__)
    parser.add_argument("--rows", type=int, default=1_000_000, help="credentials (default 1000000)")
    parser.add_argument("--values", choices=[*VALUES, "both"], default="both", help="how the cards are written")
    parser.add_argument("--turns", type=int, default=3, help="runs of which the median is taken (default 3)")
    parser.add_argument("--json", action="store_true", help="print JSON")
    options = parser.parse_args(arguments)
    kinds = list(VALUES) if options.values == "both" else [options.values]
    results = [run(options.rows, kind, options.turns) for kind in kinds]
    if options.json:
        print(json.dumps(results, indent=1))
        return 0
    print(machine("numpy", "polars"))
    for row in results:
        print(
            f"{row['rows']:,} credentials ({row['values']}): {row['seconds']:.2f} s, {row['cpu']:.2f} s of processors, "
            f"{row['mb']:.0f} MB at most; polars reads the file in {row['read']:.2f} s, {row['ratio']:.1f} times"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
