"""The catalogue: every codec credkit has, and how a written chain is built from it.

The catalogue is a literal tuple. A site's own rows are passed beside it (``codecs=``) and come
first, for that call only; there is nothing to register and nothing to undo.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import cache, lru_cache
from importlib import import_module
from inspect import signature
from itertools import chain as joined
from types import ModuleType

from credkit.core.chains import link
from credkit.core.codec import AnyCodec, Codec, Entry
from credkit.core.errors import DefinitionError, UnknownCodec
from credkit.core.grammar import StepText, parse
from credkit.core.sentences import nearest, redacted_repr

ELSEWHERE = {  # steps that need something of the site's, and where that is given
    "map": "map:TABLE,FIELD needs a list: [tables.TABLE] in a site file, or map_entry(...) in codecs= in Python",
    "memory": "memory:PLAN,RECORD needs a plan: [plans.NAME] in a site file, or memory_entry(...) in codecs= in Python",
    "choice": "a choice is a list of chains in a site file, or choice(...) in Python",
}
UNSUPPORTED = (
    "SIMPLE_ALPHA_NUMERIC", "CHUID", "CHUID_FULL", "USER_PASSWORD", "ABA_TRACK2", "FASC_N", "FASC_N_BCD",
    "FASC_N_LARGE", "FASC_N_LARGE_BCD", "CBEFF_A", "CBEFF_B", "CBEFF_C",
)  # fmt: skip


FAMILIES = {  # modules of credkit.codecs, each with the names of its ENTRIES: a family is loaded when one is needed
    "texts": ("strip", "last-digits"),
    "keyboards": ("keyboard",),
    "tracktexts": ("track",),
    "checkdigits": ("check-digit",),
    "notations": ("hex", "decimal", "signed-decimal", "binary", "split-decimal", "uuid"),
    "orders": (
        "reverse-bytes", "reverse-bits", "reverse-bits-in-bytes", "swap-nibbles", "invert", "right-justified",
        "left-justified", "keep-low", "keep-high", "slice",
    ),
    "crcs": (
        "crc-a", "crc-b", "crc-15693", "crc-16-ibm-3740", "crc-16-arc", "crc-32-iso-hdlc", "crc-8-smbus", "xor-byte",
    ),
    "uids": ("uid-a-levels", "uid-a-stored"),
    "cyclic": ("cyclic",),
    "stripe": ("track-1-bits", "track-2-bits", "track-3-bits"),
    "stored": ("characters", "bcd"),
    "dates": ("date", "day-count"),
    "ndef": ("tlv", "ndef"),
    "frames": ("data-of", "fields"),
    "fieldsteps": ("select", "offset", "digits"),
    "template": ("template", "animal-number"),
    "contents": ("track-1", "track-2", "track-3"),
}  # fmt: skip
IN_FILES = ("frames", "contents")  # families with further entries in TOML files
_HOMES = {name: family for family, names in FAMILIES.items() for name in names}


def _family(family: str) -> ModuleType:
    return import_module(f"credkit.codecs.{family}")


def _in_files() -> Iterator[Entry]:
    """The entries that stand in files; a file is read when it comes to it."""
    for family in IN_FILES:
        yield from _family(family).builtin()


@cache
def catalogue() -> tuple[Entry, ...]:
    """Every built-in entry, by family."""
    found: list[Entry] = []
    for family in FAMILIES:
        found += _family(family).ENTRIES
        found += _family(family).builtin() if family in IN_FILES else ()
    return tuple(found)


def names(codecs: Iterable[Entry] = ()) -> tuple[str, ...]:
    """The names of all codecs, a site's own first.

    >>> "wiegand-26" in names()
    True
    """
    return tuple(entry.name for entry in (*codecs, *catalogue()))


def find(name: str, codecs: Iterable[Entry] = ()) -> Entry | None:
    """The entry called ``name``, or by that name in an open standard, a site's own first; None if there is none.

    >>> find("weigand-26") is None
    True
    """
    builtin = _family(_HOMES[name]).ENTRIES if name in _HOMES else _in_files()
    entries = joined(codecs, builtin)
    return next((entry for entry in entries if name == entry.name or name in entry.aliases), None)


def get(name: str, codecs: Iterable[Entry] = ()) -> Entry:
    """The entry called ``name``, or by that name in an open standard; raises `UnknownCodec`.

    >>> get("wiegand-26").source
    'SIA AC-01 (1996), 26-bit Wiegand reader interface'
    >>> get("weigand-26")
    Traceback (most recent call last):
    credkit.UnknownCodec: no codec is called 'weigand-26'; did you mean wiegand-26?
    """
    if not isinstance(name, str):
        raise UnknownCodec(f"a codec's name is a text, not {redacted_repr(name)}")
    own = tuple(codecs)
    for entry in own:
        if any(entry.name == other.name for other in catalogue()):
            raise DefinitionError(f"the site's own {entry.name} has the name of a built-in codec: choose another name")
    found = find(name, own)
    if found is not None:
        return found
    if name in ELSEWHERE:
        raise UnknownCodec(ELSEWHERE[name])
    if name in UNSUPPORTED:
        raise UnknownCodec(f"{name} is a format name of ANSI/ASHRAE 135 Annex P that credkit does not read")
    near = nearest(name, names(own)) or " (a site's own layouts: --layouts FILE, or codecs= in Python)"
    raise UnknownCodec(f"no codec is called {redacted_repr(name)}{near}")


def build(step: StepText, codecs: Iterable[Entry] = ()) -> AnyCodec:
    """The codec that one written step names; raises `DefinitionError` for arguments it cannot have."""
    entry = get(step.name, codecs)
    try:
        signature(entry.build).bind(*step.args)
    except TypeError:
        wanted = f"{entry.name}:{entry.signature}" if entry.signature else entry.name
        found = f"with the arguments {redacted_repr(','.join(step.args))}" if step.args else "without arguments"
        raise DefinitionError(f"{entry.name}: is written {wanted}, not {found}") from None
    return entry.build(*step.args)


@lru_cache(maxsize=1024)
def _built(text: str) -> AnyCodec:
    return link([build(step) for step in parse(text)])


def chain(text: str | AnyCodec, codecs: Iterable[Entry] = ()) -> AnyCodec:
    """The codec for a written chain; a codec is returned as it is.

    Raises `UnknownCodec` or `DefinitionError`.

    >>> chain("hex:8/right-justified:26/wiegand-26").schema["facility"].most
    255
    """
    if isinstance(text, Codec):
        return text
    if not isinstance(text, str):
        raise DefinitionError(f"a chain is a text or a Codec, not {redacted_repr(text)}")
    codecs = tuple(codecs)
    return link([build(step, codecs) for step in parse(text)]) if codecs else _built(text)
