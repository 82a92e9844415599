"""How far long work is: what is told, and what a terminal shows of it. Clock and terminal are made up."""

from __future__ import annotations

import sys
from itertools import pairwise
from pathlib import Path

import pytest

from credkit import discover
from credkit.cards.data import write_batch
from credkit.cards.readback import check_all
from credkit.census import census
from credkit.cli.output import Console
from credkit.cli.progress import INTERVAL, Phase, TerminalProgress
from credkit.core.progress import SILENT, PartProgress
from credkit.crosswalk import crosswalk
from credkit.demo import Demo
from credkit.files.csvfiles import count_lines
from credkit.files.declaredfiles import CsvFile
from credkit.site import load_site
from tests.cards import credentials, plan, rows
from tests.commandline import on_a_terminal
from tests.masters import MASTER
from tests.progress import FakeTerminal, RecordedProgress, list_phases


class FakeClock:
    """A clock that stands still until it is set."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


def shown_on(terminal: FakeTerminal, clock: FakeClock, columns: int = 80) -> TerminalProgress:
    return TerminalProgress(terminal.write, columns=columns, clock=clock)


def test_a_phase_shows_percent_rate_and_the_time_that_is_left() -> None:
    terminal, clock = FakeTerminal(), FakeClock()
    progress = shown_on(terminal, clock)
    progress.phase("judging readings", 2, 5, total=10_000_000)
    for seconds, count in ((0.5, 400_000), (1.0, 800_000), (5.0, 4_300_000), (12.5, 10_000_000)):
        clock.now = 1000 + seconds
        progress.done(count)
    progress.erase()
    assert terminal.shown == [
        "[2/5] judging readings",
        "[2/5] judging readings 4 %",  # no rate in the first second
        "[2/5] judging readings 8 % 800,000 rows/s 0:12 left",  # 9,200,000 / 800,000 = 11.5
        "[2/5] judging readings 43 % 860,000 rows/s 0:07 left",  # 5,700,000 / 860,000 = 6.6
        "[2/5] judging readings 100 % 800,000 rows/s 0:00 left",
        "",
    ]


def test_each_phase_has_a_rate_of_its_own() -> None:
    terminal, clock = FakeTerminal(), FakeClock()
    progress = shown_on(terminal, clock)
    progress.phase("reading", 1, 2, total=100, unit="bytes")
    clock.now += 10
    progress.phase("writing", 2, 2, total=100, unit="cards")
    assert terminal.line.rstrip() == "[2/2] writing"
    clock.now += 2
    progress.done(50)
    assert terminal.line.rstrip() == "[2/2] writing 50 % 25 cards/s 0:02 left"


def test_a_terminal_is_written_to_five_times_a_second_at_most() -> None:
    clock = FakeClock()
    times: list[float] = []
    progress = TerminalProgress(lambda text: times.append(clock.now), clock=clock)
    progress.phase("reading", total=10_000)
    for count in range(10_000):
        clock.now = 1000 + count / 1000  # ten seconds
        progress.done(count)
    assert 45 <= len(times) <= 51
    assert all(later - sooner >= INTERVAL - 1e-9 for sooner, later in pairwise(times))


@pytest.mark.parametrize(
    ("phase", "count", "seconds", "line"),
    [
        (Phase(name="searching", unit="chains"), 12_345, 2.0, "searching 12,345 chains 6,170 chains/s"),
        (Phase(name="reading", total=10**9, unit="bytes"), 85_250_000, 1.0, "reading 8 % 85.2 MB/s 0:11 left"),
        (Phase(name="writing", total=7200, unit="cards"), 2, 4.0, "writing 0 % 0.5 cards/s 3:59:56 left"),
        (Phase(name="writing", total=0, unit="cards"), 0, 4.0, "writing"),
        (Phase(name="writing", total=3, unit="cards"), 4, 4.0, "writing 100 % 1.0 cards/s 0:00 left"),
    ],
)
def test_lines(phase: Phase, count: int, seconds: float, line: str) -> None:
    assert phase.format_line(count, seconds) == line


def test_a_long_name_is_cut_and_the_figures_stay() -> None:
    phase = Phase(name="comparing " * 20, number=12, of=15, total=10**9)
    line = phase.format_line(123_456_789, 100.0)
    assert len(line) == 80
    assert line.startswith("[12/15] comparing")
    assert line.endswith("… 12 % 1,230,000 rows/s 11:51 left")  # 876,543,211 / 1,234,567.89 = 710.00001
    for columns in range(10, 200):
        terminal, clock = FakeTerminal(), FakeClock()
        progress = shown_on(terminal, clock, columns)
        progress.phase(phase.name, 1, 2, total=10**9)
        clock.now += 100
        progress.done(123_456_789)
        assert terminal.widest <= min(columns, 80)
        progress.erase()
        assert terminal.line.strip() == ""


def test_the_phases_of_a_part_have_the_number_of_the_part() -> None:
    whole = RecordedProgress()
    part = PartProgress(whole, 2, 4)
    part.phase("reading", 1, 2, total=9, unit="cards")
    part.done(3)
    part.phase("writing", 2, 2)
    assert whole.phases == [
        Phase(name="reading", number=2, of=4, total=9, unit="cards"),
        Phase(name="writing", number=2, of=4),
    ]
    assert whole.counts == [[3], []]


def test_without_a_terminal_nothing_is_shown(capsys: pytest.CaptureFixture[str]) -> None:
    with Console().progress() as progress:
        assert progress is SILENT
        progress.phase("reading", total=2)
        progress.done(1)
    assert capsys.readouterr() == ("", "")


def run_on_terminal(monkeypatch: pytest.MonkeyPatch, show: FakeTerminal) -> None:
    monkeypatch.setattr(sys, "stderr", show)
    monkeypatch.setenv("COLUMNS", "80")
    with Console().progress() as progress:
        progress.phase("reading the files", 1, 2, total=10)
        progress.phase("writing the tables", 2, 2)
        raise KeyboardInterrupt


@pytest.mark.parametrize("no_color", ["", "1"])
def test_a_terminal_has_an_empty_line_at_the_end_whatever_happens(
    monkeypatch: pytest.MonkeyPatch, no_color: str
) -> None:
    monkeypatch.setenv("NO_COLOR", no_color)
    terminal = FakeTerminal()
    with pytest.raises(KeyboardInterrupt):
        run_on_terminal(monkeypatch, terminal)
    assert terminal.shown == ["[1/2] reading the files", "[2/2] writing the tables", ""]  # no escape sequence in it


def test_lines_of_a_file_are_counted_for_the_percentage(tmp_path: Path) -> None:
    for number, (data, encoding, lines) in enumerate((
        (b"a\n1\n2\n", "utf-8", 2), (b"a\n1\n2", "utf-8", 2), (b"a\r\n1\r\n", "cp1252", 1), (b"", "utf-8", 0),
        (b"a\n", "utf-8", 0), ("a\n1\n".encode("utf-16"), "utf-16", None), (b"a\n1\n", "no-such-encoding", None),
        (b"a\n" + b"1\n" * 100_000, "ascii", 100_000),
    )):  # fmt: skip
        path = tmp_path / f"{number}.csv"
        path.write_bytes(data)
        assert count_lines(CsvFile(path=path, name="", encoding=encoding)) == lines
    assert count_lines(CsvFile(path=tmp_path, name="")) is None
    assert count_lines(CsvFile(path=tmp_path / "absent", name="")) is None


def test_cards_are_counted_one_by_one(tmp_path: Path) -> None:
    told = RecordedProgress()
    write_batch(plan(), credentials(tmp_path, list(rows(4))), tmp_path / "out", master=MASTER, progress=told)
    assert told.phases == [Phase(name="writing cards", total=4, unit="cards")]
    assert told.counts == [[1, 2, 3, 4]]
    told = RecordedProgress()
    list(check_all(plan(), sorted((tmp_path / "out").glob("*.bin")), master=MASTER, progress=told))
    assert told.phases == [Phase(name="checking read-backs", total=4, unit="cards")]
    assert told.counts == [[1, 2, 3, 4]]


def test_a_census_tells_its_phases(demo: Demo) -> None:
    told = RecordedProgress()
    census(load_site(demo.site), progress=told)
    assert told.names == [
        "1/4 reading the credentials", "2/4 decoding numbers", "3/4 looking for duplicates",
        "4/4 counting ranges and plans",
    ]  # fmt: skip
    told.verify()
    lines = len((demo.folder / "credentials.csv").read_text().splitlines()) - 1
    assert (told.phases[1].total, told.counts[1][-1]) == (lines, lines)
    assert told.phases[2].total == told.counts[2][-1] > 3


def test_a_crosswalk_tells_its_phases(demo: Demo) -> None:
    told = RecordedProgress()
    site = load_site(demo.site)
    result = crosswalk(site, progress=told)
    assert told.names == [
        "1/7 reading the files", "2/7 decoding readings", "3/7 decoding the register", "4/7 judging readings",
        "4/7 judging presentations", "5/7 looking for re-set readers and causes", "6/7 deciding what targets hold",
        "7/7 listing exceptions and findings",
    ]  # fmt: skip
    told.verify()
    totals = {phase.name: phase.total for phase in told.phases}
    (_, readings, *_) = result.summary[0].rows[1]
    assert totals["decoding readings"] == readings
    assert totals["deciding what targets hold"] == len(site.targets)
    assert all(counts for counts, phase in zip(told.counts, told.phases, strict=True) if phase.total)


def test_searches_tell_what_is_tried() -> None:
    told = RecordedProgress()
    pairs = [("04112233445566", "0860116326"), ("04A2B3C4D5E6F7", "3302352631"), ("0489ABCDEF0123", "3454992675")]
    discover.chain(pairs, progress=told)
    assert told.names == ["1/2 searching for chains", "2/2 trying the chains on all pairs"]
    told.verify()
    assert told.phases[0].total is None
    assert told.counts[0][-1] > 1
    told = RecordedProgress()
    gate = [f"{number * 7919 % 4294967296:08X}" for number in range(1000, 900000, 9001)]
    discover.site({"gate": gate}, [("serial", str(int(text, 16)), "") for text in gate], progress=told)
    assert told.names == ["1/3 searching for chains", "2/3 deciding on kinds", "3/3 deriving layouts"]
    assert [(each.total, each.unit) for each in told.phases] == [(1, "readers")] * 3
    told.verify()


@pytest.mark.parametrize("colour", [{}, {"NO_COLOR": "1"}, {"TERM": "dumb"}])
def test_a_command_shows_its_phases_on_a_terminal_and_leaves_an_empty_line(demo: Demo, colour: dict[str, str]) -> None:
    shown, stayed = list_phases(on_a_terminal(["census", str(demo.site)], **colour))
    assert shown == [
        "[1/4] reading the credentials", "[2/4] decoding numbers", "[3/4] looking for duplicates",
        "[4/4] counting ranges and plans",
    ]  # fmt: skip
    assert stayed.startswith("4,511 cards, ")
