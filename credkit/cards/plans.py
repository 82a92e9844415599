"""Plan files: what is stored on a site's cards, in one TOML file.

`load_plan` reads ``plan.toml`` into a frozen `CardPlan`, in which every chain is built, every record has
its place and every sector its access conditions. Whatever is wrong with the plan (a record that
does not fit, a policy that no access condition means) is refused in one sentence with file and key.
The keys are described in ``docs/cards.md``.

Source: TOML 1.0.
"""

from __future__ import annotations

import re
from dataclasses import replace
from functools import partial
from hashlib import sha256
from pathlib import Path

from credkit.cards.allotment import ANYWHERE_WORD, WantedPlace, allot, parse_place
from credkit.cards.container import UNIT, write_container
from credkit.cards.directory import MOST_ENTRIES, directory_size, encode_directory
from credkit.cards.geometry import (
    LARGEST_USUAL_TYPE2_BYTES,
    PAGE_BYTES,
    STATIC_LOCK_BYTES,
    Geometry,
    build_geometry,
)
from credkit.cards.plan import IDENTITY_COLUMNS, CardPlan, CardRecord
from credkit.cards.planrecords import RECORD_KEYS, PlanRecords, is_value_block, not_payment_reason
from credkit.cards.planroles import PlanRoles
from credkit.core.errors import DefinitionError
from credkit.core.frozen import FrozenMapping
from credkit.core.sentences import redacted_repr
from credkit.files.regularfiles import read_regular
from credkit.files.tomltable import read_toml
from credkit.tables.schema import SchemaTable

PLAN_KEYS = ("plan", "roles", "keys", "trailers", "records", "directory")
PLAN_TABLE_KEYS = ("name", "geometry", "serial", "container", "dynamic_locks", "ignore", "not_payment")
SERIAL_BYTES = (4, 7, 8, 10)  # bytes of a serial number
_NAME = re.compile("[a-z][a-z0-9-]{0,39}")
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
        self.roles = PlanRoles(top, self.geometry)
        self.records = PlanRecords(self.roles)

    def build(self) -> CardPlan:
        head = self.head
        name = head.text("name")
        if not name.strip():
            head.refuse("name", "a name is needed")
        keys, label = self.roles.parse_keys(head, name)
        records, wanted = self.parse_records()
        places = self.top.guard("records", lambda: allot(self.geometry, records, wanted))
        placed = [replace(record, places=places[record.name]) for record in records]
        for record in filter(is_value_block, placed if self.geometry.keys else ()):
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
            access=FrozenMapping(self.roles.parse_access(placed, keys)), keys=FrozenMapping(keys),
            roles=FrozenMapping(self.roles.slots), container=self.parse_container(), ignored=head.texts("ignore", ()),
            not_payment=not_payment_reason(head),
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
            records.append(self.records.parse(table))
            wanted[table.name] = self.parse_place(table)
        if self.top.has("directory"):
            table = self.top.table("directory", ("where", "read", "write", "lock"))
            if len(records) > MOST_ENTRIES:
                table.refuse("where", f"a directory lists {MOST_ENTRIES} records, and there are {len(records)}")
            size = directory_size(len(records))
            records.append(
                self.records.with_protection(table, CardRecord(name=DIRECTORY, size=size, fixed=bytes(size)))
            )
            wanted[DIRECTORY] = self.parse_place(table)
        return records, wanted

    def parse_place(self, table: SchemaTable) -> WantedPlace:
        return table.guard("where", partial(parse_place, self.geometry, table.text("where", ANYWHERE_WORD)))
