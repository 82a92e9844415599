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

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from credkit.api import choice, conversion, convert, decode, encode, inspect
    from credkit.codec import Codec, Entry, Example
    from credkit.codecs.contents import content_entries
    from credkit.codecs.fieldsteps import map_entry
    from credkit.codecs.frames import layout_entries
    from credkit.errors import CredkitError, DecodeError, DefinitionError, EncodeError, UnknownCodec
    from credkit.memory.entry import memory_entry
    from credkit.memory.plans import load_plan
    from credkit.reading import Check, Field, Note, Part, Reading, Step, TextField
    from credkit.registry import chain, get, names
    from credkit.search.identification import identify
    from credkit.search.relation import relate

__version__ = "0.1.0"

_HOMES = {
    "api": ("choice", "conversion", "convert", "decode", "encode", "inspect"),
    "codec": ("Codec", "Entry", "Example"),
    "codecs.contents": ("content_entries",),
    "codecs.fieldsteps": ("map_entry",),
    "codecs.frames": ("layout_entries",),
    "errors": ("CredkitError", "DecodeError", "DefinitionError", "EncodeError", "UnknownCodec"),
    "memory.entry": ("memory_entry",),
    "memory.plans": ("load_plan",),
    "reading": ("Check", "Field", "Note", "Part", "Reading", "Step", "TextField"),
    "registry": ("chain", "get", "names"),
    "search.identification": ("identify",),
    "search.relation": ("relate",),
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
    "load_plan",
    "map_entry",
    "memory_entry",
    "names",
    "relate",
]


def __getattr__(name: str) -> Any:
    for home, homed in _HOMES.items():
        if name in homed:
            from importlib import import_module

            value = getattr(import_module(f"credkit.{home}"), name)
            globals()[name] = value
            return value
    raise AttributeError(f"module 'credkit' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
