"""The report: an audit as one page that two persons can sign.

`report` makes of an `Audit` a page of HTML that needs nothing else: no network, no script, drawings
inline. It needs the extra ``audit``.
"""

from __future__ import annotations

try:
    import jinja2  # noqa: F401  # what the page is written with
    import numpy  # noqa: F401
except ModuleNotFoundError as missing:
    needed = "credkit.report needs the extra audit: pip install 'credkit[audit]'"
    raise ModuleNotFoundError(needed, name=missing.name) from None

from credkit.report.page import MARK, PinnedFile, pin_file, report

__all__ = ["MARK", "PinnedFile", "pin_file", "report"]
