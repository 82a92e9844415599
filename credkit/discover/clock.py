"""The time that a search may take, and who is told how far it is."""

from __future__ import annotations

from collections.abc import Mapping
from time import monotonic

from credkit.core.progress import SILENT, Progress


class Clock:
    """A budget in seconds, without one if None, and what is told of progress.

    ``phases`` has the phases of the search in their order, and what each counts.

    >>> from credkit.core.progress import SilentProgress
    >>> class Printed(SilentProgress):
    ...     def phase(self, name, number=1, of=1, *, total=None, unit="rows"):
    ...         print(f"[{number}/{of}] {name}, {total} {unit}")
    >>> clock = Clock(progress=Printed(), phases={"placing known numbers": "numbers"})
    >>> clock.show("placing known numbers", 0, 2)
    [1/1] placing known numbers, 2 numbers
    >>> clock.show("placing known numbers", 1, 2)
    >>> Clock(seconds=0).is_over, Clock().is_over
    (True, False)
    """

    def __init__(
        self, seconds: float | None = None, progress: Progress = SILENT, phases: Mapping[str, str] | None = None
    ) -> None:
        self._end = None if seconds is None else monotonic() + seconds
        self._progress = progress
        self._phases = phases or {}
        self._phase: tuple[str, int | None] = ("", None)

    @property
    def is_over(self) -> bool:
        """Whether the budget is spent."""
        return self._end is not None and monotonic() >= self._end

    def show(self, what: str, done: int = 0, whole: int | None = None) -> None:
        """Tell that ``done`` of ``whole`` (None: nobody knows of how many) are done in the phase ``what``."""
        if what in self._phases and (what, whole) != self._phase:
            self._phase = (what, whole)
            number = list(self._phases).index(what) + 1
            self._progress.phase(what, number, len(self._phases), total=whole, unit=self._phases[what])
        self._progress.done(done)
