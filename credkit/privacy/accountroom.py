"""Room for an account number: the quick question that comes before the search for one.

Most texts have no room for 12 digits and no sign of a track; for those the search is not even loaded.

Source: ISO/IEC 7812-1 (lengths, first digits in use).
"""

from __future__ import annotations

import re

from credkit.core.checks import DIGITS

ACCOUNT_DIGITS = range(12, 20)
CLEAR_DIGITS = 6, 4  # digits at the start and at the end that may be shown
BLANKS = " \u00a0\u202f-"  # between groups of any size, mixed; the hyphen comes last in the classes below, as no range
JOINTS = "./_:,\t"  # between groups of at least two digits, always the same one

FEWEST_ACCOUNT_DIGITS = 11  # of a number that a spreadsheet shortened, or a track with one garbled character
_MORE_DIGITS = rf"(?:[{JOINTS}{BLANKS}]?[0-9]){{{FEWEST_ACCOUNT_DIGITS - 1}}}"
_NUMBER = re.compile(f"[2-6]{_MORE_DIGITS}")

# For those who look at many texts by a kernel: what every text has in which `may_hold_account` finds room, ...
ACCOUNT_ROOM_PATTERN = f"[=;^%]|{_NUMBER.pattern}"
# ... and what it has where it was typed under another keyboard layout, as nothing but digits and letters.
TYPED_ROOM_PATTERN = f"[=^]|[0-9]{_MORE_DIGITS}"
# What every text has that holds a payment track that reads well: a number and a separator behind it, D in chip data.
TRACK_ROOM_PATTERN = rf"(?:[0-9][{JOINTS}{BLANKS}]?){{11}}[0-9][=Dd^]"
SHORTEST_TRACK = 13  # bytes of a text in which that pattern may be found

_TRACK_ROOM = re.compile(TRACK_ROOM_PATTERN)


def may_hold_account(text: str) -> bool:
    """Whether it is worth looking for an account number or a payment track in ``text``.

    >>> may_hold_account("4114360123456786"), may_hold_account("facility=123 number=45678")
    (True, False)
    """
    if len(text) < ACCOUNT_DIGITS.start:
        return False
    if _NUMBER.search(text):
        return True
    # A track whose number has one garbled character: a start sentinel, and a separator behind the number.
    has_signs = (";" in text or "%" in text) and ("=" in text or "^" in text)
    return has_signs and sum(map(text.count, DIGITS)) >= FEWEST_ACCOUNT_DIGITS


def may_hold_track(text: str) -> bool:
    """Whether it is worth looking for a payment track that reads well in ``text``.

    >>> may_hold_track(";4114360123456785=3012?"), may_hold_track(";57000042184=01?")
    (True, False)
    """
    return _TRACK_ROOM.search(text) is not None and may_hold_account(text)
