"""Masks: what a screen may show of a value that holds a number like a payment account number."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from credkit.errors import masked

_HIDE = re.compile(r"[^\W_]")


def holds_account(text: str) -> bool:
    """Whether ``text`` holds a number that looks like a payment account number.

    The number is the example of the WHATWG HTML standard.

    >>> holds_account(";4114360123456785=30?"), holds_account("02F764DD")
    (True, False)
    """
    return masked(text) != text


def starred(value: Any) -> Any:
    """``value`` with account numbers masked and, where there is none, every letter and digit hidden.

    >>> starred({"facility": 12}), starred("4114360123456785=30")
    ({'facility': '**'}, '411436******6785=30')
    """
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, Mapping):
        return {name: starred(item) for name, item in value.items()}
    text = str(value)
    return masked(text) if holds_account(text) else _HIDE.sub("*", text)


def value_masked(value: Any) -> Any:
    """A value as JSON may hold it: account numbers masked, wherever in it (a number becomes a text by that).

    >>> value_masked({"number": 4114360123456785, "at": [1]})
    {'number': '411436******6785', 'at': [1]}
    """
    if isinstance(value, Mapping):
        return {value_masked(name): value_masked(item) for name, item in value.items()}
    if isinstance(value, list | tuple):
        return [value_masked(item) for item in value]
    if value is None or isinstance(value, bool):
        return value
    return masked(str(value)) if holds_account(str(value)) else value
