"""The crosswalk on small sites of Brackwater Terminal, written by hand.

Frames are made here by the rule of SIA AC-01, not by credkit. Every finding has a case where it
must appear and one, as like it as can be, where it must not. Random readings always add up.
"""

from __future__ import annotations

import csv
import os
import random
import re
import shutil
import signal
import stat
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import credkit.crosswalk.causes as causes
from credkit import DefinitionError
from credkit.crosswalk import Crosswalk, Exceptional, Finding, Line, crosswalk, summary_text, write_outputs
from credkit.crosswalk.outputs import NAMES, cell
from credkit.crosswalk.result import CODES, FINDINGS
from credkit.crosswalk.texts import Texts
from credkit.site import Rows, Site, load_site
from credkit.sitefiles import Assignment, Held, Read

SITE = """
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
value = "template:{facility:03d}{number:05d}"
printed = "template:{number:05d}"
key = ["facility", "number"]
expect = { facility = [12, 40, 57] }
[kinds.serial]
value = "decimal:32/berth-serial"
key = ["number"]
[kinds.phone]
value = "decimal:32/berth-serial"
key = ["number"]
notes = "count"
[kinds.long]
value = "decimal:60/fields:number:60"
key = ["number"]
[kinds.locker]
value = "template:{number:03d}"
key = ["number"]

[layouts.berth-serial]
length = 32
fields = { number = "0-31" }
remarks = [{ bits = "0-7", values = [8], level = "refuse", kind = "random-serial", text = "a random serial" }]

[readers.gate]
kind = "card"
chain = "hex:8/right-justified:26/wiegand-26"
[readers.yard]
kind = "card"
clock_offset = -200
[[readers.yard.periods]]
chain = "decimal:24/fields:facility:8,number:16"
until = 2026-03-14T12:00:00+01:00
[[readers.yard.periods]]
chain = "hex:6/fields:facility:8,number:16"
from = 2026-03-14T12:00:00+01:00
[readers.quay]
kind = "card"
chain = "binary/wiegand-26"
[readers.either]
kind = "card"
chain = ["binary/wiegand-26", "template:{facility:03d}{number:05d}"]
[readers.office]
kind = "serial"
chain = "decimal:32,10/berth-serial"
[readers.lobby]
kind = "phone"
chain = "decimal:32,10/berth-serial"
[readers.dock]
kind = "long"
chain = "decimal:60/fields:number:60"
[readers.dock-hex]
kind = "long"
chain = "hex:15/fields:number:60"
[readers.keys]
kind = "locker"
stream = "keypad:hex:1/keypad-4"
chain = "template:{number:03d}"

[rules]
order_of_truth = ["west", "east"]
gone = ["returned", "destroyed"]
pools = ["POOL"]

[targets.gatehouse]
kind = "card"
chain = "decimal:24/fields:facility:8,number:16"
column = "text(8)"
existing = "export.csv"
[targets.turnstile]
kind = "serial"
chain = "decimal:24/keep-low:24/berth-serial"
column = "int32"
[targets.payroll]
kind = "serial"
chain = "decimal:32/berth-serial"
column = "int32"
"""
HEADS = {
    "credentials.csv": "person_id,credential_id,kind,value,printed,issue,status,valid_from,valid_until,replaces,source",
    "readings.csv": "time,reader,text,presentation,expected",
    "export.csv": "person_id,text",
}


@pytest.fixture(scope="session")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    folder = tmp_path_factory.mktemp("site")
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    return load_site(folder / "site.toml")


def frame(facility: int, number: int) -> str:
    """26 bits as SIA AC-01 has them: even parity over bits 1-12, odd parity over bits 13-24."""
    data = f"{facility:08b}{number:016b}"
    return f"{data[:12].count('1') % 2}{data}{1 - data[12:].count('1') % 2}"


def hexed(facility: int, number: int, *, flip: int | None = None, invert: bool = False) -> str:
    """The frame as the gate writes it: 8 hexadecimal digits, right-justified; perhaps damaged."""
    word = int(frame(facility, number), 2)
    if flip is not None:
        word ^= 1 << (25 - flip)
    return f"{word ^ ((1 << 26) - 1 if invert else 0):08X}"


@dataclass
class Files:
    """The rows of a small site, numbered as lines of files are."""

    cards: list[Assignment] = field(default_factory=list)
    reads: list[Read] = field(default_factory=list)
    held: list[Held] = field(default_factory=list)

    def card(self, credential: str, value: str, person: str = "", kind: str = "card", **more: Any) -> Files:
        """A row of credentials; the person is ``P-`` and the credential unless one is named."""
        more = {"status": "active", "source": "west", **more}
        for column in ("valid_from", "valid_until"):
            if column in more:
                more[column] = date.fromisoformat(more[column])
        row = Assignment(
            line=len(self.cards) + 2, person=person or f"P-{credential}", credential=credential, kind=kind,
            value=value, **more,
        )  # fmt: skip
        self.cards.append(row)
        return self

    def read(self, reader: str, *texts: str, at: str = "2026-03-10T08:00:00+01:00", **more: str) -> Files:
        """Rows of readings, a second after the other."""
        for number, text in enumerate(texts):
            moment = (datetime.fromisoformat(at) + timedelta(seconds=number)).astimezone(UTC)
            self.reads.append(Read(line=len(self.reads) + 2, time=moment, reader=reader, text=text, **more))
        return self

    def export(self, person: str, text: str) -> Files:
        """A row of what the gatehouse holds."""
        self.held.append(Held(line=len(self.held) + 2, person=person, text=text))
        return self

    def rows(self) -> Rows:
        return Rows(credentials=tuple(self.cards), readings=tuple(self.reads), existing={"gatehouse": tuple(self.held)})


def two() -> Files:
    """Two people with a card each, both seen at the gate."""
    files = Files().card("C-1", "01200345").card("C-2", "04000346")
    return files.read("gate", hexed(12, 345), hexed(40, 346))


def walk(site: Site, files: Files) -> Crosswalk:
    """The crosswalk, checked for what must hold of every one: each row is in exactly one place."""
    result = crosswalk(site, files.rows())
    lines = Counter(line.credential for line in result.lines)
    exceptions = Counter((each.file, each.line) for each in result.exceptions)
    assert set(exceptions.values()) <= {1}
    for each in result.exceptions:
        assert each.code in CODES
        assert each.reason
    placed = [row for row in files.cards if ("credentials.csv", row.line) not in exceptions]
    for credential in {row.credential for row in files.cards}:
        wanted = sum(
            max(1, sum(target.kind.name == row.kind for target in site.targets.values()))
            for row in placed
            if row.credential == credential
        )
        assert lines[credential] == wanted
    sizes = {"credentials.csv": len(files.cards), "readings.csv": len(files.reads), "export.csv": len(files.held)}
    for name, rows, resolved, excepted, left in result.summary[0].rows:
        file = str(name).removesuffix(" (gatehouse)")
        assert rows == sizes[file]
        assert excepted == sum(each.file == file for each in result.exceptions)
        assert (resolved, left) == (int(rows) - int(excepted), 0)
    return result


def codes(result: Crosswalk, file: str = "readings.csv") -> dict[int, str]:
    return {each.line: each.code for each in result.exceptions if each.file == file}


def found(result: Crosswalk, code: str) -> dict[str, Finding]:
    return {finding.subject: finding for finding in result.findings if finding.code == code}


def line(result: Crosswalk, credential: str, target: str = "gatehouse") -> Line:
    (one,) = [each for each in result.lines if each.credential == credential and each.target == target]
    return one


# Findings: rows that must show one, and rows that must not.


def consecutive(facility: int = 12, count: int = 8) -> Files:
    """A box of cards, C-1 and on, with numbers from 101."""
    files = Files()
    for number in range(count):
        files.card(f"C-{number + 1}", f"{facility:03d}{101 + number:05d}")
    return files


def numbered(count: int, printed: Sequence[int]) -> Files:
    files = Files()
    for place in range(count):
        files.card(f"C-{place}", f"012{place + 1:05d}", printed=f"{printed[place]:05d}")
    return files


def serials(*numbers: int) -> Files:
    files = Files()
    for number in numbers:
        files.card(f"S-{number}", str(number), kind="serial")
    return files


def backwards(number: int) -> str:
    """The decimal number that a reader gives which sends the four bytes last byte first."""
    return f"{int.from_bytes(number.to_bytes(4, 'big'), 'little'):010d}"


SERIALS = (3000000001, 3000000777, 3123456789, 3999999999, 2500000123)
FIXED = {  # cards of 57 that a reader turns into 12
    "seen": lambda: [f"{(12 << 16) + 101 + n}" for n in range(6)],
    "turned": lambda: [f"{(12 << 16) + 30001 + n}" for n in range(4)],
}


def fixed(*, several: bool) -> Files:
    files = consecutive()
    for number in range(4):
        files.card(f"W-{number}", f"{57 if several else 40:03d}{(30001 if several else 20001) + number:05d}")
    return files.read("yard", *FIXED["seen"](), *FIXED["turned"]())


CASES: dict[str, list[tuple[str, int, Files, Files]]] = {  # code: subject, count, must, must not
    "duplicate-number": [
        ("harbour 12-345", 2, two().card("C-3", "01200345"), two().card("C-3", "01200345", status="returned")),
        ("harbour 12-345", 2, two().card("C-3", "01200345", status="lost"), two().card("C-3", "04000345")),
        ("serial 77", 2, serials(77).card("S-2", "77", kind="serial"), serials(77).card("S-2", "77", kind="phone")),
        (
            "harbour 12-345", 2, two().card("C-3", "01200345"),
            two().card("C-1", "01200345", person="P-2", valid_from="2020-01-01", valid_until="2020-02-01"),
        ),
    ],
    "duplicate-text": [
        ("turnstile 345", 2, serials(345, 345 + (7 << 24)), serials(345, 346 + (7 << 24))),
        (
            "turnstile 345", 2, serials(345, 345 + (7 << 24)),
            serials(345).card("S-2", str(345 + (7 << 24)), kind="serial", status="destroyed"),
        ),
    ],
    "column-too-small": [("payroll", 1, serials(1, 1 << 31), serials(1, (1 << 31) - 1))],
    "two-active-issues": [
        (
            "P-C-1 card", 2, two().card("C-3", "01200999", person="P-C-1", issue=2, replaces="C-1"),
            two().card("C-3", "01200999", person="P-C-1", valid_from="2026-04-01"),
        ),
        (
            "P-C-1 card", 2, two().card("C-3", "01200999", person="P-C-1"),
            two().card("C-3", "99", person="P-C-1", kind="serial"),
        ),
        (
            "P card", 2, two().card("V-1", "01200998", person="P").card("V-2", "01200999", person="P"),
            two().card("V-1", "01200998", person="POOL").card("V-2", "01200999", person="POOL"),
        ),
    ],
    "overlap": [
        (
            "C-1", 2, two().card("C-1", "01200345", person="P-9", valid_from="2026-02-01"),
            two().card("C-9", "01200999", valid_until="2026-02-01").card(
                "C-9", "01200999", person="P-9", valid_from="2026-02-02"
            ),
        ),
        (
            "C-1", 2, two().card("C-1", "01200345", person="P-9"),
            two().card("C-9", "01200999", person="POOL").card("C-9", "01200999", person="P-9"),
        ),
    ],
    "conflict": [
        ("C-2", 1, two().read("gate", hexed(12, 345), expected="C-2"), two().read("gate", hexed(12, 345), expected="C-1")),
        ("C-9", 1, two().read("gate", hexed(12, 345), expected="C-9"), two().read("gate", hexed(12, 9), expected="C-9")),
        (
            "C-2", 1,
            two().card("C-1", "77", kind="serial").read("gate", hexed(40, 346), presentation="D-1").read(
                "office", "0000000077", presentation="D-1"
            ),
            two().card("C-2", "77", kind="serial").read("gate", hexed(40, 346), presentation="D-1").read(
                "office", "0000000077", presentation="D-1"
            ),
        ),
    ],
    "printed-differs": [
        ("card", 4, numbered(4, [20001, 20002, 20003, 20004]), numbered(4, [1, 2, 3, 4])),
        ("card", 1, numbered(4, [1, 2, 3, 5]), numbered(0, [])),
    ],
    "spreadsheet-damage": [
        ("credentials.csv", 1, two().card("C-3", "1200347"), two().card("C-3", "01200347")),
        ("credentials.csv", 1, serials(3).card("S-2", "3.05E+09", kind="serial"), serials(3050000000)),
        (
            "credentials.csv", 1, Files().card("L-1", "1234567890123450", kind="long"),
            Files().card("L-1", "1234567890123456", kind="long"),
        ),
        (
            "readings.csv", 1, serials(77).read("office", "77"), serials(77).read("office", "0000000077"),
        ),
        (
            "readings.csv", 1, Files().card("L-1", "1234567890123456", kind="long").read("dock", "1234567890123400"),
            Files().card("L-1", "1234567890123456", kind="long").read("dock", "1234567890123411"),
        ),
    ],
    "other-order": [
        (
            "office", 4, serials(*SERIALS).read("office", *map(backwards, SERIALS[:4])),
            serials(*SERIALS).read("office", *(str(number + 1) for number in SERIALS[:4])),
        ),
        (
            "gate", 3, consecutive().read("gate", *(hexed(12, 101 + n, invert=True) for n in range(3))),
            consecutive().read("gate", *(hexed(12, 101 + n, invert=True) for n in range(2))),
        ),
    ],
    "single-facility": [("yard", 4, fixed(several=True), fixed(several=False).card("W-9", "05700345"))],
    "failed-checks": [
        ("gate", 2, two().read("gate", hexed(12, 345, flip=3), hexed(12, 345, flip=4)), two().read("gate", "02F764D")),
    ],
    "unreadable": [("gate", 1, two().read("gate", "02F764D"), two().read("gate", hexed(12, 345, flip=3)))],
    "unknown-cards": [("gate", 2, two().read("gate", *[hexed(12, 346)] * 2), two().read("gate", hexed(40, 346)))],
    "unexpected-value": [("gate", 1, two().read("gate", hexed(200, 345)), two().read("gate", hexed(57, 345)))],
    "refused-note": [
        ("office", 1, serials(9).read("office", str(8 << 24).zfill(10)), serials(9).read("office", str(9 << 24).zfill(10))),
        ("lobby", 1, serials(9).read("lobby", str(8 << 24).zfill(10)), serials(9).read("lobby", str(9 << 24).zfill(10))),
    ],
    "incomplete-entry": [
        ("keys", 3, Files().card("L", "123", kind="locker").read("keys", *"12A"), Files().card("L", "123", kind="locker").read("keys", *"123B")),
    ],
    "inactive-read": [
        ("C-3", 1, two().card("C-3", "01200347", status="lost").read("gate", hexed(12, 347)), two().card("C-3", "01200347").read("gate", hexed(12, 347))),
        (
            "C-3", 1, two().card("C-3", "01200347", valid_until="2026-03-09").read("gate", hexed(12, 347)),
            two().card("C-3", "01200347", valid_until="2026-03-10").read("gate", hexed(12, 347)),
        ),
        (
            "C-3", 1, two().card("C-3", "01200347", valid_from="2026-03-11").read("gate", hexed(12, 347)),
            two().card("C-3", "01200347", valid_from="2026-03-10").read("gate", hexed(12, 347)),
        ),
        (
            "C-3", 1, two().card("C-3", "01200347", status="lost", valid_until="2026-03-09").read("gate", hexed(12, 347)),
            two().card("C-3", "01200347", status="lost", valid_until="2026-03-10").read("gate", hexed(12, 347)),
        ),
    ],
    "half-seen": [
        ("card serial", 1, two().card("C-1", "77", kind="serial"), two().card("C-1", "77", kind="serial").read("office", "0000000077")),
        ("card serial", 1, two().card("C-2", "77", kind="serial"), two().card("C-9", "12", kind="serial").card("C-9", "01200999")),
    ],
    "never-seen": [("card", 1, two().card("C-3", "01200347"), two().card("C-3", "01200347", status="lost"))],
}  # fmt: skip


def test_every_finding_has_a_case() -> None:
    assert set(CASES) == set(FINDINGS)


@pytest.mark.parametrize("case", [(code, *case) for code, cases in CASES.items() for case in cases], ids=lambda c: c[0])
def test_a_finding_appears_where_it_must_and_only_there(site: Site, case: tuple[str, str, int, Files, Files]) -> None:
    code, subject, count, must, must_not = case
    findings = found(walk(site, must), code)
    assert list(findings) == ([subject] if code != "conflict" else [*findings])
    assert findings[subject].count == count
    assert findings[subject].text
    assert "\n" not in findings[subject].text
    assert subject not in found(walk(site, must_not), code)


# What findings say.


def test_one_constant_offset_is_named(site: Site) -> None:
    result = walk(site, numbered(5, [20001, 20002, 20003, 20004, 5]))
    assert "printed = encoded + 20000 for all 4" in found(result, "printed-differs")["card"].text
    assert line(result, "C-0").action == "add"  # explained: no reason to hold
    assert "printed = encoded + 20000" in line(result, "C-0").reason


def test_an_offset_that_explains_most_leaves_the_others_held(site: Site) -> None:
    result = walk(site, numbered(4, [20001, 20002, 20003, 999]))
    assert "for 3 of 4" in found(result, "printed-differs")["card"].text
    assert [line(result, f"C-{n}").action for n in range(4)] == ["add", "add", "add", "hold"]


def test_two_cards_with_one_offset_explain_nothing(site: Site) -> None:
    result = walk(site, numbered(3, [20001, 20002, 3]))
    assert "no constant offset" in found(result, "printed-differs")["card"].text
    assert [line(result, f"C-{n}").action for n in range(3)] == ["hold", "hold", "add"]


def test_a_printed_number_that_cannot_be_read_is_held(site: Site) -> None:
    result = walk(site, Files().card("C-1", "01200345", printed="O0345"))
    assert "the printed number cannot be read" in line(result, "C-1").reason
    assert found(result, "printed-differs")["card"].count == 1


def test_failed_checks_name_every_cause_that_explains_as_much(site: Site) -> None:
    inverted = walk(site, two().read("gate", *(hexed(12, 101 + n, invert=True) for n in range(5))))
    text = found(inverted, "failed-checks")["gate"].text
    # Inverted lines and reversed bits both always break both parities, and both always undo it (SIA AC-01 rule).
    assert "rule even-parity: 5 readings, 5 different texts; 5 of 5" in text
    assert "the lines are inverted" in text
    assert "bits are reversed" in text
    flipped = walk(site, two().read("gate", *(hexed(12, 101 + n, flip=3) for n in range(5))))
    assert "one bit is flipped" in found(flipped, "failed-checks")["gate"].text


def test_failed_checks_are_one_finding_for_each_rule(site: Site) -> None:
    result = walk(site, two().read("gate", hexed(12, 345, flip=3), hexed(12, 345, flip=20), hexed(12, 346, flip=21)))
    findings = [finding for finding in result.findings if finding.code == "failed-checks"]
    assert sorted((finding.count, finding.text.split(":")[0]) for finding in findings) == [
        (1, "rule even-parity"),
        (2, "rule odd-parity"),
    ]


def test_a_text_under_a_foreign_keyboard_layout_is_explained(site: Site) -> None:
    # Unshifted digits of the French layout: 0 is à, 1 is &, 2 is é, 3 is ", 4 is ' (ISO/IEC 9995, from memory).
    result = walk(site, two().read("gate", "àéF_-'DD"))
    assert "keyboard layout fr" in found(result, "unreadable")["gate"].text


def test_known_cards_decide_between_orders(site: Site) -> None:
    files = consecutive().read(
        "gate", *(hexed(12, 101 + n, invert=True) for n in range(4)), hexed(12, 999, invert=True)
    )
    finding = found(walk(site, files), "other-order")["gate"]
    assert finding.text == (
        "4 of 5 unresolved readings match known credentials if the lines are inverted (read on 2026-03-10)"
    )


def test_an_order_that_turns_good_readings_into_other_cards_proves_nothing(site: Site) -> None:
    one_way = [0x01020304 + (n << 8) for n in range(3)]
    other_way = [int(backwards(number)) for number in one_way]
    files = serials(*one_way, *other_way, *SERIALS[:3]).read("office", *map(backwards, SERIALS[:3]))
    files.read("office", *(str(number).zfill(10) for number in range(3)))
    assert found(walk(site, files), "other-order")["office"].count == 3  # 3 of 6
    files.read("office", *(f"{number:010d}" for number in one_way))
    assert "office" not in found(walk(site, files), "other-order")  # as are 3 of the 3 that are good


def test_numbers_that_are_the_same_in_either_order_do_not_count_against_it(site: Site) -> None:
    same = [int.from_bytes(bytes([a, b, b, a]), "big") for a, b in ((1, 2), (3, 4), (5, 6))]
    files = serials(*same, *SERIALS[:3]).read("office", *(f"{number:010d}" for number in same))
    assert found(walk(site, files.read("office", *map(backwards, SERIALS[:3]))), "other-order")["office"].count == 3


def test_a_single_facility_code_is_told_with_those_it_hides(site: Site) -> None:
    result = walk(site, fixed(several=True))
    text = found(result, "single-facility")["yard"].text
    assert text == (
        "every number read has facility 12; 4 of 4 unresolved readings match known credentials with facility 57"
    )
    candidates = {each.candidates for each in result.exceptions if each.code == "unknown-card"}
    assert candidates == {(f"W-{n} (if facility is 57)",) for n in range(4)}


def test_numbers_that_a_fixed_facility_code_may_hide_prove_no_sighting(site: Site) -> None:
    files = fixed(several=True).card("W-9", "05700101")  # read at the yard, it would come as C-1's number
    result = walk(site, files)
    assert line(result, "C-1").proof == "in conflict"
    assert line(result, "C-2").proof == "seen"


def test_diagnosis_runs_over_a_sample_of_different_texts(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    tried: list[str] = []
    real = causes.diagnose
    monkeypatch.setattr(causes, "diagnose", lambda codec, text: tried.append(text) or real(codec, text))
    texts = [hexed(12, n % 500, flip=3) for n in range(2000)]
    result = walk(site, two().read("gate", *texts))
    assert len(tried) == len(set(tried)) <= causes.SAMPLE
    text = found(result, "failed-checks")["gate"].text
    assert re.search(r"2,000 readings, 500 different texts; (\d+) of \1 that were tried", text)


def test_a_text_is_read_once(site: Site) -> None:
    texts, reader = Texts(), site.readers["gate"]
    first = texts.read(reader.periods[0].codec, reader.kind, hexed(12, 345))
    assert texts.read(reader.periods[0].codec, reader.kind, hexed(12, 345)) is first


# Readings: where each goes, and why.


def one(site: Site, files: Files) -> Exceptional:
    """The only exception among the readings."""
    (only,) = [each for each in walk(site, files).exceptions if each.file == "readings.csv"]
    return only


@pytest.mark.parametrize(
    ("reader", "text", "code"),
    [
        ("gate", "02F764D", "unreadable"),
        ("gate", "", "unreadable"),
        ("gate", "0" * 400, "unreadable"),
        ("quay", frame(12, 345)[:-1], "check-failed"),
        ("gate", hexed(12, 345, flip=9), "check-failed"),
        ("gate", "F" + hexed(12, 345)[1:], "check-failed"),
        ("either", f"{int(frame(12, 345), 2) ^ 8:026b}", "check-failed"),
        ("either", "x", "unreadable"),
        ("gate", "1.23E+47", "spreadsheet-damage"),
        ("gate", "1,5E+10", "spreadsheet-damage"),
        ("gate", "1.23E47", "unreadable"),
        ("either", "1200345", "spreadsheet-damage"),
        ("gate", hexed(12, 347), "unknown-card"),
        ("gate", hexed(13, 345), "unexpected-value"),
        ("keys", "1", "incomplete-entry"),
    ],
)
def test_a_reading_that_is_not_resolved_has_one_code(site: Site, reader: str, text: str, code: str) -> None:
    each = one(site, two().read(reader, text))
    assert (each.line, each.code, each.input) == (4, code, text)


def test_either_of_two_chains_may_read(site: Site) -> None:
    assert not codes(walk(site, two().read("either", frame(12, 345), "01200345")))


def test_a_reader_that_was_re_set_is_read_by_its_true_time(site: Site) -> None:
    before, after = str((12 << 16) + 345), f"{(12 << 16) + 345:06X}"
    # The yard's clock is 200 seconds fast: noon there is 12:03:20 by its own clock.
    files = (
        two().read("yard", before, at="2026-03-14T12:03:19+01:00").read("yard", after, at="2026-03-14T12:03:20+01:00")
    )
    assert not codes(walk(site, files))
    files = (
        two().read("yard", after, at="2026-03-14T12:03:19+01:00").read("yard", before, at="2026-03-14T12:03:20+01:00")
    )
    assert set(codes(walk(site, files)).values()) <= {"unreadable", "unknown-card", "check-failed", "unexpected-value"}
    assert len(codes(walk(site, files))) == 2


def test_a_reading_in_no_period_is_a_fault_of_the_file(site: Site) -> None:
    yard = site.readers["yard"]
    until = replace(yard, periods=yard.periods[:1])
    closed = replace(site, readers={**site.readers, "yard": until})
    with pytest.raises(DefinitionError) as caught:
        crosswalk(closed, two().read("yard", "1", at="2026-03-14T12:03:20+01:00").rows())
    assert str(caught.value) == "readings.csv line 4: 2026-03-14T12:00:00+01:00 is in no period of the reader 'yard'"


def test_the_day_of_a_reading_is_the_site_s(site: Site) -> None:
    card = two().card("C-3", "01200347", valid_until="2026-03-28")
    # 23:30 UTC on 28 March is 00:30 on the 29th in Amsterdam, still an hour ahead.
    assert codes(walk(site, card.read("gate", hexed(12, 347), at="2026-03-28T23:30:00+00:00"))) == {4: "inactive-read"}


def test_a_number_of_a_card_that_is_gone_is_the_next_one_s(site: Site) -> None:
    files = Files().card("C-1", "01200345", status="returned", valid_until="2026-02-01")
    files.card("C-2", "01200345", valid_from="2026-02-10")
    files.read("gate", hexed(12, 345), at="2026-01-15T08:00:00Z").read("gate", hexed(12, 345))
    result = walk(site, files)
    assert not codes(result)
    assert line(result, "C-1").readers == line(result, "C-2").readers == "gate 1"
    assert line(result, "C-1").action == "none"
    assert line(result, "C-2").action == "add"


def test_a_destroyed_card_that_reads_is_an_inactive_read(site: Site) -> None:
    each = one(site, two().card("C-3", "01200347", status="destroyed").read("gate", hexed(12, 347)))
    assert (each.code, each.candidates) == ("inactive-read", ("C-3",))
    assert "'destroyed'" in each.reason


def test_the_desk_decides_between_two_cards_of_one_number(site: Site) -> None:
    twins = Files().card("C-1", "01200345").card("C-2", "01200345").read("gate", hexed(12, 345))
    result = walk(site, twins)
    assert [line(result, name).proof for name in ("C-1", "C-2")] == ["in conflict", "in conflict"]
    result = walk(site, twins.read("gate", hexed(12, 345), expected="C-2"))
    assert not codes(result)
    assert [line(result, name).proof for name in ("C-1", "C-2")] == ["in conflict", "seen"]


def test_the_other_number_of_a_card_decides_too(site: Site) -> None:
    files = Files().card("C-1", "01200345").card("C-2", "01200345").card("C-2", "77", kind="serial")
    files.read("gate", hexed(12, 345), presentation="D-1").read("office", "0000000077", presentation="D-1")
    result = walk(site, files)
    assert not codes(result)
    assert line(result, "C-2").proof == "seen"
    assert line(result, "C-1").proof == "on paper only"


def test_what_the_desk_says_of_one_read_holds_for_the_presentation(site: Site) -> None:
    files = two().card("C-1", "77", kind="serial")
    files.read("office", "0000000077", presentation="D-1", expected="C-1").read(
        "gate", hexed(40, 346), presentation="D-1"
    )
    result = walk(site, files)
    assert codes(result) == {5: "conflict"}
    assert list(found(result, "conflict")) == ["C-1"]
    assert line(result, "C-2").action == "hold"


def test_reads_of_one_presentation_that_disagree_are_conflicts_all(site: Site) -> None:
    files = two().read("gate", hexed(12, 345), hexed(40, 346), presentation="D-1")
    result = walk(site, files)
    assert codes(result) == {4: "conflict", 5: "conflict"}
    assert set(found(result, "conflict")) == {"C-1", "C-2"}
    assert {line(result, name).action for name in ("C-1", "C-2")} == {"hold"}


def test_candidates_of_a_reading_that_is_not_resolved(site: Site) -> None:
    files = two().card("C-1", "77", kind="serial").card("C-1", "01200399", person="P-C-1", source="east")
    files.read("gate", hexed(12, 345, flip=2), presentation="D-1").read("office", "0000000077", presentation="D-1")
    files.read("gate", hexed(12, 111), expected="C-7").read("gate", hexed(12, 399))
    candidates = {each.line: each.candidates for each in walk(site, files).exceptions if each.file == "readings.csv"}
    assert candidates == {
        4: ("C-1 (same presentation)",),
        6: ("C-7 (expected)",),
        7: ("C-1 (in a row that does not count)",),
    }


def test_a_long_number_that_looks_rounded_is_believed_if_a_reader_shows_it(site: Site) -> None:
    round_number = 1234567890123450
    files = Files().card("L-1", str(round_number), kind="long")
    assert codes(walk(site, files), "credentials.csv") == {2: "spreadsheet-damage"}
    result = walk(site, files.read("dock-hex", f"{round_number:015X}").read("dock", str(round_number)))
    assert not result.exceptions
    # Rounded here and there, two files of one spreadsheet do not confirm each other.
    files = Files().card("L-1", str(round_number), kind="long").read("dock", str(round_number))
    result = walk(site, files)
    assert codes(result, "credentials.csv") == {2: "spreadsheet-damage"}
    assert codes(result) == {2: "spreadsheet-damage"}


def test_entries_typed_key_by_key(site: Site) -> None:
    files = Files().card("L-1", "123", kind="locker")
    files.read("keys", *"123B", at="2026-03-10T08:00:00Z").read("keys", *"12", at="2026-03-10T08:01:00Z")
    files.read("keys", *"999B", at="2026-03-10T08:02:00Z").read("keys", *"1F3B", at="2026-03-10T08:04:00Z")
    result = walk(site, files)
    assert codes(result) == (
        dict.fromkeys((6, 7), "incomplete-entry")
        | dict.fromkeys(range(8, 12), "unknown-card")
        | dict.fromkeys(range(12, 16), "incomplete-entry")
    )
    assert line(result, "L-1", "").readers == "keys 4"


def test_rows_of_a_keypad_are_joined_by_time_whatever_their_order(site: Site) -> None:
    files = Files().card("L-1", "123", kind="locker")
    for key, second in (("3", 2), ("1", 0), ("B", 3), ("2", 1)):
        files.read("keys", key, at=f"2026-03-10T08:00:0{second}Z")
    assert not codes(walk(site, files))


def test_account_numbers_are_masked_in_exceptions(site: Site) -> None:
    # 4114360123456785 is the test number of the WHATWG HTML standard.
    each = one(site, two().read("gate", "4114360123456785"))
    assert each.input == "411436******6785"
    assert "4114360123456785" not in each.reason


# Credentials: which rows count, and what becomes of them.


def test_the_first_source_counts(site: Site) -> None:
    files = (
        Files().card("C-1", "01200345", "P", source="east").card("C-1", "01200346", "P", source="west", status="lost")
    )
    result = walk(site, files)
    assert codes(result, "credentials.csv") == {2: "superseded"}
    (each,) = result.exceptions
    assert each.reason == "it differs in value, status from line 3, and 'west' counts first"
    assert (line(result, "C-1").number, line(result, "C-1").status) == ("12-346", "lost")


def test_a_damaged_row_of_the_first_source_is_not_replaced_by_another(site: Site) -> None:
    files = Files().card("C-1", "1200345", "P", source="west").card("C-1", "01200345", "P", source="east")
    result = walk(site, files)
    assert codes(result, "credentials.csv") == {2: "spreadsheet-damage", 3: "superseded"}
    assert not result.lines


def test_sources_that_no_rule_ranks_are_held_where_they_disagree(site: Site) -> None:
    files = Files().card("C-1", "01200345", "P", source="north").card("C-1", "01200346", "P", source="south")
    result = walk(site, files)
    assert {each.action for each in result.lines} == {"hold"}
    assert "line 3 says otherwise (value)" in result.lines[0].reason


def test_a_repeated_row_counts_once(site: Site) -> None:
    files = Files().card("C-1", "01200345", "P").card("C-1", "01200345", "P")
    result = walk(site, files)
    assert codes(result, "credentials.csv") == {3: "superseded"}
    assert line(result, "C-1").action == "add"


def test_one_after_the_other_is_no_contradiction(site: Site) -> None:
    files = Files().card("C-1", "01200345", "P", valid_until="2026-01-01")
    files.card("C-1", "01200345", "P", valid_from="2026-02-01")
    result = walk(site, files)
    assert not result.exceptions
    assert [(each.status, each.action) for each in result.lines] == [("expired", "none"), ("active", "add")]


def test_a_card_handed_on_within_a_day_is_no_overlap_but_held_on_that_day(site: Site) -> None:
    def handed_on(day: str) -> list[tuple[str, str]]:
        files = Files().card("C-1", "01200345", "P", valid_until=day).card("C-1", "01200345", "Q", valid_from=day)
        result = walk(site, files)
        assert not result.exceptions
        return [(each.person, each.action) for each in result.lines]

    assert handed_on("2026-03-30") == [("P", "none"), ("Q", "add")]
    assert handed_on("2026-03-31") == [("P", "hold"), ("Q", "hold")]  # the day of judgement


def test_readings_of_a_card_with_two_holders_are_resolved(site: Site) -> None:
    files = Files().card("C-1", "01200345", "P").card("C-1", "01200345", "Q").read("gate", hexed(12, 345))
    result = walk(site, files)
    assert not codes(result)
    assert not result.lines


@pytest.mark.parametrize(
    ("more", "status"),
    [
        ({}, "active"),
        ({"valid_until": "2026-03-31"}, "active"),
        ({"valid_until": "2026-03-30"}, "expired"),
        ({"valid_from": "2026-03-31"}, "active"),
        ({"valid_from": "2026-04-01"}, "not yet valid"),
        ({"status": "lost"}, "lost"),
        ({"status": "ACTIVE"}, "ACTIVE"),
    ],
)
def test_status_on_the_day_of_judgement(site: Site, more: dict[str, str], status: str) -> None:
    each = line(walk(site, Files().card("C-1", "01200345", **more)), "C-1")
    assert (each.status, each.action) == (status, "add" if status == "active" else "none")
    assert bool(each.text) == (status == "active")


def test_keep_change_and_add(site: Site) -> None:
    text = str((12 << 16) + 345)  # the 24 data bits as one number
    files = Files().card("C-1", "01200345", "P")
    assert line(walk(site, files), "C-1").action == "add"
    kept = line(walk(site, files.export("P", text)), "C-1")
    assert (kept.action, kept.text, kept.number) == ("keep", text, "12-345")
    files = Files().card("C-1", "01200345", "P").export("P", "786776").export("Q", "786775")
    changed = line(walk(site, files), "C-1")
    assert (changed.action, changed.text) == ("change", text)
    assert "'786776'" in changed.reason
    # What it would replace is nobody's number: it is shown to a person, with the other one.
    assert codes(walk(site, files), "export.csv") == {2: "existing-unmatched", 3: "existing-unmatched"}


def test_what_is_replaced_may_be_an_old_card_s(site: Site) -> None:
    files = Files().card("C-1", "01200344", "P", status="lost").card("C-2", "01200345", "P", replaces="C-1")
    result = walk(site, files.export("P", "786776"))
    assert not result.exceptions
    assert [line(result, name).action for name in ("C-1", "C-2")] == ["none", "change"]
    assert "the export still has its text" in line(result, "C-1").reason


def test_one_old_text_is_replaced_once(site: Site) -> None:
    free = replace(site, rules=replace(site.rules, one_active_issue=False))
    files = Files().card("C-1", "01200345", "P").card("C-2", "01200346", "P").export("P", "1")
    assert [each.action for each in walk(free, files).lines] == ["change", "add"]


def test_a_text_under_another_person_is_held(site: Site) -> None:
    files = Files().card("C-1", "01200345", "P").export("Q", "786777")
    result = walk(site, files)
    assert (line(result, "C-1").action, line(result, "C-1").text) == ("hold", "")
    assert codes(result, "export.csv") == {2: "existing-unmatched"}
    assert result.exceptions[0].candidates == ("C-1",)


def test_a_pool_card_is_known_under_any_name(site: Site) -> None:
    files = Files().card("V-1", "01200345", "VISITOR", valid_until="2026-03-05")
    files.card("V-1", "01200345", "POOL", valid_from="2026-03-06").export("SOMEBODY", "786777")
    result = walk(site, files.read("gate", hexed(12, 345), at="2026-03-02T08:00:00Z"))
    assert not result.exceptions
    assert [(each.person, each.action, each.proof) for each in result.lines] == [
        ("VISITOR", "none", "seen"),
        ("POOL", "keep", "on paper only"),
    ]
    assert "card" not in found(result, "never-seen")  # the card was seen, in other hands


def test_columns_of_numbers_compare_numbers(site: Site) -> None:
    number = replace(site.targets["gatehouse"].column, written="int32")
    changed = replace(site, targets={"gatehouse": replace(site.targets["gatehouse"], column=number)})
    result = walk(changed, Files().card("C-1", "01200345", "P").export("P", "0786777"))
    assert not result.exceptions
    assert line(result, "C-1").action == "keep"


@pytest.mark.parametrize(
    ("status", "action"), [("active", "hold"), ("lost", "hold"), ("returned", "none"), ("destroyed", "none")]
)
def test_duplicates_hold_each_other_unless_one_is_gone(site: Site, status: str, action: str) -> None:
    result = walk(site, Files().card("C-1", "01200345").card("C-2", "01200345", status=status))
    assert line(result, "C-2").action == action
    assert line(result, "C-1").action == ("hold" if action == "hold" else "add")
    assert not any(each.text for each in result.lines if each.action in ("hold", "none"))


def test_a_lossy_target_holds_both_and_another_target_neither(site: Site) -> None:
    result = walk(site, serials(345, 345 + (7 << 24), 999))
    assert [line(result, f"S-{n}", "turnstile").action for n in (345, 345 + (7 << 24), 999)] == ["hold", "hold", "add"]
    assert {each.action for each in result.lines if each.target == "payroll"} == {"add"}


def test_a_number_that_does_not_fit_is_held_there_only(site: Site) -> None:
    result = walk(site, serials(1 << 31))
    assert line(result, f"S-{1 << 31}", "payroll").action == "hold"
    assert "2147483648" in line(result, f"S-{1 << 31}", "payroll").reason
    assert line(result, f"S-{1 << 31}", "turnstile").text == "0"


def test_a_number_that_the_chain_cannot_write_is_held(site: Site) -> None:
    wide = replace(site.kinds["card"], expect={})
    result = walk(replace(site, kinds={**site.kinds, "card": wide}), Files().card("C-1", "99900345"))
    assert line(result, "C-1").action == "hold"
    assert found(result, "column-too-small")["gatehouse"].count == 1


def test_a_value_that_must_not_serve_is_held(site: Site) -> None:
    result = walk(site, serials(8 << 24))
    assert {each.action for each in result.lines} == {"hold"}
    assert "a random serial" in result.lines[0].reason


def test_two_active_issues_are_held(site: Site) -> None:
    result = walk(site, two().card("C-3", "01200999", person="P-C-1", replaces="C-1"))
    assert [line(result, name).action for name in ("C-1", "C-2", "C-3")] == ["hold", "add", "hold"]
    assert "'C-3' replaces 'C-1'" in found(result, "two-active-issues")["P-C-1 card"].text


def test_a_kind_without_a_target_has_one_line(site: Site) -> None:
    (each,) = walk(site, Files().card("L-1", "123", kind="locker")).lines
    assert (each.target, each.action, each.text) == ("", "none", "")


def test_last_seen_is_by_the_site_s_clocks(site: Site) -> None:
    files = two().read("gate", hexed(12, 345), at="2026-03-30T06:00:00Z").read("quay", frame(12, 345))
    each = line(walk(site, files), "C-1")
    assert (each.proof, each.readers) == ("seen", "gate 2; quay 1")
    assert each.last_seen is not None
    assert each.last_seen.isoformat() == "2026-03-30T08:00:00+02:00"


def test_nothing_is_ever_taken_away(site: Site) -> None:
    assert {each.action for _, _, must, _ in sum(CASES.values(), []) for each in walk(site, must).lines} <= {
        "add", "keep", "change", "hold", "none",
    }  # fmt: skip


# Every row is somewhere, whatever the rows are.

numbers = st.tuples(st.sampled_from((12, 40, 99)), st.integers(1, 6))
days = st.sampled_from((None, date(2026, 3, 1), date(2026, 3, 10), date(2026, 3, 31), date(2026, 4, 5)))
names = st.sampled_from(("P-1", "P-2", "POOL"))
values = st.one_of(
    numbers.map(lambda n: ("card", f"{n[0]:03d}{n[1]:05d}")),
    numbers.map(lambda n: ("card", f"{n[0]}{n[1]:05d}")),
    st.integers(1, 4).map(lambda n: ("serial", str(n << 24))),
    st.sampled_from((("card", "x"), ("serial", "1.2E+08"), ("locker", "123"), ("long", "1234567890123450"))),
)


@st.composite
def assignments(draw: st.DrawFn) -> Assignment:
    kind, value = draw(values)
    first, last = draw(days), draw(days)
    if first and last and last < first:
        first, last = last, first
    return Assignment(
        line=0, person=draw(names), credential=draw(st.sampled_from(("C-1", "C-2", "C-3"))), kind=kind, value=value,
        printed=draw(st.sampled_from(("", "", "00001", "x"))),
        status=draw(st.sampled_from(("active", "active", "lost", "returned"))), valid_from=first, valid_until=last,
        source=draw(st.sampled_from(("west", "east", "south"))),
    )  # fmt: skip


framed = st.tuples(numbers, st.none() | st.integers(0, 25), st.booleans()).map(
    lambda d: hexed(*d[0], flip=d[1], invert=d[2])
)
reads = st.one_of(
    st.tuples(st.just("gate"), framed | st.text("0123456789AF.E+", max_size=9)),
    st.tuples(st.just("yard"), numbers.map(lambda n: str((n[0] << 16) + n[1])) | st.just("0C0001")),
    st.tuples(st.just("either"), numbers.map(lambda n: frame(*n)) | st.just("1200001")),
    st.tuples(st.sampled_from(("office", "lobby")), st.integers(0, 9).map(lambda n: f"{n << 24:010d}") | st.text()),
    st.tuples(st.just("dock"), st.just("1234567890123450")),
    st.tuples(st.just("keys"), st.sampled_from("0123456789ABF")),
)


@st.composite
def readings(draw: st.DrawFn) -> Read:
    reader, text = draw(reads)
    minutes = draw(st.integers(0, 31 * 24 * 60))
    return Read(
        line=0, time=datetime(2026, 3, 1, tzinfo=UTC) + timedelta(minutes=minutes / 4), reader=reader, text=text,
        presentation=draw(st.sampled_from(("", "", "D-1", "D-2"))),
        expected=draw(st.sampled_from(("", "", "", "C-1", "C-9"))),
    )  # fmt: skip


@given(
    cards=st.lists(assignments(), max_size=8),
    rows=st.lists(readings(), max_size=25),
    held=st.lists(st.tuples(names, st.sampled_from(("786433", "786434", "1.5E+05", ""))), max_size=4),
)
def test_rows_always_add_up(site: Site, cards: list[Assignment], rows: list[Read], held: list[tuple[str, str]]) -> None:
    files = Files(
        cards=[replace(card, line=place) for place, card in enumerate(cards, 2)],
        reads=[replace(row, line=place) for place, row in enumerate(rows, 2)],
    )
    for person, text in held:
        files.export(person, text)
    result = walk(site, files)
    excepted = codes(result)
    # What is resolved was read as a number that the register has: told by the gate's frames, by hand.
    known = {card.value for card in files.cards if len(card.value) == 8}
    for row in files.reads:
        if row.reader == "gate" and row.line not in excepted:
            bits = f"{int(row.text, 16):026b}"
            facility, number = int(bits[1:9], 2), int(bits[9:25], 2)
            assert bits == frame(facility, number)
            assert f"{facility:03d}{number:05d}" in known
    for each in result.lines:
        assert bool(each.text) == (each.action in ("add", "keep", "change"))
        assert not each.text or each.status == "active"
        assert each.reason or each.action in ("add", "keep")
    written = [(each.target, each.text) for each in result.lines if each.text]
    assert len(written) == len(set(written))  # no target gets one text twice
    assert all(len(row) <= 80 for row in summary_text(result).splitlines())


# The files.


def table(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_output_files(site: Site, tmp_path: Path) -> None:
    files = two().read("gate", hexed(12, 999), "=1+1", expected="=C").card("C-3", "01200347", person="@P-3")
    result = walk(site, files)
    out = tmp_path / "deep" / "result"
    write_outputs(result, out)
    assert sorted(path.name for path in out.iterdir()) == sorted(NAMES)
    assert stat.S_IMODE(out.stat().st_mode) == 0o700
    assert {stat.S_IMODE(path.stat().st_mode) for path in out.iterdir()} == {0o600}
    assert [path.name for path in out.parent.iterdir()] == ["result"]
    lines = table(out / "crosswalk.csv")
    assert (
        ",".join(lines[0]) == "person,credential,kind,number,status,target,text,action,proof,readers,last_seen,reason"
    )
    assert lines[0] == {
        "person": "P-C-1", "credential": "C-1", "kind": "card", "number": "12-345", "status": "active",
        "target": "gatehouse", "text": "786777", "action": "add", "proof": "seen", "readers": "gate 1",
        "last_seen": "2026-03-10T08:00:00+01:00", "reason": "",
    }  # fmt: skip
    assert lines[2]["person"] == "'@P-3"
    exceptions = table(out / "exceptions.csv")
    assert ",".join(exceptions[0]) == "file,line,code,input,reason,candidates"
    assert [(row["line"], row["code"], row["input"]) for row in exceptions] == [
        ("4", "unknown-card", hexed(12, 999)),
        ("5", "unreadable", "'=1+1"),
    ]
    assert exceptions[1]["candidates"] == "'=C (expected)"
    assert (out / "summary.txt").read_text(encoding="utf-8") == summary_text(result)


@pytest.mark.parametrize(
    ("value", "written"),
    [
        ("=1", "'=1"),
        ("+31 20", "'+31 20"),
        ("-A1", "'-A1"),
        ("@x", "'@x"),
        ("\t1", "'\t1"),
        ("\r1", "'\r1"),
        ("-2147483648", "-2147483648"),
        ("+1.5", "+1.5"),
        ("--1", "'--1"),
        ("786777", "786777"),
        ("", ""),
        (7, "7"),
    ],
)
def test_cells_that_a_spreadsheet_would_run_are_guarded(value: object, written: str) -> None:
    assert cell(value) == written


def test_a_former_output_is_replaced(site: Site, tmp_path: Path) -> None:
    write_outputs(walk(site, two()), tmp_path / "result")
    write_outputs(walk(site, consecutive()), tmp_path / "result")
    assert len(table(tmp_path / "result" / "crosswalk.csv")) == 8
    assert [path.name for path in tmp_path.iterdir()] == ["result"]


def test_an_empty_directory_is_taken(site: Site, tmp_path: Path) -> None:
    (tmp_path / "result").mkdir()
    write_outputs(walk(site, two()), tmp_path / "result")
    assert stat.S_IMODE((tmp_path / "result").stat().st_mode) == 0o700


@pytest.mark.parametrize("foreign", ["notes.txt", ".hidden", "summary.txt/"])
def test_a_directory_with_anything_else_is_refused(site: Site, tmp_path: Path, foreign: str) -> None:
    out = tmp_path / "result"
    write_outputs(walk(site, two()), out)
    if foreign.endswith("/"):
        (out / "summary.txt").unlink()
        (out / foreign).mkdir()
    else:
        (out / foreign).write_text("mine")
    before = {path.name: path.stat().st_mtime_ns for path in out.iterdir()}
    with pytest.raises(DefinitionError, match=f"holds '{foreign.rstrip('/')}'"):
        write_outputs(walk(site, consecutive()), out)
    assert {path.name: path.stat().st_mtime_ns for path in out.iterdir()} == before
    assert [path.name for path in tmp_path.iterdir()] == ["result"]


def test_what_is_no_directory_is_refused(site: Site, tmp_path: Path) -> None:
    (tmp_path / "result").write_text("mine")
    with pytest.raises(DefinitionError, match="is not a directory"):
        write_outputs(walk(site, two()), tmp_path / "result")
    with pytest.raises(DefinitionError, match="cannot be written"):
        write_outputs(walk(site, two()), tmp_path / "result" / "deeper")


def test_what_killed_runs_left_is_tidied_later(site: Site, tmp_path: Path) -> None:
    old, new, other = (tmp_path / f".result.{name}" for name in ("partial-a", "partial-b", "mine"))
    for folder in (old, new, other):
        folder.mkdir()
        (folder / "crosswalk.csv").write_text("x")
    os.utime(old, (time.time() - 7200,) * 2)
    os.utime(other, (time.time() - 7200,) * 2)
    write_outputs(walk(site, two()), tmp_path / "result")
    assert sorted(path.name for path in tmp_path.iterdir()) == [".result.mine", ".result.partial-b", "result"]


def test_a_failure_while_writing_leaves_the_former_output(
    site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "result"
    write_outputs(walk(site, two()), out)
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    real = Path.rename

    def refuse(path: Path, target: Path) -> Path:
        if ".partial-" in path.name:
            raise OSError(28, "No space left on device")
        return real(path, target)

    monkeypatch.setattr(Path, "rename", refuse)
    with pytest.raises(DefinitionError, match="No space left on device"):
        write_outputs(walk(site, consecutive()), out)
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    assert [path.name for path in tmp_path.iterdir()] == ["result"]


PROGRAM = """
import os, sys
from datetime import date
from credkit.crosswalk.outputs import write_outputs
from credkit.crosswalk.result import Crosswalk, Line, Section


def result(size):
    lines = tuple(
        Line(person="P", credential=f"C-{n}", kind="card", number="12-1", status="active", target="t", text="1",
             action="add", proof="seen", readers="", last_seen=None, reason="")
        for n in range(size)
    )
    summary = (Section(title="Rows", columns=("file", "left over"), rows=(("x", 0),)),)
    return Crosswalk(site="s", as_of=date(2026, 3, 31), lines=lines, exceptions=(), findings=(), summary=summary)


def serve(out):
    results = [result(size) for size in SIZES]
    for _ in sys.stdin:  # a child for each line, which writes until it is killed
        child = os.fork()
        while not child:
            for each in results:
                write_outputs(each, out)
        print(child, flush=True)
        os.waitpid(child, 0)
        print("dead", flush=True)
"""
SIZES = (300, 600)


def test_whoever_kills_it_finds_the_output_absent_or_whole(tmp_path: Path) -> None:
    space: dict[str, Any] = {"SIZES": SIZES}
    exec(PROGRAM, space)  # the same results, written in peace
    whole = set()
    for size in SIZES:
        space["write_outputs"](space["result"](size), tmp_path / "peace")
        whole.add(tuple((tmp_path / "peace" / name).read_bytes() for name in NAMES))
    assert len(whole) == len(SIZES)
    draw, out = random.Random(20260331), tmp_path / "result"
    killed: Counter[bool] = Counter()
    with subprocess.Popen(
        [sys.executable, "-c", f"{PROGRAM}\nSIZES = {SIZES}\nserve(sys.argv[1])", str(out)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1,
    ) as server:  # fmt: skip
        assert server.stdin is not None
        assert server.stdout is not None
        for _ in range(25):
            server.stdin.write("go\n")
            child = int(server.stdout.readline())
            time.sleep(draw.random() * 0.05)
            os.kill(child, signal.SIGKILL)
            assert server.stdout.readline() == "dead\n"
            if out.exists():
                assert sorted(path.name for path in out.iterdir()) == sorted(NAMES)
                assert tuple((out / name).read_bytes() for name in NAMES) in whole
            killed[any(path.name.startswith(".result.") for path in tmp_path.iterdir())] += 1
            for left in tmp_path.glob(".result.*"):
                shutil.rmtree(left)
    assert out.exists() or killed[True]
    assert killed[True] > 5  # really in the middle of the work


# The summary.


def test_the_summary_as_text(site: Site) -> None:
    result = walk(site, two().read("gate", hexed(12, 999)).card("C-3", "x"))
    text = summary_text(result)
    rows = text.splitlines()
    assert rows[0] == "Crosswalk of Brackwater Terminal, status as of 2026-03-31"
    assert all(len(row) <= 80 for row in rows)
    assert "  credentials.csv            3         2           1          0" in rows
    assert "Every row is in one place: rows = resolved + exceptions." in text
    assert "unknown-cards (1): a good number that no credential has" in text
    end = " ".join(text[text.index("Before you use this") :].split())
    for caution in (
        "Data checked", "the number is the key", "keep them private", "fresh sightings", "lawful basis",
        "emergency egress",
    ):  # fmt: skip
        assert caution in end
    assert "secure" not in text


def test_a_row_that_got_lost_would_show(site: Site) -> None:
    result = walk(site, two())
    first, *others = result.summary
    short = replace(first, rows=((*first.rows[0][:-1], 1), *first.rows[1:]))
    assert "1 rows are left over" in summary_text(replace(result, summary=(short, *others)))


def test_names_of_any_length_and_script_keep_the_width(site: Site) -> None:
    long = "東" * 40 + "-" + "x" * 90
    result = walk(replace(site, name=long), two().card(long, "01200347", person=long).card("C-4", "01200347"))
    assert all(len(row) <= 80 and row.isprintable() for row in summary_text(result).splitlines())


def test_a_site_s_files_are_read_unless_rows_are_given(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    for name, head in HEADS.items():
        (tmp_path / name).write_text(f"{head}\n", encoding="utf-8")
    (tmp_path / "credentials.csv").write_text(
        f"{HEADS['credentials.csv']}\nP-1,C-1,card,01200345,,1,active,,,,west\n", encoding="utf-8"
    )
    result = crosswalk(load_site(tmp_path / "site.toml"))
    assert [(each.credential, each.action) for each in result.lines] == [("C-1", "add")]
