"""Exceptions: rows of input files that a person has to look at, with account numbers masked."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from itertools import islice

from credkit.privacy.accounts import hide_all_but_account_ends, mask_accounts

MOST_CANDIDATES_NAMED = 10  # that a row of exceptions.csv names


@dataclass(frozen=True, slots=True, kw_only=True)
class ExceptionRow:
    """A row of exceptions.csv: a row of an input file that a person has to look at, and why.

    ``reader``, ``time``, ``person`` and ``credential`` are there where the row, or the number in it, has one.
    """

    file: str
    line: int
    code: str
    reader: str = ""
    time: datetime | None = None
    person: str = ""
    credential: str = ""
    input: str
    reason: str
    candidates: tuple[str, ...] = ()


def make_exception(
    *, file: str, line: int, code: str, text: str, reason: str, candidates: Collection[str] = (),
    reader: str = "", time: datetime | None = None, person: str = "", credential: str = "",
    unmasked: bool = False, holds_account: bool = False,
) -> ExceptionRow:  # fmt: skip
    """An exception; account numbers are masked in all of it, and of many candidates the first are named.

    An ``unmasked`` text is left as it is; with ``holds_account`` it holds an account number in some notation.
    """
    named = tuple(map(mask_accounts, islice(candidates, MOST_CANDIDATES_NAMED))) if candidates else ()
    if len(candidates) > MOST_CANDIDATES_NAMED:
        named = (*named, f"and {len(candidates) - MOST_CANDIDATES_NAMED:,} more")
    hide = hide_all_but_account_ends if holds_account else mask_accounts
    return ExceptionRow(
        file=file, line=line, code=code, reader=reader, time=time, person=person, credential=credential,
        input=text if unmasked else hide(text), reason=reason,
        candidates=named,
    )  # fmt: skip
