"""Patterns: whole numbers at fixed widths, or between literals, in a text.

A pattern is one regular expression, portable between engines, with a named group for each number,
and the base in which that number is written.

Source: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class TextPattern:
    """``regex`` takes every text of the right form; ``bases`` has the base of each of its named groups."""

    regex: str
    bases: Mapping[str, int]
