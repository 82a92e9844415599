"""TLV blocks: the NDEF message in the data area of an NFC Forum Type 2 or Type 5 tag.

    03  08  D1 01 04 55 05 31 32 33   FE           00 00
    │   │   message                   terminator   whatever is left
    │   length: one byte, or FF and two bytes from 255
    tag: 00 null (no length), 01 lock control, 02 memory control, 03 NDEF message, FD proprietary, FE terminator

Source: NFC Forum Type 2 Tag 1.1, section 2.3; Type 5 Tag 1.0, section 4.4 (section numbers from memory).

>>> blocks, terminator = read_blocks(Stretch.of(bytes.fromhex("00 03 03 D00000 FE 00")))
>>> [(block.tag, block.value.data.hex()) for block in blocks], terminator
([(3, 'd00000')], 6)
"""

from __future__ import annotations

from typing import NamedTuple

from credkit.core.origins import Place
from credkit.tables.stretches import Malformed, Stretch, counted

NULL, LOCK, MEMORY, MESSAGE, PROPRIETARY, TERMINATOR = 0x00, 0x01, 0x02, 0x03, 0xFD, 0xFE
TITLES = {
    LOCK: "lock control TLV",
    MEMORY: "memory control TLV",
    MESSAGE: "message TLV",
    PROPRIETARY: "proprietary TLV",
}
LONG = 0xFF  # a length of two bytes follows
FROM = 255  # bytes of value whose length is written in three bytes
MOST = 0xFFFE  # bytes of value; FFFF is reserved


class Block(NamedTuple):
    """One TLV block: its tag, the stretches of tag and length and of the value."""

    tag: int
    header: Stretch
    value: Stretch

    @property
    def title(self) -> str:
        """What it is, in words."""
        return titled(self.tag)

    @property
    def size(self) -> int:
        """How many bytes it has."""
        return len(self.header) + len(self.value)

    @property
    def stop(self) -> int:
        """The place behind its last byte, in an area of neighbouring bytes."""
        return self.header.at[0] + self.size

    @property
    def at(self) -> tuple[Place, ...]:
        """The places of all its bits."""
        return self.header.bits + self.value.bits

    @property
    def overlong(self) -> bool:
        """Whether its length has three bytes where one would do."""
        return len(self.header) == 4 and len(self.value) < FROM


def titled(tag: int) -> str:
    """A tag in words.

    >>> titled(1), titled(0x42)
    ('lock control TLV', 'TLV of unknown tag 42')
    """
    return TITLES.get(tag, f"TLV of unknown tag {tag:02X}")


def read_blocks(area: Stretch) -> tuple[list[Block], int | None]:
    """The blocks of an area, and the place of the terminator, if there is one; raises `Malformed`.

    Null TLVs are passed over: they fill gaps. Without a terminator, blocks and nulls take the whole area.
    """
    blocks: list[Block] = []
    at = 0
    while at < len(area):
        tag = area.data[at]
        if tag in (NULL, TERMINATOR):
            if tag == TERMINATOR:
                return blocks, at
            at += 1
            continue
        block = _block(area.cut(at))
        blocks.append(block)
        at += block.size
    return blocks, None


def _block(rest: Stretch) -> Block:
    """The block at the beginning of ``rest``."""
    claim = f"the {titled(rest.data[0])} in full"
    front = 4 if rest.data[1:2] == bytes([LONG]) else 2
    if len(rest) < front:
        raise Malformed("tlv-size", claim, rest.bits, f"at least {counted(front)}", counted(len(rest)))
    length = int.from_bytes(rest.data[2:4] if front == 4 else rest.data[1:2], "big")
    if length > MOST:
        at = rest.cut(1, 4).bits
        raise Malformed("tlv-length", f"the length of the {titled(rest.data[0])}", at, f"at most {MOST}", f"{length}")
    if len(rest) < front + length:
        raise Malformed("tlv-size", claim, rest.bits, counted(front + length), counted(len(rest)))
    return Block(rest.data[0], rest.cut(0, front), rest.cut(front, front + length))


def size_of(message: int) -> int:
    """How many bytes the block of a message of so many bytes has.

    >>> size_of(0), size_of(254), size_of(255)
    (2, 256, 259)
    """
    return message + (2 if message < FROM else 4)


def room_in(area: int) -> int:
    """How many bytes of message an area of so many bytes has room for, at least two.

    >>> room_in(2), room_in(256), room_in(258), room_in(259)
    (0, 254, 254, 255)
    """
    return min(MOST, max(min(area - 2, FROM - 1), area - 4))


def write_block(message: bytes) -> bytes:
    """The block that holds ``message``, of at most 65534 bytes."""
    length = len(message)
    size = bytes([length]) if length < FROM else bytes([LONG]) + length.to_bytes(2, "big")
    return bytes([MESSAGE]) + size + message
