"""Swipes cut out of a long record of bits, as a clock-and-data line or a bare head gives it.

Chunks of the record are joined, whatever lies where one ends and the next begins, and cut where
more zeros follow each other than can stand within a track. What is cut out is not judged here: it
may be a track, forwards or backwards, or noise.

A chunk belongs to every swipe that it holds a 1 of. Chunks of nothing but zeros, and chunks that
cannot be read, make frames of their own; the latter end the swipe before them.

Source: common practice, no source.

>>> from credkit.streams import stream
>>> record = "00000000011010000011", "11100100000000000000", "00110101000011111001010000000"
>>> [(frame.value, frame.covers) for frame in stream("swipes:binary").frames(record)]
[('00000011010000011111001000000', (0, 1)), ('00000011010100001111100101000000', (2,))]
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import Any

from credkit.core.codec import AnyCodec
from credkit.core.spans import MAX_BITS
from credkit.streams.frame import Frame
from credkit.streams.session import ChunkSession
from credkit.tables.characters import ALPHANUMERIC
from credkit.tables.swipes import separating_zeros

GAP = separating_zeros(ALPHANUMERIC)  # zeros that part two swipes; the wider characters can have more of them in a row
EDGE = ALPHANUMERIC.width - 1  # zeros left at the ends of a swipe: they may belong to its characters
LONGEST_SWIPE_BITS = MAX_BITS // 2  # bits of a swipe; one that is longer is noise, and cut there

_ONES = re.compile("1+")
_ISLANDS = re.compile(f"1(?:0{{0,{GAP - 1}}}1)*")  # which no gap parts


class SwipeSession(ChunkSession):
    """The swipe that has begun: its bits up to the last 1, the zeros behind it, and its chunks.

    The value of a frame is binary digits.
    """

    __slots__ = ("_begun", "_covers", "_zeros")
    reads = "a text to bits"

    def __init__(self, codec: AnyCodec) -> None:
        super().__init__(codec)
        self._begun, self._zeros = "", 0
        self._covers: list[int] = []

    @classmethod
    def fits(cls, codec: AnyCodec) -> bool:
        """Whether ``codec`` reads a chunk of the record to bits."""
        return (codec.takes, codec.gives) == ("text", "bits")

    def _read(self, value: Any, number: int) -> Iterator[Frame]:
        bits = value.bin
        at = 0
        may_be_cut = len(self._begun) + self._zeros + len(bits) > LONGEST_SWIPE_BITS
        for ones in (_ONES if may_be_cut else _ISLANDS).finditer(bits):
            self._zeros += ones.start() - at
            if self._begun and (self._zeros >= GAP or len(self._begun) + self._zeros > LONGEST_SWIPE_BITS):
                yield from self._swipe()
            self._begun += "0" * (self._zeros if self._begun else min(self._zeros, EDGE)) + ones.group()
            self._zeros, at = 0, ones.end()
            if self._covers[-1:] != [number]:
                self._covers.append(number)
        self._zeros += len(bits) - at
        if self._zeros >= GAP:
            yield from self._swipe()
        if not at:
            yield Frame(value=None, covers=(number,), problem="nothing but zeros: no swipe")

    def _fail(self, problem: str, number: int) -> Iterator[Frame]:
        yield from self._end()
        yield Frame(value=None, covers=(number,), problem=problem)

    def _end(self) -> Iterable[Frame]:
        rest = list(self._swipe())
        self._zeros = 0
        return rest

    def _swipe(self) -> Iterator[Frame]:
        """The swipe that has begun, if one has; the zeros behind it stay, they may belong to the next one."""
        if self._begun:
            yield Frame(value=self._begun + "0" * min(self._zeros, EDGE), covers=tuple(self._covers))
        self._begun, self._covers = "", []
