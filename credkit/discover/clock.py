"""The time that a search may take, and who is told how far it is."""

from __future__ import annotations

from collections.abc import Callable
from time import monotonic
from typing import TypeAlias

Progress: TypeAlias = Callable[[str, int, int], None]  # what is looked for, how much of it is done, of how much


class Clock:
    """A budget in seconds, without one if None, and a function that is told of progress.

    >>> told = []
    >>> Clock(progress=lambda *step: told.append(step)).show("known numbers", 1, 2)
    >>> told, Clock(seconds=0).is_over, Clock().is_over
    ([('known numbers', 1, 2)], True, False)
    """

    def __init__(self, seconds: float | None = None, progress: Progress | None = None) -> None:
        self._end = None if seconds is None else monotonic() + seconds
        self._progress = progress

    @property
    def is_over(self) -> bool:
        """Whether the budget is spent."""
        return self._end is not None and monotonic() >= self._end

    def show(self, what: str, done: int, whole: int) -> None:
        """Tell that ``done`` of ``whole`` steps are done."""
        if self._progress is not None:
            self._progress(what, done, whole)
