"""How far long work is, on one line of standard error, where a terminal looks on.

The line has no colours; it is written over, and is gone at the end.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import ceil
from time import monotonic

from credkit.explain.screen import SCREEN_COLUMNS, shorten

INTERVAL = 0.2  # seconds between two counts that are shown
SETTLED = 1.0  # seconds after which a rate means something
MEGABYTE = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Phase:
    """A phase of the work, as `credkit.core.progress.Progress` is told of it."""

    name: str
    number: int = 1
    of: int = 1
    total: int | None = None
    unit: str = "rows"

    def format_line(self, count: int, seconds: float, columns: int = SCREEN_COLUMNS) -> str:
        """The line after ``count`` are done in ``seconds``; where it is too long for ``columns``, its name is cut.

        >>> Phase(name="judging readings", number=2, of=5, total=10_000_000).format_line(4_300_000, 5.3)
        '[2/5] judging readings 43 % 811,000 rows/s 0:08 left'
        >>> Phase(name="writing cards", unit="cards").format_line(7, 2)
        'writing cards 7 cards 3.5 cards/s'
        """
        head = f"[{self.number}/{self.of}] " if self.of > 1 else ""
        tail = "".join(f" {part}" for part in self._figures(count, seconds))
        return shorten(f"{head}{shorten(self.name, max(columns - len(head) - len(tail), 8))}{tail}", columns)

    def _figures(self, count: int, seconds: float) -> list[str]:
        """How much is done, how fast, and how long the phase still takes at that rate."""
        if count <= 0:
            return []
        figures = [f"{count:,} {self.unit}"] if not self.total else [f"{min(100 * count // self.total, 100)} %"]
        if seconds >= SETTLED:
            rate = count / seconds
            figures.append(_format_rate(rate, self.unit))
            if self.total:
                figures.append(f"{_format_seconds(ceil(max(self.total - count, 0) / rate))} left")
        return figures


class TerminalProgress:
    """Shows on a terminal how far work is, at most five times a second within a phase.

    ``write`` gets what the terminal gets. The last thing is `erase`.

    >>> written = []
    >>> shown = TerminalProgress(written.append, columns=40, clock=lambda: 0.0)
    >>> shown.phase("reading", 1, 2)
    >>> shown.erase()
    >>> written
    ['\\r[1/2] reading', '\\r             \\r']
    """

    def __init__(
        self, write: Callable[[str], object], *, columns: int = SCREEN_COLUMNS, clock: Callable[[], float] = monotonic
    ) -> None:
        self._write = write
        self._columns = min(columns, SCREEN_COLUMNS)
        self._clock = clock
        self._phase = Phase(name="")
        self._begun = self._next = 0.0  # when the phase began, and when a count may be shown
        self._line = ""

    def phase(self, name: str, number: int = 1, of: int = 1, *, total: int | None = None, unit: str = "rows") -> None:
        """Begin a phase, and show its name."""
        self._phase = Phase(name=name, number=number, of=of, total=total, unit=unit)
        self._begun = self._clock()
        self._show(0, self._begun)

    def done(self, count: int) -> None:
        """Show how much is done, unless something was shown just now."""
        now = self._clock()
        if now >= self._next:
            self._show(count, now)

    def erase(self) -> None:
        """Leave an empty line."""
        self._write(f"\r{'':{len(self._line)}}\r")
        self._line = ""

    def _show(self, count: int, now: float) -> None:
        self._next = now + INTERVAL
        line = self._phase.format_line(count, now - self._begun, self._columns)
        if line != self._line:
            self._write(f"\r{line:<{len(self._line)}}")
            self._line = line


def _format_rate(rate: float, unit: str) -> str:
    """Three digits of it, so that it does not flicker."""
    if unit == "bytes":
        return f"{float(f'{rate / MEGABYTE:.3g}'):,g} MB/s"
    return f"{float(f'{rate:.3g}'):,.0f} {unit}/s" if rate >= 10 else f"{rate:.1f} {unit}/s"


def _format_seconds(seconds: int) -> str:
    """Minutes and seconds, and hours before them.

    >>> _format_seconds(7), _format_seconds(3_661)
    ('0:07', '1:01:01')
    """
    minutes, rest = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest:02}" if hours else f"{minutes}:{rest:02}"
