"""Laws of the crosswalk over random sites: no row vanishes, nothing disproved is written, order decides nothing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from typing import get_args

import pytest
from hypothesis import given, reject
from hypothesis import strategies as st

from credkit.crosswalk import Crosswalk, crosswalk
from credkit.site import load_rows, load_site
from credkit.site.model import Rows, Site
from credkit.site.rows import Assignment, ReadingRow
from credkit.work.filelines import FileLine
from tests.amounts import examples
from tests.brackwater import check_laws
from tests.randomsites import random_site
from tests.sitefaults import Fault

FAULTS: tuple[Fault, ...] = get_args(Fault)
WRITTEN = ("add", "keep", "change")
SLIPS: tuple[Callable[[Assignment], Assignment], ...] = (
    lambda row: replace(row, value=f"{row.value} "),
    lambda row: replace(row, value=row.value[:-1]),
    lambda row: replace(row, value=row.value.lstrip("0")),
    lambda row: replace(row, value="1.23E+9"),
    lambda row: replace(row, person=row.person.lower()),
    lambda row: replace(row, person=f"{row.person}\u00a0"),
    lambda row: replace(row, credential=row.credential.lower()),
    lambda row: replace(row, source=row.source.title()),
    lambda row: replace(row, person="P-0"),
    lambda row: replace(row, replaces=row.credential),
    lambda row: replace(row, status="lost"),
    lambda row: replace(row, valid_from=None, valid_until=None),
)


def damaged(rows: Rows, dice: Random) -> Rows:
    """``rows`` with slips of the pen in one row of ten, and one of ten twice, with or without a slip."""
    cards: list[Assignment] = []
    for row in rows.credentials:
        slipped = dice.choice(SLIPS)(row)
        cards += assigned_anew(row, dice) if dice.random() < 0.05 else [slipped if dice.random() < 0.1 else row]
        if dice.random() < 0.1:
            cards.append(dice.choice((row, slipped, replace(row, source="elsewhere"), replace(slipped, person="P-0"))))
    ids = [row.credential for row in rows.credentials]
    reads: list[ReadingRow] = []
    for read in rows.readings:
        if dice.random() < 0.1:
            read = replace(read, expected=dice.choice((dice.choice(ids), dice.choice(ids).lower(), "C-nobody")))
        elif reads and dice.random() < 0.03:  # held together with the card before it
            before = reads.pop()
            together = before.presentation or f"L-{before.line}"
            reads.append(replace(before, presentation=together))
            pause = timedelta(seconds=dice.choice((3, 120, 121)), microseconds=read.line)  # no two keys at one time
            read = replace(read, presentation=together, time=before.time + pause)
        reads.append(read)
    return Rows(credentials=numbered(cards), readings=tuple(reads), existing=rows.existing)


def assigned_anew(row: Assignment, dice: Random) -> list[Assignment]:
    """The card of a row handed over on one day, or on the next; for one day only, twice; or to a pool, too."""
    day = date(2026, 1, 5) + timedelta(days=dice.randrange(90))
    until, since = replace(row, valid_from=None, valid_until=day), replace(row, valid_from=day, valid_until=None)
    single = replace(row, valid_from=day, valid_until=day)
    return dice.choice([
        [until, replace(since, person="P-0001")],
        [until, replace(since, valid_from=day + timedelta(days=1), source="elsewhere")],
        [single, replace(single, printed="77")],
        [single, replace(single, person="P-0001")],
        [until, since, replace(since, printed="77")],
        [until, replace(since, person="POOL")],
    ])  # fmt: skip


def numbered(cards: Sequence[Assignment]) -> tuple[Assignment, ...]:
    """``cards`` on the lines of a file."""
    return tuple(replace(row, line=line) for line, row in enumerate(cards, 2))


def drawn(seed: int, *faults: Fault) -> tuple[Site, Rows]:
    """A random site and its rows, with slips of the pen; another is drawn where no reader can have the fault."""
    try:
        random = random_site(seed, *faults)
    except ValueError:
        reject()
    with TemporaryDirectory() as folder:
        site = load_site(random.write(Path(folder)))
        return site, damaged(load_rows(site), Random(seed))


@given(st.integers(0, 1 << 20), st.sets(st.sampled_from(FAULTS), max_size=2))
@examples(40)
def test_every_row_has_its_lines_and_every_code_its_finding(seed: int, faults: set[Fault]) -> None:
    site, rows = drawn(seed, *sorted(faults))
    result = crosswalk(site, rows)
    check_laws(site, result, rows)
    for name, count, resolved, excepted, left in result.summary[0].rows:
        assert (resolved, left) == (int(count) - int(excepted), 0), name


@given(st.integers(0, 1 << 20))
@examples(40)
def test_nothing_is_written_that_a_reading_disproves(seed: int) -> None:
    """Looked for without the crosswalk's verdicts: the desk's card, and the number that its reader's chain gives."""
    site, rows = drawn(seed)
    result = crosswalk(site, rows)
    written = {line.credential for line in result.lines if line.action in WRITTEN}
    explained = {
        finding.subject for finding in result.findings if finding.code in ("other-order", "other-chain", "re-set")
    }
    numbers: dict[tuple[str, str], set[object]] = {}
    for row in rows.credentials:
        kind = site.kinds[row.kind]
        reading = kind.value.inspect(row.value)
        if reading.ok and reading.value is not None:
            fields = dict(reading.value) | ({kind.issue: row.issue} if kind.issue else {})
            numbers.setdefault((row.credential, kind.namespace), set()).add(
                tuple(fields.get(name) for name in kind.key)
            )
    contradicted = 0
    for read in rows.readings:
        if read.reader not in explained and is_contradicted(site, read, numbers):
            contradicted += 1
            assert read.expected not in written, read
    assert contradicted or not any(read.expected for read in rows.readings)


def is_contradicted(site: Site, read: ReadingRow, numbers: dict[tuple[str, str], set[object]]) -> bool:
    """Whether a reading gives a number that the card which the desk expected has in no row."""
    reader = site.readers[read.reader]
    mine = numbers.get((read.expected, reader.kind.namespace))
    period = reader.period(read.time + reader.clock_offset)
    if reader.stream or mine is None or period is None:
        return False
    reading = period.codec.inspect(read.text)
    return reading.ok and reading.value is not None and reader.kind.number_in(reading.value) not in mine


@given(st.integers(0, 1 << 20), st.sampled_from(("", *FAULTS)))
@examples(40)
def test_the_order_of_rows_decides_nothing(seed: int, fault: str) -> None:
    site, rows = drawn(seed, *(each for each in FAULTS if each == fault))
    dice = Random(seed + 1)
    shuffled = Rows(
        credentials=numbered(dice.sample(rows.credentials, len(rows.credentials))),
        readings=tuple(
            replace(row, line=line)
            for line, row in enumerate(dice.sample(rows.readings, len(rows.readings)), 2)
        ),
        existing={
            name: tuple(replace(row, line=line) for line, row in enumerate(dice.sample(them, len(them)), 2))
            for name, them in rows.existing.items()
        },
    )  # fmt: skip
    assert decisions(crosswalk(site, shuffled), shuffled) == decisions(crosswalk(site, rows), rows)


def decisions(result: Crosswalk, rows: Rows) -> tuple[object, ...]:
    """What a result decides of each row, whatever its line."""
    cards = {row.line: replace(row, line=0) for row in rows.credentials}
    reads = {row.line: replace(row, line=0) for row in rows.readings}
    lines = Counter(
        (
            cards[line.line],
            line.target,
            line.number,
            line.action,
            line.code,
            line.text,
            line.proof,
            line.readers,
            line.certain,
            line.shared,
            line.first_seen,
            line.last_seen,
        )
        for line in result.lines
    )
    excepted = Counter(
        (reads.get(each.line) if each.file == "readings.csv" else each.file, each.code) for each in result.exceptions
    )
    found = Counter((finding.code, finding.subject, finding.count, finding.people) for finding in result.findings)
    return lines, excepted, found


def test_two_runs_are_alike(tmp_path: Path) -> None:
    path = random_site(5, "silent_reset").write(tmp_path)
    first, second = (crosswalk(load_site(path)) for _ in range(2))
    assert first == second
    assert [each.name for each in first.inputs][:3] == ["site.toml", "credentials.csv", "readings.csv"]


@pytest.mark.parametrize("fault", FAULTS)
def test_findings_name_rows_of_the_files(fault: Fault) -> None:
    site, rows = drawn(11, fault)
    known = {FileLine(site.credentials.name, row.line) for row in rows.credentials}
    known |= {FileLine(site.readings.name, row.line) for row in rows.readings}
    for target in site.targets.values():
        if target.existing:
            known |= {FileLine(target.existing.name, row.line) for row in rows.existing[target.name]}
    for finding in crosswalk(site, rows).findings:
        assert finding.rows <= known


@pytest.mark.parametrize(("seed", "faults"), [(25, ("silent_reset", "wrong_order")), (52, ("silent_reset",))])
def test_a_desk_whose_reader_was_re_set_is_one_finding_not_a_conflict_for_each_card(
    seed: int, faults: tuple[Fault, ...], tmp_path: Path
) -> None:
    """What the desk expected is what the reader's other chain gives: nothing is contradicted, nothing is held."""
    site = random_site(seed, *faults).load(tmp_path)
    rows = load_rows(site)
    result = crosswalk(site, rows)
    check_laws(site, result, rows)
    explained = {
        (each.line, candidate.split(" (if ")[0])
        for each in result.exceptions
        for candidate in each.candidates
        if " (if " in candidate
    }
    expected = [row for row in rows.readings if (row.line, row.expected) in explained]
    subjects = {finding.subject for finding in result.findings if finding.code == "conflict"}
    assert len({row.expected for row in expected}) > 20
    assert not subjects & {row.expected for row in expected}
