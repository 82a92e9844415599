"""Files as other systems export them: read by the map of the site file, with the result of our own form."""

from __future__ import annotations

import codecs
import csv
import io
import pickle
import re
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit import DefinitionError
from credkit.audit import AuditPlan, Clock, ColumnNames, audit
from credkit.crosswalk import Crosswalk, crosswalk
from credkit.crosswalk.outputs import encode_outputs
from credkit.files import bytestreams
from credkit.files.faults import MAX_KINDS
from credkit.files.momentpatterns import MomentPattern
from credkit.site import load_rows, load_site
from credkit.site.columns import load_credentials, load_frames
from credkit.site.model import Site
from tests.amounts import examples
from tests.commandline import records, run
from tests.sentences import refusal
from tests.test_sitecolumns import TRACK, as_rows, as_wanted, by_kernel

EXPORTS = Path(__file__).parent / "exports"
FOREIGN = ("german", "french", "dutch", "english")


@pytest.fixture(scope="module")
def own() -> Crosswalk:
    return crosswalk(load_site(EXPORTS / "own" / "site.toml"))


def written(result: Crosswalk) -> dict[str, bytes]:
    """The files of a result, without the digests, which are of other files."""
    found = {name: b"".join(pieces) for name, pieces in encode_outputs(result).items()}
    for file in result.inputs:
        for name in ("summary.txt", "run.json"):
            found[name] = found[name].replace(file.sha256.encode(), b"")
    return found


def edited(folder: Path, name: str, **replaced: tuple[str, str]) -> Path:
    """A copy of an export, with a text replaced in the files of these names (``site`` is the site file)."""
    shutil.copytree(EXPORTS / name, folder / name)
    for stem, (before, after) in replaced.items():
        (path,) = (folder / name).glob(f"{stem}.*")
        encoding = {"german": "cp1252", "dutch": "utf-16"}.get(name, "utf-8") if path.suffix == ".csv" else "utf-8"
        text = path.read_bytes().decode(encoding)
        assert before in text
        path.write_bytes(text.replace(before, after).encode(encoding))
    return folder / name / "site.toml"


def fault(path: Path) -> str:
    """What a crosswalk of the site is refused with; the sentence is recorded."""
    with refusal(DefinitionError) as caught:
        crosswalk(load_site(path))
    return str(caught.value)


# ── whole exports ───────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("name", FOREIGN)
def test_an_export_gives_the_crosswalk_of_our_own_form(name: str, own: Crosswalk) -> None:
    site = load_site(EXPORTS / name / "site.toml")
    assert written(crosswalk(site)) == written(own)
    assert by_kernel(site) == as_wanted(load_rows(site))  # the kernels need no strict reader for it


def test_our_own_form_is_what_the_exports_were_made_of(own: Crosswalk) -> None:
    """By hand: what stands in the files of ``own``, and what follows from it by the rules of docs/site.md."""
    rows = load_rows(own_site := load_site(EXPORTS / "own" / "site.toml"))
    assert (len(rows.credentials), len(rows.readings), len(rows.existing["gatehouse"])) == (12, 13, 4)
    # Summer time began on 29 March 2026 at 01:00 UTC (Directive 2000/84/EC): a second lies between the two.
    before, after = (row.time for row in rows.readings if "2026-03-29" in row.time.isoformat())
    assert (before, after) == (datetime(2026, 3, 29, 0, 59, 59, tzinfo=UTC), datetime(2026, 3, 29, 1, tzinfo=UTC))
    actions = {line.credential: (line.action, line.code) for line in own.lines}
    assert actions["C-1001"] == ("keep", "")
    assert actions["C-1002"] == ("change", "")
    assert actions["C-1003"] == ("none", "not-active")  # lost
    assert actions["C-1005"] == ("none", "not-active")  # until the day before
    assert actions["C-1009"] == actions["C-1010"] == ("hold", "duplicate-number")
    assert actions["C-1011"] == ("hold", "spreadsheet-damage")
    assert own_site.credentials.mapping.headers == {}


@pytest.mark.parametrize("name", FOREIGN)
@pytest.mark.parametrize("piece", [1, 64])
def test_exports_are_read_in_pieces_of_any_size(name: str, piece: int, monkeypatch: pytest.MonkeyPatch) -> None:
    site = load_site(EXPORTS / name / "site.toml")
    wanted = as_rows(load_frames(site))
    monkeypatch.setattr(bytestreams, "PIECE_BYTES", piece)
    assert as_rows(load_frames(site)) == wanted


def test_a_site_with_a_map_is_sent_to_other_processes() -> None:
    site = load_site(EXPORTS / "french" / "site.toml")
    file = pickle.loads(pickle.dumps(site.readings))
    assert file == site.readings
    assert file.mapping.time_pattern.sample == "31/03/2026 08h15:00"


@pytest.mark.parametrize("name", FOREIGN)
def test_an_audit_reads_an_export_by_the_map(name: str) -> None:
    def readers(folder: str) -> list[dict[str, Any]]:
        found = records(run("audit", "--site", str(EXPORTS / folder / "site.toml"), "--json"))
        return [record["reader"] for record in found if "reader" in record]

    assert len(readers("own")) == 2
    assert readers(name) == readers("own")


def test_a_day_and_a_time_of_day_apart_in_captures_of_other_kinds(tmp_path: Path) -> None:
    """JSON lines and Parquet with the columns of the German export, against the CSV file."""
    site = load_site(EXPORTS / "german" / "site.toml")
    frame = pl.read_csv(site.readings.path, separator=";", encoding="cp1252", infer_schema=False)
    frame.write_ndjson(tmp_path / "log.jsonl")
    frame.write_parquet(tmp_path / "log.parquet")
    columns = ColumnNames(text="Rohdaten", reader="Leser", time="Datum", clock="Uhrzeit")
    clock = Clock(site.zone, local=True, pattern=site.readings.mapping.time_pattern)
    for path in (tmp_path / "log.jsonl", tmp_path / "log.parquet"):
        found = audit([path], AuditPlan(columns=columns, clock=clock, site=site))
        assert [(each.name, each.rows, each.good) for each in found.readers] == [
            ("east-gate", 7, 6),
            ("west-gate", 6, 6),
        ]
        assert found.readers[0].first == datetime(2026, 3, 10, 5, 58, tzinfo=UTC)


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ('columns = { text = ["Lfd. Nr.", "Rohdaten"]', "'Lfd. Nr.' and 'Rohdaten' give text by the site file, but"),
        ('constants = { text = "1" }\ncolumns = {', "a constant gives text by the site file, but"),
    ],
)
def test_what_an_audit_needs_in_one_column(tmp_path: Path, lines: str, said: str) -> None:
    before = 'columns = { time = ["Datum", "Uhrzeit"], reader = "Leser", text = "Rohdaten"'
    after = f'{lines}{"," * lines.endswith("]")} time = ["Datum", "Uhrzeit"], reader = "Leser"'
    result = run("audit", "--site", str(edited(tmp_path, "german", site=(before, after))))
    assert result.exit_code == 2
    assert said in " ".join(result.stderr.split())


# ── maps against the strict reader ──────────────────────────────────────────────────────────────

MAPPED = """
[site]
name = "Brackwater Terminal"
time_zone = "Europe/Amsterdam"
as_of = 2026-03-31
[files.credentials]
path = "credentials.csv"
delimiter = ";"
strip = ["status", "valid_from"]
date = "D.M.YYYY"
columns = { person_id = "Nr", credential_id = "Nr", value = ["Werk", "Karte"], status = "Status", valid_from = "ab" }
constants = { kind = "card" }
words = { status = { "gültig" = "active", "" = "lost" }, value = { "0 0" = "" }, valid_from = { "nie" = "" } }
ignore_other_columns = true
[files.readings]
path = "readings.csv"
time = "M/D/YYYY h:mm:ss AM"
columns = { time = ["day", "clock"], text = "data" }
words = { reader = { G = "gate" } }
ignore_other_columns = true
[kinds.card]
value = "template:{facility:d} {number:d}"
key = ["facility", "number"]
[readers.gate]
kind = "card"
chain = "template:{facility:d} {number:d}"
"""
CREDENTIAL_CELLS = {
    "Name": ["Möller", "", "a b", TRACK], "Nr": ["P-1", "P-é", ""], "Werk": ["12", "", "0"], "Karte": ["345", "", "0"],
    "Status": ["gültig", " gültig\u00a0", "active", "", "x"], "ab": ["1.3.2026", " 01.03.2026", "nie", "", "31.2.2026"],
    "Guthaben": ["12,50"],
}  # fmt: skip
READING_CELLS = {
    "day": ["3/14/2026", "03/14/2026", "", "3/29/2026", "2/30/2026", "2026-03-14"],
    "clock": ["11:03:19 AM", "1:03:19 pm", "", "12:00:00 AM", "2:30:00 AM", "13:00:00 PM", "00:00:00 AM", "2:30"],
    "reader": ["G", "gate", "g"], "data": ["12 345", "", '"'], "other": ["", TRACK],
}  # fmt: skip
COMMON = 12  # the first word of a column is drawn so much more often


@st.composite
def tables(draw: st.DrawFn, cells: dict[str, list[str]], delimiter: str) -> str:
    """A file with these columns, in any order."""
    header = draw(st.permutations(list(cells)))
    words = [[cells[name][0]] * COMMON + cells[name] for name in header]
    rows = [[draw(st.sampled_from(known)) for known in words] for _ in range(draw(st.integers(0, 5)))]
    buffer = io.StringIO()
    csv.writer(buffer, delimiter=delimiter, lineterminator="\n").writerows([header, *rows])
    return buffer.getvalue()


@given(
    people=tables(CREDENTIAL_CELLS, ";"), reads=tables(READING_CELLS, ","), piece=st.sampled_from([1, 1 << 23]),
)  # fmt: skip
@examples(300)
def test_mapped_frames_are_the_rows_of_the_strict_reader_or_its_error(
    tmp_path_factory: pytest.TempPathFactory, people: str, reads: str, piece: int
) -> None:
    folder = tmp_path_factory.mktemp("site")
    for name, text in {"site.toml": MAPPED, "credentials.csv": people, "readings.csv": reads}.items():
        (folder / name).write_text(text, encoding="utf-8")
    site = load_site(folder / "site.toml")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(bytestreams, "PIECE_BYTES", piece)
        try:
            wanted = as_wanted(load_rows(site))
        except DefinitionError as error:
            with pytest.raises(DefinitionError) as caught:
                load_frames(site)
            assert str(caught.value) == str(error)
        else:
            assert by_kernel(site) == wanted


def made(folder: Path, people: str, reads: str = "day,clock,reader,data\n", toml: str = MAPPED) -> Site:
    for name, text in {"site.toml": toml, "credentials.csv": people, "readings.csv": reads}.items():
        (folder / name).write_text(text, encoding="utf-8")
    return load_site(folder / "site.toml")


def test_columns_of_a_map_by_hand(tmp_path: Path) -> None:
    people = "Nr;Werk;Karte;Status;ab;Saldo\nP-1;12;345; gültig;1.3.2026;1,50\nP-2;;;;nie;\nP-3;0;0;lost;;\n"
    reads = "clock,day,reader,data,more\n12:00:00 AM,3/14/2026,G,12 345,x\n12:30:05 pm,10/9/2026,gate,,\n"
    rows = load_rows(made(tmp_path, people, reads))
    found = [
        (row.person, row.credential, row.kind, row.value, row.status, str(row.valid_from)) for row in rows.credentials
    ]
    assert found == [
        ("P-1", "P-1", "card", "12 345", "active", "2026-03-01"),
        ("P-2", "P-2", "card", "", "lost", "None"),
        ("P-3", "P-3", "card", "", "lost", "None"),
    ]
    # Amsterdam is an hour ahead of UTC in winter, two in summer (Directive 2000/84/EC).
    assert [row.time for row in rows.readings] == [
        datetime(2026, 3, 13, 23, tzinfo=UTC), datetime(2026, 10, 9, 10, 30, 5, tzinfo=UTC)
    ]  # fmt: skip
    assert [(row.reader, row.text, row.expected) for row in rows.readings] == [("gate", "12 345", ""), ("gate", "", "")]


@pytest.mark.parametrize(("column", "line"), [("Saldo", 3), ("Nr", 3)])
def test_a_track_is_refused_in_columns_that_are_left_out(tmp_path: Path, column: str, line: int) -> None:
    row = {"Nr": "P-1", "Werk": "12", "Karte": "345", "Status": "active", "ab": "", "Saldo": "1,50"}
    people = "\n".join(map(";".join, [row, row.values(), {**row, column: f'"{TRACK}"'}.values()])) + "\n"
    site = made(tmp_path, people)
    for read in (load_rows, load_frames):
        with pytest.raises(DefinitionError, match=rf"^credentials\.csv line {line}: payment track data") as caught:
            read(site)
        assert TRACK[1:17] not in str(caught.value)


# ── headers ─────────────────────────────────────────────────────────────────────────────────────


def test_a_header_that_the_file_lacks_is_told_with_those_it_has(tmp_path: Path) -> None:
    text = fault(edited(tmp_path, "german", site=('"Ausweisnummer"', '"Ausweis-Nummer"')))
    assert text.startswith("credentials.csv line 1: ")
    assert "'Ausweis-Nummer', which holds value" in text
    assert "did you mean 'Ausweisnummer'?" in text
    assert "(the header has 'Personalnr', 'Name', 'Kartennr'" in text


def test_all_faults_of_a_header_and_of_the_rows_behind_it(tmp_path: Path) -> None:
    """Columns that are there are looked at, those that are not raise no fault in each row."""
    path = edited(
        tmp_path, "english", credentials=('"Badge Status"', '"State"'),
        site=("ignore_other_columns = true\n[files.credentials.columns]", "[files.credentials.columns]"),
    )  # fmt: skip
    text = path.read_text(encoding="utf-8").replace('"MM/DD/YYYY"', '"DD/MM/YYYY"').replace('"EAST-GATE"', '"EAST"')
    path.write_text(text, encoding="utf-8")
    first, *rest = fault(path).split("\n")
    assert first == "credentials.csv line 1: 2 faults in the header"
    assert any("'State', 'Department'" in line and "ignore_other_columns = true" in line for line in rest)
    assert any("'Badge Status', which holds status" in line for line in rest)
    assert not any("status is" in line for line in rest)
    # Of the days in the file, by hand: six valid_from and five valid_until are behind the 12th of a month.
    assert any(line.startswith("- 6 rows: valid_from (column 'Activated') is not a day of the") for line in rest)
    assert any(line.startswith("- 5 rows: valid_until (column 'Expires') is not a day of the") for line in rest)
    assert any("no reader is called 'EAST-GATE'" in line and "(column 'Device')" in line for line in rest)


@pytest.mark.parametrize("column", ["printed", "issue", "valid_from", "valid_until", "replaces", "source"])
def test_columns_of_credentials_that_may_be_absent(tmp_path: Path, column: str) -> None:
    site = load_site(edited(tmp_path, "own"))
    with site.credentials.path.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    with site.credentials.path.open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, [name for name in rows[0] if name != column], extrasaction="ignore")
        table.writeheader()
        table.writerows(rows)
    absent = load_credentials(site)
    assert absent.height == len(rows)
    assert set(absent[column]) <= {"", None}
    others = [name for name in absent.columns if name != column]
    assert absent.select(others).equals(load_credentials(load_site(EXPORTS / "own" / "site.toml")).select(others))


def test_columns_of_readings_that_may_be_absent(tmp_path: Path) -> None:
    path = edited(tmp_path, "own")
    (path.parent / "readings.csv").write_text("reader,text,time\neast-gate,x,2026-03-14T11:03:19Z\n")
    (row,) = by_kernel(load_site(path))["readings"]
    assert (row["text"], row["presentation"], row["expected"]) == ("x", "", "")


@pytest.mark.parametrize("column", ["person_id", "credential_id", "kind", "value", "status"])
def test_columns_that_no_site_can_do_without(tmp_path: Path, column: str) -> None:
    text = fault(edited(tmp_path, "own", credentials=(f"{column},", f"{column}-2,")))
    assert f"the column '{column}-2' is not one of" in text


def test_a_kind_with_an_issue_needs_its_column(tmp_path: Path) -> None:
    path = edited(
        tmp_path, "own", credentials=("printed,issue,", "printed,ausgabe,"),
        site=('key = ["facility", "number"]', 'key = ["facility", "number", "issue"]\nissue = "issue"'),
    )  # fmt: skip
    text = path.read_text().replace('"credentials.csv"', '"credentials.csv"\nignore_other_columns = true')
    text = text.replace("hex:8/right-justified:26/wiegand-26", "template:{facility:03d}{number:05d}{issue:d}")
    path.write_text(text.replace("facility:8,number:16", "facility:8,number:16/select:facility,number"))
    with pytest.raises(DefinitionError, match="the column issue is missing"):
        load_frames(load_site(path))


def test_an_optional_column_that_is_misspelt_is_not_left_out(tmp_path: Path) -> None:
    """A date that is not read would keep a card in the list for ever."""
    path = edited(
        tmp_path, "own", credentials=("valid_until", "valid_til"),
        site=('path = "credentials.csv"', 'path = "credentials.csv"\nignore_other_columns = true'),
    )  # fmt: skip
    text = fault(path)
    assert "valid_until is missing; did you mean 'valid_til'?" in text
    cure = text[text.index("(") + 1 : text.index(" under [")]
    path.write_text(path.read_text().replace("ignore_other", f"{cure}\nignore_other"))
    assert load_credentials(load_site(path))["valid_until"].null_count() == 12


# ── the site file ───────────────────────────────────────────────────────────────────────────────

WRONG = {
    "no column of ours": ('columns = { text = "data", tex = "data" }', "files.readings.columns: 'tex' is not one of"),
    "no header": ("columns = { text = [] }", "files.readings.columns.text: a header is needed"),
    "header twice": ('columns = { text = ["a", "a"] }', "files.readings.columns.text: a header is needed"),
    "no text": ("columns = { text = 3 }", "files.readings.columns.text must be a header of the file"),
    "no table": ('columns = "text"', "files.readings.columns must be a table"),
    "constant": ('constants = { redaer = "gate" }', "files.readings.constants: 'redaer' is not one of"),
    "constant that is no reader": ('constants = { reader = "gat" }', "constants.reader: 'gat' is not one of"),
    "constant of a number": ("constants = { text = 1 }", "files.readings.constants.text must be a text"),
    "constant and header": (
        'constants = { text = "1" }\ncolumns = { text = "data" }',
        "files.readings.constants: text is also under columns",
    ),
    "words of a constant": (
        'constants = { reader = "east-gate" }\nwords = { reader = { E = "east-gate" } }',
        "files.readings.words: reader is a constant",
    ),
    "words": ('words = { readr = { E = "east-gate" } }', "files.readings.words: 'readr' is not one of"),
    "word that is no reader": (
        'words = { reader = { E = "east-gat" } }',
        "files.readings.words.reader.E: 'east-gat' is not one of east-gate, west-gate; did you mean east-gate?",
    ),
    "words that are no table": ('words = { reader = "E" }', "files.readings.words.reader must be a table"),
    "ignored": ('ignore_other_columns = "yes"', "files.readings.ignore_other_columns must be true or false"),
    "pattern": ('time = "dd.MM.YYYY hh:mm"', "files.readings.time: 'dd' is not a part"),
    "pattern without hours": ('time = "DD.MM.YYYY"', "files.readings.time: 'DD.MM.YYYY' has no hour and minute"),
    "pattern without a year": ('time = "DD.MM. hh:mm"', "files.readings.time: the year is missing"),
    "minutes twice": ('time = "DD.MM.YYYY hh:MM"', "the month stands in it twice (MM is the month, mm the minute)"),
    "half without an hour": ('time = "DD.MM.YYYY AM"', "AM stands in it, but the hour is missing"),
    "digits without end": ('time = "DMYYYY hh:mm"', "DM has no place where D ends"),
    "encoding": ('encoding = "cp-1252"', "'cp-1252' is not a text encoding that Python knows; did you mean cp1252?"),
    "no encoding of a file": ('encoding = "idna"', "files.readings.encoding: 'idna' is not a text encoding"),
    "escapes": ('encoding = "unicode-escape"', "files.readings.encoding: 'unicode-escape' is not a text encoding"),
    "bytes": ('encoding = "base64"', "files.readings.encoding: 'base64' is not a text encoding"),
    "delimiter": ('delimiter = "\\u0000"', "files.readings.delimiter: '\\x00' is not one character"),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG)
def test_a_map_that_is_wrong(tmp_path: Path, name: str) -> None:
    lines, said = WRONG[name]
    path = edited(tmp_path, "own", site=('path = "readings.csv"', f'path = "readings.csv"\n{lines}'))
    sentence = fault(path)
    assert sentence.startswith("site.toml: ")
    assert said in sentence
    assert "\n" not in sentence


def test_a_day_has_no_offset(tmp_path: Path) -> None:
    for pattern, said in (("DD.MM.YYYY hh:mm+hh:mm", "a day has no offset"), ("DD.MM", "the year is missing")):
        path = edited(tmp_path / pattern, "german", site=('date = "DD.MM.YYYY"', f'date = "{pattern}"'))
        assert f"site.toml: files.credentials.date: {said}" in fault(path)


@pytest.mark.parametrize(
    "encoding", ["iso-8859-15", "cp1252", "utf-16", "utf-8-sig", "cp850", "mac-roman", "utf-16-le"]
)
def test_encodings(tmp_path: Path, encoding: str) -> None:
    """Each as Python's own codec writes it."""
    path = edited(
        tmp_path, "own", site=('path = "credentials.csv"', f'path = "credentials.csv"\nencoding = "{encoding}"')
    )
    people = path.with_name("credentials.csv")
    text = people.read_text(encoding="utf-8")
    assert "é" in text
    people.write_bytes(codecs.encode(text, encoding))
    assert by_kernel(load_site(path)) == as_wanted(load_rows(load_site(EXPORTS / "own" / "site.toml")))


@pytest.mark.parametrize("encoding", ["cp1252", "iso-8859-1", "utf-16"])
def test_a_byte_order_mark_of_another_encoding(tmp_path: Path, encoding: str) -> None:
    """Its first column is left out, so nothing else would show that all its umlauts are read wrong."""
    path = edited(
        tmp_path, "french", site=('path = "credentials.csv"', f'path = "credentials.csv"\nencoding = "{encoding}"')
    )
    people = path.with_name("credentials.csv")
    text = people.read_text(encoding="utf-8-sig")
    people.write_text("\n".join(f"Nr;{row}" for row in text.splitlines()), encoding="utf-8-sig")
    said = fault(path)
    assert said == (
        f"credentials.csv: the byte order mark at its start is that of utf-8, not {encoding} "
        '(another encoding can be declared: encoding = "utf-8" under [files.credentials])'
    )


def test_maps_of_a_list_and_of_an_export(tmp_path: Path) -> None:
    toml = SAMPLES["site.toml"].replace('existing = "gatehouse.csv"', 'existing = { path = "gatehouse.csv", columns = '
        '{ text = "Ausweis" }, words = { text = { leer = "" } }, ignore_other_columns = true }').replace(
        'path = "lockers.csv"', 'path = "lockers.csv"\ndelimiter = ";"\ncolumns = { printed = "Schrank" }')  # fmt: skip
    files = {**SAMPLES, "site.toml": toml, "lockers.csv": "encoded;Schrank\n7;101\n9;102\n"}
    files["gatehouse.csv"] = "Zone,Ausweis,person_id\nA,786777,P-1\nB,leer,P-2\n"
    for name, text in files.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    site = load_site(tmp_path / "site.toml")
    assert site.kinds["locker"].value.decode("102") == {"number": 9}
    assert load_frames(site).existing["gatehouse"].rows() == [(2, "P-1", "786777"), (3, "P-2", "")]
    (tmp_path / "site.toml").write_text(
        toml.replace("ignore_other_columns", 'date = "DD.MM.YYYY", ignore_other_columns')
    )
    with pytest.raises(DefinitionError, match="'date' is not a key here"):
        load_site(tmp_path / "site.toml")


# ── faults in rows, and their cures ─────────────────────────────────────────────────────────────


def test_everything_that_is_wrong_with_an_export_is_told_at_once(tmp_path: Path) -> None:
    """A site file that says nothing of the form of the files: encoding, delimiter, headers, words, days and times."""
    path = edited(tmp_path, "german")
    lines = path.read_text(encoding="utf-8").splitlines()
    kept = [
        line
        for line in lines
        if not line.startswith(("encoding", "delimiter", "date", "time =", "words", "status = {"))
    ]
    path.write_text("\n".join(kept), encoding="utf-8")
    text = fault(path)
    for said in (
        'encoding = "cp1252" under [files.credentials]', 'delimiter = ";" under [files.credentials]',
        'words.status."gültig" = "…"',
        'words.status."zurückgegeben" = "…"', 'date = "DD.MM.YYYY"',
        'encoding = "cp1252" under [files.readings]', 'delimiter = ";" under [files.readings]',
        'time = "DD.MM.YYYY hh:mm:ss"', 'words.reader."Tor West" = "…"',
    ):  # fmt: skip
        assert said in text


def test_a_day_that_no_calendar_has(tmp_path: Path) -> None:
    text = fault(edited(tmp_path, "german", credentials=("28.02.2026", "29.02.2026")))
    assert text == (
        "credentials.csv line 5: valid_from (column 'gültig ab') '29.02.2026' is not a day of the calendar "
        "(read as DD.MM.YYYY)"
    )


def test_the_clock_behind_a_day_does_not_count(tmp_path: Path) -> None:
    path = edited(
        tmp_path, "french", credentials=("31/12/2026 00:00", "31/12/2026 23:59"),
        site=('date = "DD/MM/YYYY 00:00"', 'date = "DD/MM/YYYY hh:mm"'),
    )  # fmt: skip
    own_rows = load_credentials(load_site(EXPORTS / "own" / "site.toml"))
    assert load_credentials(load_site(path)).equals(own_rows)
    path.write_text(path.read_text(encoding="utf-8").replace("DD/MM/YYYY hh:mm", "DD/MM/YYYY 00:00"), encoding="utf-8")
    assert "valid_until (column 'Fin') is '31/12/2026 23:59', not a date such as 31/03/2026 00:00" in fault(path)


def test_a_time_of_another_form(tmp_path: Path) -> None:
    text = fault(edited(tmp_path, "french", readings=("10/03/2026 06h58:00", "2026-03-10 06:58:00")))
    assert text == (
        "readings.csv line 2: time is '2026-03-10 06:58:00', not a time such as 31/03/2026 08h15:00 "
        "(DD/MM/YYYY hh'h'mm:ss) (column 'Horodatage')"
    )


# Summer time ends on 25 October 2026 at 01:00 UTC and begins on 29 March (Directive 2000/84/EC).
@pytest.mark.parametrize(
    ("time", "said"),
    [
        ("25-10-2026 2:30:00", "occurs twice in Europe/Amsterdam"),
        ("29-3-2026 2:30:00", "does not occur in Europe/Amsterdam"),
        ("31-2-2026 2:30:00", "is not a time of the years 1970 to 2199 (read as D-M-YYYY h:mm:ss)"),
        ("31-3-1926 2:30:00", "is not a time of the years 1970 to 2199 (read as D-M-YYYY h:mm:ss)"),
    ],
)
def test_times_of_local_clocks(tmp_path: Path, time: str, said: str) -> None:
    text = fault(edited(tmp_path, "dutch", readings=("10-3-2026 6:58:00", time)))
    assert text.startswith("readings.csv line 2: ")
    assert f"'{time}' {said}" in text


def proposed(text: str, key: str) -> str:
    """The lines for the site file that an error proposes."""
    return "\n".join(dict.fromkeys(line.strip() for line in text.split("\n") if line.startswith(f"        {key}")))


def test_the_pattern_that_an_error_proposes_reads_the_file(tmp_path: Path) -> None:
    path = edited(tmp_path, "english", site=('date = "MM/DD/YYYY"\n', ""))
    text = path.read_text().replace('time = "M/D/YYYY h:mm:ss AM +hh:mm"\n', "")
    path.write_text(text)
    said = fault(path)
    line = proposed(said, "date")
    assert line == 'date = "MM/DD/YYYY"'
    path.write_text(text.replace("[files.credentials]\n", f"[files.credentials]\n{line}\n"))
    assert load_credentials(load_site(path))["valid_from"].null_count() == 0


def test_where_the_day_might_be_the_month_both_are_named(tmp_path: Path) -> None:
    people = tmp_path / "own" / "credentials.csv"
    path = edited(tmp_path, "own")
    head, row, *_ = people.read_text().split("\n")
    row = row.replace("2024-01-01", "01/02/2026").replace("2026-12-31", "")
    people.write_text("\n".join([head, row, row, ""]))
    *_, which, first, second = fault(path).split("\n")
    assert which.endswith("declare which of these it is, under [files.credentials]:")
    assert (first.strip(), second.strip()) == ('date = "DD/MM/YYYY"', 'date = "MM/DD/YYYY"')


def test_the_words_that_an_error_proposes_leave_their_meaning_open(tmp_path: Path) -> None:
    """A line that is pasted as it is may not make a lost card an active one."""
    statuses = 'status = { Active = "active", Lost = "lost", Returned = "returned" }'
    path = edited(tmp_path, "english", site=(statuses, ""))
    line = proposed(fault(path), "words")
    assert line == 'words.status."Active" = "…"\nwords.status."Lost" = "…"\nwords.status."Returned" = "…"'
    text = path.read_text(encoding="utf-8").replace("[files.credentials.words]\n", "")
    text = text.replace("[files.credentials]\n", f"[files.credentials]\n{line}\n")
    path.write_text(text, encoding="utf-8")
    with pytest.raises(DefinitionError, match=r"words\.status\.Active: '…' is not one of active, lost"):
        load_site(path)
    for word, meaning in (("Active", "active"), ("Lost", "lost"), ("Returned", "returned")):
        text = text.replace(f'"{word}" = "…"', f'"{word}" = "{meaning}"')
    path.write_text(text, encoding="utf-8")
    assert load_credentials(load_site(path)).height == 12


def test_an_unknown_word_is_refused_with_the_nearest_that_is_known(tmp_path: Path) -> None:
    text = fault(edited(tmp_path, "german", credentials=("verloren", "verlorn")))
    assert text.startswith("credentials.csv line 4: status 'verlorn' is none of the words")
    assert text.endswith("(column 'Status'); did you mean verloren?")


def test_the_most_frequent_kinds_of_fault_are_described_and_the_others_counted(tmp_path: Path) -> None:
    good = ["P-1", "C-1", "card", "1", "", "1", "active", "2026-01-01", "2026-12-31", "", ""]
    wrong = {0: ["", " "], 1: ["", " "], 2: ["x"], 5: ["x"], 6: ["", " ", "x"], 7: ["x", "2027-01-01"], 8: ["x"]}
    rows = [[*good[:place], cell, *good[place + 1 :]] for place, cells in wrong.items() for cell in cells]
    rows += [good[:-1], [*good, ""], good[:-1]]
    path = edited(tmp_path, "own")
    people = path.with_name("credentials.csv")
    head = people.read_text().partition("\n")[0]
    people.write_text("\n".join([head, *map(",".join, rows), ""]))
    first, *details = fault(path).split("\n")
    kinds = len(rows) - 1
    assert first == f"credentials.csv: {kinds} kinds of fault in {len(rows)} rows"
    described = [line for line in details if line.startswith("- ")]
    assert described[0].startswith("- 2 rows: the row has 10 cells")
    assert len([line for line in described if "white space stands" not in line]) == MAX_KINDS + 1
    assert f"- and {kinds - MAX_KINDS} more kinds of fault" in described


# ── the page on site files ──────────────────────────────────────────────────────────────────────

PAGE = (Path(__file__).parent.parent / "docs" / "site.md").read_text(encoding="utf-8")
SAMPLES = dict(re.findall(r"<!-- file (\S+) -->\n```\w+\n(.*?)```", PAGE, re.DOTALL))


def test_the_samples_on_the_page_are_a_whole_site(tmp_path: Path) -> None:
    """By hand: P-1's card is there and stays; the lost one of P-2 is there, and the new one takes its place."""
    for name, text in SAMPLES.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    site = load_site(tmp_path / "site.toml")
    assert {path.name for path in site.files} == set(SAMPLES)
    result = crosswalk(site)
    assert [(line.credential, line.target, line.action, line.text) for line in result.lines] == [
        ("C-1", "gatehouse", "keep", str(12 << 16 | 345)),
        ("C-2", "gatehouse", "none", ""),
        ("C-3", "gatehouse", "change", str(12 << 16 | 347)),
        ("L-2", "", "none", ""),
    ]


def test_the_map_on_the_page_fits_its_site(tmp_path: Path) -> None:
    (block,) = re.findall(r"```toml\n(\[files\.credentials\]\npath = \"personen\.csv\".*?)```", PAGE, re.DOTALL)
    before, _, rest = SAMPLES["site.toml"].partition("[files.credentials]")
    text = f"{before}{block}{rest[rest.index('[kinds.') :]}"
    for name, sample in {**SAMPLES, "site.toml": text}.items():
        (tmp_path / name).write_text(sample, encoding="utf-8")
    people = "Personalnr;Name;Kartennr;Status;gültig bis\nP-1;Müller;01200345;gültig;31.12.9999\n"
    reads = "Datum;Uhrzeit;Leser;Kartennr\n31.03.2026;08:15:00;Tor Ost;001802B2\n"
    (tmp_path / "personen.csv").write_text(people.replace("Status", "status"), encoding="cp1252")
    (tmp_path / "buchungen.csv").write_text(reads, encoding="cp1252")
    rows = load_rows(load_site(tmp_path / "site.toml"))
    assert [(row.credential, row.status, row.valid_until) for row in rows.credentials] == [("01200345", "active", None)]
    assert rows.readings[0].time == datetime(2026, 3, 31, 6, 15, tzinfo=UTC)


def test_the_patterns_on_the_page_write_their_samples() -> None:
    rows = re.findall(r"^\| `([^`]*[DM][^`]*YY[^`]*|YYYY[^`]*)` \| `([0-9][^`]*)` \|$", PAGE, re.MULTILINE)
    assert len(rows) == 6
    for pattern, text in rows:
        assert MomentPattern(pattern).sample == text


# ── titles above the header ─────────────────────────────────────────────────────────────────────

TITLES = 'Brackwater Terminal; "Export\r\nStand;31.03.2026\r\n\r\n'


def titled(folder: Path, name: str, header_line: str, titles: str = TITLES) -> Path:
    """A copy of an export with titles above the headers of its credentials and readings."""
    shutil.copytree(EXPORTS / name, folder / name)
    encoding = {"german": "cp1252", "dutch": "utf-16"}.get(name, "utf-8")
    for stem in ("credentials", "readings"):
        path = folder / name / f"{stem}.csv"
        text = path.read_bytes().decode(encoding)
        mark = "\ufeff" * (text.startswith("\ufeff"))
        path.write_bytes((mark + titles + text.removeprefix("\ufeff")).encode(encoding))
    site = folder / name / "site.toml"
    declared = re.sub(
        r'^(path = "(credentials|readings).csv")$', rf"\1\n{header_line}", site.read_text("utf-8"), flags=re.M
    )
    site.write_text(declared, encoding="utf-8")
    return site


@pytest.mark.parametrize("name", FOREIGN)
def test_titles_above_a_header_are_not_read_and_lines_are_counted_with_them(name: str, tmp_path: Path) -> None:
    site = load_site(titled(tmp_path, name, "header_line = 4"))
    read, wanted = as_wanted(load_rows(site)), as_wanted(load_rows(load_site(EXPORTS / name / "site.toml")))
    assert by_kernel(site) == read
    for file in ("credentials", "readings"):
        assert read[file] == [{**row, "line": row["line"] + 3} for row in wanted[file]]


@pytest.mark.parametrize("header_line", ["", "header_line = 3", "header_line = 5", "header_line = 99"])
def test_a_header_in_another_line_is_found_and_the_rows_below_it_are_judged(header_line: str, tmp_path: Path) -> None:
    site = titled(tmp_path, "german", header_line)
    people = site.parent / "credentials.csv"
    people.write_bytes(people.read_bytes().replace(b"verloren", b"verlorn"))
    text = fault(site)
    assert "header_line = 4 under [files.credentials]" in text
    assert "header_line = 4 under [files.readings]" in text


def test_a_header_in_another_line_and_of_another_delimiter_is_found(tmp_path: Path) -> None:
    site = titled(tmp_path, "german", "")
    site.write_text(site.read_text("utf-8").replace('delimiter = ";"\n', ""), encoding="utf-8")
    assert 'header_line = 4 and delimiter = ";" under [files.credentials]' in fault(site)


def test_a_file_that_ends_above_its_header(tmp_path: Path) -> None:
    site = titled(tmp_path, "german", "header_line = 4")
    (site.parent / "credentials.csv").write_bytes(TITLES.encode())
    assert "line 4: the file ends above this line" in fault(site)


@pytest.mark.parametrize("name", FOREIGN)
def test_an_audit_reads_an_export_below_its_titles(name: str, tmp_path: Path) -> None:
    def read(site: Path) -> list[dict[str, Any]]:
        return [
            record["reader"] for record in records(run("audit", "--site", str(site), "--json")) if "reader" in record
        ]

    assert read(titled(tmp_path, name, "header_line = 4")) == read(EXPORTS / name / "site.toml")


@pytest.mark.parametrize(
    ("foot", "told"), [("Summe;12\r\n", True), (";;;;;;;;;\r\n;;;;;;;;;\r\nAnzahl;;12;;;;;;;\r\n", True), ("", False)]
)
def test_totals_and_blank_cells_below_a_table_are_told_with_the_cure(foot: str, told: bool, tmp_path: Path) -> None:
    shutil.copytree(EXPORTS / "german", tmp_path / "german")
    people = tmp_path / "german" / "credentials.csv"
    people.write_bytes(people.read_bytes().replace(b"verloren", b"verlorn") + foot.encode())
    text = fault(tmp_path / "german" / "site.toml")
    assert ("below a table are no rows: delete them" in text) == told
    assert "'verlorn'" in text
