"""Sightings: the rows of the readings, each at its true time and through the chain of that time.

One row is one sighting, except where a reader sends keys: there the rows of one entry are one
sighting. Whatever happens to a sighting happens to all of its rows. An entry with a long pause in
it is none: what was typed after the pause may be the rest of it, or a number of its own.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import pairwise

from credkit.core.sentences import redacted_repr
from credkit.facts.texts import TextResult, TextResults
from credkit.site.model import Period, Reader, Site
from credkit.site.rows import ReadingRow
from credkit.streams import LONGEST_KEY_PAUSE, Frame

LONGEST_PRESENTATION_PAUSE = timedelta(
    minutes=2
)  # between two reads: an id of a presentation that comes again later is another's
MAY_BE_REST = "it may be the rest of the entry before it, which was not entered"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sighting:
    """A text seen at a reader at the true time ``moment`` (in UTC).

    ``result`` is None where a stream could make no text of the rows; ``problem`` then says why.
    ``presentation`` numbers the times that a card was held once; it is 0 where nothing says so. One that is not
    ``is_dated`` comes from a clock that is wrong: its moment proves nothing.
    """

    rows: tuple[ReadingRow, ...]
    reader: Reader
    period: Period
    moment: datetime
    text: str
    result: TextResult | None
    problem: str = ""
    presentation: int = 0
    expected: str = ""
    is_dated: bool = True


def format_moment(site: Site, moment: datetime) -> str:
    """``moment`` by the site's clocks, with the offset from UTC."""
    return moment.astimezone(site.zone).isoformat(timespec="seconds")


def collect_sightings(site: Site, rows: Sequence[ReadingRow], texts: TextResults) -> list[Sighting]:
    """The sightings in ``rows``, in file order; raises `DefinitionError` for a time outside every period."""
    found: list[Sighting] = []
    keyed: dict[tuple[str, int], list[tuple[datetime, ReadingRow]]] = defaultdict(list)
    for row in rows:
        reader = site.readers[row.reader]
        moment = row.time + reader.clock_offset
        period = reader.period(moment)
        if period is None:
            site.readings.refuse(
                row.line, f"{format_moment(site, moment)} is in no period of the reader {redacted_repr(row.reader)}"
            )
        if reader.stream:
            keyed[row.reader, reader.periods.index(period)].append((moment, row))
            continue
        result = texts.read(period.codec, reader.kind, row.text)
        if result.payment.has_valid_track:
            site.readings.refuse_track(row.line)
        found.append(
            Sighting(
                rows=(row,), reader=reader, period=period, moment=moment, text=row.text, result=result,
                expected=row.expected,
            )
        )  # fmt: skip
    for (name, place), chunks in keyed.items():
        reader = site.readers[name]
        found += _join_entries(site, reader, reader.periods[place], chunks, texts)
    return sorted(_number_presentations(found), key=lambda sighting: sighting.rows[0].line)


def _number_presentations(found: Sequence[Sighting]) -> Iterator[Sighting]:
    """The sightings with their presentations numbered: one id, read without a break of two minutes."""
    groups: dict[str, list[Sighting]] = defaultdict(list)
    for sighting in found:
        groups[next((row.presentation for row in sighting.rows if row.presentation), "")].append(sighting)
    yield from groups.pop("", ())
    number = 0
    for group in groups.values():
        before = None
        for sighting in sorted(group, key=lambda sighting: (sighting.moment, sighting.rows[0].line)):
            number += before is None or sighting.moment - before > LONGEST_PRESENTATION_PAUSE
            before = sighting.moment
            yield replace(sighting, presentation=number)


def _join_entries(
    site: Site, reader: Reader, period: Period, chunks: list[tuple[datetime, ReadingRow]], texts: TextResults
) -> Iterator[Sighting]:
    """The entries typed in ``chunks``, taken by time; one in which nobody pressed a key for a while is in parts."""
    assert reader.stream is not None  # a bug here, never the input
    chunks.sort(key=lambda chunk: (chunk[0], chunk[1].line))
    frames = list(reader.stream.frames(row.text for _, row in chunks))
    for frame in frames:
        if (
            frame.value is not None
            and texts.read(period.codec, reader.kind, frame.value, typed=True).payment.has_valid_track
        ):
            site.readings.refuse_track(chunks[frame.covers[0]][1].line)
    for frame in _merge_overlapping(frames):
        parts = _split_at_pauses([chunks[place] for place in frame.covers])
        if len(parts) == 1:
            yield _make_sighting(reader, period, parts[0], texts, frame.value, frame.problem)
            continue
        for part in parts:
            for piece in _merge_overlapping(reader.stream.frames(row.text for _, row in part)):
                pressed = [part[place] for place in piece.covers]
                yield _make_sighting(reader, period, pressed, texts, None, piece.problem or MAY_BE_REST)


def _merge_overlapping(frames: Iterable[Frame]) -> Iterator[Frame]:
    """The frames, those that share a row made one: a row has one time, so several swipes in it are for a person."""
    groups: list[list[Frame]] = []
    of_row: dict[int, list[Frame]] = {}
    for frame in frames:
        group = next((of_row[place] for place in frame.covers if place in of_row), None)
        if group is None:
            group = []
            groups.append(group)
        group.append(frame)
        of_row.update(dict.fromkeys(frame.covers, group))
    yield from map(_merge_frames, groups)


def _merge_frames(group: Sequence[Frame]) -> Frame:
    if len(group) == 1:
        return group[0]
    covers = tuple(dict.fromkeys(place for frame in group for place in frame.covers))
    return Frame(value=None, covers=covers, problem=f"{len(group)} swipes share a row: write one swipe to a row")


def _split_at_pauses(chunks: Sequence[tuple[datetime, ReadingRow]]) -> list[list[tuple[datetime, ReadingRow]]]:
    """``chunks`` cut at the pauses."""
    parts = [[chunks[0]]]
    for before, chunk in pairwise(chunks):
        if chunk[0] - before[0] > LONGEST_KEY_PAUSE:
            parts.append([])
        parts[-1].append(chunk)
    return parts


def _make_sighting(
    reader: Reader, period: Period, chunks: Sequence[tuple[datetime, ReadingRow]], texts: TextResults,
    value: str | None, problem: str | None,
) -> Sighting:  # fmt: skip
    rows = tuple(row for _, row in chunks)
    return Sighting(
        rows=rows, reader=reader, period=period, moment=chunks[-1][0], text=value or "",
        result=None if value is None else texts.read(period.codec, reader.kind, value, typed=True),
        problem=problem or "", expected=next((row.expected for row in rows if row.expected), ""),
    )  # fmt: skip
