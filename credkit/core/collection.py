"""The search for garbage, put off while many objects are made that are all kept."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def pause_collection() -> Iterator[None]:
    """Let Python not look for unused cycles of objects until the block ends.

    It looks the more often the more objects there are, and finds none where all are kept: it took an eighth of a
    crosswalk. Whether it looked before is as it was, whatever happens.

    >>> with pause_collection():
    ...     gc.isenabled()
    False
    >>> gc.isenabled()
    True
    """
    was_enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_enabled:
            gc.enable()
