"""Texts and tables for a screen, with account numbers masked."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from credkit.explain.screen import table_lines, wrap_text
from credkit.privacy.accounts import mask_accounts


def wrap_masked(text: str, first: str = "", rest: str = "", *, unmasked: bool = False) -> list[str]:
    """The lines of ``text`` for a screen, account numbers masked unless ``unmasked`` says that it has none.

    >>> wrap_masked("4114360123456785", "- ")  # the number of the WHATWG HTML standard's example
    ['- 411436******6785']
    """
    return wrap_text(text if unmasked else mask_accounts(text), first=first, rest=rest)


def masked_table(
    columns: Sequence[str], rows: Iterable[Sequence[str | int]], *, unmasked: bool = False
) -> Iterator[str]:
    """The lines of a table for a screen, account numbers in its texts masked unless ``unmasked``.

    >>> list(masked_table(("reader", "rows"), [("4114360123456785", 7)]))
    ['  reader            rows', '  411436******6785     7']
    """
    if not unmasked:
        rows = ([mask_accounts(cell) if isinstance(cell, str) else cell for cell in row] for row in rows)
    return table_lines(columns, rows)
