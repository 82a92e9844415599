"""The demo's pages: the result of its crosswalk, and the audit of its month of readings to print and sign."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from credkit.audit import AuditPlan, Clock, ColumnNames, audit
from credkit.core.progress import SILENT, Progress
from credkit.crosswalk.result import Crosswalk
from credkit.files.outputs import FileOutput, ForeignOutput
from credkit.report import pin_file, report, report_crosswalk
from credkit.site.description import load_site

REPORT = "report.html"
PAGE = "result.html"  # of the crosswalk


@dataclass(frozen=True, slots=True, kw_only=True)
class Audited:
    """Where the report is, and what it counts; ``path`` is None where something else stands there, left alone."""

    path: Path | None
    rows: int
    failing: int
    unreadable: int


def demo_page(site: Path, result: Crosswalk, maker: str) -> Path | None:
    """Write ``result`` as a page beside the site file ``site``, over one of ``maker`` at most; None where it is not."""
    out = site.with_name(PAGE)
    return out if _write_page(out, maker, lambda: report_crosswalk(result, load_site(site))) else None


def _write_page(out: Path, maker: str, make: Callable[[], str]) -> bool:
    """Write a page to ``out``; False where something else stands there, which is left alone."""
    try:
        output = FileOutput(out, maker)
    except ForeignOutput:
        return False
    with output:
        output.write(make().encode())
    return True


def demo_report(site: Path, *, progress: Progress = SILENT) -> Audited:
    """Audit the readings of the site file ``site``, and write the report beside it, over an earlier one at most."""
    described, out = load_site(site), site.with_name(REPORT)
    clock = Clock(described.zone, local=described.readings.has_local_times)
    plan = AuditPlan(columns=ColumnNames(), clock=clock, site=described)
    found = audit([described.readings.path], plan, digests=True, progress=progress)
    pins = [pin_file(site), pin_file(described.credentials.path, "register")]
    is_written = _write_page(out, "report", lambda: report(found, described.zone, described=pins))
    return Audited(
        path=out if is_written else None, rows=found.rows, failing=found.failing, unreadable=found.unreadable
    )  # fmt: skip
