"""The crosswalk: where every reading and every credential goes, and that all rows add up."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit import DefinitionError, chain
from credkit.crosswalk import Crosswalk, CrosswalkLine, ExceptionRow, crosswalk, summary_text
from credkit.site import load_site
from credkit.site.model import Site
from credkit.site.rows import Assignment, ReadingRow
from tests.brackwater import HEADS, SITE, Files, codes, found, frame, hexed, line, made, serials, two, walk
from tests.sentences import refusal


@pytest.fixture(scope="module")
def site() -> Site:
    return made()


# Readings: where each goes, and why.


def line_of(result: Crosswalk, number: int) -> CrosswalkLine:
    """The only line of a row of the credentials."""
    (only,) = [each for each in result.lines if each.line == number]
    return only


def one(site: Site, files: Files) -> ExceptionRow:
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
        ("quay", "", "check-failed"),
        ("kiosk-bits", "", "check-failed"),
        ("gate", hexed(12, 345, flip=9), "check-failed"),
        ("gate", "F" + hexed(12, 345)[1:], "check-failed"),
        ("either", f"{int(frame(12, 345), 2) ^ 8:026b}", "check-failed"),
        ("either", "x", "unreadable"),
        ("gate", "1.23E+47", "spreadsheet-damage"),
        ("gate", "1,5E+10", "spreadsheet-damage"),
        ("gate", "1.23E47", "unreadable"),
        ("either", "1200345", "spreadsheet-damage"),
        # 200-4096 by hand: 0 11001000 0001000000000000 1. Its first bit is lost; a spreadsheet would have rounded it.
        ("quay", "1100100000010000000000001", "check-failed"),
        ("quay", "110010000001000" + "0" * 10, "spreadsheet-damage"),
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
    with refusal(DefinitionError):
        crosswalk(closed, two().read("yard", "1", at="2026-03-14T12:03:20+01:00").rows())


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
    assert line(result, "C-1").proof == line(result, "C-2").proof == "seen"  # neither could be meant at the other time
    assert line(result, "C-1").action == "none"
    assert line(result, "C-2").action == "add"


def test_a_lost_card_was_good_until_its_end_if_that_has_come(site: Site) -> None:
    def lost(until: str) -> dict[int, str]:
        files = Files().card("C-1", "01200345", status="lost", valid_until=until)
        return codes(walk(site, files.read("gate", hexed(12, 345))))

    assert lost("2026-03-31") == {}  # the end has come on the day of judgement
    assert lost("2026-04-01") == {2: "inactive-read"}  # nothing says since when it is lost


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
        6: ("C-7 (expected)",),  # which no row has
        7: ("C-1 (in a row that does not count)",),
    }


def test_a_number_in_a_rounded_column_is_believed_if_a_reader_shows_it_whole(site: Site) -> None:
    rounded = [1234567890123450 + 7310 * place for place in range(12)]
    files = Files()
    for place, number in enumerate(rounded):
        files.card(f"L-{place}", str(number), kind="long")
    result = walk(site, files)
    assert set(codes(result, "credentials.csv").values()) == {"spreadsheet-damage"}
    assert {each.action for each in result.lines} == {"hold"}
    files.read("dock-hex", *(f"{number:015X}" for number in rounded)).read("dock", *map(str, rounded))
    assert not walk(site, files).exceptions
    # Rounded here and there, two files of one spreadsheet do not confirm each other.
    files.reads.clear()
    result = walk(site, files.read("dock", *map(str, rounded)))
    assert set(codes(result, "credentials.csv").values()) == set(codes(result).values()) == {"spreadsheet-damage"}


def test_a_reading_names_the_row_that_a_spreadsheet_altered(site: Site) -> None:
    whole = [1234567890123456 + 7311 * place for place in range(12)]
    files = Files().card("C-1", "1200345")
    for place, number in enumerate(whole):
        files.card(f"L-{place}", f"{round(number, -1)}", kind="long")
    files.read("gate", hexed(12, 345)).read("dock-hex", f"{whole[7]:015X}")
    candidates = [each.candidates for each in walk(site, files).exceptions if each.file == "readings.csv"]
    altered = [f"{credential} (if a spreadsheet altered its value)" for credential in ("C-1", "L-7")]
    assert candidates == [(altered[0],), (altered[1],)]


def test_one_number_in_ten_ends_in_a_zero_by_chance(site: Site) -> None:
    files = Files()
    for place in range(300):
        number = str(1234567890123456 + 7 * place)
        files.card(f"L-{place}", number, kind="long").read("dock", number)
    result = walk(site, files)
    assert not result.exceptions
    assert {each.code for each in result.lines} == {"no-target"}


def test_entries_typed_key_by_key(site: Site) -> None:
    files = Files().card("L-1", "123", kind="locker")
    files.read("keys", *"123B", at="2026-03-10T08:00:00Z").read("keys", *"12", at="2026-03-10T08:01:00Z")
    files.read("keys", *"999B", at="2026-03-10T08:02:00Z").read("keys", *"1F3B", at="2026-03-10T08:04:00Z")
    result = walk(site, files)
    assert codes(result) == (
        dict.fromkeys((6, 7), "incomplete-entry")
        | dict.fromkeys(range(8, 12), "incomplete-entry")  # it may be the rest of the entry before it
        | dict.fromkeys(range(12, 16), "incomplete-entry")
    )
    assert line(result, "L-1", "").readers == "keys 1"  # entries, not keys


def test_what_was_typed_was_never_in_a_spreadsheet(site: Site) -> None:
    files = Files().card("L-1", "012", kind="locker").read("keys", *"12B")
    assert set(codes(walk(site, files)).values()) == {"unreadable"}
    assert set(codes(walk(site, files.read("either", "1200345"))).values()) == {"unreadable", "spreadsheet-damage"}


def test_the_tail_of_an_entry_is_nobody_elses_number(site: Site) -> None:
    files = Files().card("L-1", "12345", kind="locker").card("L-2", "345", kind="locker")
    files.read("keys", *"12", at="2026-03-10T08:15:00Z").read("keys", *"345B", at="2026-03-10T08:16:00Z")
    result = walk(site, files)
    assert set(codes(result).values()) == {"incomplete-entry"}
    assert line(result, "L-2", "").proof == "on paper only"


def test_a_presentation_ends_when_its_id_comes_again_later(site: Site) -> None:
    files = Files().card("C-1", "01200345", "P").card("C-2", "01200345", "Q").card("S-1", "77", "P", kind="serial")
    files.read("gate", hexed(12, 345), presentation="1", expected="C-1", at="2026-03-10T08:00:00Z")
    files.read("gate", hexed(12, 345), presentation="1", at="2026-03-17T08:00:00Z")
    result = walk(site, files)
    assert line(result, "C-1").readers == "gate 2"
    assert line(result, "C-2").readers == "gate 1", "a week later it may be either"


@pytest.mark.parametrize(
    ("later", "code"), [("08:02:00", "conflict"), ("08:02:01", None), ("07:58:00", "conflict"), ("07:57:59", None)]
)
def test_a_presentation_lasts_while_no_two_minutes_pass(site: Site, later: str, code: str | None) -> None:
    files = two().read("gate", hexed(12, 345), presentation="D", at="2026-03-10T08:00:00Z")
    files.read("gate", hexed(40, 346), presentation="D", at=f"2026-03-10T{later}Z")
    assert codes(walk(site, files)) == (dict.fromkeys((4, 5), code) if code else {})


def test_candidates_are_those_of_the_same_time_only(site: Site) -> None:
    files = two().read("gate", hexed(12, 345), presentation="D", at="2026-03-10T08:00:00Z")
    files.read("gate", hexed(12, 999), presentation="D", at="2026-03-17T08:00:00Z")
    (each,) = walk(site, files).exceptions
    assert each.candidates == ()


@pytest.mark.parametrize("pause", [30, 31])
def test_a_pause_voids_the_entry_it_is_in_and_no_other(site: Site, pause: int) -> None:
    files = Files().card("L-1", "123", kind="locker").read("keys", *"123B", at="2026-03-10T08:00:00Z")
    files.read("keys", "1", at="2026-03-10T09:00:00Z").read("keys", *"23B", at=f"2026-03-10T09:00:{pause}Z")
    files.read("keys", *"123B", at="2026-03-10T10:00:00Z")
    found = codes(walk(site, files))
    assert found == ({} if pause == 30 else dict.fromkeys(range(6, 10), "incomplete-entry"))


def test_rows_of_a_keypad_are_joined_by_time_whatever_their_order(site: Site) -> None:
    files = Files().card("L-1", "123", kind="locker")
    for key, second in (("3", 2), ("1", 0), ("B", 3), ("2", 1)):
        files.read("keys", key, at=f"2026-03-10T08:00:0{second}Z")
    assert not codes(walk(site, files))


def test_account_numbers_are_masked_in_candidates(site: Site) -> None:
    # As above; the credential is called by its account number, in every file that has exceptions.
    card = "4114360123456785"
    files = Files().card(card, "x").card(card, "01200345", "P", status="lost").read("gate", hexed(12, 345))
    files.export("P", "786777").export("Q", "786777")
    result = walk(site, files)
    assert {each.file for each in result.exceptions} == {"credentials.csv", "readings.csv", "export.csv"}
    assert {each.candidates for each in result.exceptions} == {("411436******6785",)}


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
    assert [(each.action, each.code) for each in result.lines] == [("none", "superseded"), ("none", "not-active")]
    assert (line(result, "C-1").number, line(result, "C-1").status) == ("12-346", "lost")


def test_a_damaged_row_of_the_first_source_is_not_replaced_by_another(site: Site) -> None:
    files = Files().card("C-1", "1200345", "P", source="west").card("C-1", "01200345", "P", source="east")
    result = walk(site, files)
    assert codes(result, "credentials.csv") == {2: "spreadsheet-damage", 3: "superseded"}
    assert [(each.action, each.code) for each in result.lines] == [
        ("hold", "spreadsheet-damage"), ("none", "superseded"),
    ]  # fmt: skip


def test_sources_that_no_rule_ranks_are_held_where_they_disagree(site: Site) -> None:
    files = Files().card("C-1", "01200345", "P", source="north").card("C-1", "01200346", "P", source="south")
    result = walk(site, files)
    assert {each.action for each in result.lines} == {"hold"}
    assert "line 3 differs in value" in result.lines[0].reason


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
    assert [(each.action, each.code) for each in result.lines] == [("hold", "overlap")] * 2


@pytest.mark.parametrize(
    ("more", "status"),
    [
        ({}, "active"),
        ({"valid_until": "2026-03-31"}, "active"),
        ({"valid_until": "2026-03-30"}, "expired"),
        ({"valid_from": "2026-03-31"}, "active"),
        ({"valid_from": "2026-04-01"}, "not yet valid"),
        ({"status": "lost"}, "lost"),
        ({"status": "blocked"}, "blocked"),
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
    assert codes(result, "export.csv") == {2: "inactive-held"}  # it is replaced, but until then it opens
    assert [line(result, name).action for name in ("C-1", "C-2")] == ["none", "change"]
    assert "the export still has its text" in line(result, "C-1").reason


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"status": "lost"}, "is 'lost' (the register does not say since when)"),
        ({"status": "lost", "valid_until": "2026-04-30"}, "is 'lost' (the register does not say since when)"),
        ({"status": "lost", "valid_until": "2026-03-10"}, "is 'lost' (valid until 2026-03-10)"),
        ({"status": "returned"}, "is 'returned' (the register does not say since when)"),
        ({"valid_until": "2026-03-30"}, "is 'expired' (valid until 2026-03-30)"),
        ({"status": "expired"}, "is 'expired' (the register does not say since when)"),
        ({"status": "expired", "valid_until": "2027-03-30"}, "is 'expired' (the register does not say since when)"),
        ({"valid_from": "2026-04-01"}, "is 'not yet valid' (not valid before 2026-04-01)"),
        ({"valid_until": "2026-03-31"}, ""),
        ({}, ""),
    ],
)
def test_a_text_of_a_credential_that_is_not_active_is_for_a_person(
    site: Site, more: dict[str, str], says: str
) -> None:  # fmt: skip
    result = walk(site, Files().card("C-1", "01200345", "P", **more).export("P", "786777"))
    if not says:
        assert not result.exceptions
        return
    (row,) = result.exceptions
    assert (row.file, row.line, row.code, row.input) == ("export.csv", 2, "inactive-held", "786777")
    assert row.candidates == ("C-1",)
    assert row.reason == (
        f"gatehouse holds it for 'P', and the status of 'C-1' {says}; needs review; check recent readings first"
    )
    each = line(result, "C-1")
    assert (each.action, each.text) == ("none", "")
    assert each.reason.endswith("; the export still has its text for this person: needs review")
    assert ("its status is" in each.reason) is ("status" in more)


def test_a_text_that_an_active_credential_of_the_person_explains_too_is_not_held_inactive(site: Site) -> None:
    files = Files().card("C-1", "01200345", "P", valid_until="2026-01-01")
    result = walk(site, files.card("C-1", "01200345", "P", valid_from="2026-02-01").export("P", "786777"))
    assert not result.exceptions
    assert [each.action for each in result.lines] == ["none", "keep"]
    assert "the export still has its text" not in result.lines[0].reason
    # That of somebody else does not explain why the former holder has it.
    files = Files().card("C-1", "01200345", "P", status="returned").card("C-2", "01200345", "Q")
    assert codes(walk(site, files.export("P", "786777")), "export.csv") == {2: "inactive-held"}


def test_a_former_row_does_not_say_what_the_latest_says(site: Site) -> None:
    files = Files().card("C-1", "01200345", "P", status="lost", valid_from="2026-02-01")
    files.card("C-1", "01200345", "P", valid_until="2026-01-01").export("P", "786777")
    (each,) = walk(site, files).exceptions
    assert "'lost'" in each.reason
    assert "2026-01-01" not in each.reason


def test_a_text_of_another_person_s_lost_card_is_said_to_be_that(site: Site) -> None:
    files = Files().card("C-1", "01200345", "P", status="lost").export("Q", "786777")
    (each,) = walk(site, files).exceptions
    assert (each.code, each.candidates) == ("existing-unmatched", ("C-1",))
    assert each.reason.endswith("but it is the number of 'C-1' (not active)")


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


def test_a_pool_card_is_known_under_the_names_of_its_holders(site: Site) -> None:
    files = Files().card("V-1", "01200345", "VISITOR", valid_until="2026-03-05")
    files.card("V-1", "01200345", "POOL", valid_from="2026-03-06").export("VISITOR", "786777")
    result = walk(site, files.read("gate", hexed(12, 345), at="2026-03-02T08:00:00Z"))
    assert not result.exceptions
    assert [(each.person, each.action, each.proof) for each in result.lines] == [
        ("VISITOR", "none", "seen"),
        ("POOL", "keep", "on paper only"),
    ]
    assert "card" not in found(result, "never-seen")  # the card was seen, in other hands


@pytest.mark.parametrize(("holder", "person"), [("SOMEBODY", "POOL"), ("POOL", "P")])
def test_a_text_under_a_stranger_is_not_explained_by_a_pool(site: Site, holder: str, person: str) -> None:
    """A pool card held under someone the register never gave it to; a personal card held under a pool."""
    result = walk(site, Files().card("C-1", "01200345", person).export(holder, "786777"))
    assert [each.code for each in result.exceptions] == ["existing-unmatched"]
    assert line(result, "C-1").action == "hold"


def test_a_text_under_a_holder_of_the_pool_s_earlier_card_is_not_explained(site: Site) -> None:
    """The id V-1 went to another card: the visitor had the old one, the target has the new one under that person."""
    files = Files().card("V-1", "01200346", "VISITOR", valid_until="2026-03-05")
    files.card("V-1", "01200345", "POOL", valid_from="2026-03-06").export("VISITOR", "786777")
    result = walk(site, files)
    assert [(each.action, each.code) for each in result.lines] == [("none", "not-active"), ("hold", "held-by-other")]
    assert [each.code for each in result.exceptions] == ["existing-unmatched"]


def test_columns_of_numbers_compare_numbers(site: Site) -> None:
    number = replace(site.targets["gatehouse"].column, declaration="int32")
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
    assert ("'C-2'" in line(result, "C-1").reason) is (action == "hold")
    assert not any(each.text for each in result.lines if each.action in ("hold", "none"))


def test_a_lossy_target_holds_both_and_another_target_neither(site: Site) -> None:
    result = walk(site, serials(345, 345 + (7 << 24), 999))
    assert [line(result, f"S-{n}", "turnstile").action for n in (345, 345 + (7 << 24), 999)] == ["hold", "hold", "add"]
    assert {each.action for each in result.lines if each.target == "payroll"} == {"add"}


def test_a_card_that_is_gone_is_not_held_by_what_is_left(site: Site) -> None:
    files = Files().card("C-1", "01200345").card("C-2", "01200345").card("C-3", "01200345", status="destroyed")
    result = walk(site, files)
    assert [line(result, f"C-{n}").action for n in (1, 2, 3)] == ["hold", "hold", "none"]


def test_one_number_twice_is_not_also_one_text_twice(site: Site) -> None:
    result = walk(site, serials(77).card("S-2", "77", kind="serial"))
    assert set(found(result, "duplicate-number")) == {"serial 77"}
    assert not found(result, "duplicate-text")


def test_a_number_that_does_not_fit_is_held_there_only(site: Site) -> None:
    result = walk(site, serials(1 << 31))
    assert line(result, f"S-{1 << 31}", "payroll").action == "hold"
    assert "2147483648" in line(result, f"S-{1 << 31}", "payroll").reason
    assert line(result, f"S-{1 << 31}", "turnstile").text == "0"


def test_a_number_that_the_chain_cannot_write_is_held(site: Site) -> None:
    wide = replace(site.kinds["card"], expect={})
    result = walk(replace(site, kinds={**site.kinds, "card": wide}), Files().card("C-1", "99900345"))
    assert line(result, "C-1").action == "hold"
    finding = found(result, "unwritable")["gatehouse"]
    assert finding.count == 1
    assert finding.text.startswith("1 of 1 active number cannot be written: ")
    assert "999" in line(result, "C-1").reason
    assert not found(result, "column-too-small")  # a wider column would not help


def test_a_number_that_a_list_does_not_have_is_unwritable(tmp_path: Path) -> None:
    (tmp_path / "doors.csv").write_text("printed,encoded\n1,7\n", encoding="utf-8")
    (tmp_path / "site.toml").write_text(
        SITE
        + """
[targets.doors]
kind = "locker"
chain = "decimal:16/fields:number:16/map:doors,number"
column = "text"
[tables.doors]
path = "doors.csv"
""",
        encoding="utf-8",
    )
    listed = load_site(tmp_path / "site.toml")
    result = walk(listed, Files().card("L-1", "007", kind="locker").card("L-2", "008", kind="locker"))
    assert not found(result, "column-too-small")
    assert found(result, "unwritable")["doors"].count == 1
    assert sorted((each.action, bool(each.reason)) for each in result.lines) == [("add", False), ("hold", True)]


def test_a_value_that_must_not_serve_is_held(site: Site) -> None:
    result = walk(site, serials(8 << 24))
    assert {each.action for each in result.lines} == {"hold"}
    assert "a random serial" in result.lines[0].reason


def test_two_active_issues_are_held(site: Site) -> None:
    result = walk(site, two().card("C-3", "01200999", person="P-C-1", replaces="C-1"))
    assert [line(result, name).action for name in ("C-1", "C-2", "C-3")] == ["hold", "add", "hold"]
    assert "'C-3' replaces 'C-1'" in found(result, "two-active-issues")["P-C-1 card"].text


@pytest.mark.parametrize("value", ["0120099", "01200999 ", "1.2E+7"])
def test_an_active_credential_counts_beside_others_though_its_value_cannot_be_read(site: Site, value: str) -> None:
    """Nobody knows which of the two is the person's: the one that reads well is not written either."""
    result = walk(site, two().card("C-3", value, person="P-C-1"))
    assert (line(result, "C-1").action, line(result, "C-1").code) == ("hold", "two-active-issues")
    assert line(result, "C-3").code in ("unreadable-value", "spreadsheet-damage")
    assert line(result, "C-2").action == "add"


def test_an_active_credential_that_another_person_holds_too_counts_beside_others(site: Site) -> None:
    result = walk(site, two().card("C-3", "01200999", person="P-C-1").card("C-3", "01200999", person="P-9"))
    assert line(result, "C-1").code == "two-active-issues"


@pytest.mark.parametrize("value", ["0120034", "1.2E+7"])
def test_a_card_of_two_people_is_held_though_one_value_cannot_be_read(site: Site, value: str) -> None:
    files = two().card("C-1", value, person="P-9")
    result = walk(site, files)
    assert [(each.person, each.action, each.code) for each in result.lines if each.credential == "C-1"] == [
        ("P-C-1", "hold", "several-holders"), ("P-9", "hold", line_of(result, 4).code),
    ]  # fmt: skip
    assert walk(site, two().card("C-1", value, person="P-9", status="lost")).lines[0].action == "add"


def test_a_handover_today_is_held_though_twins_are_held_for_themselves(site: Site) -> None:
    """P-1 had the card until today, and two rows that differ say that P-1 has it from today on."""
    today, files = "2026-03-31", Files()
    files.card("C-1", "01200345", person="P-1", valid_until=today)
    for printed in ("00345", "00346"):
        files.card("C-1", "01200345", person="P-1", valid_from=today, printed=printed)
    assert [each.code for each in walk(site, files).lines] == ["several-holders", "twin-rows", "twin-rows"]


def test_an_id_that_nobody_has_is_no_expectation_of_a_card_with_two_faces(site: Site) -> None:
    """The desk's slip at one read decides nothing: the other read names the card, and one person holds both."""
    files = Files().card("C-1", "01200345", person="P-1").card("S-1", "001001", person="P-1", kind="stripe", issue=1)
    files.read("gate", hexed(12, 345), presentation="D-1", expected="C-nobody")
    files.read("kiosk", ";001001=01?", presentation="D-1", expected="S-1")
    result = walk(site, files)
    assert not codes(result)
    assert [each.proof for each in result.lines] == ["seen", "seen"]


@pytest.mark.parametrize("order", [("P-1", "P-2"), ("P-2", "P-1")])
def test_a_card_with_two_faces_is_known_on_the_day_of_a_handover(site: Site, order: tuple[str, str]) -> None:
    """P-2 hands the card to P-1, who also has the other face: one person holds both, whichever row comes first."""
    days = {"P-2": {"valid_until": "2026-03-10"}, "P-1": {"valid_from": "2026-03-10"}}
    files = Files().card("S-1", "77", person="P-1", kind="serial")
    for person in order:
        files.card("C-1", "01200345", person, **days[person])
    files.read("gate", hexed(12, 345), presentation="D-1").read("office", "0000000077", presentation="D-1")
    result = walk(site, files)
    assert not codes(result)
    assert {each.action for each in result.lines if each.person == "P-1"} == {"add"}


def test_a_kind_without_a_target_has_one_line(site: Site) -> None:
    (each,) = walk(site, Files().card("L-1", "123", kind="locker")).lines
    assert (each.target, each.action, each.text) == ("", "none", "")


def test_last_seen_is_by_the_site_s_clocks(site: Site) -> None:
    files = two().read("gate", hexed(12, 345), at="2026-03-30T06:00:00Z").read("quay", frame(12, 345))
    each = line(walk(site, files), "C-1")
    assert (each.proof, each.readers) == ("seen", "gate 2; quay 1")
    assert each.last_seen is not None
    assert each.last_seen.isoformat() == "2026-03-30T08:00:00+02:00"


def test_a_site_s_files_are_read_unless_rows_are_given(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    for name, head in HEADS.items():
        (tmp_path / name).write_text(f"{head}\n", encoding="utf-8")
    (tmp_path / "credentials.csv").write_text(
        f"{HEADS['credentials.csv']}\nP-1,C-1,card,01200345,,1,active,,,,west\n", encoding="utf-8"
    )
    result = crosswalk(load_site(tmp_path / "site.toml"))
    assert [(each.credential, each.action) for each in result.lines] == [("C-1", "add")]


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
def readings(draw: st.DrawFn) -> ReadingRow:
    reader, text = draw(reads)
    minutes = draw(st.integers(0, 31 * 24 * 60))
    return ReadingRow(
        line=0, time=datetime(2026, 3, 1, tzinfo=UTC) + timedelta(minutes=minutes / 4), reader=reader, text=text,
        presentation=draw(st.sampled_from(("", "", "D-1", "D-2"))),
        expected=draw(st.sampled_from(("", "", "", "C-1", "C-9"))),
    )  # fmt: skip


@given(
    cards=st.lists(assignments(), max_size=8),
    rows=st.lists(readings(), max_size=25),
    held=st.lists(st.tuples(names, st.sampled_from(("786433", "786434", "1.5E+05", ""))), max_size=4),
)
def test_rows_always_add_up(
    site: Site, cards: list[Assignment], rows: list[ReadingRow], held: list[tuple[str, str]]
) -> None:
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


# The issue of a card, as its stripe has it.


def test_the_issue_tells_a_lost_card_from_the_one_that_replaces_it(site: Site) -> None:
    files = Files().card("T-1", "004711", kind="stripe", issue=1, person="P-1", status="lost")
    files.card("T-2", "004711", kind="stripe", issue=2, person="P-1", replaces="T-1")
    result = walk(site, files.read("kiosk", ";004711=02?", ";004711=01?", ";004711=03?"))
    assert not found(result, "duplicate-number")
    assert codes(result) == {3: "inactive-read", 4: "other-issue"}
    assert [each.candidates for each in result.exceptions] == [
        ("T-1",),
        ("T-1 (another issue)", "T-2 (another issue)"),
    ]
    assert "with the issue 1 ('T-1'), 2 ('T-2')" in result.exceptions[1].reason


def test_a_credential_without_an_issue_cannot_be_told_apart(site: Site) -> None:
    (each,) = walk(site, Files().card("T-1", "004711", kind="stripe")).exceptions
    assert (each.code, each.reason) == (
        "unreadable-value",
        "its issue is empty, but the number of a 'stripe' needs one",
    )


def test_a_target_that_leaves_the_issue_out_cannot_tell_them_apart() -> None:
    target = """
[targets.canteen]
kind = "stripe"
chain = "template:{number:06d}/select:number"
column = "text(6)"
"""
    files = Files().card("T-1", "004711", kind="stripe", issue=1, person="P-1", status="lost")
    files.card("T-2", "004711", kind="stripe", issue=2, person="P-1", replaces="T-1")
    result = walk(made(SITE + target), files)
    assert found(result, "duplicate-text")["canteen 004711"].count == 2
    assert line(result, "T-2", "canteen").action == "hold"
    files = Files().card("T-2", "004711", kind="stripe", issue=2).read("kiosk", ";004711=02?")
    assert line(walk(made(SITE + target), files), "T-2", "canteen").action == "add"
    held = line(walk(made(SITE + target), files.read("kiosk", ";004711=01?")), "T-2", "canteen")
    assert held.action == "hold"
    assert held.reason == "another issue of it was read, and this target cannot tell them apart"
    with refusal(DefinitionError):
        made(SITE + target.replace("/select:number", ""))


# Two credentials on one card.


def faces(person: str = "P-1") -> Files:
    """A stripe of P-1 and a serial number of somebody, on one card."""
    files = Files().card("T-1", "004711", kind="stripe", issue=2, person="P-1")
    return files.card("S-77", "77", kind="serial", person=person)


def test_a_stripe_and_a_label_of_one_person_are_read_in_one_presentation(site: Site) -> None:
    files = faces().read("kiosk", ";004711=02?", presentation="7").read("office", "0000000077", presentation="7")
    result = walk(site, files)
    assert not result.exceptions
    assert line(result, "S-77", "payroll").proof == "seen"


def test_the_desk_expects_one_of_the_two(site: Site) -> None:
    files = faces().read("kiosk", ";004711=02?", presentation="7", expected="T-1")
    assert not walk(site, files.read("office", "0000000077", presentation="7")).exceptions
    files = faces().card("T-9", "004712", kind="stripe", issue=1)
    files.read("kiosk", ";004711=02?", presentation="7", expected="T-9")
    assert codes(walk(site, files.read("office", "0000000077", presentation="7"))) == {2: "conflict", 3: "conflict"}


def test_a_stripe_and_a_label_of_two_people_contradict_each_other(site: Site) -> None:
    files = faces("P-2").read("kiosk", ";004711=02?", presentation="7").read("office", "0000000077", presentation="7")
    assert codes(walk(site, files)) == {2: "conflict", 3: "conflict"}


def test_two_cards_of_one_kind_are_no_presentation(site: Site) -> None:
    files = two().card("C-3", "01200347", person="P-C-1")
    files.read("gate", hexed(12, 345), presentation="7").read("gate", hexed(12, 347), presentation="7")
    assert codes(walk(site, files)) == {4: "conflict", 5: "conflict"}
    files.card("T-1", "004711", "P-C-1", kind="stripe", issue=2).read("kiosk", ";004711=02?", presentation="7")
    assert codes(walk(site, files)) == {4: "conflict", 5: "conflict", 6: "conflict"}


# Swipes cut out of a record.


def test_several_swipes_in_a_row_are_for_a_person_whatever_follows(site: Site) -> None:
    zeros = "0" * 20
    swipe = str(chain("binary/track-2-bits").encode(";004711=02?"))
    files = Files().card("T-1", "004711", kind="stripe", issue=2)
    files.read("clock", zeros + swipe + zeros + swipe + zeros, "0" * 60, zeros + swipe[:30], swipe[30:] + zeros)
    result = walk(site, files)
    assert codes(result) == {2: "incomplete-entry", 3: "incomplete-entry"}
    assert result.exceptions[0].reason == "2 swipes share a row: write one swipe to a row"


@pytest.mark.parametrize("order", [("00345", "77"), ("77", "00345")])
def test_a_late_reading_shows_both_rows_of_a_single_day(site: Site, order: tuple[str, str]) -> None:
    """Two rows that differ, for one person and one day: neither comes first, whatever the order of the file."""
    files = Files()
    for printed in order:
        files.card("C-1", "01200345", "P-1", valid_from="2026-03-02", valid_until="2026-03-02", printed=printed)
    result = walk(site, files.read("gate", hexed(12, 345)))
    assert codes(result) == {2: "inactive-read"}
    assert [(each.proof, each.certain) for each in result.lines] == [("seen", 1), ("seen", 1)]
