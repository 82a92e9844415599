"""Accounts: payment account numbers and payment tracks in a text, and what may be shown of them.

    4114360123456785                         411436******6785
    ;4114360123456785=30121010000000000?     ;411436******6785=*****************?
    %B4114360123456785^NAME^3012101000?      %B411436******6785^****^**********?

A number alone is known by its length, its first digit and its check digit. A track is known by its
shape: one garbled character, the check digit wrong by it, must not uncover all the others. Of a
number the first six and the last four digits may be shown, and of the rest of a track nothing.
Other numbers can look like these: about one in twenty of 13 to 19 digits does. Tracks of driving
licences have the shape, too; their issuers are numbered apart, so they are told by that.

Source: ISO/IEC 7812-1 (lengths, first digits, check digit), ISO/IEC 7813 (what stands in a track).
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Sequence
from typing import NamedTuple

from credkit.checks import DIGITS, luhn

ACCOUNT_DIGITS = range(13, 20)
FIRST = "23456"  # the major industry digits of payment cards (ISO/IEC 7812-1)
CLEAR = 6, 4  # digits at the start and at the end that may be shown

# What every text has that `masked` changes or that holds a track, for those who look at many texts by a kernel.
ROOM = r"[=^]|[0-9](?:[ -]?[0-9]){11}"

# Numbers: single blanks or hyphens may stand between groups of digits.
_ROOM = re.compile(r"[2-6](?:[ -]?[0-9]){12}")
_RUN = re.compile(r"[0-9](?:[ -]?[0-9]){12,}")
_GROUP = re.compile("[0-9]+")
_BEHIND = re.compile(r"[=Dd][0-9]{4}|\^")  # what makes a number the start of a track; D is = in chip data

# Issuers of driving licences (AAMVA, from memory): 636000 and on, 604426 and on.
_LICENCE = "(?!6360|6044)"
_BEGINS = re.compile(_LICENCE)

# Expiry (year, month) and service code of a track, ISO/IEC 7813; the digits of the code are from memory.
_DATED = "[0-9]{2}(?:0[1-9]|1[0-2])[125679][024][0-7]"
_REST = rf"(?:=|\^[^?^]{{2,26}}\^){_DATED}"
_TRACK = re.compile(
    r"(?:;|%[Bb])(?:"
    rf"(?P<number>{_LICENCE}[2-6][0-9]{{12,18}})(?![0-9])|"  # whatever comes behind: the separator may be garbled
    rf"(?P<garbled>(?!00)[^2-6][0-9]{{12,18}}|[2-6][0-9]{{0,17}}[^0-9][0-9]{{0,17}})(?={_REST})|"
    rf"(?P<glued>{_LICENCE}[2-6][0-9]{{19,}}))"  # the separator became a digit, or is gone
    rf"|(?<![0-9;])[0-9](?P<digit>{_LICENCE}[2-6][0-9]{{12,18}})(?={_REST})"  # the start sentinel became a digit
)
_DATE = re.compile(f"[0-9]?{_DATED}")
_SAID = re.compile(r"[^\W_]")
_END = re.compile(r"""\?(?=[;%+\s"'\\),\]}]|\Z)""")  # an end sentinel in the middle of a track is a garbled character


def masked(text: str) -> str:
    """``text`` with every number that could be a payment account number cut to first six, last four.

    A number counts when it has 13 to 19 digits, begins with 2 to 6 and its last digit is the Luhn
    check digit (ISO/IEC 7812-1); zeros before it, and other groups of digits beside it, do not hide
    it. Within a longer run of digits it is not looked for: too many plain numbers would match. In a
    payment track every letter and digit behind the number is hidden too, up to the end sentinel or
    the end of the text; there the check digit does not count. The examples are made of the test
    number of the WHATWG HTML standard.

    >>> masked("track 4114360123456785=30")
    'track 411436******6785=30'
    >>> masked("0004114360123456785"), masked("4114-3601-2345-6785 203")
    ('000411436******6785', '4114-36**-****-6785 203')
    >>> masked("serial 4114360123456786")
    'serial 4114360123456786'
    >>> masked(";4114360123456786=30121010000000000?")
    ';411436******6786=*****************?'
    """
    if not _suspect(text):
        return text
    found = _found(text)
    hide = {place for each in found for place in each.hide}
    for each in found:
        start, stop = each.behind
        hide.update(place for place in range(start, stop) if _SAID.match(text, place))
    return "".join("*" if place in hide else char for place, char in enumerate(text)) if hide else text


def hidden(text: str, only: Collection[str] = ()) -> str:
    """``text`` with nothing in clear but the first six and last four digits of its account numbers.

    With ``only``, those of these numbers: what stands behind the number of a track can look like one, too.

    >>> hidden("gate 7: ;4114360123456785=3012?"), hidden("EAST 12")
    ('**** ** *411436******6785******', '**** **')
    """
    found = _found(text) if _suspect(text) else []
    clear = {place for each in found if not only or each.number in only for place in each.clear}
    for each in found:
        clear.difference_update(each.hide, range(*each.behind))
    return "".join(char if place in clear or char.isspace() else "*" for place, char in enumerate(text))


def holds_account(text: str) -> bool:
    """Whether ``text`` holds a number that looks like a payment account number, or a payment track.

    >>> holds_account(";4114360123456785=30?"), holds_account("02F764DD")
    (True, False)
    """
    return _suspect(text) and bool(_found(text))


def holds_track(text: str) -> bool:
    """Whether ``text`` holds a payment track: a number with more behind it, not a number alone.

    >>> holds_track("read ;4114360123456785=3012?"), holds_track(";4114360123456785?")
    (True, False)
    """
    return bool(tracks(text))


def tracks(text: str) -> frozenset[str]:
    """The numbers of the payment tracks in ``text``.

    >>> tracks("%B4114360123456785^NAME^3012101?;4114360123456785=3012101?")
    frozenset({'4114360123456785'})
    """
    found = _found(text) if _suspect(text) else []
    return frozenset(each.number for each in found if _SAID.search(text, *each.behind))


def _suspect(text: str) -> bool:
    """Whether it is worth looking: most texts have no room for a number, or no sign of a track."""
    if len(text) < ACCOUNT_DIGITS.start:
        return False
    return ";" in text or "=" in text or "%" in text or "^" in text or _ROOM.search(text) is not None


class _Found(NamedTuple):
    """A number in a text: the places to hide, those that may be shown, and the stretch of its track behind it."""

    number: str
    hide: Sequence[int]
    clear: Sequence[int]
    behind: tuple[int, int] = (0, 0)


def _found(text: str) -> list[_Found]:
    found: list[_Found] = []
    for start, stop, whole in _tracks(text):
        last = stop - CLEAR[1] if whole else start + CLEAR[0]
        found.append(
            _Found(
                number=text[start:stop], hide=range(start + CLEAR[0], last),
                clear=(*range(start, start + CLEAR[0]), *range(last, stop)),
                behind=(stop if whole else last, _end(text, stop)),
            )
        )  # fmt: skip
    reach = 0  # how far a track goes whose start sentinel is lost
    for places in _numbers(text):
        stop = places[-1] + 1
        behind = 0, 0
        if stop > reach and _BEHIND.match(text, stop) and _BEGINS.match(text, places[0]):
            behind = stop, _end(text, stop)
            reach = behind[1]
        found.append(
            _Found(
                number="".join(text[place] for place in places), hide=places[CLEAR[0] : -CLEAR[1]],
                clear=(*places[: CLEAR[0]], *places[-CLEAR[1] :]), behind=behind,
            )
        )  # fmt: skip
    return found


def _end(text: str, start: int) -> int:
    """Where the track ends whose number ends at ``start``."""
    end = _END.search(text, start)
    return end.start() if end else len(text)


def _numbers(text: str) -> Iterator[Sequence[int]]:
    """The places of the digits of every account number: of neighbouring groups, without the zeros before them."""
    for run in _RUN.finditer(text):
        groups = [match.span() for match in _GROUP.finditer(text, *run.span())]
        for first, (start, stop) in enumerate(groups):
            while start < stop and text[start] == "0":
                start += 1
            if start == stop or text[start] not in FIRST or stop - start >= ACCOUNT_DIGITS.stop:
                continue
            places = [*range(start, stop)]
            for start, stop in (*groups[first + 1 : first + ACCOUNT_DIGITS.stop], (0, 0)):
                if len(places) >= ACCOUNT_DIGITS.stop:
                    break
                if len(places) in ACCOUNT_DIGITS and _is_account("".join(text[place] for place in places)):
                    yield tuple(places)
                places += range(start, stop)


def _tracks(text: str) -> Iterator[tuple[int, int, bool]]:
    """Where the number of every track begins and ends; False where it is not known which of it is the number."""
    at = 0
    while match := _TRACK.search(text, at):
        how = match.lastgroup or ""
        start, stop = match.span(how)
        at = start
        if how == "number" or (how == "digit" and _is_account(match[how])):
            yield start, stop, True
        elif (how == "garbled" and _repairable(match[how])) or (how == "glued" and _glued(text, start)):
            yield start, stop, False
        else:
            continue
        at = _end(text, stop)


def _repairable(number: str) -> bool:
    """Whether one digit in place of what is wrong makes it an account number."""
    wrong = 0 if number[0] not in FIRST else next(place for place, char in enumerate(number) if char not in DIGITS)
    return any(_is_account(f"{number[:wrong]}{digit}{number[wrong + 1 :]}") for digit in DIGITS)


def _glued(text: str, start: int) -> bool:
    """Whether an account number begins at ``start``, and what a track has behind it follows without a separator."""
    ends = (start + size for size in ACCOUNT_DIGITS)
    return any(_DATE.match(text, end) and _is_account(text[start:end]) for end in ends)


def _is_account(digits: str) -> bool:
    return len(digits) in ACCOUNT_DIGITS and digits[0] in FIRST and luhn(digits[:-1]) == digits[-1]
