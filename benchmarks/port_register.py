"""The register of a site as a port operator has it: its site file, credentials, and the exports of two targets.

Everything is invented, and follows from the number of rows and a seed. Frames follow SIA AC-01 (1996), tracks ISO/IEC
7811-2; no text is written by credkit, so that what is asserted of them is worked out twice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

Numbers = NDArray[Any]
GATES, WEST_GATES, LOCKERS = 12, 4, 4  # readers of a kind
BOX = 10_000  # cards that one facility code has; numbers above it are nobody's
FACILITIES = range(12, 199, 2)
STRANGE_FACILITY = 200
MOST_CREDENTIALS = BOX * len(FACILITIES)
FEWEST_CREDENTIALS = 400
STRANGERS, POOL_NUMBERS, SUPERSEDED_NUMBERS = range(53_000, 60_000), range(51_000, 52_500), range(60_000, 65_000)
LOCKER_NUMBERS, LOCKER_STEP = 900_000, 7_919  # a prime: the numbers are different
RETURNED = 3  # of the states: 0 is active, 1 lost, 2 expired
REFUSED_BYTES = (0x08, 0x88)  # ISO/IEC 14443-3: a random serial number, and the cascade tag
SCHEMA = {
    **dict.fromkeys(("id", "person", "kind"), pl.String), **dict.fromkeys(("facility", "number", "issue"), pl.Int64),
    "state": pl.Int64, "replaces": pl.String, "again": pl.Boolean, "source": pl.String,
    "valid_from": pl.String, "valid_until": pl.String,
}  # fmt: skip
SITE = """\
[site]
name = "Brackwater Terminal"
time_zone = "Europe/Amsterdam"
as_of = 2026-03-31
[files.credentials]
path = "credentials.csv"
[files.readings]
path = "readings.csv"
[kinds.card]
namespace = "harbour"
value = "template:{{facility:03d}}{{number:05d}}"
printed = "template:{{number:05d}}"
key = ["facility", "number"]
expect = {{ facility = {facilities} }}
[kinds.serial]
value = "decimal:32,10/uid-a-4"
key = ["uid"]
[kinds.stripe]
value = "template:{{number:08d}}"
issue = "issue"
key = ["number", "issue"]
[kinds.locker]
value = "template:{{number:06d}}"
key = ["number"]
[contents.staff-stripe]
title = "Staff stripe, track 2"
track = 2
items = [
    {{ constant = "57" }},
    {{ field = "number", digits = 8 }},
    {{ check = "luhn", over = ["number"] }},
    {{ constant = "=" }},
    {{ field = "issue", digits = 2 }},
]
examples = [{{ text = ";57000042184=01?", fields = {{ number = 4218, issue = 1 }} }}]
[rules]
order_of_truth = ["west", "east"]
gone = ["returned"]
pools = ["POOL-VISITOR"]
[targets.gatehouse]
kind = "card"
chain = "decimal:24/fields:facility:8,number:16"
column = "text(8)"
existing = "gatehouse.csv"
[targets.turnstile]
kind = "serial"
chain = "decimal:24/keep-low:24/uid-a-4"
column = "int32"
existing = "turnstile.csv"
[readers.yard]
kind = "card"
chain = "split-decimal:8,16/fields:facility:8,number:16"
clock_offset = -200
[readers.pier]
kind = "card"
[[readers.pier.periods]]
chain = "decimal:24,8/fields:facility:8,number:16"
until = 2026-03-14T12:00:00+01:00
[[readers.pier.periods]]
chain = "hex:6/fields:facility:8,number:16"
from = 2026-03-14T12:00:00+01:00
"""
FRAME = "hex:8/right-justified:26/wiegand-26"
READERS = (
    *((f"gate-{place}", "card", FRAME, "") for place in range(GATES)),
    *((f"west-{place}", "card", "decimal:26,8/wiegand-26", "") for place in range(WEST_GATES)),
    ("quay", "card", "binary/wiegand-26", ""),
    ("weir", "card", FRAME, ""),  # its clock is 26 years behind
    ("office", "serial", "hex:8/uid-a-4", ""),
    ("lobby", "serial", "hex:8/reverse-bytes/uid-a-4", ""),
    ("canteen", "serial", "decimal:32,10/uid-a-4", ""),
    ("mess", "serial", "decimal:32,10/reverse-bytes/uid-a-4", ""),
    ("ferry", "serial", "decimal:32,10/uid-a-4", ""),  # really sends the last byte first
    ("kiosk", "stripe", "binary/track-2-bits/staff-stripe", ""),
    ("pilots", "stripe", "track:2/staff-stripe", ""),
    ("time-clock", "stripe", "binary/track-2-bits/staff-stripe", "swipes:hex"),
    ("desk-frame", "card", FRAME, ""),
    ("desk-serial", "serial", "hex:8,lower/uid-a-4", ""),
    *((f"lockers-{place}", "locker", "template:{number:06d}", "keypad:hex:1/keypad-4") for place in range(LOCKERS)),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Register:
    """What was written: each credential with its numbers, and how many rows of each sort there are.

    ``table`` has `id`, `kind`, `facility`, `number`, `issue` and `state` (0: active), without superseded and repeated
    rows. ``exceptions`` counts rows by file and code, ``rows`` those of each file. ``duplicates`` has the sizes of the
    groups of credentials that share a number, or the text of a target.
    """

    table: pl.DataFrame
    exceptions: Mapping[str, int]
    duplicates: Mapping[str, list[int]]
    rows: Mapping[str, int]

    def numbers(self, kind: str, *, active: bool, prefix: str = "") -> pl.DataFrame:
        """The credentials of a kind that may be read, or may not; with ``prefix`` those with such an id."""
        state = pl.col("state")
        return self.table.filter(
            pl.col("kind") == kind, state == 0 if active else state > 0, pl.col("id").str.starts_with(prefix)
        )

    @property
    def old_stripes(self) -> pl.DataFrame:
        """The stripes in force whose first issue is in no row."""
        return self.numbers("stripe", active=True).filter(pl.col("issue") == 2, ~pl.col("again"))


def write_register(folder: Path, credentials: int, dice: np.random.Generator) -> Register:
    """Write site.toml, so many rows of credentials.csv, and both exports."""
    if not FEWEST_CREDENTIALS <= credentials <= MOST_CREDENTIALS:
        raise SystemExit(f"{credentials} credentials, expected {FEWEST_CREDENTIALS} to {MOST_CREDENTIALS}")
    two, superseded, repeated = credentials // 10, credentials // 50, credentials // 200
    pools = min(1 + credentials // 2000, len(POOL_NUMBERS))
    counts = {"serial": credentials * 15 // 100, "stripe": credentials // 200 * 20, "locker": credentials // 20}
    single = credentials - 2 * two - superseded - repeated - 4 * pools - sum(counts.values())
    uids = _draw_uids(two + counts["serial"], dice)
    frames = np.arange(two + single)
    own = np.arange(single)
    twin = own % 1000 == 503  # has the number of the card before it
    frames[two:] -= twin
    # The card after a lost one, and the second of two active ones: of the same person, and in place of the other.
    successor, second = own % 30 == 10, own % 300 == 1
    table = pl.concat([
        _block("card", "W", "west", frames[:two]),
        _block("serial", "W", "west", uids[:two]),
        _block("card", "E", "east", frames[two:], before=successor | second),
        _block("serial", "S", "west", uids[two:]),
        _stripes(counts["stripe"]),
        _block("locker", "L", "east", np.arange(counts["locker"]) * LOCKER_STEP % LOCKER_NUMBERS),
        _pool_rows(pools),
    ])  # fmt: skip
    in_force = table.filter(pl.col("state") == 0)
    copied = in_force.filter(pl.col("kind") == "card", pl.col("id").str.starts_with("W-")).head(superseded)
    copied = copied.with_columns(
        number=SUPERSEDED_NUMBERS[0] + pl.int_range(pl.len()) % len(SUPERSEDED_NUMBERS), source=pl.lit("east")
    )
    east = in_force.filter(pl.col("id").str.starts_with("E-"))
    again = east.gather_every(5).head(credentials - table.height - superseded)
    write = pl.concat([table, copied, again])
    _format_rows(write).write_csv(folder / "credentials.csv")
    codes = sorted({*table["facility"].drop_nulls().to_list()})
    (folder / "site.toml").write_text(SITE.format(facilities=codes) + _format_readers())
    held, exceptions = _write_exports(folder, table)
    low = table.filter(pl.col("kind") == "serial", pl.col("state") != RETURNED)["number"].to_numpy() & 0xFFFFFF
    _, shared = np.unique(low, return_counts=True)
    return Register(
        table=table,
        exceptions={"credentials.csv: superseded": copied.height + again.height, **exceptions},
        duplicates={"card": [2] * int(twin.sum()), "turnstile": sorted(shared[shared > 1].tolist())},
        rows={"credentials.csv": write.height, **held},
    )


def _draw_uids(count: int, dice: np.random.Generator) -> Numbers:
    """Different serial numbers that may serve, in either order of their bytes."""
    drawn = np.unique(dice.integers(1 << 24, 1 << 32, count + count // 10 + 100, dtype=np.int64))
    drawn = drawn[~np.isin(drawn >> 24, REFUSED_BYTES) & ~np.isin(drawn & 0xFF, REFUSED_BYTES)]
    return dice.permutation(drawn)[:count]


def _block(kind: str, prefix: str, source: str, number: Numbers, *, before: Numbers | None = None) -> pl.DataFrame:
    """Credentials in a row: one in ten is lost, expired or returned; ``before`` marks those that replace another."""
    place = np.arange(len(number))
    again = np.zeros(len(number), bool) if before is None else before
    codes = np.array(FACILITIES)[number // BOX] if kind == "card" else None
    since = np.where(again, np.datetime64("2026-02-01"), np.datetime64("2023-01-02") + place * 7 % 800)
    return pl.DataFrame({
        "id": _name(prefix, place), "person": _name(f"P-{prefix}", place - again), "kind": kind,
        "facility": codes, "number": 1 + number % BOX if kind == "card" else number, "issue": 1,
        "state": np.where(place % 10 == 9, 1 + place // 10 % 3, 0),
        "replaces": _name(prefix, place - 1), "again": again, "source": source,
        "valid_from": since.astype(str), "valid_until": None,
    }, schema=SCHEMA).with_columns(replaces=pl.when("again").then("replaces"))  # fmt: skip


def _name(prefix: str, place: Numbers) -> pl.Series:
    return pl.select(pl.format(f"{prefix}-{{}}", pl.lit(pl.Series(place)))).to_series()


def _stripes(count: int) -> pl.DataFrame:
    """Stripes in twenties: the last one is the lost first issue of the one before it, the fifth has expired, and of the
    tenth the first issue is in no row."""
    place = np.arange(count)
    score = place % 20
    first = score == 19
    issue = np.where((score == 18) | (score == 9), 2, 1)
    table = _block("stripe", "T", "west", 1001 + place - first)
    return table.with_columns(
        issue=pl.Series(issue), state=pl.Series(np.where(first, 1, np.where(score == 4, 2, 0))),
        person=_name("P-T", place - first), again=pl.Series(score == 18),
        replaces=pl.when(pl.Series(score == 18)).then(_name("T", place + 1)),
        valid_from=pl.when(pl.Series(score == 18)).then(pl.lit("2026-02-01")).otherwise("valid_from"),
    )  # fmt: skip


def _pool_rows(pools: int) -> pl.DataFrame:
    """Cards of a pool: three visitors had each of them, one after the other, then it is the pool's again."""
    spans = [
        ("2026-03-01", "2026-03-04"),
        ("2026-03-05", "2026-03-09"),
        ("2026-03-10", "2026-03-20"),
        ("2026-03-21", None),
    ]
    rows = []
    for card in range(pools):
        for visit, (first, last) in enumerate(spans):
            person = f"VISITOR-{3 * card + visit}" if last else "POOL-VISITOR"
            number = POOL_NUMBERS[card]
            rows.append((f"V-{card}", person, "card", FACILITIES[0], number, 1, 0, None, False, "east", first, last))
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def digits(column: str, width: int) -> pl.Expr:
    """A number with zeros in front."""
    return pl.col(column).cast(pl.String).str.zfill(width)


def _format_rows(table: pl.DataFrame) -> pl.DataFrame:
    """The rows as credentials.csv has them."""
    state, kind = pl.col("state"), pl.col("kind")
    ended = {1: "2026-01-31", 2: "2026-02-28", RETURNED: "2025-11-30"}
    return table.select(
        person_id="person", credential_id="id", kind="kind",
        value=pl.when(kind == "card").then(digits("facility", 3) + digits("number", 5))
        .when(kind == "serial").then(digits("number", 10))
        .when(kind == "stripe").then(digits("number", 8))
        .otherwise(digits("number", 6)),
        printed=pl.when(kind == "card").then(digits("number", 5)),
        issue=pl.when(kind == "stripe").then(pl.col("issue").cast(pl.String)),
        status=state.replace_strict({0: "active", 1: "lost", 2: "active", RETURNED: "returned"}),
        valid_from="valid_from",
        valid_until=pl.coalesce("valid_until", state.replace_strict(ended, default=None, return_dtype=pl.String)),
        replaces="replaces", source="source",
    )  # fmt: skip


def _format_readers() -> str:
    return "".join(
        f'[readers.{name}]\nkind = "{kind}"\nchain = "{chain}"\n' + (f'stream = "{stream}"\n' if stream else "")
        for name, kind, chain, stream in READERS
    )


def _write_exports(folder: Path, table: pl.DataFrame) -> tuple[dict[str, int], dict[str, int]]:
    """What both targets hold: nine in ten of the active numbers, some expired ones, and texts of nobody.

    Gives the rows of each file, and its exceptions by code.
    """
    counts, codes = {}, {}
    rows = table.filter(pl.col("id").str.starts_with("V-").not_()).with_columns(
        text=pl.when(pl.col("kind") == "card").then(pl.col("facility") * 65_536 + pl.col("number"))
        .otherwise(pl.col("number") % (1 << 24)).cast(pl.String)
    )  # fmt: skip
    for target, kind in (("gatehouse", "card"), ("turnstile", "serial")):
        own = rows.filter(pl.col("kind") == kind)
        held = own.filter(pl.col("state") == 0).filter(pl.int_range(pl.len()) % 10 > 0)
        expired = own.filter(pl.col("state") == 2, pl.col("text").is_unique()).gather_every(3)
        free = np.setdiff1d((1 << 24) - 1 - np.arange(2 * own.height), own["text"].cast(pl.Int64))
        nobody = pl.DataFrame({"text": free[: 1 + own.height // 500].astype(str)}).with_row_index()
        parts = [held, expired, nobody.with_columns(person=pl.format("X-{}", "index"))]
        export = pl.concat([part.select(person_id="person", text="text") for part in parts])
        export.write_csv(folder / f"{target}.csv")
        counts[f"{target}.csv"] = export.height
        codes[f"{target}.csv: inactive-held"] = expired.height
        codes[f"{target}.csv: existing-unmatched"] = nobody.height
    return counts, codes
