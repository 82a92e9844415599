"""The index: where every built-in codec stands, and what a list says of it.

So a family of codecs is loaded when a chain names it, and the list of all loads none.
"""

from __future__ import annotations

from typing import NamedTuple

from credkit.catalogue.indexrows import ROWS


class IndexRow(NamedTuple):
    """One codec: its module in `credkit.codecs`, its TOML file there (if it stands in one), and what a list says of it.

    ``takes`` and ``gives`` are forms, empty where they depend on more than its arguments.
    """

    family: str
    file: str
    name: str
    signature: str
    takes: str
    gives: str
    aliases: tuple[str, ...]
    title: str


INDEX = tuple(map(IndexRow._make, ROWS))
_BY_NAME = {name: row for row in INDEX for name in (row.name, *row.aliases)}


def find_row(name: str) -> IndexRow | None:
    """The row of the codec called ``name``, or by that name in an open standard.

    >>> row = find_row("WIEGAND26")
    >>> row and (row.name, row.family, row.file)
    ('wiegand-26', 'frames', 'wiegand')
    """
    return _BY_NAME.get(name)


def signed(name: str, signature: str) -> str:
    """A step as lists show it.

    >>> signed("hex", "[N][,STYLE]"), signed("uuid", "")
    ('hex:[N][,STYLE]', 'uuid')
    """
    return f"{name}:{signature}" if signature else name
