"""Tables as CSV files, written piece by piece: formulas are guarded and account numbers masked, column by column.

Source: RFC 4180 (common form of CSV).
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import islice

import polars as pl

from credkit.files.formulas import FORMULA_PATTERN, guard_formula
from credkit.privacy.accountroom import ACCOUNT_DIGITS, ACCOUNT_ROOM_PATTERN
from credkit.privacy.accounts import mask_accounts

ROWS_AT_ONCE = 1 << 12  # rows that are formatted at once
Column = pl.Series | Sequence[object]


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvTable:
    """A table of these ``columns``; account numbers are masked in all but those that are ``unmasked``.

    >>> people = CsvTable(columns=("person", "card", "printed"), unmasked=("card",))
    >>> rows = [("=P-1", "4114360123456785", "4114360123456785"), ("P-2", 7, None)]
    >>> print(b"".join(people.encode(rows)).decode(), end="")
    person,card,printed
    '=P-1,4114360123456785,411436******6785
    P-2,7,
    """

    columns: tuple[str, ...]
    unmasked: Collection[str] = ()

    def encode(self, rows: Iterable[Sequence[object]]) -> Iterator[bytes]:
        """The whole file in pieces: the header, then the rows."""
        return self.encode_blocks(split_rows(rows))

    def encode_blocks(self, blocks: Iterable[Sequence[Column]]) -> Iterator[bytes]:
        """The whole file in pieces: the header, then blocks of rows, each with a column for each name."""
        yield self.encode_header()
        yield from map(self.encode_columns, blocks)

    def encode_header(self) -> bytes:
        """The row of the names of the columns."""
        return encode_cells(self.make_header())

    def encode_rows(self, rows: Iterable[Sequence[object]]) -> Iterator[bytes]:
        """Rows without a header, in pieces."""
        return map(self.encode_columns, split_rows(rows))

    def encode_columns(self, columns: Sequence[Column]) -> bytes:
        """Rows without a header, given as a column for each name."""
        return encode_cells(self.make_cells(columns))

    def make_cells(self, columns: Sequence[Column]) -> list[pl.Series]:
        """Rows as columns of cells, guarded and masked; null where a cell is empty."""
        return [
            _make_cells(values, is_masked=name not in self.unmasked)
            for name, values in zip(self.columns, columns, strict=True)
        ]

    def make_header(self) -> list[pl.Series]:
        """The names of the columns as cells, each in a column of its own."""
        return [_make_cells([name]) for name in self.columns]


@dataclass(frozen=True, slots=True, kw_only=True)
class FilledTable:
    """A table with its rows, which come in ``blocks`` each time they are asked for."""

    table: CsvTable
    blocks: Callable[[], Iterable[Sequence[Column]]]

    def encode(self) -> Iterator[bytes]:
        """The plain file in pieces."""
        return self.table.encode_blocks(self.blocks())


def split_rows(rows: Iterable[Sequence[object]]) -> Iterator[list[tuple[object, ...]]]:
    """Rows in blocks, each a list of columns.

    >>> list(split_rows([("C-1", 7), ("C-2", 8)]))
    [[('C-1', 'C-2'), (7, 8)]]
    """
    left = iter(rows)
    while piece := list(islice(left, ROWS_AT_ONCE)):
        yield list(zip(*piece, strict=True))


def format_cell(value: object) -> str:
    """A value as a cell; what a spreadsheet would take for a formula gets an apostrophe before it.

    >>> format_cell("=1+1"), format_cell("-2147483648"), format_cell(("-A", "@C-2")), format_cell(None)
    ("'=1+1", '-2147483648', "'-A;' @C-2", '')
    """
    return guard_formula(_format_value(value))


def _format_value(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.isoformat(timespec="seconds")
    return "; ".join(map(str, value)) if isinstance(value, tuple) else str(value)


def _make_cells(values: Column, *, is_masked: bool = False) -> pl.Series:
    """The cells of a column; null where one is empty."""
    if isinstance(values, pl.Series):
        cells = values.cast(pl.String)
        if values.dtype.is_numeric() or values.dtype.is_temporal():  # no formula, and no empty text
            return _mask(cells) if is_masked and values.dtype.is_numeric() else cells
        if values.dtype in (pl.Categorical, pl.Enum):
            names = values.unique().cast(pl.String)
            if _make_cells(names, is_masked=is_masked).equals(_empty_to_null(names)):
                return _empty_to_null(cells)
    else:
        types = set(map(type, values))
        texts = values if types <= {str} else list(map(str if types <= {str, int} else _format_value, values))
        try:
            cells = pl.Series(texts, dtype=pl.String)
        except UnicodeEncodeError:  # half a surrogate pair, which stands for a byte of no known meaning
            guarded = map(format_cell, values)
            shown = map(mask_accounts, guarded) if is_masked else guarded
            cells = pl.Series([text.encode("utf-8", "backslashreplace").decode() for text in shown])
            return _empty_to_null(cells)
    cells = _change(cells, FORMULA_PATTERN, guard_formula)
    return _empty_to_null(_mask(cells) if is_masked else cells)


def _mask(cells: pl.Series) -> pl.Series:
    """``cells`` without payment account numbers."""
    if (cells.str.len_bytes() >= ACCOUNT_DIGITS.start).any():
        return _change(cells, ACCOUNT_ROOM_PATTERN, mask_accounts)
    return cells


def _empty_to_null(cells: pl.Series) -> pl.Series:
    return cells.set(cells == "", None)


def _change(cells: pl.Series, pattern: str, change: Callable[[str], str]) -> pl.Series:
    """``cells`` after ``change``, which leaves those alone in which ``pattern`` is not found."""
    found = cells.filter(cells.str.contains(pattern)).unique()
    changed = {text: new for text in found.to_list() if (new := change(text)) != text}
    return cells.replace(changed) if changed else cells


def encode_cells(cells: Sequence[pl.Series], delimiter: str = ",") -> bytes:
    """Columns of cells as rows: quoted are those with a delimiter, a quotation mark or a line end."""
    if len(cells) == 1:
        cells = [cells[0].fill_null("")]  # in quotes: an empty line would be no row
    named = [column.alias(str(place)) for place, column in enumerate(cells)]
    return pl.DataFrame(named).write_csv(include_header=False, separator=delimiter).encode()
