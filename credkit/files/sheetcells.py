"""Cells of a sheet as texts: a text as it is stored, a number by its digits, a date as ISO 8601 writes it.

A number has no leading zeros but those that its format shows (``00000000``). A spreadsheet keeps 15 digits of a
number, so that one with more may be damaged, and so may one with a fraction.

Source: ECMA-376 (Office Open XML), part 1, 18.3.1.4 (cells), 18.8.30 (number formats); IEEE 754 (numbers).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import datetime, time, timedelta
from decimal import Decimal, InvalidOperation
from enum import StrEnum
from functools import lru_cache
from typing import Literal, NamedTuple

from openpyxl.styles.numbers import is_date_format, is_timedelta_format
from openpyxl.utils.datetime import from_excel

CERTAIN_DIGITS = 15  # digits of a number that a spreadsheet keeps
MOST_DAYS_KEPT = 1 << 12  # dates and times that are kept for cells with the same
MOST_DIGITS = 40  # digits that are written out of a number with an exponent
_NUMBER = re.compile(r"\s*[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([Ee][+-]?[0-9]+)?\s*", re.ASCII)  # XML Schema, part 2, 3.2.5
_ZEROS = re.compile("0+")
_ESCAPED_LETTERS = re.compile(r'"[^"]*"|\\.|_.|\*.|\[\$[^]]*\]')  # what a format shows as it stands


class CellProblem(StrEnum):
    """What is wrong with a cell that has no text; the end of a sentence about it."""

    ERROR = "an error of the spreadsheet"
    BOOLEAN = "a truth value, not a text"
    NO_VALUE = "a formula whose result is not stored"
    NO_DAY = "formatted as a date, which its number is not"
    LINE_BREAK = "a text with a line break in it"
    MERGED = "merged with others, which then are empty"


CURES: Mapping[CellProblem, str] = {
    CellProblem.ERROR: "Correct the formula in the sheet, or export the column again.",
    CellProblem.BOOLEAN: "Write a word instead, such as yes and no, as a text.",
    CellProblem.NO_VALUE: "Open the workbook in a spreadsheet and save it: that stores the results.",
    CellProblem.NO_DAY: "Write the day again, or format the column as text.",
    CellProblem.LINE_BREAK: "Take the line break out of the cell.",
    CellProblem.MERGED: "Unmerge the cells, and write into each what it means.",
}  # fmt: skip

Stored = Literal["text", "moment", "number", "padded", "unsure"]


class CellFault(NamedTuple):
    """A cell without a text: where it is, what is wrong, and what it has."""

    line: int
    place: int  # of its column, from 0
    problem: CellProblem
    word: str


class CellText(NamedTuple):
    """The text of a cell, and how it is stored: ``padded`` by its format, ``unsure`` if digits may be lost."""

    text: str
    stored: Stored


class CellWriter:
    """Cells of one workbook as texts: ``formats`` has the number format of each style, ``epoch`` is day 0."""

    def __init__(self, formats: Sequence[str], epoch: datetime) -> None:
        self._formats, self._epoch = formats, epoch
        self._kinds: dict[int, int | str] = {}

    def write_number(self, raw: str, style: int) -> CellText | CellProblem:
        """The text of a number in a style: digits, or a date or time.

        >>> writer = CellWriter(["General", "00000000", "dd.mm.yyyy"], datetime(1899, 12, 30))
        >>> writer.write_number("1200345", 0), writer.write_number("1200345", 1)
        (CellText(text='1200345', stored='number'), CellText(text='01200345', stored='padded'))
        >>> writer.write_number("46112", 2).text, writer.write_number("1.2345678901234E+16", 0)
        ('2026-03-31', CellText(text='12345678901234000', stored='unsure'))
        """
        kind = self._kinds.get(style)
        if kind is None:
            kind = self._kinds[style] = _classify_format(self._formats[style])
        if isinstance(kind, str):
            return _write_moment(raw, kind, self._epoch) if _NUMBER.fullmatch(raw) else CellProblem.NO_DAY
        if len(raw) <= CERTAIN_DIGITS and raw.isdecimal() and raw.isascii():
            return CellText(raw.zfill(kind), "padded" if kind > 1 else "number")
        return _write_long_number(raw, kind) if _NUMBER.fullmatch(raw) else CellProblem.ERROR


def _classify_format(form: str) -> int | str:
    """What a number format makes of a number: a moment of this kind, or as many digits at least."""
    if is_date_format(form):
        letters = _ESCAPED_LETTERS.sub("", form.split(";", 1)[0]).casefold()
        has_clock = "h" in letters or "s" in letters
        if is_timedelta_format(form):
            return "duration"
        if "d" in letters or "y" in letters or not has_clock:
            return "moment" if has_clock else "day"
        return "seconds" if "s" in letters else "minutes"
    first = form.split(";", 1)[0]
    return len(first) if _ZEROS.fullmatch(first) else 0


def _write_long_number(raw: str, width: int) -> CellText | CellProblem:
    try:
        number = Decimal(raw)
    except InvalidOperation:  # its exponent has more digits than are computed with
        return CellProblem.ERROR
    if number.adjusted() > MOST_DIGITS:
        return CellText(raw, "unsure")
    if number != number.to_integral_value():
        return CellText(repr(float(number)), "unsure")
    sign, digits = "-" * (number < 0), str(abs(int(number)))
    stored: Stored = "unsure" if len(digits) > CERTAIN_DIGITS else "padded" if width > 1 else "number"
    return CellText(sign + digits.zfill(width), stored)


@lru_cache(maxsize=MOST_DAYS_KEPT)
def _write_moment(raw: str, kind: str, epoch: datetime) -> CellText | CellProblem:
    """A moment as ISO 8601 writes it: what its format leaves out is left out only where it is nothing.

    >>> _write_moment("46112.34375", "day", datetime(1899, 12, 30)).text
    '2026-03-31T08:15:00'
    >>> _write_moment("0.34375", "minutes", datetime(1899, 12, 30)).text
    '08:15'
    """
    try:
        serial = float(raw)
        found = from_excel(serial, epoch, timedelta=kind == "duration")
    except (ValueError, OverflowError):
        return CellProblem.NO_DAY
    if serial < 0 or (serial < 1 and kind in {"day", "moment"}):
        return CellProblem.NO_DAY
    if isinstance(found, timedelta):
        minutes, seconds = divmod(round(found.total_seconds()), 60)
        return CellText(f"{minutes // 60:02d}:{minutes % 60:02d}:{seconds:02d}", "moment")
    if isinstance(found, time):
        exact = "minutes" if kind == "minutes" and not found.second else "seconds"
        return CellText(found.isoformat(timespec="milliseconds" if found.microsecond else exact), "moment")
    if kind == "day" and found.time() == time():
        return CellText(found.date().isoformat(), "moment")
    return CellText(found.isoformat(timespec="milliseconds" if found.microsecond else "seconds"), "moment")


def describe_column(place: int) -> str:
    """The letters of a column, from its place, counted from 0.

    >>> describe_column(0), describe_column(25), describe_column(26)
    ('A', 'Z', 'AA')
    """
    letters = ""
    while place >= 0:
        place, rest = divmod(place, 26)
        letters = chr(ord("A") + rest) + letters
        place -= 1
    return letters
