"""Failing rows as a file: each with its line, what it says, and why it fails.

The file is written beside the place that is asked for, hidden and readable by its owner alone, and
takes that place when all of it is on the disk. A run that is stopped leaves what was there before.

Source: RFC 4180 (common form of CSV).
"""

from __future__ import annotations

import csv
import glob
import io
import os
import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path
from tempfile import mkstemp
from types import TracebackType
from typing import Any

from credkit.accounts import hidden, masked
from credkit.audit.entries import ENTRY
from credkit.audit.judging import Failing
from credkit.audit.plan import Plan, Way
from credkit.audit.secrets import told
from credkit.audit.sources import Fault
from credkit.crosswalk.outputs import STALE, cell
from credkit.errors import DefinitionError, shown
from credkit.times import moment_of

COLUMNS = ("file", "line", "time", "reader", "text", "chain", "rule", "reason")
REMEMBERED = 1 << 16  # different texts whose sentences are kept
UNREADABLE = "unreadable-row"
REFUSED = "it cannot be written"


class Output:
    """A file that is whole or not there: bytes go to a hidden one that takes its place at the end."""

    def __init__(self, out: Path) -> None:
        self.out = out
        if "\0" in str(out) or out.is_dir():
            raise DefinitionError(f"output {shown(str(out))} is not the path of a file")
        try:
            handle, name = mkstemp(prefix=f".{out.name}.partial-", dir=out.parent)  # mode 600
        except OSError as error:
            raise self.refusal(error) from None
        self._partial = Path(name)
        self.file = os.fdopen(handle, "wb")

    def refusal(self, error: OSError) -> DefinitionError:
        """The sentence for a disk that is full, and the like."""
        return DefinitionError(f"output {shown(str(self.out))} cannot be written ({error.strerror or error})")

    def __enter__(self) -> Output:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None) -> None:
        try:
            if kind is None:
                self.file.flush()
                os.fsync(self.file.fileno())
                self.file.close()
                self._partial.replace(self.out)
                self._tidy()
        except OSError as wrong:
            raise self.refusal(wrong) from None
        finally:
            with suppress(OSError):
                self.file.close()
            with suppress(OSError):
                self._partial.unlink()
        if isinstance(error, OSError):
            raise self.refusal(error) from None

    def _tidy(self) -> None:
        """Take away what runs that were killed long ago left beside the output: it is private data."""
        for left in self.out.parent.glob(f"{glob.escape(f'.{self.out.name}.partial-')}*"):
            with suppress(OSError):
                if time.time() - left.stat().st_mtime > STALE:
                    left.unlink()

    def write(self, data: bytes) -> None:
        """Put ``data`` behind what is there."""
        try:
            self.file.write(data)
        except OSError as error:
            raise self.refusal(error) from None


class Failures:
    """The failing rows, written as they are found."""

    def __init__(self, write: Callable[[bytes], None], plan: Plan) -> None:
        self._write = write
        self._plan = plan
        self._reasons: dict[tuple[int, str], tuple[str, str]] = {}
        self._put([COLUMNS])

    def add(self, name: str, base: int, failing: Iterable[Failing], faults: Iterable[Fault]) -> None:
        """Write rows of the file ``name``; their lines count from ``base``."""
        rows: list[tuple[int, tuple[Any, ...]]] = []
        for each in failing:
            way = self._plan.ways[each.way]
            text, reason = self._reason(way, each)
            time = "" if each.moment is None else moment_of(each.moment).astimezone(self._plan.clock.zone)
            rows.append((each.line, (time, self._plan.names[each.reader], text, way.name, each.rule.rule, reason)))
        rows.extend((fault.line, ("", "", "", "", UNREADABLE, fault.problem)) for fault in faults)
        rows.sort(key=lambda row: row[0])
        self._put((name, base + line, *cells) for line, cells in rows)

    def _reason(self, way: Way, row: Failing) -> tuple[str, str]:
        """The text as it may be shown, and why it fails."""
        if row.rule.rule == ENTRY:
            return hidden(row.text) if told(way.codec, row.text).account else masked(row.text), (
                "its parts make no entry, or several"
            )
        key = way.place, row.text
        found = self._reasons.get(key)
        if found is None:
            if len(self._reasons) >= REMEMBERED:
                self._reasons.clear()
            found = self._reasons[key] = explained(way, row.text)
        return found

    def _put(self, rows: Iterable[Iterable[Any]]) -> None:
        buffer = io.StringIO()
        writer = csv.writer(buffer, lineterminator="\n")
        writer.writerows([cell(value) for value in row] for row in rows)
        self._write(buffer.getvalue().encode("utf-8", "backslashreplace"))


def explained(way: Way, text: str) -> tuple[str, str]:
    """A text that fails as it may be shown, and the sentence that says why."""
    reading = way.codec.inspect(text)
    reason = str(way.codec.failure(reading))
    if way.plain:
        return text, reason
    if told(way.codec, text).account and reading.failed:
        return hidden(text), f"{reading.failed.codec}: {reading.failed.claim} fails; what was found is hidden"
    return masked(text), reason
