"""Credential numbers: what a reading resolves to, and what makes one number another's duplicate."""

from __future__ import annotations

from typing import NamedTuple

from credkit.core.fields import Item


class Number(NamedTuple):
    """A credential number: its namespace, and the values of the fields that make it."""

    namespace: str
    values: tuple[Item, ...]


def format_number(number: Number) -> str:
    """The fields of a number, joined.

    >>> format_number(Number("harbour", (12, 345)))
    '12-345'
    """
    return "-".join(map(str, number.values))
