"""Patterns of dates and times: one notation for how a file writes them.

A pattern is a sample in letters, such as ``DD.MM.YYYY hh:mm:ss``: each part of it stands for digits, or for the name of
a month, everything else for itself. A text is rewritten as ISO 8601, and judged there: a pattern decides the form of a
text, never whether there is such a day.

Source: ISO 8601 (the designators YYYY, MM, DD, hh, mm, ss and the offset from UTC).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import NamedTuple

from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.files.monthnames import MONTHS

SAMPLE_DAY = datetime(2026, 3, 31, 8, 15)  # what a pattern is shown with
OFFSET = "+hh:mm"
NAME = "MMM"  # the month by its name
CENTURY = "20"  # of a year of two digits
NO_HOUR = "99"  # of the twelve-hour clock there is no such hour: nor is there of ISO 8601


class _Part(NamedTuple):
    """A part of a pattern: what it gives, a regular expression of its texts, the sample day as `strftime` has it.

    ``tail`` is a regular expression of what may stand behind its text.
    """

    gives: str
    form: str
    sample: str
    meaning: str
    tail: str = ""


# The parts by their letters; docs/site.md has their meanings.
PARTS: Mapping[str, _Part] = {
    "YYYY": _Part("year", "[0-9]{4}", "%Y", "the year"),
    "YY": _Part("year", "[0-9]{2}", "%y", "the year in two digits: 2000 to 2099"),
    "MM": _Part("month", "[0-9]{2}", "%m", "the month in two digits"),
    NAME: _Part(
        "month", r"[^\W\d_]{3,}", "Mar",
        "the month by its name, full or abbreviated, with or without a point, in large or small letters, in any of "
        "twelve languages: Danish, Dutch, English, Finnish, French, German, Italian, Norwegian, Polish, Portuguese, "
        "Spanish, Swedish", r"\.?",
    ),
    "M": _Part("month", "[0-9]{1,2}", "3", "the month in one digit or two"),
    "DD": _Part("day", "[0-9]{2}", "%d", "the day in two digits"),
    "D": _Part("day", "[0-9]{1,2}", "31", "the day in one digit or two"),
    "hh": _Part("hour", "[0-9]{2}", "%H", "the hour in two digits"),
    "h": _Part("hour", "[0-9]{1,2}", "8", "the hour in one digit or two"),
    "mm": _Part("minute", "[0-9]{2}", "%M", "the minute in two digits"),
    "ss": _Part("second", "[0-9]{2}", "%S", "the second in two digits; where there is none, the second is 0"),
    "f": _Part("fraction", "[0-9]{1,6}", "250", "a fraction of a second, one to six digits: `ss.f`, `ss,f`"),
    "AM": _Part("half", "[AaPp][Mm]", "AM", "`AM` or `PM`, in small letters, too; the hour is 1 to 12 then"),
    OFFSET: _Part(
        "offset", "Z|[+-][0-9]{2}(?::?[0-9]{2})?", "+02:00", "the offset from UTC: `+02:00`, `+0200`, `+02` or `Z`"
    ),
}  # fmt: skip
# The hours of the twelve-hour clock, behind which a half of the day stands.
HOURS: Mapping[str, str] = {
    f"{hour:02d}{half}": f"{hour % 12 + 12 * (half == 'PM'):02d}" for hour in range(1, 13) for half in ("AM", "PM")
}
_SPACE = "[ \u00a0\u202f]"  # some exports have a no-break space before AM
_ITEM = re.compile(r"(?P<part>\+hh:mm|AM|([A-Za-z])\2*)|'(?P<quoted>[^']*)'|(?P<sign>.)", re.DOTALL)
_NAME_IN_TEXT = re.compile(r"[^\W\d_]{3,}")
ISO_FORM = r"[0-9]{4}-[0-9]{2}-[0-9]{2}(?:[T ][0-9]{2}:[0-9]{2}(?::[0-9]{2}(?:\.[0-9]{1,6})?)?)?"
_ISO = re.compile(ISO_FORM)
_OF_ANY_WIDTH = {"M", "D", "h", "f"}


@dataclass(frozen=True, slots=True)
class MomentPattern:
    """How a file writes its dates, or its times; raises `DefinitionError` for what is no pattern.

    With ``or_iso``, a text that does not have its form may be as ISO 8601 writes it: cells of a sheet are dates, or
    texts, row by row.

    >>> pattern = MomentPattern("DD.MM.YYYY hh:mm:ss")
    >>> pattern.to_iso("14.03.2026 11:03:19"), pattern.to_iso("2026-03-14 11:03:19")
    ('2026-03-14T11:03:19', None)
    >>> MomentPattern("M/D/YYYY h:mm AM").to_iso("3/14/2026 1:05 PM")
    '2026-03-14T13:05:00'
    >>> MomentPattern("D. MMM YYYY").to_iso("14. März 2026"), MomentPattern("DD-MMM-YY").to_iso("03-JANV.-24")
    ('2026-03-14', '2024-01-03')
    >>> MomentPattern("dd.mm.yyyy")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    credkit.DefinitionError: 'dd' is not a part of a date or time: YYYY, ... +hh:mm; did you mean DD?
    """

    text: str
    or_iso: bool = False

    def __post_init__(self) -> None:
        _compile(self.text)

    def __str__(self) -> str:
        return self.text

    @property
    def has_time(self) -> bool:
        """Whether it has an hour and a minute."""
        return "hour" in _compile(self.text).parts

    @property
    def has_offset(self) -> bool:
        """Whether it has an offset from UTC."""
        return "offset" in _compile(self.text).parts

    @property
    def has_month_name(self) -> bool:
        """Whether it has the month by its name: a key of `credkit.files.monthnames.MONTHS`, in small letters."""
        return _compile(self.text).parts["month"] == NAME

    @property
    def sample(self) -> str:
        """The sample day as the pattern writes it.

        >>> MomentPattern("MM/DD/YYYY hh:mm AM").sample, MomentPattern("D.M.YY").sample
        ('03/31/2026 08:15 AM', '31.3.26')
        """
        return _compile(self.text).sample

    @property
    def regex(self) -> str:
        """The texts that have its form, with a named group for each part, as Python and Polars read it."""
        return _compile(self.text).regex

    @property
    def century(self) -> str:
        """The digits that stand before a year of two."""
        return _compile(self.text).century

    def to_iso(self, text: str) -> str | None:
        """``text`` as ISO 8601 writes it, where it has this form; it may still be a day that no calendar has."""
        match = _compile(self.text).matcher.fullmatch(text)
        if match is None:
            return text if self.or_iso and _ISO.fullmatch(text) else None
        found = match.groupdict()
        if self.has_month_name:
            found["month"] = MONTHS.get(found["month"].lower())
            if found["month"] is None:
                return None
        day = f"{self.century}{found['year']}-{found['month']:0>2}-{found['day']:0>2}"
        if not self.has_time:
            return day
        hour = f"{found['hour']:0>2}"
        if "half" in found:
            hour = HOURS.get(f"{hour}{found['half'].upper()}", NO_HOUR)
        fraction = f".{found['fraction']}" if "fraction" in found else ""
        return f"{day}T{hour}:{found['minute']}:{found.get('second', '00')}{fraction}{found.get('offset', '')}"

    def is_moment(self, text: str) -> bool:
        """Whether ``text`` has this form, and there is such a day or time.

        >>> MomentPattern("DD.MM.YYYY").is_moment("31.03.2026"), MomentPattern("DD.MM.YYYY").is_moment("31.02.2026")
        (True, False)
        """
        iso = self.to_iso(text)
        try:
            return iso is not None and bool(datetime.fromisoformat(iso))
        except ValueError:
            return False


class _Compiled(NamedTuple):
    """What a pattern is made of."""

    regex: str
    matcher: re.Pattern[str]
    parts: Mapping[str, str]  # the letters by what they give
    sample: str
    century: str


@lru_cache(maxsize=4096)  # more than there are common patterns
def _compile(text: str) -> _Compiled:
    forms: list[str] = []
    sample: list[str] = []
    given: dict[str, str] = {}
    before = ""  # the part that stands right before
    for item in _ITEM.finditer(text):
        letters = item["part"] or ""
        if letters and letters != "T":
            if letters not in PARTS:
                meant = NAME if letters.upper() == "MMMM" else letters.swapcase()
                near = f"; did you mean {meant}?" if meant in PARTS else ""
                parts = ", ".join(PARTS)
                raise DefinitionError(f"{redacted_repr(letters)} is not a part of a date or time: {parts}{near}")
            part = PARTS[letters]
            if part.gives in given:
                months = " (MM is the month, mm the minute)" if part.gives == "month" else ""
                raise DefinitionError(f"the {part.gives} stands in it twice{months}")
            is_digits = letters not in ("AM", OFFSET, NAME)
            if before and is_digits and {before, letters} & _OF_ANY_WIDTH:
                raise DefinitionError(f"{before}{letters} has no place where {before} ends: a sign must stand between")
            given[part.gives] = letters
            forms.append(f"(?P<{part.gives}>{part.form}){part.tail}")
            sample.append(SAMPLE_DAY.strftime(part.sample))
            before = letters if is_digits else ""
        else:
            literal = letters or (item["quoted"] if item["quoted"] is not None else item["sign"])
            forms += [_SPACE if sign == " " else f"\\U{ord(sign):08x}" for sign in literal]
            sample.append(literal)
            before = ""
    _refuse_incomplete(given)
    regex = "".join(forms)
    century = CENTURY if given["year"] == "YY" else ""
    return _Compiled(regex, re.compile(regex), given, "".join(sample), century)


def _refuse_incomplete(given: Mapping[str, str]) -> None:
    """Refuse a pattern that leaves open which day or minute a text is."""
    for name in ("year", "month", "day"):
        if name not in given:
            raise DefinitionError(f"the {name} is missing")
    needs = {"hour": "minute", "minute": "hour", "second": "minute", "fraction": "second", "half": "hour"}
    for name, other in {**needs, "offset": "minute"}.items():
        if name in given and other not in given:
            raise DefinitionError(f"{given[name]} stands in it, but the {other} is missing")


# The common ways to write a day, those that show the same day in another order apart; the strictest first.
_COMMON_DAYS = (
    ("DD.MM.YYYY", "D.M.YYYY"), ("DD/MM/YYYY", "D/M/YYYY"), ("MM/DD/YYYY", "M/D/YYYY"), ("DD-MM-YYYY", "D-M-YYYY"),
    ("YYYY-MM-DD",), ("YYYY/MM/DD",), ("YYYY.MM.DD",), ("YYYYMMDD",),
    ("DD.MM.YY", "D.M.YY"), ("DD/MM/YY", "D/M/YY"), ("MM/DD/YY", "M/D/YY"), ("DD-MM-YY", "D-M-YY"),
)  # fmt: skip
_COMMON_NAMED_DAYS = (
    ("DD-MMM-YYYY", "D-MMM-YYYY"), ("DD MMM YYYY", "D MMM YYYY"), ("DD. MMM YYYY", "D. MMM YYYY"),
    ("DD.MMM.YYYY", "D.MMM.YYYY"), ("DD/MMM/YYYY", "D/MMM/YYYY"), ("MMM DD, YYYY", "MMM D, YYYY"),
    ("MMM DD YYYY", "MMM D YYYY"), ("DDMMMYYYY",), ("YYYY-MMM-DD",), ("YYYY MMM DD", "YYYY MMM D"),
    ("DD-MMM-YY", "D-MMM-YY"), ("DD MMM YY", "D MMM YY"), ("DD. MMM YY", "D. MMM YY"), ("DD.MMM.YY", "D.MMM.YY"),
)  # fmt: skip
_COMMON_CLOCKS = (
    "hh:mm:ss", "h:mm:ss", "hh:mm", "h:mm", "hh:mm:ss.f", "hh:mm:ss,f", "hh:mm:ss AM", "h:mm:ss AM", "h:mm AM",
    "hh'h'mm:ss", "hh'h'mm", "hh.mm.ss", "h.mm.ss", "hh.mm", "h.mm",
)  # fmt: skip


def likely_patterns(texts: Iterable[str], *, has_time: bool) -> list[MomentPattern]:
    """The common patterns by which all of ``texts`` are days, or times; several where the day might be the month.

    >>> [str(each) for each in likely_patterns(["14.3.2026", "1.4.2026"], has_time=False)]
    ['D.M.YYYY']
    >>> [str(each) for each in likely_patterns(["3. Okt. 2025", "14. März 2026"], has_time=False)]
    ['D. MMM YYYY']
    >>> [str(each) for each in likely_patterns(["03/04/2026 8:15 PM"], has_time=True)]
    ['DD/MM/YYYY h:mm AM', 'MM/DD/YYYY h:mm AM']
    >>> [str(each) for each in likely_patterns(["14.3.2026 8.05"], has_time=True)]
    ['D.M.YYYY h.mm']
    """
    some = [*texts]
    if not some:
        return []
    fitting = (
        next((each for each in patterns if all(map(each.is_moment, some))), None)
        for patterns in _common_patterns(has_time=has_time, has_name=_NAME_IN_TEXT.search(some[0]) is not None)
    )
    return [each for each in fitting if each is not None]


@lru_cache(maxsize=4)
def _common_patterns(*, has_time: bool, has_name: bool) -> tuple[tuple[MomentPattern, ...], ...]:
    """The common patterns, those of one order of the day together, the strictest first."""
    tails = [f" {clock}{offset}" for offset in ("", f" {OFFSET}", OFFSET) for clock in _COMMON_CLOCKS]
    tails = tails if has_time else ["", *tails]
    all_days = _COMMON_NAMED_DAYS if has_name else _COMMON_DAYS
    return tuple(tuple(MomentPattern(day + tail) for tail in tails for day in days) for days in all_days)
