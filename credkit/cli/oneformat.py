"""One codec in full, as ``credkit formats`` shows it: usage, examples, fields, checks, the picture of its bits."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial
from inspect import cleandoc
from typing import Any

from credkit.catalogue.index import signed
from credkit.catalogue.registry import build, get, sample
from credkit.cli.output import Console
from credkit.core.codec import AnyCodec, Entry, Example
from credkit.core.errors import DefinitionError
from credkit.core.grammar import parse_chain
from credkit.core.reading import Field, SchemaRow, describe_places
from credkit.core.spans import format_span
from credkit.tables.layout import Layout

NAME_COLUMNS = 28  # columns of the names


def find_entry(name: str, layouts: tuple[Entry, ...]) -> tuple[Entry, AnyCodec | None]:
    """The entry called ``name``, and its codec; a name with arguments is a step.

    >>> entry, codec = find_entry("hex:4", ())
    >>> entry.name, codec and codec.length
    ('hex', 16)
    """
    if ":" not in name and "/" not in name:
        entry = get(name, layouts)
        return entry, sample(entry)
    first, *more = parse_chain(name)
    if more:
        raise DefinitionError(f"formats shows one step, but {name} is a chain: credkit explain draws a chain")
    return get(first.name, layouts), build(first, layouts)


def _format_step(entry: Entry, example: Example) -> str:
    return f"{entry.name}:{example.args}" if example.args else entry.name


def _layout_of(codec: AnyCodec | None) -> Layout | None:
    return codec.table if codec and isinstance(codec.table, Layout) else None


def show_entry(door: Console, entry: Entry, codec: AnyCodec | None, *, exact: bool) -> None:
    """Show everything there is to know about ``entry``; ``codec`` has ``exact`` arguments if they were typed."""
    door.labelled("name", signed(entry.name, entry.signature))
    door.labelled("title", entry.title)
    door.labelled("source", entry.source)
    if codec:
        length = f", {codec.length} bits" if codec.length and (exact or not entry.signature) else ""
        door.labelled("goes", f"from {codec.takes} to {codec.gives}{length}{', and cuts' * codec.is_projection}")
    if entry.aliases:
        door.labelled("also", f"{', '.join(entry.aliases)} in an open standard")
    for paragraph in _usage_paragraphs(entry):
        door.labelled("usage", paragraph)
    for number, example in enumerate(entry.examples):
        door.labelled(
            "" if number else "examples", f"{_format_step(entry, example)}: {example.given} gives {example.gives}"
        )
    layout = _layout_of(codec)
    if codec and codec.schema:
        door.say()
        door.say(f"Fields of {codec.name}:" if entry.signature else "Fields:")
        spans = {field.name: field.places for field in layout.fields} if layout else {}
        for field in codec.schema.values():
            bits = f"{describe_places('bits', spans[field.name])}, " if field.name in spans else ""
            door.labelled(f"  {field.name}", f"{bits}{field.allowed}", room=NAME_COLUMNS)
    if layout:
        if layout.checks:
            door.say("Checks:")
        for check in layout.checks:
            door.labelled(f"  {check.rule}", f"{describe_places('bits', check.at)}: {check.claim}", room=NAME_COLUMNS)
        for remark in layout.remarks:
            door.labelled("note", remark.text)
        from credkit.explain.drawing import layout_picture  # only for a layout

        door.say()
        door.picture(layout_picture(layout))
        if layout.checks:
            door.say("c: check bit   * covered by the check   = judged by it")


def _usage_paragraphs(entry: Entry) -> Iterable[str]:
    """What the builder's docstring says about the arguments, by paragraph."""
    made = entry.build.func if isinstance(entry.build, partial) else entry.build
    text = cleandoc(made.__doc__ or "").replace("`", "") if entry.signature else ""
    return (" ".join(paragraph.split()) for paragraph in text.split("\n\n") if paragraph)


def _range_to_json(field: SchemaRow) -> dict[str, Any]:
    """What a field may be, for JSON."""
    if isinstance(field, Field):
        return {"least": field.least, "most": field.most}
    return {"letters": field.letters, "shortest": field.lengths[0], "longest": field.lengths[-1]}


def entry_to_json(entry: Entry, codec: AnyCodec | None) -> dict[str, Any]:
    """One entry as a JSON object.

    >>> entry_to_json(get("hex"), sample(get("hex")))["gives"]
    'bits'
    """
    layout = _layout_of(codec)
    spans = {field.name: format_span(field.places) for field in layout.fields} if layout else {}
    return {
        "name": entry.name, "signature": entry.signature, "title": entry.title, "source": entry.source,
        "takes": codec and codec.takes, "gives": codec and codec.gives, "length": codec and codec.length,
        "lossy": codec and codec.lossy,
        "fields": [
            {"name": field.name, **_range_to_json(field), "bits": spans.get(field.name)}
            for field in (codec.schema.values() if codec else ())
        ],
        "checks": [
            {
                "rule": check.rule, "claim": check.claim, "at": format_span(check.at),
                "covers": format_span(check.covers),
                "evidence": check.evidence,
            }
            for check in (layout.checks if layout else ())
        ],
        "aliases": entry.aliases,
        "examples": [
            {"step": _format_step(entry, example), "given": example.given, "gives": example.gives}
            for example in entry.examples
        ],
    }  # fmt: skip
