"""What several tests need and none changes: made once in a run, whichever of its processes asks first.

The processes of a run share the folder that pytest makes for it. The first one to ask makes the thing there and pickles
what it is; the others, which wait meanwhile, read that.
"""

from __future__ import annotations

import fcntl
import os
import pickle
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar, cast

import pytest

T = TypeVar("T")
FOLDER = "shared"
Files = dict[str, tuple[int, int]]


def folder(factory: pytest.TempPathFactory) -> Path:
    """Where the processes of this run keep what they share."""
    own = factory.getbasetemp()
    home = (own.parent if "PYTEST_XDIST_WORKER" in os.environ else own) / FOLDER
    home.mkdir(mode=0o700, exist_ok=True)
    return home


def once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], T]) -> T:
    """What ``make`` gave when it was called, once in this run, with the path of a new folder ``name``."""
    home = folder(factory) / name
    home.mkdir(mode=0o700, exist_ok=True)
    kept = home.with_suffix(".pickle")
    with home.with_suffix(".lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not kept.exists():
            made = make(home)
            kept.write_bytes(pickle.dumps((made, files(home))))
    return cast(T, pickle.loads(kept.read_bytes())[0])


def files(home: Path) -> Files:
    """Every file below ``home``: its size, and when it was written last."""
    found = {path: path.stat() for path in sorted(home.rglob("*")) if path.is_file()}
    return {str(path.relative_to(home)): (info.st_size, info.st_mtime_ns) for path, info in found.items()}


def changed(factory: pytest.TempPathFactory) -> list[str]:
    """Folders of this run that a test wrote to, though others read them."""
    kept = sorted(folder(factory).glob("*.pickle"))
    return [path.stem for path in kept if files(path.with_suffix("")) != pickle.loads(path.read_bytes())[1]]
