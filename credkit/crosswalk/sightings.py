"""Sightings: the rows of the readings, each at its true time and through the chain of that time.

One row is one sighting, except where a reader sends keys: there the rows of one entry are one
sighting. Whatever happens to a sighting happens to all of its rows.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from credkit.crosswalk.texts import Texts, Told
from credkit.errors import shown
from credkit.site import Period, Reader, Site
from credkit.sitefiles import Read

PAUSE = timedelta(seconds=30)  # between two keys: whoever types next begins a new entry


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sighting:
    """A text seen at a reader at the true time ``moment`` (in UTC).

    ``told`` is None where a stream could make no text of the rows; ``problem`` then says why.
    """

    rows: tuple[Read, ...]
    reader: Reader
    period: Period
    moment: datetime
    text: str
    told: Told | None
    problem: str = ""
    presentation: str = ""
    expected: str = ""


def stamp(site: Site, moment: datetime) -> str:
    """``moment`` by the site's clocks, with the offset from UTC."""
    return moment.astimezone(site.zone).isoformat(timespec="seconds")


def sightings(site: Site, rows: Sequence[Read], texts: Texts) -> list[Sighting]:
    """The sightings in ``rows``, in file order; raises `DefinitionError` for a time outside every period."""
    found: list[Sighting] = []
    keyed: dict[tuple[str, int], list[tuple[datetime, Read]]] = defaultdict(list)
    for row in rows:
        reader = site.readers[row.reader]
        moment = row.time + reader.clock_offset
        period = reader.period(moment)
        if period is None:
            site.readings.refuse(row.line, f"{stamp(site, moment)} is in no period of the reader {shown(row.reader)}")
        if reader.stream:
            keyed[row.reader, reader.periods.index(period)].append((moment, row))
            continue
        found.append(
            Sighting(
                rows=(row,), reader=reader, period=period, moment=moment, text=row.text,
                told=texts.read(period.codec, reader.kind, row.text), presentation=row.presentation,
                expected=row.expected,
            )
        )  # fmt: skip
    for (name, place), chunks in keyed.items():
        reader = site.readers[name]
        found += _entries(reader, reader.periods[place], chunks, texts)
    return sorted(found, key=lambda sighting: sighting.rows[0].line)


def _entries(reader: Reader, period: Period, chunks: list[tuple[datetime, Read]], texts: Texts) -> Iterator[Sighting]:
    """The entries typed in ``chunks``: by time, cut where nobody pressed a key for a while."""
    chunks.sort(key=lambda chunk: (chunk[0], chunk[1].line))
    start = 0
    for end in range(1, len(chunks) + 1):
        if end == len(chunks) or chunks[end][0] - chunks[end - 1][0] > PAUSE:
            yield from _typed(reader, period, chunks[start:end], texts)
            start = end


def _typed(reader: Reader, period: Period, chunks: list[tuple[datetime, Read]], texts: Texts) -> Iterator[Sighting]:
    assert reader.stream is not None  # a bug here, never the input
    for frame in reader.stream(row.text for _, row in chunks):
        rows = tuple(chunks[place][1] for place in frame.covers)
        yield Sighting(
            rows=rows, reader=reader, period=period, moment=chunks[frame.covers[-1]][0], text=frame.value or "",
            told=None if frame.value is None else texts.read(period.codec, reader.kind, frame.value),
            problem=frame.problem or "", presentation=next((r.presentation for r in rows if r.presentation), ""),
            expected=next((r.expected for r in rows if r.expected), ""),
        )  # fmt: skip
