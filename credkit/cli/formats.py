"""``credkit formats``: the catalogue, or one row of it in full."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial
from inspect import cleandoc
from itertools import groupby
from typing import Any

import click

from credkit.catalogue.registry import ELSEWHERE, build, catalogue, get
from credkit.cli import options
from credkit.cli.output import Console
from credkit.core.codec import AnyCodec, Entry, Example
from credkit.core.errors import CredkitError, DefinitionError
from credkit.core.grammar import parse
from credkit.core.reading import Field, Row, describe_places
from credkit.core.spans import format_span
from credkit.tables.layout import Layout

NAME = 28  # columns of the names


@click.command()
@click.argument("name", required=False, shell_complete=options.complete_chain)
@options.common
def formats(name: str | None, as_json: bool, layouts: tuple[Entry, ...], reveal: bool) -> None:
    """List the codecs that chains are made of, or show the one called NAME in full.

    NAME may be a step with its arguments; its fields and bits are then shown for those. A layout
    is drawn, bit by bit.

    \b
    The layout that the gates of Brackwater Terminal read:
      credkit formats wiegand-26
      credkit formats fields:facility:8,number:16
      credkit formats gate-29 --layouts brackwater-layouts.toml

    \b
    --json: name, signature, title, source, takes, gives, length (bits), lossy,
    fields (name, bits, and least, most or letters, shortest, longest), checks
    (rule, claim, at, covers, evidence), aliases, examples (step, given, gives).
    """
    door = Console(as_json=as_json, reveal=reveal)
    if name:
        entry, codec = _named(name, layouts)
        if as_json:
            door.record(_record(entry, codec))
        else:
            _show(door, entry, codec, exact=":" in name)
        return
    rows = [(entry, sample(entry)) for entry in (*layouts, *catalogue())]
    if as_json:
        for entry, codec in rows:
            door.record(_record(entry, codec))
        return
    order = [*dict.fromkeys(_family(codec) for _, codec in rows[len(layouts) :]), "other"]
    rows.sort(key=lambda row: order.index(_family(row[1])))  # a site's own rows go to their family
    for family, members in groupby(rows, key=lambda row: _family(row[1])):
        door.say(family)
        for entry, _ in members:
            door.labelled(f"  {_signed(entry)}", entry.title, room=NAME)
        door.say()
    door.say("only with a site")
    for name, text in ELSEWHERE.items():
        door.labelled(f"  {name}", text, room=NAME)
    door.say()
    door.say("credkit formats NAME shows one in full. Steps are joined by / to a chain.")


def sample(entry: Entry) -> AnyCodec | None:
    """The codec of ``entry`` with the arguments of its first example; None where it needs others.

    >>> codec = sample(get("hex"))
    >>> codec and codec.name
    'hex:8'
    """
    args = entry.examples[0].args if entry.examples else ""
    try:
        return entry.build(*(args.split(",") if args else ()))
    except (CredkitError, TypeError):
        return None


def _named(name: str, layouts: tuple[Entry, ...]) -> tuple[Entry, AnyCodec | None]:
    """The entry called ``name``, and its codec."""
    if ":" not in name and "/" not in name:
        entry = get(name, layouts)
        return entry, sample(entry)
    first, *more = parse(name)
    if more:
        raise DefinitionError(f"formats shows one step, but {name} is a chain: credkit explain draws a chain")
    return get(first.name, layouts), build(first, layouts)


def _family(codec: AnyCodec | None) -> str:
    return f"{codec.takes} to {codec.gives}" if codec else "other"


def _signed(entry: Entry) -> str:
    return f"{entry.name}:{entry.signature}" if entry.signature else entry.name


def _step(entry: Entry, example: Example) -> str:
    return f"{entry.name}:{example.args}" if example.args else entry.name


def _layout(codec: AnyCodec | None) -> Layout | None:
    return codec.table if codec and isinstance(codec.table, Layout) else None


def _show(door: Console, entry: Entry, codec: AnyCodec | None, *, exact: bool) -> None:
    door.labelled("name", _signed(entry))
    door.labelled("title", entry.title)
    door.labelled("source", entry.source)
    if codec:
        length = f", {codec.length} bits" if codec.length and (exact or not entry.signature) else ""
        door.labelled("goes", f"from {codec.takes} to {codec.gives}{length}{', and cuts' * codec.is_projection}")
    if entry.aliases:
        door.labelled("also", f"{', '.join(entry.aliases)} in an open standard")
    for paragraph in _usage(entry):
        door.labelled("usage", paragraph)
    for number, example in enumerate(entry.examples):
        door.labelled("" if number else "examples", f"{_step(entry, example)}: {example.given} gives {example.gives}")
    from credkit.explain.drawing import layout_picture  # the list needs none

    layout = _layout(codec)
    if codec and codec.schema:
        door.say()
        door.say(f"Fields of {codec.name}:" if entry.signature else "Fields:")
        spans = {field.name: field.places for field in layout.fields} if layout else {}
        for field in codec.schema.values():
            bits = f"{describe_places('bits', spans[field.name])}, " if field.name in spans else ""
            door.labelled(f"  {field.name}", f"{bits}{field.allowed}", room=NAME)
    if layout:
        if layout.checks:
            door.say("Checks:")
        for check in layout.checks:
            door.labelled(f"  {check.rule}", f"{describe_places('bits', check.at)}: {check.claim}", room=NAME)
        for remark in layout.remarks:
            door.labelled("note", remark.text)
        door.say()
        door.picture(layout_picture(layout))
        if layout.checks:
            door.say("c: check bit   * covered by the check   = judged by it")


def _usage(entry: Entry) -> Iterable[str]:
    """What the builder's docstring says about the arguments, by paragraph."""
    made = entry.build.func if isinstance(entry.build, partial) else entry.build
    text = cleandoc(made.__doc__ or "").replace("`", "") if entry.signature else ""
    return (" ".join(paragraph.split()) for paragraph in text.split("\n\n") if paragraph)


def _range(field: Row) -> dict[str, Any]:
    """What a field may be, for JSON."""
    if isinstance(field, Field):
        return {"least": field.least, "most": field.most}
    return {"letters": field.letters, "shortest": field.lengths[0], "longest": field.lengths[-1]}


def _record(entry: Entry, codec: AnyCodec | None) -> dict[str, Any]:
    """One entry as a JSON object."""
    layout = _layout(codec)
    spans = {field.name: format_span(field.places) for field in layout.fields} if layout else {}
    return {
        "name": entry.name, "signature": entry.signature, "title": entry.title, "source": entry.source,
        "takes": codec and codec.takes, "gives": codec and codec.gives, "length": codec and codec.length,
        "lossy": codec and codec.lossy,
        "fields": [
            {"name": field.name, **_range(field), "bits": spans.get(field.name)}
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
            {"step": _step(entry, example), "given": example.given, "gives": example.gives}
            for example in entry.examples
        ],
    }  # fmt: skip
