"""Files that are added to a folder, and never replace anything."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from credkit.files.outputs.paths import file_identity, write_private
from credkit.files.outputs.staging import Staging, flush_folder, move_into, settle_killed_runs


def add_files(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write ``files``, bytes by name, into ``folder``: each whole, and all or none of them.

    Raises `OSError` where one cannot be written, or anything is in its place. After a SIGKILL those that are there
    are whole.

    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as home:
    ...     add_files(Path(home), {"site.toml": b"[site]"})
    ...     [path.name for path in Path(home).iterdir()]
    ['site.toml']
    """
    settle_killed_runs(folder)
    if not files:
        return
    staging = Staging(folder)
    try:
        staging.make()
        built = {}
        for name, data in files.items():
            write_private(staging.new(name), data)
            built[name] = file_identity(staging.new(name))
        try:
            for name in files:
                move_into(staging.new(name), folder / name)
            flush_folder(folder)
        except BaseException:
            for name, made in built.items():
                if file_identity(folder / name) == made:
                    (folder / name).unlink()
            raise
    finally:
        staging.close()
