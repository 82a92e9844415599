"""The audit of captures: files of many rows, counted by reader, with what fails and since when.

`audit` reads CSV, JSON lines and Parquet in constant memory, each row through the chain of its
reader, and gives an `Audit`: a tree of plain values that adds up. It needs the extra ``site``.
"""

from __future__ import annotations

from credkit.core.extras import needs_site_extra

with needs_site_extra("credkit.audit"):
    import numpy  # noqa: F401  # what all of this package stands on
    import polars  # noqa: F401

from credkit.audit.fileparts import cut_files
from credkit.audit.partials import finish, merge, partial
from credkit.audit.pipeline import audit
from credkit.audit.plan import AuditPlan
from credkit.audit.records import encode_parquet, list_records
from credkit.audit.summary import Audit, FileCount, ReaderCount, UndetectedErrors
from credkit.audit.worktext import audit_text
from credkit.files.captures import ColumnNames
from credkit.files.digests import file_stamp
from credkit.files.times import Clock

__all__ = [
    "Audit",
    "AuditPlan",
    "Clock",
    "ColumnNames",
    "FileCount",
    "ReaderCount",
    "UndetectedErrors",
    "audit",
    "audit_text",
    "cut_files",
    "encode_parquet",
    "file_stamp",
    "finish",
    "list_records",
    "merge",
    "partial",
]
