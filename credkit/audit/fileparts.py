"""Parts of files: whole ones, or ranges of their lines and rows that can be read on their own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from credkit.audit.plan import AuditPlan
from credkit.core.errors import DefinitionError
from credkit.files.bytestreams import ranges_between
from credkit.files.captures import CaptureFile, file_ending, file_size
from credkit.files.csvcaptures import CsvSource
from credkit.files.declaredfiles import WORKBOOK_SUFFIXES, CsvFile
from credkit.files.jsoncaptures import JsonSource
from credkit.files.parquetcaptures import ParquetSource
from credkit.files.sheetcaptures import SheetSource


@dataclass(slots=True, kw_only=True)
class FilePart:
    """A part of the file number ``place`` of so many ``files``, which ``source`` names and bounds."""

    place: int
    files: int
    source: CaptureFile
    plan: AuditPlan


def open_files(paths: Sequence[Path], plan: AuditPlan, *, delimiter: str, encoding: str) -> list[CaptureFile]:
    """The files at ``paths``; raises `DefinitionError` for one that cannot be read, or that is named twice."""
    sources = [_open_file(path, plan, delimiter, encoding) for path in paths]
    for place, path in enumerate(paths):
        if any(path.samefile(other) for other in paths[:place]):
            raise DefinitionError(f"{path}: this file is named twice, and its rows would count twice")
    return sources


def cut_files(
    paths: Sequence[Path], plan: AuditPlan, *, delimiter: str = ",", encoding: str = "utf-8", size: int | None = None
) -> list[FilePart]:
    """The parts of the files at ``paths``, in order, of about ``size`` bytes each; without a size the whole files.

    Lines and rows of Parquet stay whole. A compressed file is one part, and so is one in an encoding whose lines
    show only when it is decoded. Raises `DefinitionError` for a file that cannot be read at all.
    """
    sources = open_files(paths, plan, delimiter=delimiter, encoding=encoding)
    for source in sources:  # a wrong header or schema is refused before anything is read
        source.check()
    return [
        FilePart(place=place, files=len(sources), source=replace(source, start=start, stop=stop), plan=plan)
        for place, source in enumerate(sources)
        for start, stop in ranges_between(source.cuts(size) if size else [])
    ]


def _open_file(path: Path, plan: AuditPlan, delimiter: str, encoding: str) -> CaptureFile:
    kind = file_ending(path)
    size, name = file_size(path), plan.site.name_file(path) if plan.site else str(path)
    if kind in WORKBOOK_SUFFIXES:
        declared = plan.site.readings if plan.site else CsvFile(path=path, name=name)
        return SheetSource(
            name=name, path=path, size=size, unit="row", columns=plan.columns,
            file=replace(declared, path=path, name=name, footer=""),  # an audit counts every row
        )  # fmt: skip
    if kind == ".parquet":
        return ParquetSource(name=name, path=path, size=size, unit="row", columns=plan.columns, clock=plan.clock)
    if kind.startswith(".csv"):
        return CsvSource(
            name=name, path=path, size=size, kind=kind, columns=plan.columns, delimiter=delimiter, encoding=encoding,
            strips_header=bool(plan.stripped), header_line=plan.site.readings.header_line if plan.site else 1,
        )  # fmt: skip
    return JsonSource(name=name, path=path, size=size, kind=kind, columns=plan.columns)
