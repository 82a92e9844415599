"""The register's own form of numbers: what people find in their list, such as 88-00999 where the fields are 88 and 999.

The number of a row has the form of the row itself. A number that no row has is encoded through the chain of its kind's
``value``. Where the kind has an issue, which is no part of the value, it stands behind.
"""

from __future__ import annotations

from functools import lru_cache

import polars as pl

from credkit.core.codec import AnyCodec
from credkit.core.errors import CredkitError
from credkit.core.fields import Item
from credkit.facts.numbers import Number, format_number
from credkit.site.model import CredentialKind

MOST_NUMBERS_KEPT = 1 << 14  # numbers whose forms are kept: the readings of one name it many times


def join_issue(value: str, issue: Item | None) -> str:
    """The form of a number: a value, with the issue that belongs to it, if any.

    >>> join_issue("88-00999", None), join_issue("000345", 2)
    ('88-00999', '000345 issue 2')
    """
    return value if issue is None else f"{value} issue {issue}"


def join_issues(kind: CredentialKind, values: pl.Series, issues: pl.Series) -> pl.Series:
    """The forms of many numbers of a kind: their values, with the issues where the kind has one."""
    return values + " issue " + issues.cast(pl.String) if kind.issue else values


def encode_number(kind: CredentialKind, number: Number) -> str:
    """A number as the register would write it; its fields where the chain of ``value`` does not write it uniquely."""
    return _encode(kind.value, kind.key, kind.issue, number)


@lru_cache(maxsize=MOST_NUMBERS_KEPT)
def _encode(value: AnyCodec, key: tuple[str, ...], issue_field: str | None, number: Number) -> str:
    fields = dict(zip(key, number.values, strict=True))
    issue = fields.pop(issue_field, None) if issue_field else None
    try:
        text = value.encode(fields)
        found = value.decode(text)
    except CredkitError:
        return format_number(number)
    is_same = all(found[name] == item for name, item in fields.items())
    return join_issue(text, issue) if is_same else format_number(number)
