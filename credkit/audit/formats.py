"""Formats: what the steps of a chain are called, and who says what they mean."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping

from credkit.audit.plan import AuditPlan
from credkit.audit.summary import ChainCount, ChainFormat, ChainPeriod
from credkit.catalogue.registry import find
from credkit.core.chains import Choice
from credkit.core.codec import AnyCodec
from credkit.site.model import Reader
from credkit.tables.content import Content
from credkit.tables.layout import Layout
from credkit.tables.notation import NotationCodec
from credkit.tables.select import SelectCodec
from credkit.tables.wiring import WiredCodec

STREAMS = {
    "keypad": "key bursts joined to what was typed; each is read by {0}",
    "swipes": "swipes cut out of a record of bits; each row is read by {0}",
}
PRACTICE = "common practice, no source"
FORM_ONLY = ("strip", "last-digits", "keyboard", "template")  # besides notations, orders and selections
SITE_SOURCE = "the site's own"  # what neither the catalogue nor a table has a source for


def describe_formats(codec: AnyCodec) -> tuple[ChainFormat, ...]:
    """The steps of a chain, with titles and sources; of a choice, those of all its chains.

    >>> from credkit import chain
    >>> [each.title for each in describe_formats(chain("hex:8/reverse-bytes"))]
    ['hexadecimal digits', 'last byte first']
    """
    return tuple(dict.fromkeys(_iter_formats(codec)))


def _iter_formats(codec: AnyCodec) -> Iterator[ChainFormat]:
    for step in codec.steps:
        if isinstance(step, Choice):
            for option in step.options:
                yield from _iter_formats(option)
        else:
            yield _describe_step(step)


def _describe_step(step: AnyCodec) -> ChainFormat:
    table = step.table
    title, source = getattr(table, "title", ""), getattr(table, "source", "")
    if not (title and source):
        entry = find(step.name.partition(":")[0])
        title, source = (entry.title, entry.source) if entry else (title, source)
    return ChainFormat(name=step.name, title=title, source=source or SITE_SOURCE)


def describe_stream(written: str) -> tuple[ChainFormat, ...]:
    """A stream as a step before a chain; nothing where rows are not joined.

    >>> describe_stream("swipes:hex")[0].title
    'swipes cut out of a record of bits; each row is read by hex'
    """
    kind, _, chunk = written.partition(":")
    return (ChainFormat(name=written, title=STREAMS[kind].format(chunk), source=PRACTICE),) if written else ()


def count_chains(plan: AuditPlan, uses: Mapping[tuple[int, int], int]) -> tuple[ChainCount, ...]:
    """Every chain through which rows may be read, and how many were: ``uses`` counts them by reader and use."""
    rows: Counter[tuple[str, int]] = Counter()
    kinds = {("", 0): None} if plan.site is None else {}
    for code, periods in enumerate(plan.periods_of_reader):
        for _, _, use in periods:
            kinds[_stream_of(plan, code), use] = None
    for (code, use), count in uses.items():
        rows[_stream_of(plan, code), use] += count
    found: dict[tuple[str, str], ChainCount] = {}
    for stream, place in kinds:
        codec = plan.uses[place].codec
        before = found[stream, codec.name].rows if (stream, codec.name) in found else 0
        found[stream, codec.name] = ChainCount(
            name=codec.name, stream=stream, rows=before + rows[stream, place], lossy=codec.lossy,
            checked=has_check(codec), formats=(*describe_stream(stream), *describe_formats(codec)),
        )  # fmt: skip
    return tuple(found.values())


def has_check(codec: AnyCodec) -> bool:
    """Whether anything in a chain tells a right value from a wrong one of the same form.

    >>> from credkit import chain
    >>> [has_check(chain(name)) for name in ("hex:8/uid-a-4", "template:{number:06d}", "binary/wiegand-26")]
    [False, False, True]
    """
    return any(map(_step_has_check, codec.steps))


def _step_has_check(step: AnyCodec) -> bool:
    if isinstance(step, Choice):
        return all(map(has_check, step.options))
    table = step.table
    if isinstance(table, (Layout, Content)):
        return bool(table.checks)
    form = isinstance(step, (NotationCodec, WiredCodec, SelectCodec)) or step.name.partition(":")[0] in FORM_ONLY
    return not form


def _stream_of(plan: AuditPlan, code: int) -> str:
    return plan.site.readers[plan.names[code]].stream_text if plan.site else ""


def chain_periods(reader: Reader | None) -> tuple[ChainPeriod, ...]:
    """Which chain read a reader's texts, and when; nothing where no site says it."""
    periods = reader.periods if reader else ()
    return tuple(ChainPeriod(chain=each.codec.name, start=each.start, end=each.end) for each in periods)
