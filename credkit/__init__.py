"""Codecs for the identifiers on access cards: text to bits to fields, and back.

>>> import credkit
>>> card = credkit.decode("hex:8/right-justified:26/wiegand-26", "02F764DD")
>>> card["facility"], card["number"]
(123, 45678)
>>> credkit.convert("02F764DD", source="hex:8/right-justified:26/wiegand-26",
...                 target="split-decimal:8,16/fields:facility:8,number:16")
'123,45678'

Values            decode, encode, inspect, convert
Built once        chain, conversion, choice: codecs and conversions that are used many times
The catalogue     names, get; `credkit formats` on the command line
What is it?       identify, relate
A site's own      layout_entry, layout_entries, content_entries, map_entry, memory_entry, load_plan
A codec of yours  Codec, Entry, Example, PRACTICE, Shape, Field, TextField, Reading, Check, Note, Part
Chunks to frames  stream, LineSplitter; what they give: Stream, StreamSession, Frame
Types             Fields, FieldMapping, Value, Conversion, Step
Rows of a layout  CheckRow, CodedSpan, RemarkRow, ExampleRow, Span
Errors            CredkitError: DecodeError, EncodeError, DefinitionError, UnknownCodec

help(credkit.decode) shows one of them. Arrays are in credkit.bulk; credkit.discover derives unknown formats.
"""

from collections.abc import Sequence
from importlib import import_module
from typing import TYPE_CHECKING, Any

from credkit.core import hooks
from credkit.core.version import __version__ as __version__

if TYPE_CHECKING:
    from credkit import bulk as bulk
    from credkit import discover as discover
    from credkit.cards.entry import memory_entry
    from credkit.cards.plans import load_plan
    from credkit.catalogue.api import choice, conversion, convert, decode, encode, inspect
    from credkit.catalogue.registry import chain, get, names
    from credkit.codecs.contents import content_entries
    from credkit.codecs.fieldsteps import map_entry
    from credkit.codecs.frames import layout_entries, layout_entry
    from credkit.core.chains import Conversion as Conversion
    from credkit.core.codec import PRACTICE as PRACTICE
    from credkit.core.codec import Codec as Codec
    from credkit.core.codec import Entry as Entry
    from credkit.core.codec import Example as Example
    from credkit.core.errors import CredkitError as CredkitError
    from credkit.core.errors import DecodeError as DecodeError
    from credkit.core.errors import DefinitionError as DefinitionError
    from credkit.core.errors import EncodeError as EncodeError
    from credkit.core.errors import UnknownCodec as UnknownCodec
    from credkit.core.fields import FieldMapping as FieldMapping
    from credkit.core.fields import Fields as Fields
    from credkit.core.fields import Value as Value
    from credkit.core.reading import Check as Check
    from credkit.core.reading import Field as Field
    from credkit.core.reading import Note as Note
    from credkit.core.reading import Part as Part
    from credkit.core.reading import Reading as Reading
    from credkit.core.reading import Step as Step
    from credkit.core.reading import TextField as TextField
    from credkit.core.shapes import Shape as Shape
    from credkit.discover.relation import relate
    from credkit.explain.identification import identify
    from credkit.streams import Frame as Frame
    from credkit.streams import LineSplitter as LineSplitter
    from credkit.streams import Stream as Stream
    from credkit.streams import StreamSession as StreamSession
    from credkit.streams import stream
    from credkit.tables.layoutrows import CheckRow as CheckRow
    from credkit.tables.layoutrows import CodedSpan as CodedSpan
    from credkit.tables.layoutrows import ExampleRow as ExampleRow
    from credkit.tables.layoutrows import RemarkRow as RemarkRow
    from credkit.tables.layoutrows import Span as Span

_HOMES = {  # where the public names are; each is loaded when it is first used, so that importing credkit costs nothing
    "catalogue.api": ("choice", "conversion", "convert", "decode", "encode", "inspect"),
    "core.chains": ("Conversion",),
    "core.codec": ("PRACTICE", "Codec", "Entry", "Example"),
    "codecs.contents": ("content_entries",),
    "codecs.fieldsteps": ("map_entry",),
    "codecs.frames": ("layout_entries", "layout_entry"),
    "core.errors": ("CredkitError", "DecodeError", "DefinitionError", "EncodeError", "UnknownCodec"),
    "core.fields": ("FieldMapping", "Fields", "Value"),
    "cards.entry": ("memory_entry",),
    "cards.plans": ("load_plan",),
    "core.reading": ("Check", "Field", "Note", "Part", "Reading", "Step", "TextField"),
    "core.shapes": ("Shape",),
    "catalogue.registry": ("chain", "get", "names"),
    "explain.identification": ("identify",),
    "discover.relation": ("relate",),
    "tables.layoutrows": ("CheckRow", "CodedSpan", "ExampleRow", "RemarkRow", "Span"),
    "streams": ("Frame", "LineSplitter", "Stream", "StreamSession", "stream"),
}
__all__ = [  # the calls: what help(credkit) shows; classes fill it with what Python adds to them
    "chain",
    "choice",
    "content_entries",
    "conversion",
    "convert",
    "decode",
    "encode",
    "get",
    "identify",
    "inspect",
    "layout_entries",
    "layout_entry",
    "load_plan",
    "map_entry",
    "memory_entry",
    "names",
    "relate",
    "stream",
]


def _redact(texts: Sequence[str]) -> Sequence[str]:
    redact: hooks.Redact = import_module("credkit.privacy.accounts").redact_texts
    hooks.give(redact=redact, draw=_draw)  # the next texts find it there
    return redact(texts)


def _draw(value: object) -> str | None:
    drawn: str | None = import_module("credkit.privacy.pictures").draw_value(value)
    return drawn


hooks.give(redact=_redact, draw=_draw)


if not TYPE_CHECKING:  # a type checker would take any misspelt name for one that is loaded here

    def __getattr__(name: str) -> Any:
        if name in ("bulk", "discover"):  # packages; importing one puts it here
            return import_module(f"credkit.{name}")
        for home, homed in _HOMES.items():
            if name in homed:
                value = getattr(import_module(f"credkit.{home}"), name)
                globals()[name] = value
                return value
        raise AttributeError(f"module 'credkit' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(["__version__", "bulk", "discover", *(name for homed in _HOMES.values() for name in homed)])
