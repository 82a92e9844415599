"""The crowd: cards and readings of which it is certain what becomes of them, so that nobody looks at each.

A card is of the crowd if nothing else in the files bears on it, and every reading of it is good. What
becomes of it was worked out for another card that is like it in all that counts. The crosswalk
looks at every row that is not of the crowd, and asks the crowd what it has to know of the others.

This is the empty crowd: every row is looked at. `credkit.crosswalk.settled_columns` has one of many rows.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence

from credkit.core.fields import Item
from credkit.crosswalk.register import Number
from credkit.crosswalk.result import CrosswalkLine
from credkit.site.model import CredentialKind, Target

Where = tuple[str, int]  # a reader and the place of a period of it
NumberValues = tuple[Item, ...]  # the fields that make a number


class Settled:
    """Nobody."""

    def whose(self, namespace: str, numbers: Collection[NumberValues]) -> Mapping[NumberValues, str]:
        """The credentials of the crowd that have these numbers."""
        return {}

    def without(
        self, namespace: str, place: int, rests: Collection[NumberValues]
    ) -> Iterable[tuple[NumberValues, str]]:
        """The numbers that are one of ``rests`` without the field at ``place``, with their credentials."""
        return ()

    def texts(self, where: Where) -> Iterable[str]:
        """The different texts of a reader in a period."""
        return ()

    def numbers(self, where: Where) -> set[NumberValues]:
        """The different numbers of a reader in a period."""
        return set()

    def witnesses(self, where: Where, most: int) -> set[NumberValues]:
        """Some of them: ``most``, if there are so many, and two that differ in a field, for each that differs."""
        return set()

    def among(self, doubtful: Iterable[tuple[str, Number]]) -> set[Number]:
        """Those of the numbers, doubtful at a reader, that are of the crowd, or of a card that stands for it."""
        return set()

    def rows(self, where: Where) -> int:
        """How many readings of a reader in a period are of the crowd."""
        return 0

    def count(self, kinds: Collection[str], *, active: bool = False, unseen: bool = False, held: bool = False) -> int:
        """How many cards of these kinds there are: active, never seen, or held by somebody."""
        return 0

    def compared(self, kind: str) -> int:
        """How many cards of a kind have a printed number; it is the encoded one."""
        return 0

    def extremes(self, target: Target) -> Sequence[str]:
        """Of the texts that a target would hold the longest, and one that is not all digits."""
        return ()

    def placed(self, file: str) -> int:
        """How many rows of a file are of the crowd: ``credentials``, ``readings``, or ``existing TARGET``."""
        return 0

    def amiss(self, file: str, lines: Collection[int]) -> int:
        """How many lines of a file are not either of the crowd or one of ``lines``, which are looked at."""
        return 0

    def lines(self, lines: Mapping[int, Sequence[CrosswalkLine]]) -> Sequence[CrosswalkLine]:
        """All lines of the result; ``lines`` are those of the rows that were looked at, by row."""
        return tuple(line for them in lines.values() for line in them)

    def actions(self, lines: Mapping[int, Sequence[CrosswalkLine]]) -> Counter[tuple[str, str]]:
        """How many lines the crowd has by target and action."""
        return Counter()


NONE_SETTLED = Settled()


def kind_names(kinds: Iterable[CredentialKind]) -> frozenset[str]:
    """The names of ``kinds``."""
    return frozenset(kind.name for kind in kinds)
