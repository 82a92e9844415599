"""Reading back what credkit wrote, as long as it is as it was written."""

from __future__ import annotations

from collections.abc import Sequence
from hashlib import sha256
from pathlib import Path

from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.files.outputs.marks import FOLDER_MARK, Obstacle, open_unlinked, read_mark, refuse_kind


def read_folder(path: Path, maker: str, names: Sequence[str]) -> dict[str, bytes]:
    """The bytes of the files ``names`` in the folder at ``path``, as ``maker`` wrote them.

    The digest is that of the bytes returned. Raises `DefinitionError` for a folder that ``maker`` did not write, and
    for a file that is missing or was changed since. What else is in the folder does not matter.

    >>> from tempfile import TemporaryDirectory
    >>> from credkit.files.outputs import write_folder
    >>> with TemporaryDirectory() as home:
    ...     write_folder({"lines.csv": b"person"}, f"{home}/result", "crosswalk")
    ...     read_folder(Path(home, "result"), "crosswalk", ["lines.csv"])
    {'lines.csv': b'person'}
    """
    shown = redacted_repr(str(path))
    try:
        refuse_kind(path.stat(), folder=True)
        mark = read_mark(path / FOLDER_MARK)
        if mark is None:
            raise Obstacle(f"has no mark of credkit ({FOLDER_MARK}), so it is no result of a {maker}")
        if mark.maker != maker:
            raise Obstacle(f"holds the files of a {mark.maker}, not of a {maker}")
        found = {}
        for name in names:
            if name not in {listed for listed, _ in mark.digests}:
                raise Obstacle(f"has no {redacted_repr(name)}: an earlier version of credkit wrote it")
            found[name] = _read(path, name)
            if not mark.lists(name, sha256(found[name]).hexdigest()):
                raise Obstacle(f"holds {redacted_repr(name)}, which was changed after credkit wrote it")
    except Obstacle as error:
        raise DefinitionError(f"{shown} {error}") from None
    except OSError as error:
        raise DefinitionError(f"{shown} cannot be read ({error.strerror or error})") from None
    return found


def _read(folder: Path, name: str) -> bytes:
    try:
        with open_unlinked(folder / name) as file:
            return file.read()
    except FileNotFoundError:
        raise Obstacle(f"lacks {redacted_repr(name)}, which credkit wrote") from None
    except Obstacle as error:
        raise Obstacle(f"holds {redacted_repr(name)}, which {error}") from None
