"""Lock bytes and capability container of a read-back.

A bit that is set in a lock byte stays set: what is locked without being planned can never be
opened again, and what is not locked though planned can still be rewritten by anybody.

    byte 10    bit 0-2  freeze the lock bits of the container, of pages 4-9, of pages 10-15
               bit 3    the capability container
               bit 4-7  pages 4 to 7
    byte 11    bit 0-7  pages 8 to 15
    behind the data area: one bit for every 8 bytes from page 16 on

Source: NFC Forum Type 2 Tag (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator

from credkit.cards.findings import Findings, format_numbers
from credkit.cards.geometry import (
    BYTES_PER_LOCK_BIT,
    LARGEST_USUAL_TYPE2_BYTES,
    PAGE_BYTES,
    STATIC_LOCK_BYTES,
    Geometry,
)
from credkit.cards.listing import ReadBack
from credkit.cards.plan import CardPlan

STATIC_LOCKS_START = 10
FREEZING_BITS = (
    "the lock bit of the capability container",
    "the lock bits of pages 4-9",
    "the lock bits of pages 10-15",
)
CONTAINER_LOCK_BIT = 3

Bit = tuple[int, int]  # the byte in memory, the bit in it


def lock_bits(geometry: Geometry) -> Iterator[tuple[Bit, tuple[int, ...]]]:
    """The bits that lock data pages, and which.

    >>> from credkit.cards.geometry import build_geometry
    >>> bits = dict(lock_bits(build_geometry("type2-144")))
    >>> bits[10, 4], bits[11, 7], bits[160, 0], bits[161, 3], len(bits)
    ((4,), (15,), (16, 17), (38, 39), 24)
    """
    for page in range(4, 4 + STATIC_LOCK_BYTES // PAGE_BYTES):
        yield (STATIC_LOCKS_START + page // 8, page % 8), (page,)
    first, end = 4 + STATIC_LOCK_BYTES // PAGE_BYTES, 4 * PAGE_BYTES + geometry.free_bytes
    step = BYTES_PER_LOCK_BIT // PAGE_BYTES
    for index in range((geometry.free_bytes - STATIC_LOCK_BYTES) // BYTES_PER_LOCK_BIT):
        start = first + step * index
        yield (end + index // 8, index % 8), tuple(range(start, start + step))


class LockCheck:
    """Checks the locks and the container of any number of cards of one plan; cards with sectors have neither."""

    def __init__(self, plan: CardPlan) -> None:
        self.plan = plan
        self.locks = dict(lock_bits(plan.geometry)) if plan.geometry.unit == "page" else {}
        if plan.geometry.free_bytes > LARGEST_USUAL_TYPE2_BYTES and not any(
            at >= 4 * PAGE_BYTES for at in plan.lock_bytes
        ):
            # where such a card has the others, nobody has said
            self.locks = {bit: pages for bit, pages in self.locks.items() if bit[0] < 4 * PAGE_BYTES}

    def check(self, back: ReadBack, found: Findings) -> None:
        """Add what locks and container of one card show."""
        if self.locks:
            self.check_pages(back, found)
            if back.read_mask[STATIC_LOCKS_START]:
                self.check_frozen_bits(back.data[STATIC_LOCKS_START], found)
        elif self.plan.locked_blocks:
            blocks = self.describe_blocks(self.plan.locked_blocks)
            text = f"whether they are locked is not in memory and was not checked: {blocks}"
            found.add_note("locks-not-read", "care", text)
        if self.plan.container:
            self.check_container(back, found)

    def describe_blocks(self, blocks: tuple[int, ...]) -> str:
        """Blocks in words."""
        return format_numbers(self.plan.geometry.unit, blocks)

    def check_pages(self, back: ReadBack, found: Findings) -> None:
        """Whether each page is locked as planned."""
        unread: list[int] = []
        for (at, bit), pages in self.locks.items():
            if not back.read_mask[at]:
                unread += pages
                continue
            is_set, planned = back.data[at] >> bit & 1, self.plan.lock_bytes.get(at, 0) >> bit & 1
            if planned and not is_set:
                text = "not locked, and the plan locks it"
                found.add_difference("not-locked", self.describe_blocks(pages), text, blocks=pages)
            elif is_set and not planned:
                text = "locked for good, and the plan leaves it open"
                found.add_difference("locked-unplanned", self.describe_blocks(pages), text, blocks=pages)
        if unread:
            found.add_note(
                "locks-not-read", "care", f"the lock bits were not read: {self.describe_blocks(tuple(unread))}"
            )

    def check_frozen_bits(self, byte: int, found: Findings) -> None:
        """What the bits of the first lock byte say that are not about data pages; no plan sets them."""
        place = self.plan.geometry.describe_byte(STATIC_LOCKS_START)
        for bit, what in enumerate(FREEZING_BITS):
            if byte >> bit & 1:
                found.add_difference(
                    "lock-bits-frozen", place, f"{what} can never be changed again, which is not planned"
                )
        if byte >> CONTAINER_LOCK_BIT & 1:
            found.add_difference(
                "locked-unplanned", place, "the capability container is locked for good, and the plan leaves it open"
            )

    def check_container(self, back: ReadBack, found: Findings) -> None:
        """Whether the container is the one that the plan writes."""
        start = self.plan.container_at
        stop = start + len(self.plan.container)
        place = self.plan.geometry.describe_byte(start)
        if not back.has_bytes(start, stop):
            found.add_difference(
                "container-missing", place, "the capability container was not read, and the plan writes it"
            )
        elif (data := back.data[start:stop]) != self.plan.container:
            said = f"found {data.hex().upper()}, expected {self.plan.container.hex().upper()}"
            found.add_difference("container-differs", place, f"the capability container is another: {said}")
