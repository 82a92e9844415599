"""``credkit formats``: the catalogue, or one row of it in full."""

from __future__ import annotations

from itertools import groupby

import click

from credkit.catalogue.index import INDEX, READER_TEXTS, IndexRow, signed
from credkit.catalogue.registry import ELSEWHERE, catalogue, index_row, sample
from credkit.cli import options
from credkit.cli.output import Console
from credkit.core.codec import Entry

NAME_COLUMNS = 28  # columns of the names
FRAMES, CHIPS, MEMORY, DIGITS, TEXTS, STEPS = (
    "Frames of readers, bits to fields", "Chips and tags, bits to fields", "Contents of card memory, bits to fields",
    "Digits of a reader, text to bits", "Printed, typed and swiped texts, text to fields", "Steps, ",
)  # fmt: skip
_STEP_FORMS = ("text to text", "bits to bits", "bits to text", "fields to fields")
_FILE_SECTIONS = {"contactless": CHIPS, "memory": MEMORY, "forum": MEMORY}  # of layouts
_FORM_SECTIONS = {"bits to fields": FRAMES, "text to bits": DIGITS, "text to fields": TEXTS}
_SECTIONS = (FRAMES, DIGITS, TEXTS, CHIPS, MEMORY, *(f"{STEPS}{forms}" for forms in _STEP_FORMS))


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
    """The catalogue by what people look for, steps last; a site's own rows stand first in their section."""
    door.say("If a reader shows or types  try")
    for text, chain in READER_TEXTS:
        door.labelled(f"  {text}", chain, room=NAME_COLUMNS)
    door.labelled("  anything else", "credkit identify VALUE", room=NAME_COLUMNS)
    door.say()
    order = {section: place for place, section in enumerate(_SECTIONS)}
    rows.sort(key=lambda row: order.get(_section_of(row), len(order)))
    for section, members in groupby(rows, key=_section_of):
        door.say(section)
        for row in members:
            door.labelled(f"  {signed(row.name, row.signature)}", row.title, room=NAME_COLUMNS)
        door.say()
    door.say("Only with a site")
    for name, text in ELSEWHERE.items():
        door.labelled(f"  {name}", text, room=NAME_COLUMNS)
    door.say()
    door.say("credkit formats NAME shows one in full. Steps are joined by / to a chain.")


def _section_of(row: IndexRow) -> str:
    forms = f"{row.takes} to {row.gives}" if row.takes else ""
    if row.family == "ndef" and row.gives == "fields":
        return MEMORY
    return _FILE_SECTIONS.get(row.file) or _FORM_SECTIONS.get(forms) or (f"{STEPS}{forms}" if forms else "Other")
