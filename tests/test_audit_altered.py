"""What a spreadsheet did to texts of an audit, and readers with one facility code: their items of work.

Rows are counted here again from the files, without credkit, or compared with the crosswalk, which judges each row.
"""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterable
from datetime import UTC
from pathlib import Path
from random import Random

import pytest

from credkit import chain
from credkit.audit import Audit, AuditPlan, Clock, ColumnNames, audit, cut_files, finish, merge, partial
from credkit.crosswalk import Crosswalk, crosswalk
from credkit.demo import Demo
from credkit.site import load_site
from credkit.work.items import WorkItem
from tests.amounts import amounts
from tests.test_audit_work import items

SERIALS = "decimal:32,10/uid-a-4"  # ten digits, zeros in front kept
LONG = "decimal:56/fields:number:56"  # up to 17 digits, no check


def rounded(number: int) -> str:
    """A number of 17 digits as a spreadsheet keeps it: 15 significant digits (IEEE 754 double precision)."""
    return f"{int(f'{number:.14e}'.replace('.', '').partition('e')[0]):015d}00"


def audit_texts(folder: Path, texts: Iterable[str], codec: str, reader: str = "gate") -> Audit:
    path = folder / "march.csv"
    path.write_text("reader,text\n" + "".join(f"{reader},{text}\n" for text in texts))
    return audit([path], AuditPlan(columns=ColumnNames(time=""), clock=Clock(UTC), codec=chain(codec)))


def item(found: Audit, task: str) -> WorkItem | None:
    return next((each for each in found.work if each.task == task), None)


def test_the_demo_has_each_altered_row_in_one_item(demo_audit: Audit, demo: Demo, demo_crosswalk: Crosswalk) -> None:
    with (demo.site.parent / "readings.csv").open(newline="") as file:
        rows = [(row["reader"], row["text"]) for row in csv.DictReader(file)]
    shortened = Counter(reader for reader, text in rows if "E+" in text)
    unled = Counter(reader for reader, text in rows if reader == "west-gate" and len(text) < 8 and text.isdecimal())
    assert sum(shortened.values()) == 6  # as planted (`credkit.demo.noise`)
    assert sum(unled.values()) == 14
    damage, doubt = item(demo_audit, "spreadsheet-damage"), item(demo_audit, "maybe-rounded")
    assert damage is not None
    assert doubt is not None
    assert (damage.subject, damage.sure, damage.readers) == ("readings.csv", "likely", 2)
    assert damage.readings == (shortened + unled).total()
    assert "14 without leading zeros, 6 with an exponent" in damage.evidence
    assert {each.count for each in damage.ends} == {20}
    quay = [text for reader, text in rows if reader == "quay" and len(text) == 26 and text[0] == "1"]
    assert doubt.readings == 35  # as planted; those of known cards end in zeros by chance
    assert doubt.readings <= sum(not text[15:].strip("0") for text in quay)
    told = sum(
        row.code == "spreadsheet-damage" and row.file == "readings.csv" for row in demo_crosswalk.exceptions
    )  # fmt: skip
    assert damage.readings + doubt.readings == told


def test_the_demo_has_its_reader_of_one_facility_code(demo_audit: Audit) -> None:
    found = items(demo_audit)
    crane = found["single-facility", "crane"]
    assert (crane.readings, crane.sure) == (180, "likely")  # as planted (`credkit.demo.noise`)
    assert "every number read has facility 12" in crane.evidence
    assert crane.evidence.endswith("known cards with facility 57")
    assert [subject for task, subject in found if task == "single-facility"] == ["crane"]
    unknown = sum(each.count for one in demo_audit.work for each in one.ends if each.code == "unknown")
    assert demo_audit.register is not None
    strange = item(demo_audit, "unexpected-value")
    assert unknown + (strange.readings if strange else 0) == demo_audit.register.unknown


def test_every_failing_row_of_the_demo_has_one_item(demo_audit: Audit) -> None:
    told = sum(each.count for one in demo_audit.work for each in one.ends if each.code == "failing")
    assert told == demo_audit.failing


def test_lost_zeros_and_exponents_are_counted_without_a_site(tmp_path: Path) -> None:
    texts = ["0123456789", "123456789", "4023456789", "23456789", "1.2E+09", "x"]
    found = audit_texts(tmp_path, [*texts, "123456789"], SERIALS)
    damage = item(found, "spreadsheet-damage")
    assert damage is not None
    assert (damage.subject, damage.readings) == (str(tmp_path / "march.csv"), 4)
    assert damage.evidence.startswith("3 without leading zeros, 1 with an exponent")
    left = item(found, "failing")
    assert left is not None
    assert left.readings == 1


def test_a_rounded_column_is_an_item(tmp_path: Path) -> None:
    dice = Random(26)
    whole = [str(dice.randrange(10**16, 7 * 10**16)) for _ in range(300)]
    found = audit_texts(tmp_path, [rounded(int(text)) for text in whole] * 2, LONG)
    assert found.good == 600
    damage = item(found, "spreadsheet-damage")
    assert damage is not None
    assert (damage.readings, damage.sure) == (600, "likely")
    assert damage.evidence.startswith("600 rounded to 15 digits")
    assert item(found, "maybe-rounded") is None


@amounts("columns", quick=10, whole=1000)
def test_whole_columns_are_not_called_rounded(columns: int, tmp_path: Path) -> None:
    """No claim about healthy numbers; none in 1,000 is fewer than 0.3 %, with a confidence of 95 %."""
    for seed in range(columns):
        dice = Random(seed)
        texts = [str(dice.randrange(10**15, 10**16)) for _ in range(dice.choice([20, 200, 2000]))]
        found = audit_texts(tmp_path, texts, LONG)
        assert [each.task for each in found.work] == ["nothing-checks"], seed


def test_what_is_typed_key_by_key_was_never_a_cell(demo: Demo, demo_audit: Audit) -> None:
    streamed = {reader.name for reader in load_site(demo.site).readers.values() if reader.stream}
    assert streamed
    damage = item(demo_audit, "spreadsheet-damage")
    assert damage is not None
    assert not any(f"{name} " in damage.evidence for name in streamed)


def test_files_cut_anywhere_have_the_same_items(tmp_path: Path) -> None:
    dice = Random(7)
    texts = [rounded(dice.randrange(10**16, 7 * 10**16)) if dice.random() < 0.3 else "12" for _ in range(400)]
    whole = audit_texts(tmp_path, texts, LONG)
    path = tmp_path / "march.csv"
    plan = AuditPlan(columns=ColumnNames(time=""), clock=Clock(UTC), codec=chain(LONG))
    parts = [partial(part, threads=0) for part in cut_files([path], plan, size=700)]
    assert len(parts) > 5
    assert finish(merge(*parts)).work == whole.work
    assert item(whole, "spreadsheet-damage") is not None


def test_settings_come_before_damage(demo_audit: Audit) -> None:
    """Texts that another chain explains are not called altered, whatever they look like."""
    assert ("other-order", "ferry") in items(demo_audit)
    damage = item(demo_audit, "spreadsheet-damage")
    assert damage is not None
    assert "ferry" not in damage.evidence


@pytest.mark.parametrize(("count", "task"), [(3, "strange-reader"), (5, "strange-reader"), (6, "single-facility")])
def test_few_unknown_numbers_show_no_single_facility_code(count: int, task: str, tmp_path: Path) -> None:
    """A few visitors' cards of one site have one facility code; a crosswalk needs six numbers to say more, too."""
    codec = "hex:6/fields:facility:8,number:16"
    (tmp_path / "site.toml").write_text(
        "[site]\nname = 'Brackwater Terminal'\nas_of = 2026-03-31\ntime_zone = 'Etc/UTC'\n"
        "[files.credentials]\npath = 'credentials.csv'\n"
        "[files.readings]\npath = 'readings.csv'\n[kinds.card]\nkey = ['facility', 'number']\n"
        f"value = '{codec}'\n[readers.gate]\nkind = 'card'\nchain = '{codec}'\n",
        encoding="utf-8",
    )
    known = "".join(f"P-{number},C-{number},card,active,{12 << 16 | number:06X}\n" for number in range(1, 100))
    (tmp_path / "credentials.csv").write_text(f"person_id,credential_id,kind,status,value\n{known}", encoding="utf-8")
    read = "".join(f"2026-03-30T08:00:{row:02}+00:00,gate,{77 << 16 | 9 * row + 5:06X}\n" for row in range(count))
    (tmp_path / "readings.csv").write_text(f"time,reader,text\n{read}", encoding="utf-8")
    site = load_site(tmp_path / "site.toml")
    plan = AuditPlan(columns=ColumnNames(), clock=Clock(site.zone), site=site)
    assert [each.task for each in audit([tmp_path / "readings.csv"], plan).work] == [task]
    told = {each.task for each in crosswalk(site).work}
    assert ("single-facility" in told) == (task == "single-facility")
