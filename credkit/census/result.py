"""What a census gives: how many rows, which are duplicates where, what to reissue, what is used and what is free.

A *place* is where numbers are compared: a namespace of the register, a target by its texts, a
reader that truncates by what it gives. A *group of duplicates* is several credentials that one place cannot tell apart.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from math import inf
from typing import Final, Literal

from credkit.facts.exceptions import ExceptionRow
from credkit.work.items import WorkItem

PlaceKind = Literal["number", "target", "reader"]
BY_NUMBER: Final = "number"
BY_TARGET: Final = "target"
BY_READER: Final = "reader"


@dataclass(frozen=True, slots=True, kw_only=True)
class RowCounts:
    """The number of credentials rows that are ``read``, ``superseded`` or ``unreadable``.

    The rows that were read have a state: ``active``, ``inactive`` (somebody may still have the card)
    or ``gone``.
    """

    rows: int
    superseded: int
    unreadable: int
    active: int
    inactive: int
    gone: int

    @property
    def read(self) -> int:
        """The rows whose number is known and counts."""
        return self.active + self.inactive + self.gone


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """The duplicates of one place.

    ``cards`` counts the credentials that somebody may have, ``unknown`` those for which the place has no number.
    ``groups`` counts the groups of duplicates, ``several_active`` those with two or more active cards, ``merged`` those
    with different numbers in the register; ``active`` and ``inactive`` count the credentials in groups. To separate
    all of them takes at least ``reissue_least`` new cards, and ``reissue_most`` suffice. ``pairs`` counts the pairs of
    duplicates, ``expected_pairs`` those of random numbers of ``bits`` bits; it is None for numbers of several fields.
    """

    what: PlaceKind
    name: str
    kinds: tuple[str, ...]
    cards: int
    unknown: int = 0
    groups: int = 0
    several_active: int = 0
    merged: int = 0
    active: int = 0
    inactive: int = 0
    reissue_least: int = 0
    reissue_most: int = 0
    pairs: int = 0
    bits: float = inf
    expected_pairs: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DuplicateMember:
    """A credential in a group: where it stands in the file, and its status on the day of judgement.

    ``value`` is its number as the register writes it.
    """

    credential: str
    person: str
    kind: str
    line: int
    state: str
    number: str
    value: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DuplicateGroup:
    """Credentials that a place cannot tell apart: all have ``text`` there. ``readers`` give one number for them."""

    what: PlaceKind
    place: str
    text: str
    members: tuple[DuplicateMember, ...]
    readers: tuple[str, ...] = ()

    @property
    def form(self) -> str:
        """What all members have there; a number as the register writes it."""
        return min(member.value for member in self.members) if self.what == BY_NUMBER else self.text


@dataclass(frozen=True, slots=True, kw_only=True)
class ReaderDuplicates:
    """The groups that a reader cannot tell apart: those of one number, and those that its own truncation makes."""

    reader: str
    kind: str
    same_number: int
    own_truncation: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Reissue:
    """The cards whose replacement removes every duplicate at every place; no set of fewer than ``least`` does."""

    cards: tuple[DuplicateMember, ...]
    least: int


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberSpan:
    """Consecutive numbers, all used or all free."""

    namespace: str
    facility: int | None
    first: int
    last: int
    used: bool

    @property
    def count(self) -> int:
        """The number of numbers in the span."""
        return self.last - self.first + 1


@dataclass(frozen=True, slots=True, kw_only=True)
class FacilityRange:
    """The numbers of one facility code: ``used`` different ones from ``first`` to ``last``, in ``runs`` without a gap.

    ``gap`` is the length of the longest gap, ``free`` counts the unused numbers.
    """

    namespace: str
    facility: int | None
    used: int
    first: int
    last: int
    runs: int
    gap: int
    free: int

    @property
    def gaps(self) -> int:
        """The number of gaps between the runs."""
        return self.runs - 1

    @property
    def density(self) -> float:
        """The used share of the numbers from the first to the last."""
        return self.used / (self.last - self.first + 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class LayoutPlan:
    """A layout of the catalogue, and the count of facility codes in it that hold the population with room to grow."""

    layout: str
    length: int
    facility_bits: int
    number_bits: int
    facilities: int
    fits: bool
    smallest: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class NamespacePlans:
    """The plans for a namespace of ``cards``, with room for ``needed``."""

    namespace: str
    cards: int
    needed: int
    plans: tuple[LayoutPlan, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NewBadge:
    """A number for a new badge: how the register writes it, and each target."""

    facility: int | None
    number: int
    value: str
    texts: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class SkippedNumbers:
    """Consecutive numbers that were not given out, all for one reason."""

    first: int
    last: int
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Allocation:
    """New numbers of a kind, in order; fewer than ``wanted`` where there are no more."""

    kind: str
    facility: int | None
    wanted: int
    badges: tuple[NewBadge, ...]
    skipped: tuple[SkippedNumbers, ...]
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Census:
    """The whole result. ``work`` is what people have to do; ``unknown`` has a sentence for all that nobody can tell.

    ``unmasked_kinds`` have no value that looks like a payment account number, or are declared to be none.
    """

    site: str
    as_of: date
    file: str
    room: int
    counts: RowCounts
    places: tuple[Place, ...]
    groups: tuple[DuplicateGroup, ...]
    readers: tuple[ReaderDuplicates, ...]
    reissue: Reissue
    ranges: tuple[FacilityRange, ...]
    spans: tuple[NumberSpan, ...]
    plans: tuple[NamespacePlans, ...]
    unreadable: tuple[ExceptionRow, ...]
    unknown: tuple[str, ...] = ()
    allocation: Allocation | None = None
    unmasked_kinds: frozenset[str] = frozenset()
    work: tuple[WorkItem, ...] = ()

    @property
    def found(self) -> bool:
        """Whether there are duplicates, rows that cannot be read, or fewer new numbers than were wanted."""
        short = self.allocation is not None and len(self.allocation.badges) < self.allocation.wanted
        return bool(self.groups or self.unreadable) or short
