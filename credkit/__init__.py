"""credkit: codecs for the identifiers on access cards. Text to bits to fields, and back.

>>> import credkit
>>> card = credkit.decode("hex:8/right-justified:26/wiegand-26", "02F764DD")
>>> card["facility"], card["number"]
(123, 45678)
>>> credkit.convert("02F764DD", source="hex:8/right-justified:26/wiegand-26",
...                 target="split-decimal:8,16/fields:facility:8,number:16")
'123,45678'

The public names are loaded when they are first used, so that importing credkit costs nothing.
"""

from collections.abc import Sequence
from importlib import import_module
from typing import TYPE_CHECKING, Any

from credkit.core import hooks
from credkit.core.version import __version__ as __version__

if TYPE_CHECKING:
    from credkit.cards.entry import memory_entry
    from credkit.cards.plans import load_plan
    from credkit.catalogue.api import choice, conversion, convert, decode, encode, inspect
    from credkit.catalogue.registry import chain, get, names
    from credkit.codecs.contents import content_entries
    from credkit.codecs.fieldsteps import map_entry
    from credkit.codecs.frames import layout_entries, layout_entry
    from credkit.core.codec import Codec, Entry, Example
    from credkit.core.errors import CredkitError, DecodeError, DefinitionError, EncodeError, UnknownCodec
    from credkit.core.reading import Check, Field, Note, Part, Reading, Step, TextField
    from credkit.explain.identification import identify
    from credkit.explain.relation import relate

_HOMES = {
    "catalogue.api": ("choice", "conversion", "convert", "decode", "encode", "inspect"),
    "core.codec": ("Codec", "Entry", "Example"),
    "codecs.contents": ("content_entries",),
    "codecs.fieldsteps": ("map_entry",),
    "codecs.frames": ("layout_entries", "layout_entry"),
    "core.errors": ("CredkitError", "DecodeError", "DefinitionError", "EncodeError", "UnknownCodec"),
    "cards.entry": ("memory_entry",),
    "cards.plans": ("load_plan",),
    "core.reading": ("Check", "Field", "Note", "Part", "Reading", "Step", "TextField"),
    "catalogue.registry": ("chain", "get", "names"),
    "explain.identification": ("identify",),
    "explain.relation": ("relate",),
}
__all__ = [
    "Check",
    "Codec",
    "CredkitError",
    "DecodeError",
    "DefinitionError",
    "EncodeError",
    "Entry",
    "Example",
    "Field",
    "Note",
    "Part",
    "Reading",
    "Step",
    "TextField",
    "UnknownCodec",
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
]


def _redact(texts: Sequence[str]) -> Sequence[str]:
    redacted: Sequence[str] = import_module("credkit.privacy.accounts").redacted(texts)
    return redacted


def _draw(value: object) -> str | None:
    drawn: str | None = import_module("credkit.privacy.pictures").svg_of(value)
    return drawn


hooks.give(redact=_redact, draw=_draw)


def __getattr__(name: str) -> Any:
    for home, homed in _HOMES.items():
        if name in homed:
            value = getattr(import_module(f"credkit.{home}"), name)
            globals()[name] = value
            return value
    raise AttributeError(f"module 'credkit' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
