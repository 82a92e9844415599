"""The search for account numbers and payment tracks in a text that has room for one.

A number begins with the prefix of an issuer that gives numbers of its length, and ends in the Luhn check
digit. A track may have one garbled character, and its check digit may be wrong by it, so it is known by
its shape too. Tracks of driving licences have the shape of payment tracks; their issuers have prefixes of
their own.

Source: ISO/IEC 7812-1 (lengths, prefixes, check digit), ISO/IEC 7813 (what stands in a track), EMV Book 3
(tags 5A and 57 of chip data), EMV Contactless Book C-2 (tag 9F6B, from memory); the prefixes in use are from memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

from credkit.core.checks import DIGITS, luhn_check_digit
from credkit.privacy.accountroom import ACCOUNT_DIGITS, BLANKS, CLEAR_DIGITS, JOINTS

WIDEST_GROUP = 10  # digits of one of several groups: with more, these are two numbers side by side

# The prefixes of issuers, from the first to the last, and how many digits their numbers have.
ISSUERS = (
    ("2200", "2204", range(16, 20)),
    ("2221", "2720", range(16, 17)),
    ("300", "305", range(14, 15)),
    ("34", "34", range(15, 16)),
    ("3528", "3589", range(16, 17)),
    ("36", "36", range(14, 15)),
    ("37", "37", range(15, 16)),
    ("38", "39", range(14, 15)),
    ("4", "4", range(13, 20, 3)),
    ("50", "50", range(16, 17)),
    ("5018", "5018", range(12, 20)),
    ("5020", "5020", range(12, 20)),
    ("5038", "5038", range(12, 20)),
    ("51", "55", range(16, 17)),
    ("5893", "5893", range(12, 20)),
    ("60", "60", range(16, 17)),
    ("62", "62", range(16, 20)),
    ("6304", "6304", range(12, 20)),
    ("636", "639", range(16, 17)),
    ("644", "649", range(16, 20, 3)),
    ("65", "65", range(16, 20, 3)),
    ("6759", "6759", range(12, 20)),
    ("6761", "6763", range(12, 20)),
)
ISSUER_FIRST_DIGITS = "23456"  # the first digits of these prefixes
LONGEST_PREFIX = max(len(first) for first, *_ in ISSUERS)

_DIGIT_RUN = re.compile(rf"[0-9](?:[{JOINTS}{BLANKS}]?[0-9]){{11,}}")
_DIGIT_GROUP = re.compile("[0-9]+")
_TRACK_REST_START = re.compile(r"[ :-]?[=Dd][ :-]?[0-9][ :-]?[0-9][ :-]?[0-9][ :-]?[0-9]|\^")  # D is = in chip data

# A number as spreadsheets shorten it: one digit, others behind a point or comma, and the exponent.
_SHORTENED = re.compile(r"(?<![0-9])([2-6])[.,]([0-9]{10,18})[Ee]\+?(1[1-8])(?![0-9])")

# Chip data, EMV Book 3: a tag, the number of bytes, four bits a digit, F where a half is left over.
_APPLICATION_NUMBER = re.compile("5[Aa]0([6-9Aa])(?=[0-9]{11})")
_TRACK_EQUIVALENT = re.compile("(?:57|9[Ff]6[Bb])[01][0-9A-Fa-f](?=([0-9]{12,19})[Dd])")

# Issuers of driving licences (AAMVA, from memory): 636000 and on, 604426 and on.
_LICENCE = "(?!6360|6044)"
_BEGINS = re.compile(_LICENCE)

# Expiry (year, month) and service code of a track, ISO/IEC 7813; the digits of the code are from memory.
_MONTH = "[0-9]{2}(?:0[1-9]|1[0-2])"
_DATED = f"{_MONTH}[125679][024][0-7]"
_NAME = r"\^[^?^]{2,26}\^"
_REST = rf"(?:=|{_NAME}){_DATED}"
# A start sentinel, or the digit that one became.
_START = re.compile("(?:;|%[Bb])|(?<![1-9;])[0-9](?=[2-6][0-9]{11,18}[=^])")
_NUMBER = re.compile(rf"{_LICENCE}[2-6][0-9]{{11,18}}(?![0-9])")  # whatever comes behind: the separator may be garbled
_GARBLED = re.compile(rf"(?:(?!00)[^2-6][0-9]{{11,18}}|[2-6][0-9]{{0,17}}[^0-9][0-9]{{0,17}})(?={_REST})")
_GLUED = re.compile(rf"{_LICENCE}[2-6][0-9]{{12,}}")  # the separator became a digit, or is gone
_GLUED_REST = re.compile(rf"[0-9]?{_DATED}|[0-9][^?^]{{2,26}}\^{_DATED}")
_LIKE_A_REST = re.compile(rf"[^0-9](?:{_DATED}|{_MONTH}(?![0-9]))|{_NAME}{_DATED}")  # with any separator
_WHOLE_REST = re.compile(rf"(?:[=Dd]|{_NAME})(?:{_DATED}|{_MONTH}(?![0-9]))")
_DATED_REST = re.compile(_REST)
_END = re.compile(r"""\?(?=[;%+\s"'\\),\]}]|\Z)""")  # an end sentinel in the middle of a track is a garbled character


class FoundNumber(NamedTuple):
    """A number in a text: the places to hide, those that may be shown, and the stretch of its track behind it.

    ``whole`` says that the track reads well.
    """

    number: str
    hide: Sequence[int]
    clear: Sequence[int]
    behind: tuple[int, int] = (0, 0)
    whole: bool = False


def find_numbers(text: str) -> Iterator[FoundNumber]:
    """Every number in a text, payment tracks first."""
    for start, stop, known in _track_spans(text):
        last = stop - CLEAR_DIGITS[1] if known else start + CLEAR_DIGITS[0]
        number = text[start:stop]
        rest = (_WHOLE_REST if known and _is_account(number) else _DATED_REST).match(text, stop)
        yield FoundNumber(
            number=number, hide=range(start + CLEAR_DIGITS[0], last),
            clear=(*range(start, start + CLEAR_DIGITS[0]), *range(last, stop)),
            behind=(stop if known else last, _track_end(text, stop)),
            whole=known and rest is not None and is_issued(number),
        )  # fmt: skip
    reach = 0  # how far a track goes whose start sentinel is lost
    for places in _account_places(text):
        stop = places[-1] + 1
        behind = 0, 0
        track = stop > reach and _BEGINS.match(text, places[0]) is not None
        if track and _TRACK_REST_START.match(text, stop):
            behind = stop, _track_end(text, stop)
            reach = behind[1]
        yield FoundNumber(
            number="".join(text[place] for place in places), hide=places[CLEAR_DIGITS[0] : -CLEAR_DIGITS[1]],
            clear=(*places[: CLEAR_DIGITS[0]], *places[-CLEAR_DIGITS[1] :]), behind=behind,
            whole=track and _WHOLE_REST.match(text, stop) is not None,
        )  # fmt: skip


def _track_end(text: str, start: int) -> int:
    """Where the track ends whose number ends at ``start``."""
    end = _END.search(text, start)
    return end.start() if end else len(text)


def _account_places(text: str) -> Iterator[Sequence[int]]:
    """The places of the digits of every account number."""
    for run in _DIGIT_RUN.finditer(text):
        yield from _grouped_account_places(text, [match.span() for match in _DIGIT_GROUP.finditer(text, *run.span())])
    yield from _shortened_account_places(text)
    for tag in _APPLICATION_NUMBER.finditer(text):
        stop = tag.end() + 2 * int(tag[1], 16)
        number = text[tag.end() : stop].rstrip("Ff")
        if _is_account(number):
            yield range(tag.end(), tag.end() + len(number))
    for tag in _TRACK_EQUIVALENT.finditer(text):
        if _is_account(tag[1]):
            yield range(*tag.span(1))


def _grouped_account_places(text: str, groups: Sequence[tuple[int, int]]) -> Iterator[Sequence[int]]:
    """The account numbers in one of ``groups`` of digits, or several side by side, without the zeros before them."""
    for first, (start, stop) in enumerate(groups):
        while start < stop and text[start] == "0":
            start += 1
        if start == stop or text[start] not in ISSUER_FIRST_DIGITS:
            continue
        number, places = text[start:stop], [*range(start, stop)]
        if _is_account(number):
            yield tuple(places)
        joint = ""
        for before, (start, stop) in pairwise(groups[first : first + ACCOUNT_DIGITS.stop]):
            between = text[before[1]]
            between = BLANKS if between in BLANKS else between
            least = 1 if between == BLANKS else 2
            joint = joint or between
            if joint != between or max(before[1] - before[0], stop - start) > WIDEST_GROUP or stop - start < least:
                break
            number += text[start:stop]
            places += range(start, stop)
            if len(number) >= ACCOUNT_DIGITS.stop or not _has_issuer_prefix(number):
                break
            if _is_account(number):
                yield tuple(places)


def _shortened_account_places(text: str) -> Iterator[Sequence[int]]:
    """The places of the digits of account numbers in a spreadsheet's notation; the last ones may be lost."""
    for match in _SHORTENED.finditer(text):
        size = int(match[3]) + 1
        places = (match.start(1), *range(match.start(2), match.end(2)))[:size]
        number = "".join(text[place] for place in places)
        if _is_account(number) if len(number) == size else is_issued(number, size):
            yield places


def _track_spans(text: str) -> Iterator[tuple[int, int, bool]]:
    """Where the number of every track begins and ends; False where it is not known which of it is the number."""
    at = 0
    while sentinel := _START.search(text, at):
        at = start = sentinel.end()
        digit = sentinel[0] in DIGITS
        if (match := _NUMBER.match(text, start)) and (
            _is_account(match[0]) and _DATED_REST.match(text, match.end())
            if digit
            else _is_track_head(text, *match.span())
        ):
            yield start, match.end(), True
        elif not digit and (
            ((match := _GARBLED.match(text, start)) and _is_repairable(match[0]))
            or ((match := _GLUED.match(text, start)) and _is_glued(text, start))
        ):
            yield start, match.end(), False
        else:
            continue
        at = _track_end(text, match.end())


def _is_track_head(text: str, start: int, stop: int) -> bool:
    """Whether digits behind a start sentinel are an account number, or a garbled one with the rest of its track."""
    number = text[start:stop]
    return _is_account(number) or (_LIKE_A_REST.match(text, stop) is not None and _is_repairable(number))


def _is_repairable(number: str) -> bool:
    """Whether one digit in place of what is wrong makes it an account number."""
    strange = next((place for place, char in enumerate(number) if char not in DIGITS), None)
    if strange is None and number[0] in ISSUER_FIRST_DIGITS and is_issued(number):
        return True  # whatever digit is wrong, the check digit could be it
    wrong = range(min(LONGEST_PREFIX, len(number))) if strange is None else (strange,)
    return any(_is_account(f"{number[:place]}{digit}{number[place + 1 :]}") for place in wrong for digit in DIGITS)


def _is_glued(text: str, start: int) -> bool:
    """Whether an account number begins at ``start``, and what a track has behind it follows without a separator."""
    ends = (start + size for size in ACCOUNT_DIGITS)
    return any(_GLUED_REST.match(text, end) and _is_account(text[start:end]) for end in ends)


def _is_account(digits: str) -> bool:
    return is_issued(digits) and digits.isdecimal() and luhn_check_digit(digits[:-1]) == digits[-1]


def is_issued(number: str, size: int = 0) -> bool:
    """Whether numbers of ``size`` digits (as many as it has) that begin like this one are payment account numbers."""
    length = size or len(number)
    return length in ACCOUNT_DIGITS and any(length in lengths for lengths in _issued_lengths(number[:LONGEST_PREFIX]))


def _has_issuer_prefix(number: str) -> bool:
    """Whether an account number may begin like this."""
    return len(number) < LONGEST_PREFIX or bool(_issued_lengths(number[:LONGEST_PREFIX]))


@lru_cache(maxsize=1 << 14)
def _issued_lengths(begin: str) -> tuple[range, ...]:
    """The lengths of the account numbers that begin like this."""
    return tuple(lengths for first, last, lengths in ISSUERS if first <= begin[: len(first)] <= last)
