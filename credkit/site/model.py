"""What a site is: its kinds of numbers, its readers, targets and rules, and the rows of its files.

`credkit.site` builds these from a site file; whoever compares, explains or writes takes them as
they are. They hold codecs that are built and linked, and never change.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from credkit.core.chains import AnyConversion
from credkit.core.codec import AnyCodec
from credkit.core.fields import Item
from credkit.core.reading import Schema
from credkit.core.sentences import redacted_repr
from credkit.files.declaredfiles import CsvFile
from credkit.files.dialects import PLAIN, Dialect
from credkit.privacy.payment import is_declared
from credkit.site.rows import Assignment, ExportRow, ReadingRow
from credkit.streams import Stream

COLUMN = re.compile(r"text(?:\(([1-9][0-9]{0,4})\))?|u?int(?:32|64)")
_INTEGER = re.compile(r"-?[0-9]{1,40}")


@dataclass(frozen=True, slots=True, kw_only=True)
class CredentialKind:
    """A kind of credential number: how files write it, which fields make it, what readings may hold.

    ``issue`` names the field of the number that is the column of that name in the credentials;
    ``schema`` has it beside the fields that ``value`` gives.
    ``not_payment`` says why its numbers are none of payment cards, though they may look like them.
    """

    name: str
    namespace: str
    value: AnyCodec
    schema: Schema
    printed: AnyCodec | None
    key: tuple[str, ...]
    expect: Mapping[str, frozenset[Item]]
    issue: str | None = None
    refuses: bool
    not_payment: str | None = None

    @property
    def declared(self) -> bool:
        """Whether its chain says what its numbers are: serials of a chip, or numbers in a bit frame."""
        return is_declared(self.value)

    def number_in(self, fields: Mapping[str, Item]) -> tuple[Item, ...]:
        """The credential number in ``fields``."""
        return tuple(fields[name] for name in self.key)

    def without_issue(self, number: tuple[Item, ...]) -> tuple[Item, ...]:
        """``number_in`` without its issue: the same for a card and those that replace it."""
        return tuple(item for name, item in zip(self.key, number, strict=True) if name != self.issue)


@dataclass(frozen=True, slots=True, kw_only=True)
class Period:
    """How a reader wrote its texts from ``start`` (inclusive) until ``end`` (exclusive); None is open."""

    codec: AnyCodec
    start: datetime | None = None
    end: datetime | None = None

    def covers(self, moment: datetime) -> bool:
        """Whether ``moment`` is in the period."""
        return (self.start is None or self.start <= moment) and (self.end is None or moment < self.end)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reader:
    """A source of texts: the kind of number it reads, and the chain of each period.

    ``stream_text`` is the ``stream`` that joins its rows, as the site file writes it. ``area`` is what is cut over
    together with it: the reader's own name unless the site file declares one.
    """

    name: str
    kind: CredentialKind
    periods: tuple[Period, ...]
    area: str = ""
    clock_offset: timedelta = timedelta(0)
    stream: Stream | None = None
    stream_text: str = ""

    def period(self, moment: datetime) -> Period | None:
        """The period that ``moment``, the corrected time, is in."""
        return next((period for period in self.periods if period.covers(moment)), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """The rules of a site for its registers.

    ``holds_near_ids``: ids that differ only in case, spacing or Unicode form are held (`credkit.site.nearids`).
    """

    order_of_truth: tuple[str, ...] = ()
    active: tuple[str, ...] = ("active",)
    inactive: tuple[str, ...] = ("lost", "stolen", "suspended", "expired", "returned", "destroyed", "blocked")
    gone: tuple[str, ...] = ()
    one_active_issue: bool = True
    pools: tuple[str, ...] = ()
    holds_near_ids: bool = True

    @property
    def statuses(self) -> tuple[str, ...]:
        """Every word that a status may be."""
        return tuple(dict.fromkeys((*self.active, *self.inactive, *self.gone)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """The type of a target's column, as the site file writes it: what it can hold."""

    declaration: str

    @property
    def characters(self) -> int | None:
        """How many characters a column of texts holds; None where nothing limits them."""
        size = COLUMN.fullmatch(self.declaration)
        return int(size[1]) if size and size[1] else None

    def problem(self, text: str) -> str | None:
        """Why the column cannot hold ``text``, or None.

        >>> Column(declaration="int32").problem("4294967295")
        "'4294967295' is outside -2147483648 to 2147483647, which int32 holds"
        >>> Column(declaration="text(8)").problem("49767645")
        """
        if self.declaration.startswith("text"):
            limit = self.characters or len(text)
            return (
                f"{redacted_repr(text)} has {len(text)} characters, {self.declaration} holds {limit}"
                if len(text) > limit
                else None
            )
        if not _INTEGER.fullmatch(text):
            return f"{redacted_repr(text)} is not a whole number, which {self.declaration} needs"
        bits = int(self.declaration[-2:])
        least, most = (0, (1 << bits) - 1) if self.declaration[0] == "u" else (-(1 << bits - 1), (1 << bits - 1) - 1)
        if not least <= int(text) <= most:
            return f"{redacted_repr(text)} is outside {least} to {most}, which {self.declaration} holds"
        return None

    def as_stored(self, text: str) -> str:
        """``text`` as the column gives it back: whole numbers lose their leading zeros.

        >>> Column(declaration="int32").as_stored("0012"), Column(declaration="text").as_stored("0012")
        ('12', '0012')
        """
        return text if self.declaration.startswith("text") or not _INTEGER.fullmatch(text) else str(int(text))


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """A back end that is written to: from which kind, how, and what it holds today."""

    name: str
    kind: CredentialKind
    conversion: AnyConversion
    column: Column
    existing: CsvFile | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """A site as its file describes it; ``files`` are that file and all that it names, ``dialect`` is that of tables."""

    name: str
    zone: ZoneInfo
    as_of: date
    credentials: CsvFile
    readings: CsvFile
    kinds: Mapping[str, CredentialKind]
    readers: Mapping[str, Reader]
    targets: Mapping[str, Target]
    rules: Rules = Rules()
    dialect: Dialect = PLAIN
    files: tuple[Path, ...] = ()

    def name_file(self, path: Path) -> str:
        """How screens and pages call a file: one of the site as its path is from the folder of the site file."""
        if path not in self.files:
            return str(path)
        home = self.files[0].parent
        return str(path.relative_to(home)) if path.is_relative_to(home) else path.name


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """The rows of a site's files; ``existing`` has the export of each target that names one.

    The lines of a file are different whole numbers; what is first in a file is the row with the smallest one.
    """

    credentials: tuple[Assignment, ...]
    readings: tuple[ReadingRow, ...] = ()
    existing: Mapping[str, tuple[ExportRow, ...]] = field(default_factory=dict)
