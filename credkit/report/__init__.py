"""The report: an audit as one page that two persons can sign.

`report` makes of an `Audit` a page of HTML that needs nothing else: no network, no script, drawings
inline. It needs the extra ``site``.
"""

from __future__ import annotations

from credkit.core.extras import needs_site_extra

with needs_site_extra("credkit.report"):
    import jinja2  # noqa: F401  # what the page is written with
    import numpy  # noqa: F401

from credkit.report.page import MARK, PinnedFile, pin_file, report

__all__ = ["MARK", "PinnedFile", "pin_file", "report"]
