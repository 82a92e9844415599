"""Keypad bursts, joined to the digits that were typed.

A keypad sends each key as a burst of its own. Digits collect until ``#`` (key 11) enters them;
``*`` (key 10) clears what was typed. A burst that cannot be read makes its whole entry void, and so
does any other key. An entry of more than 4096 bursts is void up to the ``#`` or ``*`` that ends it. A session
has no clock: where bursts have times, the caller ends an entry at a pause of `LONGEST_KEY_PAUSE`.

Source: common practice, no source.

>>> from credkit.streams import stream
>>> typed = stream("keypad:hex:1/keypad-4")
>>> [(frame.value, frame.covers) for frame in typed.frames(["1", "2", "B"])]
[('12', (0, 1, 2))]
>>> [frame.problem for frame in typed.frames(["1", "A", "4"])]
['cleared after 1 digit', 'not entered: 1 digit and no #']
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta
from typing import Any

from credkit.core.codec import AnyCodec
from credkit.core.reading import Field
from credkit.core.sentences import format_count
from credkit.streams.frame import Frame
from credkit.streams.session import ChunkSession

CLEAR, ENTER = 10, 11
LONGEST_ENTRY = 4096  # bursts that are kept of an entry which does not end
LONGEST_KEY_PAUSE = timedelta(seconds=30)  # between two bursts: whoever types next may begin a new entry


class KeypadSession(ChunkSession):
    """The entry that is being typed: its digits, its bursts, and why it is void, if it is."""

    __slots__ = ("_bursts", "_digits", "_void")
    reads = "a text to the field key"

    def __init__(self, codec: AnyCodec) -> None:
        super().__init__(codec)
        self._clear()

    @classmethod
    def fits(cls, codec: AnyCodec) -> bool:
        """Whether ``codec`` reads one burst to the field ``key``, a number."""
        return codec.takes == "text" and set(codec.schema) == {"key"} and isinstance(codec.schema["key"], Field)

    def _clear(self, void: str | None = None) -> None:
        self._digits = ""
        self._bursts: list[int] = []
        self._void = void

    def _read(self, value: Any, number: int) -> Iterable[Frame]:
        key = value["key"]
        if key > ENTER:
            return self._fail(f"key {key} is neither a digit nor * ({CLEAR}) nor # ({ENTER})", number)
        self._bursts.append(number)
        if key < CLEAR:
            self._digits += str(key)
            return self._bound()
        if key == CLEAR:
            frame = self._frame(f"cleared after {format_count(len(self._digits), 'digit')}")
        elif self._void or not self._digits:
            frame = self._frame(self._void or "entered with no digit before it")
        else:
            frame = Frame(value=self._digits, covers=tuple(self._bursts))
        self._clear()
        return (frame,)

    def _fail(self, problem: str, number: int) -> Iterable[Frame]:
        self._bursts.append(number)
        self._void = self._void or problem  # a digit may be missing: the whole entry is void
        return self._bound()

    def _bound(self) -> Iterable[Frame]:
        if len(self._bursts) < LONGEST_ENTRY:
            return ()
        problem = f"no # within {LONGEST_ENTRY} bursts"
        frame = self._frame(problem)
        self._clear(void=f"the end of an entry with {problem}")
        return (frame,)

    def _end(self) -> Iterable[Frame]:
        rest = (
            [self._frame(f"not entered: {format_count(len(self._digits), 'digit')} and no #")] if self._bursts else []
        )
        self._clear()
        return rest

    def _frame(self, problem: str) -> Frame:
        return Frame(value=None, covers=tuple(self._bursts), problem=problem)
