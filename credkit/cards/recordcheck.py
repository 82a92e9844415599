"""Records of a read-back: each is read by its chain, compared with its credential, and its MAC verified.

What a record means is compared, so that a difference is told as it would be said: first the
meaning, then the first place where the bytes differ. The rest of the blocks that a plan writes
should be zero; what stands in blocks of which it says nothing is noted.

Source: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from hmac import compare_digest

from credkit.cards.findings import Findings, hexed, numbered, told
from credkit.cards.image import mac_label
from credkit.cards.keys import record_mac
from credkit.cards.listing import ReadBack
from credkit.cards.masters import MasterKey
from credkit.cards.objections import remarks
from credkit.cards.plan import Plan, Record
from credkit.core.errors import CredkitError
from credkit.core.reading import AnyReading
from credkit.core.sentences import redacted_repr

Stretch = tuple[int, int]  # bytes of the memory: the first, and the one behind the last
WINDOW = 8  # bytes that are shown from the first different one on


def stretches(places: Iterable[int]) -> tuple[Stretch, ...]:
    """Neighbouring bytes together.

    >>> stretches([64, 65, 66, 80])
    ((64, 67), (80, 81))
    """
    found: list[list[int]] = []
    for at in places:
        if found and found[-1][1] == at:
            found[-1][1] = at + 1
        else:
            found.append([at, at + 1])
    return tuple((start, stop) for start, stop in found)


class RecordCheck:
    """Checks one record of a plan on any number of cards."""

    def __init__(self, plan: Plan, record: Record, master: MasterKey | None, *, reveal: bool = False) -> None:
        self.plan = plan
        self.record = record
        self.master = master
        self.reveal = reveal
        self.stretches = stretches(record.places)
        self.label = mac_label(plan, record)

    def check(self, back: ReadBack, row: Mapping[str, str] | None, serial: bytes | None, found: Findings) -> None:
        """Add what this record of one card shows."""
        record = self.record
        if not self.whole(back):
            missing = [at for at in record.places if not back.seen[at]]
            text = f"record {record.name} was not read in full: {len(missing)} of its {record.room} bytes are missing"
            found.differ("record-missing", self.plan.geometry.place(missing[0]), text, record.name)
            return
        raw = b"".join(back.data[start:stop] for start, stop in self.stretches)
        data, mac = raw[: record.size], raw[record.size :]
        try:
            expected = record.write(row) if row is not None else record.fixed
        except CredkitError as error:
            found.differ(
                "credential-unwritable", "", f"the credentials cannot be written as planned: {error}", record.name
            )
            expected = None
        self.meaning(data, expected, row if record.fixed is None else None, found)
        if record.mac:
            self.mac(data, mac, serial, found)

    def whole(self, back: ReadBack) -> bool:
        """Whether all of its bytes were read."""
        return all(back.has(start, stop) for start, stop in self.stretches)

    def meaning(self, data: bytes, expected: bytes | None, row: Mapping[str, str] | None, found: Findings) -> None:
        """Whether the bytes can be read, and mean what was expected: by the ``row``, or by the plan itself."""
        record, wanted = self.record, "the plan says" if row is None else "the credentials say"
        if record.codec is None:
            if data != expected and expected is not None:
                text = f"record {record.name} is another than {wanted}{self.bytes_of(data, expected)}"
                found.differ("record-differs", self.place(data, expected), text, record.name)
            return
        reading = record.read(data)
        for note in remarks(record, reading, row):
            found.note(note.kind, note.level, note.text)
        if reading.ok:
            found.values[record.name] = told(reading.value, reveal=self.reveal)
        if data == expected:
            return
        if not reading.ok:
            said = f"record {record.name} cannot be read: {record.codec.decode_error(reading)}{self.blank(data)}"
            place = self.faulty(reading)
            if expected is not None:
                said += f"; {wanted} {self.said(expected)}; {self.stretch(data, expected)}"
            found.differ("record-unreadable", place, said, record.name)
        elif expected is not None and record.read(expected).value == reading.value:
            text = f"record {record.name} says what it should, but in other bytes, from {self.place(data, expected)} on"
            found.note("written-otherwise", "care", text)
        elif expected is not None:
            is_now = f"{redacted_repr(reading.value)}{self.blank(data)}"
            text = f"record {record.name} is {is_now}, {wanted} {self.said(expected)}"
            found.differ(
                "record-differs", self.place(data, expected), text + self.bytes_of(data, expected), record.name
            )

    def said(self, expected: bytes) -> str:
        """What the expected bytes mean."""
        return redacted_repr(self.record.read(expected).value)

    def faulty(self, reading: AnyReading) -> str:
        """The place in memory of the first bit that a failed check judges."""
        check = reading.failed
        bits = [at for at in (reading.trace(check) if check else ()) if isinstance(at, int)]
        return self.plan.geometry.place(self.record.places[min(bits) // 8 if bits else 0])

    def place(self, data: bytes, expected: bytes) -> str:
        """The place in memory of the first byte that differs."""
        return self.plan.geometry.place(self.record.places[_first(data, expected)])

    def bytes_of(self, data: bytes, expected: bytes) -> str:
        """The bytes from the first different one on, as far as they lie in one block."""
        first = _first(data, expected)
        return f"; from there {self.beside(data, expected, first, self.end(first))}"

    def stretch(self, data: bytes, expected: bytes) -> str:
        """The first bytes that differ, up to one that is right, and where they are."""
        first = _first(data, expected)
        stop = next((at for at in range(first, self.end(first)) if data[at] == expected[at]), self.end(first))
        return f"from {self.place(data, expected)}: {self.beside(data, expected, first, stop)}"

    def end(self, first: int) -> int:
        """Where the bytes that are shown from ``first`` on end: they are few, and lie in one block."""
        places, size = self.record.places, self.plan.geometry.block_size
        stop = min(first + WINDOW, self.record.size)
        while places[stop - 1] // size != places[first] // size:
            stop -= 1
        return stop

    def beside(self, data: bytes, expected: bytes, first: int, stop: int) -> str:
        """What was found in these bytes, and what was expected."""
        if self.record.codec is None:  # the plan's own bytes: nobody's number can be among them
            return f"found {data[first:stop].hex().upper()}, expected {expected[first:stop].hex().upper()}"
        found, wanted = (hexed(each[first:stop], each, reveal=self.reveal) for each in (data, expected))
        return f"found {found}, expected {wanted}"

    @staticmethod
    def blank(data: bytes) -> str:
        """A hint that nothing was ever written there."""
        for byte in (0x00, 0xFF):
            if data.count(byte) == len(data):
                return f" (all its bytes are {byte:02X}, as on a card that was never written)"
        return ""

    def mac(self, data: bytes, mac: bytes, serial: bytes | None, found: Findings) -> None:
        """Whether the MAC is the one that serial number, data and master key make; neither is ever shown."""
        record = self.record
        if self.master is None or serial is None:
            why = "no master key is given" if self.master is None else "the card's serial number is not known"
            found.note("mac-not-verified", "care", f"the MAC of record {record.name} is not verified: {why}")
            return
        made = record_mac(self.master, label=self.label, serial=serial, data=data, size=record.mac)
        found.macs.append(compare_digest(made, mac))
        if not found.macs[-1]:
            text = (
                f"the MAC of record {record.name} does not match: the data, the serial number or the MAC is not what "
                "the issuer wrote for this card, or the master key is another"
            )
            found.differ("mac-wrong", self.plan.geometry.place(record.places[record.size]), text, record.name)


def _first(data: bytes, expected: bytes) -> int:
    return next(at for at, (a, b) in enumerate(zip(data, expected, strict=True)) if a != b)


class RestCheck:
    """Checks the bytes of a card that no record of a plan has."""

    def __init__(self, plan: Plan, *, reveal: bool = False) -> None:
        self.plan = plan
        self.reveal = reveal
        size = plan.geometry.block_size
        held = {at for record in plan.records for at in record.places}
        blocks = frozenset(plan.blocks)
        free = [at for at in plan.geometry.data if at not in held]
        self.beside = [each for block in plan.blocks for each in stretches(at for at in free if at // size == block)]
        others = {block: _data(plan, block) for block in range(plan.geometry.blocks) if block not in blocks}
        self.others = {block: at for block, at in others.items() if at}

    def check(self, back: ReadBack, found: Findings) -> None:
        """Add what stands where nothing should, and what was not read."""
        geometry = self.plan.geometry
        for start, stop in self.beside:
            data = back.data[start:stop]  # what was not read is zero there
            if any(data):
                first = next(at for at, byte in enumerate(data) if byte)
                said = hexed(data[first : first + WINDOW], data, reveal=self.reveal)
                text = f"no record is here and the plan writes zeros, but found {said}"
                block, byte = divmod(start + first, geometry.block_size)
                place = geometry.place(start + first)
                found.differ("rest-not-empty", place, text, blocks=(block,), detail=f"byte {byte}")
        strange = [block for block, at in self.others.items() if _holds(back.data, at)]
        if strange:
            text = f"data where the plan has none: {numbered(geometry.unit, strange)}"
            found.note("unplanned-data", "care", text)
        if back.has(0, geometry.size):
            return
        missing = [start // geometry.block_size for start, stop in self.beside if not back.has(start, stop)]
        if missing:
            text = f"beside the records not everything was read: {numbered(geometry.unit, set(missing))}"
            found.note("not-read", "care", text)
        absent = [block for block, at in self.others.items() if any(not back.has(*each) for each in at)]
        if absent:
            text = f"not in the read-back, and not in the plan: {numbered(geometry.unit, absent)}"
            found.note("not-read", "info", text)


def _data(plan: Plan, block: int) -> tuple[Stretch, ...]:
    size, duties = plan.geometry.block_size, plan.geometry.duties
    return stretches(at for at in range(block * size, (block + 1) * size) if not duties[at])


def _holds(data: bytes, at: Sequence[Stretch]) -> bool:
    """Whether a block holds anything: a blank one is all 00, or all FF."""
    held = b"".join([data[start:stop] for start, stop in at])
    return held.strip(b"\x00") != b"" and held.strip(b"\xff") != b""
