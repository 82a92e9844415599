"""The sample site: a commented site file of Brackwater Terminal, with two rows in each of its files."""

from __future__ import annotations

from collections.abc import Mapping
from importlib.resources import files

FILES = ("site.toml", "credentials.csv", "readings.csv")


def sample_site() -> Mapping[str, bytes]:
    """The files of the sample by name, as `credkit init` writes them.

    >>> [*sample_site()]
    ['site.toml', 'credentials.csv', 'readings.csv']
    """
    folder = files("credkit.proposal") / "sample"
    return {name: (folder / name).read_bytes() for name in FILES}
