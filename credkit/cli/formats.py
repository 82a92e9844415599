"""``credkit formats``: the catalogue, or one row of it in full."""

from __future__ import annotations

from itertools import groupby

import click

from credkit.catalogue.index import INDEX, IndexRow, signed
from credkit.catalogue.registry import ELSEWHERE, catalogue, index_row, sample
from credkit.cli import options
from credkit.cli.output import Console
from credkit.core.codec import Entry

NAME_COLUMNS = 28  # columns of the names


@click.command()
@click.argument("name", required=False, shell_complete=options.complete_chain)
@options.with_common_options
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
    if not name and not as_json:
        _list(door, [*map(index_row, layouts), *INDEX])
        return
    from credkit.cli.oneformat import entry_to_json, find_entry, show_entry  # the list needs none of the codecs

    if name:
        entry, codec = find_entry(name, layouts)
        if as_json:
            door.record(entry_to_json(entry, codec))
        else:
            show_entry(door, entry, codec, exact=":" in name)
        return
    for entry in (*layouts, *catalogue()):
        door.record(entry_to_json(entry, sample(entry)))


def _list(door: Console, rows: list[IndexRow]) -> None:
    """The catalogue; a site's own rows stand first in their family."""
    order = [*dict.fromkeys(map(_family_of, INDEX)), "other"]
    rows.sort(key=lambda row: order.index(_family_of(row)))
    for family, members in groupby(rows, key=_family_of):
        door.say(family)
        for row in members:
            door.labelled(f"  {signed(row.name, row.signature)}", row.title, room=NAME_COLUMNS)
        door.say()
    door.say("only with a site")
    for name, text in ELSEWHERE.items():
        door.labelled(f"  {name}", text, room=NAME_COLUMNS)
    door.say()
    door.say("credkit formats NAME shows one in full. Steps are joined by / to a chain.")


def _family_of(row: IndexRow) -> str:
    return f"{row.takes} to {row.gives}" if row.takes else "other"
