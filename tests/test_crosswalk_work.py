"""The work of a crosswalk: each cause once, with whom it concerns, and gone when what it proposes is done.

What an item counts is checked against the files of the demo, read here without credkit.
"""

from __future__ import annotations

import csv
import shutil
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from credkit import chain
from credkit.crosswalk import Crosswalk, WorkItem, crosswalk, screen_text, summary_text, write_outputs
from credkit.crosswalk.result import FINDING_CODES
from credkit.crosswalk.tasks import ABOUT, SETTLED, TASK_OF, TASKS
from credkit.demo import Demo
from credkit.files.dialects import DIALECTS
from credkit.proposal.filelines import status_words
from credkit.report import report_crosswalk
from credkit.site import load_site
from credkit.site.model import Period
from credkit.site.standins import has_no_chain, write_stand_in
from credkit.work.cures import PeriodSpan, ReaderChain, cure_reader, cut_period
from tests.amounts import amounts
from tests.brackwater import Files, check_work, hexed, made, paste, walk
from tests.randomsites import random_site
from tests.test_readiness import CREDENTIALS, READINGS, SITE
from tests.test_result_page import write_site


def items(result: Crosswalk) -> dict[tuple[str, str], WorkItem]:
    """The items of a result, each of which is there once."""
    found = {(item.task, item.subject): item for item in result.work}
    assert len(found) == len(result.work)
    return found


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture
def mended(demo: Demo, tmp_path: Path) -> Path:
    """A copy of the demo's site file, to be mended."""
    return shutil.copytree(demo.site.parent, tmp_path / "brackwater") / demo.site.name


def held_lines(result: Crosswalk) -> set[tuple[int, str]]:
    return {(line.line, line.target) for line in result.lines if line.action == "hold"}


def check_cured(before: Crosswalk, after: Crosswalk, cured: Sequence[WorkItem]) -> None:
    """The items are gone with all that they named, and no line is held that was not."""
    left = items(after)
    for item in cured:
        assert (item.task, item.subject) not in left, item.title
    assert held_lines(after) <= held_lines(before)
    ended = Counter({(end.code, end.noun): 0 for item in cured for end in item.ends})
    for item in cured:
        ended.update({(end.code, end.noun): end.count for end in item.ends})
    excepted = [Counter(each.code for each in result.exceptions) for result in (before, after)]
    for (code, noun), count in ended.items():
        if noun == "exception":
            assert excepted[0][code] - excepted[1][code] == count, code
    if any(item.task == "white-space" for item in cured):
        return  # a value that can be read is one more card that may never have been seen
    unseen = [
        {finding.subject: finding.count for finding in each.findings if finding.code == "never-seen"}
        for each in (before, after)
    ]
    assert sum(unseen[0].values()) - sum(unseen[1].values()) == ended["never-seen", "card"]


@pytest.mark.usefixtures("known_world", "known_crosswalk")
def test_every_proposed_line_of_the_demo_ends_its_item(demo_crosswalk: Crosswalk, mended: Path) -> None:
    cures = [item for item in demo_crosswalk.work if item.lines]
    assert {item.subject for item in cures} == {
        "ferry", "linkspan", "quay", "slipway", "pilots", "kiosk", "credentials.csv", "readings.csv",
    }  # fmt: skip
    after = demo_crosswalk
    for of_readers in (True, False):
        before, some = after, [item for item in cures if (item.task != "white-space") == of_readers]
        for item in some:
            mended.write_text(paste(mended.read_text(), item.lines))
        after = crosswalk(load_site(mended))
        check_cured(before, after, some)
    assert not any(item.lines for item in after.work)
    assert after.cards.held < demo_crosswalk.cards.held
    assert "reader setting" not in screen_text(after).splitlines()[0]


@pytest.mark.survey
@pytest.mark.usefixtures("known_world", "known_crosswalk")
@pytest.mark.parametrize(
    "subject", ["ferry", "linkspan", "quay", "slipway", "pilots", "kiosk", "credentials.csv", "readings.csv"]
)
def test_each_proposed_line_alone_ends_its_item(demo_crosswalk: Crosswalk, mended: Path, subject: str) -> None:
    (item,) = (each for each in demo_crosswalk.work if each.lines and each.subject == subject)
    mended.write_text(paste(mended.read_text(), item.lines))
    check_cured(demo_crosswalk, crosswalk(load_site(mended)), [item])


@pytest.mark.usefixtures("known_crosswalk")
def test_the_ferry_is_one_item_with_the_people_of_its_cards(demo_crosswalk: Crosswalk, demo: Demo) -> None:
    """The four bytes of each text, last first, are a number of the register: whose it is is counted here."""
    holders: dict[str, set[str]] = {}
    for row in rows(demo.site.parent / "credentials.csv"):
        if row["kind"] == "serial-card":
            holders.setdefault(row["value"], set()).add(row["person_id"])
    turned = [
        f"{int.from_bytes(int(row['text']).to_bytes(4, 'little'), 'big'):010d}"
        for row in rows(demo.site.parent / "readings.csv")
        if row["reader"] == "ferry"
    ]
    known = [number for number in turned if number in holders]
    item = items(demo_crosswalk)["other-order", "ferry"]
    assert item.readings == len(known)
    assert item.people == len({person for number in known for person in holders[number]})
    assert item.credentials == len(set(known))
    assert [end.code for end in item.ends] == ["unknown-card", "never-seen"]


@pytest.mark.usefixtures("known_crosswalk")
def test_every_held_line_and_every_exception_belongs_to_one_item(demo_crosswalk: Crosswalk) -> None:
    check_work(demo_crosswalk)
    assert len(demo_crosswalk.work) > 40


@amounts("count", quick=3, whole=60)
def test_the_cures_of_random_sites_hold_nobody(count: int, tmp_path: Path) -> None:
    """What a cure explains is resolved then, or is a reading of a card that is not active."""
    explained = cured = 0
    for seed in range(count):
        try:
            drawn = random_site(seed, "silent_reset", "wrong_order")
        except ValueError:
            continue  # no reader of this site can have the faults
        path = drawn.write(tmp_path)
        before = crosswalk(load_site(path))
        cures = [item for item in before.work if item.lines]
        for item in cures:
            path.write_text(paste(path.read_text(), item.lines))
        after = crosswalk(load_site(path))
        check_work(after)
        assert not {(item.task, item.subject) for item in cures} & items(after).keys(), seed
        assert held_lines(after) <= held_lines(before), seed
        left = {(row.file, row.line): row.code for row in after.exceptions}
        rows = [row for item in cures for row in item.rows]
        assert {left[row] for row in rows if row in left} <= {"inactive-read"}, seed
        explained += len(rows)
        cured += sum(row not in left for row in rows)
    assert explained > 100 * count
    assert cured >= 0.98 * explained


@pytest.mark.usefixtures("known_crosswalk")
def test_people_and_cards_are_counted_once(demo_crosswalk: Crosswalk) -> None:
    """Of the items of lines that are held, by code and target, and of the verdict."""
    found = items(demo_crosswalk)
    held = [line for line in demo_crosswalk.lines if line.action == "hold"]
    for task, subject, codes in (
        ("column-too-small", "payroll", ("column-too-small",)),
        ("duplicate-number", "", ("duplicate-number",)),
        ("conflict", "", ("conflict",)),
        ("truncated", "car-park", ("duplicate-text",)),
        ("other-issue", "", ("issue-dropped",)),
        ("spreadsheet-damage", "credentials.csv", ("spreadsheet-damage", "maybe-rounded")),
        ("overlap", "", ("overlap", "several-holders")),
    ):
        own = [line for line in held if line.code in codes and subject in ("", line.target, "credentials.csv")]
        item = found[task, subject]
        assert (item.people, item.credentials) == (
            len({line.person for line in own}), len({line.credential for line in own}),
        )  # fmt: skip
        assert set(item.rows.of("credentials.csv")) == {line.line for line in own}
    written = {line.credential for line in demo_crosswalk.lines if line.action in ("add", "keep", "change")}
    stopped = {line.credential for line in held}
    every = {line.credential for line in demo_crosswalk.lines}
    assert demo_crosswalk.cards == (len(written - stopped), len(stopped), len(every - written - stopped))


@pytest.mark.usefixtures("known_crosswalk")
def test_effects_of_one_cause_are_told_once(demo_crosswalk: Crosswalk) -> None:
    """No row of readings stands in two items, and what one act ends is one item, with all codes that it ends."""
    readings = [row for item in demo_crosswalk.work for row in item.rows if row[0] == "readings.csv"]
    assert len(set(readings)) == len(readings) > 1000
    found = items(demo_crosswalk)
    for task, subject, ended in (
        ("other-issue", "", {("other-issue", "exception"), ("issue-dropped", "held line")}),
        ("overlap", "", {("overlap", "exception"), ("overlap", "held line"), ("several-holders", "held line")}),
        (
            "spreadsheet-damage", "credentials.csv",
            {("spreadsheet-damage", "exception"), ("spreadsheet-damage", "held line"), ("maybe-rounded", "held line")},
        ),
        ("like-payment", "", {("check-failed", "exception"), ("unreadable", "exception")}),
    ):  # fmt: skip
        assert {(end.code, end.noun) for end in found[task, subject].ends} <= ended, task
    doubtful = {line.credential for line in demo_crosswalk.lines if line.code == "maybe-rounded"}
    evidence = found["spreadsheet-damage", "credentials.csv"].evidence
    assert evidence == f"{len(doubtful)} of the cards only may have been rounded"
    assert not {"maybe-rounded", "several-holders"} & {task for task, _ in found}


def test_values_that_may_be_rounded_are_an_item_of_their_own_where_nothing_else_is_altered() -> None:
    """Five numbers of 16 digits, all of which end in a zero: chance does it once in a hundred thousand times."""
    files = Files()
    for place in range(5):
        files.card(f"L-{place}", f"{123456789012345 + 731 * place}0", kind="long")
    (item,) = walk(made(), files).work
    assert (item.task, item.people, item.sure, item.evidence) == ("maybe-rounded", 5, "possible", "")


@pytest.mark.usefixtures("known_crosswalk")
def test_security_comes_first_then_what_a_line_cures_then_what_helps_most(demo_crosswalk: Crosswalk) -> None:
    work = demo_crosswalk.work
    assert [item.task for item in work[:4]] == ["inactive-held", "inactive-read", "number-of-another", "other-issue"]
    assert work[0].evidence == "16 'lost'"
    assert [bool(item.lines) for item in work[4:]] == [True] * 8 + [False] * (len(work) - 12)
    assert work[4].subject == "ferry"
    assert [item.people for item in work[4:12]] == sorted((item.people for item in work[4:12]), reverse=True)
    assert (work[12].task, work[12].subject) == ("column-too-small", "payroll")


def test_a_number_that_a_target_gives_another_person_is_of_security_and_no_row_to_add() -> None:
    files = Files().card("C-1", "01200345", "P").card("C-2", "01200346", "Q").card("C-3", "01200347", "R")
    files.export("P", "786777").export("R", "786778")  # 12 << 16 | 345, and | 346, which is Q's number
    files.export("S", "786779").export("T", "786999")  # R's, for somebody of no register; and one of no card
    work = walk(made(), files).work
    given, lacked = (next(each for each in work if each.task == task) for task in ("number-of-another", "unexplained"))
    assert given.title == "gatehouse gives 2 people the number of another person's card"
    assert (given.people, given.credentials, TASKS[given.task].security) == (3, 2, True)  # Q, R and S
    assert "add their rows" not in given.act
    assert (lacked.people, [end.count for end in lacked.ends]) == (1, [1])
    assert "add their rows" in lacked.act


@pytest.mark.usefixtures("known_crosswalk")
def test_the_item_of_cards_that_are_used_names_the_items_with_the_other_readings(demo_crosswalk: Crosswalk) -> None:
    number, held = next(each for each in enumerate(demo_crosswalk.work, 1) if each[1].task == "inactive-held")
    read = items(demo_crosswalk)["inactive-read", ""]
    assert read.evidence.endswith(
        f"; other readings: {held.readings} of {held.credentials} cards that gatehouse still holds: item {number}"
    )
    every = sum(each.code == "inactive-read" for each in demo_crosswalk.exceptions)
    assert read.readings + held.readings == every


def test_a_status_whose_word_the_site_file_doubts_is_likely(tmp_path: Path) -> None:
    _, doubts = status_words(["A"], "Status")
    credentials = CREDENTIALS.replace("786777,,,active", "786777,,,A")
    readings = READINGS.splitlines()[0] + "\n2026-03-14T07:50:03+01:00,yard,0C0159,,\n"  # 786777 in hex digits
    for comment, sure in ((f"# LOOK: {doubts['A'][:50]}\n#   {doubts['A'][50:].strip()}\n", "likely"), ("", "certain")):
        words = f'[files.credentials.words.status]\n{comment}A = "suspended"\n\n[files.readings]'
        site = SITE.replace("[files.readings]", words)
        item = items(crosswalk(load_site(write_site(tmp_path, site, credentials, readings))))["inactive-read", ""]
        assert item.sure == sure
        assert ("the site file doubts its word for 'suspended'" in item.evidence) is (sure == "likely")


def test_a_reader_for_which_init_wrote_a_stand_in_has_no_chain_yet(tmp_path: Path) -> None:
    chain = f'chain = "{write_stand_in(["facility", "number"])}" # '
    readings = READINGS.splitlines()[0] + "\n" + "2026-03-14T07:50:03+01:00,gate; 7,no number,,\n" * 9
    path = write_site(tmp_path, SITE.replace('chain = "hex:6/fields', chain, 1), readings=readings)
    site = load_site(path)
    assert [name for name, reader in site.readers.items() if has_no_chain(reader)] == ["gate; 7"]
    result = crosswalk(site)
    titles = [item.title for item in result.work]
    assert "gate; 7: no chain is written for this reader yet" in titles
    assert "gate; 7: readings that fail" not in titles
    assert "wiring" not in items(result)["no-chain", "gate; 7"].act


def test_failing_texts_of_zeros_only_are_named_as_nothing_read() -> None:
    result = walk(made(), Files().read("gate", "0" * 20, "0" * 20, "zz"))
    (item,) = (each for each in result.work if each.task == "failing")
    assert item.evidence == "2 of 3 texts are all zeros: nothing was read"


def test_a_target_that_stands_in_for_a_system_is_said_to_beside_the_verdict(tmp_path: Path) -> None:
    named = "stands in for a system that no file names"
    for site, is_said in ((SITE.replace("[targets.doors]", "[targets.as-registered-card]"), True), (SITE, False)):
        result = crosswalk(load_site(write_site(tmp_path, site)))
        screen = " ".join(screen_text(result).split("WHAT TO DO")[0].split())
        assert (f"'as-registered-card' {named}" in screen) is is_said
        page = report_crosswalk(result, load_site(tmp_path / "site.toml"))
        assert (named in page.partition('<dl class="answers">')[0]) is is_said


@pytest.mark.usefixtures("known_crosswalk")
def test_the_screen_opens_with_the_verdict_and_shows_details_only_when_asked(demo_crosswalk: Crosswalk) -> None:
    short, long, whole = (
        screen_text(demo_crosswalk),
        screen_text(demo_crosswalk, details=True),
        summary_text(demo_crosswalk),
    )
    cards = demo_crosswalk.cards
    verdict = f"{cards.ready:,} cards ready, {cards.held:,} need a decision, 6 reader settings to change"
    for text in (short, long, whole):
        assert text.splitlines()[0] == verdict
        assert max(map(len, text.splitlines())) <= 80
    assert len(short.splitlines()) < len(long.splitlines()) / 3
    for heading in ("Rows", "Readers", f"Findings ({len(demo_crosswalk.findings):,})"):
        assert heading not in short.splitlines()
        assert heading in long.splitlines()
        assert heading in whole.splitlines()
    for item in demo_crosswalk.work:
        assert item.title[:50] in " ".join(short.split())
        assert all(f"       {line}" in whole for line in item.lines)


def test_a_healthy_site_has_no_work() -> None:
    files = Files()
    for number in range(8):
        files.card(f"C-{number + 1}", f"012{101 + number:05d}")
    result = walk(made(), files.read("gate", *(hexed(12, 101 + number) for number in range(8))))
    assert result.work == ()
    assert result.cards == (8, 0, 0)
    assert screen_text(result).splitlines()[0] == "8 cards ready, nothing to do"
    assert "WHAT TO DO" not in summary_text(result)


def test_white_space_is_one_item_a_file_with_all_that_it_stops(tmp_path: Path) -> None:
    """A value and two texts with a space at their end, and the reading of the card whose value has one."""
    toml, *names = SPACED
    for name, text in zip(names[::2], names[1::2], strict=True):
        (tmp_path / name).write_text(text)
    path = tmp_path / "site.toml"
    path.write_text(toml)
    before = crosswalk(load_site(path))
    check_work(before)
    assert {(item.task, item.subject) for item in before.work} == {
        ("white-space", "credentials.csv"), ("white-space", "readings.csv"),
    }  # fmt: skip
    value, texts = (items(before)["white-space", file] for file in ("credentials.csv", "readings.csv"))
    assert (value.people, value.credentials, value.readings) == (1, 1, 1)
    assert value.lines == ("[files.credentials]", 'strip = ["value"]')
    assert (texts.people, texts.readings) == (0, 2)
    for item in before.work:
        path.write_text(paste(path.read_text(), item.lines))
    after = crosswalk(load_site(path))
    assert (after.work, after.exceptions, after.cards) == ((), (), (2, 0, 0))


SPACED = (
    """
[site]
name = "Brackwater Terminal"
time_zone = "Europe/Amsterdam"
as_of = 2026-03-31

[files.credentials]
path = "credentials.csv"

[files.readings]
path = "readings.csv"
time = "offset"

[kinds.locker]
value = "template:{number:06d}"
key = ["number"]

[readers.lockers]
kind = "locker"
chain = "template:{number:06d}"

[targets.doors]
kind = "locker"
chain = "template:{number:06d}"
column = "text(6)"
""",
    "credentials.csv",
    "person_id,credential_id,kind,value,printed,issue,status,valid_from,valid_until,replaces,source\n"
    "P-1,L-1,locker,123456 ,,,active,2026-01-01,,,east\nP-2,L-2,locker,234567,,,active,2026-01-01,,,east\n",
    "readings.csv",
    "time,reader,text,presentation,expected\n2026-03-10T08:00:00+01:00,lockers,123456,,\n"
    "2026-03-10T09:00:00+01:00,lockers,234567 ,,\n2026-03-11T09:00:00+01:00,lockers,234567 ,,\n",
)


@pytest.mark.parametrize("dialect", ["spreadsheet-comma", "spreadsheet-tab", "xlsx"])
def test_a_table_for_a_spreadsheet_is_named_where_it_is_given_as_a_register(tmp_path: Path, dialect: str) -> None:
    """A crosswalk's own table is given back: as a workbook it reads alike, and a guarded file is one item of work."""
    toml, _, credentials, _, readings = SPACED
    (tmp_path / "credentials.csv").write_text(credentials.replace("123456 ", "123456"))
    (tmp_path / "readings.csv").write_text(readings.replace("234567 ", "234567"))
    path = tmp_path / "site.toml"
    path.write_text(toml)
    before = crosswalk(load_site(path))
    assert (before.work, before.cards) == ((), (2, 0, 0))
    form = DIALECTS[dialect]
    write_outputs(before, tmp_path / "out", form)
    table = f"out/{form.rename('crosswalk.csv')}"
    given = f'path = "{table}"\nignore_other_columns = true\n'
    given += 'columns = { person_id = "person", credential_id = "credential" }\n'
    given += 'delimiter = "\\t"\n' * (form.delimiter == "\t")
    path.write_text(toml.replace('path = "credentials.csv"\n', given))
    after = crosswalk(load_site(path))
    check_work(after)
    if dialect == "xlsx":
        assert (after.work, after.cards) == ((), (2, 0, 0))
        return
    item = items(after)["guarded", table]
    assert (item.people, item.credentials, item.sure) == (2, 2, "likely")
    assert [(end.code, end.noun, end.count) for end in item.ends] == [
        ("unreadable-value", "exception", 2), ("unreadable-value", "held line", 2),
    ]  # fmt: skip
    assert "unreadable-value" not in {task for task, _ in items(after)}
    reasons = {each.reason for each in after.exceptions if each.file == table}
    assert all("begins with an apostrophe, as a file for a spreadsheet has it" in reason for reason in reasons)


def test_rows_that_are_settled_and_cards_that_were_never_seen_are_no_work() -> None:
    """Nobody reads the cards, and one row stands twice: the second is superseded."""
    files = Files().card("C-1", "01200101").card("C-1", "01200101").card("C-2", "01200102")
    result = walk(made(), files)
    assert {finding.code for finding in result.findings} >= {"never-seen"}
    assert {row.code for row in result.exceptions} == {"superseded"}
    assert result.work == ()


def test_every_code_has_a_task_or_is_no_work() -> None:
    idle = {"never-seen", "half-seen", "noted-numbers", *SETTLED}
    assert {TASK_OF.get(code, code) for code in FINDING_CODES if code not in idle} <= set(TASKS)
    assert set(ABOUT) <= set(TASKS)
    assert set(TASK_OF) <= set(FINDING_CODES)


def at(day: int) -> datetime:
    return datetime(2026, 3, day, tzinfo=UTC)


def reset(chain: str, since: int | None, until: int | None) -> ReaderChain:
    days = (at(day) if day else None for day in (since, until))
    return ReaderChain(reader="gate", chain=chain, since=next(days), until=next(days), explained=1, unresolved=1)


def test_two_cures_of_one_reader_make_one_setting() -> None:
    """Two periods are declared; the reader was set otherwise twice in the first one, and all through the second."""
    first = Period(codec=chain("hex:8"), end=at(20))
    cures = [reset("decimal:32,10", 10, 12), reset("binary", 2, 4), reset("hex:6", 20, None)]
    assert list(cut_period(first, cures)) == [
        PeriodSpan('"hex:8"', None, at(2)), PeriodSpan('"binary"', at(2), at(4)), PeriodSpan('"hex:8"', at(4), at(10)),
        PeriodSpan('"decimal:32,10"', at(10), at(12)), PeriodSpan('"hex:8"', at(12), at(20)),
    ]  # fmt: skip
    site = made()
    reader = replace(site.readers["gate"], periods=(first, Period(codec=chain("hex:8"), start=at(20))))
    lines = cure_reader(site, reader, cures)
    assert [line for line in lines if line.startswith("chain")] == [
        f'chain = "{name}"' for name in ("hex:8", "binary", "hex:8", "decimal:32,10", "hex:8", "hex:6")
    ]
    assert lines[-2:] == ('chain = "hex:6"', "from = 2026-03-20T01:00:00+01:00")
    assert cure_reader(site, site.readers["gate"], [reset("hex:6", None, None)]) == (
        "[readers.gate]", 'chain = "hex:6"',
    )  # fmt: skip
