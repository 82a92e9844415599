"""The file of samples that ``credkit discover layout`` reads: frames, perhaps with known numbers."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from bitstring import Bits

from credkit.catalogue.registry import chain
from credkit.cli.discover.exporttexts import read_export_text
from credkit.core.codec import AnyCodec
from credkit.core.errors import CredkitError, DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.files.csvfiles import read_rows
from credkit.files.declaredfiles import CsvFile

FRAME = "frame"  # the column that holds the frames
DELIMITERS = ",;\t"
LARGEST_FILE_BYTES = 1 << 28
MOST_DIGITS = 100  # of a known number
NUMBER = "number"  # what a known number is called that has no header
_FRAME_AND_NUMBER = re.compile(rf"(\S+?)(?:\s*[,;]\s*|\s+)([0-9]{{1,{MOST_DIGITS}}})", re.ASCII)
_HEX_DIGITS = re.compile("[0-9A-Fa-f]+")


class FrameFile(NamedTuple):
    """Frames with the lines on which they stand, and for each known number a value a frame, or None.

    ``codec`` takes their texts to bits; None where they are binary digits.
    """

    frames: tuple[str | Bits, ...]
    lines: tuple[int, ...]
    known: dict[str, tuple[int | None, ...]]
    codec: AnyCodec | None


def read_frame_file(path: Path, codec: AnyCodec | None) -> FrameFile:
    """The samples in a text file, one frame a line, or in a CSV file with a column ``frame``.

    The other columns of a CSV file hold known numbers; an empty cell is one that is not known. A line without a header
    may have a known number after its frame, parted by white space, a comma or a semicolon. ``codec`` takes the texts to
    bits; without one they are binary digits, or hex digits where all texts are and have one length. Raises
    `DefinitionError` with the line of the first fault.
    """
    text, encoding = read_export_text(path, LARGEST_FILE_BYTES)
    header, _, _ = text.partition("\n")
    for delimiter in DELIMITERS:
        columns = next(csv.reader([header.rstrip("\r")], delimiter=delimiter), [])
        if FRAME in columns:
            file = CsvFile(path=path, name=str(path), delimiter=delimiter, encoding=encoding)
            return _read_columns(file, columns, codec)
    rows = [(line, row.strip()) for line, row in enumerate(text.splitlines(), 1) if row.strip()]
    texts, numbers = _part_numbers([row for _, row in rows], codec)
    codec = codec or _hex_codec(texts)
    return FrameFile(
        tuple(_frame(path, line, text, codec) for (line, _), text in zip(rows, texts, strict=True)),
        tuple(line for line, _ in rows), {NUMBER: tuple(numbers)} if numbers else {}, codec,
    )  # fmt: skip


def _part_numbers(rows: Sequence[str], codec: AnyCodec | None) -> tuple[Sequence[str], list[int]]:
    """The texts of the frames, and the number after each; no numbers where a row is one text.

    Numbers of 0 and 1 only are bits of the frame, in groups.
    """
    parts = [_FRAME_AND_NUMBER.fullmatch(row) for row in rows]
    found = [part.groups() for part in parts if part is not None]
    if len(found) < len(rows) or not rows or all(set(number) <= {"0", "1"} for _, number in found):
        return rows, []
    if codec is not None and _is_read(rows[0], codec):
        return rows, []
    return [text for text, _ in found], [int(number) for _, number in found]


def _is_read(text: str, codec: AnyCodec) -> bool:
    try:
        codec.decode(text)
    except CredkitError:
        return False
    return True


def _hex_codec(texts: Sequence[str]) -> AnyCodec | None:
    """The codec of texts that are hex digits of one length; None where half of them have no letter.

    Those may be decimal digits, or binary digits with a character that is mistyped.
    """
    if len({*map(len, texts)}) != 1 or not _HEX_DIGITS.fullmatch("".join(texts)):
        return None
    return chain(f"hex:{len(texts[0])}") if 2 * sum(not text.isdecimal() for text in texts) > len(texts) else None


def _read_columns(file: CsvFile, columns: list[str], codec: AnyCodec | None) -> FrameFile:
    names = [column for column in columns if column != FRAME]
    texts, lines = [], []
    known: dict[str, list[int | None]] = {name: [] for name in names}
    for line, (text, *numbers) in read_rows(file, [FRAME, *names]):
        texts.append(text.strip())
        lines.append(line)
        for name, number in zip(names, numbers, strict=True):
            digits = number.strip()
            if digits and not (digits.isascii() and digits.isdecimal() and len(digits) <= MOST_DIGITS):
                file.refuse(line, f"{name} is {redacted_repr(digits)}, expected a whole number or an empty cell")
            known[name].append(int(digits) if digits else None)
    codec = codec or _hex_codec(texts)
    return FrameFile(
        tuple(_frame(file.path, line, text, codec) for line, text in zip(lines, texts, strict=True)), tuple(lines),
        {name: tuple(numbers) for name, numbers in known.items()}, codec,
    )  # fmt: skip


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
