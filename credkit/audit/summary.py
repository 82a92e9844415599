"""The summary of an audit: what was counted, as a tree of plain values.

Nothing here computes. Screens, JSON, Parquet and reports read it; times are in UTC, and ``zone``
says by which clocks people want to see them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from functools import reduce
from typing import Final, Literal

from credkit.explain.drawing import Picture
from credkit.work.items import WorkItem

RuleSort = Literal["length", "refusal", "check"]  # the sort of fault that a rule is about
LENGTH: Final = "length"
REFUSAL: Final = "refusal"
CHECK: Final = "check"


@dataclass(frozen=True, slots=True, kw_only=True)
class FileCount:
    """A file: rows = good + failing + unreadable. ``ended`` says why its end was not reached, if so.

    ``faults`` are the first sentences about its unreadable rows; ``unit`` is how its rows are numbered.
    ``digest`` is the SHA-256 of its bytes: None if nobody asked, empty if the file changed meanwhile.
    """

    name: str
    size: int
    unit: str
    rows: int
    good: int
    failing: int
    unreadable: int
    faults: tuple[str, ...] = ()
    ended: str = ""
    digest: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainFormat:
    """A step of a chain: how it is written, what it is, and who says so."""

    name: str
    title: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainCount:
    """A chain, its steps, and how many rows were read through it: the rows of all chains are those of all readers.

    ``stream`` is what joined the rows to the texts that the chain read, if anything did. ``checked`` says
    whether anything in the chain tells a right value from a wrong one of the same form.
    """

    name: str
    stream: str = ""
    rows: int
    lossy: bool
    checked: bool
    formats: tuple[ChainFormat, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainPeriod:
    """The chain that a reader's texts were read by from ``start`` until ``end``, by right clocks; None is open."""

    chain: str
    start: datetime | None = None
    end: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleCount:
    """A check of a chain: how many rows fail it, and for how many of them it is the first one that fails.

    ``sort`` is ``check``, ``length`` (a wrong number of bits) or ``refusal`` (alphabet, form, range).
    """

    chain: str
    step: int
    codec: str
    rule: str
    sort: RuleSort
    rows: int
    first: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FailedTogether:
    """Rows that fail exactly these rules."""

    rules: tuple[str, ...]
    rows: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ReaderNote:
    """Good rows that earn a note of a kind; ``text`` says what it means, where a table does."""

    codec: str
    kind: str
    level: str
    rows: int
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeCounts:
    """The rows of a reader over time: in the ``seconds`` from each of ``starts`` on, and how many fail.

    Times are in seconds since 1970, in UTC. Where there is no row, there is no count.
    """

    seconds: int = 600
    starts: tuple[int, ...] = ()
    rows: tuple[int, ...] = ()
    failing: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RateChange:
    """From ``since`` on a reader fails with another share of its rows; ``evidence`` is the likelihood ratio.

    The shares are those between the changes before and after. It is in nats, and corrected for bursts.
    """

    since: datetime
    before: float
    after: float
    evidence: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LikelyCause:
    """A cause that would explain so many of the sampled failing texts; ``chain`` reads all of these, if one does."""

    cause: str
    text: str
    explains: int
    chain: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """The likely causes in a sample of different failing texts of a reader and a chain.

    ``rows`` are the failing rows if the sample has all their texts, and otherwise 0; ``lengths`` are the
    wrong numbers of bits among the sampled texts, each with how many have it.
    """

    chain: str
    sampled: int
    causes: tuple[LikelyCause, ...]
    advice: str = ""
    rows: int = 0
    lengths: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FailingExample:
    """A failing text of a reader as it may be shown, the sentence that says why it fails, and how it is drawn."""

    chain: str
    text: str
    reason: str
    pictures: tuple[Picture, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterCount:
    """Good rows by what the register has of their number: good = active + inactive + unknown + not compared.

    A row is ``inactive`` if its card had ceased to be active when it was read, or never was; ``unknown`` if no card has
    its number. Rows of chains that truncate are not compared.
    """

    active: int = 0
    inactive: int = 0
    unknown: int = 0
    not_compared: int = 0

    def plus(self, other: RegisterCount) -> RegisterCount:
        """The counts of both."""
        return RegisterCount(
            active=self.active + other.active, inactive=self.inactive + other.inactive,
            unknown=self.unknown + other.unknown, not_compared=self.not_compared + other.not_compared,
        )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class ReaderCount:
    """A reader: rows = good + failing. ``first`` and ``last`` are its own clock's, in UTC.

    ``repeated`` are rows within a second behind one with the same text; ``only_here`` counts the
    good numbers that no other reader read (None: there were too many to tell). ``example`` fails what
    most of its rows fail; only readers that fail most have one. ``unsteady`` is a reader that changes
    too often for any of its changes to be named. ``stream`` joined its rows, if it is not empty;
    ``clock_offset`` are the seconds that make its clock right, and ``spells`` say what was read how and when.
    ``form_only`` counts the good rows of chains without any check: they have the right form, and nothing tells whether
    they are right but a register: ``form_register`` has them by what it has of them, ``register`` all good rows (None:
    there is none).
    """

    name: str
    chains: tuple[str, ...]
    rows: int
    good: int
    failing: int
    first: datetime | None = None
    last: datetime | None = None
    repeated: int = 0
    only_here: int | None = None
    tallies: tuple[RuleCount, ...] = ()
    together: tuple[FailedTogether, ...] = ()
    notes: tuple[ReaderNote, ...] = ()
    changes: tuple[RateChange, ...] = ()
    unsteady: bool = False
    hints: tuple[Diagnosis, ...] = ()
    counts: TimeCounts = TimeCounts()
    example: FailingExample | None = None
    stream: str = ""
    clock_offset: float = 0.0
    spells: tuple[ChainPeriod, ...] = ()
    form_only: int = 0
    register: RegisterCount | None = None
    form_register: RegisterCount | None = None

    @property
    def share(self) -> float:
        """The share of its rows that fail."""
        return self.failing / self.rows if self.rows else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class UndetectedErrors:
    """The bit errors that no check of a layout detects.

    Of ``pairs`` ways to invert two of its bits, ``passing`` fail no check. ``frames`` were judged by
    them, ``failed`` of those fail; if bits were wrong independently, ``rate`` of them would be and
    ``expected`` wrong frames would have passed (None: nothing to compute them from, or too many
    checks). ``apart`` names readers that fail too often for that, ``more`` says that other checks see
    more than this counts.
    """

    chains: tuple[str, ...]
    layout: str
    length: int
    pairs: int
    passing: int
    unseen: int
    frames: int
    failed: int
    rate: float | None = None
    expected: float | None = None
    apart: tuple[str, ...] = ()
    more: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Audit:
    """The counts of an audit: rows = good + failing + unreadable, in all files and in each.

    ``columns`` are those that were read: of texts, and of readers and times where there are any;
    ``by_reader`` says whether there is one of readers. ``work`` is what people have to do, what helps most first.
    ``register_fault`` says why the register of a site was not compared.
    """

    version: str
    site: str = ""
    zone: str
    files: tuple[FileCount, ...]
    readers: tuple[ReaderCount, ...]
    blind: tuple[UndetectedErrors, ...]
    chains: tuple[ChainCount, ...] = ()
    columns: tuple[str, ...] = ()
    by_reader: bool = True
    work: tuple[WorkItem, ...] = ()
    register_fault: str = ""

    @property
    def rows(self) -> int:
        """All rows of all files."""
        return sum(file.rows for file in self.files)

    @property
    def good(self) -> int:
        """Rows that decode."""
        return sum(file.good for file in self.files)

    @property
    def failing(self) -> int:
        """Rows whose text was read from the file, but does not decode."""
        return sum(file.failing for file in self.files)

    @property
    def unreadable(self) -> int:
        """Rows that are wrong in themselves: no text, reader or time can be had from them."""
        return sum(file.unreadable for file in self.files)

    @property
    def form_only(self) -> int:
        """Good rows of chains without any check, which nothing verifies but a register."""
        return sum(reader.form_only for reader in self.readers)

    @property
    def register(self) -> RegisterCount | None:
        """The good rows of all readers by what the register has of them; None where there is none to compare with."""
        return _sum_register(reader.register for reader in self.readers)

    @property
    def form_register(self) -> RegisterCount | None:
        """The rows of `form_only` by what the register has of them; None where there is none to compare with."""
        return _sum_register(reader.form_register for reader in self.readers)

    @property
    def whole(self) -> bool:
        """Whether every row is good, and every file was read to its end."""
        return self.good == self.rows and not any(file.ended for file in self.files)


def _sum_register(counts: Iterable[RegisterCount | None]) -> RegisterCount | None:
    known = [count for count in counts if count is not None]
    return reduce(RegisterCount.plus, known) if known else None
