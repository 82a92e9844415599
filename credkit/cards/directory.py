"""The directory: a record that says where the others are, so that a card can be read without its plan.

    01 02  0004 00 0004  0005 04 0010  C2 A1      version, count; for each record its block (2 bytes),
                                                 byte in the block, size (2 bytes); a CRC over all that

Numbers have their most significant byte first; records stand in the order of the plan. The CRC
is that of ISO/IEC 14443 type B: it finds accidents and authenticates nothing.

Source: a format of this project's own; no open standard covers it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from credkit.cards.geometry import Geometry
from credkit.cards.plan import CardRecord
from credkit.core.errors import DecodeError
from credkit.tables.crcs import CRCS

VERSION = 1
CRC = CRCS["crc-b"]
CRC_BYTES = CRC.width // 8
HEAD_BYTES = 2  # bytes before the first entry
ENTRY_BYTES = 5  # bytes of an entry
MOST_ENTRIES = 255  # records: one byte counts them


@dataclass(frozen=True, slots=True)
class DirectoryEntry:
    """Where a record begins, and how many bytes it has."""

    block: int
    byte: int
    size: int


def directory_size(count: int) -> int:
    """Bytes of the directory of ``count`` records."""
    return HEAD_BYTES + ENTRY_BYTES * count + CRC_BYTES


@cache
def _build_format() -> Any:
    """The bytes of a directory without their CRC."""
    import construct as c  # only for plans with a directory

    entry = c.Struct("block" / c.Int16ub, "byte" / c.Int8ub, "size" / c.Int16ub)
    return c.Struct("version" / c.Const(VERSION, c.Int8ub), "entries" / c.PrefixedArray(c.Int8ub, entry))


def encode_directory(records: Sequence[CardRecord], geometry: Geometry) -> bytes:
    """The directory of placed ``records``.

    >>> from credkit.cards.geometry import build_geometry
    >>> card = build_geometry("sectors-16x4")
    >>> data = encode_directory([CardRecord(name="personnel", size=4, places=(64, 65, 66, 67))], card)
    >>> data[:-2].hex(" "), decode_directory(data)
    ('01 01 00 04 00 00 04', (DirectoryEntry(block=4, byte=0, size=4),))
    """
    entries = [
        dict(zip(("block", "byte"), divmod(record.places[0], geometry.block_size), strict=True), size=record.total_size)
        for record in records
    ]
    message: bytes = _build_format().build({"entries": entries})
    return message + CRC.compute(message)


def decode_directory(data: bytes) -> tuple[DirectoryEntry, ...]:
    """The entries of the directory at the beginning of ``data``; raises `DecodeError` for what is none.

    >>> decode_directory(bytes(16))
    Traceback (most recent call last):
    credkit.DecodeError: directory: byte 0 is 00, expected 01, the version
    """
    if not data or data[0] != VERSION:
        raise DecodeError(
            f"directory: byte 0 is {data[:1].hex() or 'missing'}, expected {VERSION:02x}, the version",
            codec="directory",
        )
    size = directory_size(data[1]) if len(data) > 1 else HEAD_BYTES
    if len(data) < size:
        raise DecodeError(f"directory: {len(data)} bytes, expected {size} for its entries", codec="directory")
    message, found = data[: size - CRC_BYTES], data[size - CRC_BYTES : size]
    if CRC.compute(message) != found:
        at = f"bytes {size - CRC_BYTES}-{size - 1}"
        raise DecodeError(
            f"directory: the CRC fails: {at} are {found.hex()}, expected {CRC.compute(message).hex()}",
            codec="directory",
        )
    return tuple(DirectoryEntry(each.block, each.byte, each.size) for each in _build_format().parse(message).entries)
