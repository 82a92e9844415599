"""Times of many rows: how far clocks are ahead, against the time zones of the standard library, moment by moment."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from unittest.mock import patch
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit.files.times import EPOCH, MICROSECOND, Clock, to_datetime, utc_offsets

TURNS = {  # moments at which clocks were set, in UTC: IANA time zone database
    "Europe/Amsterdam": ["2026-03-29T01:00:00", "2025-10-26T01:00:00", "1996-10-27T01:00:00"],
    "Asia/Kathmandu": ["1985-12-31T18:30:00"],  # by a quarter of an hour
    "Australia/Lord_Howe": ["2026-04-04T15:00:00", "2025-10-04T15:30:00"],  # by half an hour
    "Pacific/Apia": ["2011-12-30T10:00:00"],  # by a day
    "Africa/Monrovia": ["1972-01-07T00:44:30"],  # within a quarter of an hour, by 44 minutes and a half
    "UTC": ["2000-01-01T00:00:00"],
}


def around(zone: str) -> list[int]:
    """Microseconds since 1970 at, right before and after, and within an hour of the turns of a zone."""
    apart = [timedelta(microseconds=1), timedelta(seconds=29), timedelta(minutes=14), timedelta(hours=1)]
    turns = [datetime.fromisoformat(each).replace(tzinfo=UTC) for each in TURNS[zone]]
    steps = [timedelta(0), *apart, *(-each for each in apart)]
    return [(turn + step - EPOCH) // MICROSECOND for turn in turns for step in steps]


def ahead(micros: int, zone: str) -> int:
    found = datetime.fromtimestamp(0, UTC) + timedelta(microseconds=micros)
    offset = found.astimezone(ZoneInfo(zone)).utcoffset()
    assert offset is not None
    return offset // MICROSECOND


@pytest.mark.parametrize("zone", TURNS)
@given(st.data())
def test_clocks_are_ahead_as_the_time_zone_says(zone: str, data: st.DataObject) -> None:
    moments = data.draw(st.lists(st.sampled_from(around(zone)) | st.integers(0, 1 << 52), min_size=1, max_size=12))
    found = utc_offsets(np.array(moments, np.int64), ZoneInfo(zone))
    assert found.tolist() == [ahead(each, zone) for each in moments]


@pytest.mark.parametrize("zone", TURNS)
def test_the_turns_are_turns(zone: str) -> None:
    for turn in around(zone)[:: len(around(zone)) // len(TURNS[zone])]:
        assert (ahead(turn, zone) != ahead(turn - 1, zone)) == (zone != "UTC")


@given(st.lists(st.sampled_from(["2026-03-01T08:00:00Z", "2026-03-01T08:00:00.5Z", "x", "", "2026-03-02T00:00:00Z"])))
def test_each_row_has_the_answer_to_its_own_text(texts: list[str]) -> None:
    """Whatever stands before it, and however often."""
    found = Clock(UTC).parse_times(pl.Series(texts, dtype=pl.String))
    assert {row for row, text in enumerate(texts) if len(text) < 2} == set(found.problems)
    for row, text in enumerate(texts):
        if row in found.problems:
            assert found.problems[row] == f"time is {text!r}, not a time such as 2026-03-31T08:15:00+02:00"
        else:
            assert to_datetime(int(found.moments[row])) == datetime.fromisoformat(text)


@pytest.mark.parametrize("before", [[], ["2026-02-28T23:59:59-10:00"], ["2026-03-01T00:00:00-10:00"] * 2])
@pytest.mark.parametrize(
    "text", ["2026-02-30T23:59:59-10:00", "2026-13-01T23:59:59-10:00", "0000-01-01T23:59:59-10:00"]
)
def test_days_that_do_not_exist(before: list[str], text: str) -> None:
    """However late their hours are, they are in no year, 1970 included."""
    found = Clock(UTC).parse_times(pl.Series([*before, text], dtype=pl.String))
    assert list(found.problems) == [len(before)]


@pytest.mark.parametrize("end", ["Z", "+02:00", ".25Z", "-10:30"])
@pytest.mark.parametrize("days", [["01"], ["01", "02"], ["01", "02", "02", "01", "03"]])
def test_times_of_the_common_form_are_read_by_the_kernel(days: list[str], end: str) -> None:
    """Only what stands behind the seconds is looked at by the reader of single times."""
    texts = [f"2026-03-{day}T{hour:02d}:59:59{end}" for day in days for hour in (0, 23)[-2 // len(days) :]]
    with patch.object(Clock, "parse_time", autospec=True, side_effect=Clock.parse_time) as asked:
        found = Clock(UTC).parse_times(pl.Series(texts, dtype=pl.String))
    assert not {call.args[1] for call in asked.call_args_list} & set(texts)
    assert [to_datetime(each) for each in found.moments.tolist()] == [datetime.fromisoformat(text) for text in texts]
