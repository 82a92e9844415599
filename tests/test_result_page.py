"""The result page of a crosswalk: its numbers are the Crosswalk's, everything is escaped and masked."""

from __future__ import annotations

import re
import stat
from dataclasses import replace
from datetime import UTC, datetime
from itertools import cycle, islice
from pathlib import Path

import polars as pl
import pytest

from credkit import DefinitionError
from credkit.crosswalk import Crosswalk, compare_runs, crosswalk, read_run, write_outputs
from credkit.crosswalk.linetable import WRITTEN_ACTIONS, LineTable
from credkit.crosswalk.readiness import STATES, AreaCounts
from credkit.crosswalk.result import FINDING_CODES
from credkit.crosswalk.worktext import describe_verdict
from credkit.demo import Demo
from credkit.report import report_crosswalk
from credkit.report.charts import draw_shares
from credkit.report.crosswalk_page import MARK, MOST_PEOPLE_LISTED, list_locked
from credkit.report.cutover import judge_cutover
from credkit.report.questions import answer_questions
from credkit.site import load_site
from tests.commandline import records, run
from tests.pages import Page
from tests.sentences import refusal
from tests.test_readiness import CREDENTIALS, READINGS, SITE

ACCOUNT = "4114360123456785"  # the WHATWG HTML standard's autofill example
MADE = datetime(2026, 4, 1, 9, 30, tzinfo=UTC)
PARTS = ["work", "readiness", "locked", "compared", "counts", "inputs", "unchecked", "cautions", "decision"]


def n(number: int) -> str:
    return f"{number:,}"


def write_site(home: Path, site: str = SITE, credentials: str = CREDENTIALS, readings: str = READINGS) -> Path:
    home.mkdir(exist_ok=True)
    for name, text in (("site.toml", site), ("credentials.csv", credentials), ("readings.csv", readings)):
        (home / name).write_text(text, encoding="utf-8")
    return home / "site.toml"


def page_of(path: Path) -> tuple[Crosswalk, str]:
    site = load_site(path)
    result = crosswalk(site)
    return result, report_crosswalk(result, site, made=MADE)


@pytest.fixture(scope="module")
def text(demo: Demo, demo_crosswalk: Crosswalk) -> str:
    return report_crosswalk(demo_crosswalk, load_site(demo.site), made=MADE)


@pytest.fixture(scope="module")
def page(text: str) -> Page:
    return Page(text)


def test_its_parts_stand_in_this_order(page: Page) -> None:
    assert page.headings == [
        (1, "Result of a crosswalk: Brackwater Terminal"), (2, "Not yet"), (2, "What to do"), (2, "Readiness"),
        (2, "Who would stand before a locked door"), (2, "Since the last run"), (2, "Counts"), (2, "Files"),
        (2, "What was not checked"), (2, "Before you use this"), (2, "Decision"), (3, "Decided by"),
        (3, "Read and compared by"),
    ]  # fmt: skip
    assert [table.caption.split(";")[0].split(", and pairs")[0] for table in page.tables] == [
        "44 items of work", "Areas",
        "People by area and target that the area’s readers read for, by what is known of their number",
        "People who use an area, if its doors were put over to cards that its readers do not read today",
        "People with an active card whom no reader showed, by target", "Rows", "Readers", "Targets", "Exceptions",
        "Duplicates", "Findings", "Files that were read, with the SHA-256 digest of their bytes",
    ]  # fmt: skip
    ids = [each["id"] for _, each in page.elements if "id" in each]
    assert len(ids) == len(set(ids))
    links = [each["href"] for each in page.all("a")]
    assert {link.removeprefix("#") for link in links} <= set(ids)
    assert set(PARTS) <= set(ids)


def test_people_and_cards_add_up(demo_crosswalk: Crosswalk, page: Page) -> None:
    frame = demo_crosswalk.lines.frame
    people, cards = (frame[name].n_unique() for name in ("person", "credential"))
    held = set(frame.filter(action="hold")["person"])
    written = set(frame.filter(frame["action"].is_in(WRITTEN_ACTIONS))["person"])
    (people_sum, cards_sum) = [each for each in page.paragraphs if re.match(r"[0-9,]+ (people|cards) = ", each)]
    assert people_sum == (
        f"{n(people)} people = {n(len(written - held))} ready + {n(len(held))} that need a decision + "
        f"{n(people - len(written | held))} of whom nothing is written"
    )
    ready, stopped, idle = demo_crosswalk.cards
    assert ready + stopped + idle == cards
    assert cards_sum == (
        f"{n(cards)} cards = {n(ready)} ready + {n(stopped)} that need a decision + "
        f"{n(idle)} of which nothing is written"
    )


def test_every_item_of_work_is_there_with_its_counts_and_columns_to_fill(demo_crosswalk: Crosswalk, page: Page) -> None:
    table = page.table("44 items")
    assert table.rows[0][1:] == ["people", "cards", "readings", "sure", "who", "by when", "done"]
    assert len(table.rows) == len(demo_crosswalk.work) + 1
    for place, (row, item) in enumerate(zip(table.rows[1:], demo_crosswalk.work, strict=True), 1):
        assert row[0].startswith(f"{place}. {item.title}")
        assert all(line in row[0] for line in item.lines)
        counts = [n(count) if count else "–" for count in (item.people, item.credentials, item.readings)]
        assert row[1:] == [*counts, item.sure, "", "", ""]
    (unknown,) = [row for row in table.rows if "Cards that no register row has were read" in row[0]]
    assert unknown[1:3] == ["–", "–"], "whose the cards are, and how many, is not known"


def test_readiness_is_that_of_the_crosswalk(demo_crosswalk: Crosswalk, page: Page) -> None:
    def cells(row: AreaCounts) -> list[str]:
        return [row.area, row.target, *map(n, (row.people, row.seen, row.paper, row.conflict, row.nothing, row.locked))]

    counts = [row for row in demo_crosswalk.readiness.counts if row.area]
    read = page.table("People by area and target").rows
    assert read[0][3:7] == list(STATES)
    assert [row[:8] for row in read[1:]] == [cells(row) for row in counts if row.is_read]
    assert page.table("People who use an area").rows[1:] == [cells(row) for row in counts if not row.is_read]
    areas = page.table("Areas").rows[1:]
    assert [row[0] for row in areas] == [area.name for area in demo_crosswalk.readiness.areas if area.name]
    readers = {row[0]: row[1:] for row in page.table("Readers").rows[1:]}
    by_area = {area.name: area for area in demo_crosswalk.readiness.areas}
    for name, _, people, locked, readings, unresolved, _ in areas:
        area = by_area[name]
        rows, resolved, _ = (sum(int(readers[each][k].replace(",", "")) for each in area.readers) for k in range(3))
        assert (readings, unresolved) == (n(rows), n(rows - resolved))
        assert (people, locked) == (n(area.people), n(demo_crosswalk.readiness.locked_people(name)))


def test_tables_of_the_summary_are_whole(demo_crosswalk: Crosswalk, page: Page) -> None:
    for table in demo_crosswalk.summary:
        rows = [[each if isinstance(each, str) else n(each) for each in row] for row in table.rows]
        assert page.table(table.title).rows == [list(table.columns), *rows]
    findings = page.table("Findings").rows[1:]
    assert [row[:4] for row in findings] == [
        [each.code, each.subject, n(each.count), n(each.people)] for each in demo_crosswalk.findings
    ]
    assert [row[1] for row in page.table("Files that").rows[1:]] == [each.sha256 for each in demo_crosswalk.inputs]


def test_everybody_before_a_locked_door_is_listed(demo_crosswalk: Crosswalk, page: Page) -> None:
    listed: dict[str, set[str]] = {}
    for each in list_locked(demo_crosswalk.readiness):
        ids = {person for _, _, people in each.by_code for person in people}
        assert len(ids) == each.counts.locked == sum(count for _, count, _ in each.by_code)
        listed.setdefault(each.counts.area, set()).update(ids)
    for area in demo_crosswalk.readiness.areas:
        assert not area.name or len(listed.get(area.name, ())) == demo_crosswalk.readiness.locked_people(area.name)
    whole = " ".join(page.paragraphs)
    assert all(person in whole for ids in listed.values() for person in ids)
    for code in {code for each in list_locked(demo_crosswalk.readiness) for code, *_ in each.by_code}:
        assert re.search(rf"(?:^| ){code} \([0-9,]+; [a-z][^()]+\): ", whole), f"{code} has its meaning beside it"


def test_a_long_list_says_how_many_more_there_are(tmp_path: Path) -> None:
    more = 7
    rows = "".join(
        f"P-{k},C-{k},card,{12 << 16 | 40},,,active,,,,hr\n" for k in range(1000, 1000 + MOST_PEOPLE_LISTED + more)
    )
    readings = "time,reader,text,presentation,expected\n2026-03-14T07:58:03+01:00,yard,0C0028,,\n"
    head = CREDENTIALS.splitlines(keepends=True)[0]
    result, text = page_of(write_site(tmp_path, credentials=head + rows, readings=readings))
    (listed,) = list_locked(result.readiness)
    assert [(code, count, len(people)) for code, count, people in listed.by_code] == [
        ("duplicate-number", MOST_PEOPLE_LISTED + more, MOST_PEOPLE_LISTED)
    ]
    (line,) = [each for each in Page(text).paragraphs if each.startswith("duplicate-number (")]
    assert line.endswith(f" and {more} more in readiness.csv")


def test_ten_questions_are_answered_on_the_first_screen(demo_crosswalk: Crosswalk, page: Page) -> None:
    answers = answer_questions(demo_crosswalk, judge_cutover(demo_crosswalk), None)
    assert len(answers) == 10
    assert {each.part for each in answers} <= set(PARTS)
    shown = [each for each in page.paragraphs if each in {f"{a.answer}{a.detail}" for a in answers}]
    assert len(shown) == 10
    assert page.paragraphs.index(shown[-1]) < 30, "before any list"
    docs = (Path(__file__).parents[1] / "docs" / "result-page.md").read_text(encoding="utf-8")
    for place, each in enumerate(answers, 1):
        assert f"{place}. **{each.question}**" in docs


def test_reasons_are_counted_from_the_crosswalk(demo_crosswalk: Crosswalk) -> None:
    found = judge_cutover(demo_crosswalk)
    assert not found.go
    locked, held = demo_crosswalk.readiness.locked_people(), demo_crosswalk.readiness.people.held
    assert found.reasons[:2] == (
        f"{locked} people would stand before a locked door", f"{held} people wait for a decision on a card"
    )  # fmt: skip
    # As the verdict on the screen counts them; crane sends one facility code for all cards, which no line mends.
    assert [each for each in found.reasons if "more to check" in each or "setting" in each] == [
        "6 reader settings to change", "1 more to check"
    ]  # fmt: skip
    assert "6 reader settings to change" in describe_verdict(demo_crosswalk)
    words = {area.name: area.word for area in found.areas}
    assert words["ferry"] == "not known", "none of its 640 readings resolves"
    assert words["gangway"] == "ready"
    assert words["office"] == "not yet"
    assert words["staff house"] == "not yet"


HEALTHY = "person_id,credential_id,kind,value,printed,issue,status,valid_from,valid_until,replaces,source\n" + "".join(
    f"P-{k},C-{k},card,{12 << 16 | k},,,active,,,,hr\nP-{k},K-{k},key,{k:04d},,,active,,,,hr\n" for k in range(41, 49)
)
READ = "time,reader,text,presentation,expected\n" + "".join(
    f"2026-03-14T07:5{k % 10}:03+01:00,{reader},{text},,\n"
    for k in range(41, 49)
    for reader, text in (("gate; 7", f"0C{k:04X}"), ("yard", f"0C{k:04X}"), ("locker", f"{k:04d}"))
)
STRAY = "2026-03-15T07:50:03+01:00,yard,0C0999,,\n"  # a number that no row has


def test_lost_and_stolen_cards_are_answered_before_others_that_are_not_active(tmp_path: Path) -> None:
    statuses = {41: "lost", 42: "stolen", 43: "expired", 44: "returned", 45: "suspended"}
    credentials = HEALTHY
    for k, status in statuses.items():
        cells = f"C-{k},card,{12 << 16 | k},,,"
        credentials = credentials.replace(f"{cells}active", f"{cells}{status}")
    for changed, answer in (
        (credentials, "2 cards to checklost or stolen: 2 cards read; not active for other reasons: 3 cards read; "),
        (
            credentials.replace(",lost,", ",expired,").replace(",stolen,", ",expired,"),
            "None called lost or stolennot active for other reasons: 5 cards read; ",
        ),
    ):
        _, text = page_of(write_site(tmp_path, credentials=changed, readings=READ))
        assert any(each.startswith(answer) for each in Page(text).paragraphs)


def test_an_area_is_ready_with_one_unresolved_reading_in_fifty(tmp_path: Path) -> None:
    yard = [line for line in READ.splitlines(keepends=True) if ",yard," in line]
    for readings, word in ((50, "ready"), (49, "not yet")):
        again = "".join(islice(cycle(yard), readings - 1 - len(yard)))
        result, _ = page_of(write_site(tmp_path, credentials=HEALTHY, readings=READ + again + STRAY))
        area = next(each for each in judge_cutover(result).areas if "yard" in each.readers)
        others = sum("yard" not in name for name in area.readers) * 8
        assert (area.readings - others, area.unresolved, area.locked) == (readings, 1, 0)
        assert area.word == word, readings


def test_readings_of_cards_that_are_not_active_are_exceptions_not_readings_without_a_card(tmp_path: Path) -> None:
    lost = HEALTHY.replace("P-41,C-41,card,786473,,,active", "P-41,C-41,card,786473,,,lost")
    _, text = page_of(write_site(tmp_path, credentials=lost, readings=READ))
    assert "Every row is accounted for2 of 24 readings (8.3 %) are exceptions" in Page(text).paragraphs


def test_go_where_nothing_speaks_against_it(tmp_path: Path) -> None:
    result, text = page_of(write_site(tmp_path, credentials=HEALTHY, readings=READ))
    assert result.work == ()
    page = Page(text)
    assert (2, "Go") in page.headings
    assert "Yes, by these filesall 2 areas ready" in page.paragraphs
    # What no file shows may be all the same: in a reading that did not resolve, in a target without an export.
    assert any(each.startswith("None is known tonone is in resolved readings, ") for each in page.paragraphs)
    assert any(each.startswith("Not by these files") for each in page.paragraphs)
    assert any(
        each.startswith("Nothing in these files speaks against a cut-over. Data was") for each in page.paragraphs
    )


@pytest.mark.parametrize(
    ("credentials", "readings", "reason"),
    [
        (HEALTHY.replace("P-41,C-41,card,786473,,,active", "P-41,C-41,card,786473,,,lost"), READ, "locked door"),
        (HEALTHY, READ + STRAY, "1 area with more unresolved readings than noise"),
        (HEALTHY, READ.replace(",yard,", ",gate; 7,"), "1 area of which no reading is known"),
        (HEALTHY, READINGS.splitlines(keepends=True)[0], "2 areas of which no reading is known"),
    ],
)  # fmt: skip
def test_not_yet_where_one_thing_speaks_against_it(
    tmp_path: Path, credentials: str, readings: str, reason: str
) -> None:
    result, text = page_of(write_site(tmp_path, credentials=credentials, readings=readings))
    assert (2, "Not yet") in Page(text).headings
    assert any(reason in each for each in judge_cutover(result).reasons)


NASTY = (
    '<script>alert("1")</script>', '"><img src=x onerror=alert(1)>', "gate\u202egnp.exe", "</style><b>",
    "{{ result }}", "Tor Süd 門", "<!--", "&amp;",
)  # fmt: skip


@pytest.mark.parametrize("nasty", NASTY)
def test_names_from_files_are_escaped(tmp_path: Path, nasty: str) -> None:
    quoted = nasty.replace("\\", "\\\\").replace('"', '\\"')
    site = SITE.replace('area = "pier"', f'area = "{quoted}"').replace('"Brackwater Terminal"', f'"{quoted}"')
    cell = '"' + nasty.replace('"', '""') + '"'
    _, text = page_of(write_site(tmp_path, site, CREDENTIALS.replace("P-5,", f"{cell},")))
    page = Page(text)
    assert not {"script", "img", "iframe", "object", "embed"} & {tag for tag, _ in page.elements}
    assert not [name for _, names in page.elements for name in names if name.startswith("on")]
    shown = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in nasty)
    assert page.headings[0] == (1, f"Result of a crosswalk: {shown}")
    assert any(shown in each for each in page.paragraphs if each.startswith("duplicate-number"))


def test_what_looks_like_an_account_number_is_masked(tmp_path: Path) -> None:
    site = SITE.replace('area = "pier"', f'area = "{ACCOUNT}"').replace('"Brackwater Terminal"', f'"{ACCOUNT}"')
    credentials = CREDENTIALS.replace("P-5,", f"{ACCOUNT},").replace(",C-6,", f",C {ACCOUNT},")
    result, text = page_of(write_site(tmp_path, site, credentials))
    assert ACCOUNT in {*result.readiness.unproven["person"]}
    assert ACCOUNT not in text
    assert "411436" in text, "its ends are shown"
    write_outputs(result, tmp_path / "out")
    assert ACCOUNT not in (tmp_path / "out" / "readiness.csv").read_text()


def test_it_names_nothing_outside_and_runs_nothing(text: str, page: Page) -> None:
    assert "default-src 'none'" in text
    assert not {"script", "link", "img", "iframe"} & {tag for tag, _ in page.elements}
    assert not re.search(r"https?:|url\(|@import", text)
    assert text.count(MARK) == 1


def test_cautions_and_limits(page: Page, demo_crosswalk: Crosswalk) -> None:
    whole = " ".join(page.paragraphs)
    assert "emergency egress and fail-safe behaviour follow local codes and licensed practice" in whole
    assert "An identifier is not authentication" in whole
    assert "passed parity is not a genuine card" in whole
    assert "Deactivate nobody from a computed list alone" in whole
    assert "1,479 readings did not resolve" in whole
    assert "Who is allowed through which door: no file says so." in whole
    assert "Readiness of ferry: no reading there showed a card." in whole
    exports = {"gatehouse", "laundry"}
    (unknown,) = [each for each in page.paragraphs if "the site file names no export" in each]
    assert not [name for name in exports if name in unknown]


def test_what_changed_since_an_earlier_run(demo: Demo, demo_crosswalk: Crosswalk, tmp_path: Path) -> None:
    write_outputs(demo_crosswalk, tmp_path / "first")
    ready = demo_crosswalk.lines.frame.filter(action="add", target="gatehouse")["line"][:3].to_list()
    frame = demo_crosswalk.lines.frame
    lost = frame.filter(~frame["line"].is_in(ready))
    lines = LineTable(lost.with_columns(place=pl.lit(0)), pl.DataFrame(), demo_crosswalk.lines.zone)
    other = replace(demo_crosswalk, lines=lines, findings=demo_crosswalk.findings[2:])
    write_outputs(other, tmp_path / "second")
    found = compare_runs(read_run(tmp_path / "first"), read_run(tmp_path / "second"))
    text = report_crosswalk(other, load_site(demo.site), compared=found, made=MADE)
    page = Page(text)
    people = {row[0]: row[1:] for row in page.table("People by target").rows[1:]}
    assert people["gatehouse"] == ["0", "3", "0", "0"]
    changes = page.table("Findings that are new, changed or fixed").rows[1:]
    assert [row[:3] for row in changes] == [
        [f"{each.code} {FINDING_CODES[each.code]}", "fixed", each.subject]
        for each in sorted(demo_crosswalk.findings[:2], key=lambda f: (f.code, f.subject))
    ]
    assert "<summary>gatehouse, lost it: 3 people</summary>" in text
    assert "Worse: +0 −3 people" in " ".join(page.paragraphs)


def test_shares_are_as_wide_as_their_values() -> None:
    drawn = draw_shares([3, 0, 1])
    found = re.findall(r'class="share-([0-9])" x="([0-9.]+)" y="[0-9]+" width="([0-9.]+)"', drawn)
    assert found == [("0", "0", "75"), ("2", "75", "25")]
    assert "rect" not in draw_shares([0, 0])


# ── the command line ────────────────────────────────────────────────────────────────────────────


def test_the_command_writes_a_page_for_its_owner_only(tmp_path: Path) -> None:
    site = write_site(tmp_path / "site")
    out, page = tmp_path / "result", tmp_path / "page.html"
    done = run("crosswalk", str(site), "--out", str(out), "--report", str(page))
    assert (done.exit_code, done.stderr) == (0, "")
    assert stat.S_IMODE(page.stat().st_mode) == 0o600
    assert MARK in page.read_text(encoding="utf-8")
    assert f"The page is {page}." in done.stdout.replace("\n", " ") or page.name in done.stdout
    page.write_text("mine", encoding="utf-8")
    done = run("crosswalk", str(site), "--out", str(out), "--report", str(page))
    assert done.exit_code == 2
    assert page.read_text(encoding="utf-8") == "mine"


def test_runs_that_are_kept_are_compared(tmp_path: Path) -> None:
    site = write_site(tmp_path / "site")
    home, page = tmp_path / "runs", tmp_path / "page.html"
    command = ("crosswalk", str(site), "--out", str(home), "--keep", "5", "--report", str(page))
    assert run(*command).exit_code == 0
    assert "No earlier run was compared" in page.read_text(encoding="utf-8")
    write_site(
        tmp_path / "site", credentials=CREDENTIALS.replace("P-4,C-5,card,786780,,,lost", "P-4,C-5,card,786780,,,active")
    )
    done = run(*command, "--json")
    assert done.exit_code == 0
    since = records(done)[-1]["since"]
    assert since["run"].startswith(str(home))
    assert since["verdict"].startswith("1 person gained a number")
    text = page.read_text(encoding="utf-8")
    assert "Better: +1 −0 people" in text
    readiness = records(done)[-1]["readiness"]
    assert readiness["people"] == {"ready": 4, "held": 2, "idle": 0}
    assert readiness["counts"][0]["area"] == "pier"


def test_an_earlier_run_that_is_replaced_is_compared_with(tmp_path: Path) -> None:
    site, out = write_site(tmp_path / "site"), tmp_path / "result"
    assert run("crosswalk", str(site), "--out", str(out)).exit_code == 0
    done = run("crosswalk", str(site), "--out", str(out), "--since", str(out))
    assert done.exit_code == 0
    said = f"Nothing changed since the run in {out}: findings, lines and exceptions are the same."
    assert "".join(said.split()) in "".join(done.stdout.split()), "a path may be wrapped"
    write_site(
        tmp_path / "site", credentials=CREDENTIALS.replace("P-4,C-5,card,786780,,,lost", "P-4,C-5,card,786780,,,active")
    )
    done = run("crosswalk", str(site), "--out", str(out), "--since", str(out))
    said = f"Since the run in {out}: 1 person gained a number,"
    assert "".join(said.split()) in "".join(done.stdout.split())
    done = run("crosswalk", str(site), "--out", str(out), "--since", str(tmp_path / "none"))
    assert done.exit_code == 2


def test_a_page_within_a_result_is_refused(tmp_path: Path) -> None:
    site, out = write_site(tmp_path / "site"), tmp_path / "result"
    done = run("crosswalk", str(site), "--out", str(out), "--report", str(out / "page.html"))
    assert done.exit_code == 2
    assert "name a place beside it" in done.stderr.replace("\n", " ")
    assert not out.exists()
    done = run("crosswalk", str(site), "--out", str(out), "--report", str(site))
    assert done.exit_code == 2
    assert site.read_text(encoding="utf-8") == SITE


def test_a_site_without_a_name_for_an_area_is_refused_where_it_is_no_text(tmp_path: Path) -> None:
    site = write_site(tmp_path, SITE.replace('area = "pier"', "area = 7"))
    with refusal(DefinitionError):
        load_site(site)
