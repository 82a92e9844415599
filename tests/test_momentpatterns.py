"""Patterns of dates and times: what they read is what `datetime.strptime` reads, by texts and by columns."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit import DefinitionError
from credkit.files.momentpatterns import PARTS, SAMPLE_DAY, MomentPattern, likely_patterns
from credkit.files.moments import parse_moment
from credkit.files.times import Clock, rewrite_times
from tests.amounts import examples

AMSTERDAM = ZoneInfo("Europe/Amsterdam")
# A pattern, and what Python's own parser and writer call it.
FORMS = {
    "DD.MM.YYYY hh:mm:ss": "%d.%m.%Y %H:%M:%S", "MM/DD/YYYY hh:mm AM": "%m/%d/%Y %I:%M %p",
    "YYYY-MM-DDThh:mm:ss": "%Y-%m-%dT%H:%M:%S", "YYYYMMDDhhmmss": "%Y%m%d%H%M%S", "DD/MM/YY hh'h'mm": "%d/%m/%y %Hh%M",
    "DD-MM-YYYY hh:mm:ss.f": "%d-%m-%Y %H:%M:%S.%f", "YYYY/MM/DD hh:mm:ss+hh:mm": "%Y/%m/%d %H:%M:%S%z",
    "{YYYY} (DD.MM.) hh*mm": "{%Y} (%d.%m.) %H*%M",
}  # fmt: skip
MOMENTS = st.datetimes(datetime(2000, 1, 1), datetime(2068, 12, 31))  # Python's own parser takes 69 for 1969
NOISE = st.text("0123456789.:/-+TZAPMhapm {}*()\u00a0", max_size=24)


def strptime(text: str, form: str) -> datetime | None:
    """What Python reads, of the texts that have as many digits as a pattern asks for."""
    try:
        found = datetime.strptime(text, form)
    except ValueError:
        return None
    written = found.strftime(form)
    return found if written.upper() == text.upper() else None


@pytest.mark.parametrize("pattern", FORMS)
@given(moment=MOMENTS)
@examples(60)
def test_a_pattern_reads_what_python_writes(pattern: str, moment: datetime) -> None:
    moment = moment.replace(tzinfo=UTC) if "%z" in FORMS[pattern] else moment
    text = moment.strftime(FORMS[pattern])
    iso = MomentPattern(pattern).to_iso(text)
    assert iso is not None
    assert datetime.fromisoformat(iso) == strptime(text, FORMS[pattern])


@pytest.mark.parametrize("pattern", [each for each in FORMS if each[-1] != "f" and "+hh:mm" not in each])
@given(text=NOISE | st.builds(lambda moment, form: moment.strftime(form), MOMENTS, st.sampled_from([*FORMS.values()])))
@examples(100)
def test_what_a_pattern_does_not_read_python_does_not_write(pattern: str, text: str) -> None:
    found = MomentPattern(pattern)
    wanted = strptime(text.replace("\u00a0", " "), FORMS[pattern])
    assert found.is_moment(text) == (wanted is not None)


@pytest.mark.parametrize("pattern", [*FORMS, "D.M.YYYY h:mm:ss", "M/D/YY h:mm:ss,f AM", "D-M-YYYY h:mm +hh:mm"])
@given(texts=st.lists(NOISE | st.builds(lambda moment, form: moment.strftime(form), MOMENTS, st.sampled_from(
    [*FORMS.values(), "%-d.%-m.%Y %-H:%M:%S", "%-m/%-d/%y %-I:%M:%S,%f %p", "%-d-%-m-%Y %-H:%M Z", "%m/%d/%Y %H:%M %p"]
)), max_size=6))  # fmt: skip
@examples(60)
def test_columns_are_rewritten_as_texts_are(pattern: str, texts: list[str]) -> None:
    found = MomentPattern(pattern)
    series = pl.Series("time", texts, dtype=pl.String)
    assert rewrite_times(series, found).to_list() == [found.to_iso(text) or "" for text in texts]
    clock = Clock(AMSTERDAM, local=not found.has_offset, pattern=found)
    times = clock.parse_times(series)
    for place, text in enumerate(texts):
        wanted = parse_moment(text, AMSTERDAM, local=not found.has_offset, pattern=found)
        if isinstance(wanted, str):
            assert times.problems[place] == wanted
        else:
            assert (place in times.problems, timedelta(microseconds=int(times.moments[place]))) == (
                False, wanted - datetime(1970, 1, 1, tzinfo=UTC)
            )  # fmt: skip


# By hand; that 12 AM is midnight is common practice, no source.
@pytest.mark.parametrize(
    ("pattern", "text", "iso"),
    [
        ("M/D/YYYY h:mm AM", "3/4/2026 12:05 AM", "2026-03-04T00:05:00"),
        ("M/D/YYYY h:mm AM", "3/4/2026 12:05 pm", "2026-03-04T12:05:00"),
        ("M/D/YYYY h:mm AM", "12/31/2026 11:59\u202fPM", "2026-12-31T23:59:00"),
        ("D.M.YYYY", "4.3.2026", "2026-03-04"),
        ("D.M.YYYY", "04.03.2026", "2026-03-04"),
        ("DD.MM.YYYY", "4.3.2026", None),
        ("DD.MM.YYYY", "04.03.2026 ", None),
        ("DD.MM.YYYY", "\u0664\u0665.03.2026", None),  # Arabic digits
        ("DD.MM.YYYY 00:00:00", "04.03.2026 00:00:00", "2026-03-04"),
        ("DD.MM.YYYY 00:00:00", "04.03.2026 08:00:00", None),
        ("DD.MM.YYYY hh:mm 'Uhr'", "04.03.2026 08:15 Uhr", "2026-03-04T08:15:00"),
        ("YYYY-MM-DD hh:mm:ss,f", "2026-03-04 08:15:00,5", "2026-03-04T08:15:00.5"),
        ("YYYY-MM-DD hh:mm:ss,f", "2026-03-04 08:15:00,1234567", None),
    ],
)
def test_texts_by_hand(pattern: str, text: str, iso: str | None) -> None:
    assert MomentPattern(pattern).to_iso(text) == iso


@pytest.mark.parametrize("text", ["3/4/2026 0:05 AM", "3/4/2026 13:05 PM", "2/30/2026 1:05 PM", "13/4/2026 1:05 PM"])
def test_forms_that_no_clock_or_calendar_has(text: str) -> None:
    pattern = MomentPattern("M/D/YYYY h:mm AM")
    assert pattern.to_iso(text) is not None
    assert not pattern.is_moment(text)


@pytest.mark.parametrize(
    "text", ["", "YYYY", "MM.DD", "DD.MM.YYYY HH:mm", "%d.%m.%Y", "MMM D YYYY", "YYYYMD", "DD.MM.YYYY hh", "YYYY-DD-DD"]
)
def test_what_is_no_pattern(text: str) -> None:
    with pytest.raises(DefinitionError):
        MomentPattern(text)


@given(text=st.text("YMDhmsfAT.:+-/' 0", max_size=24))
@examples(300)
def test_any_pattern_reads_its_own_sample_or_is_refused(text: str) -> None:
    try:
        pattern = MomentPattern(text)
    except DefinitionError:
        return
    assert pattern.is_moment(pattern.sample)


@pytest.mark.parametrize("letters", PARTS)
def test_the_sample_of_a_part_has_its_form(letters: str) -> None:
    part = PARTS[letters]
    assert re.fullmatch(part.form, SAMPLE_DAY.strftime(part.sample))


def test_likely_patterns_read_all_texts() -> None:
    assert likely_patterns([], has_time=False) == []
    assert likely_patterns(["31.03.2026", "x"], has_time=False) == []
    assert [str(each) for each in likely_patterns(["31/03/2026", "01/04/2026"], has_time=False)] == ["DD/MM/YYYY"]
    both = [str(each) for each in likely_patterns(["03/04/2026"], has_time=False)]
    assert both == ["DD/MM/YYYY", "MM/DD/YYYY"]
