"""What a site expects: the values that fields of its numbers may have, and which rows and hints have others.

An audit counts good rows with a value that is not expected, and lets expected ones decide between
causes that the checks do not tell apart. The crosswalk looks further: it compares with the register.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from credkit.bulk.words import Array
from credkit.core.fields import Item
from credkit.site.model import CredentialKind

UNEXPECTED = "unexpected-value"  # a note of rows whose checks pass; the crosswalk calls it the same

ExpectedValues = Mapping[str, frozenset[Item]]


def find_unexpected(kind: CredentialKind | None, fields: Mapping[str, Array], good: Array) -> Array:
    """The good rows with a value that is not expected of their kind; ``fields`` has a column each."""
    found = np.zeros(len(good), bool)
    for name, allowed in kind.expect.items() if kind else ():
        if name in fields:
            found |= good & ~_is_allowed(fields[name], allowed)
    return found


def is_expected(value: Any, expect: ExpectedValues) -> bool:
    """Whether nothing in a value is other than expected; what has no fields fits.

    >>> [is_expected({"facility": code, "number": 7}, {"facility": frozenset({12, 40})}) for code in (12, 3)]
    [True, False]
    """
    return not isinstance(value, Mapping) or all(value[name] in expect[name] for name in expect if name in value)


def _is_allowed(column: Array, allowed: frozenset[Item]) -> Array:
    """The rows of a column whose value is one of ``allowed``."""
    if column.dtype == np.uint64:
        numbers = [item for item in allowed if isinstance(item, int) and 0 <= item < 1 << 64]
        return np.isin(column, np.array(numbers, np.uint64))
    return np.fromiter((item in allowed for item in column.tolist()), bool, len(column))
