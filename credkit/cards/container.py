"""The capability container: which part of a card is for data, and whether anybody may write there.

    E1 10 12 00               type 2: a mark, version 1.0, 12h times 8 bytes, rights to read and write
    E1 40 1F 01               type 5: a mark, version and rights, 1Fh times 8 bytes, features (several blocks at once)
    E2 40 00 01 00 00 03 FF   type 5, addressed with two bytes, or too large for one byte: the size stands behind

A right of 0 is everybody's; only the right to write is ever taken away, with all its bits set.

Source: NFC Forum Type 2 Tag and Type 5 Tag (from memory).
"""

from __future__ import annotations

from functools import cache
from typing import Any

from credkit.cards.geometry import Geometry

UNIT = 8  # bytes in which the size of the data area is counted
MOST_SHORT_UNITS = 255  # such units that one byte counts
LONG_SIZE = 8  # bytes of a long container
ONE_BYTE_BLOCKS = 256  # blocks that one byte addresses


@cache
def _formats() -> tuple[Any, Any, Any]:
    """The bytes of a container: of type 2, of type 5 in four bytes and in eight."""
    import construct as c  # only for plans with a container

    type_2 = c.Struct(
        "mark" / c.Const(0xE1, c.Int8ub), "version" / c.Const(0x10, c.Int8ub), "units" / c.Int8ub,
        "access" / c.BitStruct("read" / c.Const(0, c.Nibble), "write" / c.Nibble),
    )  # fmt: skip
    head = c.BitStruct(
        "major" / c.Const(1, c.BitsInteger(2)), "minor" / c.Const(0, c.BitsInteger(2)),
        "read" / c.Const(0, c.BitsInteger(2)), "write" / c.BitsInteger(2),
    )  # fmt: skip
    features = c.Const(0x01, c.Int8ub)
    short = c.Struct("mark" / c.Int8ub, "access" / head, "units" / c.Int8ub, "features" / features)
    long = c.Struct(
        "mark" / c.Int8ub, "access" / head, c.Const(b"\0"), "features" / features, c.Const(b"\0\0"), "units" / c.Int16ub
    )
    return type_2, short, long


def write_container(geometry: Geometry, *, read_only: bool) -> bytes:
    """The container of a card with all its free bytes for data; empty where there are too few to say so.

    >>> from credkit.cards.geometry import build_geometry
    >>> names = "type2-144", "type5-64x4", "type5-1024x8"
    >>> [write_container(build_geometry(name), read_only=name == "type5-64x4").hex(" ") for name in names]
    ['e1 10 12 00', 'e1 43 1f 01', 'e2 40 00 01 00 00 03 ff']
    """
    type_2, short, long = _formats()
    units = geometry.free_bytes // UNIT
    if not units:
        return b""
    if geometry.unit == "page":
        return bytes(type_2.build({"units": units, "access": {"write": 0xF * read_only}}))
    head = {"mark": 0xE1 if geometry.blocks <= ONE_BYTE_BLOCKS else 0xE2, "access": {"write": 3 * read_only}}
    if geometry.duty_of_bytes.count("container") == LONG_SIZE:
        return bytes(long.build({**head, "units": units}))
    return bytes(short.build({**head, "units": min(units, MOST_SHORT_UNITS)}))
