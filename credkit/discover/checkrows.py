"""The checks of a found layout as rows of its definition: parities and block checks in the order of computation."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from credkit.core.spans import format_span
from credkit.discover.checkrecords import BlockCheck
from credkit.discover.relations import Relation


class _Unit(NamedTuple):
    """One check: its bits, those it covers, and its rows as TOML."""

    at: frozenset[int]
    covers: frozenset[int]
    rows: tuple[str, ...]


def check_rows(checks: Sequence[Relation], blocks: Sequence[BlockCheck], length: int) -> tuple[str, ...] | None:
    """The rows, none of which covers the check bits of a later one; None if there is no such order.

    >>> block = BlockCheck(kind="xor", length=12, at=(8, 9, 10, 11), covers=tuple(range(8)), evidence=30, block=4)
    >>> check_rows((), (block,), 12)
    ('{ bits = "8-11", xor = ["0-3", "4-7"] }',)
    """
    waiting = [
        *(
            _Unit(frozenset((row.cover.bit,)), frozenset(row.cover.covers), (parity_row(row, length),))
            for row in checks
        ),
        *(_Unit(frozenset(row.at), frozenset(row.covers), row.toml_rows) for row in blocks),
    ]
    ordered: list[str] = []
    done: set[int] = set()
    while waiting:
        ready = next((each for each in waiting if not any(each.covers & o.at for o in waiting if o is not each)), None)
        if ready is None or ready.at & done:
            return None
        ordered += ready.rows
        done |= ready.at
        waiting.remove(ready)
    return tuple(ordered)


def parity_row(check: Relation, length: int) -> str:
    """A parity check as a row of TOML."""
    parity = "odd" if check.is_odd(length) else "even"
    return f'{{ bit = {check.cover.bit}, {parity} = "{format_span(check.cover.covers)}" }}'
