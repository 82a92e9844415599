"""Pages: an audit that two persons can sign, and results for the one who decides.

`report` makes a page of HTML of an `Audit`, `report_crosswalk` of a `Crosswalk`, `report_comparison` of two runs and
`report_census` of a `Census`. A page needs nothing else: no network, no script, drawings inline. They need the extra
``site``.
"""

from __future__ import annotations

from credkit.core.extras import needs_site_extra

with needs_site_extra("credkit.report"):
    import jinja2  # noqa: F401  # what the page is written with
    import numpy  # noqa: F401

from credkit.report.census_page import report_census
from credkit.report.compared import report_comparison
from credkit.report.crosswalk_page import report_crosswalk
from credkit.report.page import MARK, PinnedFile, pin_file, report

__all__ = ["MARK", "PinnedFile", "pin_file", "report", "report_census", "report_comparison", "report_crosswalk"]
