"""The census: what a population of credentials looks like before any reading is taken.

`census` takes a site and gives a `Census`; `census_text` shows it, `write_census` writes it.
Needs the extra ``audit`` (numpy and polars).
"""

from __future__ import annotations

try:
    import numpy  # noqa: F401  # what all of this package stands on
    import polars  # noqa: F401
except ModuleNotFoundError as error:
    needed = "credkit.census needs the extra audit: pip install 'credkit[audit]'"
    raise ModuleNotFoundError(needed, name=error.name) from None

from credkit.census.allocation import AllocationRequest
from credkit.census.outputs import write_census
from credkit.census.pipeline import census
from credkit.census.result import Census
from credkit.census.summary import census_text

__all__ = ["AllocationRequest", "Census", "census", "census_text", "write_census"]
