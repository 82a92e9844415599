"""Who is told how far work is, and the terminal that shows it."""

from __future__ import annotations

import io
import re
from collections.abc import Callable

from credkit.cli.progress import Phase


class RecordedProgress:
    """Keeps what it is told: ``phases``, and with ``counts`` those within them; ``on_count`` is called with each."""

    def __init__(self, on_count: Callable[[int], None] = lambda count: None) -> None:
        self.phases: list[Phase] = []
        self.counts: list[list[int]] = []
        self._on_count = on_count

    def phase(self, name: str, number: int = 1, of: int = 1, *, total: int | None = None, unit: str = "rows") -> None:
        self.phases.append(Phase(name=name, number=number, of=of, total=total, unit=unit))
        self.counts.append([])

    def done(self, count: int) -> None:
        self.counts[-1].append(count)
        self._on_count(count)

    @property
    def names(self) -> list[str]:
        """The phases as ``1/2 name``."""
        return [f"{each.number}/{each.of} {each.name}" for each in self.phases]

    def verify(self) -> None:
        """Assert that counts go up, and that none is beyond its total."""
        for phase, counts in zip(self.phases, self.counts, strict=True):
            assert counts == sorted(counts)
            assert phase.total is None or not counts or counts[-1] <= phase.total


class FakeTerminal(io.StringIO):
    """A terminal of one line: ``line`` is what it shows, ``shown`` all that it ever showed, without blanks behind."""

    def __init__(self) -> None:
        super().__init__()
        self.line = ""
        self.shown: list[str] = []
        self.widest = 0
        self._column = 0

    def isatty(self) -> bool:
        return True

    def write(self, text: str) -> int:
        if not isinstance(text, str):
            raise TypeError("a stream of text")  # as any such stream: click asks whether it takes bytes
        for sign in text:
            if sign == "\r":
                self._look()
                self._column = 0
            else:
                assert sign.isprintable(), f"{sign!r} is no character of a line"
                self.line = f"{self.line[: self._column]}{sign}{self.line[self._column + 1 :]}"
                self._column += 1
        self._look()
        return len(text)

    def _look(self) -> None:
        line = self.line.rstrip()
        self.widest = max(self.widest, len(line))
        if line != (self.shown[-1] if self.shown else ""):
            self.shown.append(line)


def list_phases(seen: str) -> tuple[list[str], str]:
    """The phases that a terminal showed, without their figures, and what stayed on their line in the end."""
    terminal = FakeTerminal()
    terminal.write(next(line for line in seen.split("\r\n") if "\r" in line))
    *lines, empty, stayed = terminal.shown
    assert empty == ""
    return list(dict.fromkeys(re.sub(r" [0-9][0-9,]* (%|cards|rows).*", "", line) for line in lines)), stayed
