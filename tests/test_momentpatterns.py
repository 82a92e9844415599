"""Patterns of dates and times: what they read is what `datetime.strptime` reads, by texts and by columns."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from unicodedata import normalize
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from babel.dates import format_date, get_month_names
from hypothesis import given
from hypothesis import strategies as st

from credkit import DefinitionError
from credkit.files.momentpatterns import PARTS, SAMPLE_DAY, MomentPattern, likely_patterns
from credkit.files.moments import parse_moment
from credkit.files.monthnames import LANGUAGES, MONTHS
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
NAMED = {
    "DD-MMM-YYYY hh:mm": "%d-%b-%Y %H:%M",
    "MMM DD, YYYY h:mm AM": "%B %d, %Y %I:%M %p",
    "DDMMMYYhhmm": "%d%b%y%H%M",
}
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


@pytest.mark.parametrize("pattern", [*FORMS, "D.M.YYYY h:mm:ss", "M/D/YY h:mm:ss,f AM", "D-M-YYYY h:mm +hh:mm", *NAMED])
@given(texts=st.lists(NOISE | st.builds(lambda moment, form: moment.strftime(form), MOMENTS, st.sampled_from(
    [*FORMS.values(), "%-d.%-m.%Y %-H:%M:%S", "%-m/%-d/%y %-I:%M:%S,%f %p", "%-d-%-m-%Y %-H:%M Z", "%m/%d/%Y %H:%M %p",
     *NAMED.values()]
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
        ("DD-MMM-YYYY", "14-Mar-2026", "2026-03-14"),
        ("DD-MMM-YY", "14-MRZ-26", "2026-03-14"),
        ("D. MMM YYYY", "4. M\u00e4rz 2026", "2026-03-04"),
        ("D. MMM YYYY", "4. Maerz 2026", "2026-03-04"),
        ("D MMM YYYY", "3 janv. 2024", "2024-01-03"),
        ("D MMM. YYYY", "3 janv. 2024", "2024-01-03"),
        ("D MMM. YYYY", "3 janv 2024", None),
        ("D MMM YYYY", "3 AOUT 2024", "2024-08-03"),
        ("D MMM YYYY", "3 Marz. 2024", "2024-03-03"),
        ("D MMM YYYY", "3 Smarch 2024", None),
        ("D MMM YYYY", "3 03 2024", None),
        ("D MMM YYYY", "3 m\u0430r 2024", None),  # a Cyrillic letter
        ("MMM D, YYYY h:mm AM", "December 3, 2024 1:05 PM", "2024-12-03T13:05:00"),
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
    "text",
    ["", "YYYY", "MM.DD", "DD.MM.YYYY HH:mm", "%d.%m.%Y", "MMMM D YYYY", "YYYYMD", "DD.MM.YYYY hh", "Y-DD-DD"],
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


@pytest.mark.parametrize("language", LANGUAGES)
def test_names_of_months_are_those_of_cldr(language: str) -> None:
    """Against the library babel, which has the names of the Unicode CLDR."""
    names = [
        get_month_names(width, place, language)
        for width in ("wide", "abbreviated") for place in ("format", "stand-alone")
    ]  # fmt: skip
    for month in range(1, 13):
        for name in (each[month] for each in names):
            for text in (name, name.upper(), name.lower(), name.title(), name.rstrip("."), f"{name.rstrip('.')}."):
                assert MomentPattern("D. MMM YYYY").to_iso(f"14. {text} 2026") == f"2026-{month:02d}-14"
        written = format_date(date(2026, month, 14), "d-MMM-yyyy", locale=language)
        assert MomentPattern("D-MMM-YYYY").to_iso(written) == f"2026-{month:02d}-14"


def test_no_name_is_that_of_two_months() -> None:
    rows = [names.split("|") for names in LANGUAGES.values()]
    months = {(name, month) for row in rows for month, names in enumerate(row, 1) for name in names.split()}
    assert len({name for name, _ in months}) == len(months)
    assert {(name, int(MONTHS[name])) for name, _ in months} == months
    bare = {(_plain(name), month) for name, month in months}
    assert {(name, int(MONTHS[name])) for name, _ in bare} == bare


def _plain(name: str) -> str:
    return normalize("NFKD", name).encode("ascii", "ignore").decode()


@pytest.mark.parametrize(
    ("texts", "patterns"),
    [
        (["14-Mar-2026", "03-Dec-2025"], ["DD-MMM-YYYY"]),
        (["14. M\u00e4rz 2026", "3. Dez. 2025"], ["D. MMM YYYY"]),
        (["3 janv. 2024", "14 f\u00e9vr. 2024"], ["D MMM YYYY"]),
        (["14-MRT-26"], ["DD-MMM-YY"]),
        (["March 14, 2026"], ["MMM DD, YYYY"]),
        (["14 March"], []),
        (["14 Fnord 2026"], []),
    ],
)
def test_likely_patterns_of_names(texts: list[str], patterns: list[str]) -> None:
    assert [str(each) for each in likely_patterns(texts, has_time=False)] == patterns
    timed = [f"{text} 8:15 PM" for text in texts]
    found = [f"{each} h:mm AM" for each in patterns]
    assert [str(each) for each in likely_patterns(timed, has_time=True)] == found


def test_likely_patterns_read_all_texts() -> None:
    assert likely_patterns([], has_time=False) == []
    assert likely_patterns(["31.03.2026", "x"], has_time=False) == []
    assert [str(each) for each in likely_patterns(["31/03/2026", "01/04/2026"], has_time=False)] == ["DD/MM/YYYY"]
    both = [str(each) for each in likely_patterns(["03/04/2026"], has_time=False)]
    assert both == ["DD/MM/YYYY", "MM/DD/YYYY"]
