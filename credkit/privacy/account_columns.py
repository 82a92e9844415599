"""Columns of texts: which of them hold a payment account number, with the answers that each text gets alone.

Most texts of a column are nothing but digits, or have no room at all. Those are judged by kernels; the others are
looked at one by one, each different one once.

Needs the extra ``site`` (numpy and polars).
"""

from __future__ import annotations

from functools import cache
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt
import polars as pl

from credkit.privacy.accountroom import ACCOUNT_DIGITS, ACCOUNT_ROOM_PATTERN
from credkit.privacy.accounts import holds_account
from credkit.privacy.accountsearch import LONGEST_PREFIX, is_issued

Array: TypeAlias = npt.NDArray[Any]


def hold_accounts(texts: pl.Series) -> Array:
    """For each text, whether `holds_account` finds a payment account number in it.

    >>> hold_accounts(pl.Series(["4114360123456785", "0004114360123456785", "4114360123456786", "A 4114360123456785"]))
    array([ True,  True, False,  True])
    """
    found = np.zeros(len(texts), bool)
    long = (texts.str.len_bytes() >= ACCOUNT_DIGITS.start).arg_true()
    if not len(long):
        return found
    rows = long.filter(texts.gather(long).str.contains(ACCOUNT_ROOM_PATTERN)).to_numpy()
    some = texts.gather(rows)
    digits = some.str.contains("^[0-9]+$")
    found[rows[digits.to_numpy()]] = _are_account_numbers(some.filter(digits))
    others = some.filter(~digits)
    private = [text for text in others.unique() if holds_account(text)]
    found[rows[~digits.to_numpy()]] = others.is_in(private).to_numpy()
    return found


def are_account_numbers(numbers: Array) -> Array:
    """For each number of 64 bits, whether its decimal digits are a payment account number.

    >>> are_account_numbers(np.array([4114360123456785, 4114360123456786, 785], np.uint64))
    array([ True, False, False])
    """
    found = np.zeros(len(numbers), bool)
    rows = np.flatnonzero(numbers >= np.uint64(10 ** (ACCOUNT_DIGITS.start - 1)))
    found[rows] = _are_account_numbers(pl.Series(numbers[rows], dtype=pl.UInt64).cast(pl.String))
    return found


def _are_account_numbers(texts: pl.Series) -> Array:
    """The same of texts that are nothing but digits: zeros in front do not count."""
    texts = texts.str.strip_chars_start("0")
    sizes = texts.str.len_bytes().to_numpy()
    found = np.isin(sizes, ACCOUNT_DIGITS)
    rows = np.flatnonzero(found)
    some, sizes = texts.gather(rows), sizes[rows]
    beginnings = some.str.head(LONGEST_PREFIX).cast(pl.UInt64).to_numpy()
    found[rows] = _issued()[sizes - 1, beginnings] & _pass_luhn(some.cast(pl.UInt64).to_numpy())
    return found


@cache
def _issued() -> Array:
    """By the size (from 1 on) and the first digits of a number: whether an issuer has such account numbers."""
    beginnings = [f"{begin:0{LONGEST_PREFIX}d}" for begin in range(10**LONGEST_PREFIX)]
    return np.array([[is_issued(begin, size) for begin in beginnings] for size in range(1, ACCOUNT_DIGITS.stop)])


def _pass_luhn(numbers: Array) -> Array:
    """For each number, whether its last digit is the Luhn check digit of the others (ISO/IEC 7812-1)."""
    total = np.zeros(len(numbers), np.uint64)
    rest, ten, doubled = numbers, np.uint64(10), np.array([0, 2, 4, 6, 8, 1, 3, 5, 7, 9], np.uint64)
    for place in range(ACCOUNT_DIGITS.stop - 1):
        rest, digit = np.divmod(rest, ten)
        total += doubled[digit] if place % 2 else digit
    passed: Array = total % ten == 0
    return passed
