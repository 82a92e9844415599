"""Keypad bursts, joined to the digits that were typed.

A keypad sends each key as a burst of its own. Digits collect until ``#`` (key 11) enters them;
``*`` (key 10) clears what was typed. A burst that cannot be read makes its whole entry void.

Source: common practice, no source.

>>> typed = stream("keypad:hex:1/keypad-4")
>>> [(frame.value, frame.covers) for frame in typed(["1", "2", "B"])]
[('12', (0, 1, 2))]
>>> [frame.problem for frame in typed(["1", "A", "4"])]
['cleared after 1 digit', 'not entered: 1 digit and no #']
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import partial

from credkit.catalogue.own import Codecs
from credkit.catalogue.registry import chain
from credkit.core.codec import AnyCodec
from credkit.core.errors import DecodeError, DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.streams.frame import Frame, Stream

CLEAR, ENTER = 10, 11


def stream(text: str, codecs: Codecs = ()) -> Stream:
    """The stream that ``text`` names: ``keypad:CHAIN``, where CHAIN reads one burst to the field ``key``.

    Raises `DefinitionError` for a chain that does not.
    """
    _, _, burst = text.partition(":")
    codec = chain(burst, codecs)
    if codec.takes != "text" or set(codec.schema) != {"key"}:
        raise DefinitionError(f"stream {redacted_repr(text)}: {codec.name} does not read a text to the field key")
    return partial(entries, codec)


def entries(codec: AnyCodec, chunks: Iterable[str]) -> Iterator[Frame]:
    """The entries typed in ``chunks``, each a burst that ``codec`` reads to one key."""
    digits, garbled = "", None
    covers: list[int] = []
    for index, chunk in enumerate(chunks):
        covers.append(index)
        try:
            key = codec.decode(chunk)["key"]
        except DecodeError as error:
            garbled = garbled or str(error)  # a digit may be missing: the whole entry is void
            continue
        if key < CLEAR:
            digits += str(key)
            continue
        if key == CLEAR:
            yield Frame(value=None, covers=tuple(covers), problem=f"cleared after {_count(digits)}")
        elif garbled or not digits:
            yield Frame(value=None, covers=tuple(covers), problem=garbled or "entered with no digit before it")
        else:
            yield Frame(value=digits, covers=tuple(covers))
        digits, garbled, covers = "", None, []
    if covers:
        yield Frame(value=None, covers=tuple(covers), problem=f"not entered: {_count(digits)} and no #")


def _count(digits: str) -> str:
    return f"{len(digits)} digit{'s' * (len(digits) != 1)}"
