"""Bit frames: layouts that stand in TOML, ours and a site's alike.

The built-in ones are in ``layouts/*.toml``; `layout_entries` makes catalogue rows of any table of
definitions with the same schema (`credkit.tables.definition`). ``fields:facility:8,number:16`` is
a layout without a name, written in the chain, for numbers that come without parity.

A passed parity says that a frame was not garbled in a simple way; it does not say that a card is
genuine.

>>> [entry.name for entry in builtin()][:2]
['wiegand-26', 'wiegand-34']
>>> frame = build_fields("facility:8", "number:16")
>>> from bitstring import Bits
>>> dict(frame.decode(Bits("0x7BB26E")))
{'facility': 123, 'number': 45678}
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache, partial
from pathlib import Path
from typing import Any

from bitstring import Bits

from credkit.codec import PRACTICE, Codec, Entry, Example
from credkit.codecs.arguments import whole
from credkit.errors import DefinitionError, shown
from credkit.grammar import step
from credkit.spans import WIDEST
from credkit.tables.definition import layout
from credkit.tables.layout import Layout, LayoutCodec

FILES = ("wiegand", "serial", "keypad", "open")


def layout_entries(definitions: Mapping[str, Any]) -> tuple[Entry, ...]:
    """A catalogue row for every layout in ``definitions``, a table as read from TOML.

    >>> rows = layout_entries({"gate-4": {"length": 4, "fields": {"number": "0-3"}}})
    >>> rows[0].build().schema["number"].most
    15
    """
    if not isinstance(definitions, Mapping):
        raise DefinitionError(f"layouts: a table of definitions by name is needed, not {shown(definitions)}")
    return tuple(_entry(layout(name, table), table) for name, table in definitions.items())


def _entry(made: Layout, table: Mapping[str, Any]) -> Entry:
    codec = LayoutCodec.of(made)
    examples = []
    for row in table.get("examples", ()):
        reading = codec.inspect(Bits.from_string(f"0b{row['bits']}"))
        if reading.failed or reading.value != row["fields"]:
            found = reading.failed.sentence() if reading.failed else shown(reading.value)
            raise DefinitionError(f"layout {made.name}: the example {shown(row['fields'])} does not hold: {found}")
        examples.append(Example(given=row["bits"], gives=" ".join(f"{k}={v}" for k, v in row["fields"].items())))
    return Entry(
        name=made.name, title=made.title, source=made.source or "defined by the site",
        examples=tuple(examples), build=partial(_build, codec), aliases=tuple(table.get("aliases", ())),
    )  # fmt: skip


def _build(codec: LayoutCodec, *args: str) -> Codec:
    if args:
        raise DefinitionError(f"{codec.name}: takes no arguments, not {shown(','.join(args))}")
    return codec


def build_fields(*specs: str) -> Codec:
    """``fields:NAME:BITS,…``: fields one after the other, most significant bit first, no check."""
    spans, at = {}, 0
    for spec in specs:
        name, colon, width = spec.partition(":")
        if not colon or name in spans:
            problem = "appears twice" if colon else "is not a field such as number:16"
            raise DefinitionError(f"fields: {shown(spec)} {problem}")
        size = whole("fields", f"the bits of {name}", width)
        spans[name] = f"{at}-{at + size - 1}"
        at += size
    if not spans or at > WIDEST:
        raise DefinitionError(f"fields: 1 to {WIDEST} bits are needed, such as fields:facility:8,number:16, not {at}")
    made = layout("fields", {"length": at, "fields": spans, "title": "fields written in the chain", "source": PRACTICE})
    codec = LayoutCodec.of(made)
    return LayoutCodec(name=step("fields", *specs), input=codec.input, output=codec.output, layout=made)


@cache
def builtin() -> tuple[Entry, ...]:
    """The rows for the built-in layouts, in the order of the files."""
    folder = Path(__file__).with_name("layouts")
    return tuple(
        entry
        for name in FILES
        for entry in layout_entries(tomllib.loads((folder / f"{name}.toml").read_text(encoding="utf-8")))
    )


ENTRIES = (
    Entry(
        name="fields", signature="NAME:BITS,…", title="fields one after the other, no check", source=PRACTICE,
        build=build_fields, usual=("facility:8,number:16", "number:32"),
        examples=(
            Example(
                args="facility:8,number:16", given="011110111011001001101110", gives="facility=123 number=45678"
            ),
        ),
    ),
)  # fmt: skip
