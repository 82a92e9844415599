"""Plan files: what is stored on a site's cards, in one TOML file.

`load_plan` reads ``plan.toml`` into a frozen `Plan`, in which every chain is built, every record has
its place and every sector its access conditions. Whatever is wrong with the plan (a record that
does not fit, a policy that no access condition means) is refused in one sentence with file and key.
The keys are described in ``docs/cards.md``.

Source: TOML 1.0; for the capability container NFC Forum Type 2 Tag and Type 5 Tag (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from hashlib import sha256
from pathlib import Path
from types import MappingProxyType

from credkit.chains import link
from credkit.codec import Codec
from credkit.errors import CredkitError, DefinitionError, nearest, shown
from credkit.memory.access import DATA, Access, data_condition, trailer_condition
from credkit.memory.allotment import ANYWHERE, Where, allot, where
from credkit.memory.area import area
from credkit.memory.directory import directory_size, write_directory
from credkit.memory.geometry import Geometry, geometry
from credkit.memory.keys import is_published
from credkit.memory.plan import IDENTITY, Plan, Record
from credkit.reading import Field
from credkit.registry import chain
from credkit.tomltable import Table, read_toml

TOP = ("plan", "roles", "keys", "trailers", "records", "directory")
RECORD = (
    "stored", "column", "columns", "value", "constant", "size", "mac", "where", "read", "write", "increment",
    "decrement", "lock",
)  # fmt: skip
SERIALS = (4, 7, 8, 10)  # bytes of a serial number
SLOTS = ("A", "B")
KEY_SIZE = 6
NOBODY = "never"
LARGEST = 8192  # bytes of a record
MACS = range(4, 17)
_NAME = re.compile("[a-z][a-z0-9-]{0,39}")
DIRECTORY = "directory"  # the name of the record that says where the others are


def load_plan(path: str | Path) -> Plan:
    """The plan that the TOML file ``path`` describes; raises `DefinitionError` with file and key."""
    plan = _Builder(read_toml(Path(path), TOP)).plan()
    return replace(plan, digest=sha256(Path(path).read_bytes()).hexdigest())


class _Builder:
    """One plan while its file is being read."""

    def __init__(self, top: Table) -> None:
        self.top = top
        self.head = top.table("plan", ("name", "geometry", "serial", "container", "ignore"))
        self.geometry: Geometry = self.head.guard("geometry", lambda: geometry(self.head.text("geometry")))
        self.roles = self.slots()

    def plan(self) -> Plan:
        head = self.head
        name = head.text("name")
        if not name.strip():
            head.refuse("name", "a name is needed")
        keys, label = self.keys(name)
        records, wanted = self.records()
        places = self.top.guard("records", lambda: allot(self.geometry, records, wanted))
        placed = [replace(record, places=places[record.name]) for record in records]
        others = [record for record in placed if record.name != DIRECTORY]
        index = [
            replace(record, fixed=write_directory(others, self.geometry)) if record.name == DIRECTORY else record
            for record in placed
        ]
        plan = Plan(
            name=name, geometry=self.geometry, serial=self.serial(), label=label, records=tuple(index),
            access=MappingProxyType(self.access(placed, keys)), keys=MappingProxyType(keys),
            roles=MappingProxyType(self.roles), container=self.container(), ignored=head.texts("ignore", ()),
        )  # fmt: skip
        for column in plan.ignored:
            if column in (*IDENTITY, *(used for record in placed for used in record.columns.values())):
                head.refuse("ignore", f"the column {shown(column)} is used by a record, or is there in any case")
        return plan

    def serial(self) -> int:
        size = self.head.whole("serial", self.geometry.serial, 99)
        if size not in SERIALS:
            self.head.refuse("serial", f"a serial number has {', '.join(map(str, SERIALS))} bytes, not {size}")
        return size

    def container(self) -> bytes:
        """The bytes of the capability container, if the plan writes it."""
        if not self.head.has("container"):
            return b""
        if self.geometry.keys:
            self.head.refuse("container", "cards with sectors have no capability container")
        if self.head.one_of("container", ("keep", "write")) == "keep":
            return b""
        units = self.geometry.free // 8
        if self.geometry.unit == "page":
            return bytes((0xE1, 0x10, units, 0x00))
        first = 0xE1 if self.geometry.blocks <= 256 else 0xE2  # the second: blocks are addressed with two bytes
        if units > 255:
            return bytes((first, 0x40, 0x00, 0x01, 0x00, 0x00)) + units.to_bytes(2, "big")
        return bytes((first, 0x40, units, 0x01))

    # ── keys and roles ──────────────────────────────────────────────────────────────────────────

    def slots(self) -> dict[str, str]:
        """Which key each role holds."""
        found: dict[str, str] = {}
        content = self.top.mapping("roles")
        if content and not self.geometry.keys:
            self.top.refuse("roles", f"{self.geometry.name} has no keys: its {self.geometry.unit}s are locked or open")
        table = Table(self.top.file, "roles", content, content)
        for role in content:
            slot = table.text(role)
            if slot not in SLOTS:
                table.refuse(role, f"a role holds key A or B, not {shown(slot)}")
            if role == NOBODY:
                table.refuse(role, f"{NOBODY} stands for nobody, and cannot be a role")
            found[role] = slot
        if self.geometry.keys and not found:
            self.top.refuse("roles", 'at least one role is needed, such as issuer = "B"')
        return found

    def keys(self, name: str) -> tuple[dict[str, bytes | None], str]:
        """Where the keys come from, and the label they are derived under."""
        if not self.top.has("keys"):
            if self.geometry.keys:
                self.top.refuse("keys", 'key A and B are needed here, such as A = "derived"')
            return {}, name
        table = self.top.table("keys", ("label", *SLOTS) if self.geometry.keys else ("label",))
        label = table.text("label", name)
        if not label or not label.isprintable() or len(label.encode()) > 64:
            table.refuse("label", f"a label of 1 to 64 bytes without control characters is needed, not {shown(label)}")
        return {slot: self.key(table, slot) for slot in SLOTS if self.geometry.keys}, label

    def key(self, table: Table, slot: str) -> bytes | None:
        text = table.text(slot)
        if text == "derived":
            return None
        word, _, digits = text.partition(" ")
        try:
            key = bytes.fromhex(digits)
        except ValueError:
            key = b""
        if word == "published" and len(key) == KEY_SIZE and is_published(key):
            return key
        return table.refuse(  # whatever it is, it may be a key: it is not repeated
            slot, "either derived, or published and the 12 hex digits of a key that is published; no other key stands "
            "in a plan, since plans are read by many",
        )  # fmt: skip

    def who(self, table: Table, key: str, default: tuple[str, ...] | None = None) -> str:
        """The keys of the roles under ``key``: A, B, AB or none."""
        roles = table.texts(key, or_one=True) if default is None else table.texts(key, default, or_one=True)
        if roles == (NOBODY,):
            return ""
        for role in roles:
            if role not in self.roles:
                near = nearest(role, self.roles)
                table.refuse(key, f"{shown(role)} is not a role: {', '.join(self.roles)} or {NOBODY}{near}")
        return "".join(slot for slot in SLOTS if any(self.roles[role] == slot for role in roles))

    def access(self, records: Sequence[Record], keys: Mapping[str, bytes | None]) -> dict[int, Access]:
        """The access conditions of every sector that is written."""
        if not self.geometry.keys:
            if self.top.has("trailers"):
                self.top.refuse("trailers", f"{self.geometry.name} has no sector trailers")
            return {}
        table = self.top.table("trailers", ("keys", "access", "free", "unused"))
        owners = self.who(table, "keys")
        trailer = table.guard("keys", lambda: trailer_condition(owners, self.who(table, "access")))
        rest = self.rest(table, owners)
        groups = {self.geometry.unit_of(at): record.condition for record in records for at in record.places}
        if len(self.geometry.groups(0)[0]) == 1:  # the manufacturer's block alone: it can be read, and never written
            groups[0, 0] = data_condition("AB", "")
        every = table.one_of("unused", ("keep", "protect")) == "protect"
        used = {self.geometry.unit_of(at)[0] for record in records for at in record.places}
        sectors = range(len(self.geometry.sectors)) if every else sorted(used)
        return {
            sector: Access(
                (*(groups.get((sector, group), rest) for group in range(3)), trailer)  # type: ignore[arg-type]
            )
            for sector in sectors
        }

    def rest(self, table: Table, owners: str) -> int:
        """The condition of blocks without a record: read and written by whoever writes the keys."""
        if table.has("free"):
            free = table.table("free", ("read", "write"))
            return free.guard("read", lambda: data_condition(self.who(free, "read"), self.who(free, "write")))
        return next((n for n, rule in enumerate(DATA) if (rule.read, rule.write) == (owners, owners)), 0)

    # ── records ─────────────────────────────────────────────────────────────────────────────────

    def records(self) -> tuple[list[Record], dict[str, Where]]:
        tables = self.top.tables("records", RECORD)
        if not tables:
            self.top.refuse("records", "at least one record is needed")
        records, wanted = [], {}
        for table in tables:
            if not _NAME.fullmatch(table.name):
                table.refuse("stored", f"{shown(table.name)} is no name of a record: small letters, digits and hyphens")
            if table.name == DIRECTORY:
                table.refuse("stored", f"{DIRECTORY} is the name of the record that [directory] makes")
            records.append(self.record(table))
            wanted[table.name] = self.where(table)
        if self.top.has("directory"):
            table = self.top.table("directory", ("where", "read", "write", "lock"))
            size = directory_size(len(records))
            records.append(self.protected(table, Record(name=DIRECTORY, size=size, fixed=bytes(size))))
            wanted[DIRECTORY] = self.where(table)
        return records, wanted

    def where(self, table: Table) -> Where:
        return table.guard("where", lambda: where(self.geometry, table.text("where", ANYWHERE)))

    def record(self, table: Table) -> Record:
        codec, size = self.stored(table)
        value = table.guard("value", partial(chain, table.text("value"))) if table.has("value") else None
        if value and (value.takes, value.gives) != ("text", "fields"):
            table.refuse("value", f"the chain goes from {value.takes} to {value.gives}, expected text to fields")
        if value and set(value.schema) != set(codec.schema):
            table.refuse("value", f"it gives {', '.join(value.schema)}, but stored takes {', '.join(codec.schema)}")
        mac = table.whole("mac", 0, LARGEST)
        if table.has("mac") and mac not in MACS:
            table.refuse("mac", f"a MAC has {MACS[0]} to {MACS[-1]} bytes, not {mac}")
        record = self.protected(table, Record(name=table.name, size=size, codec=codec, mac=mac, value=value))
        if table.has("constant"):
            for key in ("column", "columns"):
                if table.has(key):
                    table.refuse(key, "the record is a constant, and takes nothing from the credentials")
            return self.constant(table, record)
        return replace(record, columns=MappingProxyType(self.columns(table, codec, value)))

    def stored(self, table: Table) -> tuple[Codec, int]:
        """The chain that reads the record's bytes, fixed to its size, and that size."""
        codec = table.guard("stored", partial(chain, table.text("stored")))
        if codec.takes != "bits":
            table.refuse("stored", f"the chain takes {codec.takes}, expected bits: it reads what is stored")
        if codec.gives == "bits":
            table.refuse("stored", "the chain gives bits, expected text or fields: what they mean")
        if not table.has("size"):
            length = codec.steps[0].input.lengths
            if len(length) != 1 or length[0] % 8:
                table.refuse("size", "the chain can read several lengths: the record's bytes are needed here")
            size = length[0] // 8
        else:
            size = table.whole("size", 0, LARGEST)
        if not 1 <= size <= LARGEST:
            table.refuse("size", f"a record has 1 to {LARGEST} bytes, not {size}")
        fixed = table.guard("stored", lambda: link([area(size), codec]))
        for why, verb in ((fixed.unread, "read"), (fixed.unwritten, "written")):
            if why:
                table.refuse("stored", f"a record of {size} bytes cannot be {verb}: {why}")
        if problem := _never(fixed):
            table.refuse("stored", f"a record of {size} bytes can never be written: {problem}")
        return fixed, size

    def columns(self, table: Table, codec: Codec, value: Codec | None) -> dict[str, str]:
        """The column of each field."""
        if table.has("columns"):
            found = dict(table.mapping("columns"))
            inner = Table(table.file, table.at("columns"), found, codec.schema)
            for name in codec.schema:
                inner.text(name)
            if value or codec.gives == "text":
                table.refuse("columns", "the record has one value: column is the key for it")
        elif table.has("column"):
            column = table.text("column")
            if value or codec.gives == "text":
                found = {"": column}
            elif len(codec.schema) == 1:
                found = dict.fromkeys(codec.schema, column)
            else:
                table.refuse("column", f"the record has the fields {', '.join(codec.schema)}: columns is the key")
        else:
            table.refuse("column", "the column of the credentials is needed here, and the key is missing")
        for column in found.values():
            if not column or column in IDENTITY:
                table.refuse("column", f"{shown(column)} is no column of a record's own")
        return found

    def constant(self, table: Table, record: Record) -> Record:
        text = table.text("constant")
        columns = {"": ""} if record.value or (record.codec and record.codec.gives == "text") else None
        if columns is None:
            schema = record.codec.schema if record.codec else {}
            if len(schema) != 1:
                table.refuse("constant", f"the record has the fields {', '.join(schema)}: value says how it is read")
            columns = dict.fromkeys(schema, "")
        try:
            return replace(record, fixed=replace(record, columns=columns).write({"": text}))
        except CredkitError as error:
            table.refuse("constant", str(error))

    def protected(self, table: Table, record: Record) -> Record:
        """The record with its access condition, or its lock."""
        rights = ("read", "write", "increment", "decrement")
        if not self.geometry.keys:
            for key in rights:
                if table.has(key):
                    table.refuse(key, f"{self.geometry.name} has no keys: lock = true is all that can be said")
            return replace(record, lock=table.flag("lock", False))
        if table.has("lock"):
            table.refuse("lock", 'a record in a sector is locked by its access condition: write = "never"')
        try:
            read, write = self.who(table, "read"), self.who(table, "write")
            more = [self.who(table, key) if table.has(key) else None for key in rights[2:]]
            if any(each is not None for each in more):
                more = [each or "" for each in more]
            return replace(record, condition=data_condition(read, write, *more))
        except DefinitionError as error:
            if str(error).startswith(table.file):
                raise
            table.refuse("read", str(error))


def _never(codec: Codec) -> str:
    """Why a chain to numbers can write neither its smallest nor its largest ones; nothing where it can."""
    rows = [row for row in codec.schema.values() if isinstance(row, Field)]
    if not rows or len(rows) < len(codec.schema):
        return ""
    problem = ""
    for fields in ({row.name: row.least for row in rows}, {row.name: row.most for row in rows}):
        try:
            codec.encode(fields)
        except CredkitError as error:
            problem = str(error)
        else:
            return ""
    return problem
