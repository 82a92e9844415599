"""Images: the bytes that a card gets by its plan, block by block.

Data first, then the capability container and lock bytes, sector trailers last: a trailer or a lock
that comes too early shuts out what follows. The manufacturer's bytes are never written.

    record → its chain writes its bytes → a MAC over serial and bytes, if the plan asks → its places in memory

Source: common practice, no source; NFC Forum Type 2 Tag (from memory) for lock bytes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from credkit.cards.access import Access
from credkit.cards.keys import RecordMacKey, card_key
from credkit.cards.masters import MasterKey
from credkit.cards.objections import admit_content
from credkit.cards.plan import CardPlan, CardRecord
from credkit.core.errors import DefinitionError, EncodeError
from credkit.core.reading import Note

UNOWNED_BYTE = b"\x00"  # the byte of a trailer that belongs to nobody


@dataclass(frozen=True, slots=True, kw_only=True)
class SectorTrailer:
    """What a trailer gets; its keys are None where they are not to be written out."""

    block: int
    access: Access
    key_a: bytes | None = None
    key_b: bytes | None = None

    @property
    def data(self) -> bytes | None:
        """Its sixteen bytes, if the keys are there."""
        if self.key_a is None or self.key_b is None:
            return None
        return self.key_a + self.access.bytes + UNOWNED_BYTE + self.key_b

    def __repr__(self) -> str:
        """Without keys, whatever it holds."""
        return f"Trailer(block={self.block}, access={self.access.bytes.hex()})"


@dataclass(frozen=True, slots=True, kw_only=True)
class CardImage:
    """What one card gets: data blocks, the capability container behind them, lock bytes by block, then trailers.

    ``notes`` are those on its records that the plan accepts, ``values`` what the bytes of each record mean.
    """

    blocks: Mapping[int, bytes]
    locks: Mapping[int, bytes]
    trailers: tuple[SectorTrailer, ...]
    notes: tuple[Note, ...] = ()
    values: Mapping[str, Any] = field(default_factory=dict)

    def blocks_in_order(self) -> Iterator[tuple[int, bytes]]:
        """Block numbers and bytes in the order of writing; trailers without keys are left out."""
        yield from self.blocks.items()
        yield from self.locks.items()
        for trailer in self.trailers:
            if (data := trailer.data) is not None:
                yield trailer.block, data


def mac_label(plan: CardPlan, record: CardRecord) -> str:
    """The label under which the MAC key of a record is derived."""
    return f"{plan.label}/{record.name}"


class ImageBuilder:
    """Makes images by one plan. ``keys`` says that card keys are to stand in them.

    Raises `DefinitionError` where the plan needs a master key and there is none.
    """

    def __init__(self, plan: CardPlan, master: MasterKey | None = None, *, keys: bool = False) -> None:
        protected = [record.name for record in plan.records if record.mac]
        if protected and master is None:
            raise DefinitionError(f"record {protected[0]} is protected by a MAC: a master key is needed to write it")
        if keys and master is None and None in plan.keys.values():
            raise DefinitionError("the plan derives the keys of each card: a master key is needed to write them out")
        self.plan = plan
        self.master = master
        self.keys = keys
        size = plan.geometry.block_size
        container = {at // size for at in plan.container_places}
        self.empty = {
            block: bytes(size) for block in sorted(plan.blocks, key=lambda block: (block in container, block))
        }
        self.pieces = {record.name: tuple(_record_pieces(record, size)) for record in plan.records}
        self.locks = self._lock_blocks()
        self.mac_keys = {
            record.name: RecordMacKey.derive(master, label=mac_label(plan, record), size=record.mac)
            for record in plan.records
            if master is not None and record.mac
        }
        self.keyless_trailers = tuple(
            SectorTrailer(block=plan.geometry.trailer(sector), access=access) for sector, access in plan.access.items()
        )
        self.constants = {
            record.name: admit_content(record, record.fixed, {}) for record in plan.records if record.fixed is not None
        }

    def build_image(self, serial: bytes, row: Mapping[str, str]) -> CardImage:
        """The image of the card with this ``serial``; raises `EncodeError` naming the record that cannot be written.

        Nor is one written that would be objected to when it is read back.
        """
        plan = self.plan
        if len(serial) != plan.serial:
            raise EncodeError(f"the serial number has {len(serial)} bytes, the plan expects {plan.serial}")
        blocks = {block: bytearray(data) for block, data in self.empty.items()}
        admitted = {**self.constants}
        for record in plan.records:
            content = record.encode(row)
            if record.fixed is None:
                admitted[record.name] = admit_content(record, content, row)
            data = self.with_mac(record, serial, content)
            for block, at, start, stop in self.pieces[record.name]:
                blocks[block][at : at + stop - start] = data[start:stop]
        for place, byte in zip(plan.container_places, plan.container, strict=True):
            block, at = divmod(place, plan.geometry.block_size)
            blocks[block][at] = byte
        trailers = self.keyless_trailers
        if self.keys:
            trailers = tuple(self.build_trailer(sector, serial) for sector in plan.access)
        return CardImage(
            blocks={block: bytes(data) for block, data in blocks.items()}, locks=self.locks,
            trailers=trailers,
            notes=tuple(note for each in admitted.values() for note in each.notes),
            values={name: each.value for name, each in admitted.items()},
        )  # fmt: skip

    def with_mac(self, record: CardRecord, serial: bytes, data: bytes) -> bytes:
        """The bytes of a record with its MAC behind them."""
        return data + self.mac_keys[record.name].compute(serial, data) if record.mac else data

    def build_trailer(self, sector: int, serial: bytes) -> SectorTrailer:
        """The trailer of a sector of the card with this ``serial``, its keys in it."""
        key_a, key_b = (self.card_key(slot, sector, serial) for slot in ("A", "B"))
        block = self.plan.geometry.trailer(sector)
        return SectorTrailer(block=block, access=self.plan.access[sector], key_a=key_a, key_b=key_b)

    def card_key(self, slot: str, sector: int, serial: bytes) -> bytes:
        """A key of a sector of the card with this ``serial``."""
        published = self.plan.keys[slot]
        if published is not None:
            return published
        assert self.master is not None
        return card_key(self.master, label=self.plan.label, serial=serial, sector=sector, slot=slot)

    def _lock_blocks(self) -> dict[int, bytes]:
        """The blocks of lock bytes; what is not set in them is written as zero, which changes nothing."""
        size = self.plan.geometry.block_size
        found: dict[int, bytearray] = {}
        for at, bits in self.plan.lock_bytes.items():
            found.setdefault(at // size, bytearray(size))[at % size] = bits
        return {block: bytes(data) for block, data in found.items()}


def _record_pieces(record: CardRecord, size: int) -> Iterator[tuple[int, int, int, int]]:
    """The stretches of a record: block, first byte in it, and from where to where in the record."""
    start = 0
    for index in range(1, len(record.places) + 1):
        at = record.places[start]
        end = index == len(record.places)
        if end or record.places[index] != record.places[index - 1] + 1 or record.places[index] % size == 0:
            yield at // size, at % size, start, index
            start = index
