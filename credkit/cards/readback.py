"""Read-backs: what cards hold, checked against the plan and the credentials.

    read-back → its serial number, or its file's name → the credential → records, MACs, access
    conditions, keys, locks → differences, and notes about what could not be checked

A card without differences holds what the plan and the list say, as far as it was read: data
checked. It is not thereby the card that was issued; a copy with the serial number copied is alike.

Source: ISO/IEC 14443-3 clause 6 (check bytes of a serial number); common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from credkit.cards.credentials import CardCredential, credential_from_row, read_credentials
from credkit.cards.findings import CheckedCard, Difference, Findings
from credkit.cards.keymatch import KeyMatch
from credkit.cards.listing import ReadBack, load_read_back
from credkit.cards.lockcheck import LockCheck
from credkit.cards.masters import MasterKey
from credkit.cards.plan import CardPlan
from credkit.cards.recordcheck import RecordCheck, RestCheck
from credkit.cards.trailercheck import TrailerCheck
from credkit.catalogue.registry import chain
from credkit.core.errors import DecodeError, DefinitionError
from credkit.core.progress import SILENT, Progress
from credkit.core.sentences import redacted_repr
from credkit.files.declaredfiles import CsvFile

SERIAL_BYTES_IN_MEMORY = {
    ("sector", 4): 5,
    ("page", 7): 9,
}  # bytes of a serial number of so many bytes in memory, with its BCCs


def check_card(
    plan: CardPlan,
    back: ReadBack,
    *,
    row: Mapping[str, str] | None = None,
    master: MasterKey | None = None,
    reveal: bool = False,
) -> CheckedCard:
    """What one read-back shows, beside the ``row`` of its credential if there is one.

    With ``reveal``, values and bytes are given even where they may be an account number. Raises
    `DefinitionError` for a row that cannot be a card's.
    """
    return CardChecker(plan, master, reveal=reveal).check(back, None if row is None else credential_from_row(plan, row))


def check_all(
    plan: CardPlan,
    paths: Iterable[Path],
    credentials: CsvFile | None = None,
    *,
    master: MasterKey | None = None,
    progress: Progress = SILENT,
    reveal: bool = False,
) -> BatchCheck:
    """The check of many read-backs, one after the other; raises `DefinitionError` for a fault in the credentials."""
    return BatchCheck(plan, paths, credentials, master=master, progress=progress, reveal=reveal)


class BatchCheck:
    """The checks of many read-backs: iterate over it once, then ask what is left.

    ``count`` and ``different`` say how many were checked and how many of them differ; ``unread_credentials`` are
    the credentials of which there was no read-back; ``key`` says what is suspicious about the master key.
    """

    def __init__(
        self,
        plan: CardPlan,
        paths: Iterable[Path],
        file: CsvFile | None,
        *,
        master: MasterKey | None,
        progress: Progress,
        reveal: bool,
    ) -> None:
        self.plan = plan
        self.paths = tuple(paths)
        self.progress = progress
        self.checker = CardChecker(plan, master, reveal=reveal)
        self.key = KeyMatch(master, self.paths)
        self.listed = file is not None
        held = list(read_credentials(plan, file)) if file is not None else []
        self.by_serial = {each.serial: each for each in held}
        self.by_name = {each.name: each for each in held}
        self.waiting = dict.fromkeys(self.by_name)
        self.met: dict[bytes | str, str] = {}
        self.count = 0
        self.different = 0

    @property
    def unread_credentials(self) -> tuple[str, ...]:
        """The credentials of which no read-back came so far."""
        return tuple(self.waiting)

    def __iter__(self) -> Iterator[CheckedCard]:
        self.progress.phase("checking read-backs", total=len(self.paths), unit="cards")
        for path in self.paths:
            found = self.check_file(path)
            self.count += 1
            self.different += not found.is_as_planned
            self.key.add(found)
            self.progress.done(self.count)
            yield found

    def check_file(self, path: Path) -> CheckedCard:
        """The check of one file; one that cannot be read is a difference, and the others are checked all the same."""
        try:
            back = load_read_back(path, self.plan)
        except DefinitionError as error:
            difference = Difference(kind="read-back-unreadable", text=str(error))
            return CheckedCard(name=str(path), differences=(difference,))
        found = Findings()
        serial = self.checker.decode_serial(back, found)
        holder = self.find_holder(back, serial, found)
        who = serial if serial is not None else holder.name if holder else None
        if who is not None and who in self.met:
            found.add_difference("read-twice", "", f"the same card was read before, in {self.met[who]}")
        elif who is not None:
            self.met[who] = back.name
        if holder:
            self.waiting.pop(holder.name, None)
        return self.checker.compare(back, holder, serial, found)

    def find_holder(self, back: ReadBack, serial: bytes | None, found: Findings) -> CardCredential | None:
        """The credential that a read-back belongs to: by its serial number, else by its file's name."""
        if not self.listed:
            return None
        named = self.by_name.get(back.stem)
        if serial is None:
            if named is None:
                text = f"no serial number was read, and no credential is called {redacted_repr(back.stem)}"
                found.add_difference("credential-unknown", "", text)
            return named
        holder = self.by_serial.get(serial)
        if holder is None:
            if named is None:
                text = f"no credential has its serial number {redacted_repr(serial.hex().upper())}"
                found.add_difference("credential-unknown", "", text)
            return named
        if named is not None and named is not holder:
            text = f"the file is called like credential {redacted_repr(named.name)}, but its serial number is that of "
            text += "another"
            found.add_note("named-otherwise", "care", text)
        return holder


class CardChecker:
    """Checks the read-backs of one plan."""

    def __init__(self, plan: CardPlan, master: MasterKey | None = None, *, reveal: bool = False) -> None:
        self.plan = plan
        self.records = [RecordCheck(plan, record, master, reveal=reveal) for record in plan.records]
        self.rest = RestCheck(plan, reveal=reveal)
        self.trailers = TrailerCheck(plan, master)
        self.locks = LockCheck(plan)
        kind = "sector" if plan.geometry.keys else plan.geometry.unit
        self.stored = SERIAL_BYTES_IN_MEMORY.get((kind, plan.serial), 0)
        self.bcc = chain("uid-a-stored") if self.stored else None

    def check(self, back: ReadBack, holder: CardCredential | None) -> CheckedCard:
        """What one read-back shows, beside its credential."""
        found = Findings()
        return self.compare(back, holder, self.decode_serial(back, found), found)

    def decode_serial(self, back: ReadBack, found: Findings) -> bytes | None:
        """The serial number in the manufacturer's bytes, if it is there; a wrong check byte is a difference."""
        size = self.plan.serial
        if self.bcc is not None and back.has_bytes(0, self.stored):
            stored = back.data[: self.stored]
            try:
                serial: bytes = self.bcc.decode(stored).bytes
            except DecodeError as error:
                fault = str(error)
            else:
                return serial
            found.add_difference(
                "serial-check",
                self.plan.geometry.describe_byte(0),
                f"the serial number is garbled: {fault}",
            )
            return stored[:3] + stored[4:8] if size == 7 else stored[:size]
        if self.plan.geometry.keys and back.has_bytes(0, size):
            return back.data[:size]
        return None

    def compare(
        self, back: ReadBack, holder: CardCredential | None, serial: bytes | None, found: Findings
    ) -> CheckedCard:
        """All the rest, once serial number and credential are known."""
        if serial is None:
            text = "the serial number was not read" + (
                ": that this is the card of this credential, its file says alone" if holder else ""
            )
            found.add_note("serial-not-seen", "care", text)
            serial = holder.serial if holder else None
        elif holder and holder.serial != serial:
            read, issued = (redacted_repr(each.hex().upper()) for each in (serial, holder.serial))
            said = f"is {read}, the credentials say {issued}"
            found.add_difference("serial-differs", self.plan.geometry.describe_byte(0), f"the serial number {said}")
        for record in self.records:
            record.check(back, holder.row if holder else None, serial, found)
        self.rest.check(back, found)
        self.trailers.check(back, serial, found)
        self.locks.check(back, found)
        return CheckedCard(
            name=back.name, credential=holder.name if holder else "", differences=tuple(found.differences),
            notes=tuple(found.notes), values=found.values, macs=tuple(found.macs),
        )  # fmt: skip
