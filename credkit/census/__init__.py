"""The census: what a population of credentials looks like before any reading is taken.

`census` takes a site and gives a `Census`; `census_text` shows it, `write_census` writes it.
Needs the extra ``site`` (numpy and polars).
"""

from __future__ import annotations

from credkit.core.extras import needs_site_extra

with needs_site_extra("credkit.census"):
    import numpy  # noqa: F401  # what all of this package stands on
    import polars  # noqa: F401

from credkit.census.allocation import AllocationRequest
from credkit.census.outputs import write_census
from credkit.census.pipeline import census
from credkit.census.result import Census
from credkit.census.summary import census_text

__all__ = ["AllocationRequest", "Census", "census", "census_text", "write_census"]
