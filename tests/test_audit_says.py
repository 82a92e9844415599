"""What the audit says of what it counted: causes, expectations, notes, names, on the screen and on the page."""

from __future__ import annotations

import random
import shutil
from dataclasses import replace
from datetime import UTC, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl
import pytest

from credkit import chain
from credkit.audit import Audit, AuditPlan, Clock, ColumnNames, ReaderCount, audit, audit_text, encode_parquet
from credkit.demo import Demo
from credkit.report import report
from credkit.site import load_site
from tests.captures import CHAIN, START, Row, as_csv, hexed, word
from tests.pages import Page

ZONE = ZoneInfo("Europe/Amsterdam")


def captured(folder: Path, texts: list[str], written: str = CHAIN, name: str = "gate") -> Audit:
    rows = [Row((START + timedelta(minutes=place)).isoformat(), name, text) for place, text in enumerate(texts)]
    path = folder / "captures.csv"
    path.write_bytes(as_csv(rows))
    return audit([path], AuditPlan(columns=ColumnNames(), clock=Clock(UTC), codec=chain(written)))


def reader(found: Audit, name: str = "gate") -> ReaderCount:
    (one,) = [each for each in found.readers if each.name == name]
    return one


def screen(found: Audit) -> str:
    return " ".join(audit_text(found, ZONE).split())


@pytest.fixture(scope="module")
def page(demo_audit: Audit) -> Page:
    return Page(report(demo_audit, ZONE))


# ── causes ──────────────────────────────────────────────────────────────────────────────────────


def test_a_cause_that_explains_less_of_the_same_is_not_named(tmp_path: Path) -> None:
    """One inverted bit each: a shifted frame would explain some of them, by chance."""
    (hints,) = reader(captured(tmp_path, [hexed(12, number, number % 26) for number in range(60)])).hints
    assert [(each.cause, each.explains) for each in hints.causes] == [("flipped-bit", 8)]
    assert hints.advice == ""


def test_causes_have_their_counts_in_a_table(tmp_path: Path) -> None:
    found = captured(tmp_path, [hexed(12, number, number % 26) for number in range(60)])
    (tmp_path / "out.parquet").write_bytes(encode_parquet(found))
    (row,) = pl.read_parquet(tmp_path / "out.parquet").to_dicts()
    assert row["causes"] == ["one bit is flipped (8 of 8)"]


def test_a_cause_is_named_whole(tmp_path: Path) -> None:
    """A colon between bytes, in the sentence as in the texts."""
    plain = [hexed(12, number) for number in range(20)]
    texts = [":".join(text[at : at + 2] for at in range(0, len(text), 2)) for text in plain]
    (hints,) = reader(captured(tmp_path, texts)).hints
    assert [(each.cause, each.text) for each in hints.causes] == [("separator", "':' stands between bytes")]


def test_one_text_again_and_again(tmp_path: Path) -> None:
    found = captured(tmp_path, ["03FFFFFF"] * 418 + [hexed(1, 2)])
    assert "one text, 418 times: a line that is stuck, or a card that is tried again and again" in screen(found)
    two = captured(tmp_path, ["03FFFFFF", "03FFFFFE"] * 5)
    assert "2 texts, 10 times" in screen(two)
    assert not reader(captured(tmp_path, ["03FFFFFF", "03FFFFFE"])).hints


def test_wrong_lengths_are_named(tmp_path: Path) -> None:
    dice = random.Random(3)
    sizes = [37] * 20 + [34] * 10
    texts = ["".join(dice.choice("01") for _ in range(size)) for size in sizes]
    (hints,) = reader(captured(tmp_path, texts, "binary/wiegand-26")).hints
    assert {bits for bits, _ in hints.lengths} == {34, 37}
    assert sum(count for _, count in hints.lengths) == hints.sampled == 8
    assert "Wrong lengths: 37 bits (" in screen(captured(tmp_path, texts, "binary/wiegand-26"))


def test_good_rows_of_a_reader_that_shifts_every_frame_are_doubted(tmp_path: Path) -> None:
    """Every frame lost its first bit and got a zero behind: some pass both parities all the same."""
    dice = random.Random(4)
    texts = [f"{word(dice.randrange(256), dice.randrange(65536)) << 1 & 0x3FFFFFF:08X}" for _ in range(400)]
    found = captured(tmp_path, texts)
    assert 50 < reader(found).good < 200
    said = f"At this failure rate, its {reader(found).good} good rows may be wrong too"
    assert said in screen(found)
    assert any(said in paragraph for paragraph in Page(report(found, ZONE)).paragraphs)
    few = captured(tmp_path, [hexed(1, number, *[3] * (number % 50 == 0)) for number in range(400)])
    assert "may be wrong too" not in screen(few)


def test_what_a_site_expects_decides_between_causes(demo_audit: Audit) -> None:
    """The demo inverts quay's lines for two days; reversed bits would make facility codes that nobody has."""
    (hints,) = reader(demo_audit, "quay").hints
    assert [each.cause for each in hints.causes] == ["inverted"]
    assert hints.advice == "Causes that would give a value that the site does not expect are left out."


# ── what is expected, and notes ─────────────────────────────────────────────────────────────────


def test_rows_with_values_that_are_not_expected_are_counted(demo_audit: Audit, demo: Demo, page: Page) -> None:
    """By reading the demo's rows one by one."""
    from csv import DictReader

    codec, expected = chain("hex:8/right-justified:26/wiegand-26"), {12, 40, 57}
    with (demo.site.parent / demo_audit.files[0].name).open(encoding="utf-8", newline="") as file:
        texts = [row["text"] for row in DictReader(file) if row["reader"] == "east-gate"]
    values = [codec._decode_raw(text) for text in texts]
    strange = sum(value is not None and value["facility"] not in expected for value in values)
    assert strange > 5
    (note,) = [each for each in reader(demo_audit, "east-gate").notes if each.kind == "unexpected-value"]
    assert (note.rows, note.codec, note.level) == (strange, "harbour-card", "care")
    assert f"{strange} unexpected-value of harbour-card (east-gate {strange})" in screen(demo_audit)
    assert page.table("Notes").row("unexpected-value")[1:4] == ["harbour-card", str(strange), "east-gate"]


def test_numbers_that_must_not_serve_are_on_the_screen_with_their_readers(demo_audit: Audit, page: Page) -> None:
    assert "9 random-serial of uid-a-4 (office 9); must not serve as a credential number: first byte 08" in screen(
        demo_audit
    )
    row = page.table("Notes").row("random-serial")
    assert row[1:4] == ["uid-a-4", "9", "office"]
    assert row[4].startswith("Must not serve as a credential number: first byte 08: drawn anew")


def test_what_streams_join_is_compared_with_what_is_expected(demo: Demo, demo_audit: Audit, tmp_path: Path) -> None:
    """Nobody's issue is 99, so every good row of the stripes is strange."""
    site = shutil.copytree(demo.folder, tmp_path / "brackwater") / demo.site.name
    text = site.read_text()
    site.write_text(text.replace('issue = "issue"\n', 'issue = "issue"\nexpect = { issue = [99] }\n', 1))
    described = load_site(site)
    found = audit(
        [described.readings.path], AuditPlan(columns=ColumnNames(), clock=Clock(described.zone), site=described)
    )
    for name in ("time-clock", "kiosk", "desk-stripe"):
        kinds = {each.kind: each.rows for each in reader(found, name).notes}
        assert kinds["unexpected-value"] == reader(found, name).good == reader(demo_audit, name).good


def test_both_say_what_the_crosswalk_does(demo_audit: Audit, page: Page) -> None:
    for said in (screen(demo_audit), " ".join(page.paragraphs)):
        assert "Numbers were compared with the register. Who holds a card" in said
        assert "credkit crosswalk SITE --out DIRECTORY" in said
        assert "contradict" not in said


def test_what_is_not_a_check_of_a_value_is_explained(demo_audit: Audit, page: Page) -> None:
    assert "25 fail one-entry of stream, the rows do not form exactly one entry" in screen(demo_audit)
    assert "the rows do not form exactly one entry" in page.table("What the failing").row("one-entry")
    assert any("a start sentinel ';' fails" in paragraph for paragraph in page.paragraphs)


# ── names ───────────────────────────────────────────────────────────────────────────────────────


def test_rows_without_a_reader_are_not_all_rows(tmp_path: Path) -> None:
    path = tmp_path / "captures.csv"
    rows = [Row(START.isoformat(), name, hexed(1, 2, *flips)) for name, flips in (("", [3]), ("gate", []), ("", []))]
    path.write_bytes(as_csv(rows))
    found = audit([path], AuditPlan(columns=ColumnNames(), clock=Clock(UTC), codec=chain(CHAIN)))
    assert "reader (empty): 50.0 % of 2 rows fail" in screen(found)
    assert "no column" not in screen(found)
    assert "Excluded, because they fail too often for single bit errors: (empty)." in screen(found)
    assert Page(report(found, ZONE)).table("Readers").row("(empty)")[1] == "2"
    alone = audit([path], AuditPlan(columns=ColumnNames(reader=""), clock=Clock(UTC), codec=chain(CHAIN)))
    assert "All rows: 33.3 % of 3 rows fail" in screen(alone)


def test_long_names_can_be_told_apart(tmp_path: Path) -> None:
    names = [f"Terminal 3 / Hall {number} / turnstile on the lower deck, river side, lower deck" for number in range(9)]
    path = tmp_path / "captures.csv"
    path.write_bytes(as_csv([Row(START.isoformat(), name, hexed(1, 2)) for name in names]))
    found = audit([path], AuditPlan(columns=ColumnNames(), clock=Clock(UTC), codec=chain(CHAIN)))
    text = audit_text(found, ZONE)
    assert all(len(line) <= 80 for line in text.splitlines())
    for name in names:
        assert name in screen(found).replace(" 1 0 0.0 0 0 1", "").replace(" 1 0 0.0 0 0 0", "")


def test_readers_left_out_are_named(demo_audit: Audit) -> None:
    few = replace(demo_audit.blind[0], apart=("a", "b", "c", "d"))
    many = replace(demo_audit.blind[0], apart=tuple(f"gate-{number}" for number in range(30)))
    assert "single bit errors: a, b, c, d." in screen(replace(demo_audit, blind=(few,)))
    assert "gate-0, gate-1" in screen(replace(demo_audit, blind=(many,)))
    assert "and 22 others." in screen(replace(demo_audit, blind=(many,)))
