"""Formats: what the steps of a chain are called, and who says what they mean."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping

from credkit.audit.plan import AuditPlan
from credkit.audit.summary import ChainCount, Format, Spell
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
OWN = "the site's own"  # what neither the catalogue nor a table has a source for


def formats(codec: AnyCodec) -> tuple[Format, ...]:
    """The steps of a chain, with titles and sources; of a choice, those of all its chains.

    >>> from credkit import chain
    >>> [each.title for each in formats(chain("hex:8/reverse-bytes"))]
    ['hexadecimal digits', 'last byte first']
    """
    return tuple(dict.fromkeys(_formats(codec)))


def _formats(codec: AnyCodec) -> Iterator[Format]:
    for step in codec.steps:
        if isinstance(step, Choice):
            for option in step.options:
                yield from _formats(option)
        else:
            yield _format(step)


def _format(step: AnyCodec) -> Format:
    table = step.table
    title, source = getattr(table, "title", ""), getattr(table, "source", "")
    if not (title and source):
        entry = find(step.name.partition(":")[0])
        title, source = (entry.title, entry.source) if entry else (title, source)
    return Format(name=step.name, title=title, source=source or OWN)


def of_stream(written: str) -> tuple[Format, ...]:
    """A stream as a step before a chain; nothing where rows are not joined.

    >>> of_stream("swipes:hex")[0].title
    'swipes cut out of a record of bits; each row is read by hex'
    """
    kind, _, chunk = written.partition(":")
    return (Format(name=written, title=STREAMS[kind].format(chunk), source=PRACTICE),) if written else ()


def chains(plan: AuditPlan, ways: Mapping[tuple[int, int], int]) -> tuple[ChainCount, ...]:
    """Every chain through which rows may be read, and how many were: ``ways`` counts them by reader and way."""
    rows: Counter[tuple[str, int]] = Counter()
    kinds = {("", 0): None} if plan.site is None else {}
    for code, periods in enumerate(plan.of_reader):
        for _, _, way in periods:
            kinds[_stream(plan, code), way] = None
    for (code, way), count in ways.items():
        rows[_stream(plan, code), way] += count
    found: dict[tuple[str, str], ChainCount] = {}
    for stream, place in kinds:
        codec = plan.ways[place].codec
        before = found[stream, codec.name].rows if (stream, codec.name) in found else 0
        found[stream, codec.name] = ChainCount(
            name=codec.name, stream=stream, rows=before + rows[stream, place], lossy=codec.lossy,
            checked=checked(codec), formats=(*of_stream(stream), *formats(codec)),
        )  # fmt: skip
    return tuple(found.values())


def checked(codec: AnyCodec) -> bool:
    """Whether anything in a chain tells a right value from a wrong one of the same form.

    >>> from credkit import chain
    >>> [checked(chain(name)) for name in ("hex:8/uid-a-4", "template:{number:06d}", "binary/wiegand-26")]
    [False, False, True]
    """
    return any(map(_checks, codec.steps))


def _checks(step: AnyCodec) -> bool:
    if isinstance(step, Choice):
        return all(map(checked, step.options))
    table = step.table
    if isinstance(table, (Layout, Content)):
        return bool(table.checks)
    form = isinstance(step, (NotationCodec, WiredCodec, SelectCodec)) or step.name.partition(":")[0] in FORM_ONLY
    return not form


def _stream(plan: AuditPlan, code: int) -> str:
    return plan.site.readers[plan.names[code]].streamed if plan.site else ""


def spells(reader: Reader | None) -> tuple[Spell, ...]:
    """Which chain read a reader's texts, and when; nothing where no site says it."""
    periods = reader.periods if reader else ()
    return tuple(Spell(chain=each.codec.name, start=each.start, end=each.end) for each in periods)
