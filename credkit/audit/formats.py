"""Formats: what the steps of a chain are called, and who says what they mean."""

from __future__ import annotations

from collections.abc import Iterator

from credkit.audit.summary import Format
from credkit.chains import Choice
from credkit.codec import Codec
from credkit.registry import catalogue

OWN = "the site's own"  # what neither the catalogue nor a table has a source for


def formats(codec: Codec) -> tuple[Format, ...]:
    """The steps of a chain, with titles and sources; of a choice, those of all its chains.

    >>> from credkit import chain
    >>> [each.title for each in formats(chain("hex:8/reverse-bytes"))]
    ['hexadecimal digits', 'last byte first']
    """
    return tuple(dict.fromkeys(_formats(codec)))


def _formats(codec: Codec) -> Iterator[Format]:
    for step in codec.steps:
        if isinstance(step, Choice):
            for option in step.options:
                yield from _formats(option)
        else:
            yield _format(step)


def _format(step: Codec) -> Format:
    table = step.table
    title, source = getattr(table, "title", ""), getattr(table, "source", "")
    if not (title and source):
        name = step.name.partition(":")[0]
        entry = next((each for each in catalogue() if name == each.name or name in each.aliases), None)
        title, source = (entry.title, entry.source) if entry else (title, source)
    return Format(name=step.name, title=title, source=source or OWN)
