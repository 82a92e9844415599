"""Brackwater Terminal: a made-up site with planted faults, to try the crosswalk on.

`write_demo` generates the files of a site file's world from a seed and returns what it planted.
Nobody in it exists, and no card either.
"""

from credkit.demo.folder import Demo, write_demo
from credkit.demo.world import Plant

__all__ = ["Demo", "Plant", "write_demo"]
