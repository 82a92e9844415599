"""The crosswalk of many rows: that settled rows are not evaluated changes nothing, whatever the rows are.

The law stands in `tests.brackwater.same`, and every crosswalk of the other tests goes through it. Here
it holds for made-up populations that are large enough to have settled rows, with faults of every sort in them.
"""

from __future__ import annotations

from pathlib import Path
from random import Random
from unittest.mock import patch

import polars as pl
import pytest

from benchmarks.crosswalk import main as benchmark
from credkit import DefinitionError
from credkit.crosswalk import crosswalk, write_outputs
from credkit.crosswalk.outputs import FILE_NAMES
from credkit.crosswalk.owners import ROW_COLUMN, HashIndex
from credkit.crosswalk.settled_columns import SettledColumns
from credkit.crosswalk.triage import triage_files
from credkit.site.model import Site
from tests.brackwater import SITE, Files, hexed, made, placed, same, shown
from tests.commandline import ACCOUNT


@pytest.fixture(scope="module")
def site() -> Site:
    return made()


DATES = ("", "", "", "2025-06-01", "2026-03-05", "2026-03-20", "2026-12-31")
STATUSES = ("active",) * 12 + ("lost", "returned", "suspended", "expired")


def population(dice: Random, cards: int, reads: int) -> Files:
    """Cards of every kind, their readings, and what a target holds; some of it wrong."""
    files = Files()
    numbers: dict[str, list[int]] = {kind: [] for kind in ("card", "serial", "phone", "long", "locker", "stripe")}
    for place in range(cards):
        kind = dice.choice(("card", "card", "card", "serial", "serial", "phone", "long", "locker", "stripe"))
        number = _number(dice, kind, numbers[kind], place)
        _card(dice, files, kind, number, place)
    for _ in range(reads):
        _read(dice, files, numbers)
    for row in files.cards:
        if row.kind == "card" and dice.random() < 0.6 and row.value.isdecimal() and len(row.value) == 8:
            text = str((int(row.value[:3]) << 16) + int(row.value[3:]))
            files.export(row.person if dice.random() < 0.95 else "P-0", text if dice.random() < 0.95 else f"0{text}")
    return files


def _number(dice: Random, kind: str, known: list[int], place: int) -> int:
    if known and dice.random() < 0.06:
        return dice.choice(known)
    sizes = {"card": 60_000, "serial": 1 << 32, "phone": 1 << 32, "long": 1 << 55, "locker": 1000, "stripe": 10**6}
    number = dice.randrange(sizes[kind]) if dice.random() < 0.5 else (place * 7919) % sizes[kind]
    known.append(number)
    return number


def _card(dice: Random, files: Files, kind: str, number: int, place: int) -> None:
    texts = {
        "card": f"{12 if number % 3 else 40:03d}{number:05d}", "long": str(number), "locker": f"{number:03d}",
        "stripe": f"{number:06d}",
    }  # fmt: skip
    text = texts.get(kind, str(number))
    if dice.random() < 0.02:
        text = dice.choice((text[:-1], f"{text}9", "1.23E+47", "x", "", text.lstrip("0")))
    more: dict[str, object] = {"status": dice.choice(STATUSES)}
    first, last = sorted((dice.choice(DATES), dice.choice(DATES)))
    more |= {"valid_from": first} if first else {}
    more |= {"valid_until": last} if last else {}
    if kind == "stripe" and dice.random() < 0.95:
        more["issue"] = dice.randrange(1, 3)
    if kind == "card" and dice.random() < 0.5:
        more["printed"] = f"{number + (1 if dice.random() < 0.05 else 0):05d}"[-5:]
    if dice.random() < 0.1:
        more["source"] = "east"
    person = f"P-{dice.randrange(place + 1)}" if dice.random() < 0.15 else f"P-{place}"
    person = "POOL" if dice.random() < 0.02 else person
    person = {17: "=", 31: "P;=", 43: "＝"}.get(place % 50, "") + person  # what a spreadsheet would run
    credential = f"C-{dice.randrange(place + 1)}" if dice.random() < 0.06 else f"C-{place}"
    files.card(credential, text, person, kind, **more)


def _read(dice: Random, files: Files, numbers: dict[str, list[int]]) -> None:
    readers = {
        "card": ("gate", "gate", "gate", "yard", "quay", "either"), "serial": ("office", "office", "cut"),
        "phone": ("lobby",), "long": ("dock", "dock-hex"), "locker": ("keys",), "stripe": ("kiosk",),
    }  # fmt: skip
    kind = dice.choice(("card",) * 6 + ("serial", "serial", "phone", "long", "stripe", "locker"))
    if not numbers[kind]:
        return
    number = dice.choice(numbers[kind])
    number = dice.randrange(60_000) if dice.random() < 0.02 else number
    reader = dice.choice(readers[kind])
    facility = 12 if number % 3 else 40
    frame = hexed(facility, number % 65536, invert=dice.random() < 0.02, flip=5 if dice.random() < 0.02 else None)
    text = {
        "gate": frame, "quay": f"{int(frame, 16):026b}", "either": f"{facility:03d}{number:05d}",
        "yard": str((facility << 16) + number % 65536), "office": f"{number:010d}", "lobby": f"{number:010d}",
        "cut": f"{number:08X}", "dock": str(number), "dock-hex": f"{number:015X}",
        "kiosk": f";{number:06d}={dice.randrange(1, 3):02d}?", "keys": dice.choice("0123456789#*"),
    }[reader]  # fmt: skip
    more = {}
    if dice.random() < 0.02:
        more["presentation"] = f"S-{dice.randrange(4)}"
    if dice.random() < 0.02:
        more["expected"] = f"C-{dice.randrange(40)}"
    files.read(reader, text, at=f"2026-03-{dice.randrange(1, 31):02d}T{dice.randrange(24):02d}:00:00+01:00", **more)


@pytest.mark.parametrize("seed", range(24))
def test_triage_changes_nothing(site: Site, seed: int) -> None:
    files = population(Random(seed), 90, 260)
    settled = same(crosswalk(site, files.rows()), site, files)
    assert isinstance(settled, SettledColumns)
    assert settled.count_rows("credentials")


def test_a_quiet_site_is_nearly_all_crowd(site: Site) -> None:
    files = Files()
    for number in range(500):
        files.card(f"C-{number}", f"012{number:05d}").read("gate", hexed(12, number)).export(
            f"P-C-{number}", str((12 << 16) + number)
        )
    settled = same(crosswalk(site, files.rows()), site, files)
    assert settled is not None
    assert [settled.count_rows(file) for file in ("credentials", "readings", "existing gatehouse")] == [499, 499, 499]


@pytest.mark.parametrize("several", [False, True])
def test_a_reader_with_one_facility_code_among_many_cards(site: Site, several: bool) -> None:
    """Numbers that may hide others are looked at, those of cards that stood for others too."""
    files = Files()
    for number in range(60):
        files.card(f"C-{number}", f"{40 if number % 2 and number < 20 else 12:03d}{number:05d}")
        files.read("yard", str((12 << 16) + number))
    if several:
        files.read("yard", str((40 << 16) + 1))
    same(crosswalk(site, files.rows()), site, files)


def test_a_reader_in_another_order_among_many_cards(site: Site) -> None:
    files = Files()
    for number in range(80):
        files.card(f"C-{number}", f"012{number * 3:05d}")
        files.read("gate", hexed(12, number * 3, invert=number < 40), hexed(12, number * 3))
    result = crosswalk(site, files.rows())
    assert [each.subject for each in result.findings if each.code == "other-order"] == ["gate"]
    same(result, site, files)


def test_a_crowd_is_gathered_of_large_files_only(site: Site, tmp_path: Path) -> None:
    files = population(Random(1), 30, 60)
    described = placed(site, tmp_path)
    files.write(tmp_path)
    with patch("credkit.crosswalk.triage.triage_files", side_effect=AssertionError):
        crosswalk(described)
        with patch("credkit.crosswalk.pipeline.LEAST_BYTES_FOR_TRIAGE", 0), pytest.raises(AssertionError):
            crosswalk(described)


def test_what_is_not_plain_is_read_row_by_row(site: Site, tmp_path: Path) -> None:
    """A cell with a comma, a local time, a reader nobody declared: the strict reader takes or refuses them."""
    described = placed(site, tmp_path)
    files = population(Random(2), 30, 60)
    files.write(tmp_path)
    assert triage_files(described) is not None
    readings = (tmp_path / "readings.csv").read_text()
    wrong = {
        '2026-03-10T08:00:00Z,gate,"a,b",,': None, "2026-03-10T08:00:00,gate,1,,": "line 62: time",
        "2026-03-10T08:00:00Z,gat,1,,": "no reader",
        f"2026-03-10T08:00:00Z,gate,;{ACCOUNT}=3012101?,,": "payment track",
    }  # fmt: skip
    for row, said in wrong.items():
        (tmp_path / "readings.csv").write_text(f"{readings}{row}\n")
        assert triage_files(described) is None
        if said:
            with (
                patch("credkit.crosswalk.pipeline.LEAST_BYTES_FOR_TRIAGE", 0),
                pytest.raises(DefinitionError, match=said),
            ):
                crosswalk(described)


def test_lines_of_a_crowd_are_a_sequence(site: Site, tmp_path: Path) -> None:
    files = population(Random(3), 60, 200)
    described = placed(site, tmp_path)
    files.write(tmp_path)
    with patch("credkit.crosswalk.pipeline.LEAST_BYTES_FOR_TRIAGE", 0):
        result = crosswalk(described)
    lines = [*result.lines]
    assert len(result.lines) == len(lines)
    assert result.lines[3] == lines[3]
    assert result.lines[-1] == lines[-1]
    assert list(result.lines[5:9]) == lines[5:9]
    write_outputs(result, tmp_path / "out")
    written = {name: (tmp_path / "out" / name).read_bytes().decode() for name in FILE_NAMES}
    assert written == shown(crosswalk(site, files.rows()))


def test_numbers_that_look_like_account_numbers_are_looked_at(tmp_path: Path) -> None:
    """They are masked in the files and written into no target; a reason not to mask them is the kind's own."""
    value = 'value = "decimal:60/fields:number:60"'
    for reason in ("", 'not_payment = "serials of a maker"\n'):
        toml = SITE.replace(f"[kinds.long]\n{value}", f"[kinds.long]\n{reason}{value}")
        described = made(toml)
        files = Files()
        for number in range(40):
            files.card(f"L-{number}", str(4114360123450000 + number), kind="long")
            files.read("dock", str(4114360123450000 + number))
        same(crosswalk(described, files.rows()), described, files)


def test_the_benchmark_runs_and_asserts_its_answers(capsys: pytest.CaptureFixture[str]) -> None:
    assert benchmark(["--credentials", "2000", "--readings", "20000", "--each"]) == 0
    assert "gives the same files" in capsys.readouterr().out


def test_numbers_of_any_size_are_found(site: Site) -> None:
    """Numbers beyond 64 bits are compared as texts, also where another kind of the namespace has short ones."""
    kinds = "".join(
        f'[kinds.{name}]\nnamespace = "chip"\nvalue = "{chain}"\nkey = ["number"]\n'
        f'[readers.at-{name}]\nkind = "{name}"\nchain = "{chain}"\n'
        for name, chain in (("wide", "hex:20/fields:number:80"), ("short", "decimal:32/fields:number:32"))
    )
    described = made(SITE.replace("[rules]", f"{kinds}[rules]"))
    files = Files()
    for number in range(30):
        wide = f"{(1 << 79) + number * 7919 if number % 2 else number:020X}"
        files.card(f"W-{number}", wide, kind="wide").card(f"S-{number}", str(100 + number), kind="short")
        files.read("at-wide", wide, f"{105:020X}").read("at-short", str(100 + number), str(number))
    settled = same(crosswalk(described, files.rows()), described, files)
    assert settled is not None
    assert settled.count_rows("readings") > 30


@pytest.mark.parametrize("twins", [False, True])
def test_an_index_finds_the_first_row_of_a_number(twins: bool) -> None:
    numbers = [(facility, number) for facility in (1, 2) for number in range(50)]
    space = pl.DataFrame(numbers, schema=[("key facility", pl.UInt64), ("key number", pl.UInt64)], orient="row")
    index = HashIndex(space.with_row_index(ROW_COLUMN, offset=3))
    index.has_collisions |= twins  # as if two numbers had one hash
    wanted = pl.DataFrame(
        {"key number": [49, 50, 0], "key facility": [2, 1, 1]}, schema=dict.fromkeys(reversed(space.columns), pl.UInt64)
    )
    assert index.find_rows(wanted).tolist() == [102, -1, 3]
    assert index.find_rows(wanted.cast(pl.String)).tolist() == [102, -1, 3]
