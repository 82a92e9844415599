"""The demo's report: the audit of its month of readings, as a page to print and sign."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

from credkit.errors import DefinitionError
from credkit.site import load_site

REPORT = "report.html"
NEEDS = ("jinja2", "numpy", "polars")


@dataclass(frozen=True, slots=True, kw_only=True)
class Audited:
    """Where the report is, and what it counts; ``path`` is None where something else stands there, left alone."""

    path: Path | None
    rows: int
    failing: int
    unreadable: int


def without_audit() -> str:
    """Why no report can be written here, in one sentence; empty where one can."""
    if all(map(_there, NEEDS)):
        return ""
    return "The report of an audit is left out: it needs the extra audit: pip install 'credkit[audit]'"


def demo_report(site: Path) -> Audited:
    """Audit the readings of the site file ``site``, and write the report beside it, over an earlier one at most."""
    from credkit.audit import Clock, Columns, Output, Plan, audit  # only with the extra
    from credkit.report import is_report, pinned, report

    described, out = load_site(site), site.with_name(REPORT)
    clock = Clock(described.zone, local=described.readings.local)
    found = audit([described.readings.path], Plan(columns=Columns(), clock=clock, site=described), digests=True)
    ours = not os.path.lexists(out) or _is_ours(out, is_report)
    if ours:
        with Output(out, "report", is_report) as output:
            output.write(report(found, described.zone, described=[pinned(site)]).encode())
    return Audited(
        path=out if ours else None, rows=found.rows, failing=found.failing, unreadable=found.unreadable
    )  # fmt: skip


def _there(module: str) -> bool:
    try:
        return find_spec(module) is not None
    except ValueError:  # it was taken away for a test
        return False


def _is_ours(path: Path, is_report: Callable[[Path], bool]) -> bool:
    if path.is_symlink() or not path.is_file():
        return False
    try:
        return is_report(path)
    except OSError as error:
        raise DefinitionError(f"demo: {path} cannot be read ({error.strerror})") from None
