"""Sessions: one connection's chunks in, frames out, without any input or output of their own.

A session keeps what has not ended yet. `StreamSession` numbers the chunks and derives iteration from
``feed`` and ``flush``; a kind of session says what a chunk does to it in ``_take``, and what is left in
``_end``. `ChunkSession` is the one whose chunks are texts, each read by a chain.

No session reads a clock, a socket or a file, and none shares state with another.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator
from typing import Any, ClassVar, Generic, TypeVar

from credkit.core.codec import AnyCodec
from credkit.core.errors import DecodeError
from credkit.core.sentences import format_count
from credkit.streams.frame import Frame

Chunk = TypeVar("Chunk")
MOST_CHUNKS_KNOWN = 64  # different chunks of a session whose values are kept


class StreamSession(ABC, Generic[Chunk]):
    """What one connection has sent so far: `feed` it every chunk, `flush` it at the end.

    Every frame is given as soon as it is complete. A session belongs to one connection and is fed by one
    thread, or one task, at a time; two connections have two sessions, which share nothing.
    """

    __slots__ = ("_chunks",)

    def __init__(self) -> None:
        self._chunks = 0  # fed so far

    def feed(self, chunk: Chunk) -> list[Frame]:
        """Take the next chunk and return the frames that it completes, often none.

        Chunks are numbered from 0 in the order in which this session is fed, and `Frame.covers` uses these
        numbers. Raises `DecodeError`, and changes nothing, for a chunk of the wrong Python type.
        """
        self._admit(chunk)
        self._chunks += 1
        return list(self._take(chunk, self._chunks - 1))

    def flush(self) -> list[Frame]:
        """End what has not ended, and return its frames: at the end of a connection, or after a pause.

        The session can be fed again: what follows is read as by a new session, but chunk numbers go on.
        """
        return list(self._end())

    def frames(self, chunks: Iterable[Chunk]) -> Iterator[Frame]:
        """The frames of ``chunks``, each as soon as it is complete: ``feed`` for every chunk, then ``flush``."""
        for chunk in chunks:
            yield from self.feed(chunk)
        yield from self.flush()

    def __repr__(self) -> str:
        return f"<{type(self).__name__}, {format_count(self._chunks, 'chunk')} fed>"  # no PIN, no number

    @abstractmethod
    def _admit(self, chunk: Chunk) -> None:
        """Raise `DecodeError` for what is no chunk at all."""

    @abstractmethod
    def _take(self, chunk: Chunk, number: int) -> Iterable[Frame]:
        """The frames that this chunk completes."""

    @abstractmethod
    def _end(self) -> Iterable[Frame]:
        """The frames of what has not ended; afterwards nothing is kept."""


class ChunkSession(StreamSession[str | Frame]):
    """A session whose chunks are texts, each read by a chain.

    A chunk may be a frame of another session, such as a line: its value is the text, and one with a
    problem counts as a chunk that cannot be read.
    """

    __slots__ = ("_codec", "_values")
    reads: ClassVar[str]  # what the chain must read a chunk to, for the sentence that refuses another chain

    def __init__(self, codec: AnyCodec) -> None:
        super().__init__()
        self._codec = codec
        self._values: dict[str, Any] = {}  # what chunks were read to: keys are the same ones again and again

    @classmethod
    @abstractmethod
    def fits(cls, codec: AnyCodec) -> bool:
        """Whether ``codec`` reads a chunk of this kind."""

    @abstractmethod
    def _read(self, value: Any, number: int) -> Iterable[Frame]:
        """The frames that a chunk completes which the chain reads to ``value``."""

    @abstractmethod
    def _fail(self, problem: str, number: int) -> Iterable[Frame]:
        """The frames that a chunk completes which cannot be read."""

    def _admit(self, chunk: str | Frame) -> None:
        if not isinstance(chunk, Frame):
            self._codec.check_input(chunk)

    def _take(self, chunk: str | Frame, number: int) -> Iterable[Frame]:
        if isinstance(chunk, Frame):
            if chunk.value is None:
                return self._fail(chunk.problem or "a frame without a text", number)
            chunk = chunk.value
        value = self._values.get(chunk)
        if value is None:
            try:
                value = self._codec.decode(chunk)
            except DecodeError as error:
                return self._fail(str(error), number)
            if len(self._values) < MOST_CHUNKS_KNOWN:
                self._values[chunk] = value
        return self._read(value, number)
