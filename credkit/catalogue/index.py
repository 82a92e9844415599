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
READER_TEXTS = (  # a text that a reader shows or types, and a chain that decodes it
    ("02F764DD", "hex:8/right-justified:26/wiegand-26"),
    ("04A1B2C3D4E5F6", "hex:14/uid-a-7"),
    ("0049767645", "decimal:32,10/serial-32"),
    ("123,45678", "split-decimal:8,16/fields:facility:8,number:16"),
    ("123-45678", "template:{facility:03d}-{number:05d}"),
    (";0123=45?", "track:2/track-2:site,number"),
)
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
