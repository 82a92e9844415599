"""The demo's report: the audit of its month of readings, as a page to print and sign."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from credkit.audit import AuditPlan, Clock, ColumnNames, audit
from credkit.core.progress import SILENT, Progress
from credkit.files.outputs import FileOutput, ForeignOutput
from credkit.report import pin_file, report
from credkit.site.description import load_site

REPORT = "report.html"


@dataclass(frozen=True, slots=True, kw_only=True)
class Audited:
    """Where the report is, and what it counts; ``path`` is None where something else stands there, left alone."""

    path: Path | None
    rows: int
    failing: int
    unreadable: int


def demo_report(site: Path, *, progress: Progress = SILENT) -> Audited:
    """Audit the readings of the site file ``site``, and write the report beside it, over an earlier one at most."""
    described, out = load_site(site), site.with_name(REPORT)
    clock = Clock(described.zone, local=described.readings.has_local_times)
    plan = AuditPlan(columns=ColumnNames(), clock=clock, site=described)
    try:
        output = FileOutput(out, "report")
    except ForeignOutput:
        output = None
    found = audit([described.readings.path], plan, digests=True, progress=progress)
    if output is not None:
        with output:
            pins = [pin_file(site), pin_file(described.credentials.path, "register")]
            output.write(report(found, described.zone, described=pins).encode())
    return Audited(
        path=None if output is None else out, rows=found.rows, failing=found.failing, unreadable=found.unreadable
    )  # fmt: skip
