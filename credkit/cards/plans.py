"""Plan files: what is stored on a site's cards, in one TOML file.

`load_plan` reads ``plan.toml`` into a frozen `Plan`, in which every chain is built, every record has
its place and every sector its access conditions. Whatever is wrong with the plan (a record that
does not fit, a policy that no access condition means) is refused in one sentence with file and key.
The keys are described in ``docs/cards.md``.

Source: TOML 1.0.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from hashlib import sha256
from pathlib import Path

from credkit.cards.access import DATA_RULES, Access, data_condition, trailer_condition
from credkit.cards.allotment import ANYWHERE_WORD, WantedPlace, allot, parse_place
from credkit.cards.area import area_step
from credkit.cards.container import UNIT, write_container
from credkit.cards.directory import MOST_ENTRIES, directory_size, encode_directory
from credkit.cards.geometry import (
    LARGEST_USUAL_TYPE2_BYTES,
    PAGE_BYTES,
    STATIC_LOCK_BYTES,
    Geometry,
    build_geometry,
)
from credkit.cards.keys import describe_published_key
from credkit.cards.masters import WHOLE, may_hold_key
from credkit.cards.objections import admit_content
from credkit.cards.plan import IDENTITY_COLUMNS, CardPlan, CardRecord
from credkit.catalogue.registry import chain
from credkit.core.chains import link
from credkit.core.codec import AnyCodec
from credkit.core.errors import CredkitError, DefinitionError
from credkit.core.frozen import FrozenMapping
from credkit.core.reading import Field
from credkit.core.sentences import nearest, redacted_repr
from credkit.core.shapes import single_length
from credkit.files.regularfiles import read_regular
from credkit.files.tomltable import read_toml
from credkit.tables.schema import SchemaTable

PLAN_KEYS = ("plan", "roles", "keys", "trailers", "records", "directory")
PLAN_TABLE_KEYS = ("name", "geometry", "serial", "container", "dynamic_locks", "ignore", "not_payment")
RECORD_KEYS = (
    "stored", "column", "columns", "value", "constant", "size", "mac", "where", "read", "write", "increment",
    "decrement", "lock", "accept", "not_payment",
)  # fmt: skip
SERIAL_BYTES = (4, 7, 8, 10)  # bytes of a serial number
SLOTS = ("A", "B")
KEY_BYTES = 6
NOBODY_WORD = "never"
LARGEST_RECORD_BYTES = 8192  # bytes of a record
MOST_TRIED_SIZES = 1024  # sizes, to find the one that suits a chain with check bytes
MAC_BYTES = range(4, 17)
_NAME = re.compile("[a-z][a-z0-9-]{0,39}")
VALUE_BLOCK = "value-block"  # the layout of a block in which a card counts
DIRECTORY = "directory"  # the name of the record that says where the others are


def load_plan(path: str | Path) -> CardPlan:
    """The plan that the TOML file ``path`` describes; raises `DefinitionError` with file and key.

    >>> from tempfile import TemporaryDirectory
    >>> account = 'account = { column = "account", stored = "fields:number:32", where = "page 4" }'
    >>> with TemporaryDirectory() as folder:
    ...     file = Path(folder, "canteen.toml")
    ...     _ = file.write_text(f'plan = {{ name = "canteen", geometry = "type2-144" }}\\nrecords.{account}')
    ...     load_plan(file)
    <CardPlan canteen: type2-144, 1 record, 4 bytes>
    """
    if not isinstance(path, str | Path):
        raise DefinitionError(f"load_plan: a path is needed, not {redacted_repr(path)}")
    plan = _PlanBuilder(read_toml(Path(path), PLAN_KEYS)).build()
    return replace(plan, digest=sha256(read_regular(Path(path))).hexdigest())


class _PlanBuilder:
    """One plan while its file is being read."""

    def __init__(self, top: SchemaTable) -> None:
        self.top = top
        self.head = top.table("plan", PLAN_TABLE_KEYS)
        self.geometry: Geometry = self.head.guard("geometry", partial(build_geometry, self.head.text("geometry")))
        self.roles = self.parse_slots()

    def build(self) -> CardPlan:
        head = self.head
        name = head.text("name")
        if not name.strip():
            head.refuse("name", "a name is needed")
        keys, label = self.parse_keys(name)
        records, wanted = self.parse_records()
        places = self.top.guard("records", lambda: allot(self.geometry, records, wanted))
        placed = [replace(record, places=places[record.name]) for record in records]
        for record in filter(_is_value_block, placed if self.geometry.keys else ()):
            first, size = record.places[0], self.geometry.block_size
            if first % size:
                problem = (
                    f"it begins at {self.geometry.describe_byte(first)}, but a value block is one block of its own"
                )
                self.top.refuse(f"records.{record.name}.where", problem)
        others = [record for record in placed if record.name != DIRECTORY]
        index = [
            replace(record, fixed=encode_directory(others, self.geometry)) if record.name == DIRECTORY else record
            for record in placed
        ]
        plan = CardPlan(
            name=name, geometry=self.geometry, serial=self.parse_serial(), label=label, records=tuple(index),
            access=FrozenMapping(self.parse_access(placed, keys)), keys=FrozenMapping(keys),
            roles=FrozenMapping(self.roles), container=self.parse_container(), ignored=head.texts("ignore", ()),
            not_payment=_not_payment_reason(head),
        )  # fmt: skip
        self.refuse_unsure_locks(plan)
        for column in plan.ignored:
            if column in (*IDENTITY_COLUMNS, *(used for record in placed for used in record.columns.values())):
                head.refuse(
                    "ignore", f"the column {redacted_repr(column)} is used by a record, or is there in any case"
                )
        return plan

    def refuse_unsure_locks(self, plan: CardPlan) -> None:
        """Refuse locks whose bits may be elsewhere, or serve more bytes each, unless the plan says that it knows."""
        standard = self.head.one_of("dynamic_locks", ("unknown", "standard")) == "standard"
        far = [at for at in plan.lock_bytes if at >= 4 * PAGE_BYTES]
        if far and not standard and self.geometry.free_bytes > LARGEST_USUAL_TYPE2_BYTES:
            self.head.refuse(
                "dynamic_locks", f"locks from page {4 + STATIC_LOCK_BYTES // PAGE_BYTES} on would be written to "
                f"{self.geometry.describe_byte(far[0])}, "
                f"and cards of more than {LARGEST_USUAL_TYPE2_BYTES} bytes often have them elsewhere: if "
                'the data sheet has them there, one bit for every 8 bytes, say "standard"',
            )  # fmt: skip

    def parse_serial(self) -> int:
        size = self.head.whole("serial", self.geometry.serial, least=0, most=99)
        if size not in SERIAL_BYTES:
            self.head.refuse("serial", f"a serial number has {', '.join(map(str, SERIAL_BYTES))} bytes, not {size}")
        return size

    def parse_container(self) -> bytes:
        """The bytes of the capability container, if the plan writes it."""
        if not self.head.has("container"):
            return b""
        if self.geometry.keys:
            self.head.refuse("container", "cards with sectors have no capability container")
        wanted = self.head.one_of("container", ("keep", "write", "write read-only"))
        if wanted == "keep":
            return b""
        found = write_container(self.geometry, read_only=wanted == "write read-only")
        if not found:
            self.head.refuse("container", f"{self.geometry.name} has no {UNIT} bytes for data, the least it can state")
        return found

    # ── keys and roles ──────────────────────────────────────────────────────────────────────────

    def parse_slots(self) -> dict[str, str]:
        """Which key each role holds."""
        found: dict[str, str] = {}
        content = self.top.mapping("roles")
        if content and not self.geometry.keys:
            self.top.refuse("roles", f"{self.geometry.name} has no keys: its {self.geometry.unit}s are locked or open")
        table = self.top.inner("roles", content, content)
        for role in content:
            slot = content[role]
            if slot not in SLOTS:  # whatever it is, it may be a key: it is not repeated
                table.refuse(role, 'a role holds key "A" or "B": which of the two, and never the key itself')
            if role == NOBODY_WORD:
                table.refuse(role, f"{NOBODY_WORD} stands for nobody, and cannot be a role")
            found[role] = slot
        if self.geometry.keys and not found:
            self.top.refuse("roles", 'at least one role is needed, such as issuer = "B"')
        return found

    def parse_keys(self, name: str) -> tuple[dict[str, bytes | None], str]:
        """Where the keys come from, and the label they are derived under."""
        if self.geometry.keys and not self.top.has("keys"):
            self.top.refuse("keys", 'key A and B are needed here, such as A = "derived"')
        content = self.top.mapping("keys")
        table = self.top.inner("keys", content, ("label", *SLOTS) if self.geometry.keys else ("label",))
        label = table.text("label", name)
        if may_hold_key(label, WHOLE):
            where, key = (table, "label") if table.has("label") else (self.head, "name")
            where.refuse(key, "it may itself be a key, and plans are read by many: a name is needed here")
        if not label or not label.isprintable() or len(label.encode()) > 64:
            what = "a label" if table.has("label") else "a label, which is the plan's name unless it is declared,"
            table.refuse(
                "label", f"{what} of 1 to 64 bytes without control characters is needed, not {redacted_repr(label)}"
            )
        return {slot: self.parse_key(table, slot) for slot in SLOTS if self.geometry.keys}, label

    def parse_key(self, table: SchemaTable, slot: str) -> bytes | None:
        text = table.content.get(slot)
        if text == "derived":
            return None
        word, _, digits = text.partition(" ") if isinstance(text, str) else ("", "", "")
        try:
            key = bytes.fromhex(digits)
        except ValueError:
            key = b""
        if word == "published" and len(key) == KEY_BYTES and describe_published_key(key):
            return key
        return table.refuse(  # whatever it is, it may be a key: it is not repeated
            slot, "either derived, or published and the 12 hex digits of a key that is published; no other key stands "
            "in a plan, since plans are read by many",
        )  # fmt: skip

    def parse_keys_of_roles(self, table: SchemaTable, key: str) -> str:
        """The keys of the roles under ``key``: A, B, AB or none."""
        roles = table.texts(key, or_one=True)
        if roles == (NOBODY_WORD,):
            return ""
        if not roles or NOBODY_WORD in roles:
            table.refuse(key, f"one role at least, or {NOBODY_WORD} alone, is needed here")
        for role in roles:
            if role not in self.roles:
                near = nearest(role, self.roles)
                table.refuse(
                    key, f"{redacted_repr(role)} is not a role: {', '.join(self.roles)} or {NOBODY_WORD}{near}"
                )
        return "".join(slot for slot in SLOTS if any(self.roles[role] == slot for role in roles))

    def parse_access(self, records: Sequence[CardRecord], keys: Mapping[str, bytes | None]) -> dict[int, Access]:
        """The access conditions of every sector that is written."""
        if not self.geometry.keys:
            if self.top.has("trailers"):
                self.top.refuse("trailers", f"{self.geometry.name} has no sector trailers")
            return {}
        table = self.top.table("trailers", ("keys", "access", "free", "unused"))
        owners, access = self.parse_keys_of_roles(table, "keys"), self.parse_keys_of_roles(table, "access")
        trailer = table.guard("keys", partial(trailer_condition, owners, access))
        rest = self.rest_condition(table, owners)
        groups = {self.geometry.unit_of(at): record.condition for record in records for at in record.places}
        if len(self.geometry.groups(0)[0]) == 1:  # the manufacturer's block alone: it can be read, and never written
            groups[0, 0] = data_condition("AB", "")
        every = table.one_of("unused", ("keep", "protect")) == "protect"
        used = {self.geometry.unit_of(at)[0] for record in records for at in record.places}
        sectors = range(len(self.geometry.sectors)) if every else sorted(used)
        return {
            sector: Access(  # three groups and the trailer are the four that it has
                (*(groups.get((sector, group), rest) for group in range(3)), trailer)  # type: ignore[arg-type]  # three and one are four
            )
            for sector in sectors
        }

    def rest_condition(self, table: SchemaTable, owners: str) -> int:
        """The condition of blocks without a record: read and written by whoever writes the keys."""
        if table.has("free"):
            free = table.table("free", ("read", "write"))
            return free.guard(
                "read",
                partial(
                    data_condition, self.parse_keys_of_roles(free, "read"), self.parse_keys_of_roles(free, "write")
                ),
            )
        return next((n for n, rule in enumerate(DATA_RULES) if (rule.read, rule.write) == (owners, owners)), 0)

    # ── records ─────────────────────────────────────────────────────────────────────────────────

    def parse_records(self) -> tuple[list[CardRecord], dict[str, WantedPlace]]:
        tables = self.top.tables("records", RECORD_KEYS)
        if not tables:
            self.top.refuse("records", "at least one record is needed")
        records, wanted = [], {}
        for table in tables:
            if not _NAME.fullmatch(table.name):
                table.refuse(
                    "stored", f"{redacted_repr(table.name)} is no name of a record: small letters, digits and hyphens"
                )
            if table.name == DIRECTORY:
                table.refuse("stored", f"{DIRECTORY} is the name of the record that [directory] makes")
            records.append(self.parse_record(table))
            wanted[table.name] = self.parse_place(table)
        if self.top.has("directory"):
            table = self.top.table("directory", ("where", "read", "write", "lock"))
            if len(records) > MOST_ENTRIES:
                table.refuse("where", f"a directory lists {MOST_ENTRIES} records, and there are {len(records)}")
            size = directory_size(len(records))
            records.append(self.with_protection(table, CardRecord(name=DIRECTORY, size=size, fixed=bytes(size))))
            wanted[DIRECTORY] = self.parse_place(table)
        return records, wanted

    def parse_place(self, table: SchemaTable) -> WantedPlace:
        return table.guard("where", partial(parse_place, self.geometry, table.text("where", ANYWHERE_WORD)))

    def parse_record(self, table: SchemaTable) -> CardRecord:
        codec, size = self.parse_stored(table)
        value = table.guard("value", partial(chain, table.text("value"))) if table.has("value") else None
        if value and (value.takes, value.gives) != ("text", "fields"):
            table.refuse("value", f"the chain goes from {value.takes} to {value.gives}, expected text to fields")
        if value and codec.gives == "text":
            table.refuse("value", "stored takes a text, and the column is that text: nothing reads it to fields")
        if value and set(value.schema) != set(codec.schema):
            table.refuse("value", f"it gives {', '.join(value.schema)}, but stored takes {', '.join(codec.schema)}")
        mac = table.whole("mac", 0, least=0, most=LARGEST_RECORD_BYTES)
        if table.has("mac") and mac not in MAC_BYTES:
            table.refuse("mac", f"a MAC has {MAC_BYTES[0]} to {MAC_BYTES[-1]} bytes, not {mac}")
        made = CardRecord(
            name=table.name, size=size, codec=codec, mac=mac, value=value, accept=table.texts("accept", ()),
            not_payment=_not_payment_reason(table),
        )  # fmt: skip
        record = self.with_protection(table, made)
        if table.has("constant"):
            for key in ("column", "columns"):
                if table.has(key):
                    table.refuse(key, "the record is a constant, and takes nothing from the credentials")
            return self.parse_constant(table, record)
        return replace(record, columns=FrozenMapping(self.parse_columns(table, codec, value)))

    def parse_stored(self, table: SchemaTable) -> tuple[AnyCodec, int]:
        """The chain that reads the record's bytes, fixed to its size, and that size."""
        codec = table.guard("stored", partial(chain, table.text("stored")))
        if codec.takes != "bits":
            table.refuse("stored", f"the chain takes {codec.takes}, expected bits: it reads what is stored")
        if codec.gives == "bits":
            table.refuse("stored", "the chain gives bits, expected text or fields: what they mean")
        fitting = _readable_sizes(codec)
        if not fitting:
            table.refuse("stored", f"the chain {codec.name} reads no whole number of bytes")
        if not table.has("size"):
            if len(fitting) > 1:
                table.refuse("size", "the chain can read several lengths: the record's bytes are needed here")
            size = fitting[0]
        else:
            size = table.whole("size", least=0, most=LARGEST_RECORD_BYTES)
        if not 1 <= size <= LARGEST_RECORD_BYTES:
            table.refuse("size", f"a record has 1 to {LARGEST_RECORD_BYTES} bytes, not {size}")
        if len(fitting) == 1 and size != fitting[0]:
            table.refuse("size", f"the chain {codec.name} reads {fitting[0]} bytes, not {size}")
        fixed = table.guard("stored", lambda: link([area_step(size), codec]))
        for why, verb in ((fixed.decode_obstacle, "read"), (fixed.encode_obstacle, "written")):
            if why:
                table.refuse("stored", f"a record of {size} bytes cannot be {verb}: {why}")
        if problem := _unencodable_reason(fixed):
            table.refuse("stored", f"a record of {size} bytes can never be written: {problem}")
        return fixed, size

    def parse_columns(self, table: SchemaTable, codec: AnyCodec, value: AnyCodec | None) -> dict[str, str]:
        """The column of each field."""
        if table.has("columns"):
            if value or codec.gives == "text":
                table.refuse("columns", "the record has one value: column is the key for it")
            found = dict(table.mapping("columns"))
            inner = table.inner(table.at("columns"), found, codec.schema)
            for name in codec.schema:
                inner.text(name)
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
            if not column or column in IDENTITY_COLUMNS:
                table.refuse("column", f"{redacted_repr(column)} is no column of a record's own")
        return found

    def parse_constant(self, table: SchemaTable, record: CardRecord) -> CardRecord:
        text = table.text("constant")
        columns = {"": ""} if record.value or (record.codec and record.codec.gives == "text") else None
        if columns is None:
            schema = record.codec.schema if record.codec else {}
            if len(schema) != 1:
                table.refuse("constant", f"the record has the fields {', '.join(schema)}: value says how it is read")
            columns = dict.fromkeys(schema, "")

        def fixed() -> CardRecord:
            written = replace(record, columns=columns).encode({"": text})
            admit_content(replace(record, columns=columns), written, {"": text})
            return replace(record, fixed=written)

        return table.guard("constant", fixed)

    def with_protection(self, table: SchemaTable, record: CardRecord) -> CardRecord:
        """The record with its access condition, or its lock."""
        rights = ("read", "write", "increment", "decrement")
        if not self.geometry.keys:
            for key in rights:
                if table.has(key):
                    table.refuse(key, f"{self.geometry.name} has no keys: lock = true is all that can be said")
            return replace(record, lock=table.flag("lock", default=False))
        if table.has("lock"):
            table.refuse("lock", 'a record in a sector is locked by its access condition: write = "never"')
        read, write = self.parse_keys_of_roles(table, "read"), self.parse_keys_of_roles(table, "write")
        more = [self.parse_keys_of_roles(table, key) if table.has(key) else None for key in rights[2:]]
        if any(each is not None for each in more):
            more = [each or "" for each in more]
        if any(more):
            self.refuse_uncountable(table, record)
        return replace(record, condition=table.guard("read", partial(data_condition, read, write, *more)))

    def refuse_uncountable(self, table: SchemaTable, record: CardRecord) -> None:
        """Refuse a record that no card can count up and down: only a value block without a MAC can be."""
        key = "increment" if table.has("increment") else "decrement"
        if not _is_value_block(record):
            table.refuse(key, f"a card counts in a value block only: stored begins with {VALUE_BLOCK}")
        if record.mac:
            table.refuse(key, "the card counts and cannot make a MAC: the record's would be wrong from then on")


def _not_payment_reason(table: SchemaTable) -> str:
    """Why digits are no account numbers, as ``not_payment`` says it."""
    reason = table.text("not_payment", "")
    if table.has("not_payment") and not reason.strip():
        table.refuse("not_payment", "a reason is needed: what the digits are, if they are no account numbers")
    return reason


def _is_value_block(record: CardRecord) -> bool:
    return record.codec is not None and record.codec.steps[1].name == VALUE_BLOCK  # behind the step of the area


def _readable_sizes(codec: AnyCodec) -> list[int]:
    """The sizes in bytes that a chain from bits can read, as far as the second one."""
    length = single_length(codec.steps[0].input.lengths)
    found: list[int] = []
    for size in range(1, MOST_TRIED_SIZES + 1) if length is None else [length // 8] * (length % 8 == 0):
        try:
            link([area_step(size), codec])
        except CredkitError:
            continue
        found.append(size)
        if len(found) == 2:
            break
    return found


def _unencodable_reason(codec: AnyCodec) -> str:
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
