"""The demo: its files are what its plants say, and the crosswalk finds every plant and nothing else.

The plants come from the generator, never from the crosswalk. The first half reads the files back
with a few lines of its own, so that the second does not stand on the generator's word alone.
"""

from __future__ import annotations

import csv
import errno
import os
import stat
import subprocess
import sys
import tomllib
from collections import Counter, defaultdict
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from credkit import DecodeError, DefinitionError, chain, content_entries, layout_entries
from credkit.core.codec import AnyCodec
from credkit.crosswalk import Crosswalk, CrosswalkLine, crosswalk
from credkit.crosswalk.result import EXCEPTION_CODES, FINDING_CODES
from credkit.demo import Demo, write_demo
from credkit.demo.draws import Dice
from credkit.site import load_site
from tests.sentences import refusal

FILES = ("site.toml", "credentials.csv", "readings.csv", "gatehouse-export.csv", "laundry-export.csv")
BAD_VALUES = ("spreadsheet-damage", "unreadable-value")


def rows(demo: Demo, name: str) -> list[dict[str, str]]:
    with (demo.folder / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def site(demo: Demo) -> dict[str, Any]:
    return tomllib.loads(demo.site.read_text(encoding="utf-8"))


CODECS: dict[str, AnyCodec] = {}


def codec(site: dict[str, Any], written: str) -> AnyCodec:
    if written not in CODECS:
        own = (*layout_entries(site["layouts"]), *content_entries(site["contents"]))
        CODECS[written] = chain(written, own)
    return CODECS[written]


class Book:
    """Who had which number from when to when, read from the demo's own files."""

    def __init__(self, demo: Demo, site: dict[str, Any]) -> None:
        self.holders: dict[tuple[str, tuple[int, ...]], list[dict[str, str]]] = defaultdict(list)
        self.credentials = {row["credential_id"] for row in rows(demo, "credentials.csv")}
        for line, row in enumerate(rows(demo, "credentials.csv"), 2):
            ways = site["kinds"][row["kind"]]["value"]
            texts = [ways] if isinstance(ways, str) else ways
            read = [found for way in texts if (found := decoded(codec(site, way), row["value"]))]
            bad = demo.exceptions["credentials.csv"].get(line)
            rounded = row["kind"] == "haulier-card" and row["value"].endswith("00")  # it has its form all the same
            assert bool(read) is (bad not in BAD_VALUES or rounded), (line, row)
            assert rounded is (bad == "spreadsheet-damage" and row["kind"] == "haulier-card"), (line, row)
            if bad in (None, "id-of-two-cards"):
                issue = {"issue": int(row["issue"])} if "issue" in site["kinds"][row["kind"]] else {}
                self.holders[row["kind"], key(site, row["kind"], read[0] | issue)].append(row)

    def people(self, kind: str, number: tuple[int, ...]) -> set[str]:
        return {row["person_id"] for row in self.holders.get((kind, number), ())}

    def ids(self, kind: str, number: tuple[int, ...]) -> set[str]:
        return {row["credential_id"] for row in self.holders.get((kind, number), ())}


def decoded(way: AnyCodec, text: str) -> dict[str, int] | None:
    try:
        return dict(way.decode(text))
    except DecodeError:
        return None


def key(site: dict[str, Any], kind: str, fields: dict[str, int]) -> tuple[int, ...]:
    return tuple(fields[name] for name in site["kinds"][kind]["key"])


def in_force(row: dict[str, str], day: date) -> bool:
    since, until = date.fromisoformat(row["valid_from"]), row["valid_until"]
    held = since <= day and (not until or day <= date.fromisoformat(until))
    return held and (row["status"] == "active" or bool(until))  # a lost card was good until its last day


@pytest.fixture(scope="module")
def book(demo: Demo, site: dict[str, Any]) -> Book:
    return Book(demo, site)


def chain_at(site: dict[str, Any], reader: str, when: datetime) -> str:
    table = site["readers"][reader]
    for period in table.get("periods", ()):
        if period.get("from", when) <= when and ("until" not in period or when < period["until"]):
            return str(period["chain"])
    return str(table["chain"])


def test_every_reading_without_a_code_is_of_a_card_in_force(demo: Demo, site: dict[str, Any], book: Book) -> None:
    bad, good, elsewhere, timeless = demo.exceptions["readings.csv"], 0, 0, 0
    for line, row in enumerate(rows(demo, "readings.csv"), 2):
        reader = site["readers"][row["reader"]]
        if "stream" in reader or line in bad:
            continue
        when = datetime.fromisoformat(row["time"]) + timedelta(seconds=reader.get("clock_offset", 0))
        fields = decoded(codec(site, chain_at(site, row["reader"], when)), row["text"])
        assert fields is not None, (line, row)
        holders = [
            holder
            for holder in book.holders[reader["kind"], key(site, reader["kind"], fields)]
            if in_force(holder, when.date()) or when.year == 2000  # when a clock begins that has lost its time
        ]
        assert holders, (line, row)
        if row["expected"] in book.credentials:
            assert row["expected"] in {holder["credential_id"] for holder in holders}, (line, row)
        good += 1
        elsewhere += bool(row["expected"]) and row["expected"] not in book.credentials
        timeless += when.year == 2000
    planted = {plant.code: plant.count for plant in demo.plants if plant.code in ("unknown-expected", "clock")}
    assert planted == {"unknown-expected": elsewhere, "clock": timeless}
    assert good > 13_000


def test_every_planted_reading_is_what_its_code_says(demo: Demo, site: dict[str, Any], book: Book) -> None:
    table = rows(demo, "readings.csv")
    found: Counter[str] = Counter()
    for line, code in demo.exceptions["readings.csv"].items():
        row = table[line - 2]
        reader = site["readers"][row["reader"]]
        if "stream" in reader:
            continue
        when = datetime.fromisoformat(row["time"])
        reading = codec(site, chain_at(site, row["reader"], when)).inspect(row["text"])
        number = key(site, reader["kind"], dict(reading.value or {})) if reading.ok else ()
        known = book.holders.get((reader["kind"], number), [])
        formed = reading.steps[0].reading.ok if reading.steps else reading.value is not None
        issues = {other[0] for kind, other in book.holders if kind == "staff-stripe"}
        claims = {
            "check-failed": not reading.ok and formed,
            "unreadable": not formed or reading.value is None,
            "spreadsheet-damage": not reading.ok or not known,
            "refused-note": any(note.level == "refuse" for note in reading.notes),
            "unexpected-value": reading.ok and number[0] not in (12, 40, 57),
            "unknown-card": reading.ok and not known and not any(note.level == "refuse" for note in reading.notes),
            "other-issue": reading.ok and not known and number[0] in issues,
            "inactive-read": bool(known) and not any(in_force(holder, when.date()) for holder in known),
            "conflict": bool(known) and bool(row["presentation"] or row["expected"]),
        }
        assert claims[code], (line, code, row)
        found[code] += 1
    assert set(found) == set(claims)


def test_a_number_that_only_looks_rounded_is_among_the_good_ones(demo: Demo) -> None:
    whole = "10011100101111000000000000"  # 57-30720 framed by hand: 1, 00111001, 0111100000000000, 0
    found = {line for line, row in enumerate(rows(demo, "readings.csv"), 2) if row["text"] == whole}
    assert found
    assert not found & set(demo.exceptions["readings.csv"])


def test_every_row_of_the_export_is_what_its_code_says(demo: Demo, book: Book) -> None:
    found: Counter[str | None] = Counter()
    for line, row in enumerate(rows(demo, "gatehouse-export.csv"), 2):
        number = divmod(int(row["text"]), 1 << 16)  # 24 bits: 8 of facility code, 16 of number
        theirs = [
            holder
            for holder in book.holders.get(("harbour-card", number), ())
            if row["person_id"] in (holder["person_id"], "POOL-VISITOR")
        ]
        now = [
            holder for holder in theirs if holder["status"] == "active" and in_force(holder, date(2026, 3, 31))
        ]  # fmt: skip
        code = None if now else "inactive-held" if theirs else "existing-unmatched"
        assert demo.exceptions["gatehouse-export.csv"].get(line) == code, (line, row)
        found[code] += 1
    planted = {plant.code: plant.count for plant in demo.plants if plant.subject == "gatehouse"}
    assert (found["inactive-held"], found["existing-unmatched"]) == (planted["inactive-held"], 16)
    assert found["inactive-held"] > 10


def first_bytes(demo: Demo) -> tuple[dict[str, set[str]], dict[int, str]]:
    """By hand: 8 hexadecimal digits of every serial number, by what shows it, and those of excepted readings by line.

    The desk writes hexadecimal digits, everything else ten decimal ones of the same 32 bits.
    """
    shown: dict[str, set[str]] = defaultdict(set)
    excepted: dict[int, str] = {}
    for line, row in enumerate(rows(demo, "credentials.csv"), 2):
        if row["kind"] == "serial-card" and line not in demo.exceptions["credentials.csv"]:
            assert len(row["value"]) == 10, row
            shown["register"].add(f"{int(row['value']):08x}")
    for line, row in enumerate(rows(demo, "readings.csv"), 2):
        if row["reader"] in ("office", "ferry", "desk-serial"):
            text = row["text"] if row["reader"] == "desk-serial" else f"{int(row['text']):08x}"
            shown[row["reader"]].add(text)
            if line in demo.exceptions["readings.csv"]:
                excepted[line] = text
    return shown, excepted


def test_serials_begin_as_whole_and_fixed_ones_do_but_for_the_planted(demo: Demo) -> None:
    # ISO/IEC 14443-3 clause 6 (from memory): the first byte of a UID of four bytes is 08 if the number is drawn anew
    # each time; 88 is the cascade tag, behind which the first three bytes of a longer UID come.
    shown, excepted = first_bytes(demo)
    cut = {text for text in shown["register"] if text.startswith("88")}
    assert len(cut) == 5
    assert all(0x01 <= int(text[2:4], 16) <= 0x7F for text in cut)  # manufacturer codes, ISO/IEC 7816-6
    assert {text for text in shown["desk-serial"] if text.startswith("88")} == cut
    refused = Counter(excepted[line][:2] for line in excepted if refuse(demo, line))
    assert refused == {"08": 9, "88": 10}
    everywhere = set[str]().union(*shown.values())
    assert {text for text in everywhere if text.startswith("88")} == cut
    assert {text for text in everywhere if text.startswith("08")} == {
        text for line, text in excepted.items() if refuse(demo, line) and text not in cut
    }


def refuse(demo: Demo, line: int) -> bool:
    return demo.exceptions["readings.csv"][line] == "refused-note"


def test_noted_numbers_are_as_many_as_chance_has_it(demo: Demo, demo_crosswalk: Crosswalk) -> None:
    # From memory of the same clause: xF is fixed but not unique, x8 (but for 08 and 88) is reserved.
    shown, excepted = first_bytes(demo)
    refused = {text for line, text in excepted.items() if refuse(demo, line)}
    noted = {text for text in shown["register"] | refused if text[1] in "8f"}  # no other number is a card's
    assert [(f.subject, f.count) for f in demo_crosswalk.findings if f.code == "noted-numbers"] == [
        ("serial-card", len(noted))
    ]
    for digit, share in (("f", 16 / 254), ("8", 14 / 254)):  # of the 254 first bytes that are not 08 or 88
        count = sum(text[1] == digit and text[:2] != "88" for text in shown["register"])
        chance = share * (len(shown["register"]) - 5)
        assert abs(count - chance) < 4 * chance**0.5, (digit, count)  # four standard deviations, and a little


def test_cut_labels_are_held_everywhere(demo: Demo, demo_crosswalk: Crosswalk) -> None:
    numbered = [line for line in demo_crosswalk.lines if line.kind == "serial-card" and line.number]
    held = [line for line in numbered if int(line.number) >> 24 == 0x88]
    assert len(held) == 5 * 3  # labels, targets
    for line in held:
        assert line.action == "hold", line
        assert "its value must not serve: first byte 88 is the cascade tag" in line.reason, line
        assert line.proof == "in conflict", line  # read, and no reading of it is resolved


def test_the_crane_has_a_frame_of_its_own(demo: Demo, site: dict[str, Any]) -> None:
    # Station, facility code, number, XOR: a made-up frame, read by hand.
    texts = [row["text"] for row in rows(demo, "readings.csv") if row["reader"] == "crane"]
    assert len(texts) == 600
    for text in texts:
        station, facility, high, low, check = bytes.fromhex(text)
        assert (station, facility, check) == (7, 12, 7 ^ 12 ^ high ^ low), text
    assert codec(site, "hex:10/crane-frame").decode("070C03E9E1") == {"facility": 12, "number": 1001}
    with refusal(DecodeError, rule="check-byte", place=(8, 9)):
        codec(site, "hex:10/crane-frame").decode("070C03E9E0")


def by_east(number: Sequence[Any]) -> str:
    """The subject of a finding on a number of the harbours: East's register writes it in eight digits."""
    return f"harbour {''.join(f'{part:0>{width}}' for part, width in zip(map(str, number), (3, 5), strict=False))}"


def test_readings_of_shared_numbers_are_counted(
    demo: Demo, site: dict[str, Any], book: Book, demo_crosswalk: Crosswalk
) -> None:
    planted = {plant.subject for plant in demo.plants if plant.code == "duplicate-number"}
    count = 0
    for line, row in enumerate(rows(demo, "readings.csv"), 2):
        reader = site["readers"][row["reader"]]
        if reader["kind"] == "harbour-card" and line not in demo.exceptions["readings.csv"] and not row["expected"]:
            when = datetime.fromisoformat(row["time"]) + timedelta(seconds=reader.get("clock_offset", 0))
            fields = decoded(codec(site, chain_at(site, row["reader"], when)), row["text"]) or {}
            count += by_east(key(site, "harbour-card", fields)) in planted
    assert demo_crosswalk.ambiguous_readings == count > 100


def test_conflicting_presentations_give_two_cards(demo: Demo, site: dict[str, Any], book: Book) -> None:
    groups: dict[str, set[str]] = defaultdict(set)
    people: dict[str, set[str]] = defaultdict(set)
    coded: dict[str, set[str | None]] = defaultdict(set)
    for line, row in enumerate(rows(demo, "readings.csv"), 2):
        if row["presentation"]:
            reader = site["readers"][row["reader"]]
            fields = dict(codec(site, reader["chain"]).decode(row["text"]))
            number = key(site, reader["kind"], fields)
            groups[row["presentation"]] |= book.ids(reader["kind"], number)
            people[row["presentation"]] |= book.people(reader["kind"], number)
            coded[row["presentation"]].add(demo.exceptions["readings.csv"].get(line))
    faces = [group for group, ids in groups.items() if group.startswith("F-") and len(ids) == 2]
    assert (len(groups), len(faces)) == (133, 61)  # of cards with two faces every one is two credentials
    for group, ids in groups.items():
        assert (len(people[group]) == 1) is (coded[group] == {None}), group
        assert (len(ids) == 1) is (coded[group] == {None} and group not in faces), group


def test_duplicates_are_planted_and_no_others_exist(demo: Demo, book: Book) -> None:
    planted = {plant.subject for plant in demo.plants if plant.code == "duplicate-number"}
    gone = {"returned", "destroyed"}
    twice = {
        by_east(number)
        for (kind, number), holders in book.holders.items()
        if kind == "harbour-card" and len({r["credential_id"] for r in holders if r["status"] not in gone}) > 1
    }
    assert twice == planted
    assert len(planted) == 26


@pytest.mark.parametrize("target", ["turnstile", "canteen", "car-park"])
def test_lossy_targets_have_the_planted_twins_only(demo: Demo, site: dict[str, Any], book: Book, target: str) -> None:
    way, mine = codec(site, site["targets"][target]["chain"]), site["targets"][target]["kind"]
    name = site["kinds"][mine]["key"][0]
    texts = Counter(way.encode({name: number[0]}) for kind, number in book.holders if kind == mine)
    planted = {plant.subject for plant in demo.plants if plant.code == "duplicate-text"}
    twins = {f"{target} {text}" for text, count in texts.items() if count > 1}
    assert twins == {subject for subject in planted if subject.startswith(target)}
    assert twins


def test_the_site_is_as_large_as_it_says(demo: Demo) -> None:
    people = {row["person_id"] for row in rows(demo, "credentials.csv")}
    assert 3_000 <= len(people) <= 3_400
    assert 15_500 <= len(rows(demo, "readings.csv")) <= 16_500


def test_the_files_come_from_the_seed_alone(demo: Demo, tmp_path: Path) -> None:
    program = "import sys; from credkit.demo import write_demo; write_demo(sys.argv[1])"
    subprocess.run(
        [sys.executable, "-c", program, str(tmp_path / "again")], check=True,
        env={**os.environ, "PYTHONHASHSEED": "12345", "TZ": "Asia/Tokyo", "LC_ALL": "C"},
    )  # fmt: skip
    for name in FILES:
        assert (tmp_path / "again" / name).read_bytes() == (demo.folder / name).read_bytes(), name
    other = write_demo(tmp_path / "other", seed=7)
    assert (other.folder / "readings.csv").read_bytes() != (demo.folder / "readings.csv").read_bytes()


def test_dice_follow_the_generator_that_python_promises() -> None:
    # The first draws of the Mersenne Twister seeded with 0, as published in many places (from memory).
    dice = Dice(0)
    assert [dice.below(10**6) for _ in range(3)] == [844421, 757954, 420571]


def test_files_are_private(demo: Demo) -> None:
    assert stat.S_IMODE(demo.folder.stat().st_mode) == 0o700
    for name in FILES:
        assert stat.S_IMODE((demo.folder / name).stat().st_mode) == 0o600, name
    assert sorted(path.name for path in demo.folder.iterdir()) == sorted(FILES)


@pytest.mark.usefixtures("known_world")
def test_writing_twice_leaves_the_files_alone(tmp_path: Path) -> None:
    first = write_demo(tmp_path)
    before = {name: (tmp_path / name).stat().st_mtime_ns for name in FILES}
    assert write_demo(tmp_path) == first
    assert {name: (tmp_path / name).stat().st_mtime_ns for name in FILES} == before


@pytest.mark.usefixtures("known_world")
def test_a_missing_file_is_put_back(tmp_path: Path) -> None:
    write_demo(tmp_path)
    text = (tmp_path / "readings.csv").read_bytes()
    (tmp_path / "readings.csv").unlink()
    write_demo(tmp_path)
    assert (tmp_path / "readings.csv").read_bytes() == text


@pytest.mark.usefixtures("known_world")
@pytest.mark.parametrize("name", FILES)
def test_a_foreign_file_is_never_overwritten(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_text("mine\n")
    with pytest.raises(DefinitionError, match=f"{name} is there already"):
        write_demo(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_text() == "mine\n"


@pytest.mark.usefixtures("known_world")
def test_another_seed_is_refused_where_one_has_been(tmp_path: Path) -> None:
    write_demo(tmp_path)
    with refusal(DefinitionError):
        write_demo(tmp_path, seed=7)


@pytest.mark.usefixtures("known_world")
def test_a_link_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "site.toml").symlink_to(tmp_path / "elsewhere")
    with refusal(DefinitionError):
        write_demo(tmp_path)
    assert not (tmp_path / "elsewhere").exists()


@pytest.mark.usefixtures("known_world")
def test_nothing_is_left_of_files_that_could_not_all_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.open

    def full(path: Path | str, flags: int, mode: int = 0o777, **more: Any) -> int:
        if os.path.basename(path) == "readings.csv":
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(path, flags, mode, **more)

    monkeypatch.setattr(os, "open", full)
    with pytest.raises(DefinitionError, match=r"cannot be written \(No space left on device\)"):
        write_demo(tmp_path)
    assert not list(tmp_path.iterdir())


@pytest.mark.usefixtures("known_world")
def test_a_file_is_not_a_folder(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("")
    with refusal(DefinitionError):
        write_demo(tmp_path / "taken")


# The crosswalk of the demo.


def test_every_plant_is_found_and_nothing_else_under_its_code(demo: Demo, demo_crosswalk: Crosswalk) -> None:
    codes = {plant.code for plant in demo.plants}
    found = [finding for finding in demo_crosswalk.findings if finding.code in codes]
    assert Counter((each.code, each.subject) for each in demo.plants) == Counter((f.code, f.subject) for f in found)
    counts = Counter((each.code, each.subject, each.count) for each in demo.plants if each.count is not None)
    assert not counts - Counter((f.code, f.subject, f.count) for f in found)


def test_every_code_of_a_finding_is_planted(demo: Demo) -> None:
    assert {plant.code for plant in demo.plants} == set(FINDING_CODES)


def test_the_exceptions_are_the_planted_rows_and_no_others(demo: Demo, demo_crosswalk: Crosswalk) -> None:
    found = {name: {e.line: e.code for e in demo_crosswalk.exceptions if e.file == name} for name in FILES[1:]}
    assert found == demo.exceptions
    assert len(demo_crosswalk.exceptions) == sum(map(len, demo.exceptions.values()))
    assert {code for lines in demo.exceptions.values() for code in lines.values()} == set(EXCEPTION_CODES)


def test_the_summary_adds_up_to_the_rows_of_the_files(demo: Demo, demo_crosswalk: Crosswalk) -> None:
    table = {str(row[0]).split()[0]: row[1:] for row in demo_crosswalk.summary[0].rows}
    for name in FILES[1:]:
        count, excepted = len(rows(demo, name)), len(demo.exceptions[name])
        assert table[name] == (count, count - excepted, excepted, 0), name


def lines(demo_crosswalk: Crosswalk, target: str) -> list[CrosswalkLine]:
    return [line for line in demo_crosswalk.lines if line.target == target]


def test_only_what_nothing_speaks_against_has_a_text(demo: Demo, demo_crosswalk: Crosswalk) -> None:
    subjects = defaultdict(set)
    for plant in demo.plants:
        subjects[plant.code].add(plant.subject)
    for line in demo_crosswalk.lines:
        assert bool(line.text) is (line.action in ("add", "keep", "change")), line
        disputed = line.credential in subjects["conflict"] and not line.number.startswith("57-45")  # superseded numbers
        if by_east(line.number.split("-")) in subjects["duplicate-number"] or disputed:
            assert line.action == "hold", line
        if f"{line.person} {line.kind}" in subjects["two-active-issues"]:
            assert line.action == "hold", line
    wide = {
        line.credential
        for line in lines(demo_crosswalk, "payroll")
        if line.action == "hold" and line.number and int(line.number) >= 1 << 31
    }
    assert len(wide) == 305  # 300 cards and the five labels whose number begins with 88
    for target in ("turnstile", "canteen", "tool-store", "car-park"):
        written = Counter(line.text for line in lines(demo_crosswalk, target) if line.text)
        assert max(written.values()) == 1


def test_the_gatehouse_keeps_changes_and_adds_what_the_export_says(demo: Demo, demo_crosswalk: Crosswalk) -> None:
    held = defaultdict(set)
    for row in rows(demo, "gatehouse-export.csv"):
        held[row["person_id"]].add(row["text"])
    actions: Counter[str] = Counter()
    for line in lines(demo_crosswalk, "gatehouse"):
        actions[line.action] += 1
        if line.action == "keep":
            assert line.text in held[line.person]
        elif line.action == "change":
            assert held[line.person]
            assert line.text not in held[line.person]
        elif line.action == "add":
            assert not held[line.person]
    assert all(actions[action] > 10 for action in ("keep", "change", "add", "hold", "none")), actions


@pytest.mark.parametrize(
    ("code", "subject", "words"),
    [
        ("other-order", "ferry", "612 of 640 unresolved readings match known credentials if bytes are reversed"),
        ("re-set", "quay", "110 of 110 unresolved readings match known credentials if the lines are inverted"),
        ("re-set", "slipway", "if the chain is hex:8/right-justified:26/wiegand-26"),
        ("re-set", "pilots", "if they were typed under the keyboard layout dk"),
        ("other-chain", "linkspan", "if the chain is hex:6/fields:facility:8,number:16"),
        ("near-id", "person_id", "Did you mean the same"),
        ("unknown-expected", "readings.csv", "did you mean"),
        ("check-failed", "quay", "the finding re-set explains 110 rows"),
        ("check-failed", "quay", "one bit is lost"),
        ("check-failed", "east-gate", "one bit is flipped"),
        ("check-failed", "kiosk", "likely cause in 8 of 8 different texts: one bit is flipped"),
        ("check-failed", "kiosk", "the finding re-set explains"),
        ("re-set", "kiosk", "known credentials if the lines are inverted"),
        ("unreadable", "pilots", "32 readings, 27 different texts; the finding re-set explains 32 rows"),
        ("printed-differs", "harbour-card", "printed = encoded + 20000 for all 40"),
        ("single-facility", "crane", "facility 12"),
    ],
)
def test_findings_name_the_cause(demo_crosswalk: Crosswalk, code: str, subject: str, words: str) -> None:
    assert any(words in f.text for f in demo_crosswalk.findings if (f.code, f.subject) == (code, subject))


@pytest.mark.parametrize("seed", [7, *(pytest.param(seed, marks=pytest.mark.survey) for seed in (23, 99))])
def test_other_seeds_hold_too(tmp_path: Path, seed: int) -> None:
    demo = write_demo(tmp_path, seed=seed)
    result = crosswalk(load_site(demo.site))
    test_every_plant_is_found_and_nothing_else_under_its_code(demo, result)
    test_the_exceptions_are_the_planted_rows_and_no_others(demo, result)
