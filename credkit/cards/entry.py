"""Memory blocks as a reader prints them: what a plan has stored there, read like any other number.

A reader may be set to send blocks of a card's memory instead of its serial number. ``memory`` cuts
a record out of them by a plan, and reads it as the plan says. A site's plans are its own, so
``memory`` is not in the catalogue: `memory_entry` makes the row that is passed in ``codecs=``.

    memory:staff,badge,serial          block 5 of a plan in which badge has 4 bytes and a MAC of 8
    │ 01 8B 2C 7D │ 00 01 E2 40 │ 5A 91 0C 44 E7 20 B3 6F │ 00 00 00 00 │
    │ serial      │ record      │ MAC                     │ not looked at

What other records have in the same blocks is not looked at, and is lost. A MAC is verified where
the serial number stands in front and a master key is there, and otherwise a note says that it was
not. A MAC is made over a serial number, which anybody can read: it shows that the issuer wrote
this record, not that this card is the one it was written to.

It needs code: the record's own chain reads what is cut out, and a MAC is computed with a key.

Source: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from hmac import compare_digest
from typing import Any

from bitstring import Bits

from credkit.cards.image import mac_label
from credkit.cards.keys import MasterKey, record_mac
from credkit.cards.plan import CardPlan, CardRecord
from credkit.core.codec import AnyCodec, Entry, TableCodec
from credkit.core.contract import check_fields
from credkit.core.errors import DefinitionError
from credkit.core.fields import Fields
from credkit.core.forms import Word, to_bits, to_word
from credkit.core.frozen import FrozenMapping
from credkit.core.grammar import format_step
from credkit.core.origins import OneByOne, Origin, Place, Places, Through
from credkit.core.reading import AnyReading, Check, Field, Note, Part, Reading
from credkit.core.sentences import nearest, redacted_repr
from credkit.core.shapes import Shape, bits, describe_lengths, exactly
from credkit.tables.wiring import Wiring

SERIAL_FIELD = "serial"
_NO_MASTERS: Mapping[str, MasterKey] = FrozenMapping({})


def memory_entry(plans: Mapping[str, CardPlan], masters: Mapping[str, MasterKey] = _NO_MASTERS) -> Entry:
    """The catalogue row for ``memory:PLAN,RECORD`` over a site's own plans, and the master keys of some of them.

    Raises `DefinitionError` for a master key of a plan that is not there.

    A plan mostly comes from `load_plan`. Here the canteen of Brackwater Terminal keeps an account number in page 4:

    >>> from credkit import chain, decode
    >>> from credkit.cards.geometry import build_geometry
    >>> account = CardRecord(name="account", size=4, codec=chain("fields:number:32"), places=(16, 17, 18, 19))
    >>> plan = CardPlan(name="canteen", geometry=build_geometry("type2-144"), serial=7, label="", records=(account,))
    >>> decode("hex:8/memory:canteen,account", "0000B26E", codecs=memory_entry({"canteen": plan}))
    Fields(number=45678)
    """
    if not isinstance(plans, Mapping):
        raise DefinitionError(f"memory: a mapping of names to plans is needed, not {redacted_repr(plans)}")
    if not isinstance(masters, Mapping):  # what it is instead may be a key: it is not shown
        raise DefinitionError("memory: a mapping of plan names to master keys is needed")
    for name, plan in plans.items():
        if not isinstance(plan, CardPlan):
            raise DefinitionError(
                f"memory: the plan {redacted_repr(name)} must be a CardPlan, which load_plan gives, "
                f"not {redacted_repr(plan)}"
            )
    for name, master in masters.items():
        if not isinstance(master, MasterKey):
            raise DefinitionError(f"memory: the master key of the plan {redacted_repr(name)} is not a MasterKey")
    known, held = FrozenMapping(plans), FrozenMapping(masters)
    for name in held:
        if name not in known:
            raise DefinitionError(f"memory: a master key is given for the plan {_describe_unknown(name, known)}")

    return Entry(
        name="memory", signature=f"PLAN,RECORD[,{SERIAL_FIELD}]",
        title="a record out of memory blocks that a reader sends",
        source="defined by the site", build=partial(_build, known, held), holds_key=bool(held), usual=(), examples=(),
    )  # fmt: skip


def _build(
    known: Mapping[str, CardPlan], held: Mapping[str, MasterKey], plan: str, record: str, serial: str = ""
) -> AnyCodec:
    """``memory:PLAN,RECORD``, ``memory:PLAN,RECORD,serial``: a record out of the blocks that hold it.

    The bits are all of those blocks, from the record's first to its last; trailers between them are
    not sent. With ``serial`` the card's serial number stands in front: a record of fields then has
    it as a field of its own, and a MAC can be verified.

    An identifier in memory can be copied with the rest of the card: reading it proves nothing.
    """
    if plan not in known:
        raise DefinitionError(f"memory: there is no plan {_describe_unknown(plan, known)}")
    if serial not in ("", SERIAL_FIELD):
        raise DefinitionError(
            f"memory: behind the record stands {SERIAL_FIELD} or nothing, not {redacted_repr(serial)}"
        )
    return _build_codec(plan, known[plan], record, bool(serial), held.get(plan))


def blocks_of(plan: CardPlan, record: CardRecord) -> tuple[int, ...]:
    """The blocks that hold ``record``, in order."""
    return tuple(sorted({at // plan.geometry.block_size for at in record.places}))


def _describe_unknown(name: str, known: Mapping[str, Any]) -> str:
    return f"{redacted_repr(name)}, only {', '.join(known) or 'none at all'}{nearest(name, known)}"


def _build_codec(name: str, plan: CardPlan, title: str, serial: bool, master: MasterKey | None) -> AnyCodec:
    """The codec for one record of a plan."""
    own = format_step("memory", name, title, SERIAL_FIELD if serial else "")
    record = plan.record(title)
    if record is None:
        known = {each.name: each for each in plan.records if each.codec}
        raise DefinitionError(f"memory: the plan {name} has no record {_describe_unknown(title, known)}")
    if record.codec is None:
        raise DefinitionError(f"{own}: the record {title} says where the others are, and has no chain that reads it")
    inner = record.codec.output
    as_field = serial and inner.schema is not None
    if as_field and SERIAL_FIELD in (inner.schema or {}):
        raise DefinitionError(
            f"{own}: the record has a field {SERIAL_FIELD} of its own: the serial number cannot be another"
        )
    if as_field:
        row = Field(name=SERIAL_FIELD, most=(1 << 8 * plan.serial) - 1)
        inner = Shape("fields", schema=FrozenMapping({SERIAL_FIELD: row, **(inner.schema or {})}))
    front, size = 8 * plan.serial if serial else 0, plan.geometry.block_size
    starts = {block: front + 8 * size * index for index, block in enumerate(blocks_of(plan, record))}
    at = (starts[place // size] + 8 * (place % size) + bit for place in record.places for bit in range(8))
    wiring = Wiring.from_source(front + 8 * size * len(starts), tuple(at))
    verifies = record.mac > 0 and serial and master is not None
    unsent = ""
    if record.mac and not verifies:
        unsent = "no master key is given" if serial else "no serial number stands in front"
    encode_obstacle = f"its MAC cannot be made: {unsent}" if unsent else None
    if serial and not as_field:
        encode_obstacle = f"the {SERIAL_FIELD} number in front of it is no part of a text"
    shape = bits(exactly(wiring.takes))
    codec = MemoryCodec(
        name=own, input=shape, output=inner, record=record, stored=record.codec, wiring=wiring, serial_bits=front,
        as_field=as_field, master=master if verifies else None, label=mac_label(plan, record), mac_obstacle=unsent,
        encode_obstacle=encode_obstacle, is_projection=bool(encode_obstacle) or wiring.takes > wiring.gives + front,
    )  # fmt: skip
    if verifies:  # where the extra is missing this is the time to say so
        codec.compute_mac(bytes(plan.serial), bytes(record.size))
    return codec


@dataclass(frozen=True, slots=True)
class _BesideSerial:
    """The origin of fields beside a serial number, which stands in the first ``front`` bits."""

    front: int
    others: Origin

    def __call__(self, place: Place) -> Places:
        """The places."""
        return tuple(range(self.front)) if place == SERIAL_FIELD else self.others(place)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class MemoryCodec(TableCodec[Any, Bits]):
    """Blocks to what one record in them means.

    ``stored`` reads the record, ``wiring`` brings it together, MAC included; ``serial_bits`` bits of
    serial number stand before the blocks, and ``as_field`` says that they are one of the fields.
    ``master`` is there if the MAC is verified, and ``mac_obstacle`` says why it is not.
    """

    record: CardRecord
    stored: AnyCodec
    wiring: Wiring
    serial_bits: int
    as_field: bool
    master: MasterKey | None = field(repr=False)
    label: str
    mac_obstacle: str

    def input_for(self, flowing: Shape) -> Shape:
        """What encoding hands on: whole blocks, whatever it left out on reading."""
        return self.input

    def compute_mac(self, serial: bytes, data: bytes) -> bytes:
        """The MAC that belongs behind ``data``."""
        assert self.master is not None
        return record_mac(self.master, label=self.label, serial=serial, data=data, size=self.record.mac)

    def split_word(self, word: int) -> tuple[int, int, int]:
        """The serial number, the record without its MAC, and the MAC."""
        data, mac = divmod(self.wiring.decode(word), 1 << 8 * self.record.mac)
        return word >> self.wiring.takes - self.serial_bits, data, mac

    def is_genuine(self, serial: int, data: int, mac: int) -> bool:
        """Whether ``mac`` is the one that belongs there; None is asked for where there is no key."""
        if self.master is None:
            return True
        made = self.compute_mac(serial.to_bytes(self.serial_bits // 8, "big"), data.to_bytes(self.record.size, "big"))
        return compare_digest(made, mac.to_bytes(self.record.mac, "big"))

    def _decode_raw(self, raw: Word) -> Any:
        """What the record means, or None where it cannot be read or its MAC is another."""
        word, length = raw
        if length != self.wiring.takes:
            return None
        serial, data, mac = self.split_word(word)
        value = self.stored._decode_raw((data, 8 * self.record.size))
        if value is None or not self.is_genuine(serial, data, mac):
            return None
        return self.with_serial(serial, value)

    def with_serial(self, serial: int, value: Any) -> Any:
        """``value`` with the serial number, where that is one of its fields."""
        return Fields({SERIAL_FIELD: serial, **value}) if self.as_field else value

    def _encode_raw(self, raw: Any) -> Word:
        """The blocks with the record in them, all other bytes zero; raises `EncodeError` as its chain does."""
        if self.encode_obstacle:
            raise DefinitionError(f"{self.name} cannot write: {self.encode_obstacle}")
        serial = 0
        if self.as_field:
            check_fields(self.name, self.schema, raw)
            serial = raw[SERIAL_FIELD]
            raw = {name: item for name, item in raw.items() if name != SERIAL_FIELD}
        data, _ = self.stored._encode_raw(raw)
        mac = b""
        if self.master is not None:
            mac = self.compute_mac(
                serial.to_bytes(self.serial_bits // 8, "big"), data.to_bytes(self.record.size, "big")
            )
        whole = data << 8 * len(mac) | int.from_bytes(mac, "big")
        return self.wiring.encode(whole) | serial << self.wiring.takes - self.serial_bits, self.wiring.takes

    def inspect(self, value: Bits) -> AnyReading:
        """What the record means, its chain's checks with their places in the blocks, and what is said of its MAC."""
        word, length = to_word(value)
        if length != self.wiring.takes:
            check = Check(
                codec=self.name, rule="length", claim="the length in bits", form="bits",
                expected=describe_lengths(self.input.lengths), found=length,
            )  # fmt: skip
            return Reading(value=None, checks=(check,))
        serial, data, mac = self.split_word(word)
        inner = self.stored.inspect(to_bits((data, 8 * self.record.size)))
        spots: tuple[Place, ...] = self.wiring.source
        here, there = spots[: 8 * self.record.size], spots[8 * self.record.size :]
        origin: Origin = Through((OneByOne(self.wiring.source), inner.origin))
        if self.as_field:
            origin = _BesideSerial(self.serial_bits, origin)

        checks = [self.relocate_check(inner, check, here) for check in inner.checks]
        notes = [replace(note, at=self.places_in_blocks(note.at)) for note in inner.notes if not inner.steps]
        notes += [
            replace(note, at=self.places_in_blocks(_trace_back(inner, index, note.at)))
            for index, done in enumerate(inner.steps)
            for note in done.reading.notes
        ]
        if self.master is not None:
            right, found = "the one that serial number and key make", "another"
            checks.append(
                Check(
                    codec=self.name, rule="mac", claim=f"the MAC of record {self.record.name}", form="bits", at=there,
                    covers=(*range(self.serial_bits), *here), expected=right, evidence=8.0 * self.record.mac,
                    found=right if self.is_genuine(serial, data, mac) else found,
                )
            )  # fmt: skip
        elif self.record.mac:
            text = f"the MAC of record {self.record.name} is not verified: {self.mac_obstacle}"
            notes.append(Note(kind="mac-not-verified", level="care", text=text, at=there))
        meant = None if inner.value is None else self.with_serial(serial, inner.value)
        return Reading(
            value=meant, checks=tuple(checks), notes=tuple(notes),
            parts=tuple(self.block_parts(meant, origin, here, there)),
            origin=origin,
        )  # fmt: skip

    def places_in_blocks(self, at: tuple[Place, ...]) -> tuple[Place, ...]:
        """Places in the record as places in the blocks."""
        return tuple(self.wiring.source[place] for place in at if isinstance(place, int))

    def relocate_check(self, inner: AnyReading, check: Check, whole: tuple[Place, ...]) -> Check:
        """A check of the record's chain as one of this codec."""
        at = self.places_in_blocks(inner.traced(check, check.at))
        return replace(
            check, codec=self.name, form="bits", claim=f"in record {self.record.name}, {check.claim}",
            at=at if at or check.passed else whole, covers=self.places_in_blocks(inner.traced(check, check.covers)),
            found=check.found if check.passed or check.form == "bits" else redacted_repr(check.found),
        )  # fmt: skip

    def block_parts(
        self, value: Any, origin: Origin, here: tuple[Place, ...], there: tuple[Place, ...]
    ) -> Iterator[Part]:
        """The stretches of the blocks: serial number, each field or the whole record, MAC, the rest."""
        if self.serial_bits:
            yield Part(name=SERIAL_FIELD, at=tuple(range(self.serial_bits)), value=None)
        fields = (
            []
            if not isinstance(value, Mapping)
            else [name for name in value if name != SERIAL_FIELD or not self.serial_bits]
        )
        for name in fields:
            yield Part(name=name, at=origin(name), value=value[name])
        if not fields:
            yield Part(name=self.record.name, at=here, value=None)
        if there:
            yield Part(name="mac", at=there, value=None)
        used = {*here, *there}
        if rest := tuple(bit for bit in range(self.serial_bits, self.wiring.takes) if bit not in used):
            yield Part(name="not looked at", at=rest, value=None)


def _trace_back(inner: AnyReading, index: int, at: tuple[Place, ...]) -> tuple[Place, ...]:
    """``at``, places in the input of step ``index``, as places in the record."""
    for earlier in reversed(inner.steps[:index]):
        at = tuple(dict.fromkeys(origin for place in at for origin in earlier.reading.origin(place)))
    return at
