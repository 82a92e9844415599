"""Column maps: which headers of a foreign file hold our columns, and what its words mean.

A file that somebody else's system exports has other headers, other words and more columns than are needed. A
`ColumnMap` is the declaration of that, and `plan_rows` puts it to the header of a file; both readers of files
(`credkit.files.csvfiles`, `credkit.files.csvcolumns`) take their cells by the plan. A line of a file may have several
rows of ours: each has a `ColumnMap` of its own, and a file that has one row a line is the case of one.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from credkit.core.errors import DefinitionError
from credkit.core.frozen import FrozenMapping
from credkit.core.sentences import nearest, redacted_repr
from credkit.core.whitespace import strip_white_space
from credkit.files.momentpatterns import MomentPattern

VALUE = "value"  # the column of ours that tells the rows of a line apart
JOINT = " "  # between the cells of a column that several headers hold together
_NOTHING: FrozenMapping[str, Any] = FrozenMapping({})
_PART_OF_TEMPLATE = re.compile(r"\{(\w*)\}|([^{}]+)|(.)", re.DOTALL)


@dataclass(frozen=True, slots=True)
class CellTemplate:
    """How a cell is built of other columns of ours: ``{person_id}-{kind}``; ``parts`` are texts and columns in turn.

    >>> template = CellTemplate.parse("{person_id}-{kind}", ["person_id", "kind", "value"])
    >>> template.columns, template.build({"person_id": "P-1", "kind": "prox"})
    (('person_id', 'kind'), 'P-1-prox')
    >>> CellTemplate.parse("{person}", ["person_id", "kind", "value"])
    Traceback (most recent call last):
    credkit.DefinitionError: '{person}' is not one of {person_id}, {kind}, {value}; did you mean person_id?
    """

    text: str
    parts: tuple[tuple[str, bool], ...]  # a text, or the name of a column and True

    @classmethod
    def parse(cls, text: str, columns: Sequence[str]) -> CellTemplate:
        """The template that ``text`` writes; raises `DefinitionError` for another column than these, or none."""
        known = ", ".join(f"{{{name}}}" for name in columns)
        parts: list[tuple[str, bool]] = []
        for match in _PART_OF_TEMPLATE.finditer(text):
            name, literal, brace = match.groups()
            if brace is not None or (name is not None and name not in columns):
                near = nearest(name, columns) if name else ""
                raise DefinitionError(f"{redacted_repr(match[0])} is not one of {known}{near}")
            parts.append((name, True) if name is not None else (literal, False))
        if not any(is_column for _, is_column in parts):
            raise DefinitionError(f"{redacted_repr(text)} has none of {known}: all rows would have the same")
        return cls(text, tuple(parts))

    @property
    def columns(self) -> tuple[str, ...]:
        """The columns in it, each once."""
        return tuple(dict.fromkeys(part for part, is_column in self.parts if is_column))

    def build(self, cells: Mapping[str, str]) -> str:
        """The text that it makes of the cells of a row."""
        return "".join(cells[part] if is_column else part for part, is_column in self.parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnMap:
    """How a file differs from our own form of it.

    ``headers`` has the header, or several, of each of our columns that has another name there, ``constants`` the
    text of a column that is the same in all rows, ``words`` the cells of a column that mean another word of ours.
    ``needed`` has optional columns that this site cannot do without. ``built`` has the columns whose cells are built
    of others. ``rows_of_line``: a line of the file has several rows of ours, and each has one of these maps.
    """

    headers: FrozenMapping[str, tuple[str, ...]] = _NOTHING
    constants: FrozenMapping[str, str] = _NOTHING
    words: FrozenMapping[str, FrozenMapping[str, str]] = _NOTHING
    ignores_other_columns: bool = False
    needed: frozenset[str] = frozenset()
    date_pattern: MomentPattern | None = None
    time_pattern: MomentPattern | None = None
    built: FrozenMapping[str, CellTemplate] = _NOTHING
    rows_of_line: tuple[ColumnMap, ...] = ()

    @property
    def row_maps(self) -> tuple[ColumnMap, ...]:
        """The map of each row that a line has: this one, unless there are several."""
        return self.rows_of_line or (self,)

    def number_row(self, line: int, place: int) -> int:
        """The number of the row at ``place`` of a line: the line itself, where a line is a row.

        >>> ColumnMap().number_row(7, 0), ColumnMap(rows_of_line=(ColumnMap(), ColumnMap())).number_row(7, 1)
        (7, 15)
        """
        return line * len(self.row_maps) + place

    def line_of(self, row: int) -> int:
        """The line of the row that `number_row` numbers so."""
        return row // len(self.row_maps)

    def map_of(self, row: int) -> ColumnMap:
        """The map of the row that `number_row` numbers so."""
        return self.row_maps[row % len(self.row_maps)]

    def name_row(self, row: int) -> str:
        """The line of the row that `number_row` numbers so, and the header of its value, if the line has more rows.

        >>> maps = [ColumnMap(headers=FrozenMapping({VALUE: (name,)})) for name in ("Prox", "Chip")]
        >>> ColumnMap().name_row(7), ColumnMap(rows_of_line=tuple(maps)).name_row(15)
        ('7', "7 in 'Chip'")
        """
        if not self.rows_of_line:
            return str(row)
        return f"{self.line_of(row)} in {' and '.join(map(redacted_repr, self.map_of(row).headers_of(VALUE)))}"

    def headers_of(self, column: str) -> tuple[str, ...]:
        """The headers that hold a column of ours; none if it is a constant, or built.

        >>> ColumnMap(headers=FrozenMapping({"value": ("Kartennummer",)})).headers_of("value")
        ('Kartennummer',)
        """
        return () if column in self.constants or column in self.built else self.headers.get(column, (column,))

    def all_headers_of(self, column: str) -> tuple[str, ...]:
        """The same of all rows of a line, each once."""
        return tuple(dict.fromkeys(name for each in self.row_maps for name in each.headers_of(column)))

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


class RowPlan(NamedTuple):
    """Where the columns of a row come from, in their order; ``built`` has those that are built, by their places."""

    sources: tuple[ColumnSource, ...]
    built: tuple[tuple[int, CellTemplate], ...] = ()

    @property
    def is_plain(self) -> bool:
        """Whether the cells of one header each are taken as they are."""
        return not self.built and all(source.is_plain for source in self.sources)

    def take(self, cells: Sequence[str]) -> list[str]:
        """The cells of a row of ours, from those of a line.

        >>> mapping = ColumnMap(headers=FrozenMapping({"value": ("Nr",)}))
        >>> plan_rows(["Nr"], ["value", "kind"], mapping).rows[0].take(["7"])
        ['7', '']
        """
        found = [source.take(cells) for source in self.sources]
        for place, template in self.built:
            names = (source.name for source in self.sources)
            found[place] = template.build(dict(zip(names, found, strict=True)))
        return found


class LinePlan(NamedTuple):
    """Where the rows of a line come from, and the places in the header of all columns that no row takes."""

    rows: tuple[RowPlan, ...]
    others: tuple[int, ...]

    @property
    def used(self) -> frozenset[int]:
        """The places in the header of the columns that rows take."""
        return frozenset(place for row in self.rows for source in row.sources for place in source.places)

    def taker(self) -> Callable[[Sequence[str]], list[list[str]]]:
        """The function that takes the rows of a line; behind the cells of the first stand all other columns."""
        first, *more = self.rows
        if not (self.others or more) and first.is_plain:
            order = [source.places[0] for source in first.sources]
            return lambda cells: [[cells[place] for place in order]]
        return lambda cells: [
            [*first.take(cells), *(cells[place] for place in self.others)], *(row.take(cells) for row in more)
        ]  # fmt: skip


def plan_rows(
    header: Sequence[str], columns: Sequence[str], mapping: ColumnMap, stripped: frozenset[str] = frozenset()
) -> LinePlan:
    """Where ``columns`` come from in a file with this ``header``; a column that it lacks is empty."""
    places = {name: place for place, name in reversed(list(enumerate(header)))}
    used = {name for column in columns for name in mapping.all_headers_of(column)}
    rows = tuple(_plan_row(places, columns, each, stripped) for each in mapping.row_maps)
    return LinePlan(rows, tuple(place for place, name in enumerate(header) if name not in used))


def _plan_row(
    places: Mapping[str, int], columns: Sequence[str], mapping: ColumnMap, stripped: frozenset[str]
) -> RowPlan:  # fmt: skip
    wanted = {column: mapping.headers_of(column) for column in columns}
    sources = [
        ColumnSource(
            name=column, constant=mapping.constants.get(column, ""), strips=column in stripped,
            places=tuple(places[name] for name in names) if set(names) <= places.keys() else (),
            words=mapping.words.get(column, _NOTHING),
        )
        for column, names in wanted.items()
    ]  # fmt: skip
    built = [(place, mapping.built[name]) for place, name in enumerate(columns) if name in mapping.built]
    return RowPlan(tuple(sources), tuple(built))
