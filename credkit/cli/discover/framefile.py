"""The file of samples that ``credkit discover layout`` reads: frames, perhaps with known numbers."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import NamedTuple

from bitstring import Bits

from credkit.core.codec import AnyCodec
from credkit.core.errors import CredkitError, DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.files.csvfiles import read_rows
from credkit.files.declaredfiles import CsvFile
from credkit.files.regularfiles import read_regular

FRAME = "frame"  # the column that holds the frames
DELIMITERS = ",;\t"
LARGEST_FILE_BYTES = 1 << 28
MOST_DIGITS = 100  # of a known number


class FrameFile(NamedTuple):
    """Frames with the lines on which they stand, and for each known number a value a frame, or None."""

    frames: tuple[str | Bits, ...]
    lines: tuple[int, ...]
    known: dict[str, tuple[int | None, ...]]


def read_frame_file(path: Path, codec: AnyCodec | None) -> FrameFile:
    """The samples in a text file, one frame a line, or in a CSV file with a column ``frame``.

    The other columns of a CSV file hold known numbers; an empty cell is one that is not known. ``codec`` takes the
    texts to bits; without one they are binary digits. Raises `DefinitionError` with the line of the first fault.
    """
    try:
        text = read_regular(path, LARGEST_FILE_BYTES).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise DefinitionError(f"{path}: byte {error.start} is not UTF-8") from None
    header, _, _ = text.partition("\n")
    for delimiter in DELIMITERS:
        columns = next(csv.reader([header.rstrip("\r")], delimiter=delimiter), [])
        if FRAME in columns:
            return _read_columns(path, columns, delimiter, codec)
    frames, lines = [], []
    for line, row in enumerate(text.splitlines(), 1):
        if row.strip():
            frames.append(_frame(path, line, row.strip(), codec))
            lines.append(line)
    return FrameFile(tuple(frames), tuple(lines), {})


def _read_columns(path: Path, columns: list[str], delimiter: str, codec: AnyCodec | None) -> FrameFile:
    file = CsvFile(path=path, name=str(path), delimiter=delimiter)
    names = [column for column in columns if column != FRAME]
    frames, lines = [], []
    known: dict[str, list[int | None]] = {name: [] for name in names}
    for line, (text, *numbers) in read_rows(file, [FRAME, *names]):
        frames.append(_frame(path, line, text.strip(), codec))
        lines.append(line)
        for name, number in zip(names, numbers, strict=True):
            digits = number.strip()
            if digits and not (digits.isascii() and digits.isdecimal() and len(digits) <= MOST_DIGITS):
                file.refuse(line, f"{name} is {redacted_repr(digits)}, expected a whole number or an empty cell")
            known[name].append(int(digits) if digits else None)
    return FrameFile(tuple(frames), tuple(lines), {name: tuple(numbers) for name, numbers in known.items()})


def _frame(path: Path, line: int, text: str, codec: AnyCodec | None) -> str | Bits:
    if codec is None:
        if not text or set(text) - {"0", "1"}:
            raise DefinitionError(
                f"{path} line {line}: {redacted_repr(text)} is not binary digits; --chain CHAIN reads other texts"
            )
        return text
    try:
        found = codec.decode(text)
    except CredkitError as error:
        raise DefinitionError(f"{path} line {line}: {error}") from None
    assert isinstance(found, Bits)
    return found
