"""Printed numbers: the column of a register that repeats the card number of its values, as it is printed on cards."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from credkit.core.whitespace import strip_white_space
from credkit.discover.siteregister import build_chain
from credkit.discover.siteresults import FoundKind, SiteDiscovery
from credkit.proposal.exporttable import ExportTable

SAME_SHARE = 0.9  # of the cells that must be the number of the value
FEWEST_SAME = 3
NUMBER = "number"


def find_printed(
    table: ExportTable, names: Sequence[str], kinds: Sequence[str], value: str, found: SiteDiscovery
) -> str | None:
    """The column among ``names`` whose cells are the card numbers of the values, for one kind at least."""
    values = list(map(strip_white_space, table.columns[value]))
    ranks = {}
    for name in names:
        cells = list(map(strip_white_space, table.columns[name]))
        same = sum(
            count for kind in found.kinds if (count := count_same(kind, kinds, values, cells)) and
            printed_chain(kind, kinds, values, cells)
        )  # fmt: skip
        if same:
            ranks[name] = same
    return max(ranks, key=lambda name: ranks[name], default=None)


def count_same(kind: FoundKind, kinds: Sequence[str], values: Sequence[str], cells: Sequence[str]) -> int:
    """How many cells are the card number of the value beside them; 0 unless nearly all are."""
    numbers = _numbers(kind, kinds, values)
    pairs = [(cell, numbers[value]) for kind_name, value, cell in zip(kinds, values, cells, strict=True)
             if kind_name == kind.name and value in numbers and cell]  # fmt: skip
    same = sum(cell.isdecimal() and cell.isascii() and int(cell) == number for cell, number in pairs)
    return same if same >= FEWEST_SAME and same >= SAME_SHARE * len(pairs) else 0


def printed_chain(kind: FoundKind, kinds: Sequence[str], values: Sequence[str], cells: Sequence[str]) -> str | None:
    """The chain that reads the printed numbers of a kind; None where they are not its card numbers."""
    if not count_same(kind, kinds, values, cells):
        return None
    own = [cell for name, cell in zip(kinds, cells, strict=True) if name == kind.name and cell.isdecimal()]
    widths = {len(cell) for cell in own}
    if len(widths) == 1:
        return f"template:{{{NUMBER}:0{widths.pop()}d}}"
    has_zeros = any(cell.startswith("0") and len(cell) > 1 for cell in own)
    return None if has_zeros else f"template:{{{NUMBER}:d}}"


def _numbers(kind: FoundKind, kinds: Sequence[str], values: Sequence[str]) -> Mapping[str, int]:
    """The card number of each value of a kind."""
    found = {}
    codecs = [build_chain(chain) for chain in kind.values]
    for value in {value for name, value in zip(kinds, values, strict=True) if name == kind.name}:
        for codec in codecs:
            fields = codec._decode_raw(value)
            if fields is not None and isinstance(number := fields.get(NUMBER), int):
                found[value] = number
                break
    return found
