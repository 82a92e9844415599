"""Accounts: payment account numbers and payment tracks in a text, and what may be shown of them.

    4114360123456785                         411436******6785
    ;4114360123456785=30121010000000000?     ;411436******6785=*****************?
    %B4114360123456785^NAME^3012101000?      %B411436******6785^****^**********?

An account number is 12 to 19 digits that stand in a text as digits: they begin with the prefix of
an issuer that gives numbers of this length, and end in the Luhn check digit. Of random numbers of
16 digits one in thirty looks like that. Of a number the first six and the last four digits may be
shown, and nothing of the rest of a track. How they are found: `credkit.privacy.accountsearch`.

A number that is computed from bits (a serial number, a field of a frame) is no account number; neither
are digits of several fields that only stand side by side. Within a longer run of digits none is looked for.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from typing import TYPE_CHECKING

from credkit.privacy.accountroom import may_hold_account, may_hold_track

if TYPE_CHECKING:
    from credkit.privacy.accountsearch import FoundNumber


def mask_accounts(text: str) -> str:
    """``text`` with every number that could be a payment account number cut to first six, last four.

    Zeros before a number and other groups of digits beside it do not hide it. Its digits may stand
    in groups, in a spreadsheet's notation, or behind their tag in chip data. Of a payment track every
    letter and digit behind the number is hidden too, up to the end sentinel or the end of the text.
    The examples are made of the test number of the WHATWG HTML standard.

    >>> mask_accounts("track 4114360123456785=30")
    'track 411436******6785=30'
    >>> mask_accounts("0004114360123456785"), mask_accounts("4114-3601-2345-6785 203")
    ('000411436******6785', '4114-36**-****-6785 203')
    >>> mask_accounts("4.114360123456785E+15"), mask_accounts("5A084114360123456785")
    ('4.11436******6785E+15', '5A08411436******6785')
    >>> mask_accounts("serial 4114360123456786"), mask_accounts("224-4114360123456786")
    ('serial 4114360123456786', '224-4114360123456786')
    >>> mask_accounts(";4114360123456786=30121010000000000?")
    ';411436******6786=*****************?'
    """
    if not may_hold_account(text):
        return text
    found = list(_find(text))
    hide = {place for each in found for place in each.hide}
    for each in found:
        start, stop = each.behind
        hide.update(place for place in range(start, stop) if text[place].isalnum())
    return "".join("*" if place in hide else char for place, char in enumerate(text)) if hide else text


def redact_texts(texts: Sequence[str]) -> Sequence[str]:
    """The texts of one value as a sentence may show them: beside an account number nothing of the others is shown.

    >>> redact_texts(["4114360123456785"]), redact_texts(["4114360123456785", "3012"])
    (['411436******6785'], ['411436******6785', '****'])
    """
    if len(texts) > 1 and any(map(holds_account, texts)):
        return [hide_all_but_account_ends(text) for text in texts]
    return [mask_accounts(text) for text in texts]


def hide_all_but_account_ends(text: str, only: Collection[str] = ()) -> str:
    """``text`` with nothing in clear but the first six and last four digits of its account numbers.

    With ``only``, those of these numbers: what stands behind the number of a track can look like one, too.

    >>> hide_all_but_account_ends("gate 7: ;4114360123456785=3012?"), hide_all_but_account_ends("EAST 12")
    ('**** ** *411436******6785******', '**** **')
    """
    found = list(_find(text)) if may_hold_account(text) else []
    clear = {place for each in found if not only or each.number in only for place in each.clear}
    for each in found:
        clear.difference_update(each.hide, range(*each.behind))
    return "".join(char if place in clear or char.isspace() else "*" for place, char in enumerate(text))


def holds_account(text: str) -> bool:
    """Whether ``text`` holds a number that looks like a payment account number, or what is left of a payment track.

    >>> holds_account(";4114360123456785=30?"), holds_account("02F764DD")
    (True, False)
    """
    return may_hold_account(text) and any(True for _ in _find(text))


def holds_track(text: str) -> bool:
    """Whether ``text`` holds a payment track that reads well: a number, its separator and an expiry date behind it.

    A garbled track, or a number alone, is masked, but makes no file a file of payment tracks.

    >>> holds_track("read ;4114360123456785=3012?"), holds_track(";4114360123456785?")
    (True, False)
    """
    has_separator = "=" in text or "^" in text or "D" in text or "d" in text  # behind the number; D in chip data
    return has_separator and may_hold_track(text) and any(each.whole for each in _find(text))


def track_numbers(text: str) -> frozenset[str]:
    """The numbers of the payment tracks in ``text``, garbled ones too.

    >>> track_numbers("%B4114360123456785^NAME^3012101?;4114360123456785=3012101?")
    frozenset({'4114360123456785'})
    """
    if not may_hold_account(text):
        return frozenset()
    return frozenset(each.number for each in _find(text) if any(map(str.isalnum, text[slice(*each.behind)])))


def _find(text: str) -> Iterator[FoundNumber]:
    """The numbers in a text that may hold one; for many commands there is none, so the search is loaded here."""
    from credkit.privacy.accountsearch import find_numbers

    return find_numbers(text)
