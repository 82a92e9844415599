"""The audit of broken files, of sites, and of payment data; its outputs, and the command line."""

from __future__ import annotations

import csv
import gzip
import json
import os
import random
import re
import signal
import stat
import subprocess
import sys
import time
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl
import pytest

from credkit import DefinitionError, chain
from credkit.audit import Audit, AuditPlan, Clock, ColumnNames, audit, audit_text, secrets, timeorder
from credkit.audit.entries import MOST_OPEN_PARTS
from credkit.audit.secrets import find_payment, has_no_room
from credkit.demo import Demo
from credkit.files import bytestreams
from credkit.files.regularfiles import LONGEST_LINE_BYTES
from credkit.site import load_rows, load_site
from tests.captures import CHAIN, START, Row, as_csv, as_json, hexed, made, written
from tests.commandline import CREDKIT, ENVIRONMENT, on_a_terminal, records, run
from tests.sentences import refusal
from tests.test_audit import adds_up, plan, reader

HEAD = "time,reader,text\n"
GOOD = f"2026-03-01T08:00:00Z,gate,{hexed(1, 2)}\n"
ACCOUNT = "4114360123456785"  # the WHATWG HTML standard's autofill example
TRACK = f";{ACCOUNT}=30121010000000000?"


def file(folder: Path, data: str | bytes, name: str = "captures.csv") -> Path:
    path = folder / name
    path.write_bytes(data.encode() if isinstance(data, str) else data)
    return path


# ── rows that are wrong in themselves ───────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ("2026-03-01T08:00:00Z,gate", "line 3: the row has 2 cells, expected 3"),
        ("2026-03-01T08:00:00Z,gate,02F764DD,x", "line 3: the row has 4 cells, expected 3"),
        ("2026-03-01T08:00:00Z", "line 3: the row has 1 cell, expected 3"),
        ("2026-03-01T08:00:00Z,ga\0te,02F764DD", "line 3: there is a NUL character, number 23 of the line"),
        (b"2026-03-01T08:00:00Z,g\xe9te,02F764DD", "line 3: byte E9h at byte 22 of the line is not utf-8"),
        ("2026-03-01T08:00:00Z,ga\rte,02F764DD", "line 3: there is a carriage return in the middle of the line"),
        ('2026-03-01T08:00:00Z,"gate,02F764DD', "a quotation mark that opens in the line is never closed in it"),
        ('2026-03-01T08:00:00Z,"ga"te,02F764DD', "line 3: the line is not CSV"),
        ("1.3.2026 8:00,gate,02F764DD", "line 3: time is '1.3.2026 8:00', not a time such as"),
        ("2026-03-01T08:00:00,gate,02F764DD", "line 3: time '2026-03-01T08:00:00' has no offset"),
    ],
)
@pytest.mark.parametrize("piece", [1 << 24, 40])
def test_a_row_that_is_wrong_in_itself(
    tmp_path: Path, line: str | bytes, sentence: str, piece: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is counted, and named with its line; the rows around it are read."""
    monkeypatch.setattr(bytestreams, "PIECE_BYTES", piece)
    middle = line if isinstance(line, bytes) else line.encode()
    found = adds_up(audit([file(tmp_path, HEAD.encode() + GOOD.encode() + middle + b"\n" + GOOD.encode())], plan()))
    assert (found.rows, found.good, found.failing, found.unreadable) == (3, 2, 0, 1)
    assert sentence in found.files[0].faults[0]
    assert found.files[0].faults[0].startswith(str(tmp_path / "captures.csv"))


def test_wrong_rows_that_make_up_for_each_other(tmp_path: Path) -> None:
    """One cell too few and one too many: as many cells in all as there should be."""
    found = adds_up(audit([file(tmp_path, HEAD + GOOD + "a,b\n" + "a,b,c,d\n" + GOOD)], plan()))
    assert (found.rows, found.good, found.unreadable) == (4, 2, 2)
    assert [re.sub(".*csv ", "", fault) for fault in found.files[0].faults] == [
        "line 3: the row has 2 cells, expected 3", "line 4: the row has 4 cells, expected 3",
    ]  # fmt: skip


def test_only_so_many_sentences_are_kept_but_all_rows_are_counted(tmp_path: Path) -> None:
    found = adds_up(audit([file(tmp_path, HEAD + "a,b\n" * 500)], plan()))
    assert (found.rows, found.unreadable, len(found.files[0].faults)) == (500, 500, 10)
    assert "and 490 more in" in audit_text(found, UTC)


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ("[1]", "the line is a list, expected an object"),
        ('{"text": "a", "text": "b"}', "the key 'text' appears twice"),
        ('{"reader": "a", "time": "2026-03-01T08:00:00Z", "text": {"a": 1}}', "text is an object, not a text"),
        ('{"reader": "a", "time": null, "text": "x"}', "time is null, not a text in quotation marks"),
        ("{", "the line is not JSON: "),
        ('{"reader": "a", "time": "2026-03-01T08:00:00Z"}', "the key 'text' is missing"),
        ('{"reader": "a", "time": "2026-03-01T08:00:00Z", "text": 5}', "text is 5, not a text in quotation marks"),
        ('{"reader": "a", "time": "2026-03-01T08:00:00Z", "text": "\\ud800"}', "half of a surrogate pair"),
        ('{"reader": "\0"}', "there is a NUL character"),
        (b'{"reader": "\xff"}', "byte FFh at byte 12 of the line is not utf-8"),
        ("[" * 100_000, "the line is not JSON: it is nested too deeply"),
    ],
)
def test_lines_that_are_no_json_rows(tmp_path: Path, line: str | bytes, sentence: str) -> None:
    good = json.dumps({"time": "2026-03-01T08:00:00Z", "reader": "gate", "text": hexed(1, 2)})
    middle = line if isinstance(line, bytes) else line.encode()
    path = file(tmp_path, good.encode() + b"\n" + middle + b"\n\n" + good.encode(), "captures.jsonl")
    found = adds_up(audit([path], plan()))
    assert (found.rows, found.good, found.unreadable) == (3, 2, 1)
    assert "line 2: " in found.files[0].faults[0]
    assert sentence in found.files[0].faults[0]


def test_a_byte_order_mark_hides_no_row(tmp_path: Path) -> None:
    line = json.dumps({"time": "2026-03-01T08:00:00Z", "reader": "gate", "text": hexed(1, 2)})
    found = adds_up(audit([file(tmp_path, f"\ufeff{line}\n{line}\n", "captures.jsonl")], plan()))
    assert (found.rows, found.good) == (2, 2)


@pytest.mark.parametrize("end", ["", "\n"])
@pytest.mark.parametrize("head", ["text,reader\n", "text\n"])
def test_an_empty_cell_too_many_is_one_too_many(tmp_path: Path, head: str, end: str) -> None:
    """In the last line, too, whether it has an end or not."""
    row = f"{hexed(1, 2)}{',gate' * ('reader' in head)}"
    path = file(tmp_path, f"{head}{row}\n{row},{end}")
    found = adds_up(audit([path], plan(time="", reader="reader" if "reader" in head else "")))
    assert (found.rows, found.good, found.unreadable) == (2, 1, 1)


def test_nulls_in_parquet_are_wrong_rows(tmp_path: Path) -> None:
    path = tmp_path / "captures.parquet"
    times = ["2026-03-01T08:00:00Z"] * 3
    pl.DataFrame({"time": times, "reader": ["a", None, "a"], "text": [hexed(1, 2), "x", None]}).write_parquet(path)
    found = adds_up(audit([path], plan()))
    assert (found.rows, found.good, found.unreadable) == (3, 1, 2)
    assert [re.sub(".*parquet ", "", fault) for fault in found.files[0].faults] == [
        "row 2: reader is null, expected a value", "row 3: text is null, expected a value",
    ]  # fmt: skip


# ── files that break off, or are no such files ──────────────────────────────────────────────────


@pytest.mark.parametrize("kind", ["csv.gz", "jsonl.gz"])
@pytest.mark.parametrize("piece", [1 << 24, 3000])
def test_a_compressed_file_that_breaks_off(
    tmp_path: Path, kind: str, piece: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What came before is counted; how much that is, zlib itself says."""
    import zlib

    monkeypatch.setattr(bytestreams, "PIECE_BYTES", piece)
    whole = written(tmp_path, made(2000), kind)
    data = whole.read_bytes()[: whole.stat().st_size * 2 // 3]
    there = zlib.decompressobj(31).decompress(data)
    lines = there.split(b"\n")
    rows = len(lines) - (not lines[-1]) - kind.startswith("csv")
    found = adds_up(audit([file(tmp_path, data, f"short.{kind}")], plan()))
    assert found.rows == rows
    assert found.unreadable == bool(lines[-1])
    assert (
        f"its compressed data ends too early; what stands behind line {len(lines) - (not lines[-1])} is in no count"
        in (found.files[0].ended)
    )
    assert not found.whole


def test_compressed_data_that_is_damaged(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bytestreams, "CHUNK_BYTES", 500)
    data = bytearray(gzip.compress(as_csv(made(5000))))
    data[len(data) // 2] ^= 0xFF
    data[len(data) // 2 + 1] ^= 0xFF
    found = adds_up(audit([file(tmp_path, bytes(data), "captures.csv.gz")], plan()))
    assert re.search("its compressed data is damaged|its check value is wrong", found.files[0].ended)
    assert found.rows > 1000


@pytest.mark.parametrize("rows", [3, 3000])
def test_a_compressed_file_with_a_wrong_check_value(tmp_path: Path, rows: int) -> None:
    """All rows are there, and any of them may be wrong: RFC 1952 puts the check value behind the data."""
    data = bytearray(gzip.compress(as_csv(made(rows))))
    data[-6] ^= 1
    found = adds_up(audit([file(tmp_path, bytes(data), "captures.csv.gz")], plan()))
    assert found.rows == rows
    assert "its check value is wrong, so any of its rows may be" in found.files[0].ended


def test_damage_far_behind_the_start_loses_nothing_before_it(tmp_path: Path) -> None:
    """As many bytes as zlib itself gives when it is fed byte by byte."""
    import zlib

    data = bytearray(gzip.compress(as_csv(made(5000)), 9))
    at = len(data) * 2 // 3
    data[at : at + 40] = bytes(range(40))
    inflate, there = zlib.decompressobj(31), bytearray()
    with suppress(zlib.error):
        for place in range(len(data)):
            there += inflate.decompress(data[place : place + 1])
    found = adds_up(audit([file(tmp_path, bytes(data), "captures.csv.gz")], plan()))
    assert found.rows == there.count(b"\n") - 1 + (not there.endswith(b"\n"))
    assert found.rows > 2000
    assert re.search("rows shortly before that may be wrong, too|any of its rows may be", found.files[0].ended)


def test_members_and_padding_of_gzip(tmp_path: Path) -> None:
    """RFC 1952 lets members follow each other; zeros behind the last are padding."""
    data = gzip.compress((HEAD + GOOD).encode()) + gzip.compress(GOOD.encode()) + b"\0" * 600
    found = adds_up(audit([file(tmp_path, data, "captures.csv.gz")], plan()))
    assert (found.rows, found.good, found.files[0].ended) == (2, 2, "")


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("captures.csv", b""),
        ("captures.csv", b"\xef\xbb\xbf\n"),
        ("captures.csv.gz", b""),
        ("captures.csv.gz", b"no gzip at all"),
        ("captures.jsonl", b""),
        ("captures.csv", b"time,reader,txt\n"),
        ("captures.csv", b"time,text\n"),
        ("captures.csv", b"time,reader,text,text\n"),
        ("captures.csv", b"time;reader;text\n"),
        ("captures.csv", b"time,reader,te\0xt\n"),
        ("captures.csv", b"time,reader\r,text\n"),
        ("captures.jsonl", b'\n[\n{"text": "x"}\n]\n'),
        ("captures.jsonl", b'{\n"text": "x"}\n'),
        ("captures.csv", b"time,reader,t\xffxt\n"),
        ("captures.csv", b'time,reader,"text\n'),
        ("captures.parquet", b""),
        ("captures.parquet", b"PAR1 and then nothing"),
        ("captures.txt", b""),
    ],
)
def test_files_that_are_refused(tmp_path: Path, name: str, data: bytes) -> None:
    path = file(tmp_path, data, name)
    with refusal(DefinitionError) as refused:
        audit([path], plan())
    assert str(refused.value).startswith(str(path))
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    "columns",
    [
        {"time": ["x"], "reader": ["a"], "text": [5]},
        {"time": [5], "reader": ["a"], "text": ["a"]},
        {"time": [datetime(2026, 3, 1)], "reader": ["a"], "text": ["a"]},
        {"reader": ["a"], "text": ["a"]},
    ],
)
def test_parquet_of_wrong_types(tmp_path: Path, columns: dict[str, list[object]]) -> None:
    path = tmp_path / "captures.parquet"
    pl.DataFrame(columns).write_parquet(path)
    with refusal(DefinitionError):
        audit([path], plan())


def test_parquet_with_times(tmp_path: Path) -> None:
    path = tmp_path / "captures.parquet"
    moments = [datetime(2026, 3, 1, 8, tzinfo=UTC), datetime(2026, 3, 1, 8, 0, 1, tzinfo=UTC)]
    pl.DataFrame({"time": moments, "reader": ["a", "a"], "text": [hexed(1, 2)] * 2}).write_parquet(path)
    (one,) = audit([path], plan()).readers
    assert (one.first, one.last, one.repeated) == (*moments, 1)


def test_parquet_with_times_by_the_clocks_of_a_zone(tmp_path: Path) -> None:
    """Clocks went from 02:00 to 03:00 on 29 March 2026: 02:30 was never shown (Directive 2000/84/EC)."""
    path = tmp_path / "captures.parquet"
    times = [datetime(2026, 3, 1, 9), datetime(2026, 3, 29, 2, 30), datetime(2026, 7, 1, 9)]
    pl.DataFrame({"time": times, "reader": ["a"] * 3, "text": [hexed(1, 2)] * 3}).write_parquet(path)
    done = run("audit", str(path), "--chain", CHAIN)
    assert "times without a zone, expected with one (--zone NAME says by which clocks such times are)" in done.stderr
    clock = Clock(ZoneInfo("Europe/Amsterdam"), either=True)
    found = adds_up(audit([path], AuditPlan(columns=ColumnNames(), clock=clock, codec=chain(CHAIN))))
    assert (found.good, found.unreadable) == (2, 1)
    assert "row 2: the local time '2026-03-29T02:30:00' does not occur in Europe/Amsterdam" in found.files[0].faults[0]
    (one,) = found.readers
    assert (one.first, one.last) == (datetime(2026, 3, 1, 8, tzinfo=UTC), datetime(2026, 7, 1, 7, tzinfo=UTC))


@pytest.mark.parametrize("zone", [None, "UTC"])
@pytest.mark.parametrize("micros", [-1_000_000, 400_000_000 * 10**9, 7_258_118_400 * 10**6])
def test_times_out_of_range_are_faults_in_parquet(tmp_path: Path, micros: int, zone: str | None) -> None:
    """A second before 1970, the year 14645, and the first moment of 2200: as in a CSV file."""
    path = tmp_path / "captures.parquet"
    times = pl.Series([micros, 10**15]).cast(pl.Datetime("us", zone))
    pl.DataFrame({"time": times, "reader": ["a", "a"], "text": [hexed(1, 2)] * 2}).write_parquet(path)
    found = adds_up(
        audit([path], AuditPlan(columns=ColumnNames(), clock=Clock(ZoneInfo("UTC"), either=True), codec=chain(CHAIN)))
    )
    assert (found.good, found.unreadable) == (1, 1)
    assert sum(found.readers[0].counts.rows) == 1
    assert "which is not in the years 1970 to 2199" in found.files[0].faults[0]


def test_categories_of_parquet_are_texts(tmp_path: Path) -> None:
    path = tmp_path / "captures.parquet"
    columns = {"time": ["2026-03-01T08:00:00Z"] * 3, "reader": ["a", "b", None], "text": [hexed(1, 2)] * 3}
    pl.DataFrame(columns).with_columns(pl.all().cast(pl.Categorical)).write_parquet(path)
    found = adds_up(audit([path], plan()))
    assert ([each.name for each in found.readers], found.good, found.unreadable) == (["a", "b"], 2, 1)


def test_parquet_damaged_within(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The rows before the damage are counted; the file says that it ends there."""
    monkeypatch.setattr("credkit.files.parquetcaptures.ROWS_OF_A_PIECE", 100)
    path = written(tmp_path, made(1000), "parquet")
    data = bytearray(path.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 400] = bytes(400)
    path.write_bytes(data)
    found = adds_up(audit([path], plan()))
    rows = pl.scan_parquet(path)

    def readable(count: int) -> bool:
        with suppress(pl.exceptions.PolarsError):
            return rows.head(count).collect().height == count
        return False

    assert readable(found.rows)
    assert not readable(found.rows + 1)
    assert "its data is damaged, and rows shortly before that may be wrong, too" in found.files[0].ended
    assert f"what stands behind row {found.rows} is in no count" in found.files[0].ended


def test_a_header_is_refused_before_any_file_is_read(tmp_path: Path) -> None:
    good, bad = file(tmp_path, HEAD + GOOD), file(tmp_path, "a,b\n", "b.csv")
    with refusal(DefinitionError):
        audit([good, bad], plan(), failures=tmp_path / "out.csv")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["b.csv", "captures.csv"]


def test_only_a_header_is_no_row(tmp_path: Path) -> None:
    for data in (HEAD, HEAD.rstrip()):
        found = adds_up(audit([file(tmp_path, data)], plan()))
        assert (found.rows, found.readers, found.whole) == (0, (), True)


RECODED = ("utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-7", "hz", "iso2022_jp", "cp500")


@pytest.mark.parametrize("encoding", RECODED)
@pytest.mark.parametrize("kind", ["csv", "csv.gz"])
@pytest.mark.parametrize("piece", [1 << 24, 50, 1])
def test_encodings_whose_lines_are_not_cut_before_they_are_decoded(
    tmp_path: Path, encoding: str, kind: str, piece: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A character such as U+0A0D has the bytes of line ends in UTF-16; the rows are those of the same file in UTF-8."""
    wide = "\u0a0d\u0d0a\u2c22" if encoding.startswith("utf") else "gate"
    rows = [*made(40), Row(START.isoformat(), wide, hexed(1, 2)), Row(START.isoformat(), wide, "wrong")]
    text = as_csv(rows).decode() + "one cell\n"
    usual = adds_up(audit([file(tmp_path, text)], plan()))
    data = text.encode(encoding)
    path = file(tmp_path, gzip.compress(data) if kind.endswith("gz") else data, f"other.{kind}")
    monkeypatch.setattr(bytestreams, "PIECE_BYTES", piece)
    found = adds_up(audit([path], plan(), encoding=encoding))
    assert found.readers == usual.readers
    assert (found.rows, found.unreadable, found.files[0].ended) == (usual.rows, 1, "")


@pytest.mark.parametrize("declared", ["", "strip = true", 'strip = ["text"]'])
@pytest.mark.parametrize("piece", [1 << 24, 1])
def test_a_site_declares_that_white_space_is_no_part_of_a_cell(
    tmp_path: Path, declared: str, piece: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Spaces before a time, behind a reader and around a text, one without a break and one without width."""
    monkeypatch.setattr(bytestreams, "PIECE_BYTES", piece)
    site = file(tmp_path, SITE.replace('path = "readings.csv"', f'path = "readings.csv"\n{declared}'), "site.toml")
    at, text = "2026-03-01T08:00:00Z", hexed(1, 2)
    head = "time,reader,text ,presentation,expected" if declared else "time,reader,text,presentation,expected"
    cells = [f"{at},east,{text}", f" {at},east,{text}", f"{at},east ,{text}", f"{at},east,\u00a0{text} \ufeff"]
    file(tmp_path, "\n".join([head, *(f"{row},," for row in cells)]), "readings.csv")
    described = load_site(site)
    found = adds_up(
        audit([described.readings.path], AuditPlan(columns=ColumnNames(), clock=Clock(described.zone), site=described))
    )
    assert (found.good, found.failing, found.unreadable) == {"": (1, 1, 2), "strip = true": (4, 0, 0)}.get(
        declared, (2, 0, 2)
    )


def test_a_site_declares_the_encoding_of_its_readings_for_audit_and_crosswalk(tmp_path: Path) -> None:
    site = file(
        tmp_path, SITE.replace('path = "readings.csv"', 'path = "readings.csv"\nencoding = "utf-16"'), "site.toml"
    )
    rows = "".join(f"2026-03-01T08:00:0{second}Z,east,{hexed(1, 2)},,\n" for second in range(3))
    file(tmp_path, ("time,reader,text,presentation,expected\n" + rows).encode("utf-16"), "readings.csv")
    head = "person_id,credential_id,kind,value,printed,issue,status,valid_from,valid_until,replaces,source\n"
    file(tmp_path, f"{head}P-1,C-1,card,00100002,,,active,,,,\n", "credentials.csv")
    assert len(load_rows(load_site(site)).readings) == 3
    counted = run("audit", "--site", str(site), "--json")
    assert counted.exit_code == 0
    assert records(counted)[-1]["audit"]["good"] == 3


@pytest.mark.parametrize(
    ("tail", "ended", "rows"),
    [
        (b"\x00\xdcx\x00", "byte 00h at offset {} is not utf-16", 3),  # the second half of a pair, alone
        (b"x", "it ends within a character of utf-16", 2),
        (b"x\x00y", "it ends within a character of utf-16", 3),
    ],
)
@pytest.mark.parametrize("piece", [1 << 24, 7])
def test_bytes_that_are_not_of_the_encoding_end_the_file(
    tmp_path: Path, tail: bytes, ended: str, rows: int, piece: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bytestreams, "PIECE_BYTES", piece)
    data = (HEAD + GOOD * 2).encode("utf-16")
    more = b"o\x00" if rows == 3 and tail[:1] != b"x" else b""
    found = adds_up(audit([file(tmp_path, data + more + tail)], plan(), encoding="utf-16"))
    assert (found.rows, found.good, found.whole) == (rows, 2, False)
    assert ended.format(len(data + more)) in found.files[0].ended


def test_missing_files_directories_and_encodings(tmp_path: Path) -> None:
    (tmp_path / "folder.csv").mkdir()
    os.mkfifo(tmp_path / "pipe.csv")
    path = file(tmp_path, HEAD + GOOD)
    for wrong, more in (
        (tmp_path / "none.csv", {}),
        (tmp_path / "folder.csv", {}),
        (path, {"encoding": "klingon"}),
        (path, {"encoding": "utf-16"}),  # without a byte order mark
        (path, {"delimiter": "ab"}),
        (path, {"delimiter": '"'}),
        (tmp_path / "pipe.csv", {}),
    ):
        with refusal(DefinitionError):
            audit([wrong], plan(), **more)  # type: ignore[arg-type]  # keywords of several types
    odd = file(tmp_path, (HEAD + GOOD).replace(",", "§"), "odd.csv")
    assert audit([odd], plan(), delimiter="§").good == 1
    latin = file(tmp_path, (HEAD + GOOD.replace("gate", "Gäte")).encode("latin-1"))
    assert [each.name for each in audit([latin], plan(), encoding="latin-1").readers] == ["Gäte"]
    (wrong_one,) = audit([latin], plan()).files
    assert "byte E4h at byte 22 of the line is not utf-8" in wrong_one.faults[0]


def test_a_column_that_holds_no_readers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("credkit.audit.plan.MOST_READERS", 100)
    rows = [Row(START.isoformat(), f"r{n}", hexed(1, 1)) for n in range(200)]
    with refusal(DefinitionError):
        audit([written(tmp_path, rows, "csv")], plan())


@pytest.mark.parametrize("columns", [10_000, 100_000])
def test_a_header_without_an_end(tmp_path: Path, columns: int) -> None:
    header = "text,reader,time," + ",".join(f"column-{number}" for number in range(columns))
    row = f"{hexed(1, 2)},gate,2026-03-01T08:00:00Z{',' * columns}\n"
    path = file(tmp_path, f"{header}\n{row}{row}")
    if len(header) > LONGEST_LINE_BYTES:
        with refusal(DefinitionError):
            audit([path], plan())
    else:
        assert audit([path], plan()).good == 2


def test_a_line_without_an_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bytestreams, "PIECE_BYTES", 100)
    monkeypatch.setattr(bytestreams, "LONGEST_LINE_BYTES", 1000)
    with refusal(DefinitionError):
        audit([file(tmp_path, HEAD + GOOD + "x" * 5000)], plan())


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("kind", ["csv", "csv.gz", "jsonl.gz"])
def test_empty_lines_without_end_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str, end: str
) -> None:
    """A kilobyte of compressed data becomes a megabyte of empty lines: it is refused before they are split."""
    monkeypatch.setattr(bytestreams, "PIECE_BYTES", 1 << 19)
    row = Row("2026-03-01T08:00:00Z", "gate", hexed(1, 2))
    good = as_json([row]) if "json" in kind else GOOD.encode()
    head = b"" if "json" in kind else HEAD.encode()
    for size, refused in ((LONGEST_LINE_BYTES // 2, False), (2 * LONGEST_LINE_BYTES, True)):
        data = head + good + end.encode() * (size // len(end)) + good
        path = file(tmp_path, gzip.compress(data) if kind.endswith("gz") else data, f"reads.{kind}")
        if refused:
            with refusal(DefinitionError):
                audit([path], plan())
        else:
            found = audit([path], plan())
            assert (found.good, found.unreadable) == (2, 0)


def test_lines_that_are_rows_are_none_of_the_empty_ones(tmp_path: Path) -> None:
    """In a file of one column a blank is a cell."""
    rows = LONGEST_LINE_BYTES * 5 // 8  # of two bytes each: as empty lines they would be too many
    found = audit([file(tmp_path, "text\n" + " \n" * rows)], plan(reader="", time=""))
    assert found.failing == rows


# ── sites ───────────────────────────────────────────────────────────────────────────────────────

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
value = "template:{facility:03d}{number:05d}"
key = ["facility", "number"]
[readers.east]
kind = "card"
chain = "hex:8/right-justified:26/wiegand-26"
[readers.west]
kind = "card"
clock_offset = 60
periods = [
    { chain = "hex:8/invert/right-justified:26/wiegand-26", until = 2026-03-10T08:01:00+00:00 },
    { chain = "hex:8/right-justified:26/wiegand-26", from = 2026-03-10T09:00:00+00:00 },
]
[readers.keys]
kind = "card"
chain = "template:{facility:03d}{number:05d}"
stream = "keypad:hex:1/keypad-4"
"""


def site_plan(folder: Path) -> AuditPlan:
    site = load_site(file(folder, SITE, "site.toml"))
    return AuditPlan(columns=ColumnNames(), clock=Clock(site.zone), site=site)


def test_each_reader_is_read_by_its_chain_of_that_time(tmp_path: Path) -> None:
    """A clock that is a minute slow: at 08:00 by it, it is 08:01, when the first period ends."""
    inverted = f"{int(hexed(1, 2), 16) ^ 0xFFFFFFFF:08X}"
    rows = [
        Row("2026-03-10T07:59:59+00:00", "west", inverted),  # in the first period
        Row("2026-03-10T08:00:00+00:00", "west", inverted),  # in none
        Row("2026-03-10T08:59:00+00:00", "west", hexed(1, 2)),  # in the second
        Row("2026-03-10T08:59:00+00:00", "west", inverted),  # in the second, where it fails
        Row("2026-03-10T08:00:00+00:00", "east", hexed(1, 2)),
        Row("2026-03-10T08:00:00+00:00", "eats", hexed(1, 2)),
    ]
    found = adds_up(audit([written(tmp_path, rows, "csv")], site_plan(tmp_path)))
    west, east = reader(found, "west"), reader(found, "east")
    assert (west.rows, west.good, east.rows, east.good) == (3, 2, 1, 1)
    assert (west.only_here, east.only_here) == (0, 0)  # the same number, written in two ways
    assert set(west.chains) == {"hex:8/invert/right-justified:26/wiegand-26", CHAIN}
    assert [re.sub(".*csv ", "", fault) for fault in found.files[0].faults] == [
        "line 3: its time is in no period of the reader 'west'",
        "line 7: no reader is called 'eats' in the site file; did you mean east?",
    ]
    assert [each.name for each in found.readers] == ["east", "west", "keys"]


@pytest.mark.parametrize("piece", [1 << 24, 60, 200])
def test_entries_of_keypads_are_put_together(tmp_path: Path, piece: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Keys 0 to 9 are their digit, B is enter, A clears: the four-bit form. A row is good if its entry is."""
    monkeypatch.setattr(bytestreams, "PIECE_BYTES", piece)
    monkeypatch.setattr("credkit.audit.entries.PARTS_JOINED_AT_ONCE", piece)
    at = START
    rows = []
    for typed in ("00100002B", "00100003B", "001B", "12A00100004B", "0010"):
        for key in typed:
            at += timedelta(seconds=1)
            rows.append(Row(at.isoformat(), "keys", key))
            rows.append(Row(at.isoformat(), "east", hexed(1, 2)))
    found = adds_up(audit([written(tmp_path, rows, "csv")], site_plan(tmp_path), failures=tmp_path / "out.csv"))
    keys = reader(found, "keys")
    assert keys.rows == sum(map(len, ("00100002B", "00100003B", "001B", "12A00100004B", "0010")))
    assert keys.failing == keys.rows - len("00100002B00100003B00100004B")
    assert keys.only_here == 2
    with (tmp_path / "out.csv").open(newline="") as opened:
        assert len(list(csv.DictReader(opened))) == keys.failing
    assert reader(found, "east").good == len(rows) // 2


PADS = """
[kinds.frame]
value = "decimal:26/wiegand-26"
key = ["facility", "number"]
[kinds.stripe]
value = "decimal:32/serial-32"
key = ["number"]
[readers.pad]
kind = "frame"
chain = "decimal:26/wiegand-26"
stream = "keypad:hex:1/keypad-4"
[readers.plain]
kind = "frame"
chain = "decimal:26/wiegand-26"
[readers.head]
kind = "stripe"
chain = "binary/track-2-bits/strip:;,?/decimal:32/serial-32"
stream = "swipes:binary"
"""


def pads(folder: Path, more: str = "") -> AuditPlan:
    site = load_site(file(folder, SITE[: SITE.index("[kinds.card]")] + PADS + more, "site.toml"))
    return AuditPlan(columns=ColumnNames(), clock=Clock(site.zone), site=site)


def test_many_keys_in_one_piece_do_not_end_an_entry(tmp_path: Path) -> None:
    """More keys of one pad at once than an entry may have that is not finished: each of these is finished."""
    typed = "49767645B" * 2500
    rows = [Row((START + timedelta(seconds=place)).isoformat(), "pad", key) for place, key in enumerate(typed)]
    assert len(rows) > 2 * MOST_OPEN_PARTS
    one = reader(adds_up(audit([written(tmp_path, rows, "csv")], pads(tmp_path))), "pad")
    assert (one.rows, one.good) == (len(rows), len(rows))


def test_entries_are_judged_as_the_same_texts_in_a_row_each(tmp_path: Path) -> None:
    """Ten entries of nine keys, the last of which fails: the same rule of the same step, and ten frames, not ninety."""
    entries = [str(int(hexed(123, 45678), 16))] * 9 + [str(int(hexed(123, 45678, 25), 16))]
    rows: list[Row] = []
    for text in entries:
        rows += [Row((START + timedelta(seconds=len(rows))).isoformat(), "pad", key) for key in f"{text}B"]
    rows += [Row((START + timedelta(hours=2, seconds=n)).isoformat(), "plain", text) for n, text in enumerate(entries)]
    found = adds_up(audit([written(tmp_path, rows, "csv")], pads(tmp_path)))
    pad, plain = reader(found, "pad"), reader(found, "plain")
    keys = len(entries[0]) + 1
    assert [(each.chain, each.step, each.rule, each.rows) for each in pad.tallies] == [
        (each.chain, each.step, each.rule, each.rows * keys) for each in plain.tallies
    ]
    assert [(each.step, each.rule) for each in plain.tallies] == [(1, "odd-parity")]
    (blind,) = found.blind
    assert (blind.frames, blind.failed) == (20, 2)


@pytest.mark.parametrize(("pause", "good"), [(30, True), (31, False)])
def test_an_entry_with_a_pause_in_it_is_none(tmp_path: Path, pause: int, good: bool) -> None:
    """As in the crosswalk: whoever types on after half a minute may be somebody else."""
    text = str(int(hexed(123, 45678), 16))
    rows = [Row((START + timedelta(seconds=n)).isoformat(), "pad", key) for n, key in enumerate(text)]
    rows.append(Row((START + timedelta(seconds=len(text) - 1 + pause)).isoformat(), "pad", "B"))
    one = reader(adds_up(audit([written(tmp_path, rows, "csv")], pads(tmp_path))), "pad")
    assert one.good == (len(rows) if good else 0)


@pytest.mark.parametrize("seed", range(12))
def test_swipes_do_not_depend_on_the_pieces(tmp_path: Path, seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Records of chunks in which swipes begin and end anywhere, noise and zeros between them."""
    dice = random.Random(seed)
    track = chain("track-2-bits/strip:;,?/decimal:32/serial-32")
    record = ""
    for _ in range(dice.randint(2, 5)):
        bits = track.encode({"number": dice.randrange(1 << 32)}).bin
        bits = bits.strip("0") if dice.random() < 0.5 else bits
        record += "0" * dice.choice([0, 3, 6, 9, 20, 40]) + (bits[::-1] if dice.random() < 0.3 else bits)
    record += "0" * dice.choice([0, 5, 30])
    texts, at = [], 0
    while at < len(record):
        size = dice.choice([1, 7, 8, 16, 31, 64])
        texts.append(record[at : at + size])
        at += size
    for _ in range(4):
        texts.insert(dice.randrange(len(texts) + 1), dice.choice(["0", "00000", "x", "1"]))
    path = written(tmp_path, [Row(START.isoformat(), "head", text) for text in texts], "csv")

    def counts() -> tuple[int, int, int | None]:
        one = reader(adds_up(audit([path], pads(tmp_path))), "head")
        return one.rows, one.good, one.only_here

    whole = counts()
    for piece in (400, 64, 1):
        monkeypatch.setattr(bytestreams, "PIECE_BYTES", piece)
        for at_once in (1, 3):
            monkeypatch.setattr("credkit.audit.entries.PARTS_JOINED_AT_ONCE", at_once)
            assert counts() == whole


def test_zeros_behind_a_swipe_do_not_hide_a_payment_track(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A chunk of only zeros makes a frame of its own, while the swipe before it may go on."""
    monkeypatch.setattr(bytestreams, "PIECE_BYTES", 1)
    monkeypatch.setattr("credkit.audit.entries.PARTS_JOINED_AT_ONCE", 1)
    bits = chain("track-2-bits").encode(TRACK).bin.rstrip("0")
    at = next(n for n in range(60, 90) if bits[n - 2 : n + 1] == "001")
    texts = [bits[: at - 2], "0", "0", bits[at:]]
    path = written(tmp_path, [Row(START.isoformat(), "head", text) for text in texts], "csv")
    with refusal(DefinitionError):
        audit([path], pads(tmp_path))


def test_an_entry_that_never_ends_is_not_kept_for_ever(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("credkit.audit.entries.MOST_OPEN_PARTS", 50)
    monkeypatch.setattr("credkit.audit.entries.PARTS_JOINED_AT_ONCE", 10)
    monkeypatch.setattr(timeorder, "MOST_ROWS_REORDERED", 10)
    monkeypatch.setattr(bytestreams, "PIECE_BYTES", 500)
    rows = [Row((START + timedelta(seconds=n)).isoformat(), "keys", "1") for n in range(300)]
    found = adds_up(audit([written(tmp_path, rows, "csv")], site_plan(tmp_path)))
    assert (reader(found, "keys").rows, reader(found, "keys").good) == (300, 0)
    assert MOST_OPEN_PARTS > 1000


def test_the_demo_beside_reading_it_row_by_row(demo: Demo) -> None:
    """Readers without a stream: each text read by the chain of its period, and counted in plain Python."""
    site = load_site(demo.site)
    found = adds_up(audit([site.readings.path], AuditPlan(columns=ColumnNames(), clock=Clock(site.zone), site=site)))
    rows = load_rows(site).readings
    assert (found.rows, found.unreadable) == (len(rows), 0)
    for one in found.readers:
        described = site.readers[one.name]
        mine = [row for row in rows if row.reader == one.name]
        assert one.rows == len(mine)
        assert (one.first, one.last) == (min(row.time for row in mine), max(row.time for row in mine))
        if described.stream is None:
            periods = [(row, described.period(row.time + described.clock_offset)) for row in mine]
            assert one.good == sum(bool(period and period.codec.inspect(row.text).ok) for row, period in periods)
    streamed = [one for one in found.readers if site.readers[one.name].stream]
    assert streamed
    assert all(one.good > one.failing for one in streamed)


def test_the_demo_in_small_pieces(demo: Demo, monkeypatch: pytest.MonkeyPatch) -> None:
    site = load_site(demo.site)

    def counts() -> list[tuple[str, int, int, int, int | None]]:
        found = adds_up(
            audit([site.readings.path], AuditPlan(columns=ColumnNames(), clock=Clock(site.zone), site=site))
        )
        return [(one.name, one.rows, one.good, one.repeated, one.only_here) for one in found.readers]

    whole = counts()
    monkeypatch.setattr(bytestreams, "PIECE_BYTES", 20_000)
    assert counts() == whole


# ── payment data ────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("chain_text", "line"),
    [
        (CHAIN, f"2026-03-01T08:00:00Z,gate,{TRACK}"),
        ("strip", f"2026-03-01T08:00:00Z,gate,{TRACK}"),
        ("hex", f"2026-03-01T08:00:00Z,gate,{TRACK}"),
        (CHAIN, f"2026-03-01T08:00:00Z,{TRACK}"),  # too few cells
        (CHAIN, f"no time,gate,{TRACK}"),
    ],
)
@pytest.mark.parametrize("piece", [1 << 24, 40])
def test_a_file_with_a_payment_track_is_refused(
    tmp_path: Path, chain_text: str, line: str, piece: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bytestreams, "PIECE_BYTES", piece)
    path = file(tmp_path, HEAD + GOOD * 3 + line + "\n" + GOOD)
    with refusal(DefinitionError) as refused:
        audit([path], plan(chain_text), failures=tmp_path / "out.csv")
    assert ACCOUNT not in str(refused.value)
    assert [each.name for each in tmp_path.iterdir()] == ["captures.csv"]


@pytest.mark.parametrize("chain_text", ["hex:16/read-only-64", "decimal:56,16/fields:a:1,b:55", CHAIN])
def test_texts_that_fail_are_looked_through_where_they_may_hold_a_track(chain_text: str) -> None:
    """Most of them are passed over by a kernel: none of these may be one that holds a track."""
    codec = chain(chain_text)
    assert has_no_room(codec)
    dice = random.Random(5)
    texts = [f"{dice.getrandbits(64):016X}" for _ in range(40)] + [f"{dice.randrange(10**16):016d}" for _ in range(40)]
    texts += [
        TRACK,
        f" {TRACK}",
        f"{ACCOUNT}=3012101",
        f"%B{ACCOUNT}^",
        "Ö4114360123456785´3012101000?",
        f"x{ACCOUNT}D3012101",
    ]
    for text in texts:
        sign = bool(pl.Series([text]).str.contains(secrets._MAY_BE_TYPED)[0]) and len(text.encode()) >= 13
        assert sign or not find_payment(codec, text).track_numbers, text
    assert any(find_payment(codec, text).track_numbers for text in texts)


def test_the_line_of_a_payment_track_behind_rows_that_are_wrong(tmp_path: Path) -> None:
    path = file(tmp_path, HEAD + "bad\n" * 5 + f"nonsense,gate,{TRACK}\n")
    with refusal(DefinitionError):
        audit([path], plan())


def test_account_numbers_are_masked(tmp_path: Path) -> None:
    bcd = f"{int(ACCOUNT):X}"
    rows = [Row(START.isoformat(), "gate", text) for text in (ACCOUNT, bcd)]
    for chain_text in (CHAIN, "hex:16/fields:check:1,number:63", "decimal:56,16/fields:a:1,b:55"):
        audit([written(tmp_path, rows, "csv")], plan(chain_text), failures=tmp_path / "out.csv")
        assert ACCOUNT not in (tmp_path / "out.csv").read_text()


# ── outputs ─────────────────────────────────────────────────────────────────────────────────────


def test_failures_are_every_failing_row_and_why(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bytestreams, "PIECE_BYTES", 2000)
    rows = [*made(500), Row("never", "gate-1", "x"), Row(START.isoformat(), "=gate", "=1+1")]
    path, out = written(tmp_path, rows, "csv"), tmp_path / "failing.csv"
    found = adds_up(audit([path], plan(), failures=out))
    with out.open(newline="") as opened:
        told = list(csv.DictReader(opened))
    assert len(told) == found.failing + found.unreadable
    codec = chain(CHAIN)
    expected = {
        place: str(codec.decode_error(reading))
        for place, row in enumerate(rows, 2)
        if row.time != "never" and not (reading := codec.inspect(row.text)).ok
    }
    assert {int(row["line"]): row["reason"] for row in told if row["rule"] != "unreadable-row"} == expected
    assert [int(row["line"]) for row in told] == sorted(int(row["line"]) for row in told)
    assert [(row["line"], row["rule"]) for row in told[-2:]] == [("502", "unreadable-row"), ("503", "alphabet")]
    assert (told[-1]["reader"], told[-1]["text"], told[-1]["file"]) == ("'=gate", "'=1+1", str(path))
    assert stat.S_IMODE(out.stat().st_mode) == 0o600
    for row in told[:-2]:
        number = int(row["line"]) - 2
        assert (row["reader"], row["text"]) == (rows[number].reader, rows[number].text.replace("+", "'+"))
        assert datetime.fromisoformat(row["time"]) == datetime.fromisoformat(rows[number].time)


LISTED = "file,line,time,reader,text,chain,rule,reason\n"  # how a list of failing rows begins


def test_only_a_file_is_replaced_that_is_an_earlier_output(tmp_path: Path) -> None:
    """A link, a pipe, or whatever else stands there is left as it is."""
    path, real = written(tmp_path, made(50), "csv"), file(tmp_path, LISTED, "real.csv")
    link, pipe, dangling = tmp_path / "link", tmp_path / "pipe", tmp_path / "dangling"
    link.symlink_to(real)
    dangling.symlink_to(tmp_path / "nowhere")
    os.mkfifo(pipe)
    options = {"--failures": "list of failing rows", "--parquet": "table of readers", "--report": "report"}
    for out, sentence in (
        (link, "is a link, which is neither followed nor replaced"),
        (dangling, "is a link, which is neither followed nor replaced"),
        (pipe, "is a device or a pipe, which is never replaced"),
    ):
        for option in options:
            done = run("audit", str(path), "--chain", CHAIN, option, str(out))
            assert (done.exit_code, done.stdout) == (2, "")
            assert sentence in done.stderr
    assert (link.is_symlink(), real.read_text(), stat.S_ISFIFO(pipe.lstat().st_mode)) == (True, LISTED, True)
    mine, other, former = file(tmp_path, LISTED, "mine.csv"), written(tmp_path, made(5), "parquet"), tmp_path / "former"
    for option, what in options.items():
        for out in (mine, other, file(tmp_path, "", "empty")):
            done = run("audit", str(path), "--chain", CHAIN, option, str(out))
            assert (done.exit_code, done.stdout) == (2, "")
            assert (
                "has no mark of credkit, so it may be somebody's own: name another file, or move it away" in done.stderr
            )
        for _ in range(2):
            assert run("audit", str(path), "--chain", CHAIN, option, str(former)).stderr == ""
        another = next(each for each in options if each != option)
        done = run("audit", str(path), "--chain", CHAIN, another, str(former))
        assert f"is a {what}, not a {options[another]}: name another file, or move it away" in done.stderr
        former.write_bytes(former.read_bytes() + b"x")
        done = run("audit", str(path), "--chain", CHAIN, option, str(former))
        assert "was changed after credkit wrote it: name another file, or move it away" in done.stderr
        former.unlink()
    assert mine.read_text() == LISTED
    assert "output '-' is not the path of a file" in run("audit", str(path), "--chain", CHAIN, "--report", "-").stderr


def test_outputs_take_the_place_of_no_file_of_the_site(tmp_path: Path, demo: Demo) -> None:
    """Not of the site file, nor of any that it names: registers, readings, exports, plans."""
    site = load_site(demo.site)
    assert {each.name for each in site.files} >= {
        "site.toml", "credentials.csv", "readings.csv",
        *(target.existing.path.name for target in site.targets.values() if target.existing),
    }  # fmt: skip
    for named in site.files:
        before = named.read_bytes()
        done = run("audit", "--site", str(demo.site), "--failures", str(named.parent / "." / named.name))
        assert (done.exit_code, done.stdout) == (2, "")
        assert "is one of the files that are read, or that the site names" in done.stderr
        with refusal(DefinitionError):
            audit([], AuditPlan(columns=ColumnNames(), clock=Clock(site.zone), site=site), failures=named)
        assert named.read_bytes() == before
    labels = file(tmp_path, "printed,encoded\n1,2\n", "labels.csv")
    described = load_site(file(tmp_path, f'{SITE}[tables.labels]\npath = "labels.csv"\n', "site.toml"))
    assert labels in described.files, "lists are named, too"


@pytest.mark.parametrize(("command", "name"), [("crosswalk", "crosswalk.csv"), ("census", "allocation.csv")])
def test_folders_take_the_place_of_no_file_of_the_site(tmp_path: Path, command: str, name: str) -> None:
    (tmp_path / "out").mkdir()
    path = file(tmp_path, SITE.replace("credentials.csv", f"out/{name}"), "site.toml")
    register = file(tmp_path / "out", "the register", name)
    done = run(command, str(path), "--out", str(tmp_path / "out"))
    assert (done.exit_code, done.stdout) == (2, "")
    assert "is one of the files that are read, or that the site names" in done.stderr
    assert register.read_text() == "the register"


def test_a_file_is_not_counted_twice(tmp_path: Path) -> None:
    path = file(tmp_path, HEAD + GOOD)
    (tmp_path / "again.csv").hardlink_to(path)
    for other in (path, tmp_path / "again.csv", tmp_path / "." / "captures.csv"):
        with refusal(DefinitionError):
            audit([path, other], plan())


def test_names_in_the_failing_rows_are_masked(tmp_path: Path) -> None:
    rows = [Row(START.isoformat(), ACCOUNT, "x"), Row("never", ACCOUNT, "x")]
    path = file(tmp_path, as_csv(rows), f"{ACCOUNT}.csv")
    audit([path], plan(), failures=tmp_path / "out.csv")
    assert "411436******6785,x" in (tmp_path / "out.csv").read_text()
    assert ACCOUNT not in (tmp_path / "out.csv").read_text()


def test_outputs_that_cannot_be_written(tmp_path: Path) -> None:
    path = file(tmp_path, HEAD + GOOD)
    for out in (
        tmp_path,
        tmp_path / "none" / "out.csv",
        path,
    ):
        with refusal(DefinitionError):
            audit([path], plan(), failures=out)
    assert path.read_text() == HEAD + GOOD


FULL = """
import resource, signal, sys
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (30_000, 30_000))
from credkit.cli import main
main()
"""


def test_a_disk_that_is_full_is_one_sentence(tmp_path: Path) -> None:
    path = written(tmp_path, made(8000), "csv")
    out = tmp_path / "failing.csv"
    done = subprocess.run(
        [sys.executable, "-c", FULL, "audit", str(path), "--chain", CHAIN, "--failures", str(out)],
        capture_output=True, text=True, env=ENVIRONMENT,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (2, "")
    assert re.fullmatch(r"credkit: output '.*' cannot be written \(File too large\)\n", done.stderr)
    assert [each.name for each in tmp_path.iterdir()] == ["captures.csv"]


def many(folder: Path) -> Path:
    """A file with so many rows that a process is still busy with them when it is told to end."""
    path = written(folder, made(20_000), "csv")
    header, rows = path.read_text().split("\n", 1)
    path.write_text(f"{header}\n{rows * 20}")
    return path


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_process_that_is_told_to_end_leaves_nothing(tmp_path: Path, number: int) -> None:
    path, out = many(tmp_path), tmp_path / "failing.csv"
    command = [*CREDKIT, "audit", str(path), "--chain", CHAIN, "--failures", str(out)]
    running = subprocess.Popen(
        command, env=ENVIRONMENT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        preexec_fn=lambda: signal.signal(number, signal.SIG_DFL),  # what started the tests may ignore a hang-up
    )  # fmt: skip
    while running.poll() is None and not list(tmp_path.glob(".credkit.partial-*")):
        time.sleep(0.005)
    running.send_signal(number)
    assert running.wait() == 128 + number
    assert [each.name for each in tmp_path.iterdir()] == ["captures.csv"]


# ── the command line ────────────────────────────────────────────────────────────────────────────


INVERTED = "likely cause in 6 of 8 sampled texts: the lines are inverted"


def test_the_screen_and_its_exit_codes(tmp_path: Path, demo: Demo) -> None:
    good = file(tmp_path, HEAD + GOOD)
    done = run("audit", str(good), "--chain", CHAIN)
    assert done.exit_code == 0, done.stderr
    assert "1 row = 1 good + 0 failing + 0 unreadable" in done.stdout
    shown = run("audit", "--site", str(demo.site), "--details")
    assert shown.exit_code == 1
    assert max(map(len, shown.stdout.splitlines())) <= 80
    for words in ("Audit of 1 file of Brackwater Terminal", "Data checked", "156 of 325", "quay", INVERTED):
        assert words in " ".join(shown.stdout.split())
    assert "secure" not in shown.stdout


def test_json_and_parquet(tmp_path: Path) -> None:
    path, out = written(tmp_path, made(800), "csv"), tmp_path / "counts.parquet"
    done = run("audit", str(path), "--chain", CHAIN, "--json", "--parquet", str(out))
    assert done.exit_code == 1
    told = records(done)
    assert [next(iter(each)) for each in told] == ["file", *["reader"] * 5, "blind", "audit"]
    frame = pl.read_parquet(out)
    assert frame["rows"].to_list() == [each["reader"]["rows"] for each in told[1:6]]
    assert frame[f"{CHAIN} 2.wiegand-26.odd-parity"].to_list() == [
        sum(tally["rows"] for tally in each["reader"]["tallies"] if tally["rule"] == "odd-parity") for each in told[1:6]
    ]
    total = told[-1]["audit"]
    assert total["rows"] == 800 == total["good"] + total["failing"] + total["unreadable"]
    assert stat.S_IMODE(out.stat().st_mode) == 0o600


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        ((), "exactly one of --chain and --site is needed"),
        (("x.csv",), "exactly one of --chain and --site is needed"),
        (("--chain", CHAIN), "name at least one FILE"),
        (("x.csv", "--chain", "wiegand-26"), "takes bits, but a value here is text"),
        (("x.csv", "--chain", CHAIN, "--zone", "Mars"), "'Mars' is not an IANA time zone"),
        (("x.csv", "--chain", CHAIN), "x.csv: the file cannot be read"),
        (("x.csv", "--site", "SITE", "--reader", ""), "--reader '' goes with --chain"),
        (("x.csv", "--chain", CHAIN, "--text", ""), "the column of texts needs a name"),
        (("x.csv", "--chain", CHAIN, "--text", "time"), "columns of their own, not 'time, reader, time'"),
    ],
)
def test_wrong_usage(arguments: tuple[str, ...], sentence: str, demo: Demo) -> None:
    done = run("audit", *(str(demo.site) if each == "SITE" else each for each in arguments))
    assert done.exit_code == 2
    assert sentence in done.stderr
    assert done.stderr.count("\n") == 1


def test_times_by_the_clocks_of_a_zone(tmp_path: Path) -> None:
    path = file(tmp_path, HEAD + GOOD.replace("Z,", ",") + GOOD.replace(hexed(1, 2), "x"))
    done = run("audit", str(path), "--chain", CHAIN, "--zone", "Europe/Amsterdam", "--details")
    assert "2026-03-01 08:00 to 2026-03-01 09:00" in done.stdout


def test_times_without_an_offset_need_a_zone(tmp_path: Path) -> None:
    done = run("audit", str(file(tmp_path, HEAD + GOOD.replace("Z,", ","))), "--chain", CHAIN)
    assert "(--zone NAME says by which clocks such times are)" in " ".join(done.stdout.split())


def test_a_tab_can_be_typed(tmp_path: Path) -> None:
    path, out = file(tmp_path, (HEAD + GOOD).replace(",", "\t")), tmp_path / "out.csv"
    done = run("audit", str(path), "--chain", CHAIN, "--delimiter", r"\t", "--failures", str(out))
    assert done.exit_code == 0
    assert f"Written:{out}." in re.sub(r"\s", "", done.stdout)


def test_a_terminal_sees_how_far_it_is(tmp_path: Path) -> None:
    path = written(tmp_path, made(3000), "csv")
    seen = on_a_terminal(["audit", str(path), "--chain", CHAIN], TERM="xterm")
    assert "reading" in seen
    assert "Audit of 1 file" in seen


def test_many_readers_are_counted_in_time_and_shown_in_part(tmp_path: Path) -> None:
    rows = [Row(START.isoformat(), f"r{n}", "x" if n == 7 else hexed(1, n)) for n in range(20_000)]
    found = adds_up(audit([written(tmp_path, rows, "csv")], plan()))
    assert len(found.readers) == 20_000
    text = audit_text(found, UTC)
    assert len(text.splitlines()) < 200
    assert "and 19,900 more, which fail less often" in text
    assert "reader r7: 100.0 % of 1 row fail" in text


def test_the_text_of_an_audit_escapes_and_shortens(tmp_path: Path) -> None:
    name = "gate\x1b[31m" + "x" * 90
    found: Audit = audit([written(tmp_path, [Row(START.isoformat(), name, "y")], "csv")], plan())
    text = audit_text(found, UTC)
    assert "\x1b" not in text
    assert max(map(len, text.splitlines())) <= 80
