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

    ``cards`` counts credentials that somebody may have, ``clashes`` the groups of them that are
    alike, ``live`` those groups in which two or more are active, ``new`` those that the register
    itself can tell apart. ``active`` and ``inactive`` count the credentials in groups. ``reissue``
    cards at least, and ``most`` surely, would have to be replaced here. ``pairs`` are alike;
    ``expected`` would be if the numbers were drawn at random and had ``bits`` bits. ``unknown``
    counts credentials for which the place has no number.
    """

    what: PlaceKind
    name: str
    kinds: tuple[str, ...]
    cards: int
    unknown: int = 0
    clashes: int = 0
    live: int = 0
    new: int = 0
    active: int = 0
    inactive: int = 0
    reissue: int = 0
    most: int = 0
    pairs: int = 0
    serial: bool = False
    bits: float = inf
    expected: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DuplicateMember:
    """A credential in a group: where it stands in the file, and its status on the day of judgement."""

    credential: str
    person: str
    kind: str
    line: int
    state: str
    number: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DuplicateGroup:
    """Credentials that a place cannot tell apart: they share ``text``. ``readers`` give one number for them."""

    what: PlaceKind
    place: str
    text: str
    members: tuple[DuplicateMember, ...]
    readers: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ReaderDuplicates:
    """A reader, how many groups it sees both halves of, and how many of these are its own doing."""

    reader: str
    kind: str
    clashes: int
    own: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Reissue:
    """The cards that remove every duplicate at every place when they are replaced; ``least`` are needed at least."""

    cards: tuple[DuplicateMember, ...]
    least: int


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberSpan:
    """Numbers in a row, all used or all free."""

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
    """The numbers of one facility code: ``used`` different ones from ``first`` to ``last``, in so many ``runs``.

    ``gap`` is the longest stretch between two runs, ``free`` counts all numbers that are not used.
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
        """How much of the stretch from the first to the last number is used."""
        return self.used / (self.last - self.first + 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class LayoutPlan:
    """A layout of the catalogue and how many facility codes of it would hold the population with room to grow."""

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
    """Numbers in a row that were passed over, all for one reason."""

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
    """The whole result. ``unknown`` says what cannot be told: of which readers, and which numbers may be rounded.

    ``plain`` are the kinds whose numbers may be shown, whatever they look like.
    """

    site: str
    as_of: date
    file: str
    room: int
    counts: RowCounts
    places: tuple[Place, ...]
    clashes: tuple[DuplicateGroup, ...]
    sights: tuple[ReaderDuplicates, ...]
    reissue: Reissue
    ranges: tuple[FacilityRange, ...]
    stretches: tuple[NumberSpan, ...]
    plans: tuple[NamespacePlans, ...]
    unreadable: tuple[ExceptionRow, ...]
    unknown: tuple[str, ...] = ()
    allocation: Allocation | None = None
    plain: frozenset[str] = frozenset()

    @property
    def found(self) -> bool:
        """Whether there are duplicates, rows that cannot be read, or fewer new numbers than were wanted."""
        short = self.allocation is not None and len(self.allocation.badges) < self.allocation.wanted
        return bool(self.clashes or self.unreadable) or short
