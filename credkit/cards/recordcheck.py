"""Records of a read-back: each is read by its chain, compared with its credential, and its MAC verified.

What a record means is compared, so that a difference is told as it would be said: first the
meaning, then the first place where the bytes differ. The rest of the blocks that a plan writes
should be zero; what stands in blocks of which it says nothing is noted.

Source: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from hmac import compare_digest

from credkit.cards.findings import Findings, format_bytes, format_numbers, format_value
from credkit.cards.image import mac_label
from credkit.cards.keys import RecordMacKey
from credkit.cards.listing import ReadBack
from credkit.cards.masters import MasterKey
from credkit.cards.objections import content_notes
from credkit.cards.plan import CardPlan, CardRecord
from credkit.core.errors import CredkitError
from credkit.core.reading import AnyReading
from credkit.core.sentences import redacted_repr

ByteRange = tuple[int, int]  # bytes of the memory: the first, and the one behind the last
MOST_SHOWN_BYTES = 8  # bytes that are shown from the first different one on


def join_neighbours(places: Iterable[int]) -> tuple[ByteRange, ...]:
    """Neighbouring bytes together.

    >>> join_neighbours([64, 65, 66, 80])
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

    def __init__(self, plan: CardPlan, record: CardRecord, master: MasterKey | None, *, reveal: bool = False) -> None:
        self.plan = plan
        self.record = record
        self.reveal = reveal
        self.stretches = join_neighbours(record.places)
        self.mac_key = (
            RecordMacKey.derive(master, label=mac_label(plan, record), size=record.mac)
            if master is not None and record.mac
            else None
        )

    def check(self, back: ReadBack, row: Mapping[str, str] | None, serial: bytes | None, found: Findings) -> None:
        """Add what this record of one card shows."""
        record = self.record
        if not self.is_fully_read(back):
            missing = [at for at in record.places if not back.read_mask[at]]
            share = f"{len(missing)} of its {record.total_size} bytes"
            text = f"record {record.name} was not read in full: {share} are missing"
            found.add_difference("record-missing", self.plan.geometry.describe_byte(missing[0]), text, record.name)
            return
        raw = b"".join(back.data[start:stop] for start, stop in self.stretches)
        data, mac = raw[: record.size], raw[record.size :]
        try:
            expected = record.encode(row) if row is not None else record.fixed
        except CredkitError as error:
            found.add_difference(
                "credential-unwritable", "", f"the credentials cannot be written as planned: {error}", record.name
            )
            expected = None
        self.check_meaning(data, expected, row if record.fixed is None else None, found)
        if record.mac:
            self.check_mac(data, mac, serial, found)

    def is_fully_read(self, back: ReadBack) -> bool:
        """Whether all of its bytes were read."""
        return all(back.has_bytes(start, stop) for start, stop in self.stretches)

    def check_meaning(
        self, data: bytes, expected: bytes | None, row: Mapping[str, str] | None, found: Findings
    ) -> None:
        """Whether the bytes can be read, and mean what was expected: by the ``row``, or by the plan itself."""
        record, wanted = self.record, "the plan says" if row is None else "the credentials say"
        if record.codec is None:
            if data != expected and expected is not None:
                text = f"record {record.name} is another than {wanted}{self.describe_differing_bytes(data, expected)}"
                found.add_difference(
                    "record-differs", self.describe_first_difference(data, expected), text, record.name
                )
            return
        content = record.decode(data)
        for note in content_notes(record, content, row):
            found.add_note(note.kind, note.level, note.text)
        if not content.fault:
            found.values[record.name] = format_value(content.value, reveal=self.reveal)
        if data == expected:
            return
        if content.fault:
            why = record.codec.decode_error(content.fault)
            said = f"record {record.name} cannot be read: {why}{self.describe_blank(data)}"
            place = self.describe_faulty_place(content.fault)
            if expected is not None:
                said += f"; {wanted} {self.describe_meaning(expected)}; {self.describe_differing_span(data, expected)}"
            found.add_difference("record-unreadable", place, said, record.name)
        elif expected is not None and record.decode(expected).value == content.value:
            place = self.describe_first_difference(data, expected)
            text = f"record {record.name} says what it should, but in other bytes, from {place} on"
            found.add_note("written-otherwise", "care", text)
        elif expected is not None:
            is_now = f"{redacted_repr(content.value)}{self.describe_blank(data)}"
            text = f"record {record.name} is {is_now}, {wanted} {self.describe_meaning(expected)}"
            found.add_difference(
                "record-differs",
                self.describe_first_difference(data, expected),
                text + self.describe_differing_bytes(data, expected),
                record.name,
            )

    def describe_meaning(self, expected: bytes) -> str:
        """What the expected bytes mean."""
        return redacted_repr(self.record.decode(expected).value)

    def describe_faulty_place(self, reading: AnyReading) -> str:
        """The place in memory of the first bit that a failed check judges."""
        check = reading.failed
        bits = [at for at in (reading.trace(check) if check else ()) if isinstance(at, int)]
        return self.plan.geometry.describe_byte(self.record.places[min(bits) // 8 if bits else 0])

    def describe_first_difference(self, data: bytes, expected: bytes) -> str:
        """The place in memory of the first byte that differs."""
        return self.plan.geometry.describe_byte(self.record.places[_first_difference(data, expected)])

    def describe_differing_bytes(self, data: bytes, expected: bytes) -> str:
        """The bytes from the first different one on, as far as they lie in one block."""
        first = _first_difference(data, expected)
        return f"; from there {self.describe_found_and_expected(data, expected, first, self.shown_end(first))}"

    def describe_differing_span(self, data: bytes, expected: bytes) -> str:
        """The first bytes that differ, up to one that is right, and where they are."""
        first = _first_difference(data, expected)
        stop = next(
            (at for at in range(first, self.shown_end(first)) if data[at] == expected[at]), self.shown_end(first)
        )
        found = self.describe_found_and_expected(data, expected, first, stop)
        return f"from {self.describe_first_difference(data, expected)}: {found}"

    def shown_end(self, first: int) -> int:
        """Where the bytes that are shown from ``first`` on end: they are few, and lie in one block."""
        places, size = self.record.places, self.plan.geometry.block_size
        stop = min(first + MOST_SHOWN_BYTES, self.record.size)
        while places[stop - 1] // size != places[first] // size:
            stop -= 1
        return stop

    def describe_found_and_expected(self, data: bytes, expected: bytes, first: int, stop: int) -> str:
        """What was found in these bytes, and what was expected."""
        if self.record.codec is None:  # the plan's own bytes: nobody's number can be among them
            return f"found {data[first:stop].hex().upper()}, expected {expected[first:stop].hex().upper()}"
        found, wanted = (format_bytes(each[first:stop], each, reveal=self.reveal) for each in (data, expected))
        return f"found {found}, expected {wanted}"

    @staticmethod
    def describe_blank(data: bytes) -> str:
        """A hint that nothing was ever written there."""
        for byte in (0x00, 0xFF):
            if data.count(byte) == len(data):
                return f" (all its bytes are {byte:02X}, as on a card that was never written)"
        return ""

    def check_mac(self, data: bytes, mac: bytes, serial: bytes | None, found: Findings) -> None:
        """Whether the MAC is the one that serial number, data and master key make; neither is ever shown."""
        record = self.record
        if self.mac_key is None or serial is None:
            why = "no master key is given" if self.mac_key is None else "the card's serial number is not known"
            found.add_note("mac-not-verified", "care", f"the MAC of record {record.name} is not verified: {why}")
            return
        made = self.mac_key.compute(serial, data)
        found.macs.append(compare_digest(made, mac))
        if not found.macs[-1]:
            text = (
                f"the MAC of record {record.name} does not match: the data, the serial number or the MAC is not what "
                "the issuer wrote for this card, or the master key is another"
            )
            found.add_difference(
                "mac-wrong", self.plan.geometry.describe_byte(record.places[record.size]), text, record.name
            )


def _first_difference(data: bytes, expected: bytes) -> int:
    return next(at for at, (a, b) in enumerate(zip(data, expected, strict=True)) if a != b)


class RestCheck:
    """Checks the bytes of a card that no record of a plan has."""

    def __init__(self, plan: CardPlan, *, reveal: bool = False) -> None:
        self.plan = plan
        self.reveal = reveal
        size = plan.geometry.block_size
        held = {at for record in plan.records for at in record.places}
        blocks = frozenset(plan.blocks)
        free = [at for at in plan.geometry.free_places if at not in held]
        self.beside = [
            each for block in plan.blocks for each in join_neighbours(at for at in free if at // size == block)
        ]
        others = {block: _data_ranges(plan, block) for block in range(plan.geometry.blocks) if block not in blocks}
        self.others = {block: at for block, at in others.items() if at}
        self.other_spans = join_neighbours(
            at for spans in self.others.values() for span in spans for at in range(*span)
        )

    def check(self, back: ReadBack, found: Findings) -> None:
        """Add what stands where nothing should, and what was not read."""
        geometry = self.plan.geometry
        for start, stop in self.beside:
            data = back.data[start:stop]  # what was not read is zero there
            if any(data):
                first = next(at for at, byte in enumerate(data) if byte)
                said = format_bytes(data[first : first + MOST_SHOWN_BYTES], data, reveal=self.reveal)
                text = f"no record is here and the plan writes zeros, but found {said}"
                block, byte = divmod(start + first, geometry.block_size)
                place = geometry.describe_byte(start + first)
                found.add_difference("rest-not-empty", place, text, blocks=(block,), detail=f"byte {byte}")
        if any(back.data[start:stop].strip(b"\x00") for start, stop in self.other_spans) and (
            strange := [block for block, at in self.others.items() if _holds_data(back.data, at)]
        ):
            text = f"data where the plan has none: {format_numbers(geometry.unit, strange)}"
            found.add_note("unplanned-data", "care", text)
        if back.has_bytes(0, geometry.size):
            return
        missing = [start // geometry.block_size for start, stop in self.beside if not back.has_bytes(start, stop)]
        if missing:
            text = f"beside the records not everything was read: {format_numbers(geometry.unit, set(missing))}"
            found.add_note("not-read", "care", text)
        absent = [block for block, at in self.others.items() if any(not back.has_bytes(*each) for each in at)]
        if absent:
            text = f"not in the read-back, and not in the plan: {format_numbers(geometry.unit, absent)}"
            found.add_note("not-read", "info", text)


def _data_ranges(plan: CardPlan, block: int) -> tuple[ByteRange, ...]:
    size, duties = plan.geometry.block_size, plan.geometry.duty_of_bytes
    return join_neighbours(at for at in range(block * size, (block + 1) * size) if not duties[at])


def _holds_data(data: bytes, at: Sequence[ByteRange]) -> bool:
    """Whether a block holds anything: a blank one is all 00, or all FF."""
    held = b"".join([data[start:stop] for start, stop in at])
    return held.strip(b"\x00") != b"" and held.strip(b"\xff") != b""
