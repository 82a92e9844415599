"""Values: from arguments, from a file or from standard input, one a line.

A stream is read line by line as it arrives and never as a whole. Every line is a row, an empty
one too; its end (LF or CR LF) is not part of the value, and a mark of UTF-8 at the very start is
dropped. A line that cannot be a value gives a row with a problem, never an exception.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, BinaryIO, NamedTuple

import click

from credkit.core.errors import DefinitionError
from credkit.core.textlines import LONGEST_LINE, utf8_problem

if TYPE_CHECKING:
    from credkit.streams import Stream

_UTF_8_MARK = b"\xef\xbb\xbf"
_UTF_16 = b"\xff\xfe", b"\xfe\xff"


class InputLine(NamedTuple):
    """One row of input: its text, and why it cannot be a value."""

    text: str
    problem: str | None = None


class Values(NamedTuple):
    """The rows of one run. ``streamed`` rows are counted as lines (``framed`` ones as frames), the others as values."""

    rows: Iterator[InputLine]
    streamed: bool
    framed: bool = False

    @property
    def unit(self) -> str:
        """What a row is called."""
        return "frame" if self.framed else "line" if self.streamed else "value"


def input_values(given: Sequence[str], file: BinaryIO | None) -> Values:
    """The values given as arguments, or else those of ``file``, or else those of standard input."""
    if given and file:
        raise click.UsageError("values come as arguments or from --file, not both")
    if given:
        return Values((_to_line(text) for text in given), streamed=False)
    if file is None:
        if sys.stdin is None:
            raise click.UsageError("there are no values: neither arguments, nor --file, nor standard input")
        file = sys.stdin.buffer
        if file.isatty():
            click.echo("credkit: reading values, one a line, until the end of input", file=sys.stderr)
    return Values(read_lines(file), streamed=True)


def stream_frames(given: Values, stream: Stream) -> Values:
    """The frames that ``stream`` makes of the texts of ``given``, as rows."""
    strange: dict[int, InputLine] = {}  # lines that cannot be values: that is said of them, not what follows from it

    def texts() -> Iterator[str]:
        for place, line in enumerate(given.rows):
            if line.problem:
                strange[place] = line
            yield line.text

    frames = stream.frames(texts())
    rows = (
        next(
            (strange[place] for place in frame.covers if place in strange), InputLine(frame.value or "", frame.problem)
        )
        for frame in frames
    )
    return Values(rows, streamed=True, framed=True)


def _to_line(text: str) -> InputLine:
    """An argument; Python hides bytes that are not text in it as lone surrogates."""
    if any("\ud800" <= c <= "\udfff" for c in text):
        return InputLine(
            os.fsencode(text).decode(errors="backslashreplace"), "the value holds bytes that are not UTF-8"
        )
    return InputLine(text)


def read_lines(stream: BinaryIO) -> Iterator[InputLine]:
    """The lines of ``stream``, as they arrive.

    >>> from io import BytesIO
    >>> list(read_lines(BytesIO(b"02F764DD\\r\\n\\n\\xff")))  # doctest: +NORMALIZE_WHITESPACE
    [InputLine(text='02F764DD', problem=None), InputLine(text='', problem=None),
     InputLine(text='\\\\xff', problem='byte 0 of the line is not UTF-8: 0xff')]
    """
    first = True
    while raw := stream.readline(LONGEST_LINE + 1):
        if first:
            if raw.startswith(_UTF_16):
                raise DefinitionError("the input looks like UTF-16: convert it to UTF-8")
            raw, first = raw.removeprefix(_UTF_8_MARK), False
        if len(raw) > LONGEST_LINE and not raw.endswith(b"\n"):
            rest = raw
            while rest and not rest.endswith(b"\n"):
                rest = stream.readline(LONGEST_LINE)
            head = raw[:8].decode(errors="backslashreplace")
            yield InputLine(f"{head}…", f"the line is longer than {LONGEST_LINE} bytes, which no value is")
            continue
        raw = raw.removesuffix(b"\n").removesuffix(b"\r")
        yield InputLine(raw.decode(errors="backslashreplace"), utf8_problem(raw))
