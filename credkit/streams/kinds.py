"""Streams by name: ``keypad:CHAIN`` and ``swipes:CHAIN``, each a kind and the chain that reads one chunk."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from credkit.catalogue.own import Codecs
from credkit.catalogue.registry import chain
from credkit.core.codec import AnyCodec
from credkit.core.errors import DefinitionError
from credkit.core.sentences import brief, redacted_repr
from credkit.streams.frame import Frame
from credkit.streams.keypad import KeypadSession
from credkit.streams.session import ChunkSession
from credkit.streams.swipes import SwipeSession

KINDS: Mapping[str, type[ChunkSession]] = {"keypad": KeypadSession, "swipes": SwipeSession}


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Stream:
    """How a reader's chunks become frames: a kind, and the ``codec`` that reads one chunk.

    It keeps nothing of what was read: one stream serves every connection and every thread, can be compared
    and pickled, and opens a session for each connection. Raises `DefinitionError` for a codec that does
    not read a chunk of this kind.
    """

    kind: str
    codec: AnyCodec

    def __post_init__(self) -> None:
        session = KINDS.get(self.kind)
        if session is None:
            raise DefinitionError(f"no stream is called {redacted_repr(self.kind)}, only {', '.join(KINDS)}")
        if not session.fits(self.codec):
            problem = f"{self.codec.name} does not read {session.reads}"
            raise DefinitionError(f"stream {redacted_repr(self.name)}: {problem}")
        if self.codec.decode_obstacle:
            problem = f"{self.codec.name} cannot read: {self.codec.decode_obstacle}"
            raise DefinitionError(f"stream {redacted_repr(self.name)}: {problem}")

    @property
    def name(self) -> str:
        """The stream as it is written: the kind, and the chain that reads one chunk."""
        return f"{self.kind}:{self.codec.name}"

    def open(self) -> ChunkSession:
        """A new session, for one connection.

        >>> session = stream("keypad:hex:1/keypad-4").open()
        >>> session.feed("1"), session.feed("2")
        ([], [])
        >>> session.feed("B")
        [<Frame '12', 3 chunks>]
        >>> session.feed("7"), session.flush()
        ([], [<Frame not entered: 1 digit and no #, 1 chunk>])
        """
        return KINDS[self.kind](self.codec)

    def frames(self, chunks: Iterable[str | Frame]) -> Iterator[Frame]:
        """The frames of ``chunks``, each as soon as it is complete.

        >>> [frame.value for frame in stream("keypad:hex:1/keypad-4").frames("12B34B")]
        ['12', '34']
        """
        return self.open().frames(chunks)

    def __repr__(self) -> str:
        return f"<Stream {brief(self.name)}>"


def stream(text: str, codecs: Codecs = ()) -> Stream:
    """The stream that ``text`` names: a kind, and the chain that reads one chunk.

    ``keypad:hex:1/keypad-4`` joins key bursts to what was typed, ``swipes:binary`` cuts swipes out
    of a record of bits. Raises `DefinitionError` or `UnknownCodec` for a text that names none.

    >>> stream("keypad:hex:1/keypad-4") == stream("keypad:hex:1/keypad-4")
    True
    >>> stream("morse:binary")
    Traceback (most recent call last):
    credkit.DefinitionError: stream 'morse:binary' is not written keypad:CHAIN or swipes:CHAIN
    """
    if not isinstance(text, str):
        raise DefinitionError(f"a stream is a text, not {redacted_repr(text)}")
    kind, _, chunk = text.partition(":")
    if kind not in KINDS or not chunk:
        raise DefinitionError(
            f"stream {redacted_repr(text)} is not written {' or '.join(f'{name}:CHAIN' for name in KINDS)}"
        )
    return Stream(kind=kind, codec=chain(chunk, codecs))
