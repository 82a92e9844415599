"""Plans: through which chain a row is read, by its reader and its time.

A use is one chain with all that the rows on it need: its bulk form, the kind of number, and
whether payment data may be in it. Without a site there is one use, whatever the reader is called;
with one, each reader has a use for each of its periods.
"""

from __future__ import annotations

import pickle
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from threading import Lock
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from credkit.audit.alterations import may_hold_long_numbers
from credkit.audit.known_texts import KnownTexts, is_read_one_by_one
from credkit.audit.owners import SEVERAL_READERS, NumberSpace
from credkit.audit.register_numbers import FARTHEST_TIME, RegisterNumbers, RegisterSpace
from credkit.bulk import Bulk
from credkit.bulk.words import Array
from credkit.core.codec import AnyCodec
from credkit.core.errors import DefinitionError
from credkit.core.reading import TextField
from credkit.core.sentences import redacted_repr
from credkit.files.captures import ColumnNames
from credkit.files.times import EPOCH, MICROSECOND, Clock
from credkit.privacy.payment import has_account_room
from credkit.site.faultrules import unknown_reader
from credkit.site.model import CredentialKind, Reader, Site

MOST_READERS = SEVERAL_READERS - 1  # different ones; a column with more of them is another column


@dataclass(slots=True, kw_only=True, eq=False)
class ChainUse:
    """A chain at work; ``place`` counts the uses, ``space`` is the namespace of the numbers read on it.

    A chain that truncates has no ``register``: its numbers are not those of cards.
    """

    place: int
    codec: AnyCodec
    bulk: Bulk
    kind: CredentialKind | None = None
    space: NumberSpace | None = None
    known: KnownTexts | None = None  # where texts are read one by one
    register: RegisterSpace | None = None  # the numbers of the register that its numbers are compared with
    offsets: Array | None = None  # by reader: what its clock is behind, in µs
    has_long_numbers: bool = False  # numbers of more digits than a spreadsheet keeps

    @property
    def name(self) -> str:
        """The chain as it is written."""
        return self.codec.name

    @property
    def not_payment(self) -> bool:
        """Whether its numbers are declared to be none of payment cards."""
        return self.kind is not None and self.kind.not_payment is not None

    @property
    def may_hold_account(self) -> bool:
        """Whether anything that is read here may hold an account number."""
        return has_account_room(self.codec)

    @property
    def may_hold_track(self) -> bool:
        """Whether anything that is read here is a text, which may hold a payment track."""
        return any(
            step.gives == "text" or any(isinstance(row, TextField) for row in step.schema.values())
            for step in self.codec.steps
        )


class UsePeriod(NamedTuple):
    """The place of the chain use that reads a reader's rows from ``start`` until ``end``, in µs since 1970."""

    start: int
    end: int
    use: int


class AuditPlan:
    """The chain use of each row: readers in the order they are met, uses by reader and time.

    The good readings of a site are compared with its ``register``. Why that cannot be read is its ``register_fault``; a
    plan that is given one does not try, and one that is given none (an empty text) raises what it is.

    It keeps nothing that counts of the rows but the names of readers. In another process there is one copy of it,
    however often it is sent there.
    """

    def __init__(
        self, *, columns: ColumnNames, clock: Clock, codec: AnyCodec | None = None, site: Site | None = None,
        register_fault: str | None = None,
    ) -> None:  # fmt: skip
        self.columns = columns
        self.clock = clock
        self.codec = codec
        self.site = site
        self._sent = b""  # the plan as another process receives it, once it is needed
        self.stripped = site.readings.strip if site else frozenset[str]()  # columns read without white space around
        self.words = site.readings.mapping.words if site else {}  # what the words of a column mean
        self.uses: list[ChainUse] = []
        self.names: list[str] = []
        self._codes: dict[str, int] = {}
        self._lock = Lock()
        self.periods_of_reader: list[tuple[UsePeriod, ...]] = []  # for each reader
        if codec is not None:
            self._add_use(codec, None)
        for reader in site.readers.values() if site else ():
            self._codes[reader.name] = len(self.names)
            self.names.append(reader.name)
            self.periods_of_reader.append(self._periods(reader))
        self.readers = pl.Enum(self.names)  # those that are known so far
        self.spaces = self._number_spaces()
        self.register: RegisterNumbers | None = None
        self.register_fault = register_fault or ""  # why there is none to compare with
        if site is not None and not register_fault:
            try:
                self._compare_with(site)
            except DefinitionError as fault:
                if register_fault is not None:  # elsewhere it could be read
                    raise
                self.register_fault = str(fault)

    def __reduce__(self) -> tuple[Any, ...]:
        """A plan is sent as what it is made of."""
        if not self._sent:
            self._sent = pickle.dumps((self.columns, self.clock, self.codec, self.site, self.register_fault))
        return _received_plan, (self._sent,)

    def _add_use(self, codec: AnyCodec, kind: CredentialKind | None) -> int:
        for use in self.uses:
            if use.codec is codec and use.kind is kind:
                return use.place
        known = KnownTexts() if is_read_one_by_one(codec) else None
        use = ChainUse(place=len(self.uses), codec=codec, bulk=Bulk(codec), kind=kind, known=known)
        use.has_long_numbers = may_hold_long_numbers(codec)
        self.uses.append(use)
        return len(self.uses) - 1

    def _number_spaces(self) -> list[NumberSpace]:
        """The namespaces of the numbers that are read, each with the uses that read them."""
        groups: dict[str, list[ChainUse]] = {}
        for use in self.uses:
            if use.codec.gives == "fields" and use.codec.schema:
                groups.setdefault(use.kind.namespace if use.kind else "", []).append(use)
        found: list[NumberSpace] = []
        for uses in groups.values():
            first = uses[0]
            key = first.kind.key if first.kind else tuple(first.codec.schema)
            space = NumberSpace(len(found), key, [use.codec.schema for use in uses])
            found.append(space)
            for use in uses:
                use.space = space
        return found

    def _compare_with(self, site: Site) -> None:
        """Give each use the register's numbers of its namespace."""
        spaces = {use.kind.namespace: use.space for use in self.uses if use.kind and use.space}
        self.register = RegisterNumbers(site, spaces)
        offsets = [reader.clock_offset // MICROSECOND for reader in site.readers.values()]
        for use in self.uses:
            if use.kind and use.space and not use.codec.lossy:
                use.register = self.register.spaces[use.kind.namespace]
                use.offsets = np.array(offsets, np.int64)

    def _periods(self, reader: Reader) -> tuple[UsePeriod, ...]:
        """The periods by the reader's own clock."""

        def micros(moment: datetime | None, other: int) -> int:
            return other if moment is None else (moment.astimezone(UTC) - reader.clock_offset - EPOCH) // MICROSECOND

        return tuple(
            UsePeriod(
                micros(each.start, -FARTHEST_TIME),
                micros(each.end, FARTHEST_TIME),
                self._add_use(each.codec, reader.kind),
            )
            for each in reader.periods
        )

    @property
    def has_streams(self) -> bool:
        """Whether the rows of a reader are parts of what was typed or swiped."""
        return self.site is not None and any(reader.stream for reader in self.site.readers.values())

    def is_streamed(self, code: int) -> bool:
        """Whether the rows of a reader are parts of what was typed or swiped."""
        return self.site is not None and self.site.readers[self.names[code]].stream is not None

    def reader_codes(self, readers: Any) -> tuple[Array, dict[int, str]]:
        """A number for each row's reader; -1 for those that the site does not know, with what is wrong."""
        known = readers if readers.dtype == pl.Enum else readers.cast(self.readers, strict=False)
        if known.null_count():
            with self._lock:
                names = readers.unique(maintain_order=True).to_list()
                fresh = [name for name in names if name not in self._codes]
                if self.site is None:
                    self._add_readers(fresh)
            known = readers.cast(self.readers, strict=False)
        if not known.null_count():
            return known.to_physical().to_numpy().astype(np.int64), {}
        codes = known.to_physical().cast(pl.Int64).fill_null(-1).to_numpy()
        strange = codes < 0
        rule = unknown_reader(self._codes, self.site.readings if self.site else None)
        problems = {name: rule.describe((name,), self.site.readings if self.site else None) for name in fresh}
        names = readers.filter(pl.Series(strange)).to_list()
        return codes, {row: problems[name] for row, name in zip(np.flatnonzero(strange).tolist(), names, strict=True)}

    def _add_readers(self, fresh: list[str]) -> None:
        self.check_readers(len(self.names) + len(fresh))
        names = [*self.names]  # others read the former list
        for name in fresh:
            self._codes[name] = len(names)
            self.periods_of_reader.append((UsePeriod(-FARTHEST_TIME, FARTHEST_TIME, 0),))
            names.append(name)
        self.names = names
        self.readers = pl.Enum(names)

    def check_readers(self, count: int) -> None:
        """Raise `DefinitionError` where there are too many different readers."""
        if count > MOST_READERS:
            raise DefinitionError(
                f"the column {redacted_repr(self.columns.reader)} has more than {MOST_READERS:,} "
                "different values: are they readers?"
            )

    def only_reader(self) -> int:
        """The one reader of a file that has no column of readers."""
        with self._lock:
            if "" not in self._codes:
                self._add_readers([""])
        return self._codes[""]

    def uses_of(self, codes: Array, moments: Array | None) -> tuple[Array | int, dict[int, str]]:
        """The use of each row (or of all of them), and what is wrong with rows outside every period."""
        if self.site is None:
            return 0, {}
        always = [
            periods[0][2] if periods and periods[0][:2] == (-FARTHEST_TIME, FARTHEST_TIME) else -1
            for periods in self.periods_of_reader
        ]
        found = np.array([*always, -1], np.int32)[codes]  # the last one is for readers that nobody knows
        for code, periods in enumerate(self.periods_of_reader):
            if always[code] < 0 and moments is not None:
                here = codes == code
                for start, end, use in periods:
                    found[here & (moments >= start) & (moments < end)] = use
        problems = {}
        for row in np.flatnonzero((found < 0) & (codes >= 0)).tolist():
            problems[row] = f"its time is in no period of the reader {redacted_repr(self.names[codes[row]])}"
        if not problems and found.size and (found == found[0]).all():
            return int(found[0]), {}
        return found, problems


@lru_cache(maxsize=8)
def _received_plan(sent: bytes) -> AuditPlan:
    """The plan that another process sent."""
    columns, clock, codec, site, fault = pickle.loads(sent)  # it is from an engine that runs what it is sent anyway
    return AuditPlan(columns=columns, clock=clock, codec=codec, site=site, register_fault=fault)


def join_reader_names(names: list[str], others: Sequence[str]) -> tuple[list[str], Array | None]:
    """All names of readers, and the numbers that ``others`` have among them; None if these stay what they are.

    >>> join_reader_names(["gate", "dock"], ["dock", "yard"])
    (['gate', 'dock', 'yard'], array([1, 2]))
    >>> join_reader_names(["gate"], ["gate", "dock"])
    (['gate', 'dock'], None)
    """
    same = min(len(names), len(others))
    if names is others or names[:same] == others[:same]:
        return (names if len(names) >= len(others) else [*others]), None
    codes = {name: code for code, name in enumerate(names)}
    for name in others:
        codes.setdefault(name, len(codes))
    return [*codes], np.array([codes[name] for name in others], np.int64)
