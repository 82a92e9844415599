"""Lines out of the bytes of a socket or a serial line, wherever a chunk of them ends.

A line ends with CR, LF or CR LF. One that ends with CR is given at once: no byte behind it is waited for.

Source: common practice, no source.

>>> lines = LineSplitter()
>>> lines.feed(b"02F7")
[]
>>> [(line.value, line.covers) for line in lines.feed(b"64DD\\r\\n02F764DC\\r\\n02F7")]
[('02F764DD', (0, 1)), ('02F764DC', (1,))]
>>> print(lines.feed(b"\\xff\\r")[0].problem)
byte 4 of the line is not UTF-8: 0xff (in '02F7\\\\xff')
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from operator import index

from credkit.core.errors import DecodeError, DefinitionError
from credkit.core.fields import is_index
from credkit.core.sentences import redacted_repr
from credkit.core.textlines import LONGEST_LINE, utf8_problem
from credkit.streams.frame import Frame
from credkit.streams.session import StreamSession

_HEAD = 8  # bytes of an over-long line that a sentence repeats: too few for a card number


class LineSplitter(StreamSession[bytes | bytearray | memoryview]):
    """The lines in the bytes of one connection, as texts without their ends.

    An empty line is a line. A line that is not UTF-8 gives a frame with a problem. So does a line of more
    than ``longest`` bytes: one frame for every ``longest`` + 1 bytes of it, as soon as they are there, and one
    for the rest; more is never kept. What `flush` gives had no end: if the connection broke, it may be
    a part of a line.

    A frame covers the chunks in which a byte of its line came. A chunk that is empty, or holds only the end of
    a line that was given before, is in no frame.
    """

    __slots__ = ("_behind_cr", "_covers", "_over", "_rest", "longest")

    def __init__(self, *, longest: int = LONGEST_LINE) -> None:
        if not is_index(longest) or index(longest) < 1:
            raise DefinitionError(f"LineSplitter: longest is a number of bytes from 1 up, not {redacted_repr(longest)}")
        super().__init__()
        self.longest = index(longest)
        self._start()

    def _start(self) -> None:
        self._rest = bytearray()  # what has come of the line, and is not given
        self._covers: list[int] = []
        self._over = False  # whether the line is too long, and a part of it given
        self._behind_cr = False  # whether an LF now would belong to the end of the line before

    def _admit(self, chunk: bytes | bytearray | memoryview) -> None:
        if not isinstance(chunk, bytes | bytearray | memoryview):
            raise DecodeError(f"LineSplitter: takes bytes, not {redacted_repr(chunk)}", codec="LineSplitter")

    def _take(self, chunk: bytes | bytearray | memoryview, number: int) -> Iterator[Frame]:
        data = bytes(chunk)
        if not data:
            return
        if self._behind_cr:
            data = data.removeprefix(b"\n")
        self._behind_cr = data.endswith(b"\r")
        for line in data.splitlines(keepends=True):  # of bytes, it knows CR, LF and CR LF, and no other end
            content = line.rstrip(b"\r\n")
            at = 0
            while len(content) - at >= (room := self.longest + 1 - len(self._rest)):
                self._keep(content[at : at + room], number)
                at += room
                head = bytes(self._rest[:_HEAD]).decode(errors="backslashreplace")
                yield self._give(
                    self._too_long() or f"the line that begins {head!r} is longer than {self.longest} bytes"
                )
                self._over = True
            if at < len(content):
                self._keep(content[at:], number)
            if len(content) < len(line):
                if self._rest or not self._over:
                    self._keep(b"", number)
                    yield self._give(self._too_long())
                self._over = False

    def _end(self) -> Iterable[Frame]:
        rest = [self._give(self._too_long())] if self._rest else []
        self._start()
        return rest

    def _keep(self, content: bytes, number: int) -> None:
        self._rest += content
        if self._covers[-1:] != [number]:
            self._covers.append(number)

    def _too_long(self) -> str | None:
        return f"the rest of a line that is longer than {self.longest} bytes" if self._over else None

    def _give(self, problem: str | None) -> Frame:
        line, covers = bytes(self._rest), tuple(self._covers)
        self._rest.clear()
        self._covers.clear()
        if problem is None and (problem := utf8_problem(line)):
            problem += f" (in {redacted_repr(line.decode(errors='backslashreplace'))})"
        return Frame(value=None if problem else line.decode(), covers=covers, problem=problem)
