"""Bit frames: layouts that stand in TOML, ours and a site's alike.

The built-in ones are in ``layouts/*.toml``; `layout_entries` makes catalogue rows of any table of
definitions with the same schema (`credkit.tables.definition`). ``fields:facility:8,number:16`` is
a layout without a name, written in the chain, for numbers that come without parity.

A passed parity says that a frame was not garbled in a simple way; it does not say that a card is
genuine.

>>> [entry.name for entry in builtin_entries()][:2]
['wiegand-26', 'wiegand-34']
>>> frame = build_fields("facility:8", "number:16")
>>> from bitstring import Bits
>>> dict(frame.decode(Bits("0x7BB26E")))
{'facility': 123, 'number': 45678}
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cache, partial
from pathlib import Path
from typing import Any

from bitstring import Bits

from credkit.codecs.arguments import parse_whole_number
from credkit.core.codec import PRACTICE, AnyCodec, Entry, Example
from credkit.core.errors import DefinitionError
from credkit.core.fields import with_ints
from credkit.core.frozen import FrozenMapping
from credkit.core.grammar import format_step
from credkit.core.sentences import redacted_repr
from credkit.core.spans import MAX_NUMBER_BITS
from credkit.tables.definition import layout
from credkit.tables.layout import Layout, LayoutCodec
from credkit.tables.layoutrows import CheckRow, CodedSpan, ExampleRow, FixedSpans, RemarkRow, Span

BUILTIN_FILES = ("wiegand", "serial", "keypad", "open", "contactless", "memory", "forum")
NOTHING_FIXED: FixedSpans = FrozenMapping({})
CARD_MEMORY_FILES = (
    "memory",
    "forum",
)  # what cards keep inside: no reader types it, so an unknown text is not tried as that


def layout_entries(definitions: Mapping[str, Any]) -> tuple[Entry, ...]:
    """A catalogue row for every layout in ``definitions``, a table as read from TOML.

    >>> rows = layout_entries({"gate-4": {"length": 4, "fields": {"number": "0-3"}}})
    >>> rows[0].build().schema["number"].most
    15
    """
    if not isinstance(definitions, Mapping):
        raise DefinitionError(f"layouts: a table of definitions by name is needed, not {redacted_repr(definitions)}")
    return tuple(_proven(name, table) for name, table in definitions.items())


def layout_entry(
    name: str,
    *,
    length: int,
    fields: Mapping[str, Span | CodedSpan],
    checks: Sequence[CheckRow] = (),
    fixed: FixedSpans = NOTHING_FIXED,
    remarks: Sequence[RemarkRow] = (),
    examples: Sequence[ExampleRow] = (),
    title: str = "",
    source: str = "",
    aliases: Sequence[str] = (),
) -> Entry:
    """A catalogue row for one layout, for ``codecs=``: what a table in a file of layouts says, in Python.

    A span counts bits from 0, the first one sent, and is a text as in a file (``"1-8"``), one position, a pair of
    first and last position (``(1, 8)``), a range, or a tuple of pairs and ranges. Its first position is the most
    significant bit: the downward ``(28, 0)`` is least significant bit first.

    Raises `DefinitionError`, in the sentences that a file earns, for bits that belong to nothing or twice, a check over
    a later one, an example that does not hold, and every other fault.

    ========  =======================================================================================================
    fields    each name with its span, or with ``bits``, ``code`` (``binary``, ``bcd``) and ``most``
    checks    rows of ``bit`` or ``bits`` (where the check stands), perhaps ``rule`` (its name), and one of
              ``even``, ``odd`` (the span it covers), ``xor`` (a list of spans), ``complement`` (a span),
              ``sum`` (a list of spans, perhaps with ``add``, ``negate`` and ``modulus``),
              ``crc`` (a span, with ``poly``, ``init``, ``xorout``, or with ``algorithm`` such as ``crc-b``)
    fixed     each span with its binary digits
    remarks   rows of ``field`` or ``bits``, ``text``, and perhaps ``values``, ``level`` (``info``, ``care``,
              ``refuse``), ``kind``, ``times`` and ``unit``
    examples  rows of ``bits`` (binary digits) and ``fields`` (names and numbers)
    ========  =======================================================================================================

    The badges of Brackwater Terminal's old pier: a site of 5 bits, a number of 22, a parity bit at each end.

    >>> pier = layout_entry(
    ...     "pier-29", length=29, title="29 bits: site, number, two parity bits",
    ...     fields={"site": (1, 5), "number": range(6, 28)},
    ...     checks=[{"bit": 0, "even": (1, 13)}, {"bit": 28, "odd": (14, 27)}],
    ...     examples=[{"bits": "00011100000010110010011011101", "fields": {"site": 7, "number": 45678}}],
    ... )
    >>> from credkit import decode
    >>> decode("binary/pier-29", "00011100000010110010011011101", codecs=pier)
    Fields(site=7, number=45678)
    >>> layout_entry("gate-3", length=3, fields={"number": (0, 1)})
    Traceback (most recent call last):
    credkit.DefinitionError: layout gate-3: bit 2 belongs to no field, fixed bits or check
    """
    definition = {
        "length": length, "fields": fields, "checks": checks, "fixed": fixed, "remarks": remarks,
        "examples": examples, "title": title or name, "source": source, "aliases": aliases,
    }  # fmt: skip
    rows = {key: list(value) if isinstance(value, tuple) else value for key, value in definition.items()}
    return _proven(name, with_ints(rows))


def _proven(name: str, table: Mapping[str, Any]) -> Entry:
    """The row for one layout whose examples hold."""
    made = layout(name, table)
    _verify_examples(LayoutCodec.for_layout(made), table.get("examples", ()))
    return _entry(made, table)


def _verify_examples(codec: LayoutCodec, examples: Sequence[Mapping[str, Any]]) -> None:
    """Raise `DefinitionError` for an example that does not hold."""
    for row in examples:
        reading = codec.inspect(Bits.from_string(f"0b{row['bits']}"))
        if reading.failed or reading.value != row["fields"]:
            found = reading.failed.sentence() if reading.failed else redacted_repr(reading.value)
            raise DefinitionError(
                f"layout {codec.name}: the example {redacted_repr(row['fields'])} does not hold: {found}"
            )


def _entry(made: Layout, table: Mapping[str, Any]) -> Entry:
    codec = LayoutCodec.for_layout(made)
    examples = (
        Example(given=row["bits"], gives=" ".join(f"{name}={item}" for name, item in row["fields"].items()))
        for row in table.get("examples", ())
    )
    return Entry(
        name=made.name, title=made.title, source=made.source or "defined by the site",
        examples=tuple(examples), build=partial(_build, codec), aliases=tuple(table.get("aliases", ())),
    )  # fmt: skip


def _build(codec: LayoutCodec, *args: str) -> AnyCodec:
    if args:
        raise DefinitionError(f"{codec.name}: takes no arguments, not {redacted_repr(','.join(args))}")
    return codec


def build_fields(*specs: str) -> AnyCodec:
    """``fields:NAME:BITS,…``: fields one after the other, most significant bit first, no check."""
    spans, at = {}, 0
    for spec in specs:
        name, colon, width = spec.partition(":")
        if not colon or name in spans:
            problem = "appears twice" if colon else "is not a field such as number:16"
            raise DefinitionError(f"fields: {redacted_repr(spec)} {problem}")
        size = parse_whole_number("fields", f"the bits of {name}", width)
        spans[name] = f"{at}-{at + size - 1}"
        at += size
    if not spans or at > MAX_NUMBER_BITS:
        raise DefinitionError(
            f"fields: 1 to {MAX_NUMBER_BITS} bits are needed, such as fields:facility:8,number:16, not {at}"
        )
    made = layout("fields", {"length": at, "fields": spans, "title": "fields written in the chain", "source": PRACTICE})
    codec = LayoutCodec.for_layout(made)
    return LayoutCodec(name=format_step("fields", *specs), input=codec.input, output=codec.output, layout=made)


def builtin_entries() -> Iterator[Entry]:
    """The rows for the built-in layouts; a file of them is read when it comes to it. Tests prove their examples."""
    for file in BUILTIN_FILES:
        yield from file_entries(file)


@cache
def file_entries(file: str) -> tuple[Entry, ...]:
    """The rows for the built-in layouts of one of `BUILTIN_FILES`.

    >>> file_entries("keypad")[0].name
    'keypad-4'
    """
    path = Path(__file__).with_name("layouts") / f"{file}.toml"
    entries = [
        _entry(layout(name, table), table) for name, table in tomllib.loads(path.read_text(encoding="utf-8")).items()
    ]
    return tuple(replace(entry, usual=()) if file in CARD_MEMORY_FILES else entry for entry in entries)


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
