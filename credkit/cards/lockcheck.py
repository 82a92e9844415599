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

from credkit.cards.findings import Findings, numbered
from credkit.cards.geometry import LOCKED_BY_ONE, PAGE, STATIC, USUAL, Geometry
from credkit.cards.listing import ReadBack
from credkit.cards.plan import Plan

STATIC_AT = 10
FREEZES = ("the lock bit of the capability container", "the lock bits of pages 4-9", "the lock bits of pages 10-15")
CONTAINER_BIT = 3

Bit = tuple[int, int]  # the byte in memory, the bit in it


def lock_bits(geometry: Geometry) -> Iterator[tuple[Bit, tuple[int, ...]]]:
    """The bits that lock data pages, and which.

    >>> from credkit.cards.geometry import geometry
    >>> bits = dict(lock_bits(geometry("type2-144")))
    >>> bits[10, 4], bits[11, 7], bits[160, 0], bits[161, 3], len(bits)
    ((4,), (15,), (16, 17), (38, 39), 24)
    """
    for page in range(4, 4 + STATIC // PAGE):
        yield (STATIC_AT + page // 8, page % 8), (page,)
    first, end = 4 + STATIC // PAGE, 4 * PAGE + geometry.free
    step = LOCKED_BY_ONE // PAGE
    for index in range((geometry.free - STATIC) // LOCKED_BY_ONE):
        start = first + step * index
        yield (end + index // 8, index % 8), tuple(range(start, start + step))


class LockCheck:
    """Checks the locks and the container of any number of cards of one plan; cards with sectors have neither."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.locks = dict(lock_bits(plan.geometry)) if plan.geometry.unit == "page" else {}
        if plan.geometry.free > USUAL and not any(at >= 4 * PAGE for at in plan.lock_bits):
            # where such a card has the others, nobody has said
            self.locks = {bit: pages for bit, pages in self.locks.items() if bit[0] < 4 * PAGE}

    def check(self, back: ReadBack, found: Findings) -> None:
        """Add what locks and container of one card show."""
        if self.locks:
            self.pages(back, found)
            if back.seen[STATIC_AT]:
                self.frozen(back.data[STATIC_AT], found)
        elif self.plan.locked:
            text = f"whether they are locked is not in memory and was not checked: {self.said(self.plan.locked)}"
            found.note("locks-not-read", "care", text)
        if self.plan.container:
            self.container(back, found)

    def said(self, blocks: tuple[int, ...]) -> str:
        """Blocks in words."""
        return numbered(self.plan.geometry.unit, blocks)

    def pages(self, back: ReadBack, found: Findings) -> None:
        """Whether each page is locked as planned."""
        unread: list[int] = []
        for (at, bit), pages in self.locks.items():
            if not back.seen[at]:
                unread += pages
                continue
            is_set, planned = back.data[at] >> bit & 1, self.plan.lock_bits.get(at, 0) >> bit & 1
            if planned and not is_set:
                text = "not locked, and the plan locks it"
                found.differ("not-locked", self.said(pages), text, blocks=pages)
            elif is_set and not planned:
                text = "locked for good, and the plan leaves it open"
                found.differ("locked-unplanned", self.said(pages), text, blocks=pages)
        if unread:
            found.note("locks-not-read", "care", f"the lock bits were not read: {self.said(tuple(unread))}")

    def frozen(self, byte: int, found: Findings) -> None:
        """What the bits of the first lock byte say that are not about data pages; no plan sets them."""
        place = self.plan.geometry.place(STATIC_AT)
        for bit, what in enumerate(FREEZES):
            if byte >> bit & 1:
                found.differ("lock-bits-frozen", place, f"{what} can never be changed again, which is not planned")
        if byte >> CONTAINER_BIT & 1:
            found.differ(
                "locked-unplanned", place, "the capability container is locked for good, and the plan leaves it open"
            )

    def container(self, back: ReadBack, found: Findings) -> None:
        """Whether the container is the one that the plan writes."""
        start = self.plan.container_at
        stop = start + len(self.plan.container)
        place = self.plan.geometry.place(start)
        if not back.has(start, stop):
            found.differ("container-missing", place, "the capability container was not read, and the plan writes it")
        elif (data := back.data[start:stop]) != self.plan.container:
            said = f"found {data.hex().upper()}, expected {self.plan.container.hex().upper()}"
            found.differ("container-differs", place, f"the capability container is another: {said}")
