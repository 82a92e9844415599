"""Suspects: of many texts those that may hold payment data, in whatever notation.

`credkit.privacy.payment` looks at every value that a chain makes of a text. For most texts it is plain that
none of these has room for an account number; those are told apart here, and the others are looked at.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from credkit.bulk.words import Array
from credkit.core.codec import AnyCodec
from credkit.core.reading import TextField
from credkit.facts.texts import branches
from credkit.privacy.account_columns import are_account_numbers, hold_accounts
from credkit.privacy.accountroom import ACCOUNT_DIGITS, ACCOUNT_ROOM_PATTERN
from credkit.privacy.accounts import holds_account
from credkit.privacy.payment import (
    digit_fields,
    has_account_room,
)


def may_hold_account(codec: AnyCodec, texts: pl.Series, fields: Mapping[str, Array]) -> Array:
    """The rows that may hold an account number, of those that ``codec`` reads (``fields`` are what it gives)."""
    long = (texts.str.len_bytes() >= ACCOUNT_DIGITS.start).to_numpy()
    found = hold_accounts(texts) if long.any() else long
    if not has_account_room(codec):
        return found
    for branch in branches(codec):
        roomy = [step for step in branch.steps if has_account_room(step)]
        if any(step.takes == "bits" and step.gives == "text" for step in roomy):
            return np.ones(len(texts), bool)
        if any(step.gives == "text" or _gives_texts(step) for step in roomy):
            found = found | long  # no step makes a text longer
        numbers = [step for step in roomy if step.gives == "fields" and not _gives_texts(step)]
        if len(numbers) > 1 or (numbers and numbers[0] is not branch.steps[-1]):
            return np.ones(len(texts), bool)
    for name, column in fields.items():
        if column.dtype != np.uint64 or name in digit_fields(codec):
            found = found | numbers_like_accounts(column)
    return found


def _gives_texts(step: AnyCodec) -> bool:
    rows = step.output.schema
    return step.gives == "fields" and (rows is None or any(isinstance(row, TextField) for row in rows.values()))


def texts_with_room(texts: pl.Series) -> list[str]:
    """The different ``texts`` that have room for an account number.

    >>> texts_with_room(pl.Series(["4114 3601 2345 6785", "02F764DD"]))
    ['4114 3601 2345 6785']
    """
    long = texts.filter(texts.str.len_bytes() >= ACCOUNT_DIGITS.start)
    return long.filter(long.str.contains(ACCOUNT_ROOM_PATTERN)).unique().to_list() if len(long) else []


def numbers_like_accounts(column: Array) -> Array:
    """The rows of a column of fields that look like account numbers."""
    if column.dtype == np.uint64:
        return are_account_numbers(column)
    return np.array([item is not None and holds_account(str(item)) for item in column.tolist()], bool)
