"""Files whose lines have several numbers: the same as one row for each number, and every place by line and column.

The files are invented; what must come of them is written out here, or is what the same rows give one below the other.
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, NoReturn

import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit import DefinitionError
from credkit.census import census
from credkit.crosswalk import Crosswalk, crosswalk
from credkit.crosswalk.outputs import encode_outputs
from credkit.files import bytestreams
from credkit.files.csvcolumns import NeedsStrictReader
from credkit.site import columns, load_rows, load_site
from credkit.site.columns import load_credentials, load_frames
from credkit.site.frames import SiteFrames, assignment_rows
from tests.amounts import examples
from tests.commandline import records, run
from tests.sentences import refusal
from tests.test_sitecolumns import TRACK, as_rows, as_wanted, by_kernel

KINDS = ("prox", "chip", "locker")
HEADERS = ("Transponder", "Chip-Nr", "Spind")
COLUMNS = ("person_id", "credential_id", "kind", "value", "status", "valid_until")
FORM = """
[site]
name = "Brackwater Terminal"
time_zone = "Europe/Amsterdam"
as_of = 2026-03-31

[files.readings]
path = "readings.csv"

[kinds.prox]
value = "template:{facility:03d}{number:05d}"
key = ["facility", "number"]
[kinds.chip]
value = "hex:8/fields:uid:32"
key = ["uid"]
[kinds.locker]
value = "template:L{number:d}"
key = ["number"]

[readers.east-gate]
kind = "prox"
chain = "hex:8/right-justified:26/wiegand-26"
[readers.canteen]
kind = "chip"
chain = "hex:8/fields:uid:32"

[targets.doors]
kind = "prox"
chain = "decimal:24/fields:facility:8,number:16"
column = "text"
[targets.tills]
kind = "chip"
chain = "hex:8/fields:uid:32"
column = "text"

[files.credentials]
path = "credentials.csv"
"""
WIDE = (
    FORM
    + """delimiter = ";"
columns = { person_id = "Personalnr", status = "Status", valid_until = "Austritt" }
words = { status = { "ja" = "active", "nein" = "lost" } }
credential_id = "{person_id}-{kind}"
ignore_other_columns = true
[[files.credentials.numbers]]
columns = { value = "Transponder" }
constants = { kind = "prox" }
[[files.credentials.numbers]]
columns = { value = "Chip-Nr", status = "Chip ok" }
constants = { kind = "chip" }
[[files.credentials.numbers]]
columns = { value = "Spind" }
constants = { kind = "locker", valid_until = "" }
words = { value = { "-" = "" } }
"""
)
READINGS = """time,reader,text
2026-03-10T06:58:00+01:00,east-gate,001802B2
2026-03-10T07:00:05+01:00,east-gate,001802B4
2026-03-10T08:00:05+01:00,canteen,04AA0001
2026-03-11T08:00:05+01:00,canteen,010000AA
"""
WORDS = {"ja": "active", "nein": "lost"}
Person = tuple[str, tuple[str, str, str], str, str, str]  # its id, numbers, status, that of its chip, last day


def write_csv(header: tuple[str, ...], rows: list[list[str]], delimiter: str = ",") -> str:
    stream = io.StringIO(newline="")
    csv.writer(stream, delimiter=delimiter, lineterminator="\n").writerows([header, *rows])
    return stream.getvalue()


def write_site(folder: Path, site: str, credentials: str) -> Path:
    folder.mkdir(exist_ok=True)
    (folder / "site.toml").write_text(site, "utf-8")
    (folder / "credentials.csv").write_text(credentials, "utf-8", newline="")
    (folder / "readings.csv").write_text(READINGS, "utf-8")
    return folder / "site.toml"


def write_wide(folder: Path, people: list[Person], site: str = WIDE) -> Path:
    header = ("Personalnr", "Name", *HEADERS, "Status", "Chip ok", "Austritt")
    rows = [[person, "x", *numbers, status, chip, last] for person, numbers, status, chip, last in people]
    return write_site(folder, site, write_csv(header, rows, ";"))


def write_long(folder: Path, people: list[Person]) -> Path:
    """The same rows one below the other, by hand."""
    rows = []
    for person, (prox, chip, locker), status, chip_status, last in people:
        if prox.strip():
            rows.append([person, f"{person}-prox", "prox", prox, WORDS.get(status, status), last])
        if chip.strip():
            rows.append([person, f"{person}-chip", "chip", chip, WORDS.get(chip_status, chip_status), last])
        if locker.strip() and locker != "-":
            rows.append([person, f"{person}-locker", "locker", locker, WORDS.get(status, status), ""])
    return write_site(folder, FORM, write_csv(COLUMNS, rows))


def without_lines(result: Crosswalk) -> dict[str, Any]:
    """A result, but for where its rows stand, and sentences with that."""
    return {
        "lines": result.lines.frame.drop("line", "reason").to_dicts(),
        "exceptions": [replace(each, line=0, reason="") for each in result.exceptions],
        "findings": [(each.code, each.subject, each.count, each.people, len(each.lines)) for each in result.findings],
        "work": [(each.task, each.subject, each.people, each.credentials, each.ends) for each in result.work],
        "summary": result.summary,
        "cards": result.cards,
    }


SOME_PROX = st.sampled_from(["", "01200345", "01200346", "01200347", "04000101", "1.2E+07", " ", "12"])
SOME_CHIPS = st.sampled_from(["", "04AA0001", "010000AA", "04AA0003", "04aa0004", "x"])
SOME_LOCKERS = st.sampled_from(["", "-", "L1", "L2", "L3", "L04"])
ANSWERS = st.sampled_from(["ja", "nein", "active", "lost"])
DAYS = st.sampled_from(["", "2026-03-30", "2026-12-31"])
PEOPLE = st.lists(
    st.tuples(
        st.sampled_from([f"P-{number}" for number in range(40)] + ["p-1", "P-2 "]),
        st.tuples(SOME_PROX, SOME_CHIPS, SOME_LOCKERS), ANSWERS, ANSWERS, DAYS,
    ),
    max_size=12, unique_by=lambda person: person[0],
)  # fmt: skip


@given(PEOPLE)
@examples(60)
def test_a_line_with_several_numbers_is_as_many_rows(people: list[Person]) -> None:
    with TemporaryDirectory() as name:
        folder = Path(name)
        wide, long = load_site(write_wide(folder / "wide", people)), load_site(write_long(folder / "long", people))
        one, other = load_credentials(wide), load_credentials(long)
        assert one.drop("line").equals(other.drop("line"))
        assert by_kernel(wide) == as_wanted(load_rows(wide))
        found = crosswalk(wide)
        assert without_lines(found) == without_lines(crosswalk(long))
        # The line of a person is that of all its rows.
        assert {line.person: line.line for line in found.lines} == {
            person: place
            for place, (person, *_) in enumerate(people, 2)
            if any(row.person == person for row in found.lines)
        }
        groups = [[replace(each, line=0) for each in group.members] for group in census(wide).groups]
        assert groups == [[replace(each, line=0) for each in group.members] for group in census(long).groups]


PEOPLE_OF_ALL_KINDS: list[Person] = [
    ("P-1", ("01200345", "04AA0001", "L1"), "ja", "ja", ""),
    ("P-2", ("01200346", "", "-"), "nein", "", ""),
    ("P-3", ("01200345", "04AA0003", ""), "ja", "ja", "2026-12-31"),
    ("p-1", ("1.2E+07", "xyz", "L9"), "ja", "lost", ""),
    ("P-5", ("", "", ""), "ja", "ja", ""),
]


@pytest.mark.parametrize("piece", [1, 64])
def test_they_are_read_in_pieces_of_any_size(piece: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    site = load_site(write_wide(tmp_path, PEOPLE_OF_ALL_KINDS))
    wanted = as_rows(load_frames(site))
    monkeypatch.setattr(bytestreams, "PIECE_BYTES", piece)
    assert as_rows(load_frames(site)) == wanted
    assert assignment_rows(load_credentials(site)) == list(load_rows(site).credentials)


def test_every_place_is_a_line_of_the_file_and_its_column(tmp_path: Path) -> None:
    """Two thousand empty lines stand before the rows: what is above the last line is a number of ours, and no line."""
    path = write_wide(tmp_path, PEOPLE_OF_ALL_KINDS)
    text = (tmp_path / "credentials.csv").read_text("utf-8")
    first, rest = text.split("\n", 1)
    (tmp_path / "credentials.csv").write_text(first + "\n" * 2001 + rest, "utf-8", newline="")
    site = load_site(path)
    result = crosswalk(site)
    written = b"\n".join(b"".join(pieces) for pieces in encode_outputs(result).values()).decode()
    places = {int(number) for number in re.findall(r"(?<![-.:0-9A-Za-z])[0-9]{4,5}(?![-.:0-9A-Za-z])", written)}
    assert {number for number in places if number > 2006} == set()
    texts = " ".join(finding.text for finding in result.findings)
    assert "line 2005 in 'Transponder'" in texts  # the number that a spreadsheet wrote
    assert "line 2005 in 'Chip-Nr'" in texts
    about = [each.rows for each in result.findings] + [each.rows for each in result.work]
    rows = {line for each in about for line in each.of("credentials.csv")}
    assert rows
    assert rows <= set(range(2002, 2007))
    *_, audit = records(run("audit", "--site", str(path), "--json"))
    (inactive,) = [each for each in audit["audit"]["work"] if each["task"] == "inactive-read"]
    assert inactive["rows"] == {"credentials.csv": [2003]}
    found = census(site)
    assert {each.line for each in found.unreadable} == {2005}
    assert {member.line for group in found.groups for member in group.members} == {2002, 2004}


def test_a_line_without_any_number_is_no_credential(tmp_path: Path) -> None:
    rows = load_rows(load_site(write_wide(tmp_path, PEOPLE_OF_ALL_KINDS))).credentials
    assert [row.credential for row in rows] == [
        "P-1-prox", "P-1-chip", "P-1-locker", "P-2-prox", "P-3-prox", "P-3-chip", "p-1-prox", "p-1-chip", "p-1-locker",
    ]  # fmt: skip
    assert [row.status for row in rows][3:5] == ["lost", "active"]


def test_lines_without_any_number_are_named_below_the_result(tmp_path: Path) -> None:
    people = [*PEOPLE_OF_ALL_KINDS, ("P-6", (" ", "", "-"), "ja", "ja", "")]
    path = write_wide(tmp_path, people)
    says = "2 lines of credentials.csv have no number, and are no credentials: lines 6 and 7"
    assert crosswalk(load_site(path)).remarks == (says,)
    assert by_strict_reader(path).empty_lines == load_frames(load_site(path)).empty_lines == (6, 7)


def by_strict_reader(path: Path) -> SiteFrames:
    """The frames, where no kernel may be asked."""

    def refuse(*_: object) -> NoReturn:
        raise NeedsStrictReader

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(columns, "read_frame", refuse)
        return load_frames(load_site(path))


def fault(path: Path) -> tuple[str, tuple[str, ...]]:
    """What the credentials are refused with, by both readers; the sentence is recorded."""
    with refusal(DefinitionError) as caught:
        load_credentials(load_site(path))
    with pytest.raises(DefinitionError) as again:
        load_rows(load_site(path))
    assert str(again.value) == str(caught.value)
    return str(caught.value), tuple(caught.value.details)


def test_all_faults_of_a_file_are_told_once(tmp_path: Path) -> None:
    people: list[Person] = [
        ("P-1", ("01200345", "04AA0001", "L1"), "actve", "ja", ""),
        ("P-2", ("01200346", "04AA0002", "L2"), "ja", "vielleicht", "31.12.2026"),
        ("", ("01200347", "", ""), "ja", "", ""),
    ]
    told, _ = fault(write_wide(tmp_path, people))
    assert "4 kinds of fault in 3 rows" in told
    for words in ("column 'Status'", "column 'Chip ok'", "column 'Austritt'", "column 'Personalnr'"):
        assert told.count(words) == 1


def test_words_of_one_number_stand_beside_those_of_all(tmp_path: Path) -> None:
    chip = 'constants = { kind = "chip" }'
    own = WIDE.replace(chip, chip + '\nwords.status = { "ja" = "lost", "x" = "active" }')
    people: list[Person] = [
        ("P-1", ("01200345", "04AA0001", ""), "ja", "ja", ""), ("P-2", ("", "04AA0002", ""), "ja", "nein", ""),
        ("P-3", ("", "04AA0003", ""), "ja", "x", ""),
    ]  # fmt: skip
    site = load_site(write_wide(tmp_path, people, own))
    assert load_credentials(site)["status"].to_list() == ["active", "lost", "lost", "active"]
    assert [row.status for row in load_rows(site).credentials] == ["active", "lost", "lost", "active"]


def test_a_missing_column_of_one_number_is_refused(tmp_path: Path) -> None:
    told, _ = fault(write_wide(tmp_path, PEOPLE_OF_ALL_KINDS, WIDE.replace('value = "Spind"', 'value = "Schrank"')))
    assert "'Schrank'" in told


@pytest.mark.parametrize("header", ["Name", "Chip-Nr", "Transponder"])
def test_a_track_is_refused_in_every_column(header: str, tmp_path: Path) -> None:
    people: list[Person] = [("P-1", ("", "", ""), "ja", "ja", "")]
    path = write_wide(tmp_path, people)
    columns = ("Personalnr", "Name", *HEADERS, "Status", "Chip ok", "Austritt")
    row = ["P-1", "x", "", "", "L1", "ja", "ja", ""]
    row[columns.index(header)] = TRACK
    (tmp_path / "credentials.csv").write_text(write_csv(columns, [row], ";"), "utf-8")
    told, _ = fault(path)
    assert "line 2" in told
    assert "track" in told


def test_an_id_that_is_built_for_two_cards_is_refused(tmp_path: Path) -> None:
    people: list[Person] = [
        ("P-1", ("01200345", "", ""), "ja", "ja", ""),
        ("P-1", ("01200346", "", ""), "ja", "ja", ""),
        ("P-2", ("01200347", "", ""), "ja", "ja", ""),
        ("P-2", ("01200347", "", ""), "ja", "ja", ""),  # the same card, once more: nothing is in doubt
    ]
    told, _ = fault(write_wide(tmp_path, people))
    assert "'P-1-prox'" in told
    assert "line 3" in told
    assert "P-2" not in told
    own = WIDE.replace("{person_id}-{kind}", "{kind} {value}")
    rows = load_rows(load_site(write_wide(tmp_path, people, own))).credentials
    assert [row.credential for row in rows] == [f"prox 0120034{digit}" for digit in (5, 6, 7, 7)]


def test_an_id_of_different_parts_that_is_spelt_alike_is_refused(tmp_path: Path) -> None:
    """``P1`` and ``L1``, ``P1L`` and ``1``: what is built of both is the same."""
    site = WIDE.replace("{person_id}-{kind}", "{person_id}{value}")
    people: list[Person] = [("P1", ("", "", "L1"), "ja", "ja", ""), ("P1L", ("", "", "1"), "ja", "ja", "")]
    told, _ = fault(write_wide(tmp_path, people, site))
    assert "line 3" in told
    assert "'P1L1'" in told
    assert "line 2" in told


def test_a_file_of_one_number_a_line_may_build_its_ids(tmp_path: Path) -> None:
    site = FORM + 'credential_id = "{kind}/{value}"\n'
    text = write_csv(("person_id", "kind", "value", "status"), [["P-1", "locker", "L1", "active"]])
    (row,) = load_rows(load_site(write_site(tmp_path, site, text))).credentials
    assert (row.line, row.credential) == (2, "locker/L1")


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        ('credential_id = "{person_id}-{kind}"', 'credential_id = "{person}"', "did you mean"),
        ('credential_id = "{person_id}-{kind}"', 'credential_id = "card"', "none of"),
        ('credential_id = "{person_id}-{kind}"', 'credential_id = "{person_id"', "'{'"),
        ('columns = { value = "Spind" }', "columns = {}", "value is needed"),
        ('columns = { value = "Spind" }', 'columns = { value = "Chip-Nr" }', "two numbers"),
        ('columns = { value = "Spind" }', 'columns = { value = "Spind", credential_id = "Spind" }', "built"),
        ('kind = "locker", ', 'kind = "lockers", ', "did you mean locker"),
        ('columns = { person_id', 'columns = { value = "Nr", person_id', "value"),
        ('columns = { person_id', 'columns = { credential_id = "Nr", person_id', "built"),
        ('columns = { value = "Spind" }', 'delimiter = ";"', "delimiter"),
    ],
)  # fmt: skip
def test_a_declaration_that_cannot_be_is_refused(before: str, after: str, says: str, tmp_path: Path) -> None:
    assert before in WIDE
    told, _ = fault(write_wide(tmp_path, PEOPLE_OF_ALL_KINDS, WIDE.replace(before, after)))
    assert says in told
    assert told.startswith("site.toml: files.credentials")
