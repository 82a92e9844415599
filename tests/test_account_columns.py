"""Columns of texts are judged as each text is alone; what an account number is, tests/test_accounts.py checks."""

from __future__ import annotations

import numpy as np
import polars as pl
from hypothesis import given
from hypothesis import strategies as st

from credkit.privacy.account_columns import are_account_numbers, hold_accounts
from credkit.privacy.accounts import holds_account
from credkit.privacy.accountsearch import ISSUERS
from tests.commandline import ACCOUNT
from tests.tracks import TRACK_1, TRACK_2

# Prefixes in use and the digits before and behind each, so that both sides of every bound are met.
PREFIXES = sorted(
    {str(int(each) + step) for first, last, _ in ISSUERS for each in (first, last) for step in (-1, 0, 1)}
)
DIGITS = st.text("0123456789", max_size=20)
NUMBERS = st.builds(lambda prefix, rest: prefix + rest, st.sampled_from(PREFIXES), DIGITS)
TEXTS = st.one_of(
    DIGITS,
    NUMBERS,
    st.builds(lambda zeros, number: "0" * zeros + number, st.integers(0, 6), NUMBERS),
    st.lists(st.sampled_from([*"0145=^;%B?D -/A\n٤", ACCOUNT, TRACK_1, TRACK_2])).map("".join),
)


def with_check_digits(texts: list[str]) -> list[str]:
    """Each text with every last digit, one of which is the right one where it is nothing but digits."""
    return [text[:-1] + digit for text in texts for digit in "0123456789"]


@given(st.lists(TEXTS))
def test_texts_are_judged_as_alone(texts: list[str]) -> None:
    texts = with_check_digits(texts)
    assert hold_accounts(pl.Series(texts, dtype=pl.String)).tolist() == [holds_account(text) for text in texts]


@given(st.lists(NUMBERS.filter(lambda text: int(text) < 1 << 63)))
def test_numbers_are_judged_as_their_digits(texts: list[str]) -> None:
    numbers = [int(text) for text in with_check_digits(texts)]
    found = are_account_numbers(np.array(numbers, np.uint64)).tolist()
    assert found == [holds_account(str(number)) for number in numbers]


def test_account_numbers_are_found_among_these_texts() -> None:
    """The laws above would be met by finding nothing in texts that hold nothing."""
    many = with_check_digits([prefix + "0" * size for prefix in PREFIXES for size in range(8, 18)])
    assert 100 < hold_accounts(pl.Series(many)).sum() < len(many) / 10 + 1
