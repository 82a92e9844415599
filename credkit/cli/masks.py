"""Masks: what a screen may show of a value that holds a number like a payment account number."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from credkit.privacy.accounts import hide_all_but_account_ends, holds_account, mask_accounts


def star_out(value: Any, only: Collection[str] = ()) -> Any:
    """``value`` with nothing in clear but the first six and last four digits of account numbers.

    With ``only``, those of these numbers.

    >>> star_out({"facility": 12}), star_out("4114360123456785=30")
    ({'facility': '**'}, '411436******6785***')
    """
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, Mapping):
        return {name: star_out(item, only) for name, item in value.items()}
    return hide_all_but_account_ends(str(value), only)


def mask_value(value: Any, safe: Collection[str] = ()) -> Any:
    """A value as JSON may hold it: account numbers masked, wherever in it (a number becomes a text by that).

    What is called as in ``safe`` is left as it is: it was made to be shown.

    >>> mask_value({"number": 4114360123456785, "at": [1]})
    {'number': '411436******6785', 'at': [1]}
    """
    if isinstance(value, Mapping):
        return {mask_value(name): item if name in safe else mask_value(item, safe) for name, item in value.items()}
    if isinstance(value, list | tuple):
        return [mask_value(item, safe) for item in value]
    if value is None or isinstance(value, bool):
        return value
    return mask_accounts(str(value)) if holds_account(str(value)) else value
