"""Outputs: a file or a folder that is built hidden, and takes its place when all of it is on the disk.

What is there already is replaced only while it is exactly what credkit wrote there before
(`credkit.files.outputs.marks`). Until the end the former output stays
beside it, hidden, and any exception brings it back.
"""

from __future__ import annotations

import errno
import os
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from hashlib import sha256
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.files.outputs.marks import FOLDER_MARK, Mark, Obstacle, mark_beside, read_mark, verify_file, verify_folder
from credkit.files.outputs.paths import file_identity, flush_file, open_private, resolve_output, write_private
from credkit.files.outputs.staging import Staging, flush_folder, move_into, settle_killed_runs

# A file: its bytes, pieces of them, or what makes pieces with the help of a folder for its parts, made when asked for.
Content = bytes | Iterable[bytes] | Callable[[Callable[[], Path]], Iterable[bytes]]


class ForeignOutput(DefinitionError):
    """Something is in the place of an output that credkit did not write, or that was changed since."""


class Output(ABC):
    """A file or a folder at ``out`` that is there whole or not at all; ``maker`` names what writes it.

    Raises `DefinitionError` where it cannot be written, and `ForeignOutput` where anything else is in its place.
    """

    noun: str
    advice: str
    staging: Staging

    def __init__(self, out: str | Path, maker: str) -> None:
        self.shown = f"output {redacted_repr(str(out))}"
        self.maker = maker
        if "\0" in str(out):
            raise DefinitionError(f"{self.shown} is not the path of a {self.noun}")
        self.out = resolve_output(Path(out))
        self.name = self.out.name
        self.staging = Staging(self.out.parent)
        self._made: dict[Path, tuple[int, int]] = {}
        self._placed = False
        self._file: BinaryIO | None = None
        with self.explaining_refusals():
            settle_killed_runs(self.out.parent)
            if os.path.lexists(self.out):
                self._verify(self.out)
            self._check_surroundings()

    @abstractmethod
    def _verify(self, path: Path) -> object:
        """Raise `Obstacle` unless credkit wrote what is at ``path`` as it is."""

    @abstractmethod
    def _finish(self) -> None:
        """Wait until what was built is on the disk."""

    @abstractmethod
    def _replace(self) -> None:
        """Put the former output aside, and what was built in its place."""

    @abstractmethod
    def _check_surroundings(self) -> None:
        """Raise `OSError` or `Obstacle`, before the work, for what is in the way beside the place."""

    @contextmanager
    def explaining_refusals(self) -> Iterator[None]:
        """Say in one sentence what is in the way, or wrong with the disk."""
        try:
            yield
        except Obstacle as error:
            raise ForeignOutput(f"{self.shown} {error}: {self.advice}") from None
        except OSError as error:
            raise DefinitionError(f"{self.shown} cannot be written ({error.strerror or error})") from None

    def __enter__(self) -> Self:
        try:
            self.open()
        except BaseException:
            self.close()
            raise
        return self

    def open(self) -> Self:
        """Begin to build it. Whoever calls it calls `close`, whatever happens from then on."""
        with self.explaining_refusals():
            self.staging.make()
            self._open()
        return self

    def close(self) -> None:
        """Remove what is hidden, and bring a former output back whose place is empty."""
        if self._file is not None:
            with suppress(OSError):
                self._file.close()
        self.staging.close()

    @abstractmethod
    def _open(self) -> None:
        """Begin to build it."""

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None) -> None:
        try:
            if kind is None and not self._placed:
                place_outputs([self])
        finally:
            self.close()

    def replace(self) -> None:
        """Take the place of the former output. Whoever calls it calls `restore` for any exception from then on."""
        with self.explaining_refusals():
            self._finish()
            self._replace()
            flush_folder(self.out.parent)
        self._placed = True

    def restore(self) -> None:
        """Bring the former output back, as far as it is away: what was placed goes, and what was there returns."""
        former = self.staging.former(self.name)
        for made, which in self._made.items():  # the mark last: it is of use as long as its file is there
            at = self.out.parent / made.name
            if file_identity(at) == which and (made.name == self.name or not os.path.lexists(former)):
                if os.path.lexists(made):  # the file has both names: a rename would do nothing
                    at.unlink()
                else:
                    at.rename(made)
        if os.path.lexists(former) and not os.path.lexists(self.out):
            move_into(former, self.out)

    def _note_identity(self, path: Path) -> Path:
        """Note which file or folder ``path`` is, so that it is known again in its place."""
        found = file_identity(path)
        assert found is not None
        self._made[path] = found
        return path


class FolderOutput(Output):
    """A folder of files. With ``marked=False`` it is never replaced: its place is free or an empty folder.

    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as home:
    ...     with FolderOutput(f"{home}/result", "crosswalk") as folder:
    ...         folder.write("summary.txt", b"all good")
    ...     sorted(path.name for path in Path(home, "result").iterdir())
    ['credkit.sha256', 'summary.txt']
    """

    noun, advice = "folder", "name another folder, or move it away"

    def __init__(self, out: str | Path, maker: str, *, marked: bool = True) -> None:
        self.marked = marked
        if not marked:
            self.advice = "name a folder that is new or empty"
        self._digests: list[tuple[str, str]] = []
        super().__init__(out, maker)

    def _verify(self, path: Path) -> tuple[str, ...]:
        return verify_folder(path, self.maker, marked=self.marked)

    def _check_surroundings(self) -> None:
        if Path.cwd().is_relative_to(self.out):
            raise Obstacle("is the folder that you are in, or one around it, and cannot take another's place")
        home = self.out.parent
        while not os.path.lexists(home):
            home = home.parent
        if not home.is_dir():
            raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR))
        if not os.access(home, os.W_OK | os.X_OK):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    def open(self) -> Self:
        """Begin to build it, in a folder that is made where it is missing."""
        with self.explaining_refusals():
            self.out.parent.mkdir(parents=True, exist_ok=True)
        return super().open()

    def _open(self) -> None:
        self.path = self.staging.new(self.name)
        self.path.mkdir(0o700)

    def write(self, name: str, data: Content) -> None:
        """Write a whole file of this ``name``, at once or in pieces that are made as they are written."""
        digest = sha256()
        with self.explaining_refusals(), open_private(self.path / name) as file:
            pieces = data(self.staging.scratch) if callable(data) else data
            for piece in (pieces,) if isinstance(pieces, bytes) else pieces:
                file.write(piece)
                digest.update(piece)
            flush_file(file)
        self._digests.append((name, digest.hexdigest()))

    def _finish(self) -> None:
        if self.marked:
            mark = Mark(maker=self.maker, digests=tuple(self._digests))
            self.write(FOLDER_MARK, mark.encode())
            flush_folder(self.path)
        elif hasattr(os, "sync"):
            os.sync()  # once for all of its files

    def _replace(self) -> None:
        former = self.staging.former(self.name)
        new = self._note_identity(self.path)
        with suppress(FileNotFoundError):
            self.out.rename(former)
        if os.path.lexists(former):
            self.staging.verified[self.name] = self._verify(former)
        move_into(new, self.out)


class FileOutput(Output):
    """A single file, with its mark beside it, hidden.

    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as home:
    ...     with FileOutput(f"{home}/failing.csv", "list of failing rows") as file:
    ...         file.write(b"file,line")
    ...     sorted(path.name for path in Path(home).iterdir())
    ['.failing.csv.credkit', 'failing.csv']
    """

    noun, advice = "file", "name another file, or move it away"

    def __init__(self, out: str | Path, maker: str) -> None:
        self._digest = sha256()
        if str(out) == "-":
            raise DefinitionError(f"output {redacted_repr('-')} is not the path of a file")
        super().__init__(out, maker)

    def _verify(self, path: Path) -> str:
        return verify_file(path, mark_beside(self.out), self.maker, name=self.name)

    def _check_surroundings(self) -> None:
        mark = mark_beside(self.out)
        if os.path.lexists(mark) and read_mark(mark) is None:
            raise Obstacle(f"has its digest in {redacted_repr(mark.name)}, which credkit did not write")

    def _open(self) -> None:
        self._file = open_private(self.staging.new(self.name))

    def write(self, data: bytes) -> None:
        """Put ``data`` behind what is there."""
        assert self._file is not None
        with self.explaining_refusals():
            self._file.write(data)
        self._digest.update(data)

    def _finish(self) -> None:
        assert self._file is not None
        flush_file(self._file)
        self._file.close()

    def _replace(self) -> None:
        former, beside = self.staging.former(self.name), mark_beside(self.out)
        new, mark = self._note_identity(self.staging.new(self.name)), self.staging.new(beside.name)
        digests = [self._digest.hexdigest()]
        if os.path.lexists(self.out):
            keep_former(self.out, former)
            digests.append(self._verify(former))
            self.staging.verified[self.name] = ()
        self._check_surroundings()
        write_private(
            mark,
            Mark(maker=self.maker, digests=tuple((self.name, digest) for digest in dict.fromkeys(digests))).encode(),
        )
        self._note_identity(mark).replace(beside)
        if os.path.lexists(former) and file_identity(former) == file_identity(self.out):
            new.replace(self.out)
        else:
            move_into(new, self.out)


def place_outputs(outputs: Sequence[Output]) -> None:
    """Let all ``outputs`` take their places, or none of them.

    Any exception, a signal to end included, brings the former ones back. After a SIGKILL each output is the former
    one or the new one, or is brought back by the next run that writes beside it.
    """
    try:
        for each in outputs:
            each.replace()
    except BaseException:
        for each in reversed(outputs):
            with suppress(OSError):  # then the end of its hidden folder brings it back, or the next run
                each.restore()
        raise


def write_folder(files: Mapping[str, Content], out: str | Path, maker: str) -> None:
    """Write ``files``, by name, as the folder ``out``, in place of a former one of ``maker``.

    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as home:
    ...     write_folder({"lines.csv": (b"%d;" % line for line in range(3))}, f"{home}/result", "crosswalk")
    ...     Path(home, "result", "lines.csv").read_bytes()
    b'0;1;2;'
    """
    with FolderOutput(out, maker) as folder:
        for name, data in files.items():
            folder.write(name, data)


def write_file(data: bytes, out: str | Path, maker: str) -> None:
    """Write ``data`` as the file ``out``, in place of a former one of this ``maker``."""
    with FileOutput(out, maker) as file:
        file.write(data)


def keep_former(path: Path, former: Path) -> None:
    """Let ``former`` be the regular file at ``path``, which stays there, too, where a file can have two names."""
    try:
        os.link(path, former)
    except OSError:
        path.rename(former)
