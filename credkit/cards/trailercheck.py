"""Sector trailers of a read-back: access conditions against the plan, and keys as far as a card shows them.

A card never shows key A, and key B only where it is no key: both then read as zeros, and are said
to be not shown. Other keys come from listings that were written with keys. Where the master key is
there, a key is compared with the one it makes; neither is ever shown.

Source: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import lru_cache
from hmac import compare_digest

from credkit.cards.access import DATA_RULES, GROUP_NAMES, TRAILER_RULES, Access
from credkit.cards.findings import PUBLISHED_KEY, Findings, format_numbers
from credkit.cards.image import UNOWNED_BYTE
from credkit.cards.keys import card_key, describe_published_key
from credkit.cards.listing import ReadBack
from credkit.cards.masters import MasterKey
from credkit.cards.plan import CardPlan
from credkit.core.errors import DecodeError

ACCESS_BYTES = slice(6, 9)  # the access bytes of a trailer
SPARE_BYTE = 9
HIDDEN_KEY = bytes(6)  # what a card answers in the place of a key that it does not show
KEY_SLICES = {"A": slice(0, 6), "B": slice(10, 16)}


@dataclass(slots=True)
class _TrailerTotals:
    """What is told once for all sectors: keys by slot, and sectors."""

    unshown: dict[str, list[int]] = field(default_factory=dict)
    unverified: dict[str, list[int]] = field(default_factory=dict)
    published: dict[str, list[int]] = field(default_factory=dict)
    unread: list[int] = field(default_factory=list)
    spare: list[int] = field(default_factory=list)
    faulty: list[int] = field(default_factory=list)


class TrailerCheck:
    """Checks the trailers of any number of cards of one plan."""

    def __init__(self, plan: CardPlan, master: MasterKey | None) -> None:
        self.plan = plan
        self.master = master
        geometry = plan.geometry
        sectors = range(len(geometry.sectors)) if geometry.keys else range(0)
        self.starts = {sector: geometry.trailer(sector) * geometry.block_size for sector in sectors}
        self.expected = {sector: access.bytes for sector, access in plan.access.items()}

    def check(self, back: ReadBack, serial: bytes | None, found: Findings) -> None:
        """Add what the trailers of one card show."""
        sums = _TrailerTotals()
        for sector, start in self.starts.items():
            stop = start + self.plan.geometry.block_size
            data, seen = back.data[start:stop], back.read_mask[start:stop]
            if sector in self.expected:
                self.check_planned(sector, data, seen, serial, found, sums)
            elif any(seen):
                self.check_unplanned(sector, data, seen, sums)
        self.add_total_notes(serial, sums, found)

    def check_planned(
        self, sector: int, data: bytes, seen: bytes, serial: bytes | None, found: Findings, sums: _TrailerTotals
    ) -> None:
        """A trailer that the plan writes."""
        access: Access | None = self.plan.access[sector]
        if not all(seen[ACCESS_BYTES]):
            sums.unread.append(sector)
            access = None
        elif data[ACCESS_BYTES] != self.expected[sector]:
            access = self.check_access(sector, data[ACCESS_BYTES], found)
        if seen[SPARE_BYTE] and data[SPARE_BYTE : SPARE_BYTE + 1] != UNOWNED_BYTE:
            sums.spare.append(sector)
        for slot, at in KEY_SLICES.items():
            key = data[at]
            if not _shows_key(slot, key, seen[at], access):
                sums.unshown.setdefault(slot, []).append(sector)
            else:
                self.check_key(slot, sector, key, serial, found, sums)

    def check_access(self, sector: int, data: bytes, found: Findings) -> Access | None:
        """The conditions of a trailer, which are not the planned bytes; what differs is added."""
        start, planned = self.starts[sector], self.plan.access[sector]
        access = _decode_access(data)
        if access is None:
            text = (
                f"the inverted copies of the access conditions disagree: found {data.hex().upper()}, expected {{}}; a "
                "card locks such a sector for good"
            )
            found.add_difference(
                "access-copies", self.plan.geometry.describe_byte(start + ACCESS_BYTES.start),
                text.format(planned.bytes.hex().upper()), blocks=(self.plan.geometry.trailer(sector),),
                detail=f"byte {ACCESS_BYTES.start}", shared=text.format("those of the plan"),
            )  # fmt: skip
            return None
        for group, (have, want) in enumerate(zip(access.conditions, planned.conditions, strict=True)):
            if have == want:
                continue
            if GROUP_NAMES[group] == "trailer" and TRAILER_RULES[have] == TRAILER_RULES[want]:
                name = self.describe_group(sector, group)
                text = f"{name}: the condition {have:03b} means the same as the planned {want:03b}"
                found.add_note("same-access", "info", text)
                continue
            rules = TRAILER_RULES if GROUP_NAMES[group] == "trailer" else DATA_RULES
            text = (
                f"access {have:03b} ({rules[have].description}), the plan says {want:03b} ({rules[want].description})"
            )
            found.add_difference(
                "access-differs", self.describe_group(sector, group), text, blocks=self.blocks_of_group(sector, group)
            )
        known = {(danger.kind, danger.group) for danger in planned.dangers()}
        for danger in access.dangers():
            if (danger.kind, danger.group) not in known:
                text = f"a danger that the plan does not have: {danger.text}"
                blocks = self.blocks_of_group(sector, danger.group)
                found.add_difference(danger.kind, self.describe_group(sector, danger.group), text, blocks=blocks)
        return access

    def describe_group(self, sector: int, group: int) -> str:
        """A group of blocks in words."""
        return f"sector {sector} {format_numbers('block', self.blocks_of_group(sector, group))}"

    def blocks_of_group(self, sector: int, group: int) -> range:
        """The blocks of a group."""
        return self.plan.geometry.groups(sector)[group]

    def check_key(
        self, slot: str, sector: int, key: bytes, serial: bytes | None, found: Findings, sums: _TrailerTotals
    ) -> None:
        """A key that is shown."""
        planned, said = self.plan.keys[slot], describe_published_key(key)
        if planned is not None and compare_digest(planned, key):
            sums.published.setdefault(slot, []).append(sector)
        elif said:
            text = f"it is a published default key ({said}): whoever reads about such cards has it"
            self.add_key_difference(PUBLISHED_KEY, sector, slot, text, found)
        elif planned is not None:
            self.add_key_difference("key-differs", sector, slot, "it is another key than the plan says", found)
        elif self.master is None or serial is None:
            sums.unverified.setdefault(slot, []).append(sector)
        elif not compare_digest(
            card_key(self.master, label=self.plan.label, serial=serial, sector=sector, slot=slot), key
        ):
            self.add_key_difference(
                "key-differs", sector, slot, "it is another key than is derived for this card", found
            )

    def add_key_difference(self, kind: str, sector: int, slot: str, text: str, found: Findings) -> None:
        """Add what differs about a key."""
        block = self.plan.geometry.trailer(sector)
        place = f"{self.plan.geometry.describe_block(block)} key {slot}"
        found.add_difference(kind, place, text, blocks=(block,), detail=f"key {slot}")

    def check_unplanned(self, sector: int, data: bytes, seen: bytes, sums: _TrailerTotals) -> None:
        """A trailer that stays as it was delivered."""
        is_faulty, published = _judge_delivered(bytes(data), bytes(seen))
        if is_faulty:
            sums.faulty.append(sector)
        for slot in published:
            sums.published.setdefault(slot, []).append(sector)

    def add_total_notes(self, serial: bytes | None, sums: _TrailerTotals, found: Findings) -> None:
        """Add the notes about several sectors."""
        if sums.published:
            text = f"published default keys, as planned or as delivered: {_format_keys(sums.published)}"
            found.add_note(PUBLISHED_KEY, "care", text)
        if sums.unverified:
            why = "no master key is given" if self.master is None else "the card's serial number is not known"
            found.add_note(
                "keys-not-verified", "care", f"keys not verified, since {why}: {_format_keys(sums.unverified)}"
            )
        if sums.unread:
            text = f"the access conditions were not read: {format_numbers('sector', sums.unread)}"
            found.add_note("access-not-read", "care", text)
        if sums.faulty:
            text = (
                f"locked for good, since the copies of the access conditions disagree: {_format_sectors(sums.faulty)}"
            )
            found.add_note("access-copies", "care", f"{text}; the plan writes nothing there")
        if sums.unshown:
            found.add_note("keys-not-shown", "info", f"keys not shown: {_format_keys(sums.unshown)}")
        if sums.spare:
            text = f"byte 9 of the trailer, which is nobody's, is not 00: {format_numbers('sector', sums.spare)}"
            found.add_note("spare-byte", "info", text)


@lru_cache(maxsize=4096)
def _decode_access(data: bytes) -> Access | None:
    """The conditions in access bytes, or None where the copies disagree; most trailers are alike."""
    try:
        return Access.from_bytes(data)
    except DecodeError:
        return None


@lru_cache(maxsize=1)  # most are alike, and no key is kept for long
def _judge_delivered(data: bytes, seen: bytes) -> tuple[bool, tuple[str, ...]]:
    """Whether the copies of the access conditions of a trailer disagree, and the slots that show a published key."""
    access = _decode_access(data[ACCESS_BYTES]) if all(seen[ACCESS_BYTES]) else None
    shown = [slot for slot, at in KEY_SLICES.items() if _shows_key(slot, data[at], seen[at], access)]
    return access is None and all(seen[ACCESS_BYTES]), tuple(
        slot for slot in shown if describe_published_key(data[KEY_SLICES[slot]])
    )


def _shows_key(slot: str, key: bytes, seen: bytes, access: Access | None) -> bool:
    """Whether the bytes of a key are those of the key: a card answers zeros in the place of one that it keeps."""
    if 0 in seen:
        return False
    return key != HIDDEN_KEY or (slot == "B" and access is not None and not access.key_b)


def _format_sectors(sectors: Iterable[int]) -> str:
    return format_numbers("sector", sectors)


def _format_keys(slots: dict[str, list[int]]) -> str:
    return ", ".join(f"key {slot} of {_format_sectors(sectors)}" for slot, sectors in sorted(slots.items()))
