"""Audits in parts: whatever the parts of the files and the grouping in which they are joined, the audit is the same."""

from __future__ import annotations

import pickle
import random
import re
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from unittest import mock

import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit import DefinitionError
from credkit.audit import Audit, AuditPlan, audit, cut_files, finish, merge, partial
from credkit.audit.fileparts import FilePart
from credkit.audit.partials import Partial
from credkit.files.csvcaptures import CsvSource
from tests.amounts import examples
from tests.captures import CHAIN, START, Row, as_csv, hexed, made, written
from tests.test_audit import adds_up, agrees, plan, reader
from tests.test_audit_files import TRACK, file, pads, site_plan

SMALL = {  # bounds that small files reach as well
    "credkit.files.bytestreams.PIECE_BYTES": 150,
    "credkit.files.parquetcaptures.ROWS_OF_A_PIECE": 7,
    "credkit.audit.entries.PARTS_JOINED_AT_ONCE": 2,
    "credkit.audit.entries.MOST_OPEN_PARTS": 20,
    "credkit.audit.timeorder.MOST_ROWS_REORDERED": 5,
    "credkit.audit.repeats.MOST_ROWS_BETWEEN": 4,
    "credkit.audit.owners.MOST_PENDING": 3,
    "credkit.audit.time_bins.MOST_BINS": 12,
    "credkit.audit.time_bins.MOST_PENDING": 3,
    "credkit.audit.facts.MOST_PATTERNS": 2,
    "credkit.audit.row_counts.MOST_PATTERNS": 2,
    "credkit.audit.facts.MOST_SAMPLED_TEXTS": 3,
    "credkit.audit.row_counts.MOST_SAMPLED_TEXTS": 3,
    "credkit.audit.totals.MOST_SAMPLED_TEXTS": 3,
}
TEXTS = [hexed(1, 2), hexed(1, 3), hexed(1, 2, 25), hexed(1, 3, 0, 25), "12", "FFFFFFFF", "x y"]
TEXTS += [f"{int(text, 16):026b}" for text in TEXTS[:4]] + ["0110"]
ODD = ["", "a", "é,gate,12", '2026-03-10T08:00:00Z,"gate",02F764DD', "x,gate,1", "a,b,c,d"]
STEPS = [0, 0, 0.4, 1, 1.001, 7, 40, 90_000, -0.7, -30]


@pytest.fixture(autouse=True)
def _small(monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in SMALL.items():
        monkeypatch.setattr(name, value)


def sent(found: Partial) -> Partial:
    """What another process gets."""
    return pickle.loads(pickle.dumps(found))  # type: ignore[no-any-return]  # it is what it was


def grouped(found: list[Partial], dice: random.Random) -> Partial:
    """All of them joined, two neighbours after the other, in an order that dice decide."""
    found = [*found]
    while len(found) > 1:
        at = dice.randrange(len(found) - 1)
        found[at : at + 2] = [sent(merge(found[at], found[at + 1]))]
    return found[0]


def read_alone(parts: list[FilePart], dice: random.Random) -> list[Partial]:
    """What each part gives to a process of its own, which has met no reader yet."""
    made_of = parts[0].plan
    found: list[Partial] = []
    for part in parts:
        its_own = AuditPlan(columns=made_of.columns, clock=made_of.clock, codec=made_of.codec, site=made_of.site)
        found.append(sent(partial(replace(part, plan=its_own), threads=dice.choice([None, 0]))))
    return found


@st.composite
def lines(draw: st.DrawFn, readers: list[str]) -> list[Row | str]:
    """Rows of readers whose clocks go back now and then, keys of keypads, the same read again, and odd lines."""
    found: list[Row | str] = []
    at = START
    for kind in draw(st.lists(st.sampled_from(["read", "read", "read", "key", "again", "odd"]), max_size=60)):
        at += timedelta(seconds=draw(st.sampled_from(STEPS)))
        if kind == "key" and "keys" in readers:
            found.append(Row(at.isoformat(), "keys", draw(st.sampled_from("0012B0B3A"))))
        elif kind == "again" and found:
            before = found[-draw(st.integers(1, min(8, len(found))))]
            later = timedelta(seconds=draw(st.sampled_from([0, 0.5, 1, -0.5])))
            if isinstance(before, Row):
                before = before._replace(time=(datetime.fromisoformat(before.time) + later).isoformat())
            found.append(before)
        elif kind == "odd":
            found.append(draw(st.sampled_from(ODD)))
        else:
            name = draw(st.sampled_from([name for name in readers if name != "keys"]))
            found.append(Row(at.isoformat(), name, draw(st.sampled_from(TEXTS))))
    return found


def as_lines(rows: list[Row | str]) -> bytes:
    return "".join(f"{','.join(row) if isinstance(row, Row) else row}\n" for row in [Row(*Row._fields), *rows]).encode()


def cut_anywhere(data: bytes, dice: random.Random) -> list[int]:
    """Some ends of lines."""
    ends = [match.end() for match in re.finditer(b"\n", data)][:-1]
    return sorted(dice.sample(ends, dice.randint(0, len(ends)))) if ends else []


def answer(call: object, *arguments: object) -> object:
    """What a call gives, or the sentence of its refusal."""
    try:
        return call(*arguments)  # type: ignore[operator]  # a function of the caller's
    except DefinitionError as error:
        return str(error)


@pytest.mark.law
@pytest.mark.parametrize("by_site", [False, True])
def test_parts_of_any_size_in_any_grouping_give_the_audit_of_the_whole(by_site: bool) -> None:
    readers = ["east", "west", "keys"] if by_site else ["gate", "dock", "yard", ""]
    seen: list[int] = []

    @examples(100)
    @given(lines(readers), lines(readers), st.randoms(use_true_random=False))
    def law(first: list[Row | str], second: list[Row | str], dice: random.Random) -> None:
        with TemporaryDirectory() as folder, mock.patch.object(CsvSource, "cuts", cuts_of(dice)):
            paths = [file(Path(folder), as_lines(rows), f"{place}.csv") for place, rows in enumerate((first, second))]
            its = site_plan(Path(folder)) if by_site else plan(dice.choice([CHAIN, "binary/wiegand-26"]))

            def in_parts() -> Audit:
                found = read_alone(cut_files(paths, its, size=1), dice)
                seen.append(len(found))
                return finish(grouped(found, dice))

            assert answer(in_parts) == answer(audit, paths, its)

    law()
    assert max(seen) > 4


def cuts_of(dice: random.Random) -> object:
    """In the place of `CsvSource.cuts`: anywhere."""

    def cuts(source: CsvSource, size: int) -> list[int]:
        return cut_anywhere(source.path.read_bytes(), dice)

    return cuts


@pytest.mark.parametrize("kind", ["csv", "jsonl", "parquet", "csv.gz"])
@pytest.mark.parametrize("size", [1, 400, 5000])
def test_parts_of_every_kind_of_file_agree_with_plain_counting(
    tmp_path: Path, kind: str, size: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("credkit.audit.repeats.MOST_ROWS_BETWEEN", 1 << 16)
    monkeypatch.setattr("credkit.audit.facts.MOST_PATTERNS", 256)
    monkeypatch.setattr("credkit.audit.row_counts.MOST_PATTERNS", 256)
    rows = made(200, seed=4)
    path = written(tmp_path, rows, kind)
    parts = cut_files([path], plan(), size=size)
    assert (len(parts) > 1) == (kind != "csv.gz" and size < path.stat().st_size)
    dice = random.Random(size)
    found = finish(grouped(read_alone(parts, dice), dice))
    agrees(found, rows)
    assert found == audit([path], plan())


def test_a_cut_within_an_entry_and_within_a_repeated_read(tmp_path: Path) -> None:
    """Nine keys of one entry, a read between them that comes twice: cut behind each line."""
    rows = []
    for place, key in enumerate("49767645B"):
        at = START + timedelta(seconds=place)
        rows += [Row(at.isoformat(), "pad", key), Row(at.isoformat(), "plain", "49767645")]
    path = file(tmp_path, as_csv(rows))
    parts = cut_files([path], pads(tmp_path), size=1)
    assert len(parts) == len(rows) + 1
    dice = random.Random(3)
    found = adds_up(finish(grouped(read_alone(parts, dice), dice)))
    assert reader(found, "pad").good == 9
    assert (reader(found, "plain").good, reader(found, "plain").repeated) == (9, 8)
    assert found == audit([path], pads(tmp_path))


@pytest.mark.parametrize("seed", range(30))
def test_repeats_are_rows_a_second_behind_another_a_few_places_away(tmp_path: Path, seed: int) -> None:
    """Beside comparing each row with each other one, in files whose times go back and forth."""
    dice = random.Random(seed)
    steps = dice.choice([[0, 0.3, 1, 4], [0, 0.3, -0.3, 1, -1, 4, -4]])
    rows, at = [], START
    for _ in range(60):
        at += timedelta(seconds=dice.choice(steps))
        rows.append(Row(at.isoformat(), dice.choice(["a", "b"]), dice.choice(TEXTS[:3])))
    times = [datetime.fromisoformat(row.time) for row in rows]

    def is_repeat(place: int) -> bool:
        return any(
            rows[other][1:] == rows[place][1:] and abs(place - other) <= 4
            and (times[other], other) < (times[place], place) and times[place] - times[other] <= timedelta(seconds=1)
            for other in range(len(rows))
        )  # fmt: skip

    expected = {name: sum(is_repeat(at) for at, row in enumerate(rows) if row.reader == name) for name in "ab"}
    path = written(tmp_path, rows, "csv")
    found = finish(grouped(read_alone(cut_files([path], plan(), size=dice.choice([1, 150, 700])), dice), dice))
    assert {one.name: one.repeated for one in found.readers} == expected


def test_a_payment_track_is_refused_with_its_line_wherever_it_stands(tmp_path: Path) -> None:
    path = file(tmp_path, f"time,reader,text\n{START.isoformat()},a,02F764DD\n{START.isoformat()},a,{TRACK}\n")
    parts = cut_files([path], plan(), size=1)
    assert len(parts) == 3
    found = [partial(part) for part in parts]
    with pytest.raises(DefinitionError, match="line 3: payment track"):
        merge(*found)
    with pytest.raises(DefinitionError, match="line 3"):
        merge(found[0], merge(found[1], found[2]))


def test_missing_parts_are_no_audit(tmp_path: Path) -> None:
    path = written(tmp_path, made(20), "csv")
    found = [partial(part) for part in cut_files([path], plan(), size=200)]
    for some in (found[1:], found[:-1], [found[0], *found[2:]]):
        with pytest.raises(ValueError, match="missing"):
            finish(merge(*some))
    with pytest.raises(ValueError, match="missing"):
        finish(partial(cut_files([path, written(tmp_path, made(3), "jsonl")], plan())[1]))


def keys_typed(text: str) -> list[Row]:
    """A key a second."""
    return [Row((START + timedelta(seconds=place)).isoformat(), "pad", key) for place, key in enumerate(text)]


def test_merging_changes_none_of_both(tmp_path: Path) -> None:
    path = file(tmp_path, as_csv(keys_typed("49767645B" * 3)))
    found = [partial(part) for part in cut_files([path], pads(tmp_path), size=200)]
    assert len(found) > 3
    once = finish(merge(*found))
    assert reader(once, "pad").good == 27
    assert finish(merge(found[0], merge(*found[1:]))) == once == finish(merge(*found))


def test_a_key_too_far_behind_is_refused_with_its_line_wherever_it_is_cut(tmp_path: Path) -> None:
    """A window of five keys: the first of twenty comes last, on line 21 behind the header."""
    rows = keys_typed("49767645B49767645B12")
    path = file(tmp_path, as_csv([*rows[1:], rows[0]]))
    with pytest.raises(DefinitionError) as alone:
        audit([path], pads(tmp_path))
    assert "line 21: the time" in str(alone.value)
    for size in (1, 100, 400):
        found = [partial(part) for part in cut_files([path], pads(tmp_path), size=size)]
        with pytest.raises(DefinitionError) as joined:
            merge(*found)
        assert str(joined.value) == str(alone.value)


def test_a_plan_keeps_nothing_of_an_audit(tmp_path: Path) -> None:
    """The same plan serves again, for other files: their numbers and samples are theirs alone."""
    rows, others = made(80, seed=5), made(80, seed=6, readers=2)
    shared = plan()
    audit([written(tmp_path, rows, "csv")], shared)
    found = audit([written(tmp_path, others, "jsonl")], shared)
    assert found == audit([written(tmp_path, others, "jsonl")], plan())
