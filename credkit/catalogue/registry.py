"""The catalogue: every codec credkit has, and how a written chain is built from it.

The catalogue is a literal tuple. A site's own codecs are passed beside it (``codecs=``) and come
first, for that call only; there is nothing to register and nothing to undo. A chain that was built once
with the very same codecs is found again.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache, lru_cache
from importlib import import_module
from inspect import signature
from types import ModuleType
from typing import Any, Literal, TypeAlias, overload

from bitstring import Bits

from credkit.catalogue.index import INDEX, IndexRow, find_row
from credkit.catalogue.own import Codecs, SameObjects, own_entries, own_items
from credkit.catalogue.stated import Record, check_stated
from credkit.core.chains import link
from credkit.core.codec import AnyCodec, Codec, Entry, In, Out
from credkit.core.contract import slip_error
from credkit.core.errors import CredkitError, DefinitionError, UnknownCodec
from credkit.core.fields import FieldMapping
from credkit.core.forms import Form
from credkit.core.grammar import StepText, parse_chain
from credkit.core.sentences import nearest, redacted_repr

Chainlike: TypeAlias = str | AnyCodec
AsText: TypeAlias = Literal["text"]
AsBits: TypeAlias = Literal["bits"]
AsFields: TypeAlias = Literal["fields"]
ELSEWHERE = {  # steps that need something of the site's, and where that is given
    "map": "map:TABLE,FIELD needs a list: [tables.TABLE] in a site file, or map_entry(...) in codecs= in Python",
    "memory": "memory:PLAN,RECORD needs a plan: [plans.NAME] in a site file, or memory_entry(...) in codecs= in Python",
    "choice": "a choice is a list of chains in a site file, or choice(...) in Python",
}
UNSUPPORTED = (
    "SIMPLE_ALPHA_NUMERIC", "CHUID", "CHUID_FULL", "USER_PASSWORD", "ABA_TRACK2", "FASC_N", "FASC_N_BCD",
    "FASC_N_LARGE", "FASC_N_LARGE_BCD", "CBEFF_A", "CBEFF_B", "CBEFF_C",
)  # fmt: skip

BUILT_IN = frozenset(row.name for row in INDEX)
FAMILIES = (  # modules of credkit.codecs, in the order of the catalogue; docs/generate.py indexes their entries
    "texts", "keyboards", "tracktexts", "checkdigits", "notations", "orders", "crcs", "uids", "cyclic", "stripe",
    "stored", "dates", "ndef", "dataof", "frames", "fieldsteps", "template", "contents",
)  # fmt: skip


def _family(family: str) -> ModuleType:
    return import_module(f"credkit.codecs.{family}")


def entries_of(family: str, file: str = "") -> tuple[Entry, ...]:
    """The entries that stand in the module of a family, or in a TOML file of it.

    >>> [entry.name for entry in entries_of("tracktexts")], entries_of("frames", "keypad")[0].name
    (['track'], 'keypad-4')
    """
    module = _family(family)
    entries: tuple[Entry, ...] = module.file_entries(file) if file else module.ENTRIES
    return entries


def _places() -> Iterator[tuple[str, str]]:
    """Where entries stand: the module of a family, then its files."""
    for family in FAMILIES:
        for file in ("", *getattr(_family(family), "BUILTIN_FILES", ())):
            yield family, file


@cache
def catalogue() -> tuple[Entry, ...]:
    """Every built-in entry, by family."""
    return tuple(entry for family, file in _places() for entry in entries_of(family, file))


def names(codecs: Codecs = ()) -> tuple[str, ...]:
    """The names of all codecs, a site's own first.

    >>> "wiegand-26" in names()
    True
    """
    return (*(entry.name for entry in own_entries(codecs)), *(row.name for row in INDEX))


def find(name: str, codecs: Codecs = ()) -> Entry | None:
    """The entry called ``name``, or by that name in an open standard, a site's own first; None if there is none.

    >>> find("weigand-26") is None
    True
    """
    row = find_row(name)
    entries = (*own_entries(codecs), *(entries_of(row.family, row.file) if row else ()))
    return next((entry for entry in entries if name == entry.name or name in entry.aliases), None)


def get(name: str, codecs: Codecs = ()) -> Entry:
    """The entry called ``name``, or by that name in an open standard; raises `UnknownCodec`.

    >>> get("wiegand-26").source
    'SIA AC-01 (1996), 26-bit Wiegand reader interface'
    >>> get("weigand-26")
    Traceback (most recent call last):
    credkit.UnknownCodec: no codec is called 'weigand-26'; did you mean wiegand-26?
    """
    if not isinstance(name, str):
        raise UnknownCodec(f"a codec's name is a text, not {redacted_repr(name)}")
    own = own_entries(codecs)
    for entry in own:
        if entry.name in BUILT_IN:
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


def build(step: StepText, codecs: Codecs = ()) -> AnyCodec:
    """The codec that one written step names; raises `DefinitionError` for arguments it cannot have."""
    entry = get(step.name, codecs)
    try:
        signature(entry.build).bind(*step.args)
    except (TypeError, ValueError):
        wanted = f"{entry.name}:{entry.signature}" if entry.signature else entry.name
        found = f"with the arguments {redacted_repr(','.join(step.args))}" if step.args else "without arguments"
        raise DefinitionError(f"{entry.name}: is written {wanted}, not {found}") from None
    try:
        codec = entry.build(*step.args)
    except CredkitError:
        raise
    except Exception as error:
        raise slip_error(entry.name, "build", error) from error
    if not isinstance(codec, Codec):
        raise DefinitionError(f"codec {entry.name} is broken: build returns {redacted_repr(codec)}, not a Codec")
    return codec


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


def index_row(entry: Entry, family: str = "", file: str = "") -> IndexRow:
    """What the index says of ``entry``, which stands in ``file`` of ``family``; a site's own stands in neither.

    >>> index_row(get("hex")).takes, index_row(get("hex")).gives
    ('text', 'bits')
    """
    codec = sample(entry)
    return IndexRow(
        family=family, file=file, name=entry.name, signature=entry.signature,
        takes=codec.takes if codec else "", gives=codec.gives if codec else "",
        aliases=entry.aliases, title=entry.title,
    )  # fmt: skip


def full_index() -> tuple[IndexRow, ...]:
    """The index as the catalogue has it; `INDEX` is written from this.

    >>> full_index() == INDEX
    True
    """
    return tuple(index_row(entry, family, file) for family, file in _places() for entry in entries_of(family, file))


@lru_cache(maxsize=1024)
def _built(text: str) -> AnyCodec:
    return link([_built_step(step) for step in parse_chain(text)])


@lru_cache(maxsize=1024)
def _built_step(step: StepText) -> AnyCodec:
    """The codec of a step of the catalogue, shared by all chains that have the step."""
    return build(step)


@lru_cache(maxsize=128)  # few, as each keeps its codecs alive, the lists in them included
def _built_with(text: str, same: SameObjects) -> AnyCodec:
    own = own_entries(same.items)
    return link([build(step, own) for step in parse_chain(text)])


# One overload for each pair of forms: a type checker gets a type from a Literal in no other way. Classes as arguments,
# ``takes=str, gives=Bits``, would need a single signature, but the type of fields, a Mapping, is abstract: no argument.


@overload
def chain(text: str, codecs: Codecs = (), *, takes: None = None, gives: None = None) -> AnyCodec: ...
@overload
def chain(text: Codec[In, Out], codecs: Codecs = (), *, takes: None = None, gives: None = None) -> Codec[In, Out]: ...
@overload
def chain(text: Chainlike, codecs: Codecs = (), *, takes: AsText, gives: AsText) -> Codec[str, str]: ...
@overload
def chain(text: Chainlike, codecs: Codecs = (), *, takes: AsText, gives: AsBits) -> Codec[str, Bits]: ...
@overload
def chain(text: Chainlike, codecs: Codecs = (), *, takes: AsText, gives: AsFields) -> Codec[str, FieldMapping]: ...
@overload
def chain(text: Chainlike, codecs: Codecs = (), *, takes: AsText, gives: type[Record]) -> Codec[str, Record]: ...
@overload
def chain(text: Chainlike, codecs: Codecs = (), *, takes: AsBits, gives: AsText) -> Codec[Bits, str]: ...
@overload
def chain(text: Chainlike, codecs: Codecs = (), *, takes: AsBits, gives: AsBits) -> Codec[Bits, Bits]: ...
@overload
def chain(text: Chainlike, codecs: Codecs = (), *, takes: AsBits, gives: AsFields) -> Codec[Bits, FieldMapping]: ...
@overload
def chain(text: Chainlike, codecs: Codecs = (), *, takes: AsBits, gives: type[Record]) -> Codec[Bits, Record]: ...
@overload
def chain(text: Chainlike, codecs: Codecs = (), *, takes: AsFields, gives: AsText) -> Codec[FieldMapping, str]: ...
@overload
def chain(text: Chainlike, codecs: Codecs = (), *, takes: AsFields, gives: AsBits) -> Codec[FieldMapping, Bits]: ...
@overload
def chain(
    text: Chainlike, codecs: Codecs = (), *, takes: AsFields, gives: AsFields
) -> Codec[FieldMapping, FieldMapping]: ...
@overload
def chain(
    text: Chainlike, codecs: Codecs = (), *, takes: AsFields, gives: type[Record]
) -> Codec[FieldMapping, Record]: ...


def chain(
    text: Chainlike, codecs: Codecs = (), *, takes: Form | None = None, gives: Form | type[Any] | None = None
) -> AnyCodec:
    """The codec for a written chain; a codec is returned as it is.

    ``takes`` and ``gives`` state the forms of its values, "text", "bits" or "fields", for type checkers, and are
    checked here; a TypedDict class as ``gives`` states the fields, each an int or a str. What ``decode`` returns is
    a `Fields` then, too: a mapping with these keys that cannot be changed. ``codecs`` are a site's own: an `Entry`,
    a `Codec`, or several of them.

    Raises `UnknownCodec` or `DefinitionError`.

    >>> chain("hex:8/right-justified:26/wiegand-26").schema["facility"].most
    255
    >>> from typing import TypedDict
    >>> Badge = TypedDict("Badge", {"facility": int, "number": int})
    >>> badge = chain("hex:8/right-justified:26/wiegand-26", takes="text", gives=Badge)
    >>> badge.decode("02F764DD")["number"]
    45678
    >>> chain("hex:8", takes="text", gives=Badge)
    Traceback (most recent call last):
    credkit.DefinitionError: chain hex:8: gives bits, not fields as stated
    """
    codec = _chain(text, codecs)
    if takes is not None or gives is not None:
        check_stated(codec, takes, gives)
    return codec


def _chain(text: Chainlike, codecs: Codecs) -> AnyCodec:
    if isinstance(text, Codec):
        return text
    if not isinstance(text, str):
        raise DefinitionError(f"a chain is a text or a Codec, not {redacted_repr(text)}")
    items = own_items(codecs)
    if not items:
        return _built(text)
    same = SameObjects.of(items)
    if any(isinstance(item, Entry) and item.holds_key for item in items):
        return _built_with.__wrapped__(text, same)
    return _built_with(text, same)
