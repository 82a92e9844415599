"""The CSV files of a site as columns, the same rows as the strict reader gives.

Every column is judged as a whole. A frame is given if nothing in it can be at fault; else the strict reader of
`credkit.site.rows` reads the file, so there is one judge of faults: it raises them, or has the rows after all.

Source: ISO 8601 (dates and times).
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import replace

import polars as pl

from credkit.core.whitespace import WHITE_SPACE
from credkit.files.bytestreams import WHOLE_FILE, FileRange
from credkit.files.csvcolumns import NeedsStrictReader, RowBlock, read_blocks, read_frame
from credkit.files.faults import FileFaults
from credkit.files.momentpatterns import MomentPattern
from credkit.files.times import Clock
from credkit.privacy.accountroom import SHORTEST_TRACK, TRACK_ROOM_PATTERN
from credkit.privacy.accounts import holds_track
from credkit.site.frames import (
    CREDENTIAL_TYPES,
    EXPORT_TYPES,
    READING_TYPES,
    SiteFrames,
    code_readings,
    tabulate_credentials,
    tabulate_export,
    tabulate_readings,
)
from credkit.site.model import Site, Target
from credkit.site.rows import (
    CREDENTIALS,
    EXISTING,
    OPTIONAL,
    READINGS,
    parse_date,
    read_credentials,
    read_existing,
    read_readings,
)
from credkit.site.sheetremarks import describe_sheets, find_unsure_texts

_ISSUE = r"\A[0-9]{0,9}\z"
_DAYS = ("valid_from", "valid_until")


def load_frames(site: Site, readings: pl.DataFrame | None = None) -> SiteFrames:
    """The rows of the files that ``site`` names; raises one `DefinitionError` about all faults in them.

    ``readings`` are those of its file, coded, if they are read already.
    """
    faults = FileFaults()
    empty_lines: list[int] = []
    frames = SiteFrames(
        credentials=load_credentials(site, faults, empty_lines),
        readings=load_readings(site, faults) if readings is None else readings,
        existing={target.name: load_existing(target, faults) for target in site.targets.values() if target.existing},
        empty_lines=tuple(empty_lines),
    )  # fmt: skip
    faults.refuse()
    unsure = {"value": find_unsure_texts(site.credentials, "value"), "text": find_unsure_texts(site.readings, "text")}
    return replace(frames, unsure=unsure, remarks=tuple(describe_sheets(site)))


def load_credentials(
    site: Site, faults: FileFaults | None = None, empty_lines: list[int] | None = None
) -> pl.DataFrame:  # fmt: skip
    """The credentials: columns of `CREDENTIAL_TYPES`; ``issue`` and the days are null where their cells are empty.

    Faults are collected as `credkit.site.rows.read_credentials` does, which raises those of a track at once.
    Lines without any number are added to ``empty_lines`` as it does.
    """
    try:
        frame = read_frame(site.credentials, CREDENTIALS, OPTIONAL)
        credentials = _judge_credentials(frame, site)
        if empty_lines is not None and site.credentials.mapping.rows_of_line:
            count = len(site.credentials.mapping.row_maps)
            lines, filled = (each["line"] // count for each in (frame, credentials))
            empty_lines += lines.filter(~lines.is_in(filled.unique().implode())).unique().sort().to_list()
        return credentials
    except NeedsStrictReader:
        not_payment = {kind.name for kind in site.kinds.values() if kind.not_payment}
        rows = read_credentials(site.credentials, site.kinds, site.rules.statuses, not_payment, faults, empty_lines)
        return tabulate_credentials(rows)


def load_readings(site: Site, faults: FileFaults | None = None) -> pl.DataFrame:
    """The readings, coded (`credkit.site.frames.code_readings`); ``moment`` is in microseconds since 1970, in UTC.

    Faults are collected as `load_credentials` does.
    """
    return code_readings(site, load_reading_batches(site, faults))


def load_reading_batches(site: Site, faults: FileFaults | None = None) -> Iterator[pl.DataFrame]:
    """The readings in their order, a frame of a bounded size at a time; see `load_readings`.

    Frames before a fault may have been given out when it is met.
    """
    last = 0
    try:
        for frame, _ in _read_reading_blocks(site):
            yield frame
            last = frame["line"][-1] if frame.height else last
    except NeedsStrictReader:
        rows = read_readings(site.readings, site.readers, site.zone, _unguarded_readers(site), faults)
        frame = tabulate_readings([row for row in rows if row.line > last])
        yield frame.with_columns(frame["reader"].cast(pl.Enum(list(site.readers))))


def load_reading_part(site: Site, part: FileRange) -> RowBlock:
    """The readings in a ``part`` of their file (`credkit.files.csvcolumns.cut_file`), coded, in one block.

    Raises `NeedsStrictReader` where a cell is at fault.
    """
    stop = 0 if part.start else site.readings.header_line + 1

    def frames() -> Iterator[pl.DataFrame]:
        nonlocal stop
        for block in _read_reading_blocks(site, part):
            stop = block.stop
            yield block.frame

    frame = code_readings(site, frames())
    return RowBlock(frame, stop)


def _read_reading_blocks(site: Site, part: FileRange = WHOLE_FILE) -> Iterator[RowBlock]:
    clock = Clock(site.zone, local=site.readings.has_local_times, pattern=site.readings.mapping.time_pattern)
    unguarded = _unguarded_readers(site)
    for block in read_blocks(site.readings, READINGS, OPTIONAL, part):
        yield block._replace(frame=_judge_readings(block.frame, site, clock, unguarded))


def _unguarded_readers(site: Site) -> set[str]:
    """The readers whose texts are declared to be no payment data."""
    return {reader.name for reader in site.readers.values() if reader.kind.not_payment}


def load_existing(target: Target, faults: FileFaults | None = None) -> pl.DataFrame:
    """The export of ``target``: columns of `EXPORT_TYPES`; faults are collected as `load_credentials` does."""
    if target.existing is None:
        return pl.DataFrame(schema=EXPORT_TYPES)
    is_guarded = not target.kind.not_payment
    try:
        frame = read_frame(target.existing, EXISTING)
        if is_guarded and holds_tracks(frame):
            raise NeedsStrictReader
        return frame.select("line", pl.col("person_id").alias("person"), "text")
    except NeedsStrictReader:
        return tabulate_export(read_existing(target.existing, not_payment=not is_guarded, faults=faults))


def holds_tracks(frame: pl.DataFrame) -> bool:
    """Whether a text in any column, of those too that the site file ignores, holds a payment track.

    >>> holds_tracks(pl.DataFrame({"line": [2, 3], "text": ["02F764DD", "read ;4114360123456785=3012?"]}))
    True
    """
    for column in frame.iter_columns():
        if column.dtype == pl.String and (column.str.len_bytes() >= SHORTEST_TRACK).any():
            texts = column.filter(column.str.contains(TRACK_ROOM_PATTERN))
            if any(map(holds_track, texts.unique())):
                return True
    return False


def _judge_credentials(frame: pl.DataFrame, site: Site) -> pl.DataFrame:
    """The columns of credentials; raises `NeedsStrictReader` where a cell is at fault."""
    mapping = site.credentials.mapping
    guarded = [kind.name for kind in site.kinds.values() if not kind.not_payment]
    is_guarded = frame["kind"].is_in(guarded)
    if holds_tracks(frame.filter(is_guarded)):
        raise NeedsStrictReader
    if mapping.rows_of_line:
        others = frame.drop("line", *CREDENTIALS)  # of the first row, and of all rows of its line
        if guarded and holds_tracks(others):
            raise NeedsStrictReader
        frame = frame.filter(pl.col("value").str.strip_chars(WHITE_SPACE).ne(""))
    for name in ("person_id", "credential_id", "status"):
        _require(frame[name].str.strip_chars(WHITE_SPACE).ne(""))
    _require(frame["kind"].is_in(list(site.kinds)))
    _require(frame["status"].is_in(list(site.rules.statuses)))
    _require(frame["issue"].str.contains(_ISSUE))
    days = {name: _parse_days(frame[name], mapping.date_pattern) for name in _DAYS}
    _require((days["valid_until"] >= days["valid_from"]).fill_null(value=True))
    if (template := mapping.built.get("credential_id")) is not None:
        _require_own_ids(frame, template.columns)
    names = {"person_id": "person", "credential_id": "credential"}
    parsed = frame.with_columns(pl.col("issue").cast(pl.UInt64, strict=False), **days)
    return parsed.rename(names).select(*CREDENTIAL_TYPES)


def _require_own_ids(frame: pl.DataFrame, columns: Collection[str]) -> None:
    """Refuse ids that are not of one credential each, as `credkit.site.rows.BuiltIds` finds them."""
    if frame["credential_id"].n_unique() < frame.height:
        for key, more in ((["credential_id"], columns), (["credential_id", "kind"], ["value"])):
            _require(pl.Series([frame.select(key).n_unique() == frame.select({*key, *more}).n_unique()]))


def _judge_readings(frame: pl.DataFrame, site: Site, clock: Clock, unguarded: Collection[str]) -> pl.DataFrame:
    """The columns of readings; raises `NeedsStrictReader` where a cell is at fault."""
    reader = frame["reader"].cast(pl.Enum(list(site.readers)), strict=False)
    _require(reader.is_not_null())
    if holds_tracks(frame.filter(~pl.col("reader").is_in(list(unguarded))) if unguarded else frame):
        raise NeedsStrictReader
    times = clock.parse_times(frame["time"])
    if times.problems:
        raise NeedsStrictReader
    return frame.with_columns(reader, pl.Series("moment", times.moments, dtype=pl.Int64)).select(*READING_TYPES)


def _require(is_valid: pl.Series) -> None:
    if not is_valid.all():
        raise NeedsStrictReader


def _parse_days(texts: pl.Series, pattern: MomentPattern | None) -> pl.Series:
    """The days that ``texts`` write, null where they are empty."""
    days = {text: parse_date(text, pattern) for text in texts.unique()}
    if any(text and day is None for text, day in days.items()):
        raise NeedsStrictReader
    found = texts.replace_strict(list(days), list(days.values()), return_dtype=pl.Date)
    return found.cast(pl.Date)  # of no texts, the type is not kept
