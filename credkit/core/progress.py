"""How far long work is: it goes through named phases, and counts in each of them.

Functions that take long have a parameter ``progress``; whoever gives one is told. The command line shows it on a
terminal (`credkit.cli.progress`); without one nothing is told.
"""

from __future__ import annotations

from typing import Final, Protocol


class Progress(Protocol):
    """Is told how far a piece of work is.

    ``phase`` begins the phase ``number`` of ``of``, which ends the one before it. It has ``total`` of the ``unit``
    (a plural noun) to do; None means that nobody knows how many. ``done`` gives how many of them are done so far.
    """

    def phase(self, name: str, number: int = 1, of: int = 1, *, total: int | None = None, unit: str = "rows") -> None:
        """Begin a phase."""

    def done(self, count: int) -> None:
        """Count ``count`` as done, of all that the phase has to do."""


class SilentProgress:
    """Tells nobody."""

    def phase(self, name: str, number: int = 1, of: int = 1, *, total: int | None = None, unit: str = "rows") -> None:
        """Nothing follows."""

    def done(self, count: int) -> None:
        """Nothing follows."""


SILENT: Final[Progress] = SilentProgress()


class PartProgress:
    """The progress of the part ``number`` of ``of`` of a larger work: its phases have the number of the part.

    >>> class Printed(SilentProgress):
    ...     def phase(self, name, number=1, of=1, *, total=None, unit="rows"):
    ...         print(f"[{number}/{of}] {name}")
    >>> PartProgress(Printed(), 2, 4).phase("reading the files", 1, 5)
    [2/4] reading the files
    """

    def __init__(self, whole: Progress, number: int, of: int) -> None:
        self._whole = whole
        self._number = number
        self._of = of

    def phase(self, name: str, number: int = 1, of: int = 1, *, total: int | None = None, unit: str = "rows") -> None:
        """Begin a phase of the part."""
        self._whole.phase(name, self._number, self._of, total=total, unit=unit)

    def done(self, count: int) -> None:
        """Count within the phase."""
        self._whole.done(count)
