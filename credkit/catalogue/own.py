"""A site's own codecs: what ``codecs=`` takes, everywhere."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import partial
from typing import NoReturn, TypeAlias

from credkit.core.codec import AnyCodec, Codec, Entry
from credkit.core.errors import DefinitionError
from credkit.core.grammar import CODEC_NAME
from credkit.core.sentences import redacted_repr

Codecs: TypeAlias = Entry | AnyCodec | Iterable[Entry | AnyCodec]  # what ``codecs=`` takes
SITE = "defined by the site"  # the source of an entry made of a codec


class SameObjects(tuple[int, ...]):
    """The items of a ``codecs=`` as the key of a cache: their ids, so equal to the very same items in the same order.

    The cache holds the key, so the items live as long as what was made of them, and no id is used twice.
    """

    items: tuple[Entry | AnyCodec, ...]

    @classmethod
    def of(cls, items: tuple[Entry | AnyCodec, ...]) -> SameObjects:
        """The key for ``items``."""
        same = cls(map(id, items))
        same.items = items
        return same


def own_items(codecs: Codecs) -> tuple[Entry | AnyCodec, ...]:
    """What was passed as ``codecs=``, one or several, as a tuple; its items are not checked yet."""
    if isinstance(codecs, tuple):
        return codecs
    if isinstance(codecs, Entry | Codec):
        return (codecs,)
    if isinstance(codecs, str | bytes | Mapping) or not isinstance(codecs, Iterable):
        _refuse(codecs)
    return tuple(codecs)


def own_entries(codecs: Codecs) -> tuple[Entry, ...]:
    """The entries that ``codecs`` stands for; a codec is named in a chain as it names itself.

    Raises `DefinitionError` for anything else, and for two different codecs of one name.

    >>> from credkit.codecs.frames import layout_entries
    >>> rows = layout_entries({"gate-4": {"length": 4, "fields": {"number": "0-3"}}})
    >>> [own_entries(given)[0].name for given in (rows, rows[0], rows[0].build(), iter(rows))]
    ['gate-4', 'gate-4', 'gate-4', 'gate-4']
    >>> own_entries("gate-4")
    Traceback (most recent call last):
    credkit.DefinitionError: codecs= takes an Entry, a Codec or several of them, not 'gate-4'
    """
    items: dict[str, Entry | AnyCodec] = {}
    entries: list[Entry] = []
    for item in own_items(codecs):
        entry = item if isinstance(item, Entry) else _entry(item)
        if items.setdefault(entry.name, item) != item:
            raise DefinitionError(f"codecs= has two different codecs called {redacted_repr(entry.name)}")
        entries.append(entry)
    return tuple(entries)


def _entry(codec: AnyCodec) -> Entry:
    """The entry of a codec that was passed as it is."""
    if not isinstance(codec, Codec):
        _refuse(codec)
    if not CODEC_NAME.fullmatch(codec.name):
        raise DefinitionError(
            f"codecs= has the codec {redacted_repr(codec.name)}, which is not the name of one step (small letters, "
            "digits, hyphens): an Entry can give it one"
        )
    return Entry(name=codec.name, title=codec.name, source=SITE, build=partial(_itself, codec), examples=())


def _itself(codec: AnyCodec) -> AnyCodec:
    """The codec; in a `functools.partial`, how an entry builds it."""
    return codec


def _refuse(found: object) -> NoReturn:
    hint = "; layout_entries(...) makes entries of a table of layouts" if isinstance(found, Mapping) else ""
    raise DefinitionError(f"codecs= takes an Entry, a Codec or several of them, not {redacted_repr(found)}{hint}")
