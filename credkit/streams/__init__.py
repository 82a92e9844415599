"""Streams: many chunks of reader output in, frames out.

A stream is not a codec: it joins what arrived apart, and cuts what arrived in one. Every chunk is
covered by at least one `Frame`, so that counts add up.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from credkit.catalogue.own import Codecs
from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.streams import keypad, swipes
from credkit.streams.frame import Frame, Stream

KINDS: Mapping[str, Callable[..., Stream]] = {"keypad": keypad.stream, "swipes": swipes.stream}
__all__ = ["Frame", "Stream", "stream"]


def stream(text: str, codecs: Codecs = ()) -> Stream:
    """The stream that ``text`` names: a kind, and the chain that reads one chunk.

    ``keypad:hex:1/keypad-4`` joins key bursts to what was typed, ``swipes:binary`` cuts swipes out
    of a record of bits. Raises `DefinitionError` for any other text.

    >>> stream("morse:binary")
    Traceback (most recent call last):
    credkit.DefinitionError: stream 'morse:binary' is not written keypad:CHAIN or swipes:CHAIN
    """
    kind, _, chain = text.partition(":")
    if kind not in KINDS or not chain:
        raise DefinitionError(
            f"stream {redacted_repr(text)} is not written {' or '.join(f'{name}:CHAIN' for name in KINDS)}"
        )
    return KINDS[kind](text, codecs)
