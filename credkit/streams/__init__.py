"""Streams: many chunks of reader output in, frames out; pushed, with no input or output of their own.

A stream is not a codec: it joins what arrived apart, and cuts what arrived in one. A `Stream` says how,
and opens a `StreamSession` for each connection; ``feed`` takes a chunk, ``flush`` ends what has not
ended, and ``frames`` does both over an iterable. Every chunk of a `Stream` is covered by at least one
`Frame`, so that counts add up. `LineSplitter` is the session in front of it where bytes come in.
"""

from __future__ import annotations

from credkit.streams.frame import Frame
from credkit.streams.keypad import LONGEST_KEY_PAUSE
from credkit.streams.kinds import Stream, stream
from credkit.streams.lines import LineSplitter
from credkit.streams.session import ChunkSession, StreamSession

__all__ = ["LONGEST_KEY_PAUSE", "ChunkSession", "Frame", "LineSplitter", "Stream", "StreamSession", "stream"]
