"""The frame: what a stream gives, and which of the chunks it covers."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """A text, or why there is none; ``covers`` numbers the chunks that it came in, from 0.

    >>> Frame(value="12", covers=(0, 1, 2)).problem is None
    True
    """

    value: str | None
    covers: tuple[int, ...]
    problem: str | None = None
