"""Settled cards and readings: no other row bears on them, so they are not evaluated individually.

A card is settled if no other row of the files bears on it, and every reading of it is good. Its lines are
those of a representative: another card that is equal in all that its lines depend on. Only ambiguous
rows, and the representatives, are evaluated individually; `Settled` answers for the others.

`Settled` itself has no rows: all of them are evaluated. `credkit.crosswalk.settled_columns` has many.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import NamedTuple

from credkit.core.fields import Item
from credkit.crosswalk.register import Number
from credkit.crosswalk.result import Action, CrosswalkLine
from credkit.site.model import CredentialKind, Target


class ReaderPeriod(NamedTuple):
    """A reader, and which of its periods, counted from 0."""

    reader: str
    period: int


NumberValues = tuple[Item, ...]  # the fields that make a number


class Settled:
    """No settled rows."""

    def credentials_of(self, namespace: str, numbers: Collection[NumberValues]) -> Mapping[NumberValues, str]:
        """The settled credentials that have these numbers."""
        return {}

    def numbers_without_field(
        self, namespace: str, place: int, rests: Collection[NumberValues]
    ) -> Iterable[tuple[NumberValues, str]]:
        """The numbers that equal one of ``rests`` without the field at ``place``, with their credentials."""
        return ()

    def texts(self, where: ReaderPeriod) -> Iterable[str]:
        """The different settled texts of a reader in a period."""
        return ()

    def numbers(self, where: ReaderPeriod) -> set[NumberValues]:
        """The different settled numbers of a reader in a period."""
        return set()

    def sample_numbers(self, where: ReaderPeriod, most: int) -> set[NumberValues]:
        """A sample of these numbers: ``most`` of them, and the extremes of every field."""
        return set()

    def find_settled(self, doubtful: Iterable[tuple[str, Number]]) -> set[Number]:
        """The numbers among those ``doubtful`` at a reader that are of settled cards or their representatives."""
        return set()

    def count_readings(self, where: ReaderPeriod) -> int:
        """The number of settled readings of a reader in a period."""
        return 0

    def count_cards(
        self, kinds: Collection[str], *, active: bool = False, unseen: bool = False, held: bool = False
    ) -> int:
        """The number of settled cards of these kinds: active, never seen, or not gone."""
        return 0

    def count_printed(self, kind: str) -> int:
        """The number of settled cards of a kind whose printed number was compared: it equals the encoded one."""
        return 0

    def extreme_texts(self, target: Target) -> Sequence[str]:
        """The longest text of a target, and one that has not only digits."""
        return ()

    def count_rows(self, file: str) -> int:
        """The number of settled rows of a file: ``credentials``, ``readings``, or ``existing TARGET``."""
        return 0

    def count_misplaced(self, file: str, lines: Collection[int]) -> int:
        """The number of lines of a file that are not exactly once settled or among ``lines``, the evaluated ones."""
        return 0

    def all_lines(self, lines: Mapping[int, Sequence[CrosswalkLine]]) -> Sequence[CrosswalkLine]:
        """All lines of the result; ``lines`` has those of the evaluated rows, by row."""
        return tuple(line for them in lines.values() for line in them)

    def count_actions(self, lines: Mapping[int, Sequence[CrosswalkLine]]) -> Counter[tuple[str, Action]]:
        """The number of settled lines by target and action."""
        return Counter()


NONE_SETTLED = Settled()


def kind_names(kinds: Iterable[CredentialKind]) -> frozenset[str]:
    """The names of ``kinds``."""
    return frozenset(kind.name for kind in kinds)
