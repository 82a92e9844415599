"""Roles of a plan file: which keys they hold, where the keys come from, and what the access conditions let them do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial

from credkit.cards.access import DATA_RULES, Access, data_condition, trailer_condition
from credkit.cards.geometry import Geometry
from credkit.cards.keys import describe_published_key
from credkit.cards.masters import WHOLE, may_hold_key
from credkit.cards.plan import CardRecord
from credkit.core.sentences import nearest, redacted_repr
from credkit.tables.schema import SchemaTable

SLOTS = ("A", "B")
KEY_BYTES = 6
NOBODY_WORD = "never"


class PlanRoles:
    """The roles of one plan; ``slots`` has the key that each holds. Refusals are of the tables they are read from."""

    def __init__(self, top: SchemaTable, geometry: Geometry) -> None:
        self.top = top
        self.geometry = geometry
        self.slots = self._parse_slots()

    def _parse_slots(self) -> dict[str, str]:
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

    def parse_keys(self, head: SchemaTable, name: str) -> tuple[dict[str, bytes | None], str]:
        """Where the keys come from, and the label they are derived under."""
        if self.geometry.keys and not self.top.has("keys"):
            self.top.refuse("keys", 'key A and B are needed here, such as A = "derived"')
        content = self.top.mapping("keys")
        table = self.top.inner("keys", content, ("label", *SLOTS) if self.geometry.keys else ("label",))
        label = table.text("label", name)
        if may_hold_key(label, WHOLE):
            where, key = (table, "label") if table.has("label") else (head, "name")
            where.refuse(key, "it may itself be a key, and plans are read by many: a name is needed here")
        if not label or not label.isprintable() or len(label.encode()) > 64:
            what = "a label" if table.has("label") else "a label, which is the plan's name unless it is declared,"
            table.refuse(
                "label", f"{what} of 1 to 64 bytes without control characters is needed, not {redacted_repr(label)}"
            )
        return {slot: self._parse_key(table, slot) for slot in SLOTS if self.geometry.keys}, label

    def _parse_key(self, table: SchemaTable, slot: str) -> bytes | None:
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

    def keys_of(self, table: SchemaTable, key: str) -> str:
        """The keys of the roles under ``key``: A, B, AB or none."""
        roles = table.texts(key, or_one=True)
        if roles == (NOBODY_WORD,):
            return ""
        if not roles or NOBODY_WORD in roles:
            table.refuse(key, f"one role at least, or {NOBODY_WORD} alone, is needed here")
        for role in roles:
            if role not in self.slots:
                near = nearest(role, self.slots)
                table.refuse(
                    key, f"{redacted_repr(role)} is not a role: {', '.join(self.slots)} or {NOBODY_WORD}{near}"
                )
        return "".join(slot for slot in SLOTS if any(self.slots[role] == slot for role in roles))

    def parse_access(self, records: Sequence[CardRecord], keys: Mapping[str, bytes | None]) -> dict[int, Access]:
        """The access conditions of every sector that is written."""
        if not self.geometry.keys:
            if self.top.has("trailers"):
                self.top.refuse("trailers", f"{self.geometry.name} has no sector trailers")
            return {}
        table = self.top.table("trailers", ("keys", "access", "free", "unused"))
        owners, access = self.keys_of(table, "keys"), self.keys_of(table, "access")
        trailer = table.guard("keys", partial(trailer_condition, owners, access))
        rest = self._rest_condition(table, owners)
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

    def _rest_condition(self, table: SchemaTable, owners: str) -> int:
        """The condition of blocks without a record: read and written by whoever writes the keys."""
        if table.has("free"):
            free = table.table("free", ("read", "write"))
            return free.guard(
                "read",
                partial(data_condition, self.keys_of(free, "read"), self.keys_of(free, "write")),
            )
        return next((n for n, rule in enumerate(DATA_RULES) if (rule.read, rule.write) == (owners, owners)), 0)
