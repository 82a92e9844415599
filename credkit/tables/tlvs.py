"""TLV blocks: the NDEF message in the data area of an NFC Forum Type 2 or Type 5 tag.

    03  08  D1 01 04 55 05 31 32 33   FE           00 00
    │   │   message                   terminator   whatever is left
    │   length: one byte, or FF and two bytes from 255
    tag: 00 null (no length), 01 lock control, 02 memory control, 03 NDEF message, FD proprietary, FE terminator

Source: NFC Forum Type 2 Tag 1.1, section 2.3; Type 5 Tag 1.0, section 4.4 (section numbers from memory).

>>> blocks, terminator = decode_blocks(ByteSpan.from_bytes(bytes.fromhex("00 03 03 D00000 FE 00")))
>>> [(block.tag, block.value.data.hex()) for block in blocks], terminator
([(3, 'd00000')], 6)
"""

from __future__ import annotations

from typing import NamedTuple

from credkit.core.origins import Place
from credkit.tables.bytespans import ByteSpan, Malformed, format_count

NULL, LOCK, MEMORY, MESSAGE, PROPRIETARY, TERMINATOR = 0x00, 0x01, 0x02, 0x03, 0xFD, 0xFE
TITLES = {
    LOCK: "lock control TLV",
    MEMORY: "memory control TLV",
    MESSAGE: "message TLV",
    PROPRIETARY: "proprietary TLV",
}
LONG_LENGTH_MARK = 0xFF  # a length of two bytes follows
SHORTEST_LONG_VALUE = 255  # bytes of value whose length is written in three bytes
LARGEST_VALUE = 0xFFFE  # bytes of value; FFFF is reserved


class TlvBlock(NamedTuple):
    """One TLV block: its tag, the stretches of tag and length and of the value."""

    tag: int
    header: ByteSpan
    value: ByteSpan

    @property
    def title(self) -> str:
        """What it is, in words."""
        return describe_tag(self.tag)

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
    def has_overlong_length(self) -> bool:
        """Whether its length has three bytes where one would do."""
        return len(self.header) == 4 and len(self.value) < SHORTEST_LONG_VALUE


def describe_tag(tag: int) -> str:
    """A tag in words.

    >>> describe_tag(1), describe_tag(0x42)
    ('lock control TLV', 'TLV of unknown tag 42')
    """
    return TITLES.get(tag, f"TLV of unknown tag {tag:02X}")


def decode_blocks(area: ByteSpan) -> tuple[list[TlvBlock], int | None]:
    """The blocks of an area, and the place of the terminator, if there is one; raises `Malformed`.

    Null TLVs are passed over: they fill gaps. Without a terminator, blocks and nulls take the whole area.
    """
    blocks: list[TlvBlock] = []
    at = 0
    while at < len(area):
        tag = area.data[at]
        if tag in (NULL, TERMINATOR):
            if tag == TERMINATOR:
                return blocks, at
            at += 1
            continue
        block = _decode_block(area.slice(at))
        blocks.append(block)
        at += block.size
    return blocks, None


def _decode_block(rest: ByteSpan) -> TlvBlock:
    """The block at the beginning of ``rest``."""
    claim = f"the {describe_tag(rest.data[0])} in full"
    front = 4 if rest.data[1:2] == bytes([LONG_LENGTH_MARK]) else 2
    if len(rest) < front:
        raise Malformed("tlv-size", claim, rest.bits, f"at least {format_count(front)}", format_count(len(rest)))
    length = int.from_bytes(rest.data[2:4] if front == 4 else rest.data[1:2], "big")
    if length > LARGEST_VALUE:
        at = rest.slice(1, 4).bits
        raise Malformed(
            "tlv-length", f"the length of the {describe_tag(rest.data[0])}", at, f"at most {LARGEST_VALUE}", f"{length}"
        )
    if len(rest) < front + length:
        raise Malformed("tlv-size", claim, rest.bits, format_count(front + length), format_count(len(rest)))
    return TlvBlock(rest.data[0], rest.slice(0, front), rest.slice(front, front + length))


def block_size(message: int) -> int:
    """How many bytes the block of a message of so many bytes has.

    >>> block_size(0), block_size(254), block_size(255)
    (2, 256, 259)
    """
    return message + (2 if message < SHORTEST_LONG_VALUE else 4)


def largest_message(area: int) -> int:
    """How many bytes of message an area of so many bytes has room for, at least two.

    >>> largest_message(2), largest_message(256), largest_message(258), largest_message(259)
    (0, 254, 254, 255)
    """
    return min(LARGEST_VALUE, max(min(area - 2, SHORTEST_LONG_VALUE - 1), area - 4))


def encode_block(message: bytes) -> bytes:
    """The block that holds ``message``, of at most 65534 bytes."""
    length = len(message)
    size = bytes([length]) if length < SHORTEST_LONG_VALUE else bytes([LONG_LENGTH_MARK]) + length.to_bytes(2, "big")
    return bytes([MESSAGE]) + size + message
