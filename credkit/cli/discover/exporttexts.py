"""The text of a file that somebody exported or typed, in whatever encoding it is."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

from credkit.core.errors import DefinitionError
from credkit.files.csvfiles import BYTE_ORDER_MARK
from credkit.files.declaredfiles import refuse_workbook
from credkit.files.regularfiles import read_regular
from credkit.proposal.exporttable import find_encoding


class ExportText(NamedTuple):
    """The text of a file, and the encoding that it seems to be in."""

    text: str
    encoding: str


def read_export_text(path: Path, most_bytes: int) -> ExportText:
    """The text of the file at ``path``, in the encoding that `credkit init` would propose for it.

    Raises `DefinitionError` for a workbook, and for bytes that are no text.

    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     path = Path(folder, "gate.txt")
    ...     _ = path.write_bytes("Tür;02F764DD".encode("cp1252"))
    ...     read_export_text(path, 1 << 20)
    ExportText(text='Tür;02F764DD', encoding='cp1252')
    """
    data = read_regular(path, most_bytes)
    refuse_workbook(path.name, data[:8])
    encoding = find_encoding(data)[0]
    try:
        text = data.decode(encoding).removeprefix(BYTE_ORDER_MARK)
    except UnicodeError:
        text = "\0"
    if "\0" in text:
        raise DefinitionError(f"{path.name}: the file is not text in {encoding}, and in no other known encoding")
    return ExportText(text, encoding)
