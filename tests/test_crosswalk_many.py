"""The crosswalk of made-up populations: whatever the rows are, each is in one place (`tests.brackwater.walk`)."""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest

from benchmarks.crosswalk import main as benchmark
from credkit.crosswalk import crosswalk, write_outputs
from credkit.crosswalk.outputs import FILE_NAMES
from credkit.site.model import Site
from tests.brackwater import SITE, Files, codes, hexed, made, placed, shown, walk


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
def test_every_row_of_a_population_is_in_one_place(site: Site, seed: int) -> None:
    result = walk(site, population(Random(seed), 90, 260))
    assert {"add", "hold", "none"} <= {line.action for line in result.lines}


def test_a_reader_in_another_order_among_many_cards(site: Site) -> None:
    files = Files()
    for number in range(80):
        files.card(f"C-{number}", f"012{number * 3:05d}")
        files.read("gate", hexed(12, number * 3, invert=number < 40), hexed(12, number * 3))
    result = walk(site, files)
    assert [each.subject for each in result.findings if each.code == "other-order"] == ["gate"]


def test_files_give_what_their_rows_give(site: Site, tmp_path: Path) -> None:
    files = population(Random(3), 60, 200)
    described = placed(site, tmp_path)
    files.write(tmp_path)
    write_outputs(crosswalk(described), tmp_path / "out")
    written = {name: (tmp_path / "out" / name).read_bytes().decode() for name in FILE_NAMES}
    assert written == shown(crosswalk(site, files.rows()))


@pytest.mark.parametrize("reason", ["", "serials of a maker"])
def test_numbers_that_look_like_account_numbers_are_looked_at(reason: str) -> None:
    """They are masked in the files and written into no target; a reason not to mask them is the kind's own."""
    value = 'value = "decimal:60/fields:number:60"'
    declared = f'not_payment = "{reason}"\n' if reason else ""
    described = made(SITE.replace(f"[kinds.long]\n{value}", f"[kinds.long]\n{declared}{value}"))
    files = Files()
    numbers = [4114360123450000 + number for number in range(40) if number % 10]
    for number in numbers:
        files.card(f"L-{number}", str(number), kind="long").read("dock", str(number))
    result = walk(described, files)
    like_accounts = sum(_luhn(str(number)) for number in numbers)
    assert like_accounts == 3
    assert sum(line.number.isdecimal() for line in result.lines) == len(numbers) - (0 if reason else like_accounts)


def _luhn(digits: str) -> bool:
    """Whether the last digit is the check digit of ISO/IEC 7812-1, Annex B."""
    doubled = (int(digit) * (1 + place % 2) for place, digit in enumerate(reversed(digits)))
    return sum(number // 10 + number % 10 for number in doubled) % 10 == 0


def test_the_benchmark_runs_and_asserts_its_answers(capsys: pytest.CaptureFixture[str]) -> None:
    assert benchmark(["--credentials", "2000", "--readings", "20000"]) == 0
    assert "2,000 credentials, 20,000 readings" in capsys.readouterr().out


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
    result = walk(described, files)
    assert not codes(result).keys() & set(range(2, len(files.reads) + 2, 4))
    assert (
        sum(each.code == "unknown-card" for each in result.exceptions) == 15
    )  # the odd ones: 0, 2, 4 … are of W-0, W-2
