"""The plan of a card: its records, where each lives, who may read and write it, and what is dangerous about that.

A `CardRecord` is a chain from bits: it reads its bytes toward what they mean, and writes them. Plans
are read from TOML by `credkit.cards.plans`; here is what they say, checked and allotted.

Source: common practice, no source; NFC Forum Type 2 Tag and Type 5 Tag (from memory) for locks.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, NamedTuple

from bitstring import Bits

from credkit.cards.access import Access
from credkit.cards.geometry import BYTES_PER_LOCK_BIT, PAGE_BYTES, STATIC_LOCK_BYTES, Geometry
from credkit.core.chains import noted_value
from credkit.core.codec import AnyCodec
from credkit.core.errors import CredkitError, EncodeError
from credkit.core.hooks import redact_text
from credkit.core.reading import AnyReading, Field, Note
from credkit.core.sentences import brief, format_count, redacted_repr
from credkit.core.spans import format_span

IDENTITY_COLUMNS = ("credential_id", "serial")  # the columns that every list of credentials has
MESSAGE_CODEC = "tlv"  # the step that a message in an NFC Forum data area begins with
DIRECTORY_KEY, NDEF_KEY = bytes.fromhex("A0A1A2A3A4A5"), bytes.fromhex("D3F7D3F7D3F7")  # see `credkit.cards.keys`
_DIGITS = re.compile(r"[0-9]{1,40}")


class RecordContent(NamedTuple):
    """What the bytes of a record mean, the notes on it, and the texts that its steps were given.

    Where they cannot be read, ``value`` is None and ``fault`` the reading, which says why.
    """

    value: Any
    notes: tuple[Note, ...]
    texts: tuple[str, ...] = ()
    fault: AnyReading | None = None


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class CardRecord:
    """What is stored in one place: ``size`` bytes that ``codec`` reads, then ``mac`` bytes that protect them.

    ``columns`` say for each field (or for the text, under an empty name) which column it comes from;
    ``value`` reads that column's text to fields, where digits alone would not do. ``fixed`` are bytes
    that are the same on every card. ``condition`` is the access condition of its blocks, ``lock``
    that they are locked, and ``places`` are its bytes in memory, the MAC's included. ``accept`` are kinds of notes
    on its content that are meant, and ``not_payment`` says why its digits are no account numbers, where they are none.
    """

    name: str
    size: int
    codec: AnyCodec | None = None
    mac: int = 0
    columns: Mapping[str, str] = field(default_factory=dict)
    value: AnyCodec | None = None
    fixed: bytes | None = None
    condition: int = 0
    lock: bool = False
    places: tuple[int, ...] = ()
    accept: tuple[str, ...] = ()
    not_payment: str = ""

    @property
    def description(self) -> str:
        """The record with its columns, for sentences."""
        columns = ", ".join(filter(None, self.columns.values()))
        return f"record {self.name}{columns and f', column {columns}'}"

    @property
    def total_size(self) -> int:
        """All of its bytes."""
        return self.size + self.mac

    def encode(self, row: Mapping[str, str]) -> bytes:
        """Its bytes without the MAC, for a row of the credentials; raises `EncodeError` naming record and column."""
        if self.fixed is not None or self.codec is None:
            return self.fixed or bytes(self.size)
        try:
            word: int = self.codec._encode_raw(self.codec._raw_output(self.planned_value(row)))[0]
        except CredkitError as error:
            raise EncodeError(f"{self.description}: {error}") from None
        return word.to_bytes(self.size, "big")

    def planned_value(self, row: Mapping[str, str]) -> Any:
        """What its columns say, as its chain takes it."""
        assert self.codec is not None
        if self.value is not None:
            return self.value.decode(row[next(iter(self.columns.values()))])
        if self.codec.gives == "text":
            return row[self.columns[""]]
        return {name: _parse_item(self.codec, name, row[column]) for name, column in self.columns.items()}

    def decode(self, data: bytes) -> RecordContent:
        """What its bytes mean, with every note on it."""
        assert self.codec is not None
        found = noted_value(self.codec, (int.from_bytes(data, "big"), 8 * len(data)))
        if found is not None:
            return RecordContent(value=found.value, notes=found.notes, texts=found.texts)
        reading = self.codec.inspect(Bits.from_bytes(data))
        return RecordContent(value=None, notes=reading.notes, fault=reading)

    def __repr__(self) -> str:
        what = f"{self.name}: {format_count(self.total_size, 'byte')}{f', {self.codec.name}' if self.codec else ''}"
        return f"<CardRecord {brief(redact_text(what))}>"


def _parse_item(codec: AnyCodec, name: str, text: str) -> int | str:
    row = codec.schema.get(name)
    if not isinstance(row, Field):
        return text
    if not _DIGITS.fullmatch(text):
        raise EncodeError(f"{codec.name}: {name} is {redacted_repr(text)}, not a whole number in decimal digits")
    if row.digits and len(text) != row.digits:
        whole = (
            f": were leading zeros lost ({redacted_repr(text.zfill(row.digits))})?" if len(text) < row.digits else ""
        )
        count = f"{len(text)} digit{'s' * (len(text) != 1)}"
        raise EncodeError(f"{codec.name}: {name} is {redacted_repr(text)}, {count}, expected {row.digits}{whole}")
    return int(text)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanDanger:
    """What a plan can do to a card that cannot be undone, or leaves it open. ``kind`` is a stable key."""

    kind: str
    place: str
    text: str


@dataclass(frozen=True, kw_only=True, repr=False)
class CardPlan:
    """A plan that fits: every record has its place, every sector that is written its access conditions.

    ``keys`` say of key A and B where it comes from: None where it is derived for each card from a
    master key, else a published key. ``container`` are the bytes of the capability container, where
    the plan writes it. ``ignored`` are columns of the credentials that no record uses. ``not_payment``
    says why the ids of the credentials are no account numbers, where they are none. ``digest`` is the SHA-256 of
    the plan's file, in hex.
    """

    name: str
    geometry: Geometry
    serial: int
    label: str
    records: tuple[CardRecord, ...]
    access: Mapping[int, Access] = field(default_factory=dict)
    keys: Mapping[str, bytes | None] = field(default_factory=dict)
    roles: Mapping[str, str] = field(default_factory=dict)
    container: bytes = b""
    ignored: tuple[str, ...] = ()
    not_payment: str = ""
    digest: str = ""

    def __repr__(self) -> str:
        size = f"{format_count(len(self.records), 'record')}, {format_count(self.used_bytes, 'byte')}"
        return f"<CardPlan {brief(redact_text(self.name))}: {self.geometry.name}, {size}>"

    @cached_property
    def columns(self) -> tuple[str, ...]:
        """The columns that a list of credentials must have, each once."""
        used = (column for record in self.records for column in record.columns.values())
        return tuple(dict.fromkeys((*IDENTITY_COLUMNS, *used, *self.ignored)))

    @property
    def needs_master_key(self) -> bool:
        """Whether a master key is needed to write the cards in full."""
        return any(record.mac for record in self.records) or (bool(self.access) and None in self.keys.values())

    @property
    def used_bytes(self) -> int:
        """Bytes that records take up."""
        return sum(record.total_size for record in self.records)

    def record(self, name: str) -> CardRecord | None:
        """The record called ``name``."""
        return next((record for record in self.records if record.name == name), None)

    @cached_property
    def blocks(self) -> tuple[int, ...]:
        """The data blocks that are written, in order."""
        size = self.geometry.block_size
        found = {at // size for record in self.records for at in record.places}
        return tuple(sorted(found | {at // size for at in self.container_places}))

    @property
    def container_at(self) -> int:
        """The first byte of the capability container."""
        return self.geometry.duty_of_bytes.index("container")

    @property
    def container_places(self) -> range:
        """The bytes of the capability container that the plan writes."""
        return range(self.container_at, self.container_at + len(self.container)) if self.container else range(0)

    @cached_property
    def locked_blocks(self) -> tuple[int, ...]:
        """The blocks that are locked once their data is written."""
        size = self.geometry.block_size
        units = {self.geometry.unit_of(at) for record in self.records if record.lock for at in record.places}
        return tuple(sorted({at // size for at in self.geometry.free_places if self.geometry.unit_of(at) in units}))

    @cached_property
    def lock_bytes(self) -> Mapping[int, int]:
        """Of a geometry with lock bytes: each that is written, by its place in memory."""
        found: dict[int, int] = {}
        if self.geometry.unit != "page":
            return found
        end = 4 * PAGE_BYTES + self.geometry.free_bytes
        for page in self.locked_blocks:
            if (
                page < 4 + STATIC_LOCK_BYTES // PAGE_BYTES
            ):  # one bit a page: 4 to 7 in the first byte, 8 to 15 in the second
                at, bit = (10, page) if page < 8 else (11, page - 8)
            else:
                byte, bit = divmod((page * PAGE_BYTES - 4 * PAGE_BYTES - STATIC_LOCK_BYTES) // BYTES_PER_LOCK_BIT, 8)
                at = end + byte
            found[at] = found.get(at, 0) | 1 << bit
        return found

    def dangers(self) -> tuple[PlanDanger, ...]:
        """All that is dangerous about the plan, like dangers of several sectors in one."""
        return (
            *self._access_dangers(),
            *self._key_dangers(),
            *self._lock_dangers(),
            *self._message_dangers(),
            *self._content_dangers(),
        )

    def _access_dangers(self) -> Iterator[PlanDanger]:
        found: dict[tuple[str, str, str], list[int]] = {}
        for sector, access in self.access.items():
            for danger in access.dangers():
                group = self.geometry.groups(sector)[danger.group]
                if danger.group < 3 and danger.kind != "locked" and not any(block in self.blocks for block in group):
                    continue  # blocks without a record are nobody's, unless they are lost for good
                first = group.start - self.geometry.sectors[sector].start
                last = first + len(group) - 1
                blocks = f"block {first}" if first == last else f"blocks {first}-{last}"
                what = "the trailer" if danger.group == 3 else blocks
                found.setdefault((danger.kind, what, danger.text), []).append(sector)
        for (kind, what, text), sectors in found.items():
            each = " of each" if len(sectors) > 1 else ""
            yield PlanDanger(kind=kind, place=f"{_format_numbers('sector', sectors)}, {what}{each}", text=text)

    def _key_dangers(self) -> Iterator[PlanDanger]:
        if not self.geometry.keys:
            return
        for slot, key in self.keys.items():
            if key is not None and self.access:
                text = "it is a published default key: whoever reads about such cards has it"
                yield PlanDanger(kind="published-key", place=f"key {slot}", text=text)
        rest = [sector for sector in range(len(self.geometry.sectors)) if sector not in self.access]
        if rest:
            text = "no record, so their keys stay as delivered, often published ones: anybody may write there"
            yield PlanDanger(kind="left-open", place=_format_numbers("sector", rest), text=text)

    def _lock_dangers(self) -> Iterator[PlanDanger]:
        if self.locked_blocks:
            place = _format_numbers(self.geometry.unit, self.locked_blocks)
            yield PlanDanger(kind="locked-for-good", place=place, text="locked for good: no key opens them again")
            spared = {at // self.geometry.block_size for r in self.records if r.lock for at in r.places}
            if more := [block for block in self.locked_blocks if block not in spared]:
                text = "locked along with them, since one lock bit serves both"
                yield PlanDanger(kind="locked-along", place=_format_numbers(self.geometry.unit, more), text=text)
        if self.geometry.unit == "page" and (
            far := [page for page in self.locked_blocks if page >= 4 + STATIC_LOCK_BYTES // PAGE_BYTES]
        ):
            text = (
                f"one lock bit for every {BYTES_PER_LOCK_BIT} bytes, behind the data area, "
                "is only the usual way: on a card "
                "that has them elsewhere, or for more bytes each, others are locked, or none. Its data sheet says"
            )
            yield PlanDanger(kind="lock-bits-elsewhere", place=_format_numbers(self.geometry.unit, far), text=text)
        size = self.geometry.block_size
        free = {at // size for r in self.records for at in r.places if not (self.geometry.keys or r.lock)}
        if free:
            text = "not locked: anybody can rewrite what is there, and needs no key"
            yield PlanDanger(kind="left-open", place=_format_numbers(self.geometry.unit, sorted(free)), text=text)
        if self.container and self.geometry.unit == "page":
            text = "its bits can be set once and never taken back"
            yield PlanDanger(kind="set-once", place="the capability container", text=text)

    def _message_dangers(self) -> Iterator[PlanDanger]:
        """Messages that a telephone would not find.

        It looks at the first free byte, where cards have no keys, else in a directory in sector 0, which lists two
        bytes for every other sector: 03 E1 where that is a part of the NDEF data (common practice, no source).
        """
        for record in self.records:
            first = record.codec is not None and next((step.name for step in record.codec.steps[1:]), "")
            if first == MESSAGE_CODEC and self.geometry.keys:
                sectors = sorted({self.geometry.unit_of(at)[0] for at in record.places})
                where = "sectors 0 and 16" if sectors[-1] > 15 else "sector 0"
                lacking = "" if self.keys.get("A") == NDEF_KEY else ", and this plan has another"
                listed = f"names {_format_numbers('sector', sectors)} as NDEF, 03 E1 for each"
                text = (
                    f"a telephone finds it only if an application directory in {where}, open to the published key A "
                    f"{DIRECTORY_KEY.hex().upper()}, {listed}, and reads it only with the published key A "
                    f"{NDEF_KEY.hex().upper()}{lacking}; [directory] is not that directory, and many telephones read "
                    "no cards with sectors"
                )
                yield PlanDanger(kind="message-not-listed", place=f"record {record.name}", text=text)
            elif first == MESSAGE_CODEC and record.places[0] != self.geometry.free_places[0]:
                place = self.geometry.describe_block(self.geometry.free_places[0] // self.geometry.block_size)
                text = f"a telephone looks for it in {place} alone, and takes what is there for a message"
                yield PlanDanger(kind="message-not-first", place=f"record {record.name}", text=text)

    def _content_dangers(self) -> Iterator[PlanDanger]:
        """What the plan lets through that `card data` would refuse."""
        for record in self.records:
            if record.accept:
                text = f"it is written although it earns these notes when it is read back: {', '.join(record.accept)}"
                yield PlanDanger(kind="accepted", place=f"record {record.name}", text=text)
            if record.not_payment:
                text = f"digits that look like payment account numbers are written ({record.not_payment})"
                yield PlanDanger(kind="not-payment", place=f"record {record.name}", text=text)


def _format_numbers(what: str, numbers: Sequence[int]) -> str:
    return f"{what}{'s' * (len(numbers) > 1)} {format_span(numbers)}"
