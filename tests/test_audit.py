"""The audit of captures: every row counted once, the same in every form of file, and beside plain counting."""

from __future__ import annotations

import csv
import itertools
import random
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from credkit import chain, content_entries, layout_entries
from credkit.audit import (
    Audit,
    AuditPlan,
    Clock,
    ColumnNames,
    ReaderCount,
    audit,
    owners,
    repeats,
    row_counts,
)
from credkit.audit.summary import TimeCounts
from credkit.audit.time_bins import BIN_WIDTHS, TimeBins
from credkit.audit.undetected_errors import Channel, CheckedFrames, double_errors, estimate_undetected, parity_masks
from credkit.bulk import Bulk
from credkit.catalogue.registry import catalogue
from credkit.core.forms import to_bits
from credkit.files import bytestreams, csvlines
from credkit.files.csvcaptures import CsvSource
from credkit.files.moments import parse_moment
from credkit.files.times import to_datetime
from credkit.tables.layout import Layout, LayoutCodec, Limit
from tests.captures import CHAIN, START, Row, as_csv, changes_in, counted, hexed, made, only_here, word, written

KINDS = ("csv", "csv.gz", "jsonl", "jsonl.gz", "parquet")


def plan(written_chain: str = CHAIN, **columns: str) -> AuditPlan:
    return AuditPlan(columns=ColumnNames(**columns), clock=Clock(UTC), codec=chain(written_chain))


def reader(found: Audit, name: str) -> ReaderCount:
    (one,) = [each for each in found.readers if each.name == name]
    return one


def failing(count: ReaderCount, rule: str) -> int:
    return sum(tally.rows for tally in count.tallies if tally.rule == rule)


def adds_up(found: Audit) -> Audit:
    """What holds of every audit."""
    assert found.rows == found.good + found.failing + found.unreadable
    for file in found.files:
        assert file.rows == file.good + file.failing + file.unreadable
    assert sum(each.rows for each in found.readers) == found.good + found.failing
    for each in found.readers:
        assert each.rows == each.good + each.failing
        assert sum(tally.first for tally in each.tallies) == each.failing
        assert all(tally.first <= tally.rows <= each.failing for tally in each.tallies)
        assert sum(each.counts.rows) in (0, each.rows)
        assert sum(each.counts.failing) in (0, each.failing)
    return found


@pytest.fixture(params=[1 << 24, 2000, 64])
def piece(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> int:
    """Pieces of the usual size, and so small that a file is many of them."""
    monkeypatch.setattr(bytestreams, "PIECE_BYTES", request.param)
    return int(request.param)


# ── counting ────────────────────────────────────────────────────────────────────────────────────


def agrees(found: Audit, rows: list[Row]) -> None:
    expected = counted(rows)
    adds_up(found)
    assert [each.name for each in found.readers] == sorted(expected)
    for name, one in expected.items():
        each = reader(found, name)
        assert (each.rows, each.good) == (one.rows, one.good)
        assert (each.first, each.last) == (min(one.times), max(one.times))
        assert failing(each, "even-parity") == one.even
        assert failing(each, "odd-parity") == one.odd
        assert failing(each, "padding") == one.padding
        assert failing(each, "form") + failing(each, "alphabet") == one.refused
        assert each.repeated == one.repeated
        assert each.only_here == only_here(expected, name)


def test_counts_are_those_of_plain_counting(tmp_path: Path, piece: int) -> None:
    rows = made(1200 if piece == 64 else 3000)
    assert sum(each.repeated for each in counted(rows).values()) > 10
    assert all(each.even and each.odd and each.good for each in counted(rows).values())
    agrees(audit([written(tmp_path, rows, "csv")], plan()), rows)


@pytest.mark.parametrize("kind", KINDS)
def test_every_form_of_file_counts_the_same(tmp_path: Path, kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bytestreams, "PIECE_BYTES", 5000)
    monkeypatch.setattr("credkit.files.parquetcaptures.ROWS_OF_A_PIECE", 150)
    rows = made(1000, seed=2)
    agrees(audit([written(tmp_path, rows, kind)], plan()), rows)


@pytest.mark.parametrize(
    "shape", ["quoted", "crlf", "quoted-crlf", "some-quoted", "blank-lines", "no-end", "spaces", "bom"]
)
def test_shapes_of_csv(tmp_path: Path, shape: str, piece: int) -> None:
    rows = made(300, seed=3)
    data = as_csv(
        rows, quoting=csv.QUOTE_ALL if "quoted" in shape and shape != "some-quoted" else csv.QUOTE_MINIMAL,
        end="\r\n" if "crlf" in shape else "\n",
    )  # fmt: skip
    if shape == "some-quoted":
        data = data.replace(b"gate-1,", b'"gate-1",')
    if shape == "blank-lines":
        data = data.replace(b"\n", b"\n\n")
    if shape == "no-end":
        data = data.removesuffix(b"\n")
    if shape == "spaces":
        rows = [row._replace(time=row.time.replace("T", " ")) for row in rows]
        data = as_csv(rows)
    if shape == "bom":
        data = b"\xef\xbb\xbf" + data
    path = tmp_path / "captures.csv"
    path.write_bytes(data)
    agrees(audit([path], plan()), rows)


def test_other_columns_and_names_and_delimiters(tmp_path: Path) -> None:
    rows = made(50, seed=4)
    lines = ["door;wann;wo;was", *(f"{place};{row.time};{row.reader};{row.text}" for place, row in enumerate(rows))]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(lines))
    agrees(audit([path], plan(text="was", reader="wo", time="wann"), delimiter=";"), rows)


def test_without_readers_and_times(tmp_path: Path) -> None:
    path = tmp_path / "texts.csv"
    path.write_text("text\n02F764DD\n02F764DC\n")
    (one,) = adds_up(audit([path], plan(reader="", time=""))).readers
    assert (one.name, one.rows, one.good, one.first, one.repeated, one.counts) == ("", 2, 1, None, 0, TimeCounts())


def test_several_files_add_up(tmp_path: Path) -> None:
    rows = made(600, seed=5)
    paths = [written(tmp_path, rows[:200], "csv"), written(tmp_path, rows[200:500], "jsonl"),
             written(tmp_path, rows[500:], "parquet")]  # fmt: skip
    found = adds_up(audit(paths, plan()))
    assert [file.rows for file in found.files] == [200, 300, 100]
    expected = counted(rows)
    assert {each.name: (each.rows, each.good) for each in found.readers} == {
        name: (one.rows, one.good) for name, one in expected.items()
    }


def test_readers_are_in_natural_order(tmp_path: Path) -> None:
    rows = [Row(START.isoformat(), f"gate-{number}", hexed(1, 1)) for number in (10, 9, 1)]
    found = audit([written(tmp_path, rows, "csv")], plan())
    assert [each.name for each in found.readers] == ["gate-1", "gate-9", "gate-10"]


@pytest.mark.parametrize(
    "written_chain",
    [
        "binary/wiegand-37",
        "hex:8/invert/right-justified:26/wiegand-26",
        "strip/hex:8/right-justified:26/wiegand-26",
        "hex:8/keep-low:26/wiegand-26",
    ],
)
def test_other_chains_count_what_the_chain_says(tmp_path: Path, written_chain: str) -> None:
    """Each row beside the chain's own verdict on it."""
    dice = random.Random(6)
    codec = chain(written_chain)
    texts = [
        "".join(
            dice.choice("01" if "binary" in written_chain else "0123456789ABCDEF ") for _ in range(dice.choice([8, 37]))
        )
        for _ in range(400)
    ] + [hexed(1, number) for number in range(20)]
    rows = [Row((START + timedelta(minutes=place)).isoformat(), "gate", text) for place, text in enumerate(texts)]
    (one,) = adds_up(audit([written(tmp_path, rows, "csv")], plan(written_chain))).readers
    failed = [codec.inspect(text).failed for text in texts]
    assert one.good == failed.count(None)
    assert {(t.codec, t.rule): t.first for t in one.tallies if t.first} == {
        key: sum((each.codec, each.rule) == key for each in failed if each) for key in
        {(each.codec, each.rule) for each in failed if each}
    }  # fmt: skip


@pytest.mark.parametrize("most", [1000, 3])
def test_a_reader_that_fails_in_too_many_ways_fails_none_in_particular(
    tmp_path: Path, piece: int, most: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The rules are counted all the same; combinations of them are kept only as long as they are few."""
    monkeypatch.setattr("credkit.audit.row_counts.MOST_PATTERNS", most)
    monkeypatch.setattr("credkit.audit.facts.MOST_PATTERNS", most)
    rows = made(400)
    (one,) = adds_up(audit([written(tmp_path, rows, "csv")], plan(reader=""))).readers
    expected = counted([row._replace(reader="") for row in rows])[""]
    assert failing(one, "odd-parity") == expected.odd
    assert bool(one.together) == (most == 1000)


def test_more_rules_than_a_number_has_room_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = made(500, seed=7)
    path = written(tmp_path, rows, "csv")
    usual = audit([path], plan()).readers
    monkeypatch.setattr(row_counts, "MOST_PACKED_RULES", 0)
    assert audit([path], plan()).readers == usual


# ── numbers that one reader alone read ──────────────────────────────────────────────────────────


@pytest.mark.parametrize("small", [owners.MOST_TABLE_BITS, 0])
@pytest.mark.parametrize("pending", [1 << 20, 10])
def test_only_here_in_a_table_and_in_sorted_arrays(
    tmp_path: Path, small: int, pending: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(owners, "MOST_TABLE_BITS", small)
    monkeypatch.setattr(owners, "MOST_PENDING", pending)
    monkeypatch.setattr(bytestreams, "PIECE_BYTES", 3000)
    rows = made(1500, seed=8)
    agrees(audit([written(tmp_path, rows, "csv")], plan()), rows)


def test_only_here_of_long_numbers_and_texts(tmp_path: Path) -> None:
    texts = {"a": ["00" * 20, "FF" * 20, "AB" * 20], "b": ["00" * 20, "CD" * 20]}
    rows = [Row(START.isoformat(), name, text) for name, them in texts.items() for text in them]
    found = audit([written(tmp_path, rows, "csv")], plan("hex:40/fields:high:100,low:60"))
    assert [(each.good, each.only_here) for each in found.readers] == [(3, 2), (2, 1)]


def test_too_many_numbers_are_not_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in (("MOST_TABLE_BITS", 0), ("MOST_NUMBERS", 20), ("MOST_PENDING", 5)):
        monkeypatch.setattr(owners, name, value)
    found = adds_up(audit([written(tmp_path, made(500), "csv")], plan()))
    assert {each.only_here for each in found.readers} == {None}


# ── repeats ─────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("far", [0, 3, 24])
def test_repeats_however_they_are_looked_for(
    tmp_path: Path, far: int, piece: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(repeats, "MOST_PLACES_COMPARED", far)
    dice = random.Random(9)
    rows, at = [], START
    for _ in range(300):
        at += timedelta(milliseconds=dice.choice([0, 100, 900, 1000, 1001, 5000]))
        rows.append(Row(at.isoformat(), f"gate-{dice.randint(1, 2)}", hexed(1, dice.randint(1, 3))))
    assert 40 < sum(one.repeated for one in counted(rows).values()) < 250
    agrees(audit([written(tmp_path, rows, "csv")], plan()), rows)


def test_repeats_out_of_the_order_of_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """0, 5 and 0.5 s: the third is half a second behind the first. And an earlier row is behind none."""
    for seconds, expected in (([0, 5, 0.5], 1), ([0, -0.5], 1), ([0, -2], 0), ([5, 0, 5], 1)):
        rows = [Row((START + timedelta(seconds=second)).isoformat(), "gate", hexed(1, 2)) for second in seconds]
        (one,) = audit([written(tmp_path, rows, "csv")], plan()).readers
        assert one.repeated == expected


def test_repeats_by_clocks_of_their_own(tmp_path: Path, piece: int) -> None:
    """The clock of one of two readers is an hour slow, so times go forth and back from row to row."""
    rows = []
    for number in range(300):
        for reader_name, late in (("a", 0), ("b", 3600), ("b", 3600 - 0.5), ("a", -0.5)):
            at = START + timedelta(seconds=3 * number - late)
            rows.append(Row(at.isoformat(), reader_name, hexed(1, number)))
    found = audit([written(tmp_path, rows, "csv")], plan())
    assert [one.repeated for one in found.readers] == [300, 300]


# ── times ───────────────────────────────────────────────────────────────────────────────────────

SIGNS = st.text(alphabet="0123456789-:TZ+., ", max_size=32)
WHOLE = st.datetimes(min_value=datetime(1969, 12, 1), max_value=datetime(2201, 1, 1))
OFFSETS = st.sampled_from(
    ["", "Z", "+00:00", "-05:30", "+02", "+0200", "+24:00", "+99:99", "+14:00", ".5Z", ",25+01:00", ".12"]
)
STAMPS = st.builds(
    lambda at, sep, end: at.strftime(f"%Y-%m-%d{sep}%H:%M:%S") + end, WHOLE, st.sampled_from("T "), OFFSETS
)
ODD = [
    "2026-02-30T00:00:00Z", "2026-03-01T24:00:00Z", "2026-03-01T08:15:60Z", "2026-03-01T08:15Z", "1970-01-01T00:00:00Z",
    "2199-12-31T23:59:59-10:00", "2026-03-29T02:30:00", "2025-10-26T02:30:00", "٢026-03-01T08:15:00Z", "",
]  # fmt: skip


@given(
    st.lists(STAMPS | SIGNS | st.sampled_from(ODD), min_size=1, max_size=20), st.sampled_from(["", "local", "either"])
)
@example(["2026-07-01T08:00:00+02", "2026-07-01T10:00:00.12"], "either")  # as long as each other
@example(["1970-01-01T00:30:00", "1970-01-01T00:30:00+01:00"], "either")  # in 1969, in UTC
@example(["2099-07-01T00:00:00", "2100-07-01T00:00:00", "2199-01-01T00:00:00"], "local")  # summer time beyond 2099
@example(["2026-02-28T23:59:59Z", "2026-02-30T00:00:00Z", "2026-03-01T00:00:00Z", "0000-00-00T00:00:00Z"], "")
def test_times_are_those_of_a_sites_files(texts: list[str], mode: str) -> None:
    import polars as pl

    zone, local, either = ZoneInfo("Europe/Amsterdam"), mode == "local", mode == "either"
    found = Clock(zone, local=local, either=either).parse_times(pl.Series(texts, dtype=pl.String))
    for row, text in enumerate(texts):
        expected = parse_moment(text, zone, local=local, either=either)
        if isinstance(expected, str):
            assert found.problems[row] == expected
        else:
            assert row not in found.problems
            assert to_datetime(int(found.moments[row])) == expected


def test_times_beyond_2099_have_summer_time() -> None:
    """Polars' own rules of zones end with 2099; zoneinfo is the second opinion."""
    import polars as pl

    zone = ZoneInfo("Europe/Amsterdam")
    texts = ["2099-07-01T00:00:00", "2100-07-01T00:00:00", "2150-01-01T00:00:00"]
    expected = [datetime.fromisoformat(text).replace(tzinfo=zone) for text in texts]
    times = pl.Series(texts).str.to_datetime()
    for found in (Clock(zone, local=True).convert_times(times), Clock(zone, local=True).parse_times(pl.Series(texts))):
        assert not found.problems
        assert [to_datetime(moment) for moment in found.moments.tolist()] == expected


def test_times_of_either_kind() -> None:
    clock = Clock(ZoneInfo("Europe/Amsterdam"), either=True)
    for text, expected in (("2026-03-31T08:15:00", "06:15"), ("2026-03-31T08:15:00+00:00", "08:15")):
        found = clock.parse_time(text)
        assert isinstance(found, int)
        assert f"{to_datetime(found):%H:%M}" == expected
    assert "occurs twice" in str(clock.parse_time("2025-10-26T02:30:00"))


# ── changes ─────────────────────────────────────────────────────────────────────────────────────


def series(shares: list[float], rows: int = 60, seed: int = 0, burst: int = 1) -> TimeCounts:
    """Counts of ten minutes each, with failures at random; in a ``burst`` that many rows fail together."""
    dice = random.Random(seed)
    failed = [sum(burst for _ in range(rows // burst) if dice.random() < share) for share in shares]
    starts = [int(START.timestamp()) + 600 * place for place in range(len(shares))]
    return TimeCounts(starts=tuple(starts), rows=(rows,) * len(shares), failing=tuple(failed))


@pytest.mark.parametrize(("before", "after"), [(0.01, 0.4), (0.4, 0.01), (0.0, 0.05), (1.0, 0.0), (0.02, 0.06)])
def test_a_change_is_found_where_it_is(before: float, after: float) -> None:
    found = changes_in(series([before] * 300 + [after] * 200, seed=1)) or ()
    assert len(found) == 1
    assert abs(found[0].since - (START + timedelta(minutes=3000))) <= timedelta(minutes=40)
    assert found[0].before == pytest.approx(before, abs=0.01)
    assert found[0].after == pytest.approx(after, abs=0.02)


def test_two_changes_are_two() -> None:
    found = changes_in(series([0.0] * 100 + [0.9] * 20 + [0.0] * 100)) or ()
    assert [(each.before < 0.01, each.after < 0.01) for each in found] == [(True, False), (False, True)]


def test_where_nothing_changes_nothing_is_said() -> None:
    """Of 300 readers that fail at random, in bursts or not, none has changed: chance allows for 0.03 of them."""
    for seed in range(100):
        assert not changes_in(series([0.05] * 400, seed=seed))
        assert not changes_in(series([0.05] * 400, seed=seed, burst=10))
        assert not changes_in(series([0.5] * 100, seed=seed))
    assert not changes_in(TimeCounts())
    assert not changes_in(series([1.0] * 50))


def test_a_change_of_a_reader_is_in_its_count(tmp_path: Path) -> None:
    rows = []
    for minute in range(1200):
        fails = minute >= 730 and minute % 5 != 0
        text = hexed(1, minute % 50, *([3] if fails else []))
        rows.append(Row((START + timedelta(minutes=minute)).isoformat(), "gate", text))
    (one,) = adds_up(audit([written(tmp_path, rows, "csv")], plan())).readers
    (change,) = one.changes
    assert change.since == START + timedelta(minutes=730)
    assert change.before == 0.0
    assert change.after == pytest.approx(0.8, abs=0.01)


def test_counts_over_time_get_coarser_when_there_are_too_many(monkeypatch: pytest.MonkeyPatch) -> None:
    import numpy as np

    monkeypatch.setattr("credkit.audit.time_bins.MOST_BINS", 50)
    bins = TimeBins()
    keys = np.arange(100, dtype=np.int64)
    for reader_code in (0, 1):
        bins.add(reader_code << 40 | keys, np.full(100, 3), np.full(100, 1))
    found = bins.columns()
    assert bins.width == 3600
    assert [rows.sum() for _, rows, _ in found.values()] == [300, 300]
    assert [column[1] for column in found[1]] == [3600, 18, 6]
    for width in BIN_WIDTHS[1:]:
        assert width % BIN_WIDTHS[BIN_WIDTHS.index(width) - 1] == 0, (
            "what was merged and what is new must have the same steps"
        )


# ── what checks cannot see ──────────────────────────────────────────────────────────────────────

LAYOUTS = [
    (entry.name, codec.layout)
    for entry in catalogue()
    if entry.usual == ("",) and isinstance(codec := chain(entry.name), LayoutCodec)
]


@pytest.mark.parametrize(("name", "layout"), [(n, x) for n, x in LAYOUTS if x.length <= 80], ids=lambda x: str(x)[:20])
def test_double_errors_that_pass_are_those_that_pass(name: str, layout: Layout) -> None:
    """Beside trying every pair on a valid frame with the codec itself; limits depend on it, and only take away."""
    codec = chain(name)
    fields = {field.name: field.least for field in codec.schema.values() if hasattr(field, "least")}
    frame = codec._encode_raw(fields)[0]
    tried = sum(
        codec._decode_raw((frame ^ 1 << a ^ 1 << b, layout.length)) is not None
        for a, b in itertools.combinations(range(layout.length), 2)
    )
    total, passing = double_errors(layout)
    assert total == layout.length * (layout.length - 1) // 2
    if any(isinstance(check, Limit) for check in layout.checks):
        assert tried <= passing
    else:
        assert tried == passing


def test_double_errors_of_the_known_frames() -> None:
    """Exhaustive counts by others: 26 bits 156 of 325, 37 bits 306 of 666."""
    known = {name: double_errors(layout) for name, layout in LAYOUTS}
    assert known["wiegand-26"] == (325, 156)
    assert known["wiegand-37"] == known["wiegand-37-facility"] == (666, 306)


def test_wrong_frames_that_pass_by_summing_over_all_errors() -> None:
    """The identity of MacWilliams beside the sum over all 2 ** 10 patterns of errors, each with its probability."""
    (entry,) = layout_entries({
        "small": {
            "length": 10, "fields": {"a": "1-6"}, "fixed": {"8": "1"},
            "checks": [{"bit": 0, "even": "1-4"}, {"bit": 7, "odd": "3-6"}, {"bit": 9, "even": "0-8"}],
        }
    })  # fmt: skip
    codec = entry.build()
    assert isinstance(codec, LayoutCodec)
    frame = codec._encode_raw({"a": 21})[0]
    for rate in (0.0, 0.001, 0.1, 0.5):
        chances = {
            error: rate ** error.bit_count() * (1 - rate) ** (10 - error.bit_count())
            for error in range(1 << 10)
            if codec._decode_raw((frame ^ error, 10)) is not None
        }
        channel = Channel(codec.layout)
        assert channel.passes(rate) == pytest.approx(sum(chances.values()))
        assert channel.unseen(rate) == pytest.approx(sum(chances.values()) - chances[0])
    for rate in (0.001, 0.1):
        assert channel.rate(1 - channel.passes(rate)) == pytest.approx(rate)


def test_the_expected_number_is_about_what_happens(tmp_path: Path) -> None:
    """Bits inverted at random: about as many wrong frames pass as the summary expects."""
    dice = random.Random(10)
    rows, passed = [], 0
    for place in range(30_000):
        number = dice.randrange(1000)
        flips = [bit for bit in range(26) if dice.random() < 0.003]
        text = hexed(1, number, *flips)
        passed += bool(flips) and chain(CHAIN)._decode_raw(text) is not None
        rows.append(Row((START + timedelta(seconds=place)).isoformat(), "gate", text))
    found = adds_up(audit([written(tmp_path, rows, "csv")], plan()))
    (blind,) = found.blind
    assert (blind.frames, blind.failed, blind.apart) == (30_000, found.failing, ())
    assert blind.rate == pytest.approx(0.003, rel=0.1)
    assert blind.expected == pytest.approx(passed, rel=0.4)
    assert passed > 30


def test_figures_do_not_hang_on_how_a_python_adds_up() -> None:
    """Sums are those of exact fractions, rounded once: Python 3.12 adds floats otherwise than 3.11 does."""
    codec = chain("wiegand-37")
    assert isinstance(codec, LayoutCodec)
    layout = codec.layout
    channel = Channel(layout)
    lines = parity_masks(layout)
    weights = [0, *(line.bit_count() for line in lines), (lines[0] ^ lines[1]).bit_count()]
    for rate in (0.001, 0.0123, 0.1, 0.3):
        assert channel.passes(rate) == float(sum(Fraction((1 - 2 * rate) ** weight) for weight in weights)) / 4
    rows = {f"gate-{place}": (1000 + 37 * place, 1 + place % 9) for place in range(40)}
    found = []
    for readers in (rows, dict(reversed(rows.items()))):
        judged = CheckedFrames(layout)
        judged.add("chain", readers)
        found.append(estimate_undetected(judged).expected)
    terms = [Fraction(count * channel.unseen(channel.rate(wrong / count))) for count, wrong in rows.values()]
    assert found == [float(sum(terms))] * 2


def test_a_reader_with_another_fault_is_left_out(tmp_path: Path) -> None:
    rows = [Row(START.isoformat(), "good", hexed(1, number)) for number in range(50)]
    rows += [Row(START.isoformat(), "inverted", f"{word(1, number) ^ 0x3FFFFFF:08X}") for number in range(50)]
    found = audit([written(tmp_path, rows, "csv")], plan())
    (blind,) = found.blind
    assert (blind.frames, blind.failed, blind.apart) == (50, 0, ("inverted",))
    (hints,) = reader(found, "inverted").hints
    assert {(each.cause, each.explains == hints.sampled) for each in hints.causes} >= {
        ("inverted", True), ("reversed-bits", True),
    }  # fmt: skip
    assert "facility code" in hints.advice
    assert not reader(found, "good").hints
    (both,) = reader(found, "inverted").together
    assert (set(both.rules), both.rows) == ({"even-parity", "odd-parity"}, 50)


def test_the_sample_does_not_depend_on_the_pieces(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = [Row(START.isoformat(), f"gate-{n % 3}", hexed(1, n, n % 26)) for n in range(1500)]
    path = written(tmp_path, rows, "csv")
    whole = audit([path], plan())
    monkeypatch.setattr(bytestreams, "PIECE_BYTES", 1000)
    cut = audit([path], plan())
    assert [each.hints for each in cut.readers] == [each.hints for each in whole.readers]
    assert replace(cut, files=()) == replace(whole, files=())


@pytest.mark.parametrize("written_chain", ["strip/binary/wiegand-26", "strip/hex:8/right-justified:26/wiegand-26"])
def test_texts_that_are_read_one_by_one_are_read_once(
    tmp_path: Path, written_chain: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same cards in many pieces: with what was found of texts, and without, the audit is the same."""
    monkeypatch.setattr(bytestreams, "PIECE_BYTES", 3000)
    rows = made(600, seed=12)
    if "binary" in written_chain:
        digits = set("0123456789ABCDEF")
        rows = [
            row._replace(text=f"{int(row.text, 16):026b}") if row.text and set(row.text) <= digits else row
            for row in rows
        ]
    seen: list[str] = []
    inspect = Bulk.inspect

    def counted_texts(bulk: Bulk, texts: Any) -> Any:
        seen.extend(texts)
        return inspect(bulk, texts)

    monkeypatch.setattr(Bulk, "inspect", counted_texts)
    path = written(tmp_path, rows, "csv")
    found = adds_up(audit([path], plan(written_chain)))
    assert len(seen) == len(set(seen)) < 600
    some = len(seen)
    seen.clear()
    monkeypatch.setattr("credkit.audit.known_texts.MOST_KNOWN_TEXTS", 0)
    assert audit([path], plan(written_chain)) == found
    assert some < len(seen) <= 600
    assert 0 < found.good < 600


def test_binary_digits_of_many_lengths(tmp_path: Path) -> None:
    """Frequent lengths are decoded apart, others together: each text is what the chain finds in it alone."""
    good = [f"{int(hexed(1, number), 16):026b}" for number in range(50)]
    texts = [text[: 26 - number % 14] for number, text in enumerate(good)] + good + [f"2{good[0][1:]}", "", "1" * 70]
    rows = [Row(START.isoformat(), "gate", text) for text in texts]
    (one,) = adds_up(audit([written(tmp_path, rows, "csv")], plan("binary/wiegand-26"))).readers
    readings = [chain("binary/wiegand-26").inspect(text) for text in texts]
    assert one.good == sum(reading.ok for reading in readings)
    failed = Counter((check.codec, check.rule) for reading in readings for check in reading.checks if not check.passed)
    assert {(each.codec, each.rule): each.rows for each in one.tallies} == failed
    assert {rule for _, rule in failed} == {"alphabet", "length"}


def test_readers_that_come_later(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever was known of readers when a piece was read, and wherever the first sign stands that is not ASCII."""
    names = [*(f"gate-{number}" for number in range(9)), "Süd", "gate-0"]
    rows = [Row(START.isoformat(), name, hexed(1, n)) for name in names for n in range(100)]
    monkeypatch.setattr(bytestreams, "PIECE_BYTES", 1000)
    monkeypatch.setattr(csvlines, "SCANNED_BYTES", 64)
    path = written(tmp_path, rows, "csv")
    source = CsvSource(name="", path=path, kind=".csv", columns=ColumnNames())
    assert len(list(source.pieces())) > len(names)
    found = audit([path], plan())
    assert {each.name: (each.rows, each.good) for each in found.readers} == {
        name: (100 * names.count(name),) * 2 for name in names
    }


def test_notes_are_counted(tmp_path: Path) -> None:
    """08 is the first byte of random identifiers: ISO/IEC 14443-3."""
    rows = [Row(START.isoformat(), "desk", text) for text in ("08112233", "08112234", "12345678")]
    (one,) = audit([written(tmp_path, rows, "csv")], plan("hex:8/uid-a-4")).readers
    assert [(each.kind, each.rows) for each in one.notes if each.level == "refuse"] == [("random-serial", 2)]


def test_text_fields_and_contents(tmp_path: Path) -> None:
    own = content_entries({"badge": {"items": [{"constant": "B"}, {"field": "number", "digits": 4}],
                                     "examples": [{"text": "B0001", "fields": {"number": 1}}]}})  # fmt: skip
    rows = [Row(START.isoformat(), "desk", text) for text in ("B0001", "B0002", "C0001")]
    found = audit(
        [written(tmp_path, rows, "csv")], AuditPlan(columns=ColumnNames(), clock=Clock(UTC), codec=chain("badge", own))
    )
    assert [(each.rows, each.good, each.only_here) for each in adds_up(found).readers] == [(3, 2, 2)]


def test_bits_of_the_test_rule() -> None:
    """The rule of the tests beside the value of the design notes: 123/45678 is 0x2F764DD."""
    assert hexed(123, 45678) == "02F764DD"
    assert chain("wiegand-26").decode(to_bits((word(255, 65535), 26))) == {"facility": 255, "number": 65535}
