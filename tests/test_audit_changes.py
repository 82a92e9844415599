"""Changes of a reader: outages that were planted are found where they are, and hardly anything where none is.

The counts are simulated here, with seeds: hours with much and with little to read, faults one by one, faults in
bursts, and persons who try a bad card again and again.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from credkit import chain
from credkit.audit import Audit, audit_text
from credkit.audit.causes import MOST_READERS_DIAGNOSED
from credkit.audit.sentences import UNSTEADY
from credkit.audit.summary import TimeCounts
from credkit.audit.undetected_errors import Channel, CheckedFrames, estimate_undetected
from credkit.report import report
from credkit.tables.layout import LayoutCodec
from tests.captures import START, changes_in
from tests.pages import Page

FIRST = int(START.replace(hour=0).timestamp())
ZONE = ZoneInfo("Europe/Amsterdam")
DAY = 144  # steps of ten minutes


def month(
    seed: int, daily: float, share: float, *, tries: float = 0.0, burst: int = 1, days: int = 31,
    outages: tuple[tuple[int, int, float], ...] = (),
) -> TimeCounts:  # fmt: skip
    """A month of a reader with about ``daily`` rows a day, of which ``share`` fail, ``burst`` at a time.

    In a share ``tries`` of the steps somebody tries in vain 3 to 19 times. ``outages`` are from which step to which,
    and how many fail.
    """
    dice = np.random.default_rng(seed)
    hour = np.arange(days * DAY) % DAY / 6
    busy = np.where((hour < 5) | (hour > 22), 0.1, np.where((hour >= 6) & (hour <= 9), 3.0, 1.0))
    rows = dice.poisson(daily * busy / busy[:DAY].sum())
    failing = burst * dice.binomial(rows // burst, share)
    again = np.where((rows > 0) & (dice.random(len(rows)) < tries), dice.integers(3, 20, len(rows)), 0)
    rows, failing = rows + again, failing + again
    for start, stop, wrong in outages:
        failing[start:stop] = dice.binomial(rows[start:stop], wrong)
    (kept,) = np.nonzero(rows)
    return TimeCounts(
        starts=tuple((FIRST + 600 * kept).tolist()), rows=tuple(rows[kept].tolist()),
        failing=tuple(failing[kept].tolist()),
    )  # fmt: skip


def step(moment: datetime) -> float:
    return (moment.timestamp() - FIRST) / 600


# ── where nothing changes ───────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("daily", "share", "tries", "burst"),
    [
        (1000, 0.01, 0.0, 1), (1000, 0.01, 0.003, 1), (1000, 0.01, 0.02, 1), (9, 0.05, 0.0, 1), (9, 0.05, 0.05, 1),
        (100, 0.001, 0.0, 1), (100, 0.001, 0.001, 1), (3000, 0.03, 0.0, 10), (200, 0.3, 0.0, 1), (200, 0.0, 0.01, 1),
    ],
)  # fmt: skip
def test_hardly_anything_is_said_of_readers_that_never_change(
    daily: float, share: float, tries: float, burst: int
) -> None:
    """Of 100 months of each kind none; `CHANCE` allows for 0.01 of each, if rows fail independently."""
    told = [seed for seed in range(100) if changes_in(month(seed, daily, share, tries=tries, burst=burst)) != ()]
    assert told == []


def test_few_rows_on_a_side_are_no_side() -> None:
    assert changes_in(TimeCounts(starts=(0, 600, 1200), rows=(15, 2, 13), failing=(0, 2, 13))) == ()


def test_one_bad_card_tried_in_vain_is_no_outage() -> None:
    """Forty rows in ten minutes all fail, once in a month."""
    found = month(3, 300, 0.002)
    place = found.starts.index(FIRST + 600 * (9 * DAY + 60))
    rows, failing = list(found.rows), list(found.failing)
    rows[place] += 40
    failing[place] += 40
    assert changes_in(TimeCounts(starts=found.starts, rows=tuple(rows), failing=tuple(failing))) == ()


# ── outages that end ────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("daily", "share", "start", "steps", "wrong"),
    [
        (1000, 0.01, 12 * DAY + 60, 6, 1.0),  # an hour of a busy reader
        (1000, 0.0, 12 * DAY + 60, 6, 1.0),
        (1000, 0.01, 20 * DAY + 48, 18, 0.4),
        (9, 0.04, 25 * DAY, 2 * DAY, 1.0),  # two days of a reader with few rows
        (200, 0.05, 14 * DAY, DAY, 0.6),
        (3000, 0.03, 3 * DAY + 50, 12, 1.0),
    ],
)
def test_an_outage_that_ends_is_found_where_it_is(
    daily: float, share: float, start: int, steps: int, wrong: float
) -> None:
    for seed in range(20):
        counts = month(seed, daily, share, outages=((start, start + steps, wrong),))
        found = changes_in(counts)
        assert found is not None
        assert len(found) == 2, seed
        inside = [place for place, at in enumerate(counts.starts) if start <= (at - FIRST) // 600 < start + steps]
        first, last = (counts.starts.index(int(each.since.timestamp())) for each in found)
        assert abs(first - inside[0]) <= max(2, len(inside) // 10), seed
        assert abs(last - inside[-1] - 1) <= max(2, len(inside) // 10), seed
        assert found[0].after == found[1].before == pytest.approx(wrong, abs=0.25)
        assert max(found[0].before, found[1].after) == pytest.approx(share, abs=0.1)


def test_several_outages_are_several() -> None:
    starts = [3 * DAY + 60, 10 * DAY + 40, 11 * DAY + 70, 22 * DAY + 90, 28 * DAY + 50]
    for seed in range(10):
        found = changes_in(month(seed, 1000, 0.01, outages=tuple((at, at + 8, 1.0) for at in starts)))
        assert found is not None
        places = [at + more for at in starts for more in (0, 8)]
        assert [round(step(each.since)) for each in found] == pytest.approx(places, abs=1)
        assert [each.after > each.before for each in found] == [True, False] * len(starts)


def test_an_outage_at_either_end_of_the_file() -> None:
    for place, expected in ((0, [12]), (31 * DAY - 72, [31 * DAY - 72])):
        span = (place, place + 12, 1.0) if place == 0 else (place, 31 * DAY, 1.0)
        counts = month(7, 3000, 0.01, outages=(span,))
        assert [round(step(each.since)) for each in changes_in(counts) or ()] == expected


def test_a_reader_that_changes_again_and_again_has_no_time_since_when() -> None:
    outages = tuple((day * DAY + 60, day * DAY + 80, 1.0) for day in range(0, 31, 2))
    assert changes_in(month(1, 1000, 0.01, outages=outages)) is None


def test_no_time_is_taken_by_stretches_that_are_many() -> None:
    """Twenty years of counts: work that grows with the square of them would not end."""
    found = changes_in(month(2, 500, 0.01, days=20 * 365, outages=((1000 * DAY + 60, 1000 * DAY + 90, 1.0),)))
    assert found is not None
    assert [round(step(each.since)) - 1000 * DAY for each in found] == pytest.approx([60, 90], abs=1)
    assert all(one.since < other.since for one, other in pairwise(found))


# ── what is said of it ──────────────────────────────────────────────────────────────────────────


def test_the_kiosk_of_the_demo_reads_stripes_inverted_for_two_days(demo_audit: Audit) -> None:
    """The demo plants it: every swipe of 26 and 27 March."""
    (kiosk,) = [each for each in demo_audit.readers if each.name == "kiosk"]
    assert [(f"{each.since.astimezone(ZONE):%m-%d}", round(each.after, 2)) for each in kiosk.changes] == [
        ("03-26", 1.0), ("03-28", pytest.approx(0.02, abs=0.03)),
    ]  # fmt: skip


def test_no_change_found_does_not_mean_no_outage(demo_audit: Audit) -> None:
    screen = " ".join(audit_text(demo_audit, ZONE).split())
    assert "does not mean no outage" in screen
    assert "does not mean no outage" in " ".join(Page(report(demo_audit, ZONE)).paragraphs)
    timeless = replace(demo_audit, readers=tuple(replace(each, counts=TimeCounts()) for each in demo_audit.readers))
    assert "an outage all the same" not in audit_text(timeless, ZONE)


def test_times_name_their_zone(demo_audit: Audit) -> None:
    screen = audit_text(demo_audit, ZONE)
    (quay,) = [each for each in demo_audit.readers if each.name == "quay"]
    for change in quay.changes:
        assert f"since {change.since.astimezone(ZONE):%Y-%m-%d %H:%M} (Europe/Amsterdam):" in screen
    assert f"since {quay.changes[0].since:%Y-%m-%d %H:%M} (UTC):" in audit_text(demo_audit, UTC)


def test_a_reader_without_one_time_says_so(demo_audit: Audit) -> None:
    changed = replace(
        demo_audit, readers=tuple(replace(each, unsteady=True, changes=()) for each in demo_audit.readers)
    )
    failing = sum(bool(each.failing) for each in demo_audit.readers)
    assert " ".join(audit_text(changed, ZONE).split()).count(UNSTEADY) == min(failing, MOST_READERS_DIAGNOSED)
    assert f"Since when: {UNSTEADY}." in Page(report(changed, ZONE)).paragraphs


def test_a_quick_look_at_the_counts_hides_no_change(monkeypatch: pytest.MonkeyPatch) -> None:
    """Counts that cannot hold a change by their sums alone are not searched; all others give what a search gives."""
    dice = np.random.default_rng(7)
    searched: list[TimeCounts] = []
    for _ in range(400):
        size = int(dice.integers(1, 60))
        rows = dice.integers(1, dice.choice([2, 5, 40]), size)
        share = np.where(
            np.arange(size) < dice.integers(0, size + 1), dice.choice([0, 0.02, 0.3]), dice.choice([0.05, 1])
        )
        counts = TimeCounts(
            seconds=60, starts=tuple(range(0, 60 * size, 60)), rows=tuple(rows.tolist()),
            failing=tuple(dice.binomial(rows, share).tolist()),
        )  # fmt: skip
        searched.append(counts)
    quick = [changes_in(counts) for counts in searched]
    monkeypatch.setattr("credkit.audit.changes._gain_bound", lambda rows, failing: float("inf"))
    assert quick == [changes_in(counts) for counts in searched]
    assert 20 < sum(bool(found) for found in quick) < 380


def test_readers_of_few_rows_are_not_searched(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten rows each of 50,000 readers took minutes to search."""

    def never(*_: object) -> None:
        raise AssertionError

    for search in ("_best_split", "_best_interval"):
        monkeypatch.setattr(f"credkit.audit.changes.{search}", never)
    for failing in range(11):
        marks = (1,) * failing + (0,) * (10 - failing)
        assert changes_in(TimeCounts(seconds=60, starts=tuple(range(10)), rows=(1,) * 10, failing=marks)) == ()


def test_what_many_readers_have_in_common_is_computed_once(monkeypatch: pytest.MonkeyPatch) -> None:
    shares = []
    rate = Channel.rate

    def counted(channel: Channel, share: float) -> float:
        shares.append(share)
        return rate(channel, share)

    monkeypatch.setattr(Channel, "rate", counted)
    codec = chain("wiegand-26")
    assert isinstance(codec, LayoutCodec)
    judged = CheckedFrames(codec.layout)
    judged.add("binary/wiegand-26", {f"gate-{number}": (100, number % 3) for number in range(3000)})
    found = estimate_undetected(judged)
    assert sorted(shares) == [0.01, 0.01, 0.02]  # of all readers together, and each of their shares
    once = [Channel(codec.layout).unseen(rate(Channel(codec.layout), share)) for share in (0.01, 0.02)]
    assert found.expected == pytest.approx(1000 * 100 * sum(once))
