"""Cures: what to write into the site file so that a finding ends. Values, of which the lines of TOML are made."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from json import dumps
from re import fullmatch
from typing import NamedTuple

from credkit.facts.texts import branches
from credkit.site.model import Period, Reader, Site


@dataclass(frozen=True, slots=True, kw_only=True)
class ReaderChain:
    """The ``chain`` that a reader seems to emit from ``since`` until ``until`` (None: no bound).

    It explains ``explained`` of ``unresolved`` rows; ``alternatives`` counts other chains that explain as many.
    """

    reader: str
    chain: str
    since: datetime | None
    until: datetime | None
    explained: int
    unresolved: int
    alternatives: int = 0


class PeriodSpan(NamedTuple):
    """The chains of a reader, as TOML writes them, and the time from when and until when."""

    chains: str
    start: datetime | None
    end: datetime | None


def cut_period(period: Period, cures: Iterable[ReaderChain]) -> Iterator[PeriodSpan]:
    """A declared period, with the chains of ``cures`` in the times that these name."""
    names = [branch.name for branch in branches(period.codec)]
    declared = f"[{', '.join(map(quote_toml, names))}]" if len(names) > 1 else quote_toml(names[0])
    inside = [cure for cure in cures if _is_inside(cure, period)]
    start = period.start
    for cure in sorted(inside, key=lambda cure: (cure.since is not None, cure.since)):
        if cure.since != start:
            yield PeriodSpan(declared, start, cure.since)
        yield PeriodSpan(quote_toml(cure.chain), cure.since, cure.until)
        start = cure.until
    if not inside or start != period.end:
        yield PeriodSpan(declared, start, period.end)


def _is_inside(cure: ReaderChain, period: Period) -> bool:
    """Whether the time of a cure is within a period."""
    begins = period.start is None or (cure.since is not None and period.start <= cure.since)
    ends = period.end is None or (cure.until is not None and cure.until <= period.end)
    return begins and ends


def reader_lines(site: Site, name: str, spans: Sequence[PeriodSpan]) -> Iterator[str]:
    """The chain of a reader for the site file, or its periods where there are several, or one with bounds."""
    if len(spans) == 1 and spans[0].start is None and spans[0].end is None:
        yield from (f"[readers.{write_key(name)}]", f"chain = {spans[0].chains}")
        return
    for chains, start, end in spans:
        yield f"[[readers.{write_key(name)}.periods]]"
        yield f"chain = {chains}"
        yield from (f"from = {start.astimezone(site.zone).isoformat()}" for start in (start,) if start)
        yield from (f"until = {end.astimezone(site.zone).isoformat()}" for end in (end,) if end)


def cure_reader(site: Site, reader: Reader, cures: Sequence[ReaderChain]) -> tuple[str, ...]:
    """The whole setting of a reader with all ``cures``, in place of the one that the site file has."""
    spans = [span for period in reader.periods for span in cut_period(period, cures)]
    return tuple(reader_lines(site, reader.name, spans))


def strip_lines(table: str, columns: Collection[str]) -> tuple[str, ...]:
    """The columns of a file of which white space is taken off, in its ``table`` of the site file.

    >>> strip_lines("files.credentials", {"value", "person_id"})
    ('[files.credentials]', 'strip = ["person_id", "value"]')
    """
    return f"[{table}]", f"strip = {dumps(sorted(columns))}"


def quote_toml(text: str) -> str:
    """A text as TOML writes it.

    >>> quote_toml('hex:8')
    '"hex:8"'
    """
    return dumps(text, ensure_ascii=False)


def write_key(name: str) -> str:
    """A key as TOML writes it.

    >>> write_key("east-gate"), write_key("gate 7")
    ('east-gate', '"gate 7"')
    """
    return name if fullmatch("[A-Za-z0-9_-]+", name) else quote_toml(name)
