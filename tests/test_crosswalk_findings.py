"""The findings of the crosswalk: each where it must appear, and not where it must not, and what it says.

For every finding there is a case that must show it and one, as like it as can be, that must not.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import Any

import pytest

from credkit.core.codec import AnyCodec
from credkit.crosswalk import causes, crosswalk
from credkit.crosswalk.result import FINDING_CODES
from credkit.explain import diagnosis as diagnose
from credkit.facts.texts import TextResults
from credkit.site.model import Site
from tests.brackwater import Files, found, frame, hexed, line, made, serials, two, walk
from tests.commandline import ACCOUNT


@pytest.fixture(scope="module")
def site() -> Site:
    return made()


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


def backwards(number: int) -> str:
    """The decimal number that a reader gives which sends the four bytes last byte first."""
    return f"{int.from_bytes(number.to_bytes(4, 'big'), 'little'):010d}"


SERIALS = (3000000001, 3000000777, 3123456789, 3999999999, 2500000123)


def striped(issue: int | None) -> Files:
    """A card with a stripe, of the given issue."""
    return two().card("T-1", "004711", kind="stripe", issue=issue)


FIXED = {  # cards of 57 that a reader turns into 12
    "seen": lambda: [f"{(12 << 16) + 101 + n}" for n in range(6)],
    "turned": lambda: [f"{(12 << 16) + 30001 + n}" for n in range(4)],
}


LATER = "2026-03-11T08:00:00+01:00"


def good() -> Files:
    """A box of cards, all of them read at the gate."""
    return consecutive().read("gate", *(hexed(12, 101 + n) for n in range(8)))


def fixed(*, several: bool) -> Files:
    files = consecutive()
    for number in range(4):
        files.card(f"W-{number}", f"{57 if several else 40:03d}{(30001 if several else 20001) + number:05d}")
    return files.read("yard", *FIXED["seen"](), *FIXED["turned"]())


def rounded_column(count: int, end: str) -> Files:
    """Numbers of 16 digits, of which a spreadsheet kept 15 if ``end`` is a zero."""
    files = Files()
    for place in range(count):
        number = str(1234567890123456 + 731 * place)
        files.card(f"L-{place}", number[:15] + end if end else number, kind="long")
    return files


def gate(*texts: str, **more: str) -> Files:
    return two().read("gate", *texts, **more)


def third(value: str = "01200347", **more: Any) -> Files:
    return two().card("C-3", value, **more)


def read_third(**more: str) -> Files:
    return third(**more).read("gate", hexed(12, 347))


def shown_serial(reader: str, first_byte: int) -> Files:
    return serials(9).read(reader, f"{first_byte << 24:010d}")


def typed(keys: str) -> Files:
    return Files().card("L-1", "123", kind="locker").read("keys", *keys)


def presented(serial_of: str) -> Files:
    """C-2's frame, read together with a serial number that the register gives to a card."""
    files = two().card(serial_of, "77", kind="serial")
    return files.read("gate", hexed(40, 346), presentation="D-1").read("office", "0000000077", presentation="D-1")


def held(status: str = "active", *, person: str = "P", **more: str) -> Files:
    """What the gatehouse holds for P is the number of somebody's card."""
    return Files().card("C-1", "01200345", person, status=status, **more).export("P", "786777")


CASES: dict[str, list[tuple[str, int, Files, Files]]] = {  # code: subject, count, must, must not
    "inactive-held": [
        ("gatehouse", 1, held("lost"), held()),
        ("gatehouse", 1, held(valid_until="2026-03-30"), held(valid_until="2026-03-31")),
        (
            "gatehouse", 2, held("stolen").export("P", "786777"),
            held("stolen").card("C-2", "01200345", "P").export("P", "786777"),
        ),
    ],
    "existing-unmatched": [
        ("gatehouse", 1, held(person="Q"), held()),
        ("gatehouse", 2, held().export("P", "1").export("Q", "786777"), held("lost")),
    ],
    "superseded": [
        ("credentials.csv", 1, third(source="east").card("C-3", "01200347"), third(source="east")),
        (
            "credentials.csv", 2, third().card("C-3", "01200347").card("C-3", "01200347"),
            third().card("C-4", "01200348").card("C-5", "01200349"),
        ),
    ],
    "duplicate-number": [
        ("harbour 01200345", 2, third("01200345"), third("01200345", status="returned")),
        ("harbour 01200345", 2, third("01200345", status="lost"), third("04000345")),
        ("serial 77", 2, serials(77).card("S-2", "77", kind="serial"), serials(77).card("S-2", "77", kind="phone")),
        (
            "harbour 01200345", 2, third("01200345"),
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
    "column-too-small": [
        ("payroll", 1, serials(1, 1 << 31), serials(1, (1 << 31) - 1)),
        ("payroll", 1, serials(1, 1 << 31), Files().card("C-1", "25600345")),
    ],
    "unwritable": [("gatehouse", 1, Files().card("C-1", "25600345"), serials(1, 1 << 31).card("C-1", "25500345"))],
    "two-active-issues": [
        (
            "P-C-1 card", 2, third("01200999", person="P-C-1", issue=2, replaces="C-1"),
            third("01200999", person="P-C-1", valid_from="2026-04-01"),
        ),
        (
            "P-C-1 card", 2, third("01200999", person="P-C-1"),
            two().card("C-3", "99", person="P-C-1", kind="serial"),
        ),
        (
            "P card", 2, two().card("V-1", "01200998", person="P").card("V-2", "01200999", person="P"),
            two().card("V-1", "01200998", person="POOL").card("V-2", "01200999", person="POOL"),
        ),
    ],
    "like-payment": [
        ("long", 1, Files().card("C-1", ACCOUNT, kind="long"), Files().card("C-1", f"{int(ACCOUNT) + 1}", kind="long")),
        ("long", 2, Files().read("dock", ACCOUNT, f"{ACCOUNT}x"), Files().read("dock-hex", f"{int(ACCOUNT):015X}")),
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
        ("C-2", 1, gate(hexed(12, 345), expected="C-2"), gate(hexed(12, 345), expected="C-1")),
        ("C-1", 1, gate(hexed(12, 346), expected="C-1"), gate(hexed(12, 346), expected="C-9")),
        ("C-1", 1, gate(hexed(40, 346), expected="c-1"), gate(hexed(12, 345), expected="c-1")),
        ("C-2", 1, presented("C-1"), presented("C-2")),
        (
            "T-1", 1, striped(2).read("kiosk", ";004711=01?", expected="T-1"),
            striped(2).read("kiosk", ";004711=02?", expected="T-1"),
        ),
        (
            "C-2", 1, presented("C-2").read("office", "0000000078", presentation="D-1", at="2026-03-10T08:00:09+01:00"),
            presented("C-2").read("office", "0000000078"),
        ),
    ],
    "printed-differs": [
        ("card", 4, numbered(4, [20001, 20002, 20003, 20004]), numbered(4, [1, 2, 3, 4])),
        ("card", 1, numbered(4, [1, 2, 3, 5]), two()),
    ],
    "spreadsheet-damage": [
        ("credentials.csv", 1, third("1200347"), third()),
        ("credentials.csv", 1, serials(3).card("S-2", "3.05E+09", kind="serial"), serials(3050000000)),
        ("credentials.csv", 12, rounded_column(12, "0"), rounded_column(4, "0")),
        ("credentials.csv", 12, rounded_column(12, "0"), rounded_column(300, "")),
        (
            "readings.csv", 1, serials(77).read("office", "77"), serials(77).read("office", "0000000077"),
        ),
        (
            "readings.csv", 12, Files().read("dock", *(row.value for row in rounded_column(12, "0").cards)),
            Files().read("dock", *(row.value for row in rounded_column(300, "").cards)),
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
    "re-set": [
        (
            "gate", 20, good().read("gate", *(f"no card {n}" for n in range(20)), at=LATER),
            good().read("gate", *["no card"] * 20, at=LATER),
        ),
        (
            "gate", 5, good().read("gate", *(frame(12, 101 + n) for n in range(5)), at=LATER),
            good().read("gate", *(frame(12, 101 + n) for n in range(2)), at=LATER),
        ),
        (
            "gate", 5, good().read("gate", *(f"{int(frame(12, 101 + n), 2)}" for n in range(5)), at=LATER),
            good().read("gate", *(f"{int(frame(12, 901 + n), 2)}" for n in range(5)), at=LATER),
        ),
    ],
    "other-chain": [
        (
            "gate", 4, consecutive().read("gate", *(frame(12, 101 + n) for n in range(4))),
            consecutive().read("gate", *(frame(12, 901 + n) for n in range(4))),
        ),
    ],
    "single-facility": [
        ("yard", 4, fixed(several=True), fixed(several=False).card("W-9", "05700345")),
        ("yard", 4, fixed(several=True), fixed(several=True).card("W-9", "05700345").read("yard", "3735897")),
    ],
    "check-failed": [("gate", 2, gate(hexed(12, 345, flip=3), hexed(12, 345, flip=4)), gate("02F764D"))],
    "unreadable": [("gate", 1, gate("02F764D"), gate(hexed(12, 345, flip=3)))],
    "unknown-card": [("gate", 2, gate(hexed(12, 346), hexed(12, 346)), gate(hexed(40, 346)))],
    "other-issue": [
        ("kiosk", 2, striped(2).read("kiosk", ";004711=01?", ";004711=03?"), striped(2).read("kiosk", ";004711=02?")),
        ("kiosk", 1, striped(2).read("kiosk", ";004711=01?"), striped(2).read("kiosk", ";004712=01?")),
    ],
    "unexpected-value": [("gate", 1, gate(hexed(200, 345)), gate(hexed(57, 345)))],
    "noted-numbers": [
        ("phone", 1, shown_serial("lobby", 8), shown_serial("lobby", 9)),
        ("cut", 1, two().card("S-1", "57", kind="serial").read("cut", "00000057"), two().read("cut", "X")),
    ],
    "refused-note": [
        ("office", 1, shown_serial("office", 8), shown_serial("office", 9)),
        ("lobby", 1, shown_serial("lobby", 8), shown_serial("lobby", 9)),
    ],
    "incomplete-entry": [("keys", 3, typed("12A"), typed("123B")), ("keys", 2, typed("12"), typed("999B"))],
    "inactive-read": [
        ("C-3", 1, read_third(status="lost"), read_third()),
        ("C-3", 1, read_third(valid_until="2026-03-09"), read_third(valid_until="2026-03-10")),
        ("C-3", 1, read_third(valid_from="2026-03-11"), read_third(valid_from="2026-03-10")),
        (
            "C-3", 1, read_third(status="lost", valid_until="2026-03-09"),
            read_third(status="lost", valid_until="2026-03-10"),
        ),
        ("C-3", 1, read_third(status="lost", valid_until="2027-03-10"), read_third(valid_until="2027-03-10")),
    ],
    "half-seen": [
        ("card serial", 1, two().card("C-1", "77", kind="serial"), presented("C-2")),
        ("card serial", 1, presented("C-2").card("C-1", "12", kind="serial"), third().card("C-3", "12", kind="serial")),
    ],
    "unreadable-value": [
        ("credentials.csv", 1, third("012O0347"), third()), ("credentials.csv", 1, third("01200347 "), third()),
    ],
    "maybe-rounded": [("long", 5, rounded_column(5, "0"), rounded_column(2, "0"))],
    "id-of-two-cards": [
        ("C-1", 2, two().card("C-1", "01200999", "P-9"), two().card("C-1", "01200345", "P-9")),
        ("C-1", 2, two().card("C-1", "01200999", "P-9"), two().card("C-1", "99", "P-9", kind="serial")),
    ],
    "near-id": [
        ("person_id", 2, third(person="p-c-1", kind="serial"), third(person="P-C-01", kind="serial")),
        ("credential_id", 2, two().card("C-1 ", "01200999", "P-7"), two().card("C-11", "01200999")),
        ("credential_id", 3, two().card("c-1", "01200999", "P-7").card("Ｃ-1", "01200998", "P-8"), third()),
    ],
    "twin-rows": [
        ("card", 2, two().card("C-1", "01200999", "P-C-1"), two().card("C-1", "01200999", "P-C-1", source="east")),
        (
            "card", 2, two().card("C-1", "01200999", "P-C-1"),
            third(valid_until="2026-01-01").card("C-3", "01200999", valid_from="2026-01-02"),
        ),
    ],
    "refused-value": [("serial", 1, serials(8 << 24), serials(9 << 24))],
    "several-holders": [
        (
            "V-1", 2, two().card("V-1", "01200999", "POOL").card("V-1", "01200999", "VIS", valid_from="2026-03-30"),
            two().card("V-1", "01200999", "POOL", valid_until="2026-03-29").card(
                "V-1", "01200999", "VIS", valid_from="2026-03-30"
            ),
        ),
    ],
    "held-by-other": [("gatehouse", 1, held(person="Q"), held())],
    "unknown-expected": [
        ("readings.csv", 2, gate(hexed(12, 345), hexed(40, 346), expected="C-9"), gate(hexed(12, 345), expected="C-1")),
    ],
    "white-space": [
        ("person_id", 1, third(person="P-3 "), third(person="P 3")),
        ("credential_id", 1, two().card("\u00a0C-3", "01200347", "P-3"), third()),
    ],
    "unknown-source": [
        ("West", 1, third(source="West"), third()), ("(empty)", 1, third(source=""), third(source="east")),
    ],
    "replaces": [
        ("an unknown credential", 1, third(replaces="C-9"), third(person="P-C-1", replaces="C-1")),
        ("itself", 1, third(replaces="C-3"), third()),
        ("another person's credential", 1, third(replaces="C-1"), third()),
        ("a credential of another kind", 1, third(replaces="S-9").card("S-9", "9", "P-C-3", kind="serial"), third()),
    ],
    "never-seen": [("card", 1, third(), third(status="lost")), ("card", 1, third(), read_third())],
}  # fmt: skip


ELSEWHERE = {  # codes that need other sites, and the modules with their tests
    "issue-dropped": "test_crosswalk",
    "export-damage": "test_crosswalk",
    "clock": "test_clocks",
}


def test_every_finding_has_a_case() -> None:
    assert set(CASES) | set(ELSEWHERE) == set(FINDING_CODES)


@pytest.mark.parametrize("case", [(code, *case) for code, cases in CASES.items() for case in cases], ids=lambda c: c[0])
def test_a_finding_appears_where_it_must_and_only_there(site: Site, case: tuple[str, str, int, Files, Files]) -> None:
    code, subject, count, must, must_not = case
    findings = found(walk(site, must), code)
    assert list(findings) == ([subject] if code != "conflict" else [*findings])
    assert findings[subject].count == count
    assert findings[subject].text
    assert "\n" not in findings[subject].text
    assert not found(walk(site, must_not), code)


# What findings say.


def test_two_are_both_active_and_three_all(site: Site) -> None:
    files = two().card("C-3", "01200998", person="P-C-1")
    assert found(walk(site, files), "two-active-issues")["P-C-1 card"].text == "'C-1' and 'C-3' are both active"
    files.card("C-4", "01200999", person="P-C-1")
    assert found(walk(site, files), "two-active-issues")["P-C-1 card"].text == "'C-1', 'C-3' and 'C-4' are all active"


def test_an_overlap_is_said_once(site: Site) -> None:
    files = Files().card("C-1", "01200345", "P").card("C-1", "01200345", "Q")
    assert found(walk(site, files), "overlap")["C-1"].text == "'P' (line 2) and 'Q' (line 3) hold it at the same time"
    # Each has its own reason in the exceptions.
    assert [each.reason for each in walk(site, files).exceptions] == [
        "'Q' holds it at the same time (line 3)",
        "'P' holds it at the same time (line 2)",
    ]


def test_three_holders_of_whom_two_never_met(site: Site) -> None:
    files = Files().card("C-1", "01200345", "P").card("C-1", "01200345", "Q", valid_until="2026-01-01")
    finding = found(walk(site, files.card("C-1", "01200345", "R", valid_from="2026-02-01")), "overlap")["C-1"]
    assert finding.count == 3
    assert finding.text == (
        "'P' (line 2) and 'Q' (line 3) hold it at the same time; 'P' (line 2) and 'R' (line 4) hold it at the same time"
    )


def test_the_unknown_numbers_that_were_read_most_often_are_named_first(site: Site) -> None:
    files = gate(*(hexed(40, 900 + n) for n in range(8)), hexed(40, 905), hexed(40, 905), hexed(40, 903))
    assert found(walk(site, files), "unknown-card")["gate"].text == (
        "11 readings of 8 numbers that no credential has: '04000905', '04000903', '04000900', '04000901', '04000902' "
        "and 3 more"
    )


def test_readings_that_a_reset_explains_have_no_other_cause(site: Site) -> None:
    files = good().read("gate", *(f"{int(frame(12, 101 + n), 2)}" for n in range(8)), at=LATER)
    result = walk(site, files)
    assert found(result, "re-set")["gate"].count == 8
    failing = [finding for finding in result.findings if finding.code in ("unreadable", "check-failed")]
    assert sum(finding.count for finding in failing) == 8
    for finding in failing:
        assert finding.text.endswith(f"; the finding re-set explains {finding.count} row{'s' * (finding.count > 1)}")
    assert next(iter(finding.code for finding in result.findings if finding.subject == "gate")) == "re-set"
    # One text more, which the chain does not explain: its own cause is named, and only its own.
    texts = [
        finding.text
        for finding in walk(site, files.read("gate", f"{hexed(12, 101)} ", at=LATER)).findings
        if finding.code == "unreadable" and "white space" in finding.text
    ]
    assert len(texts) == 1
    assert texts[0].endswith(
        'likely cause in 1 of 1 different texts: white space stands around it: strip = ["text"] under '
        "[files.readings] takes it off"
    )


def test_unknown_cards_that_one_facility_code_explains_are_counted(site: Site) -> None:
    text = found(walk(site, fixed(several=True)), "unknown-card")["yard"].text
    assert text.startswith("4 readings of 4 numbers that no credential has: '01230001', ")
    assert text.endswith("; the finding single-facility explains 4 rows")


def test_white_space_around_ids_is_named_with_its_cure(site: Site) -> None:
    text = found(walk(site, gate(hexed(12, 345), expected="C-1 ")), "unknown-expected")["readings.csv"].text
    assert text.endswith(
        "'C-1 ' (did you mean 'C-1'?; it has a space at its end: strip = [\"expected\"] under [files.readings] takes "
        "it off)"
    )
    text = found(walk(site, gate(hexed(12, 345), expected="c-1")), "unknown-expected")["readings.csv"].text
    assert text.endswith("'c-1' (did you mean 'C-1'?)")
    text = found(walk(site, third(replaces="C-1 ")), "replaces")["an unknown credential"].text
    assert text == (
        "'C-3' replaces 'C-1 ' (did you mean 'C-1'?; it has a space at its end: strip = [\"replaces\"] under "
        "[files.credentials] takes it off) (line 4)"
    )
    assert found(walk(site, third(source="west ")), "unknown-source")["west "].text.endswith(
        "(did you mean 'west'?; it has a space at its end: strip = [\"source\"] under [files.credentials] takes it off)"
    )
    near = two().card("C-1 ", "01200999", "P-7")
    cure = '. White space at their ends: strip = ["credential_id"] under [files.credentials] takes it off. If'
    assert cure in found(walk(site, near), "near-id")["credential_id"].text
    near = two().card("c-1", "01200999", "P-7")
    assert "White space" not in found(walk(site, near), "near-id")["credential_id"].text
    files = Files().card("C-1", "01200345", "P ").export("P", "786777")
    assert found(walk(site, files), "held-by-other")["gatehouse"].text.endswith(
        "the export has this text for 'P'; did you mean 'P' for 'P '? 'P ' has a space at its end: "
        'strip = ["person_id"] under [files.credentials] takes it off'
    )
    files = Files().card("C-1", "01200345", "P").export("p", "786777")
    assert found(walk(site, files), "held-by-other")["gatehouse"].text.endswith("; did you mean 'p' for 'P'?")


def test_each_credential_of_a_conflict_has_its_own_rows(site: Site) -> None:
    def held_rows(files: Files) -> dict[str, set[int]]:
        findings = found(walk(site, files), "conflict")
        return {
            name: {row.line for row in each.rows if row.file == "credentials.csv"} for name, each in findings.items()
        }

    files = two().card("C-3", "01200345", "P-9")  # the number of C-1
    files.read("gate", hexed(12, 345), hexed(40, 346), presentation="D-1")
    assert held_rows(files) == {"C-1": {2}, "C-2": {3}, "C-3": {4}}
    # What the desk expected names the card that was read, too: that one has no finding of its own.
    assert held_rows(gate(hexed(40, 346), expected="C-1")) == {"C-1": {2, 3}}


def test_of_many_texts_of_a_person_the_first_ten_are_named(site: Site) -> None:
    files = two()
    for number in range(12):
        files.export("P-C-1", f"{5000 + number}")
    assert line(walk(site, files), "C-1").held == f"{'; '.join(f'{5000 + number}' for number in range(10))}; and 2 more"


def test_a_number_whose_value_has_white_space_around_it_is_named(site: Site) -> None:
    result = walk(site, third("01200347 ").read("gate", hexed(12, 347)))
    (reading,) = [each for each in result.exceptions if each.code == "unknown-card"]
    assert reading.reason == (
        "no credential has the number '01200347'; with white space around it: line 4 of the credentials"
    )
    assert reading.candidates == ("C-3 (white space stands around its value)",)
    result = walk(site, third("01200348 ").read("gate", hexed(12, 347)))
    assert [each.candidates for each in result.exceptions if each.code == "unknown-card"] == [()]


def test_a_misspelt_source_is_offered_the_nearest(site: Site) -> None:
    assert found(walk(site, third(source="wst")), "unknown-source")["wst"].text.endswith("; did you mean west?")
    assert not found(walk(site, third(source="port")), "unknown-source")["port"].text.endswith("?")


def test_what_a_target_still_holds_is_named(site: Site) -> None:
    files = Files()
    for number in range(7):
        files.card(f"C-{number}", f"012{number:05d}", f"P-{number}", status="lost")
        files.export(f"P-{number}", str((12 << 16) + number))
    text = found(walk(site, files), "inactive-held")["gatehouse"].text
    assert text.startswith(
        "7 rows of 'C-0', 'C-1', 'C-2', 'C-3', 'C-4' and 2 more, not active: lines 2, 3, 4, 5, 6 and 2 more; "
        "the first: gatehouse holds it for 'P-0', and the status of 'C-0' is 'lost'"
    )
    assert text.endswith("check recent readings first")


def test_rows_that_do_not_count_are_named(site: Site) -> None:
    result = walk(site, third(source="east").card("C-3", "01200348"))
    assert found(result, "superseded")["credentials.csv"].text == (
        "1 superseded row: line 4; it differs in value from line 5, and 'west' counts first"
    )


def test_entries_and_the_rows_of_their_keys_are_both_counted(site: Site) -> None:
    unknown = found(walk(site, typed("999B998B")), "unknown-card")["keys"]
    assert (unknown.count, unknown.text) == (
        8,
        "2 entries, 8 rows of 2 numbers that no credential has: '998' and '999'",
    )
    unknown = found(walk(site, gate(hexed(12, 346))), "unknown-card")["gate"]
    assert (unknown.count, unknown.text) == (1, "1 reading of 1 number that no credential has: '01200346'")
    failing = found(walk(site, typed("1234B")), "unreadable")["keys"]
    assert failing.count == 5
    assert "1 entry, 5 rows, 1 different text" in failing.text
    lost = Files().card("L-1", "123", kind="locker", status="lost").read("keys", *"123B")
    assert "1 entry, 4 rows (keys 4)" in found(walk(site, lost), "inactive-read")["L-1"].text


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
    text = found(inverted, "check-failed")["gate"].text
    # Inverted lines and reversed bits both always break both parities, and both always undo it (SIA AC-01 rule).
    assert "rule even-parity: 5 readings, 5 different texts; likely cause in 5 of 5 different texts: " in text
    assert "the lines are inverted" in text
    assert "bits are reversed" in text
    flipped = walk(site, two().read("gate", *(hexed(12, 101 + n, flip=3) for n in range(5))))
    assert "one bit is flipped" in found(flipped, "check-failed")["gate"].text


def test_failed_checks_are_one_finding_for_each_rule(site: Site) -> None:
    result = walk(site, two().read("gate", hexed(12, 345, flip=3), hexed(12, 345, flip=20), hexed(12, 346, flip=21)))
    findings = [finding for finding in result.findings if finding.code == "check-failed"]
    assert sorted((finding.count, finding.text.split(":")[0]) for finding in findings) == [
        (1, "rule even-parity"),
        (2, "rule odd-parity"),
    ]


def test_a_text_under_a_foreign_keyboard_layout_is_explained(site: Site) -> None:
    # Unshifted digits of the French layout: 0 is à, 1 is &, 2 is é, 3 is ", 4 is ' (ISO/IEC 9995, from memory).
    result = walk(site, two().read("gate", "àéF_-'DD"))
    text = found(result, "unreadable")["gate"].text
    assert "it was typed under the keyboard layout fr (keyboard:fr/" in text


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
    assert line(result, "C-1").reason == "it was read only where a reader may give this number for another card"
    assert line(result, "C-2").proof == "seen"
    assert not line(result, "C-2").reason
    elsewhere = line(walk(site, files.read("gate", hexed(12, 101))), "C-1")
    assert (elsewhere.proof, elsewhere.reason) == ("seen", "")


@pytest.mark.parametrize(
    ("files", "code"),
    [
        (lambda: two().card("C-3", "20000345").read("gate", hexed(200, 345)), "unexpected-value"),
        (lambda: two().card("C-3", "01200347").read("gate", hexed(12, 347), expected="C-1"), "conflict"),
    ],
)
def test_a_card_whose_number_was_read_is_not_never_seen(site: Site, files: Callable[[], Files], code: str) -> None:
    result = walk(site, files())
    assert {each.code for each in result.exceptions} == {code}
    assert not found(result, "never-seen")
    each = line(result, "C-3")
    assert (each.proof, each.readers, each.last_seen) == ("in conflict", "", None)
    assert each.reason
    assert found(walk(site, Files().card("C-3", "01200347")), "never-seen")["card"].count == 1


def test_a_number_that_is_refused_was_read_all_the_same(site: Site) -> None:
    number = 8 << 24
    files = two().card("C-1", str(number), kind="serial").read("office", f"{number:010d}")
    assert not found(walk(site, files), "half-seen")
    assert line(walk(site, files), "C-1", "payroll").proof == "in conflict"


def test_a_card_of_which_another_was_read_is_on_paper_only(site: Site) -> None:
    files = Files().card("C-1", "01200345").card("C-2", "01200345").read("gate", hexed(12, 345), expected="C-2")
    result = walk(site, files)
    assert [line(result, name).proof for name in ("C-1", "C-2")] == ["on paper only", "seen"]
    assert found(result, "never-seen")["card"].count == 1


def test_diagnosis_runs_over_a_sample_of_different_texts(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    tried: list[str] = []

    def noted(codec: AnyCodec, text: str) -> tuple[diagnose.Hint, ...]:
        tried.append(text)
        return diagnose.diagnose(codec, text)

    monkeypatch.setattr(causes, "diagnose", noted)
    texts = [hexed(12, n % 500, flip=3) for n in range(2000)]
    result = crosswalk(site, two().read("gate", *texts).rows())
    assert len(tried) == len(set(tried)) <= causes.MOST_TEXTS_DIAGNOSED
    text = found(result, "check-failed")["gate"].text
    assert re.search(r"2,000 readings, 500 different texts; likely cause in (\d+) of \1 sampled texts", text)


def test_a_card_that_is_in_the_exceptions_is_not_also_missed(site: Site) -> None:
    files = two().card("C-3", "01200347", person="P").card("C-3", "01200347", person="Q")
    assert not found(walk(site, files), "never-seen")


def test_nothing_is_ever_taken_away(site: Site) -> None:
    actions = {each.action for cases in CASES.values() for case in cases for each in walk(site, case[2]).lines}
    assert actions == {"add", "keep", "hold", "none"}


def test_a_text_is_read_once(site: Site) -> None:
    texts, reader = TextResults(), site.readers["gate"]
    first = texts.read(reader.periods[0].codec, reader.kind, hexed(12, 345))
    assert texts.read(reader.periods[0].codec, reader.kind, hexed(12, 345)) is first
