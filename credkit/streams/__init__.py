"""Streams: many chunks of reader output in, fewer frames out.

A stream is not a codec: it joins what arrived apart. Every chunk is covered by exactly one
`Frame`, so that counts add up.
"""

from credkit.streams.frame import Frame, Stream
from credkit.streams.keypad import stream

__all__ = ["Frame", "Stream", "stream"]
