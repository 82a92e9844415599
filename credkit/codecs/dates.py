"""Dates as a card's memory holds them: digits in some order, or days since a day, to dates of ISO 8601.

    date:DDMMYY               310326    2026-03-31
    day-count:2000-01-01      25 72     2026-03-31, the day 9586

``date`` stands behind what gives the digits, such as ``bcd/date:YYYYMMDD``. Dates are those of the
Gregorian calendar; one that does not exist is a failed check. A day is a day of the site: there is
no time of day here, and so no time zone.

They have no tables: how long a month is needs the calendar.

Source: ISO 8601-1 (the written date); common practice, no source (how it is stored).

>>> from bitstring import Bits
>>> build_date("DDMMYY").decode("310326")
'2026-03-31'
>>> build_day_count("2000-01-01").decode(Bits("0x2572"))
'2026-03-31'
>>> build_date("YYYYMMDD").decode("20260231")
Traceback (most recent call last):
credkit.DecodeError: date:YYYYMMDD: a date that exists fails: characters 6-7 are '31', expected 01 to 28
"""

from __future__ import annotations

import re
from calendar import monthrange
from dataclasses import dataclass
from datetime import MAXYEAR, MINYEAR, date, timedelta

from bitstring import Bits

from credkit.codecs.stored import Stored
from credkit.core.checks import DIGITS
from credkit.core.codec import PRACTICE, AnyCodec, Codec, Entry, Example
from credkit.core.errors import DefinitionError, EncodeError
from credkit.core.forms import to_word
from credkit.core.grammar import format_step
from credkit.core.origins import Place, Whole
from credkit.core.reading import AnyReading, Check, Reading
from credkit.core.sentences import redacted_repr
from credkit.core.shapes import TEXT, bits
from credkit.core.spans import MAX_NUMBER_BITS

CLAIM = "a date that exists"
DEFAULT_CENTURY = 2000  # of years with two digits
SOURCE = f"ISO 8601-1 (the written date); {PRACTICE} (how it is stored)"
_ISO = re.compile("([0-9]{4})-([0-9]{2})-([0-9]{2})")
_LETTERS = re.compile("YYYY|YY|MM|DD")
_ISO_SPANS = {"Y": range(0, 4), "M": range(5, 7), "D": range(8, 10)}  # in the written date


def parse_iso_date(text: str) -> date | None:
    """The date that ``text`` writes in full, or None.

    >>> parse_iso_date("2026-03-31"), parse_iso_date("2026-02-31"), parse_iso_date("20260331")
    (datetime.date(2026, 3, 31), None, None)
    """
    match = _ISO.fullmatch(text)
    try:
        return date(*map(int, match.groups())) if match else None
    except ValueError:
        return None


def _parse_date_to_encode(codec: str, value: str) -> date:
    """The date that is to be written; raises `EncodeError` for what is none."""
    day = parse_iso_date(value)
    if day is None:
        raise EncodeError(f"{codec}: {redacted_repr(value)} is not a date that exists, such as 2026-03-31")
    return day


def _find_impossible_number(year: int, month: int, day: int) -> tuple[str, int] | None:
    """The letter of the first number that no date has, and the most that it may be; None for a date."""
    if year < MINYEAR:
        return "Y", MAXYEAR
    if not 1 <= month <= 12:
        return "M", 12
    last = monthrange(year, month)[1]
    return None if 1 <= day <= last else ("D", last)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class StoredDate(Codec[str, str]):
    """Text to text: the digits of a date in the order of ``pattern``, to the date as ISO 8601 writes it."""

    pattern: str

    @property
    def century(self) -> int:
        """What a year of two digits is counted from; 0 where it has four."""
        return 0 if self.spans["Y"].stop - self.spans["Y"].start == 4 else DEFAULT_CENTURY

    @property
    def spans(self) -> dict[str, range]:
        """Where year, month and day stand, by their letter."""
        return {match[0][0]: range(*match.span()) for match in _LETTERS.finditer(self.pattern)}

    def inspect(self, value: str) -> AnyReading:
        """The date; a failed check for other characters, another length, and a date that does not exist."""
        strange = tuple(i for i, char in enumerate(value) if char not in DIGITS)
        if strange:
            found = tuple(value[i] for i in strange)
            return Reading(value=None, checks=(self._check("alphabet", "the alphabet", strange, "digits", found),))
        if len(value) != len(self.pattern):
            return Reading(value=None, checks=(self._check("length", "the length", (), len(self.pattern), len(value)),))
        year, month, day = (int(value[at.start : at.stop]) for at in map(self.spans.__getitem__, "YMD"))
        year += self.century
        wrong = _find_impossible_number(year, month, day)
        if wrong is None:
            whole = tuple(range(len(value)))
            check = self._check("date", CLAIM, whole, value, value)
            return Reading(value=date(year, month, day).isoformat(), checks=(check,), origin=self._origin)
        letter, most = wrong
        at = self.spans[letter]
        expected = f"{1:0{len(at)}d} to {most:0{len(at)}d}"
        return Reading(value=None, checks=(self._check("date", CLAIM, tuple(at), expected, value[at.start : at.stop]),))

    def _check(self, rule: str, claim: str, at: tuple[Place, ...], expected: object, found: object) -> Check:
        return Check(
            codec=self.name, rule=rule, claim=claim, form="text", at=at, covers=at, expected=expected, found=found
        )

    def _origin(self, place: Place) -> tuple[Place, ...]:
        for letter, at in _ISO_SPANS.items():
            if place in at:
                mine = self.spans[letter]
                stored = int(place) - at.stop + mine.stop  # a year of two digits has the last two
                return (stored,) if stored in mine else ()
        return ()

    def encode(self, value: str) -> str:
        """The digits in the order of the pattern; raises `EncodeError` for what is no date, or has no room."""
        day = _parse_date_to_encode(self.name, self.check_output(value))
        if self.century and not self.century <= day.year < self.century + 100:
            years = f"{self.century} to {self.century + 99}"
            raise EncodeError(f"{self.name}: {redacted_repr(value)} does not fit: a year of two digits is {years}")
        digits = {"YYYY": f"{day.year:04d}", "YY": f"{day.year % 100:02d}", "MM": f"{day:%m}", "DD": f"{day:%d}"}
        return _LETTERS.sub(lambda match: digits[match[0]], self.pattern)


def build_date(pattern: str) -> AnyCodec:
    """``date:PATTERN``: the digits of a date, in the order of the pattern, to a date such as 2026-03-31.

    The pattern has YYYY or YY, MM and DD once each, in any order and nothing between them. YY means
    the years 2000 to 2099.
    """
    found = _LETTERS.findall(pattern)
    if "".join(found) != pattern or sorted(piece[0] for piece in found) != ["D", "M", "Y"]:
        raise DefinitionError(
            f"date: {redacted_repr(pattern)} is not YYYY or YY, MM and DD, once each in any order, such as YYYYMMDD"
        )
    return StoredDate(name=format_step("date", pattern), input=TEXT, output=TEXT, pattern=pattern)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class DayCount(Stored):
    """How many days after ``epoch`` a day is, most significant bit first, to the date as ISO 8601 writes it."""

    epoch: date

    def inspect_area(self, value: Bits) -> AnyReading:
        """The date; a failed check for a count that goes beyond the year 9999."""
        count, length = to_word(value)
        last, whole = (date.max - self.epoch).days, tuple(range(length))
        check = Check(
            codec=self.name, rule="range", claim=f"a day up to {date.max}", form="bits", at=whole, covers=whole,
            expected=count if count <= last else f"at most {last}", found=count,
        )  # fmt: skip
        if not check.passed:
            return Reading(value=None, checks=(check,))
        day = self.epoch + timedelta(days=count)
        return Reading(value=day.isoformat(), checks=(check,), origin=Whole(whole))

    def encode(self, value: str) -> Bits:
        """The count in all bits of the area; raises `EncodeError` for an earlier day, and for one too far on."""
        count = (_parse_date_to_encode(self.name, self.check_output(value)) - self.epoch).days
        if count < 0:
            raise EncodeError(
                f"{self.name}: {redacted_repr(value)} is before {self.epoch}, from which days are counted"
            )
        room = self.area_bits(count.bit_length())
        if room is None:
            most = self.input.lengths[-1]
            raise EncodeError(
                f"{self.name}: {redacted_repr(value)} is day {count}, {most} bits hold at most {(1 << most) - 1}"
            )
        return Bits(uint=count, length=room)


def build_day_count(epoch: str) -> AnyCodec:
    """``day-count:EPOCH``: the bits count the days since the day EPOCH, written as 2000-01-01.

    The count is a whole number, most significant bit first: ``reverse-bytes`` in front where the
    card has the least significant byte first. The last day is 9999-12-31.
    """
    first = parse_iso_date(epoch)
    if first is None:
        raise DefinitionError(f"day-count: {redacted_repr(epoch)} is not a date that exists, such as 2000-01-01")
    return DayCount(
        name=format_step("day-count", epoch), input=bits(range(1, MAX_NUMBER_BITS + 1)), output=TEXT, epoch=first
    )


ENTRIES = (
    Entry(
        name="date", signature="PATTERN", title="the digits of a date, to the date with its year first", source=SOURCE,
        build=build_date, usual=(),
        examples=(
            Example(args="YYYYMMDD", given="20260331", gives="2026-03-31"),
            Example(args="DDMMYY", given="310326", gives="2026-03-31"),
        ),
    ),
    Entry(
        name="day-count", signature="EPOCH", title="a number of days since a day, to the date", source=SOURCE,
        build=build_day_count, usual=(),
        examples=(
            Example(args="2000-01-01", given="0010010101110010", gives="2026-03-31"),
        ),
    ),
)  # fmt: skip
