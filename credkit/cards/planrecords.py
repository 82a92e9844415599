"""Records of a plan file: what each stores, from which columns, and who may read and write it."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from credkit.cards.access import data_condition
from credkit.cards.area import area_step
from credkit.cards.objections import admit_content
from credkit.cards.plan import IDENTITY_COLUMNS, CardRecord
from credkit.cards.planroles import PlanRoles
from credkit.catalogue.registry import chain
from credkit.core.chains import link
from credkit.core.codec import AnyCodec
from credkit.core.errors import CredkitError
from credkit.core.frozen import FrozenMapping
from credkit.core.reading import Field
from credkit.core.sentences import redacted_repr
from credkit.core.shapes import single_length
from credkit.tables.schema import SchemaTable

RECORD_KEYS = (
    "stored", "column", "columns", "value", "constant", "size", "mac", "where", "read", "write", "increment",
    "decrement", "lock", "accept", "not_payment",
)  # fmt: skip
LARGEST_RECORD_BYTES = 8192  # bytes of a record
MOST_TRIED_SIZES = 1024  # sizes, to find the one that suits a chain with check bytes
MAC_BYTES = range(4, 17)
VALUE_BLOCK = "value-block"  # the layout of a block in which a card counts


class PlanRecords:
    """What turns the table of a record into that record, without its place."""

    def __init__(self, roles: PlanRoles) -> None:
        self.roles = roles

    def parse(self, table: SchemaTable) -> CardRecord:
        """The record that a table of ``[records]`` describes."""
        codec, size = _parse_stored(table)
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
            not_payment=not_payment_reason(table),
        )  # fmt: skip
        record = self.with_protection(table, made)
        if table.has("constant"):
            for key in ("column", "columns"):
                if table.has(key):
                    table.refuse(key, "the record is a constant, and takes nothing from the credentials")
            return _parse_constant(table, record)
        return replace(record, columns=FrozenMapping(_parse_columns(table, codec, value)))

    def with_protection(self, table: SchemaTable, record: CardRecord) -> CardRecord:
        """The record with its access condition, or its lock."""
        rights = ("read", "write", "increment", "decrement")
        if not self.roles.geometry.keys:
            for key in rights:
                if table.has(key):
                    table.refuse(key, f"{self.roles.geometry.name} has no keys: lock = true is all that can be said")
            return replace(record, lock=table.flag("lock", default=False))
        if table.has("lock"):
            table.refuse("lock", 'a record in a sector is locked by its access condition: write = "never"')
        read, write = self.roles.keys_of(table, "read"), self.roles.keys_of(table, "write")
        more = [self.roles.keys_of(table, key) if table.has(key) else None for key in rights[2:]]
        if any(each is not None for each in more):
            more = [each or "" for each in more]
        if any(more):
            _refuse_uncountable(table, record)
        return replace(record, condition=table.guard("read", partial(data_condition, read, write, *more)))


def _parse_stored(table: SchemaTable) -> tuple[AnyCodec, int]:
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


def _parse_columns(table: SchemaTable, codec: AnyCodec, value: AnyCodec | None) -> dict[str, str]:
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


def _parse_constant(table: SchemaTable, record: CardRecord) -> CardRecord:
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


def _refuse_uncountable(table: SchemaTable, record: CardRecord) -> None:
    """Refuse a record that no card can count up and down: only a value block without a MAC can be."""
    key = "increment" if table.has("increment") else "decrement"
    if not is_value_block(record):
        table.refuse(key, f"a card counts in a value block only: stored begins with {VALUE_BLOCK}")
    if record.mac:
        table.refuse(key, "the card counts and cannot make a MAC: the record's would be wrong from then on")


def not_payment_reason(table: SchemaTable) -> str:
    """Why digits are no account numbers, as ``not_payment`` says it."""
    reason = table.text("not_payment", "")
    if table.has("not_payment") and not reason.strip():
        table.refuse("not_payment", "a reason is needed: what the digits are, if they are no account numbers")
    return reason


def is_value_block(record: CardRecord) -> bool:
    """Whether a card counts in this record."""
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
