"""What a stream gives: frames that say which of the chunks they cover."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """A joined text, or why there is none; ``covers`` counts the chunks from 0."""

    value: str | None
    covers: tuple[int, ...]
    problem: str | None = None


Stream = Callable[[Iterable[str]], Iterator[Frame]]
