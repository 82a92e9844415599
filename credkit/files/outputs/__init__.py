"""Files that credkit writes: whole or not there, and in the place of nothing that somebody else wrote.

Every command that writes does so with `FileOutput`, `FolderOutput` or `add_files`. What was written carries its mark
(`marks`), is built in a hidden folder (`staging`), and is put in place by renames that any exception takes back
(`replacing`).
"""

from credkit.files.outputs.adding import add_files
from credkit.files.outputs.paths import refuse_overlaps
from credkit.files.outputs.replacing import (
    Content,
    FileOutput,
    FolderOutput,
    ForeignOutput,
    place_outputs,
    write_file,
    write_folder,
)

__all__ = [
    "Content",
    "FileOutput",
    "FolderOutput",
    "ForeignOutput",
    "add_files",
    "place_outputs",
    "refuse_overlaps",
    "write_file",
    "write_folder",
]
