"""The audit as records and as a table: one a reader, for JSON and Parquet."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from datetime import datetime
from typing import Any

import polars as pl

from credkit.audit.summary import Audit
from credkit.audit.worktext import describe_verdict
from credkit.privacy.accounts import mask_accounts
from credkit.work.items import plain_item

_TIME = pl.Datetime("us", "UTC")
PARQUET_COLUMNS: dict[str, Any] = {
    "reader": pl.String, "rows": pl.Int64, "good": pl.Int64, "failing": pl.Int64, "first": _TIME, "last": _TIME,
    "repeated": pl.Int64, "only_here": pl.Int64, "changed": _TIME, "share_before": pl.Float64,
    "share_after": pl.Float64, "causes": pl.List(pl.String),
}  # fmt: skip
READERS_TABLE_MAKER = "table of readers"  # what such a file is called


def list_records(audit: Audit) -> Iterator[dict[str, Any]]:
    """One record a file, one a reader, one a layout, and one for the whole; without counts over time, and drawings."""
    for file in audit.files:
        record = _to_plain(file)
        del record["digest"]  # one in hundreds has digits like those of an account number, and would be masked
        yield {"file": record}
    for reader in audit.readers:
        record = _to_plain(replace(reader, example=reader.example and replace(reader.example, pictures=())))
        del record["counts"]
        if record["example"]:
            del record["example"]["pictures"]
        yield {"reader": record}
    for blind in audit.blind:
        yield {"blind": _to_plain(blind)}
    yield {
        "audit": {
            "version": audit.version, "site": audit.site, "zone": audit.zone, "rows": audit.rows, "good": audit.good,
            "failing": audit.failing, "unreadable": audit.unreadable, "whole": audit.whole,
            "columns": list(audit.columns), "form_only": audit.form_only,
            "form_register": _to_plain(audit.form_register), "register": _to_plain(audit.register),
            "register_fault": audit.register_fault,
            "verdict": describe_verdict(audit), "work": list(map(plain_item, audit.work)),
            "chains": [_to_plain(chain) for chain in audit.chains],
        }
    }  # fmt: skip


def _to_plain(value: Any) -> Any:
    if is_dataclass(value):
        return {field.name: _to_plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, tuple):
        return [_to_plain(each) for each in value]
    return value.isoformat() if isinstance(value, datetime) else value


def encode_parquet(audit: Audit) -> bytes:
    """A row a reader: its counts, and a column of failing rows for every check, named ``CHAIN STEP.CODEC.RULE``."""
    checks = sorted({_check_column(tally) for reader in audit.readers for tally in reader.tallies})
    rows = []
    for reader in audit.readers:
        failing = dict.fromkeys(checks, 0)
        for tally in reader.tallies:
            failing[_check_column(tally)] = tally.rows
        change = reader.changes[-1] if reader.changes else None
        rows.append({
            "reader": mask_accounts(reader.name), "rows": reader.rows, "good": reader.good, "failing": reader.failing,
            "first": reader.first, "last": reader.last, "repeated": reader.repeated, "only_here": reader.only_here,
            "changed": change.since if change else None, "share_before": change.before if change else None,
            "share_after": change.after if change else None,
            "causes": [
                f"{cause.text} ({cause.explains} of {hints.sampled})"
                for hints in reader.hints
                for cause in hints.causes
            ], **failing,
        })  # fmt: skip
    schema = {**PARQUET_COLUMNS, **dict.fromkeys(checks, pl.Int64)}
    buffer = io.BytesIO()
    pl.DataFrame(rows, schema=schema, orient="row").write_parquet(buffer)
    return buffer.getvalue()


def _check_column(tally: Any) -> str:
    return f"{tally.chain} {tally.step}.{tally.codec}.{tally.rule}"
