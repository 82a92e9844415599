"""Facts: what rows count for, by reader, rule, time and chain; those of any two sets of rows can be joined.

Joining is a sum, a union, or the best of a bounded number: so it does not matter in which order or grouping
pieces of files are joined. What depends on the order of rows is in `credkit.audit.fileruns`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from enum import Enum
from typing import NamedTuple

from credkit.audit.alterations import Alteration, ColumnTexts
from credkit.audit.constant_fields import ConstantFields
from credkit.audit.counts_by_reader import CountsByReader
from credkit.audit.owners import NumberOwners, NumberSpace
from credkit.audit.plan import join_reader_names
from credkit.audit.time_bins import TimeBins
from credkit.bulk import Rule
from credkit.bulk.words import Array

MOST_PATTERNS = 256  # combinations of failed rules of a reader; one that fails more of them fails none in particular
MOST_SAMPLED_TEXTS = 8  # different failing texts of a reader and a use that are kept for diagnosis


class RegisterVerdict(Enum):
    """What the register says of a good row: no card has its number, or its card was not active when it was read.

    A row of a chain that truncates is not compared.
    """

    UNKNOWN = "unknown"
    INACTIVE = "inactive"
    NOT_COMPARED = "not compared"


class FailurePattern(NamedTuple):
    """The rules that rows of a reader fail together on a use, in their order by step and name."""

    use: int
    rules: tuple[Rule, ...]


class ReaderTotal(NamedTuple):
    """The rows of a reader, how many are good, and the first and last time in µs since 1970."""

    rows: int
    good: int
    first: int
    last: int

    def plus(self, other: ReaderTotal) -> ReaderTotal:
        """The total of both."""
        return ReaderTotal(
            self.rows + other.rows, self.good + other.good, min(self.first, other.first), max(self.last, other.last)
        )


class Facts:
    """The counts of some rows; ``names`` are the readers that the numbers of readers stand for.

    ``tallies`` and ``first`` count the rows that fail a rule of a use, and that fail it before any other;
    ``frames`` and ``failed`` count what was read of them, which is less where several rows are one entry.
    ``scattered`` are readers that fail too many combinations of rules for ``patterns``; ``samples`` are the
    failing texts of a reader and a use with the smallest hashes, ``strangers`` good ones with a number that the
    register does not have. ``compared`` counts the good rows of a use that are not of an active card, ``strange_bins``
    the unknown ones over time, ``inactive`` the readings of each number whose card was not active, by namespace.
    ``altered`` counts the rows whose text a spreadsheet seems to have made, ``columns`` has the texts by which rounding
    is judged, ``constants`` the fields of a number that are the same in all good rows of a reader on a use.
    ``owners`` has an entry for each namespace.
    """

    def __init__(self, spaces: Sequence[NumberSpace]) -> None:
        self.names: list[str] = []
        self.readers: dict[int, ReaderTotal] = {}
        self.patterns: dict[int, Counter[FailurePattern]] = {}
        self.scattered: set[int] = set()
        self.tallies = CountsByReader[tuple[int, Rule]]()
        self.first = CountsByReader[tuple[int, Rule]]()
        self.frames = CountsByReader[int]()
        self.failed = CountsByReader[tuple[int, Rule]]()
        self.notes = CountsByReader[tuple[str, str, str]]()
        self.uses = CountsByReader[int]()  # rows
        self.repeats: Counter[int] = Counter()
        self.samples: dict[tuple[int, int], dict[str, int]] = {}
        self.compared = CountsByReader[tuple[int, RegisterVerdict]]()
        self.strangers: dict[tuple[int, int], dict[str, int]] = {}
        self.strange_bins = TimeBins()
        self.inactive: Counter[tuple[int, int]] = Counter()
        self.bins = TimeBins()
        self.altered = CountsByReader[Alteration]()
        self.columns = ColumnTexts()
        self.constants = ConstantFields()
        self.owners = [NumberOwners(space.bits) for space in spaces]

    def add_total(self, code: int, total: ReaderTotal) -> None:
        """Count rows of a reader."""
        self.readers[code] = self.readers[code].plus(total) if code in self.readers else total

    def add_pattern(self, code: int, use: int, rules: Iterable[Rule], count: int) -> None:
        """Count rows of a reader that fail the same rules, as long as it fails few combinations of them."""
        if code in self.scattered:
            return
        kept = self.patterns.setdefault(code, Counter())
        kept[FailurePattern(use, tuple(sorted(rules)))] += count
        if len(kept) > MOST_PATTERNS:
            self.scatter(code)

    def scatter(self, code: int) -> None:
        """Count the combinations of failed rules of a reader no more."""
        self.scattered.add(code)
        self.patterns.pop(code, None)

    def add_sample(self, code: int, use: int, hashes: dict[str, int]) -> None:
        """Keep those of a reader's failing texts on a use that have the smallest hashes."""
        _keep_smallest(self.samples, (code, use), hashes)

    def add_strangers(self, code: int, use: int, hashes: dict[str, int]) -> None:
        """Keep those of a reader's texts of unknown cards on a use that have the smallest hashes."""
        _keep_smallest(self.strangers, (code, use), hashes)

    @property
    def good(self) -> int:
        """The rows that are good."""
        return sum(total.good for total in self.readers.values())

    @property
    def failing(self) -> int:
        """The rows that fail."""
        return sum(total.rows - total.good for total in self.readers.values())

    def codes_for(self, other: Facts) -> Array | None:
        """The numbers that readers of ``other`` have here, where unknown ones get new numbers; None for the same."""
        names, codes = join_reader_names(self.names, other.names)
        self.names = names
        return codes

    def absorb(self, other: Facts) -> None:
        """Count all that ``other`` counts, whose readers have the same numbers."""
        for code, total in other.readers.items():
            self.add_total(code, total)
        for code in other.scattered:
            self.scatter(code)
        for code, patterns in other.patterns.items():
            for pattern, count in patterns.items():
                self.add_pattern(code, pattern.use, pattern.rules, count)
        self.tallies.update(other.tallies)
        self.first.update(other.first)
        self.frames.update(other.frames)
        self.failed.update(other.failed)
        self.notes.update(other.notes)
        self.uses.update(other.uses)
        self.repeats.update(other.repeats)
        for (code, use), sample in other.samples.items():
            self.add_sample(code, use, sample)
        for (code, use), sample in other.strangers.items():
            self.add_strangers(code, use, sample)
        self.compared.update(other.compared)
        self.inactive.update(other.inactive)
        self.bins.absorb(other.bins)
        self.strange_bins.absorb(other.strange_bins)
        self.altered.update(other.altered)
        self.columns.absorb(other.columns)
        self.constants.absorb(other.constants)
        for mine, theirs in zip(self.owners, other.owners, strict=True):
            mine.absorb(theirs)

    def renumbered(self, codes: Array) -> Facts:
        """The same counts, where each reader has the number ``codes`` gives for it."""
        found = Facts(())
        to = codes.tolist()
        found.readers = {to[code]: total for code, total in self.readers.items()}
        found.patterns = {to[code]: counts for code, counts in self.patterns.items()}
        found.scattered = {to[code] for code in self.scattered}
        found.tallies = self.tallies.renumbered(codes)
        found.first = self.first.renumbered(codes)
        found.frames = self.frames.renumbered(codes)
        found.failed = self.failed.renumbered(codes)
        found.notes = self.notes.renumbered(codes)
        found.uses = self.uses.renumbered(codes)
        found.repeats = Counter({to[code]: count for code, count in self.repeats.items()})
        found.samples = {(to[code], use): sample for (code, use), sample in self.samples.items()}
        found.strangers = {(to[code], use): sample for (code, use), sample in self.strangers.items()}
        found.compared = self.compared.renumbered(codes)
        found.inactive = self.inactive.copy()
        found.bins = self.bins.renumbered(codes)
        found.strange_bins = self.strange_bins.renumbered(codes)
        found.altered = self.altered.renumbered(codes)
        found.columns = self.columns.renumbered(codes)
        found.constants = self.constants.renumbered(codes)
        found.owners = [owners.renumbered(codes) for owners in self.owners]
        return found

    def compact(self) -> None:
        """Keep everything in as little memory as it needs, to be sent or kept."""
        self.bins.compact()
        self.strange_bins.compact()
        self.columns.compact()
        for owners in self.owners:
            owners.compact()


def _keep_smallest(
    samples: dict[tuple[int, int], dict[str, int]], key: tuple[int, int], hashes: dict[str, int]
) -> None:  # fmt: skip
    """Keep those texts of a key that have the smallest hashes."""
    joined = {**samples.get(key, {}), **hashes}
    samples[key] = dict(sorted(joined.items(), key=lambda item: (item[1], item[0]))[:MOST_SAMPLED_TEXTS])
