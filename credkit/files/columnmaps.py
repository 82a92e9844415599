"""Column maps: which headers of a foreign file hold our columns, and what its words mean.

A file that somebody else's system exports has other headers, other words and more columns than are needed. A
`ColumnMap` is the declaration of that, and `plan_columns` puts it to the header of a file; both readers of files
(`credkit.files.csvfiles`, `credkit.files.csvcolumns`) take their cells by the plan.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from credkit.core.frozen import FrozenMapping
from credkit.core.sentences import redacted_repr
from credkit.core.whitespace import strip_white_space
from credkit.files.momentpatterns import MomentPattern

JOINT = " "  # between the cells of a column that several headers hold together
_NOTHING: FrozenMapping[str, Any] = FrozenMapping({})


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnMap:
    """How a file differs from our own form of it.

    ``headers`` has the header, or several, of each of our columns that has another name there, ``constants`` the
    text of a column that is the same in all rows, ``words`` the cells of a column that mean another word of ours.
    ``needed`` has optional columns that this site cannot do without.
    """

    headers: FrozenMapping[str, tuple[str, ...]] = _NOTHING
    constants: FrozenMapping[str, str] = _NOTHING
    words: FrozenMapping[str, FrozenMapping[str, str]] = _NOTHING
    ignores_other_columns: bool = False
    needed: frozenset[str] = frozenset()
    date_pattern: MomentPattern | None = None
    time_pattern: MomentPattern | None = None

    def headers_of(self, column: str) -> tuple[str, ...]:
        """The headers that hold a column of ours; none if it is a constant.

        >>> ColumnMap(headers=FrozenMapping({"value": ("Kartennummer",)})).headers_of("value")
        ('Kartennummer',)
        """
        return () if column in self.constants else self.headers.get(column, (column,))

    def describe_headers(self, column: str) -> str:
        """Which headers hold a column of ours, in brackets; nothing where it has its own name.

        >>> ColumnMap(headers=FrozenMapping({"value": ("Kartennummer",)})).describe_headers("value")
        " (column 'Kartennummer')"
        """
        headers = self.headers.get(column, (column,))
        return "" if headers == (column,) else f" (column {' and '.join(map(redacted_repr, headers))})"


OWN_FORM = ColumnMap()


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnSource:
    """Where the cells of a column of ours come from: the places of its headers, or a constant.

    ``strips`` takes off the white space around each cell; ``words`` are put in for others then.
    """

    name: str
    places: tuple[int, ...] = ()
    constant: str = ""
    strips: bool = False
    words: Mapping[str, str] = _NOTHING

    @property
    def is_plain(self) -> bool:
        """Whether the cells of one header are taken as they are."""
        return len(self.places) == 1 and not self.strips and not self.words

    def take(self, cells: Sequence[str]) -> str:
        """The cell of a row.

        >>> source = ColumnSource(name="time", places=(0, 2), strips=True)
        >>> source.take(["31.03.2026", "gate", " 08:15"])
        '31.03.2026 08:15'
        """
        if not self.places:
            return self.constant
        found = [strip_white_space(cells[place]) if self.strips else cells[place] for place in self.places]
        text = JOINT.join(found) if any(found) else ""
        return self.words.get(text, text)


class ColumnPlan(NamedTuple):
    """Where the columns of a file come from, in their order, and the places of all others in its header."""

    sources: tuple[ColumnSource, ...]
    others: tuple[int, ...]

    def taker(self) -> Callable[[Sequence[str]], list[str]]:
        """The function that takes the cells of a row: those of our columns, and behind them all others."""
        if not self.others and all(source.is_plain for source in self.sources):
            order = [source.places[0] for source in self.sources]
            return lambda cells: [cells[place] for place in order]
        return lambda cells: [
            *(source.take(cells) for source in self.sources), *(cells[place] for place in self.others)
        ]  # fmt: skip


def plan_columns(
    header: Sequence[str], columns: Sequence[str], mapping: ColumnMap, stripped: frozenset[str]
) -> ColumnPlan:  # fmt: skip
    """Where ``columns`` come from in a file with this ``header``; a column that it lacks is empty."""
    places = {name: place for place, name in reversed(list(enumerate(header)))}
    wanted = {column: mapping.headers_of(column) for column in columns}
    used = {name for names in wanted.values() for name in names}
    sources = [
        ColumnSource(
            name=column, constant=mapping.constants.get(column, ""), strips=column in stripped,
            places=tuple(places[name] for name in names) if set(names) <= places.keys() else (),
            words=mapping.words.get(column, _NOTHING),
        )
        for column, names in wanted.items()
    ]  # fmt: skip
    return ColumnPlan(tuple(sources), tuple(place for place, name in enumerate(header) if name not in used))
