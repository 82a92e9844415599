"""The report: every number is the summary's, everything is escaped, it needs nothing else, and it prints."""

from __future__ import annotations

import hashlib
import itertools
import os
import re
import shutil
import stat
import subprocess
import sys
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit import DefinitionError, chain
from credkit.audit import Audit, AuditPlan, Clock, ColumnNames, audit
from credkit.audit.causes import MOST_READERS_DIAGNOSED
from credkit.audit.failure_rates import rank_failing
from credkit.audit.sentences import format_percent
from credkit.audit.summary import TimeCounts
from credkit.audit.worktext import describe_verdict
from credkit.demo import Demo
from credkit.demo.report import demo_report
from credkit.files.digests import sha256
from credkit.report import MARK, pin_file, report
from credkit.report.charts import draw_bars, scale_end
from credkit.report.page import CAUTIONS, MOST_READERS_LISTED
from credkit.report.steps import MOST_STEPS as MOST_STEPS
from credkit.report.steps import choose_steps
from tests.captures import CHAIN, START, Row, as_csv, counted, hexed, made
from tests.commandline import run
from tests.pages import Page
from tests.progress import RecordedProgress
from tests.sentences import refusal

ACCOUNT = "4114360123456785"  # the WHATWG HTML standard's autofill example
MADE = datetime(2026, 4, 1, 9, 30, tzinfo=UTC)
ZONE = ZoneInfo("Europe/Amsterdam")
NASTY = (
    '<script>alert("1")</script>', '"><img src=x onerror=alert(1)>', "gate\u202egnp.exe", "</style><b>", "{{ audit }}",
    f"card {ACCOUNT}", "Tor Süd 門", "<!--", "&amp;",
)  # fmt: skip


def plan(written: str = CHAIN) -> AuditPlan:
    return AuditPlan(columns=ColumnNames(), clock=Clock(UTC), codec=chain(written))


def audited(folder: Path, rows: list[Row], name: str = "captures.csv", written: str = CHAIN) -> Audit:
    path = folder / name
    path.write_bytes(as_csv(rows))
    return audit([path], plan(written), digests=True)


@pytest.fixture(scope="module")
def text(demo_audit: Audit, demo: Demo) -> str:
    return report(demo_audit, ZONE, described=[pin_file(demo.site)], made=MADE)


@pytest.fixture(scope="module")
def page(text: str) -> Page:
    return Page(text)


@pytest.fixture(scope="module")
def mixed(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[Row], Audit]:
    rows = made(3000, seed=5)
    return rows, audited(tmp_path_factory.mktemp("mixed"), rows)


def n(number: int) -> str:
    return f"{number:,}"


# ── numbers ─────────────────────────────────────────────────────────────────────────────────────


def test_counts_are_the_summarys_and_add_up(demo_audit: Audit, page: Page) -> None:
    assert demo_audit.rows == demo_audit.good + demo_audit.failing + demo_audit.unreadable > 10_000
    rows, good, failing, bad = map(n, (demo_audit.rows, demo_audit.good, demo_audit.failing, demo_audit.unreadable))
    told = f"{rows} rows = {good} good + {failing} failing + {bad} unreadable"
    assert told in page.paragraphs
    files = page.table("Files")
    for file, row in zip(demo_audit.files, files.rows[1:], strict=False):
        assert row[1:] == [n(file.rows), n(file.good), n(file.failing), n(file.unreadable)]
        assert row[0].startswith(file.name)
        assert n(file.size) in row[0]
    assert files.rows[-1] == ["all", rows, good, failing, bad]


def test_numbers_of_readers_are_the_summarys(demo_audit: Audit, page: Page) -> None:
    table = page.table("Readers")
    for each in demo_audit.readers:
        assert table.row(each.name) == [
            each.name, n(each.rows), n(each.good), n(each.failing), format_percent(each.share), "", n(each.form_only),
            *map(n, (each.register.unknown, each.register.inactive) if each.register else ()), n(each.repeated),
            n(each.only_here or 0),
        ]  # fmt: skip
    assert len(table.rows) == len(demo_audit.readers) + 2
    columns = list(zip(*table.rows[1:-1], strict=True))
    for place in (1, 2, 3, 6):
        assert sum(int(cell.replace(",", "")) for cell in columns[place]) == int(table.rows[-1][place].replace(",", ""))


def test_numbers_of_a_page_are_those_of_plain_counting(mixed: tuple[list[Row], Audit]) -> None:
    """The counting of tests/captures.py knows nothing of credkit."""
    rows, found = mixed
    expected = counted(rows)
    page = Page(report(found, UTC, made=MADE))
    table = page.table("Readers")
    for name, one in expected.items():
        assert table.row(name)[1:4] == [n(one.rows), n(one.good), n(one.rows - one.good)]
        assert table.row(name)[7] == n(one.repeated)
    why = page.table("What the failing rows fail")
    assert why.row("even-parity")[2] == n(sum(one.even for one in expected.values()))
    assert why.row("odd-parity")[2] == n(sum(one.odd for one in expected.values()))
    assert sum(int(row[1].replace(",", "")) for row in why.rows[1:-1]) == found.failing
    days = page.table("Rows in each")
    wrong = Counter[str]()
    total = Counter[str]()
    good = {row.text for row in rows} - failing_texts(rows)
    step = timedelta(hours=1)
    first = START.replace(hour=0) + (START - START.replace(hour=0)) // step * step
    for row in rows:
        at = first + (datetime.fromisoformat(row.time) - first) // step * step
        total[f"{at:%Y-%m-%d %H:%M}"] += 1
        wrong[f"{at:%Y-%m-%d %H:%M}"] += row.text not in good
    assert days.caption == "Rows in each hour"
    assert {row[0]: (int(row[1].replace(",", "")), int(row[2])) for row in days.rows[1:]} == {
        at: (count, wrong[at]) for at, count in total.items()
    }


def failing_texts(rows: list[Row]) -> set[str]:
    """By plain counting of one row at a time."""
    return {text for text in {row.text for row in rows} if not counted([Row(rows[0].time, "x", text)])["x"].good}


def test_checks_changes_and_causes_of_the_worst_readers(demo_audit: Audit, page: Page, text: str) -> None:
    quay = next(each for each in demo_audit.readers if each.name == "quay")
    tables = [table for table in page.tables if table.caption.startswith("What rows of ")]
    assert len(tables) == MOST_READERS_DIAGNOSED < sum(bool(each.failing) for each in demo_audit.readers)
    (of_quay,) = [table for table in tables if table.rows[-1][1] == n(quay.failing)]
    for tally in quay.tallies:
        row = of_quay.row(tally.rule)
        assert row[1:4] == [n(tally.first), n(tally.rows), tally.codec]
    assert sum(tally.first for tally in quay.tallies) == quay.failing
    assert quay.changes
    for change in quay.changes:
        local = f"{change.since.astimezone(ZONE):%Y-%m-%d %H:%M} (Europe/Amsterdam)"
        before = f"since {local}: failure rate {format_percent(change.before)} % before"
        assert any(before in paragraph for paragraph in page.paragraphs)
    assert text.count('class="change"') == sum(len(each.changes) for each in demo_audit.readers)
    assert any("the lines are inverted" in paragraph for paragraph in page.paragraphs)


def test_chains_formats_and_what_no_check_sees(demo_audit: Audit, page: Page) -> None:
    chains = page.table("Chains")
    assert [(row[0], row[1]) for row in chains.rows[1:-1]] == [
        (f"{each.stream}, then {each.name}" if each.stream else each.name, n(each.rows)) for each in demo_audit.chains
    ]
    assert chains.row("swipes:hex, then binary/track-2-bits/staff-stripe")[1:] == ["91", "time-clock"]
    assert chains.row("binary/track-2-bits/staff-stripe")[1:] == ["285", "kiosk"]
    assert chains.row("keypad:hex:1/keypad-4, then template:{number:06d}")[1:] == ["914", "lockers"]
    assert sum(each.rows for each in demo_audit.chains) == sum(each.rows for each in demo_audit.readers)
    formats = page.table("Formats")
    assert "SIA AC-01 (1996)" in formats.row("wiegand-26")[2]
    assert formats.row("crane-frame")[2] == "the site's own"
    assert formats.row("keypad:hex:1/keypad-4")[1].startswith("key bursts joined to what was typed")
    assert (
        "yard: its clock is 200 s ahead; until 2026-03-14 12:00 split-decimal:8,16/fields:facility:8,number:16; "
        "from 2026-03-14 12:00 hex:6/fields:facility:8,number:16"
    ) in page.paragraphs
    blind = page.table("Inverted bits")
    for each in demo_audit.blind:
        assert blind.row(each.layout)[1:8] == [
            n(each.length), n(each.unseen), n(each.pairs), n(each.passing), format_percent(each.passing / each.pairs),
            n(each.frames), n(each.failed),
        ]  # fmt: skip
    assert blind.row("wiegand-26")[3:5] == ["325", "156"]  # docs/audit.md; counted over all pairs in test_audit.py


def test_an_example_is_drawn_and_fails_what_most_rows_fail(demo_audit: Audit, page: Page) -> None:
    quay = next(each for each in demo_audit.readers if each.name == "quay")
    assert quay.example is not None
    reading = chain(quay.example.chain).inspect(quay.example.text)
    assert reading.failed is not None
    assert reading.failed.rule == max(quay.tallies, key=lambda tally: tally.first).rule
    assert [picture.form for picture in quay.example.pictures] == ["text", "bits"]
    assert any(quay.example.text in label.get("aria-label", "") for label in page.all("svg"))


def test_more_readers_than_a_table_holds_are_added_up(tmp_path: Path) -> None:
    count = MOST_READERS_LISTED + 30
    rows = [
        Row((START + timedelta(seconds=3 * i)).isoformat(), f"gate-{i % count}", hexed(1, i, *[0] * (i % 7 == 0)))
        for i in range(4 * count)
    ]  # fmt: skip
    found = audited(tmp_path, rows)
    table = Page(report(found, UTC, made=MADE)).table("Readers")
    assert len(table.rows) == 1 + MOST_READERS_LISTED + 1 + 1
    assert table.rows[-2][0] == "30 other readers, failing less often"
    for place in (1, 2, 3):
        assert sum(int(row[place].replace(",", "")) for row in table.rows[1:-1]) == (
            found.rows, found.good, found.failing
        )[place - 1]  # fmt: skip


def test_a_good_file_and_one_without_columns(tmp_path: Path) -> None:
    path = tmp_path / "one.csv"
    path.write_text(f"text\n{hexed(1, 2)}\n")
    way = AuditPlan(columns=ColumnNames(reader="", time=""), clock=Clock(UTC), codec=chain(CHAIN))
    page = Page(report(audit([path], way), UTC, made=MADE))
    assert "1 rows = 1 good + 0 failing + 0 unreadable" in page.paragraphs
    assert "1 of 1 reading passes a check, nothing to do." in page.paragraphs
    assert page.table("Readers").row("(no column)")[1] == "1"
    assert not [title for _, title in page.headings if title == "Failures over time"]
    assert any(paragraph.startswith("Times: there is no column") for paragraph in page.paragraphs)
    assert "no digest was asked for" in page.table("Files").rows[1][0]


def test_rows_and_files_that_are_wrong_are_told(tmp_path: Path) -> None:
    path = tmp_path / "short.csv"
    path.write_text(f"time,reader,text\n2026-03-01T08:00:00Z,gate,{hexed(1, 2)}\n1,2\n" + "x,y\n" * 20)
    found = audit([path], plan(), digests=True)
    broken = replace(found, files=(replace(found.files[0], ended="short.csv: its data ends too early"),))
    page = Page(report(broken, UTC, made=MADE))
    assert "1 rows" not in page.paragraphs
    assert any(paragraph.startswith("Not to its end: short.csv") for paragraph in page.paragraphs)
    assert any("line 3: the row has 2 cells, expected 3" in paragraph for paragraph in page.paragraphs)
    assert any(paragraph.startswith("and 11 more in") for paragraph in page.paragraphs)
    assert any(paragraph.startswith("21 unreadable rows: ") for paragraph in page.paragraphs)


# ── digests ─────────────────────────────────────────────────────────────────────────────────────


def test_the_digest_of_a_published_example(tmp_path: Path) -> None:
    """FIPS 180-4's example for SHA-256: the message abc."""
    (tmp_path / "abc").write_bytes(b"abc")
    assert sha256(tmp_path / "abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_digests_are_those_of_the_files(demo_audit: Audit, page: Page, demo: Demo) -> None:
    for path in (demo.site.parent / demo_audit.files[0].name, demo.site):
        data = path.read_bytes()
        told = hashlib.sha256(data).hexdigest()
        assert any(told in text for text in (page.table("Files").rows[1][0], *page.paragraphs))
        assert any(f"{len(data):,} bytes" in text for text in (page.table("Files").rows[1][0], *page.paragraphs))


def test_a_file_that_changes_has_no_digest(tmp_path: Path) -> None:
    path = tmp_path / "captures.csv"
    path.write_bytes(as_csv(made(50)))

    def changed(count: int) -> None:
        with path.open("ab") as file:
            file.write(b"\n")

    found = audit([path], plan(), digests=True, progress=RecordedProgress(changed))
    assert found.files[0].digest == ""
    page = Page(report(found, UTC, made=MADE))
    assert "no digest: the file changed while it was read" in page.table("Files").rows[1][0]
    assert any("changed while being read" in paragraph for paragraph in page.paragraphs)


def test_a_file_whose_time_is_set_back_has_no_digest(tmp_path: Path) -> None:
    path = tmp_path / "captures.csv"
    path.write_bytes(as_csv(made(50)))
    before = path.stat()

    def changed(count: int) -> None:
        with path.open("r+b") as file:
            file.seek(-2, os.SEEK_END)
            file.write(b"Z")
        os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))

    assert audit([path], plan(), digests=True, progress=RecordedProgress(changed)).files[0].digest == ""


def test_without_a_report_nothing_is_read_twice(tmp_path: Path) -> None:
    path = tmp_path / "captures.csv"
    path.write_bytes(as_csv(made(50)))
    for digests in (False, True):
        told = RecordedProgress()
        assert bool(audit([path], plan(), digests=digests, progress=told).files[0].digest) is digests
        names = ["reading the files", *(["computing digests"] if digests else []), "looking for causes and changes"]
        assert told.names == [f"{place}/{len(names)} {name}" for place, name in enumerate(names, 1)]
        for phase, counts in list(zip(told.phases, told.counts, strict=True))[:-1]:
            assert phase.total == counts[-1] == path.stat().st_size
        told.verify()


# ── what comes from outside ─────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("nasty", NASTY)
def test_names_and_texts_from_files_are_escaped_and_masked(tmp_path: Path, nasty: str) -> None:
    rows = [Row((START + timedelta(seconds=i)).isoformat(), nasty, f"{nasty} {'abcde'[i]}") for i in range(5)]
    rows.append(Row(START.isoformat(), nasty, hexed(1, 2)))
    found = audited(tmp_path, rows, "a&b<i>.csv")
    text = report(replace(found, site=nasty), UTC, made=MADE)
    page = Page(text)
    tags = {tag for tag, _ in page.elements}
    assert not tags & {"script", "img", "i", "iframe", "link", "object", "embed", "form", "input"}
    assert not any(name.startswith("on") for _, attributes in page.elements for name in attributes)
    assert "\u202e" not in text
    assert ACCOUNT not in text
    name = page.table("Readers").rows[1][0]
    if ACCOUNT in nasty:
        assert name == "card 411436******6785"
    else:
        assert name == nasty.replace("\u202e", "\\u202e")
    assert any(name in title for _, title in page.headings)


def test_nothing_outside_is_named_and_nothing_runs(text: str, page: Page) -> None:
    assert not re.search(r"https?:|//[a-z]|@import|url\(", text)
    assert not {tag for tag, _ in page.elements} & {"script", "link", "img", "iframe", "object", "base", "form"}
    for _, attributes in page.elements:
        assert not attributes.keys() & {"src", "srcset", "action", "data", "background"}
        assert attributes.get("href", "#").startswith("#")
    (policy,) = [each["content"] for each in page.all("meta") if each.get("http-equiv") == "Content-Security-Policy"]
    assert policy == "default-src 'none'; style-src 'unsafe-inline'"


def test_payment_data_of_examples_is_hidden(tmp_path: Path) -> None:
    """A letter behind the number of the WHATWG's example, so that the text fails."""
    rows = [Row((START + timedelta(seconds=i)).isoformat(), "gate", f"{ACCOUNT} {'abcde'[i]}") for i in range(5)]
    found = audited(tmp_path, rows, written="decimal:56/fields:number:56")
    text = report(found, UTC, made=MADE)
    assert found.failing == 5
    assert found.readers[0].example is not None
    drawn = "".join("".join(picture.units) for picture in found.readers[0].example.pictures)
    for place in range(len(ACCOUNT) - 6):
        assert ACCOUNT[place : place + 7] not in found.readers[0].example.text + drawn
    assert ACCOUNT not in text


# ── what is signed ──────────────────────────────────────────────────────────────────────────────


def test_the_sheet_that_is_signed_says_what_is_signed(demo_audit: Audit, demo: Demo, text: str) -> None:
    signing = text.partition('<section class="signing"')[2]
    for path in (demo.site, demo.site.parent / demo_audit.files[0].name):
        assert hashlib.sha256(path.read_bytes()).hexdigest() in signing
    assert "Audit of card readings: Brackwater Terminal, made on 2026-04-01 11:30 (Europe/Amsterdam)" in signing
    assert f"{n(demo_audit.rows)} rows = {n(demo_audit.good)} good" in signing


def test_the_digest_over_all_files_is_that_of_their_list(tmp_path: Path) -> None:
    """coreutils' sha256sum is the outside: it writes the list, and its digest."""
    if not (tool := shutil.which("sha256sum")):
        pytest.skip("sha256sum is not here")
    names = []
    for number in range(12):
        path = tmp_path / f"gate {number}.csv"
        path.write_bytes(as_csv(made(20, seed=number)))
        names.append(str(path))
    found = audit([Path(name) for name in names], plan(), digests=True)
    listed = subprocess.run([tool, *names], capture_output=True, check=True).stdout
    expected = hashlib.sha256(listed).hexdigest()
    signing = report(found, UTC, made=MADE).partition('<section class="signing"')[2]
    assert expected in signing
    assert "and 4 more, under What was read" in signing
    assert f"<code>{CHAIN}</code>" in signing
    undigested = replace(found, files=(*found.files[1:], replace(found.files[0], digest="")))
    assert "no digest, since a file has none" in report(undigested, UTC, made=MADE)


def test_every_sheet_names_the_site_and_the_date(text: str, demo_audit: Audit) -> None:
    (running,) = re.findall(r'@bottom-left \{ content: "([^"]*)"', text)
    said = re.sub(r"\\([0-9a-f]{6})", lambda found: chr(int(found[1], 16)), running)
    assert said == "Audit of card readings: Brackwater Terminal, 2026-04-01 11:30 (Europe/Amsterdam)"
    nasty = report(replace(demo_audit, site='</style>"} * { x: url(y)\\'), ZONE, made=MADE)
    assert re.findall(r'@bottom-left \{ content: "([^"]*)"', nasty)
    assert "url(" not in nasty.partition("<style>")[2].partition("</style>")[0]


def test_a_reader_of_unknown_cards_is_not_perfect_on_the_first_page(page: Page, text: str, demo_audit: Audit) -> None:
    """The ferry's 640 texts all have the right form, which nothing checks, and none is a number of the register."""
    result = Page("<h2>" + text.partition('id="result">')[2].partition("<h2")[0])
    assert f"{describe_verdict(demo_audit)}." in result.paragraphs
    assert "of unknown cards" in describe_verdict(demo_audit)
    assert any("have the right form and nothing to check" in each for each in result.paragraphs)
    assert "ferry sends its bits in another order than declared" in text.partition('id="work"')[0]
    columns = page.table("Readers").rows[0]
    ferry = dict(zip(columns, page.table("Readers").row("ferry"), strict=True))
    assert (ferry["rows"], ferry["failing"], ferry["form"], ferry["unknown"]) == ("640", "0", "640", "640")
    signed = text.partition('id="signatures"')[2]
    assert "of unknown cards" in signed


def test_a_file_that_is_not_read_to_its_end_is_in_the_result(demo_audit: Audit) -> None:
    broken = replace(demo_audit, files=(replace(demo_audit.files[0], ended="its data ends too early"),))
    result = report(broken, ZONE, made=MADE).partition('id="result"')[2].partition("<h2")[0]
    assert "Not to its end:</b> its data ends too early" in result


def test_few_rows_do_not_put_a_reader_first(demo_audit: Audit, text: str) -> None:
    """Quay's two days outweigh 8 failing rows of the time clock, though its share is smaller."""
    result = text.partition('id="result"')[2].partition("<h2")[0]
    assert "quay" in result
    assert "time-clock" not in result.partition("quay")[0]
    names = [each.name for each in rank_failing(demo_audit.readers)]
    assert names.index("quay") < names.index("time-clock")
    assert [each.name for each in demo_audit.readers if each.example] == [
        each.name for each in demo_audit.readers if each.failing and not each.stream
    ]  # fmt: skip


# ── structure ───────────────────────────────────────────────────────────────────────────────────


def test_the_page_can_be_found_ones_way_in(page: Page) -> None:
    levels = [level for level, _ in page.headings]
    assert levels.count(1) == 1
    assert levels[0] == 1
    assert all(next_level <= level + 1 for level, next_level in itertools.pairwise(levels))
    ids = [attributes["id"] for _, attributes in page.elements if "id" in attributes]
    assert len(ids) == len(set(ids))
    for _, attributes in page.elements:
        if "href" in attributes:
            assert attributes["href"][1:] in ids
        if "aria-labelledby" in attributes:
            assert attributes["aria-labelledby"] in ids
    assert all(table.caption for table in page.tables)
    assert all(attributes.get("scope") in ("col", "row") for attributes in page.all("th"))
    assert all(each.get("aria-label") or each.get("aria-hidden") for each in page.all("svg"))
    assert page.all("html") == [{"lang": "en"}]
    assert next(each["href"] for each in page.all("a")) == "#main"
    widths = [{len(row) for row in table.rows} for table in page.tables]
    assert all(len(each) == 1 for each in widths), "every row of a table has a cell in every column"


def test_cautions_signatures_and_what_was_not_checked(page: Page, text: str) -> None:
    for caution in CAUTIONS:
        assert caution in page.paragraphs
    assert "site secure" not in text.lower()
    assert any("Data checked" in paragraph for paragraph in page.paragraphs)
    assert any("personal data" in caution for caution in CAUTIONS)
    for word in ("Name", "Place and date", "Signature"):
        assert page.paragraphs.count(word) == 2
    titles = [title for _, title in page.headings]
    assert titles.index("What was not checked") < titles.index("Before you use this") < titles.index("Signatures")
    assert any(
        each.startswith("5,771 rows by chains without any check (split-decimal:8,16/fields:facility:8,number:16, ")
        and "template:{number:06d}" in each
        for each in page.paragraphs
    )  # yard 2,513, linkspan 60, serial numbers 2,204 of four bytes and 80 of seven, lockers 914
    assert any("compared with the register" in each and "credkit crosswalk SITE" in each for each in page.paragraphs)


def test_it_prints_and_has_a_dark_side(text: str) -> None:
    style = text.partition("<style>")[2].partition("</style>")[0]
    assert re.search(r"@page \{ size: A4;", style)
    printed = style.partition("@media print {")[2]
    assert "break-inside: avoid" in printed
    assert "@media (prefers-color-scheme: dark)" in style
    used, declared = set(re.findall(r"var\((--[a-z]+)", text)), set(re.findall(r"(--[a-z]+):", style))
    assert used <= declared
    for side in (style.partition("}")[0], style.partition("dark) {")[2].partition("}")[0], printed):
        assert set(re.findall(r"(--[a-z]+):", side)) == declared


def test_when_and_with_what(page: Page, demo_audit: Audit) -> None:
    assert "2026-04-01 11:30 (Europe/Amsterdam)" in page.paragraphs
    assert any(
        f"credkit {demo_audit.version}, Python {sys.version.split()[0]}, polars {pl.__version__}" in p
        for p in page.paragraphs
    )


# ── time ────────────────────────────────────────────────────────────────────────────────────────


def counts(starts: list[int], seconds: int = 600) -> TimeCounts:
    return TimeCounts(seconds=seconds, starts=tuple(starts), rows=(3,) * len(starts), failing=(1,) * len(starts))


def test_days_begin_at_midnight_and_follow_the_clocks() -> None:
    """Clocks in Amsterdam went forward on 2026-03-29: that day has 23 hours (European directive 2000/84/EC)."""
    first = int(datetime(2026, 3, 1, 6, tzinfo=ZONE).timestamp())
    last = int(datetime(2026, 3, 31, 20, tzinfo=ZONE).timestamp())
    found = choose_steps([counts([first, last])], ZONE)
    assert found is not None
    assert found.name == "day"
    assert [found.label(place) for place in (0, 28, 30)] == ["2026-03-01", "2026-03-29", "2026-03-31"]
    lengths = [after - before for before, after in zip(found.edges, found.edges[1:], strict=False)]
    assert [day + 1 for day, length in enumerate(lengths) if length != 86400] == [29]
    assert lengths[28] == 23 * 3600
    assert found.place(datetime(2026, 3, 2, 12, tzinfo=ZONE)) == 1.5


@given(
    st.lists(st.integers(0, 20 * 365 * 144), min_size=1, max_size=60, unique=True),
    st.sampled_from([UTC, ZONE, ZoneInfo("Asia/Kathmandu"), ZoneInfo("America/St_Johns")]),
)
def test_steps_lose_no_row(places: list[int], zone: ZoneInfo) -> None:
    each = counts(sorted(1_700_000_400 // 600 * 600 + 600 * place for place in places))
    found = choose_steps([each], zone)
    assert found is not None
    assert 1 <= len(found) <= MOST_STEPS + 1
    rows, failing = found.count([each])
    assert (sum(rows), sum(failing)) == (3 * len(places), len(places))
    for start in each.starts:
        place = next(i for i in range(len(found)) if found.edges[i] <= start < found.edges[i + 1])
        assert rows[place] >= 3
    assert list(found.edges) == sorted(set(found.edges))


@pytest.mark.parametrize("seconds", [3600, 86400, 7 * 86400])
def test_counts_that_are_coarse_are_not_cut_finer(seconds: int) -> None:
    found = choose_steps([counts([1_772_323_200, 1_772_323_200 + seconds], seconds)], UTC)
    assert found is not None
    assert min(b - a for a, b in zip(found.edges, found.edges[1:], strict=False)) >= seconds
    assert choose_steps([TimeCounts()], UTC) is None


@given(st.floats(1e-6, 1e12))
def test_a_scale_holds_what_it_shows(largest: float) -> None:
    found = scale_end(largest)
    assert largest <= found * 1.000001
    assert found <= 2.6 * largest or found == 1
    assert f"{found:.0e}"[0] in "125"


def test_bars_are_as_high_as_their_values() -> None:
    """A quarter, nothing, no row, and all of it."""
    drawn = draw_bars([25, 0, None, 100], 100, "said <b>", [1.5])
    found = re.findall(r'<rect x="([0-9.]+)" y="([0-9.]+)" width="0.84" height="([0-9.]+)"', drawn)
    assert found == [("0.08", "75", "25"), ("1.08", "99.5", "0.5"), ("3.08", "0", "100")]
    assert 'aria-label="said &lt;b&gt;"' in drawn
    assert 'd="M1.5,0V100"' in drawn


# ── the command line, and the demo ──────────────────────────────────────────────────────────────


def test_the_command_writes_a_page_for_its_owner_only(demo: Demo, tmp_path: Path) -> None:
    out = tmp_path / "report.html"
    done = run("audit", "--site", str(demo.site), "--report", str(out))
    assert (done.exit_code, done.stderr) == (1, "")
    assert stat.S_IMODE(out.stat().st_mode) == 0o600
    text = out.read_text()
    assert MARK in text
    Page(text)
    assert hashlib.sha256(demo.site.read_bytes()).hexdigest() in text
    assert sorted(path.name for path in tmp_path.iterdir()) == [".report.html.credkit", "report.html"]


@pytest.mark.parametrize("option", ["--report", "--parquet", "--failures"])
def test_an_output_takes_the_place_of_nothing_that_is_read(tmp_path: Path, option: str) -> None:
    path = tmp_path / "captures.csv"
    path.write_bytes(as_csv(made(20)))
    done = run("audit", str(path), "--chain", CHAIN, option, str(path))
    assert (done.exit_code, done.stdout) == (2, "")
    assert "is one of the files that are read" in done.stderr
    assert path.read_bytes() == as_csv(made(20))
    done = run("audit", str(path), "--chain", CHAIN, "--report", str(tmp_path / "x"), "--failures", str(tmp_path / "x"))
    assert (done.exit_code, done.stdout) == (2, "")
    assert "is asked for twice" in done.stderr
    assert not (tmp_path / "x").exists()


def test_a_place_that_cannot_be_written_is_said_before_anything_is_counted(tmp_path: Path) -> None:
    path = tmp_path / "captures.csv"
    path.write_bytes(as_csv(made(20)))
    done = run("audit", str(path), "--chain", CHAIN, "--report", str(tmp_path / "no" / "report.html"))
    assert (done.exit_code, done.stdout) == (2, "")
    assert "cannot be written" in done.stderr


def test_the_demo_leaves_what_is_no_report_alone(demo: Demo, tmp_path: Path) -> None:
    site = shutil.copytree(demo.folder, tmp_path / "brackwater") / demo.site.name
    found = demo_report(site)
    assert found.path == site.with_name("report.html")
    assert demo_report(site).path == found.path, "a report of ours is written again"
    found.path.write_text("mine")
    assert demo_report(site).path is None
    assert found.path.read_text() == "mine"


def test_pinned_files_that_are_not_there(tmp_path: Path) -> None:
    with refusal(DefinitionError):
        pin_file(tmp_path / "none.toml")
