"""Site files: what a site's numbers, readers and targets are, in one TOML file.

`load_site` reads ``site.toml`` into a frozen `Site` in which every chain is built and linked, and
`load_rows` reads the CSV files it names. Whatever is wrong with the description itself (an unknown
key, a chain that cannot work, a reader whose kind nobody defines) is refused in one sentence with
file and key, before any row is looked at. The keys are described in ``docs/site.md``.

Source: TOML 1.0; the IANA time zone database (names of zones).
"""

from __future__ import annotations

import os
import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo, available_timezones

from credkit import content_entries, layout_entries, map_entry
from credkit.catalogue.registry import chain
from credkit.core.chains import choice, conversion
from credkit.core.codec import AnyCodec, Entry
from credkit.core.frozen import FrozenMapping
from credkit.core.reading import Field, SchemaRow, TextField
from credkit.core.sentences import nearest, redacted_repr
from credkit.core.shapes import Shape
from credkit.files.declaredfiles import CsvFile
from credkit.files.dialects import DIALECTS, PLAIN, Dialect
from credkit.files.faults import FileFaults
from credkit.files.tomltable import read_toml
from credkit.site.importmaps import CREDENTIALS_KEYS, FILE_KEYS, READINGS_KEYS, declared_file
from credkit.site.model import COLUMN, Column, CredentialKind, Period, Reader, Rows, Rules, Site, Target
from credkit.site.rows import (
    CREDENTIALS,
    EXISTING,
    LIST,
    READINGS,
    read_credentials,
    read_existing,
    read_list,
    read_readings,
)
from credkit.streams import stream
from credkit.tables.schema import SchemaTable

if TYPE_CHECKING:
    from credkit.cards.keys import MasterKey

LARGEST_ISSUE = 999_999_999
FARTHEST_CLOCK = 3653 * 86400  # seconds; a clock that is off by more than ten years is not set at all


def load_rows(site: Site) -> Rows:
    """The rows of the files that ``site`` names; raises one `DefinitionError` about all faults in them."""
    faults = FileFaults()
    not_payment = {kind.name for kind in site.kinds.values() if kind.not_payment}
    readers = {reader.name for reader in site.readers.values() if reader.kind.not_payment}
    rows = Rows(
        credentials=read_credentials(site.credentials, site.kinds, site.rules.statuses, not_payment, faults),
        readings=read_readings(site.readings, site.readers, site.zone, readers, faults),
        existing={
            target.name: read_existing(target.existing, not_payment=target.kind.name in not_payment, faults=faults)
            for target in site.targets.values()
            if target.existing
        },
    )
    faults.refuse()
    return rows


def load_site(path: str | Path) -> Site:
    """The site that the TOML file ``path`` describes; raises `DefinitionError` with file and key."""
    path = Path(path)
    return _SiteBuilder(read_toml(path, _TOP), path).site()


def site_entries(path: str | Path) -> tuple[Entry, ...]:
    """The catalogue rows that a site file makes: its layouts, contents, tables and plans; the rest is not read."""
    path = Path(path)
    return _SiteBuilder(read_toml(path, _TOP), path).own_entries()


class _SiteBuilder:
    """One site while its file is being read."""

    def __init__(self, top: SchemaTable, path: Path) -> None:
        self.top = top
        self.folder = path.parent
        self.files = [path]  # and every one that is named in it
        self.entries: tuple[Entry, ...] = ()
        self.codecs: dict[str, AnyCodec] = {}

    def site(self) -> Site:
        site = self.top.table("site", ("name", "time_zone", "as_of"))
        files = self.top.table("files", ("credentials", "readings"))
        name, zone, as_of = site.text("name"), self.zone(site), site.day("as_of")
        self.entries = self.own_entries()
        kinds = {table.name: self.kind(table) for table in self.top.tables("kinds", _KIND)}
        if not kinds:
            self.top.refuse("kinds", "at least one kind of credential is needed")
        self.namespaces(kinds)
        readers = {table.name: self.reader(table, kinds) for table in self.top.tables("readers", _READER)}
        rules = self.rules()
        return Site(
            name=name, zone=zone, as_of=as_of,
            credentials=self.file(
                files.table("credentials", CREDENTIALS_KEYS), CREDENTIALS,
                known={"kind": kinds, "status": rules.statuses},
                needed=["issue"] if any(kind.issue for kind in kinds.values()) else (),
            ),
            readings=self.file(files.table("readings", READINGS_KEYS), READINGS, known={"reader": readers}),
            kinds=FrozenMapping(kinds),
            readers=FrozenMapping(readers),
            targets=FrozenMapping({t.name: self.target(t, kinds) for t in self.top.tables("targets", _TARGET)}),
            rules=rules, dialect=self.dialect(),
            files=tuple(dict.fromkeys(self.files)),  # they are all met by now
        )  # fmt: skip

    def zone(self, site: SchemaTable) -> ZoneInfo:
        name = site.text("time_zone")
        try:
            return ZoneInfo(name)
        except (LookupError, ValueError, OSError, RecursionError):  # parts of a name are looked for as packages
            site.refuse(
                "time_zone", f"{redacted_repr(name)} is not an IANA time zone{nearest(name, available_timezones())}"
            )

    def file(
        self, table: SchemaTable, columns: Sequence[str], site_key: str = "",
        known: Mapping[str, Collection[str]] | None = None, needed: Collection[str] = (),
    ) -> CsvFile:  # fmt: skip
        path = self.path(table, "path", table.text("path"))
        return declared_file(table, path, columns, site_key=site_key, known=known, needed=needed)

    def path(self, table: SchemaTable, key: str, name: str) -> Path:
        if not name or "\0" in name:
            table.refuse(key, f"{redacted_repr(name)} is not the path of a file")
        self.files.append(self.folder / name)
        return self.files[-1]

    def layouts(self) -> tuple[Entry, ...]:
        """The site's own layouts and contents; their names are in one space."""
        found = self.top.guard("layouts", lambda: layout_entries(self.top.mapping("layouts")))
        texts = self.top.guard("contents", lambda: content_entries(self.top.mapping("contents"), beside=found))
        return (*found, *texts)

    def own_entries(self) -> tuple[Entry, ...]:
        """The rows that only this site has."""
        return (*self.layouts(), *self.lists(), *self.plans())

    def lists(self) -> tuple[Entry, ...]:
        faults = FileFaults()
        lists = {
            table.name: read_list(self.file(table, LIST), faults) for table in self.top.tables("tables", FILE_KEYS)
        }
        faults.refuse()
        return (self.top.guard("tables", lambda: map_entry(lists)),) if lists else ()

    def plans(self) -> tuple[Entry, ...]:
        """The plans of the site's cards, and the master keys that verify their MACs."""
        if not self.top.has("plans"):
            return ()
        from credkit.cards.entry import memory_entry  # a site without plans needs none of it
        from credkit.cards.plans import load_plan

        plans, masters = {}, {}
        for table in self.top.tables("plans", _PLAN):
            path = self.path(table, "file", table.text("file"))
            plans[table.name] = table.guard("file", partial(load_plan, path))
            if (master := self.master(table)) is not None:
                masters[table.name] = master
        return (self.top.guard("plans", lambda: memory_entry(plans, masters)),)

    def master(self, table: SchemaTable) -> MasterKey | None:
        """The master key of a plan; None where it has none, or its variable is not set today."""
        from credkit.cards.masters import master_from_environment, master_from_file, may_hold_key

        if table.has("master_file") and table.has("master_env"):
            table.refuse("master_file", "a master key comes from one place: master_file or master_env")
        if table.has("master_file"):
            path = self.path(table, "master_file", table.text("master_file"))
            return table.guard("master_file", partial(master_from_file, path))
        if not table.has("master_env"):
            return None
        name = table.text("master_env")
        if not _VARIABLE.fullmatch(name) or may_hold_key(name):  # it may be a key: it is not repeated
            table.refuse("master_env", "the name of an environment variable is needed here, never the key itself")
        return table.guard("master_env", partial(master_from_environment, name)) if name in os.environ else None

    def chain(self, table: SchemaTable, key: str, taken: str = "read") -> AnyCodec:
        """The chain, or the choice of chains, under ``key``: from text to fields."""
        texts = table.texts(key, or_one=True)
        if not texts:
            table.refuse(key, "at least one chain is needed")
        options = [table.guard(key, partial(self.build_chain, text)) for text in texts]
        codec = options[0] if len(options) == 1 else table.guard(key, lambda: choice(*options))
        if (codec.takes, codec.gives) != ("text", "fields"):
            table.refuse(key, f"the chain goes from {codec.takes} to {codec.gives}, expected text to fields")
        for option in options:
            if why := option.decode_obstacle if taken == "read" else option.encode_obstacle:
                table.refuse(key, f"chain {option.name} cannot {taken}: {why}")
        return codec

    def build_chain(self, text: str) -> AnyCodec:
        if text not in self.codecs:
            self.codecs[text] = chain(text, self.entries)
        return self.codecs[text]

    def kind(self, table: SchemaTable) -> CredentialKind:
        value = self.chain(table, "value")
        printed = self.chain(table, "printed") if table.has("printed") else None
        key = table.texts("key")
        issue = table.text("issue") if table.has("issue") else None
        schema = dict(value.schema)
        if issue:
            if issue in schema or issue not in key:
                table.refuse("issue", f"{redacted_repr(issue)} must be a name in key that value does not give")
            schema[issue] = Field(name=issue, most=LARGEST_ISSUE)
        for name in key:
            if name not in schema or key.count(name) > 1:
                known = f"one of {', '.join(schema)}{nearest(name, schema)}"
                table.refuse(
                    "key",
                    f"{redacted_repr(name)} appears twice"
                    if key.count(name) > 1
                    else f"{redacted_repr(name)} is not {known}",
                )
        if not key:
            table.refuse("key", f"at least one field is needed, such as {next(iter(value.schema))}")
        if printed and not set(printed.schema) & set(value.schema):
            table.refuse("printed", f"it gives {', '.join(printed.schema)}, but value gives {', '.join(value.schema)}")
        expect = {}
        for name, allowed in table.mapping("expect").items():
            if name not in schema:
                table.refuse(
                    "expect", f"{redacted_repr(name)} is not one of {', '.join(schema)}{nearest(name, schema)}"
                )
            if not isinstance(allowed, list) or not allowed:
                table.refuse("expect", f"{name} must be a list of values, not {redacted_repr(allowed)}")
            for each in allowed:
                if problem := schema[name].problem(each):
                    table.refuse("expect", problem)
            expect[name] = frozenset(allowed)
        reason = table.text("not_payment") if table.has("not_payment") else None
        if reason is not None and not reason.strip():
            table.refuse("not_payment", "a reason is needed: why its numbers are none of payment cards")
        return CredentialKind(
            name=table.name, namespace=table.text("namespace", table.name), printed=printed, key=key, issue=issue,
            value=value, schema=FrozenMapping(schema),
            expect=FrozenMapping(expect), refuses=table.one_of("notes", ("refuse", "count")) == "refuse",
            not_payment=reason,
        )  # fmt: skip

    def namespaces(self, kinds: Mapping[str, CredentialKind]) -> None:
        """Numbers can be compared within a namespace only if the same fields make them."""
        first: dict[str, CredentialKind] = {}
        for kind in kinds.values():
            other = first.setdefault(kind.namespace, kind)
            if other.key != kind.key:
                self.top.refuse(
                    f"kinds.{kind.name}.key",
                    f"{', '.join(kind.key)} differs from {', '.join(other.key)} of {other.name}, in the same namespace",
                )
            for part in kind.key:
                if problem := _describe_type_conflict(kind.schema[part], other.schema[part], other.name):
                    self.top.refuse(f"kinds.{kind.name}.key", problem)

    def kind_of(self, table: SchemaTable, kinds: Mapping[str, CredentialKind]) -> CredentialKind:
        return table.named("kind", "kind", kinds)

    def reader(self, table: SchemaTable, kinds: Mapping[str, CredentialKind]) -> Reader:
        kind = self.kind_of(table, kinds)
        only_chain = table.exactly_one("chain", "periods") == "chain"
        periods = [Period(codec=self.reading(table, kind))] if only_chain else self.periods(table, kind)
        written = table.text("stream", "")
        return Reader(
            name=table.name, kind=kind, periods=tuple(periods), area=table.text("area", "") or table.name,
            clock_offset=timedelta(seconds=table.whole("clock_offset", 0, least=-FARTHEST_CLOCK, most=FARTHEST_CLOCK)),
            stream=table.guard("stream", lambda: stream(written, self.entries)) if table.has("stream") else None,
            stream_text=written,
        )  # fmt: skip

    def periods(self, table: SchemaTable, kind: CredentialKind) -> list[Period]:
        rows = table.rows("periods", ("chain", "from", "until"))
        if not rows:
            table.refuse("periods", "at least one period is needed")
        found: list[Period] = []
        for index, row in enumerate(rows):
            start, end = row.moment("from"), row.moment("until")
            if start is None and index:
                row.refuse("from", "only the first period may begin at no time")
            if end is None and index < len(rows) - 1:
                row.refuse("until", "only the last period may end at no time")
            if start and end and end <= start:
                row.refuse("until", f"{end} is not after from {start}")
            before = found[-1].end if found else None
            if start and before and start < before:
                row.refuse("from", f"{start} is before {before}, the end of the period before: they may not overlap")
            found.append(Period(codec=self.reading(row, kind), start=start, end=end))
        return found

    def reading(self, table: SchemaTable, kind: CredentialKind) -> AnyCodec:
        codec = self.chain(table, "chain")
        for name in kind.key:
            if name not in codec.schema:
                table.refuse("chain", f"it gives {', '.join(codec.schema)}, but {kind.name} needs {name}")
            if problem := _describe_type_conflict(codec.schema[name], kind.schema[name], kind.name):
                table.refuse("chain", problem)
        return codec

    def target(self, table: SchemaTable, kinds: Mapping[str, CredentialKind]) -> Target:
        kind = self.kind_of(table, kinds)
        codec = self.chain(table, "chain", "write")
        column = table.text("column")
        if not COLUMN.fullmatch(column) or column == "uint64":
            table.refuse("column", f"{redacted_repr(column)} is not text, text(N), int32, int64 or uint32")
        source = replace(kind.value, output=Shape("fields", schema=kind.schema)) if kind.issue else kind.value
        return Target(
            name=table.name, kind=kind, conversion=table.guard("chain", lambda: conversion(source, codec)),
            column=Column(declaration=column),
            existing=self.export(table) if table.has("existing") else None,
        )  # fmt: skip

    def export(self, table: SchemaTable) -> CsvFile:
        """The export under ``existing``: a path, or a table where encoding or delimiter are not the usual ones."""
        if isinstance(table.content["existing"], str):
            path = table.content["existing"]
            mark = "'" if {'"', "\\"} & set(path) else '"'
            key = f"existing = {{ {{}}, path = {mark}{path}{mark} }} under [{table.path}]"
            return self.file(table.inner(table.at("existing"), {"path": path}, FILE_KEYS), EXISTING, key)
        return self.file(table.table("existing", FILE_KEYS), EXISTING)

    def dialect(self) -> Dialect:
        if not self.top.has("output"):
            return PLAIN
        return DIALECTS[self.top.table("output", ("dialect",)).one_of("dialect", tuple(DIALECTS))]

    def rules(self) -> Rules:
        if not self.top.has("rules"):
            return Rules()
        table = self.top.table("rules", _RULES)
        usual = Rules()
        active, gone = table.texts("active", usual.active), table.texts("gone", usual.gone)
        inactive = table.texts("inactive", tuple(word for word in usual.inactive if word not in active))
        for key, words in (("inactive", inactive), ("gone", gone)):
            if both := {*active, *usual.active} & set(words):
                table.refuse(key, f"{redacted_repr(min(both))} cannot be both active and {key}")
        return Rules(
            order_of_truth=table.texts("order_of_truth", ()), active=active, inactive=inactive, gone=gone,
            one_active_issue=table.flag("one_active_issue", default=True), pools=table.texts("pools", ()),
            holds_near_ids=table.one_of("near_ids", ("hold", "accept")) == "hold",
        )  # fmt: skip


def _describe_type_conflict(field: SchemaRow, other: SchemaRow, where: str) -> str | None:
    """Why two rows can never hold the same value: one is a number, the other a text."""
    if type(field) is type(other):
        return None
    words = ("a text", "a number") if isinstance(field, TextField) else ("a number", "a text")
    return (
        f"{field.name} is {words[0]} here, but {words[1]} in {where}: "
        f"digits:{field.name},N behind a text makes it a number"
    )


_TOP = ("site", "files", "kinds", "readers", "rules", "targets", "output", "tables", "plans", "layouts", "contents")
_KIND = ("namespace", "value", "printed", "key", "issue", "expect", "notes", "not_payment")
_READER = ("kind", "area", "chain", "clock_offset", "stream", "periods")
_RULES = ("order_of_truth", "active", "inactive", "gone", "one_active_issue", "pools", "near_ids")
_PLAN = ("file", "master_file", "master_env")
_VARIABLE = re.compile("[A-Za-z_][A-Za-z0-9_]{0,99}")
_TARGET = ("kind", "chain", "column", "existing")
