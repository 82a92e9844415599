"""Swipes cut out of a long record of bits, as a clock-and-data line or a bare head gives it.

Chunks of the record are joined, whatever lies where one ends and the next begins, and cut where
more zeros follow each other than can stand within a track. What is cut out is not judged here: it
may be a track, forwards or backwards, or noise.

Source: common practice, no source.

>>> record = "00000000011010000011", "11100100000000000000", "00110101000011111001010000000"
>>> [(frame.value, frame.covers) for frame in stream("swipes:binary")(record)]
[('00000011010000011111001000000', (0, 1)), ('00000011010100001111100101000000', (2,))]
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from functools import partial

from credkit.catalogue.own import Codecs
from credkit.catalogue.registry import chain
from credkit.core.codec import AnyCodec
from credkit.core.errors import DecodeError, DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.core.spans import LIMIT
from credkit.streams.frame import Frame, Stream
from credkit.tables.characters import ALPHANUMERIC
from credkit.tables.swipes import gap

GAP = gap(ALPHANUMERIC)  # zeros that part two swipes; the wider characters can have more of them in a row
EDGE = ALPHANUMERIC.width - 1  # zeros left at the ends of a swipe: they may belong to its characters
LONGEST = LIMIT // 2  # bits of a swipe; one that is longer is noise, and cut there


def stream(text: str, codecs: Codecs = ()) -> Stream:
    """The stream that ``text`` names: ``swipes:CHAIN``, where CHAIN reads a chunk of the record to bits.

    Raises `DefinitionError` for a chain that does not.
    """
    _, _, chunk = text.partition(":")
    codec = chain(chunk, codecs)
    if (codec.takes, codec.gives) != ("text", "bits"):
        raise DefinitionError(f"stream {redacted_repr(text)}: {codec.name} does not read a text to bits")
    return partial(swipes, codec)


def swipes(codec: AnyCodec, chunks: Iterable[str]) -> Iterator[Frame]:
    """The swipes in ``chunks``, each a text that ``codec`` reads to bits; a value is binary digits.

    A chunk belongs to every swipe that it holds a 1 of. Chunks of nothing but zeros, and chunks
    that cannot be read, make frames of their own; the latter end the swipe before them.
    """
    begun, zeros = "", 0
    covers: list[int] = []
    for index, text in enumerate(chunks):
        try:
            bits = codec.decode(text).bin
        except DecodeError as error:
            yield from _frame(begun, zeros, covers)
            begun, zeros, covers = "", 0, []
            yield Frame(value=None, covers=(index,), problem=str(error))
            continue
        at = 0
        for ones in re.finditer("1+", bits):
            zeros += ones.start() - at
            if begun and (zeros >= GAP or len(begun) + zeros > LONGEST):
                yield from _frame(begun, zeros, covers)
                begun, covers = "", []
            begun += "0" * (zeros if begun else min(zeros, EDGE)) + ones.group()
            zeros, at = 0, ones.end()
            if covers[-1:] != [index]:
                covers.append(index)
        zeros += len(bits) - at
        if zeros >= GAP:
            yield from _frame(begun, zeros, covers)
            begun, covers = "", []
        if not at:
            yield Frame(value=None, covers=(index,), problem="nothing but zeros: no swipe")
    yield from _frame(begun, zeros, covers)


def _frame(begun: str, zeros: int, covers: list[int]) -> Iterator[Frame]:
    if begun:
        yield Frame(value=begun + "0" * min(zeros, EDGE), covers=tuple(covers))
