"""The extra ``site``, which tools on files stand on: one sentence where it is missing."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

SITE_MODULES = ("numpy", "polars", "jinja2", "xlsxwriter")


def site_extra_missing(user: str) -> str:
    """The sentence for ``user``, which cannot work without the extra ``site``.

    >>> site_extra_missing("credkit.census")
    "credkit.census needs the extra site: pip install 'credkit[site]'"
    """
    return f"{user} needs the extra site: pip install 'credkit[site]'"


@contextmanager
def needs_site_extra(package: str) -> Iterator[None]:
    """Around the imports of ``package``: a missing module of the extra ``site`` is named by one sentence.

    >>> with needs_site_extra("credkit.report"):
    ...     raise ModuleNotFoundError(name="jinja2")
    Traceback (most recent call last):
    ModuleNotFoundError: credkit.report needs the extra site: pip install 'credkit[site]'
    """
    try:
        yield
    except ModuleNotFoundError as error:
        if error.name not in SITE_MODULES:
            raise
        raise ModuleNotFoundError(site_extra_missing(package), name=error.name) from None
