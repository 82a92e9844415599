"""The work of an audit: each cause once, gone when what it proposes is done; what the register tells of good rows.

What is counted is counted here again from the files of the demo, without credkit, or compared with the crosswalk,
which judges each row by itself.
"""

from __future__ import annotations

import csv
import pickle
import shutil
from collections import Counter, defaultdict
from dataclasses import asdict
from datetime import UTC
from functools import reduce
from pathlib import Path
from random import Random

import numpy as np
import pytest

from credkit.audit import (
    Audit,
    AuditPlan,
    Clock,
    ColumnNames,
    ReaderCount,
    audit,
    audit_text,
    cut_files,
    finish,
    list_records,
    merge,
    partial,
)
from credkit.audit.register_numbers import FARTHEST_TIME, NOBODY, RegisterSpace
from credkit.audit.summary import RegisterCount
from credkit.crosswalk import Crosswalk
from credkit.demo import Demo
from credkit.site import load_site
from credkit.site.standins import write_stand_in
from credkit.work.items import WorkItem
from tests.brackwater import hexed, paste
from tests.commandline import run
from tests.test_readiness import READINGS, SITE
from tests.test_result_page import write_site

UNKNOWN_CODES = ("unknown-card", "other-issue", "unexpected-value")
NOTHING_CHECKS = ("yard", "gangway", "truck-lane", "office", "ferry", "desk-serial", "lockers")  # by their chains


def site_audit(site: Path) -> Audit:
    described = load_site(site)
    clock = Clock(described.zone, local=described.readings.has_local_times)
    plan = AuditPlan(columns=ColumnNames(), clock=clock, site=described)
    return audit([described.readings.path], plan)


def items(found: Audit) -> dict[tuple[str, str], WorkItem]:
    """The items of an audit, each of which is there once."""
    named = {(item.task, item.subject): item for item in found.work}
    assert len(named) == len(found.work)
    return named


def readers(found: Audit) -> dict[str, ReaderCount]:
    return {reader.name: reader for reader in found.readers}


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture
def mended(demo: Demo, tmp_path: Path) -> Path:
    """A copy of the demo's site file, to be mended."""
    return shutil.copytree(demo.site.parent, tmp_path / "brackwater") / demo.site.name


def test_every_proposed_line_of_the_demo_ends_its_item(demo_audit: Audit, mended: Path) -> None:
    cures = [item for item in demo_audit.work if item.lines]
    assert {item.subject for item in cures} == {"ferry", "linkspan", "quay", "slipway", "pilots", "kiosk"}
    for item in cures:
        mended.write_text(paste(mended.read_text(), item.lines))
    after = site_audit(mended)
    assert not any(item.lines for item in after.work)
    assert not {(item.task, item.subject) for item in cures} & items(after).keys()
    was, now = readers(demo_audit), readers(after)
    for item in cures:
        ended = {end.code: end.count for end in item.ends}
        one, other = was[item.subject], now[item.subject]
        assert one.register is not None
        assert other.register is not None
        assert other.register.active > one.register.active, item.subject
        assert 0 < one.failing - other.failing + one.register.unknown - other.register.unknown <= sum(ended.values())
    for name in was.keys() - {item.subject for item in cures}:
        assert (was[name].rows, was[name].failing) == (now[name].rows, now[name].failing)
        assert was[name].register == now[name].register


def test_a_reader_that_resolves_nothing_is_said_to_on_the_first_lines(demo_audit: Audit, demo: Demo) -> None:
    """All 640 texts of the ferry have the right form, and none is a number of the register, as the files say."""
    numbers = {
        int(row["value"]) for row in rows(demo.site.parent / "credentials.csv")
        if row["kind"] == "serial-card" and row["value"].isdigit()
    }  # fmt: skip
    texts = [row["text"] for row in rows(demo.site.parent / "readings.csv") if row["reader"] == "ferry"]
    ferry = readers(demo_audit)["ferry"]
    assert (ferry.rows, ferry.good, ferry.form_only) == (len(texts), len(texts), len(texts)) == (640, 640, 640)
    assert ferry.register is not None
    assert ferry.register.unknown == sum(int(text) not in numbers for text in texts) == 640
    verdict = " ".join(audit_text(demo_audit, load_site(demo.site).zone, details=False).splitlines()[:2])
    assert demo_audit.register is not None
    assert f"{demo_audit.register.unknown:,} of unknown cards" in verdict
    assert f"{demo_audit.register.active:,} of {demo_audit.rows:,} readings are of active cards" in verdict


def test_the_register_tells_of_rows_what_the_crosswalk_finds_one_by_one(
    demo_audit: Audit, demo_crosswalk: Crosswalk, demo: Demo
) -> None:
    """A card that is not valid yet is no lost one, and a clock may be wrong: an audit does not count it.

    The crosswalk has another code for unknown numbers that a spreadsheet made, or that must not serve as a card's.
    """
    readings = [row for row in demo_crosswalk.exceptions if row.file == "readings.csv"]
    ended = [row for row in readings if row.code == "inactive-read" and "not yet valid" not in row.reason]
    inactive = Counter(row.reader for row in ended)
    unknown = Counter(row.reader for row in readings if row.code in UNKNOWN_CODES)
    others = Counter(row.reader for row in readings if row.code in ("refused-note", "spreadsheet-damage"))
    for reader in demo_audit.readers:
        assert reader.register is not None
        counts = reader.register
        assert counts.active + counts.inactive + counts.unknown + counts.not_compared == reader.good
        assert counts.inactive == inactive[reader.name], reader.name
        assert 0 <= counts.unknown - unknown[reader.name] <= others[reader.name], reader.name
    (item,) = (each for each in demo_audit.work if each.task == "inactive-read")
    assert demo_audit.work[0] is item
    assert item.readings == sum(inactive.values())
    lost = {row.credential for row in ended}
    register = rows(demo.site.parent / "credentials.csv")
    named = {register[line - 2]["credential_id"] for line in item.rows.of("credentials.csv")}
    assert (item.credentials, named) == (len(lost), lost)


def test_what_nothing_checks_is_a_class_of_its_own(demo_audit: Audit) -> None:
    for reader in demo_audit.readers:
        assert reader.form_only == (reader.good if reader.name in NOTHING_CHECKS else 0), reader.name
    (total,) = (record["audit"] for record in list_records(demo_audit) if "audit" in record)
    assert total["form_only"] == demo_audit.form_only == sum(reader.form_only for reader in demo_audit.readers) > 0


def test_what_nothing_checks_is_told_by_the_register_where_there_is_one(demo_audit: Audit) -> None:
    unchecked = [reader for reader in demo_audit.readers if reader.name in NOTHING_CHECKS]
    for reader in demo_audit.readers:  # the demo's readers are on chains of one sort each
        none = RegisterCount()
        assert reader.form_register == (reader.register if reader in unchecked else none), reader.name
    found = demo_audit.form_register
    assert found is not None
    assert found == reduce(RegisterCount.plus, [reader.register for reader in unchecked if reader.register])
    assert found.active + found.inactive + found.unknown + found.not_compared == demo_audit.form_only
    screen = " ".join(audit_text(demo_audit, UTC).split())
    assert f"nothing to check; by the register {found.active:,} are of active cards, " in screen
    assert "tells whether they are right" not in screen
    (total,) = (record["audit"] for record in list_records(demo_audit) if "audit" in record)
    assert total["form_register"] == asdict(found)


def test_without_a_register_the_right_form_is_no_check_passed(tmp_path: Path) -> None:
    path = tmp_path / "march.csv"
    path.write_text("time,reader,text\n2026-03-14T12:00:00Z,office,04A1B2C3\n2026-03-14T12:00:09Z,office,14A1B2C3\n")
    done = run("audit", str(path), "--chain", "hex:8/uid-a-4")
    verdict, *_ = done.stdout.splitlines()
    assert verdict == "0 of 2 readings pass a check, 2 with nothing to check"
    assert "Readings with the right form and nothing to check" in done.stdout
    checked = run("audit", str(path), "--chain", "hex:8/right-justified:26/wiegand-26")
    assert "nothing to check" not in checked.stdout


def test_a_site_without_a_register_is_audited_and_says_so(mended: Path) -> None:
    (mended.parent / "credentials.csv").unlink()
    found = site_audit(mended)
    assert found.register is None
    assert [item.task for item in found.work].count("no-register") == 1
    assert "credentials.csv" in items(found)["no-register", f"{found.register_fault}."].act
    assert found.good == 15_854


def test_failing_and_unknown_rows_are_in_one_item_each(demo_audit: Audit) -> None:
    """Items of settings end at most so many, all others exactly: together all that fails, and all that is unknown."""
    ends: dict[str, int] = defaultdict(int)
    for item in demo_audit.work:
        for end in item.ends:
            ends[end.code] += end.count
    assert demo_audit.register is not None
    assert ends["failing"] == demo_audit.failing
    strange = sum(item.readings for item in demo_audit.work if item.task == "unexpected-value")
    assert ends["unknown"] + strange == demo_audit.register.unknown


@pytest.mark.parametrize("seed", range(5))
def test_numbers_are_found_as_in_a_dictionary(seed: int) -> None:
    dice = Random(seed)
    spread = dice.choice([1 << 10, 1 << 24, 1 << 63])
    numbers = sorted({dice.randrange(spread) << dice.choice([0, 1]) for _ in range(dice.choice([0, 1, 5, 3000]))})
    space = RegisterSpace(np.array(numbers, np.uint64), np.full(len(numbers), FARTHEST_TIME))
    asked = [dice.randrange(spread) for _ in range(3000)] + numbers
    place = {number: at for at, number in enumerate(numbers)}
    assert space.find(np.array(asked, np.uint64)).tolist() == [place.get(number, NOBODY) for number in asked]


# ── small sites ─────────────────────────────────────────────────────────────────────────────────

SMALL = """
[site]
name = "Brackwater Terminal"
time_zone = "Europe/Amsterdam"
as_of = 2026-03-31
[files.credentials]
path = "credentials.csv"
[files.readings]
path = "readings.csv"
[kinds.card]
namespace = "serial"
value = "decimal:32,10/fields:uid:32"
key = ["uid"]
[readers.gate]
kind = "card"
chain = "hex:8/fields:uid:32"
[readers.short]
kind = "card"
chain = "hex:8/keep-low:24/fields:uid:24"
"""
REGISTER = (
    "person_id", "credential_id", "kind", "value", "printed", "issue", "status", "valid_from", "valid_until",
    "replaces", "source",
)  # fmt: skip
SERIALS = Random(18).sample(range(1 << 32), 200)


def small_site(folder: Path, texts: list[tuple[str, str]], rows: list[tuple[int, str, str]], site: str = SMALL) -> Path:
    """A site with readings, a minute apart, and cards: each a serial number, a status and a last day."""
    (folder / "site.toml").write_text(site)
    with (folder / "credentials.csv").open("w", newline="") as file:
        out = csv.writer(file)
        out.writerow(REGISTER)
        for place, (serial, status, until) in enumerate(rows):
            out.writerow([f"P-{place}", f"C-{place}", "card", f"{serial:010d}", "", "", status, "", until, "", "east"])
    with (folder / "readings.csv").open("w", newline="") as file:
        out = csv.writer(file)
        out.writerow(["time", "reader", "text", "presentation", "expected"])
        for place, (reader, text) in enumerate(texts):
            day, minute = divmod(place, 1440)
            out.writerow([f"2026-03-{day + 2:02d}T{minute // 60:02d}:{minute % 60:02d}:00Z", reader, text, "", ""])
    return folder / "site.toml"


def turned(serial: int, order: str) -> str:
    """A serial number as a reader sends its four bytes in another order; bits by the width of 32."""
    bits = f"{serial:032b}"
    return {
        "reverse-bytes": serial.to_bytes(4, "little").hex().upper(),
        "reverse-bits": f"{int(bits[::-1], 2):08X}",
        "invert": f"{serial ^ 0xFFFFFFFF:08X}",
    }[order]


ACTIVE_CARDS = [(serial, "active", "") for serial in SERIALS]


@pytest.mark.parametrize("order", ["reverse-bytes", "reverse-bits", "invert"])
def test_a_reader_in_another_order_is_found_by_the_register_alone(tmp_path: Path, order: str) -> None:
    """Every text has the right form, and no check fails: only the register tells."""
    site = small_site(tmp_path, [("gate", turned(serial, order)) for serial in SERIALS], ACTIVE_CARDS)
    found = site_audit(site)
    item = items(found)["other-order", "gate"]
    assert (item.readings, item.sure) == (200, "likely")
    assert item.lines == ("[readers.gate]", f'chain = "hex:8/{order}/fields:uid:32"')
    assert [(each.task, each.readings) for each in found.work] == [("other-order", 200)]
    site.write_text(paste(site.read_text(), item.lines))
    after = site_audit(site)
    assert after.work == ()
    assert readers(after)["gate"].register == RegisterCount(active=200)


def test_a_reader_that_was_turned_for_two_days_has_periods(tmp_path: Path) -> None:
    serials = [SERIALS[place % 200] for place in range(5 * 1440)]
    texts = [
        ("gate", turned(serial, "reverse-bytes") if 1440 <= place < 3 * 1440 else f"{serial:08X}")
        for place, serial in enumerate(serials)
    ]
    site = small_site(tmp_path, texts, ACTIVE_CARDS)
    item = items(site_audit(site))["re-set", "gate"]
    assert item.readings == 2880
    moments = [line for line in item.lines if line.startswith(("from", "until"))]
    assert moments == [
        "until = 2026-03-03T01:00:00+01:00", "from = 2026-03-03T01:00:00+01:00", "until = 2026-03-05T01:00:00+01:00",
        "from = 2026-03-05T01:00:00+01:00",
    ]  # fmt: skip
    site.write_text(paste(site.read_text(), item.lines))
    assert site_audit(site).work == ()


def test_two_forms_side_by_side_have_no_lines(tmp_path: Path) -> None:
    texts = [
        ("gate", turned(serial, "reverse-bytes") if place % 2 else f"{serial:08X}")
        for place, serial in enumerate(SERIALS)
    ]
    item = items(site_audit(small_site(tmp_path, texts, ACTIVE_CARDS)))["two-settings", "gate"]
    assert (item.readings, item.lines) == (100, ())


def test_numbers_of_nobody_are_claimed_of_no_chain(tmp_path: Path) -> None:
    dice = Random(4)
    texts = [("gate", f"{dice.randrange(1 << 32):08X}") for _ in range(300)]
    found = site_audit(small_site(tmp_path, texts, ACTIVE_CARDS))
    (item,) = found.work
    assert (item.task, item.readings, item.lines) == ("strange-reader", 300, ())


def test_a_card_is_inactive_from_the_end_of_its_last_day(tmp_path: Path) -> None:
    """The day ends at midnight in Amsterdam, at 23:00 UTC: the readings are a minute apart from 2 March, 0:00 UTC."""
    cards = [(SERIALS[0], "active", "2026-03-02"), (SERIALS[1], "lost", ""), (SERIALS[2], "lost", "2026-03-03")]
    texts = [("gate", f"{SERIALS[place]:08X}") for _ in range(1440) for place in (0, 1, 2)]
    found = site_audit(small_site(tmp_path, texts, cards))
    # of 4,320 minutes every third: the first card's from minute 1,380, the third one's from minute 2,820
    expected = len(range(1380, 4320, 3)) + 1440 + len(range(2822, 4320, 3))
    assert found.register == RegisterCount(active=4320 - expected, inactive=expected)
    (item,) = found.work
    assert (item.credentials, item.people, item.evidence) == (3, 3, "2 'lost', 1 'expired'")


def test_a_chain_that_truncates_is_not_compared(tmp_path: Path) -> None:
    texts = [("short", f"{serial:08X}") for serial in SERIALS]
    found = site_audit(small_site(tmp_path, texts, ACTIVE_CARDS))
    assert readers(found)["short"].register == RegisterCount(not_compared=200)
    assert "200 not compared" in audit_text(found, UTC)


def test_without_a_site_the_chains_that_would_read_a_reader_are_named(tmp_path: Path) -> None:
    """26 bits with both parities wrong, as inverted or reversed lines give them; only one of the two readers is so."""
    path = tmp_path / "march.csv"
    frames = [hexed(12, number) for number in range(1, 60)]
    rows = [("gate", frame) for frame in frames] + [("dock", f"{int(frame, 16) ^ 0x3FFFFFF:08X}") for frame in frames]
    path.write_text("reader,text\n" + "".join(f"{reader},{text}\n" for reader, text in rows))
    done = run("audit", str(path), "--chain", "hex:8/right-justified:26/wiegand-26", "--time", "")
    assert "dock: another chain would read most failing readings" in done.stdout
    assert "hex:8/right-justified:26/invert/wiegand-26  (the lines are inverted)" in " ".join(done.stdout.split("\n"))


def test_many_failing_readers_are_one_item_beyond_the_first(tmp_path: Path) -> None:
    path = tmp_path / "march.csv"
    path.write_text("reader,text\n" + "".join(f"r{place},x\n" for place in range(50) for _ in range(place + 1)))
    done = run("audit", str(path), "--chain", "hex:8/right-justified:26/wiegand-26", "--time", "", "--details")
    assert "Other readers with readings that fail" in done.stdout
    assert "30 readers" in done.stdout


def test_parts_of_a_file_give_the_register_and_the_work_of_the_whole(demo: Demo, demo_audit: Audit) -> None:
    """The counts by the register, its samples and times are joined like all others; a plan is sent to each process."""
    site = load_site(demo.site)
    plan = AuditPlan(columns=ColumnNames(), clock=Clock(site.zone, local=site.readings.has_local_times), site=site)
    parts = cut_files([site.readings.path], pickle.loads(pickle.dumps(plan)), size=100_000)
    assert len(parts) > 5
    found = finish(merge(*(pickle.loads(pickle.dumps(partial(part, threads=0))) for part in parts)))
    assert (found.register, found.form_only) == (demo_audit.register, demo_audit.form_only)
    assert found.work == demo_audit.work
    assert [reader.register for reader in found.readers] == [reader.register for reader in demo_audit.readers]


@pytest.mark.parametrize(("lost", "cause"), [("first", "leading zeros are lost"), ("last", "one character short")])
def test_zeros_are_lost_only_of_numbers_that_the_register_has(lost: str, cause: str, tmp_path: Path) -> None:
    """Numbers of ten digits of which one is missing; without the register, some look as if a zero were lost."""
    site = SMALL.replace("hex:8/fields:uid:32", "decimal:32,10/fields:uid:32")
    serials = list(range(10**8, 10**9, 10**7 + 12_347))[:80]
    written = [f"{number:010d}"[1:] if lost == "first" else f"{number + 10**9:010d}"[:-1] for number in serials]
    rows = [(number + (lost == "last") * 10**9, "active", "") for number in serials]
    path = small_site(tmp_path, [("gate", text) for text in written], rows, site)
    (hints,) = readers(site_audit(path))["gate"].hints
    assert [(each.explains, each.text.endswith(cause)) for each in hints.causes] == [(hints.sampled, True)]


def test_a_reader_for_which_init_wrote_a_stand_in_has_no_chain_yet(tmp_path: Path) -> None:
    chain = f'chain = "{write_stand_in(["facility", "number"])}" # '
    readings = READINGS.splitlines()[0] + "\n" + "2026-03-14T07:50:03+01:00,gate; 7,no number,,\n" * 9
    path = write_site(tmp_path, SITE.replace('chain = "hex:6/fields', chain, 1), readings=readings)
    found = items(site_audit(path))
    assert ("failing", "gate; 7") not in found
    assert found["no-chain", "gate; 7"].readings == 9
