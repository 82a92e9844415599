"""The hidden folder in which an output is built, and what becomes of it when a run ends, or was killed.

    .credkit.partial-k3v9/     beside the output, for its owner alone
      lock                     locked as long as the run that made it lives
      new/result/              what is built here takes its place by a rename
      former/result/           what was there before, until then
      scratch/                 for files that are built in parts

`settle_run` empties it, whatever happened: a former output whose place is empty returns to it, and what credkit
wrote is removed. The run itself calls it at the end, and otherwise the next run that writes beside it, as soon as
the lock is free. The age of the folder is of no importance.
"""

from __future__ import annotations

import errno
import os
import shutil
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from secrets import token_hex
from typing import Self

from credkit.core.frozen import FrozenMapping
from credkit.files.outputs.marks import FOLDER_MARK, Obstacle, mark_beside, verify_file, verify_folder

if sys.platform != "win32":
    import fcntl

HIDDEN_PREFIX = ".credkit.partial-"
LOCK, NEW, FORMER, SCRATCH = "lock", "new", "former", "scratch"


class Staging:
    """A hidden folder in the folder ``home``, locked while this process lives."""

    def __init__(self, home: Path) -> None:
        self.home = home
        self.root = home
        self._lock = -1
        self.verified: dict[str, tuple[str, ...]] = {}  # former outputs known to be credkit's, and the names in each

    def make(self) -> Self:
        """Make it. Whoever calls it calls `close`, whatever happens from then on."""
        while True:
            self.root = self.home / f"{HIDDEN_PREFIX}{token_hex(8)}"
            try:
                self.root.mkdir(0o700)
                self._lock = os.open(self.root / LOCK, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
                if _lock(self._lock) is not False and os.fstat(self._lock).st_nlink:
                    os.write(self._lock, f"{os.getpid()}\n".encode())
                    (self.root / NEW).mkdir()
                    (self.root / FORMER).mkdir()
                    return self
            except FileNotFoundError:
                if not self.home.is_dir():
                    raise
            self._unlock()  # another run took the folder away before it was locked

    def new(self, name: str) -> Path:
        """Where the output that gets this ``name`` is built."""
        return self.root / NEW / name

    def former(self, name: str) -> Path:
        """Where the former output of this ``name`` is put aside."""
        return self.root / FORMER / name

    def scratch(self) -> Path:
        """A folder for parts of files; whatever is in it at the end is removed."""
        folder = self.root / SCRATCH
        folder.mkdir(0o700, exist_ok=True)
        return folder

    def close(self) -> None:
        """End it; a signal in the middle of that does not leave it half done."""
        try:
            self._end()
        except BaseException:
            self._end()
            raise

    def _end(self) -> None:
        if self.root != self.home:
            settle_run(self.root, self.home, self.verified)
        self._unlock()  # some systems remove no file that is open
        if self.root != self.home:
            _remove(self.root)  # the lock last: what has none is nobody's to tidy

    def _unlock(self) -> None:
        handle, self._lock = self._lock, -1
        with suppress(OSError):
            os.close(handle)


def _lock(handle: int) -> bool | None:
    """Whether a file is locked for this process now; None where the system has no such locks."""
    if sys.platform == "win32":
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return None
    return True


def settle_killed_runs(home: Path) -> None:
    """Settle what runs that were killed left in ``home``; those that are alive keep their locks, and are left alone."""
    for root in sorted(home.glob(f"{HIDDEN_PREFIX}*")):
        with suppress(OSError):
            if root.is_symlink() or not root.is_dir() or not _is_own(root):
                continue
            if not os.path.lexists(root / LOCK):
                root.rmdir()  # killed before there was a lock
                continue
            with _claim(root / LOCK) as claimed:
                if claimed:
                    settle_run(root, home)
                    _remove(root)


def _is_own(root: Path) -> bool:
    return not hasattr(os, "geteuid") or root.lstat().st_uid == os.geteuid()


@contextmanager
def _claim(lock: Path) -> Iterator[bool]:
    """Whether no process holds ``lock`` any more; if so, it is held meanwhile."""
    if sys.platform == "win32":
        lock.unlink()  # fails as long as a process has it open
        yield True
        return
    handle = os.open(lock, os.O_RDWR | os.O_NOFOLLOW | os.O_NONBLOCK)
    try:
        yield _lock(handle) is True
    finally:
        os.close(handle)


def settle_run(root: Path, home: Path, verified: Mapping[str, tuple[str, ...]] = FrozenMapping({})) -> None:
    """Empty the hidden folder ``root`` in ``home``: former outputs return or are removed, and the rest is removed.

    Of a former output whose place is taken only what credkit wrote is removed: ``verified`` are those of which that
    is known, with the names in them. Anything else stays where it is, and the hidden folder with it.
    """
    for former in _list_files(root / FORMER):
        place = home / former.name
        with suppress(OSError):
            if not os.path.lexists(place):
                move_into(former, place)
            else:
                _remove_former(former, place, verified.get(former.name))
    for folder in (NEW, SCRATCH):
        shutil.rmtree(root / folder, ignore_errors=True)
    with suppress(OSError):
        (root / FORMER).rmdir()


def _remove(root: Path) -> None:
    """Remove the hidden folder ``root`` unless something had to stay in it."""
    if not os.path.lexists(root / FORMER):
        for act in ((root / LOCK).unlink, root.rmdir):
            with suppress(OSError):
                act()


def _list_files(folder: Path) -> list[Path]:
    try:
        return sorted(folder.iterdir())
    except OSError:
        return []


def _remove_former(former: Path, place: Path, known: tuple[str, ...] | None) -> None:
    """Remove ``former``, in whose place another output is, as far as credkit wrote it; ``known`` are names in it."""
    with suppress(Obstacle):
        if former.is_dir() and not former.is_symlink():
            names = verify_folder(former) if known is None else known
            for name in sorted(names, key=lambda name: name == FOLDER_MARK):  # the mark last, for another try
                (former / name).unlink(missing_ok=True)
            former.rmdir()
        else:
            if known is None and not os.path.samestat(former.lstat(), place.lstat()):
                verify_file(former, mark_beside(place))
            former.unlink()


def move_into(source: Path, place: Path) -> None:
    """Move ``source`` to ``place``, where nothing is: raises `OSError` if there is, whatever it is."""
    if source.is_dir() and not source.is_symlink():
        source.rename(place)  # fails for anything but an empty folder
        return
    try:
        os.link(source, place, **_NO_FOLLOW)
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links
        if os.path.lexists(place):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(place)) from None
        source.rename(place)
    else:
        source.unlink()


def flush_folder(folder: Path) -> None:
    """Wait until the names in ``folder`` are on the disk, where a system can do so."""
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


_NO_FOLLOW: dict[str, bool] = {"follow_symlinks": False} if os.link in os.supports_follow_symlinks else {}
