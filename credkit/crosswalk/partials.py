"""Crosswalks in parts: what the readings in parts of their file give, joined in any order, and matched at the end.

`partial` reads a part of the readings and decodes its texts, `merge` joins what several parts gave, and `finish`
makes the crosswalk of what all gave. They need no common memory: parts can be read by several processes, on several
machines.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from operator import attrgetter

import polars as pl

from credkit.core.collection import pause_collection
from credkit.core.errors import DefinitionError
from credkit.core.progress import SILENT, Progress
from credkit.crosswalk.pipeline import READING_PHASE, crosswalk, digest_inputs, match, number_phases
from credkit.crosswalk.result import Crosswalk, InputFile
from credkit.crosswalk.sightings import decode_rows
from credkit.facts.judged_texts import DecodedTexts
from credkit.files.bytestreams import WHOLE_FILE, FileRange
from credkit.files.captures import file_size
from credkit.files.csvcolumns import NeedsStrictReader, cut_file
from credkit.files.digests import file_stamp, sha256_parts
from credkit.site.columns import load_frames, load_reading_part
from credkit.site.frames import join_readings
from credkit.site.model import Site


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingsPart:
    """A part of the file of readings of ``site``, which has ``size`` bytes.

    ``others`` are the other files of the site, with their digests.
    """

    site: Site
    others: tuple[InputFile, ...]
    size: int
    lines: FileRange


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartRows:
    """The readings in a part of their file: ``rows`` with their lines, of which ``stop`` is the one behind the part.

    Lines are counted from the start of the part. ``rows`` is None where a row is at fault, which the strict reader of
    whole files describes. ``digest`` is that of the bytes.
    """

    lines: FileRange
    rows: pl.DataFrame | None
    stop: int
    digest: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Partial:
    """What the readings in some parts of their file give: their rows, and what their texts decode to.

    ``parts`` stand in the order of the file, ``decoded`` is what `credkit.crosswalk.sightings.decode_rows` gives, and
    ``others`` are those of `ReadingsPart`.
    """

    others: tuple[InputFile, ...]
    parts: tuple[PartRows, ...]
    decoded: Mapping[int, DecodedTexts]

    @property
    def is_at_fault(self) -> bool:
        """Whether a row may be at fault, so that the whole file is read again."""
        return any(part.rows is None for part in self.parts)


def cut_readings(site: Site, size: int | None = None) -> list[ReadingsPart]:
    """The parts of the readings of ``site``, of about ``size`` bytes each; without a size the whole file.

    Lines stay whole. A file in an encoding whose lines show only when it is decoded is one part.
    """
    whole = file_size(site.readings.path)
    ranges = cut_file(site.readings, size) if size else [WHOLE_FILE]
    others = _digest_others(site)
    return [ReadingsPart(site=site, others=others, size=whole, lines=lines) for lines in ranges]


def _digest_others(site: Site) -> tuple[InputFile, ...]:
    """The files of ``site`` without its readings, with their digests: what decodes the readings stands in them."""
    return digest_inputs(replace(site, files=tuple(path for path in site.files if path != site.readings.path)))


def partial(part: ReadingsPart) -> Partial:
    """Read a part of the readings, and decode its texts; `cut_readings` gives the parts of a site.

    Raises `DefinitionError` for a file that is not the one that was cut.

    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> from credkit.crosswalk import crosswalk
    >>> from credkit.site import load_site
    >>> files = {
    ...     "site.toml": '''
    ... [site]
    ... name = "Brackwater Terminal"
    ... time_zone = "Europe/Paris"
    ... as_of = 2026-03-31
    ... [files]
    ... credentials = { path = "credentials.csv" }
    ... readings = { path = "readings.csv" }
    ... [kinds.card]
    ... value = "hex:8/right-justified:26/wiegand-26"
    ... key = ["facility", "number"]
    ... [readers.gate]
    ... kind = "card"
    ... chain = "hex:8/right-justified:26/wiegand-26"
    ... [targets.gatehouse]
    ... kind = "card"
    ... chain = "decimal:26/wiegand-26"
    ... column = "text(8)"
    ... ''',
    ...     "credentials.csv": "person_id,credential_id,kind,value,status\\nP-1,C-1,card,02F764DD,active\\n",
    ...     "readings.csv": "time,reader,text\\n" + "2026-03-10T08:00:00Z,gate,02F764DD\\n" * 4,
    ... }
    >>> with TemporaryDirectory() as folder:
    ...     for name, text in files.items():
    ...         _ = Path(folder, name).write_text(text)
    ...     site = load_site(Path(folder, "site.toml"))
    ...     first, second, third = map(partial, cut_readings(site, size=40))
    ...     finish(merge(third, merge(first, second)), site) == crosswalk(site)
    True
    """
    file = part.site.readings
    before = file_stamp(file.path)
    if (size := file_size(file.path)) != part.size:
        raise DefinitionError(
            f"{file.name}: the file has {size:,} bytes here, expected {part.size:,}: all processes must see the same "
            "file, and nothing may change it meanwhile"
        )
    digest, _ = sha256_parts(file.path, [part.lines])
    try:
        rows, stop = load_reading_part(part.site, part.lines)
    except NeedsStrictReader:
        found = PartRows(lines=part.lines, rows=None, stop=0, digest=digest)
        return Partial(others=part.others, parts=(found,), decoded={})
    decoded = decode_rows(part.site, rows)
    if file_stamp(file.path) != before:
        raise DefinitionError(f"{file.name}: the file changed while it was read")
    found = PartRows(lines=part.lines, rows=rows, stop=stop, digest=digest)
    return Partial(others=part.others, parts=(found,), decoded=decoded)


def merge(first: Partial, *others: Partial) -> Partial:
    """Join what several parts gave, in any order and grouping; none of them is changed.

    It is associative and commutative: all orders and groupings finish alike. Raises `ValueError` for parts of
    different sites.
    """
    if any(each.others != first.others for each in others):
        raise ValueError("the parts are of different sites, or a file of the site changed between them")
    all_of = sorted((first, *others), key=lambda each: each.parts[0].lines.start)
    numbers = sorted({number for each in all_of for number in each.decoded})
    decoded = {}
    for number in numbers:
        begun, *more = (each.decoded[number] for each in all_of if number in each.decoded)
        decoded[number] = begun.join(more) if more else begun
    parts = sorted((part for each in all_of for part in each.parts), key=attrgetter("lines.start"))
    return Partial(others=first.others, parts=tuple(parts), decoded=decoded)


def finish(
    whole: Partial, site: Site, *, digests: tuple[str, Sequence[str]] | None = None, progress: Progress = SILENT
) -> Crosswalk:  # fmt: skip
    """The crosswalk of ``site``, all parts of whose readings are joined: equal to that of `crosswalk`.

    ``digests`` are those of the file of readings and of its parts, if they are known. Raises `ValueError` where parts
    are missing, and `DefinitionError` for faults in files, and for parts that were read of another file.
    """
    ranges = [part.lines for part in whole.parts]
    if [0, *(lines.stop for lines in ranges)] != [*(lines.start for lines in ranges), None]:
        raise ValueError("a part of the readings is missing, or joined twice: join all of them, each once")
    if whole.is_at_fault:
        return crosswalk(site, progress=progress)
    if whole.others != _digest_others(site):
        raise DefinitionError(
            f"{site.name}: the site file, or a file that it names, changed since the readings were cut into parts: "
            "begin again"
        )
    phases = number_phases(progress)
    phases[0].phase(READING_PHASE)
    digest, of_parts = digests or sha256_parts(site.readings.path, ranges)
    for lines, part, expected in zip(ranges, whole.parts, of_parts, strict=True):
        if part.digest != expected:
            raise DefinitionError(
                f"{site.readings.name}: another process read different bytes from offset {lines.start:,} on: all "
                "processes must see the same file, and nothing may change it meanwhile"
            )
    with pause_collection():
        inputs = digest_inputs(site, {site.readings.path: digest})
        rows, decoded = [_join_rows(whole, site)], whole.decoded
        del whole, part  # their rows are in one table now
        return match(site, load_frames(site, rows.pop()), inputs, phases, decoded)  # which alone has it


def _join_rows(whole: Partial, site: Site) -> pl.DataFrame:
    """The readings of all parts, each with its line in the file."""
    return join_readings(site, _number_lines(whole, len(site.readings.mapping.row_maps)))


def _number_lines(whole: Partial, rows_of_line: int) -> Iterator[pl.DataFrame]:
    before = 0
    for part in whole.parts:
        if part.rows is not None:
            yield part.rows.with_columns(pl.col("line") + before * rows_of_line)
        before += part.stop
