"""The crosswalk: every reading resolved to a credential, every credential to what a target should hold.

`crosswalk` takes a site (and rows, if they are not those of its files) and returns a `Crosswalk`;
`write_outputs` writes it. Whatever cannot be decided goes to a person, with its reason.
`cut_readings`, `partial`, `merge` and `finish` make it of readings that are read in parts.
It needs the extra ``site`` (numpy and polars).
"""

from __future__ import annotations

from credkit.core.extras import needs_site_extra

with needs_site_extra("credkit.crosswalk"):
    import numpy  # noqa: F401  # the base of this package, as is polars
    import polars  # noqa: F401

from credkit.crosswalk.comparing import RunComparison, compare_runs
from credkit.crosswalk.linetable import CrosswalkLine
from credkit.crosswalk.outputs import write_outputs
from credkit.crosswalk.partials import cut_readings, finish, merge, partial
from credkit.crosswalk.pipeline import crosswalk
from credkit.crosswalk.result import CardCounts, Crosswalk, Finding, SummaryTable
from credkit.crosswalk.savedruns import SavedRun, read_run
from credkit.crosswalk.summary import screen_text, summary_text
from credkit.facts.exceptions import ExceptionRow
from credkit.work.items import Effect, WorkItem

__all__ = [
    "CardCounts",
    "Crosswalk",
    "CrosswalkLine",
    "Effect",
    "ExceptionRow",
    "Finding",
    "RunComparison",
    "SavedRun",
    "SummaryTable",
    "WorkItem",
    "compare_runs",
    "crosswalk",
    "cut_readings",
    "finish",
    "merge",
    "partial",
    "read_run",
    "screen_text",
    "summary_text",
    "write_outputs",
]
