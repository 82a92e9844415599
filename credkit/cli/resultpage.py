"""The page that a command writes beside its result: opened before the work, so that what cannot be is said at once."""

from __future__ import annotations

import os
from collections.abc import Iterable
from contextlib import ExitStack
from pathlib import Path

from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.files.outputs import FileOutput, refuse_overlaps


def open_page(
    stack: ExitStack, report: Path | None, maker: str, results: Iterable[Path], inputs: Iterable[Path] = ()
) -> FileOutput | None:
    """The page ``report`` of ``maker``, which ``stack`` closes; None where none is asked for.

    Raises `DefinitionError` for a page in one of the folders ``results``, which would not be whole any more, and for
    one of the ``inputs``.
    """
    if report is None:
        return None
    import credkit.report  # noqa: F401  # its packages are missed before the work, too

    for folder in results:
        if Path(os.path.realpath(report)).is_relative_to(os.path.realpath(folder)):
            raise DefinitionError(
                f"the page {redacted_repr(str(report))} would be in the result {redacted_repr(str(folder))}, which is "
                "replaced as a whole: name a place beside it"
            )
    refuse_overlaps([report], inputs)
    page = stack.push(FileOutput(report, maker))
    page.open()
    return page
